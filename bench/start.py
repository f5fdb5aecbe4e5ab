"""How fast a command starts, and how fast a first small fit is there after import.

Peers: bare Python for the command, statsmodels' import for the first fit. The first run, which nobody counts, writes
the bytecode of everything imported into a folder of its own; the others read it, as an installed program would.
"""

import os
import subprocess
import sys
import time
from statistics import median
from tempfile import TemporaryDirectory

Row = dict[str, object]

_FIT = """
import numpy as np
from domatia.stats.npmle import npmle
npmle(np.array([0.0, 1.0, 2.0, 1.0]), np.array([1.0, 3.0, np.inf, 2.0]))
"""
_PEER_FIT = "import statsmodels.api"


def seconds(command: list[str], runs: int = 7) -> float:
    """Give the median wall time of a command, after one run that nobody counts."""
    times = []
    with TemporaryDirectory() as folder:
        environ = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
        environ["PYTHONPYCACHEPREFIX"] = folder
        for _ in range(runs + 1):
            begin = time.perf_counter()
            subprocess.run(command, check=True, capture_output=True, env=environ)
            times.append(time.perf_counter() - begin)
    return median(times[1:])


def rows() -> list[Row]:
    """Measure both."""
    bare = seconds([sys.executable, "-c", "pass"])
    start = seconds([sys.executable, "-m", "domatia.cli", "--help"])
    fit = seconds([sys.executable, "-c", _FIT])
    peer = seconds([sys.executable, "-c", _PEER_FIT], 3)
    return [
        {
            "task": "command start (--help), above bare Python",
            "peer": "bare Python",
            "ours_s": round(start - bare, 3),
            "peer_s": round(bare, 3),
            "ratio": round(start / bare, 1),
            "need": "< 0.15 s",
            "agreement": "",
            "reached": start - bare < 0.15,
        },
        {
            "task": "import and first small fit",
            "peer": "statsmodels, import alone",
            "ours_s": round(fit - bare, 3),
            "peer_s": round(peer - bare, 3),
            "ratio": round((peer - bare) / (fit - bare), 1),
            "need": "<= 0.5 s",
            "agreement": "",
            "reached": fit - bare <= 0.5,
        },
    ]
