"""The mapping file: which column of a table is which field, and how its cells are to be read.

A mapping is a small TOML file. This module says what it may hold; `mapping_parse` reads it and `mapping_text` writes
it. In short::

    [table]
    file = "census.csv"            # may hold * and ?
    row = "visit"                  # what one row is
    blank = ["", "NA"]             # cells that say nothing, in every column

    [place]
    name = "plot"                  # short for { column = "plot" }
    level = { value = "plot" }     # a constant

    [plant]
    key = ["place.name", "no"]     # columns, or fields, that tell one plant from another
    species = { column = "sp", if_varies = "last" }

    [visit]
    when = { column = "date", date = "dd/mm/yyyy" }
    status = { column = "st", words = { ok = "alive", gone = "not found" } }
    height_cm = { column = "ht", unit = "m", codes = { dead = ["+"], "not looked" = ["x"] } }

    [[quantity]]
    column = "soil"
    of = "place"
    unit = "%"

    [names.place]
    "Old mill" = "Mill"            # as written = the accepted name

    [not_visited]
    confirmed = { Mill = ["2003"] }
    partly = { Ford = ["2003"] }
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

Shape = Literal[
    "visit", "plant with repeated groups", "pair of years", "plant", "place", "tag change", "place visit", "quantities"
]
"""What one row of the table is."""

Code = Literal["blank", "none", "not looked", "not found", "dead", "not visited"]
"""What a cell can say instead of a value."""

IfVaries = Literal["refuse", "first", "last", "any"]
"""What to do with a plant's (or place's) field that differs between its rows."""

PSEUDO_COLUMNS = ("@file", "@sheet", "@group")
"""Names that stand for the file's name, the sheet's name and the group of a repeated column."""


@dataclass(frozen=True)
class Source:
    """Where one field's value comes from and how its cells are read.

    Attributes
    ----------
    column : str
        Header of the column; `X#2` is the second column headed `X`, `{group}` stands for the group's name, `{alias}`
        for a name of `[groups.columns]`; `@file`, `@sheet` and `@group` stand for those names themselves.
    columns : tuple of str
        Several columns whose cells are joined to one text.
    join : str
        What stands between the joined cells.
    value : str
        A constant, instead of a column.
    unit : str
        Unit of the cells; empty means the unit of the field.
    date : tuple of str
        Allowed forms such as `yyyy`, `dd/mm/yyyy`, `yyyy-mm-dd HH:MM`; without any only ISO 8601 is read.
    words : mapping of str to str
        Cell as written to the value meant; an empty value says nothing, and `*` stands for every other cell. Where a
        field varies and `if_varies` is "any", the value that stands first here wins.
    codes : mapping of str to tuple of str
        What cells mean instead of a value: "blank", "none", "not looked", "not found", "dead", "not visited".
    if_varies : {"refuse", "first", "last", "any"}
        For a field of a thing that has several rows.
    alive_if : tuple of str
        For `visit.status` only: a row whose own column says nothing is "alive" if any of these columns holds a value.
    cell : str
        For a position: column with the number (1, 2, …) or letter (A, B, …) of the grid cell that it is measured in.
    cell_size_m : float
        Side of that grid cell; the cell's origin is added to the position.
    """

    column: str = ""
    columns: tuple[str, ...] = ()
    join: str = ""
    value: str = ""
    unit: str = ""
    date: tuple[str, ...] = ()
    words: Mapping[str, str] = field(default_factory=dict)
    codes: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    if_varies: IfVaries = "refuse"
    alive_if: tuple[str, ...] = ()
    cell: str = ""
    cell_size_m: float = 0.0

    @property
    def read(self) -> tuple[str, ...]:
        """Every column that this source reads."""
        own = (self.column,) if self.column else self.columns
        return (*own, *self.alive_if, *((self.cell,) if self.cell else ()))


@dataclass(frozen=True)
class Part:
    """What the rows say of one record kind.

    Attributes
    ----------
    kind : str
    key : tuple of str
        Columns, or fields of this mapping as `record.field`, that tell one thing from another; empty for the usual
        ones (a place's name; a visit's plant and date).
    find_by : str
        "tag" to find plants of the study by place and tag at the date, instead of by a key.
    fields : mapping of str to Source
    """

    kind: str
    key: tuple[str, ...] = ()
    find_by: str = ""
    fields: Mapping[str, Source] = field(default_factory=dict)


@dataclass(frozen=True)
class Quantity:
    """A column that fits no field and comes in as a quantity of its own.

    Attributes
    ----------
    column : str
    of : str
        Record kind of the row that it was measured on, or empty.
    name : str
        What was measured; the header when empty.
    unit : str
    codes : mapping of str to tuple of str
    """

    column: str
    of: str = ""
    name: str = ""
    unit: str = ""
    codes: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True)
class Groups:
    """Columns that are repeated in one row, once a year or once a visit.

    Attributes
    ----------
    names : tuple of str
        What stands for `{group}`, such as "1998", "1999".
    years_later : tuple of int
        For a pair of years: what is added to the year of `visit.when` and to a round
        named by its year, one for each group.
    columns : mapping of str to tuple of str
        Headers that follow no pattern: alias to one header for each group.
    """

    names: tuple[str, ...] = ()
    years_later: tuple[int, ...] = ()
    columns: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True)
class TableForm:
    """The table itself.

    Attributes
    ----------
    file : str
        Name or pattern of the file.
    row : str
        What one row is.
    sheet : str
        Name or pattern of the sheets; empty for all.
    encoding, delimiter : str
        Empty: to be found out by the reader.
    decimal, thousands : str
        Decimal sign and separator of thousands.
    skip_rows : int
        Rows above the header.
    blank : tuple of str
        Cells that say nothing, in every column.
    time_zone : str
        Time zone of clock times without an offset, as in the tz database.
    rest : {"quantities", "leave out"}
        What becomes of columns that the mapping does not name.
    leave_out : tuple of str
        Columns that are not wanted.
    """

    file: str = ""
    row: Shape = "visit"
    sheet: str = ""
    encoding: str = ""
    delimiter: str = ""
    decimal: str = "."
    thousands: str = ""
    skip_rows: int = 0
    blank: tuple[str, ...] = ("",)
    time_zone: str = ""
    rest: Literal["quantities", "leave out"] = "quantities"
    leave_out: tuple[str, ...] = ()


@dataclass(frozen=True)
class TableMapping:
    """A whole mapping.

    Attributes
    ----------
    table : TableForm
    parts : mapping of str to Part
        By record kind.
    quantities : tuple of Quantity
    groups : Groups
    names : mapping of str to mapping of str to str
        By record kind ("place", "taxon", "person", …): name as written to the accepted name.
    not_visited, partly : mapping of str to tuple of str
        Confirmed rounds, by the name of the place: not visited at all; partly searched.
    """

    table: TableForm = field(default_factory=TableForm)
    parts: Mapping[str, Part] = field(default_factory=dict)
    quantities: tuple[Quantity, ...] = ()
    groups: Groups = field(default_factory=Groups)
    names: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    not_visited: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    partly: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
