"""An open study: the one object through which the study file is read and written."""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self, TypedDict, Unpack

import polars as pl

from domatia.model.batch import Batch, Receipt
from domatia.model.errors import CannotOpen, WrongUse
from domatia.model.finding import Finding
from domatia.model.identity import typed_id
from domatia.model.profile import Profile, read_profile
from domatia.model.study import StudyData
from domatia.model.tables import body_schema, table_schema
from domatia.store import corrections, history, postgres, sqlite_file
from domatia.store.append import append
from domatia.store.conflicts import rows_gone, two_values
from domatia.store.corrections import Heads, Signature
from domatia.store.current import read_current
from domatia.store.door import Door
from domatia.store.history import Identity, Import
from domatia.store.integrity import check_integrity
from domatia.store.migrations import lay_out
from domatia.store.moments import Moment, seq_at
from domatia.store.opening import Where, new_door, open_door
from domatia.store.values import Value


class Extras(TypedDict, total=False):
    """What else may be said of a new study.

    Attributes
    ----------
    licence, author, coordinate_system : str
    study_id : bytes
        The study's own id, where it must be the same at every run; else it is new.
    """

    licence: str
    author: str
    coordinate_system: str
    study_id: bytes


class OpenStudy:
    """A study that is open; use it in a `with` statement.

    Attributes
    ----------
    study_id : bytes
    title : str
    time_zone : str
    profile : domatia.model.Profile
    warnings : tuple of str
        What the user should know about this machine's database library.
    """

    def __init__(self, door: Door) -> None:
        self._door = door
        self.warnings: tuple[str, ...] = door.warnings
        with door.reading() as connection:
            head = history.study_record(connection)
        if head is None:
            raise CannotOpen(f"The study {door.name} holds no study record", next_step="Take a copy of it.")
        self.study_id: bytes = head["subject_id"]
        self.title: str = head["title"] or ""
        self.time_zone: str = head["time_zone"] or "UTC"
        self.profile: Profile = read_profile(head["profile"] or "", "profile of the study")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, _kind: type[BaseException] | None, _error: BaseException | None, _trace: TracebackType | None
    ) -> None:
        self.close()

    def __repr__(self) -> str:
        return f"<study {self.title!r} in {self._door.name}>"

    def close(self) -> None:
        """Close the study; a file is left as one file, its log folded in."""
        self._door.close()

    def append(self, batch: Batch, tick: Callable[[int, int], None] | None = None) -> Receipt:
        """Write what is new in a batch: all of it or nothing.

        A record that the study holds already brings nothing. Rows of a file are compared, thing by thing, with the
        last content that came from a file of that name: the same content brings nothing, so a person's correction
        survives; another content becomes a new revision that replaces what the file brought before.

        Parameters
        ----------
        batch : domatia.model.Batch
        tick : callable, optional
            `tick(done, total)` rows.

        Returns
        -------
        domatia.model.Receipt

        Raises
        ------
        WrongUse
            If a known record comes with another content, or something in the batch cannot be kept.
        StudyIsBusy
            If another program is writing.
        """
        with self._door.writing() as connection:
            return append(connection, batch, tick)

    def read(self, as_of: Moment | None = None) -> StudyData:
        """Read the current records, or those that were current at an earlier moment.

        Parameters
        ----------
        as_of : str or int, optional
            An ISO 8601 instant, a day (its end, in the study's time zone), or the number of an entry in the log.

        Returns
        -------
        domatia.model.StudyData
            `findings` holds those that the log itself gives rise to: `two_values` and `row_gone`.
        """
        with self._door.reading() as connection:
            upto = seq_at(connection, as_of, self.time_zone)
            current = read_current(connection, upto)
            found = two_values(connection, current.undecided) + rows_gone(connection, current.tables, upto)
        return StudyData(self.study_id, self.title, self.profile, current.tables, current.undecided, found)

    def add(self, kind: str, values: Mapping[str, Value], author: str, why: str) -> bytes:
        """Write a new thing that a person typed and give its record id.

        Parameters
        ----------
        kind : str
        values : mapping of str to value
            By the names of `fields.csv`; dates as `domatia.model.WrittenDate`, links as ids of 16 bytes.
        author, why : str

        Raises
        ------
        WrongUse
            If a field is unknown, a value does not fit it, or a needed one is missing.
        """
        with self._door.writing() as connection:
            return corrections.add(connection, kind, values, Signature(author=author, why=why))

    def withdraw(self, record_id: bytes, author: str, why: str) -> bytes:
        """Write that a record no longer counts and give the withdrawal's record id.

        Withdrawing the withdrawal brings the record back. What the record had replaced stays replaced.
        """
        with self._door.writing() as connection:
            return corrections.withdraw(connection, record_id, Signature(author=author, why=why))

    def correct(
        self, kind: str, subject_id: bytes, values: Mapping[str, Value], author: str, why: str, **heads: Unpack[Heads]
    ) -> bytes:
        """Write a new revision of a thing, with some values changed, and give its record id.

        Parameters
        ----------
        kind : str
        subject_id : bytes
        values : mapping of str to value
            The values to change; None empties a field.
        author, why : str
        **heads
            `from_record`: the current record to start from, where two stand beside each other.
            `settle_heads`: True to take the place of all of them, so that one value remains.

        Raises
        ------
        WrongUse
            If there is no such thing, nothing would change, a value does not fit its field, or two current records
            disagree in a value that is not given.
        """
        with self._door.writing() as connection:
            signed = Signature(author=author, why=why)
            return corrections.correct(connection, kind, subject_id, values, signed, heads)

    def revisions(self, subject_id: bytes) -> pl.DataFrame:
        """Give every revision of a thing, oldest first: who, when, why, from which row, replaced or withdrawn by what.

        Returns
        -------
        polars.DataFrame
            Columns `seq`, `kind`, `record_id`, `subject_id`, `author`, `device`, `at`, `why`, `origin_file`,
            `origin_sheet`, `origin_row`, `replaced_by` and `withdrawn_by` (lists of record ids), `current`, and the
            values.
        """
        with self._door.reading() as connection:
            return history.revisions(connection, subject_id)

    def changes(
        self, since: Moment | None = None, until: Moment | None = None, limit: int | None = None
    ) -> pl.DataFrame:
        """Give who replaced what, when and why, newest first.

        Parameters
        ----------
        since, until : str or int, optional
            Moments as in `read`; changes after the one, up to and including the other.
        limit : int, optional
            Number of changed or withdrawn records.

        Returns
        -------
        polars.DataFrame
            One row a changed column: `seq`, `at`, `author`, `why`, `what` ("replaced" or "withdrawn"), `kind`,
            `subject_id`, `new_record`, `old_record`, `column`, `before`, `after` (as text), `origin_file`.
        """
        with self._door.reading() as connection:
            first = 0 if since is None else seq_at(connection, since, self.time_zone)
            last = seq_at(connection, until, self.time_zone)
            return history.changes(connection, first, last, limit)

    def find(self, prefix: str) -> Identity:
        """Resolve the first hexadecimal digits of a record's or a thing's id.

        Raises
        ------
        WrongUse
            If nothing, or more than one thing, begins with them.
        """
        with self._door.reading() as connection:
            return history.find(connection, prefix)

    def origins_of(self, record_ids: Sequence[bytes]) -> pl.DataFrame:
        """Give file, sheet, row and row hash of records: `record_id`, `origin_file`, `origin_sheet`, `origin_row`,
        `row_hash`, `import_seq`; records that a person typed have none and are left out.
        """  # noqa: D205
        with self._door.reading() as connection:
            return history.origins_of(connection, record_ids)

    def imports(self) -> tuple[Import, ...]:
        """Give the imports of the study, oldest first."""
        with self._door.reading() as connection:
            return history.imports(connection)

    def check_integrity(self) -> tuple[Finding, ...]:
        """Check the file itself: pages, envelopes against bodies, content hashes, replaced entries."""
        with self._door.reading() as connection:
            return check_integrity(connection)

    def last_seq(self) -> int:
        """Give the number of the log's last entry: a moment to which `read` can go back."""
        with self._door.reading() as connection:
            return seq_at(connection, None, self.time_zone)

    def copy_to(self, path: str | Path) -> None:
        """Write a whole copy of the study to a new file, while it stays open.

        Raises
        ------
        WrongUse
            If the file is there already, or the study lies in PostgreSQL.
        """
        if not self._door.is_sqlite:
            raise WrongUse(
                "A study in PostgreSQL is not copied to a file by this tool", next_step="Use pg_dump for a backup."
            )
        sqlite_file.copy_file(self._door, Path(path))


def create_study(
    where: Where, title: str, *, profile_text: str, time_zone: str = "UTC", **extras: Unpack[Extras]
) -> OpenStudy:
    """Make a new study and leave it open for writing.

    Parameters
    ----------
    where : str or pathlib.Path
        A file name, usually `NAME.domatia`, or the address of a PostgreSQL database.
    title : str
    profile_text : str
        Text of the system profile (TOML).
    time_zone : str
        As in the tz database.
    **extras
        `licence`, `author`, `coordinate_system`, `study_id`.

    Raises
    ------
    WrongUse
        If there is a study or a file already, or the profile cannot be read.
    """
    read_profile(profile_text)
    values: dict[str, object] = {
        "title": title, "licence": extras.get("licence"), "time_zone": time_zone,
        "coordinate_system": extras.get("coordinate_system"), "profile": profile_text,
    }  # fmt: skip
    ids = {"record_id": typed_id(), "subject_id": extras.get("study_id") or typed_id()}
    schema = {c: t for c, t in table_schema("study").items() if c in {*ids, *body_schema("study")}}
    frame = pl.DataFrame({c: [{**values, **ids}.get(c)] for c in schema}, schema=schema)
    door = new_door(where)
    try:
        with door.writing() as connection:
            if not door.is_sqlite:
                postgres.make_schema(connection, door)
            lay_out(connection)
            append(connection, Batch({"study": frame}, author=extras.get("author", ""), why="the study begins"))
        return OpenStudy(door)
    except BaseException:
        door.close()
        if door.is_sqlite:
            Path(where).unlink(missing_ok=True)
        raise


def open_study(where: Where, *, write: bool = False) -> OpenStudy:
    """Open a study, for reading unless told otherwise.

    Parameters
    ----------
    where : str or pathlib.Path
        Its file, or the address of a PostgreSQL database.
    write : bool
        Whether it is to be written to.

    Raises
    ------
    CannotOpen
        If there is no study, or it cannot be read; NewerFormat if a newer version of the tool wrote it.
    StudyIsBusy
        If another program is writing to it.
    """
    door = open_door(where, write=write)
    try:
        return OpenStudy(door)
    except BaseException:
        door.close()
        raise
