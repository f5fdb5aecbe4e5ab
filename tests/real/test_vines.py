"""Trees of two forms with or without vines (field course 2012): arithmetic against R, and the doubt that must stand."""

import csv
from pathlib import Path

import pytest
from tests.rooms.questions.test_clearance import forms

from domatia.model import Ask
from domatia.questions import answer

pytestmark = pytest.mark.real


def test_white_trees_have_more_vines_and_that_cannot_be_laid_to_ants(real_data: Path) -> None:
    """40 of 82 against 7 of 70: odds ratio 0.117; conditional 0.118 (0.041-0.300) as R's fisher.test gives it."""
    with (real_data / "cecropia_vines_azteca" / "embauba.csv").open(encoding="utf-8") as file:
        rows = [(r["morphotype"], int(r["with.vines"] == "TRUE")) for r in csv.DictReader(file)]
    found = answer("clearance", forms(rows), Ask(by="species"))
    by = {e.name: e for e in found.effects}
    red, white = "VERMELHA", "BRANCA"
    assert {by["vine_contact_odds_ratio"].of, by["vine_contact_odds_ratio"].against} == {red, white}
    assert by["vine_contact_odds_ratio"].estimate == pytest.approx(0.117, abs=5e-4)
    exact = by["vine_contact_exact_odds_ratio"]
    assert [round(v, 3) for v in (exact.estimate, exact.low, exact.high)] == [0.118, 0.041, 0.300]
    assert "confounded" in {d.code for d in found.doubts}
