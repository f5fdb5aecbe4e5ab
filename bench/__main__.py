"""Speed side by side with peers, and calibration: `python -m bench WHAT`.

    python -m bench start                     command start, import and first fit
    python -m bench workbook                  a 200,000-row workbook in
    python -m bench speed PREFIX [PREFIX10]   survival, multi-state and mixed models against R, on a simulated study
    python -m bench store [ADDRESS] [VISITS]  1.29 million visits on both databases
    python -m bench calibrate [--replicates N] [CODE ...]   do 95 % intervals hold the truth 95 times in 100?
    python -m bench concordance [CODE ...]    our values beside printed ones and those of other programs
    python -m bench broken                    300 broken inputs
    python -m bench pattern                   point patterns against R, random labelling against a plain loop
    python -m bench kills [MOMENTS] [ADDRESS] kill -9 inside an import; `postgresql` for a server started for it

PREFIX names the tables of a simulated study: PREFIX_visits.csv and so on. R peers need R with its packages from Debian.
"""

import sys
from collections.abc import Sequence
from pathlib import Path

Row = dict[str, object]


def show(rows: Sequence[Row]) -> None:
    """Print rows as lines: what, ours, peer, ratio, what is needed, and how far the results agree."""
    for r in rows:
        print(
            f"{r['task']!s:<58} ours {r['ours_s']!s:>8} s  peer {r['peer_s']!s:>8} s  ratio {r['ratio']!s:>8}", end="  "
        )
        print(f"need {r['need']}  {r.get('peer', '')}; {r.get('agreement', '')}")


def speed(args: list[str]) -> None:
    """Run the rows that compare with R."""
    from bench import mixed, multistate, survival

    prefix, large = args[0], args[1] if len(args) > 1 else None
    show(survival.rows(prefix, large))
    show(multistate.run(prefix, large))
    show(mixed.run(prefix))


def calibrate(args: list[str]) -> None:
    """Run the calibration of every question, or of those named, and print one row an effect.

    `--replicates N` (200), `--workers N` (all cores), `--ledger FILE` (calibration.ledger): an interrupted run goes on.
    """
    import os

    from bench.calibrate import calibrate_on, table, truths_of
    from bench.ledger import Ledger

    from domatia.lifecycle import DEFAULT
    from domatia.questions import ALL

    said = {"--replicates": "200", "--workers": str(os.cpu_count() or 1), "--ledger": "calibration.ledger"}
    codes = []
    left = list(args)
    while left:
        word = left.pop(0)
        if word in said and left:
            said[word] = left.pop(0)
        else:
            codes.append(word)
    seeds = range(1, int(said["--replicates"]) + 1)
    truths = truths_of(DEFAULT, 300_000)
    ledger = Ledger(Path(said["--ledger"]))
    for q in ALL:
        if not codes or q.code in codes:
            rows, none = calibrate_on(DEFAULT, q.code, seeds, truths, ledger, int(said["--workers"]))
            print(f"{q.code}: {len(seeds)} studies, {none} without an answer ({none / len(seeds):.1%})")
            print(table(rows), flush=True)
    ledger.close()


def main(argv: list[str]) -> int:
    """Run what is asked for."""
    what, args = (argv[0], argv[1:]) if argv else ("", [])
    if what == "start":
        from bench.start import rows

        show(rows())
    elif what == "workbook":
        from bench.workbook import workbook

        show(workbook())
    elif what == "speed" and args:
        speed(args)
    elif what == "store":
        from bench.store import main as run_store

        run_store(args)
    elif what == "calibrate":
        calibrate(args)
    elif what == "concordance":
        from bench.concordance import table as as_text
        from bench.concordance.gathered import all_rows

        print(as_text(all_rows(args)))
    elif what == "pattern":
        from bench.pattern import rows as pattern_rows

        show(pattern_rows())
    elif what == "broken":
        from bench.broken_inputs import main as run_broken

        run_broken(args)
    elif what == "kills":
        from bench.kill_import import kills

        print(kills(args))
    else:
        print(__doc__)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
