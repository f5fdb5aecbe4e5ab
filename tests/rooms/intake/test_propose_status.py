"""A column that says alive and dead is the status, whatever its header."""

from pathlib import Path

import pytest

from domatia.intake.propose import propose
from domatia.intake.read_table import read_table

ROWS = "block,plant,date,{header},height_cm\n" + "".join(
    f"N1,{p},2024-0{r}-10,{'dead' if p == 3 and r > 1 else 'alive'},{40 + p}\n" for p in range(1, 8) for r in (1, 2, 3)
)


@pytest.mark.parametrize("header", ["Condition", "How found", "remark"])
def test_cells_that_say_alive_and_dead_are_the_status(header: str, tmp_path: Path) -> None:
    """Neither free text nor a guess from the heights: a plant that is called dead stays dead."""
    file = tmp_path / "census.csv"
    file.write_text(ROWS.format(header=header), encoding="utf-8")
    made = propose(read_table(file)).mapping
    assert made.parts["visit"].fields["status"].column == header
    assert "condition" not in made.parts["visit"].fields
