"""Set everything up on a machine that has only Python and git, then do one thing.

    python3 run.py demo     make the demo study, ask its questions, write its report
    python3 run.py test     style, types, floors and all tests
    python3 run.py bench    speed and calibration, side by side with their peers where those are installed

Each makes its own virtual environment beside this file the first time. Nothing outside this folder is touched.
"""

import argparse
import os
import subprocess
import sys
import venv
from pathlib import Path

HERE = Path(__file__).resolve().parent
LEAST = (3, 11)


def say(text: str) -> None:
    """Tell the user what happens, at once."""
    print(text, flush=True)


def python_of(folder: Path) -> Path:
    """Give the interpreter of a virtual environment."""
    return folder / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def environment(name: str, lock: str, package: list[str]) -> Path:
    """Make or refresh a virtual environment with one locked set and the package, and give its interpreter."""
    folder = HERE / name
    python = python_of(folder)
    stamp = folder / "made-from.txt"
    made_from = (HERE / "locks" / lock).read_text(encoding="utf-8") + " ".join(package)
    if not python.exists():
        say(f"Making the environment {name} …")
        venv.create(folder, with_pip=True)
    if not stamp.exists() or stamp.read_text(encoding="utf-8") != made_from or package[0] != "-e":
        say(f"Installing what {lock} locks …")
        pip = [str(python), "-m", "pip", "--disable-pip-version-check", "install", "--quiet"]
        subprocess.run([*pip, "--require-hashes", "-r", str(HERE / "locks" / lock)], check=True)
        again = [] if package[0] == "-e" else ["--force-reinstall"]
        subprocess.run([*pip, "--no-deps", *again, *package], check=True, cwd=HERE)
        stamp.write_text(made_from, encoding="utf-8")
    return python


def demo(rest: list[str]) -> int:
    """Run the main job on the demo study."""
    python = environment(".venv", "run.txt", ["-e", "."])
    where = rest or ["demo"]
    return subprocess.run([str(python), "-m", "domatia.cli", "demo", *where], cwd=HERE, check=False).returncode


def test(rest: list[str]) -> int:
    """Run every check and every test; with DOMATIA_WHEEL on that wheel, else on this source."""
    wheel = os.environ.get("DOMATIA_WHEEL", "")
    python = environment(".venv-dev", "dev.txt", [wheel] if wheel else ["-e", "."])
    environ = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "POLARS_MAX_THREADS": "2"}
    bin_folder = python.parent
    steps = {
        "style": [str(bin_folder / "ruff"), "check", "."],
        "format": [str(bin_folder / "ruff"), "format", "--check", "."],
        "types": [str(bin_folder / "mypy")],
        "floors": [str(bin_folder / "lint-imports")],
        "tests": [str(python), "-m", "pytest", "-q", "-n", "2", *rest],
    }
    failed = []
    for name, command in steps.items():
        say(f"== {name}")
        if subprocess.run(command, cwd=HERE, env=environ, check=False).returncode:
            failed.append(name)
    say(f"Failed: {', '.join(failed)}." if failed else "All of it passed.")
    return 1 if failed else 0


def bench(rest: list[str]) -> int:
    """Run the benches."""
    python = environment(".venv-dev", "dev.txt", ["-e", "."])
    environ = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    return subprocess.run([str(python), "-m", "bench", *rest], cwd=HERE, env=environ, check=False).returncode


def main() -> int:
    """Read what is wanted and do it."""
    if sys.version_info < LEAST:
        say(f"Python {LEAST[0]}.{LEAST[1]} or newer is needed; this is {sys.version.split()[0]}.")
        return 2
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("what", choices=["demo", "test", "bench"])
    asked, rest = reader.parse_known_args()
    return {"demo": demo, "test": test, "bench": bench}[asked.what](rest)


if __name__ == "__main__":
    sys.exit(main())
