"""The one door for tables: a file of any kind that is read becomes a table of text."""

from pathlib import Path

from domatia.intake.guard import LIMITS, Limits, check_size
from domatia.intake.read_csv import read_csv
from domatia.intake.read_workbook import is_workbook, read_workbook, sheets_of
from domatia.intake.text_table import TextTable
from domatia.model import WrongUse


def read_table(
    path: str | Path,
    *,
    sheet: str = "",
    encoding: str = "",
    delimiter: str = "",
    skip_rows: int = 0,
    limits: Limits = LIMITS,
) -> TextTable:
    """Read a table as text: delimited text (CSV, TSV and the like) or a sheet of a workbook (XLSX, ODS, XLS).

    What kind of file it is, its content tells and not its name.

    Parameters
    ----------
    path : str or Path
    sheet : str
        Sheet of a workbook; empty for the first that is not hidden.
    encoding, delimiter : str
        Of a text file; empty to find out. "tab" and the like are understood as names of delimiters.
    skip_rows : int
        Lines or rows before the header.
    limits : Limits
        The largest table that is read.

    Returns
    -------
    TextTable
        With findings on everything that is wrong or doubtful about the table as such.

    Raises
    ------
    CannotOpen
        Only if nothing at all can be read; it names the file and says what to do.
    WrongUse
        If the sheet, the encoding or the delimiter asked for does not exist.
    """
    where = Path(path)
    check_size(where, max(limits.file_bytes, limits.workbook_bytes))
    if is_workbook(where):
        if encoding or delimiter:
            raise WrongUse(
                f"{where.name} is a workbook and has no encoding or delimiter",
                next_step="Leave both out of the mapping.",
            )
        return read_workbook(where, sheet=sheet, skip_rows=skip_rows, limits=limits)
    if sheet:
        raise WrongUse(f"{where.name} is a text file and has no sheets", next_step="Leave the sheet out.")
    named = {"comma": ",", "semicolon": ";", "tab": "\t", "\\t": "\t", "pipe": "|"}
    return read_csv(
        where, encoding=encoding, delimiter=named.get(delimiter, delimiter), skip_rows=skip_rows, limits=limits
    )


def sheets(path: str | Path) -> tuple[str, ...]:
    """Give the names of a workbook's sheets in their order; one empty name for a text file.

    Raises
    ------
    CannotOpen
        If the file cannot be opened.
    """
    where = Path(path)
    check_size(where, max(LIMITS.file_bytes, LIMITS.workbook_bytes))
    return sheets_of(where) if is_workbook(where) else ("",)
