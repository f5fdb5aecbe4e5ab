"""One of the crew's tables of text, with the mapping that belongs to it."""

from dataclasses import dataclass

import polars as pl


@dataclass(frozen=True)
class CrewTable:
    """One of the crew's tables.

    Attributes
    ----------
    file : str
        Name of the file; its ending says as what it is written.
    rows : polars.DataFrame
        Text, with the crew's own headers.
    mapping : str
        Text of the mapping file.
    delimiter : str
        Of a text file.
    """

    file: str
    rows: pl.DataFrame
    mapping: str
    delimiter: str = ","

    @property
    def mapping_file(self) -> str:
        """Name for the mapping file."""
        return self.file.rsplit(".", 1)[0].replace(" ", "_") + ".toml"
