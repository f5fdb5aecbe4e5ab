"""A long run goes on where it was interrupted, with the same result."""

from pathlib import Path

import pytest
from bench.calibrate import calibrate, calibrate_on
from bench.ledger import Ledger

from domatia.lifecycle import DEFAULT
from domatia.lifecycle.layers.published import PUBLISHED

SPEC = DEFAULT.sized(4, 12)
TRUTHS = {v.key: v.value for v in PUBLISHED.truth(SPEC, 1)}


def test_what_is_noted_is_there_again(tmp_path: Path) -> None:
    """Results come back by what was asked and seed; what is wanting is the rest."""
    ledger = Ledger(tmp_path / "a.ledger")
    ledger.note("x", 3, [["key", 1.5, None]])
    ledger.close()
    again = Ledger(tmp_path / "a.ledger")
    assert again.done("x") == {3: [["key", 1.5, None]]}
    assert again.wanting("x", range(1, 5)) == [1, 2, 4]
    assert again.done("y") == {}
    again.close()


@pytest.mark.slow
def test_an_interrupted_calibration_ends_as_one_that_was_not(tmp_path: Path) -> None:
    """Two studies done, then five asked for, on two workers: the rows equal those of five at once on one."""
    ledger = Ledger(tmp_path / "b.ledger")
    calibrate_on(SPEC, "synthesis", range(1, 3), TRUTHS, ledger, 1)
    rows, none = calibrate_on(SPEC, "synthesis", range(1, 6), TRUTHS, ledger, 2)
    ledger.close()
    assert none == 0
    assert rows == calibrate(SPEC, ("synthesis",), range(1, 6), TRUTHS)
