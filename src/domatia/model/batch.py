"""Records on their way into a study: one input file, or one person's correction, all or nothing."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import polars as pl


@dataclass(frozen=True)
class SourceFile:
    """The input file that a batch came from.

    Attributes
    ----------
    name : str
        File name without its folder: the name under which a later import of the same file is recognised.
    sha256 : str
    size_bytes : int
    """

    name: str
    sha256: str
    size_bytes: int


@dataclass(frozen=True)
class Batch:
    """Records proposed to the store.

    Attributes
    ----------
    tables : mapping of str to polars.DataFrame
        By record kind: the columns of `domatia.model.tables.table_schema(kind)` (ids filled in) and, for rows of a
        file, `origin_hash` (16 bytes of the row as it stood in the file).
    replaces : tuple of (bytes, bytes)
        Pairs (new record id, old record id). For rows of a file the store finds them itself, by comparing with the
        last content that came from that file.
    source : SourceFile or None
        None for what a person typed.
    mapping : str
        The mapping file's text, kept with the import.
    author, device, why : str
    """

    tables: Mapping[str, pl.DataFrame]
    replaces: tuple[tuple[bytes, bytes], ...] = ()
    source: SourceFile | None = None
    mapping: str = ""
    author: str = ""
    device: str = ""
    why: str = ""


@dataclass(frozen=True)
class Receipt:
    """What an append did.

    Attributes
    ----------
    added : mapping of str to int
        New things, by record kind.
    revised : mapping of str to int
        New revisions of known things, by record kind.
    unchanged : mapping of str to int
        Rows that were known already and brought nothing.
    gone : tuple of bytes
        Subjects that an earlier import of the same file held and this one does not.
    two_heads : tuple of bytes
        Subjects that now have two current revisions: changed in the file and corrected by hand.
    """

    added: Mapping[str, int]
    revised: Mapping[str, int]
    unchanged: Mapping[str, int]
    gone: tuple[bytes, ...] = field(default=())
    two_heads: tuple[bytes, ...] = field(default=())
