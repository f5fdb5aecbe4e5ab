"""Cells that say something else than a value."""

import polars as pl

from domatia.intake.codes import blanks, code_met, without_blanks


def test_blanks_are_stripped_away_and_codes_are_met() -> None:
    """A cell that says nothing is null; a coded cell gives its code."""
    frame = pl.DataFrame({"c": [" 12 ", "NA", "", None, "-", "+"]})
    nothing = blanks(["NA"], {"blank": ["-"]})
    text = frame.select(without_blanks(pl.col("c"), nothing).alias("t"))
    assert text["t"].to_list() == ["12", None, None, None, None, "+"]
    met = text.select(code_met(pl.col("t"), {"dead": ["+"], "blank": ["-"]}).alias("m"))
    assert met["m"].to_list() == [None, None, None, None, None, "dead"]
