"""Limits on what is read at all, checked before the reading: size, rows, columns, archives that swell."""

import hashlib
import re
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from xml.parsers import expat

from domatia.model import CannotOpen


@dataclass(frozen=True)
class Limits:
    """The largest table that is read, so that no file can take the machine's memory or an afternoon.

    Attributes
    ----------
    file_bytes : int
        Size of a text file.
    workbook_bytes : int
        Size of a workbook on disk.
    unpacked_bytes : int
        Size of all parts of a workbook together, unpacked.
    strings_bytes : int
        Unpacked size of the one part that a workbook reader holds in memory whole.
    ratio : int
        Unpacked to packed size of one part; checked for parts above `ratio_from_bytes`. Sheets of field data were
        seen at 5 to 60.
    columns, rows, cells : int
    workbook_rows : int
        Rows of a sheet that hold a value. Each becomes up to three records, and a sheet gives its cells only all at
        once; beyond this a table belongs in text files, which are read without that detour.
    cell_bytes : int
        Length of one cell in UTF-8. A spreadsheet holds 32,767 characters.
    """

    file_bytes: int = 300_000_000
    workbook_bytes: int = 150_000_000
    unpacked_bytes: int = 1_200_000_000
    strings_bytes: int = 250_000_000
    ratio: int = 300
    ratio_from_bytes: int = 20_000_000
    columns: int = 16_384
    rows: int = 3_000_000
    workbook_rows: int = 500_000
    cells: int = 24_000_000
    cell_bytes: int = 140_000


LIMITS = Limits()
"""What is read unless a caller says otherwise."""

_CHUNK = 1 << 20


def stop(path: Path, what: str, next_step: str) -> CannotOpen:
    """Make the exception for a file of which nothing can be read; its text names the file first."""
    return CannotOpen(f"{path.name}: {what}", next_step=next_step)


def size_of(path: Path) -> int:
    """Give the size of an input file in bytes.

    Raises
    ------
    CannotOpen
        If there is no such file, or it may not be read.
    """
    try:
        if path.is_dir():
            raise stop(path, "this is a folder", "Name a file in it.")
        with path.open("rb"):
            return path.stat().st_size
    except FileNotFoundError as e:
        raise stop(path, "there is no such file", "Look at the name and the folder.") from e
    except OSError as e:
        raise stop(path, f"it cannot be read ({e.strerror or e})", "Look at its permissions or its disk.") from e


def check_size(path: Path, most: int) -> int:
    """Give the size of a file that is neither empty nor too large.

    Raises
    ------
    CannotOpen
        If it is missing, empty or larger than `most` bytes.
    """
    size = size_of(path)
    if size == 0:
        raise stop(path, "the file is empty", "Save it again from the program that wrote it.")
    if size > most:
        raise stop(
            path, f"the file has {size:,} bytes; at most {most:,} are read", "Split it, for example by year or by plot."
        )
    return size


def sha256_of(path: Path) -> str:
    """Hash a file."""
    h = hashlib.sha256()
    with path.open("rb") as f:
        while part := f.read(_CHUNK):
            h.update(part)
    return h.hexdigest()


def check_shape(path: Path, rows: int, columns: int, limits: Limits = LIMITS, row: int = 1) -> None:
    """Refuse a table with too many rows, columns or cells.

    Parameters
    ----------
    path : Path
    rows, columns : int
        As counted before the reading.
    limits : Limits
    row : int
        The file's own number of the row in which the columns were counted.

    Raises
    ------
    CannotOpen
        If one of the limits is passed.
    """
    if columns > limits.columns:
        raise stop(
            path,
            f"row {row} has {columns:,} columns; at most {limits.columns:,} are read",
            "Look whether rows and columns are swapped or the wrong delimiter was named.",
        )
    if rows > limits.rows:
        raise stop(
            path,
            f"the table has {rows:,} rows; at most {limits.rows:,} are read (up to row {limits.rows:,})",
            "Split it, for example by year or by plot.",
        )
    if rows * columns > limits.cells:
        raise stop(
            path,
            f"the table spans {rows:,} rows and {columns:,} columns, which is more than {limits.cells:,} cells",
            "Look for a stray value far outside the table, delete the empty rows and columns, or split the file.",
        )


def check_filled(path: Path, sheet: str, rows: int, limits: Limits = LIMITS) -> None:
    """Refuse a sheet of which more rows hold a value than can be brought in at once.

    Parameters
    ----------
    path : Path
    sheet : str
    rows : int
        Rows that hold a value, the header among them; empty rows, and stray ones far below, do not count.
    limits : Limits

    Raises
    ------
    CannotOpen
        If there are more than `limits.workbook_rows` below the header.
    """
    if rows - 1 > limits.workbook_rows:
        raise stop(
            path,
            f"{rows - 1:,} rows of the sheet {sheet!r} are filled; at most {limits.workbook_rows:,} of a workbook are "
            "brought in at once",
            "Save the sheet as CSV, split by year or by plot; domatia import takes several files.",
        )


def open_archive(path: Path, limits: Limits = LIMITS) -> zipfile.ZipFile:
    """Open a workbook that is a ZIP archive, after looking at what it says of its parts.

    Raises
    ------
    CannotOpen
        If it is damaged, locked by a password, or would swell beyond the limits.
    """
    check_size(path, limits.workbook_bytes)
    damaged = "Open it in a spreadsheet program, save it again, and read the new file."
    try:
        archive = zipfile.ZipFile(path)
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError, EOFError) as e:
        raise stop(path, f"the workbook is damaged ({e})", damaged) from e
    parts = archive.infolist()
    swollen = "Do not open it; ask its sender for the table as CSV."
    if len(parts) > 10_000:
        raise stop(path, f"the workbook has {len(parts):,} parts", swollen)
    names = [p.filename for p in parts]
    if len(set(names)) != len(names):
        raise stop(path, "two parts of the workbook have the same name", damaged)
    if any(p.flag_bits & 0x1 for p in parts):
        raise stop(path, "the workbook is locked by a password", "Save a copy without a password and read that.")
    on_disk = path.stat().st_size
    if any(p.header_offset < 0 or p.header_offset + p.compress_size > on_disk for p in parts):
        raise stop(path, "the workbook is damaged (a part is said to lie outside it)", damaged)
    total = sum(p.file_size for p in parts)
    if total > limits.unpacked_bytes:
        raise stop(path, f"unpacked the workbook would have {total:,} bytes", swollen)
    for p in parts:
        if p.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise stop(path, f"the part {p.filename!r} is packed in a way that is not read", damaged)
        if p.file_size > limits.ratio_from_bytes and p.file_size > limits.ratio * max(p.compress_size, 1):
            raise stop(
                path, f"the part {p.filename!r} would swell {p.file_size // max(p.compress_size, 1):,} times", swollen
            )
    return archive


_DOCTYPE = re.compile(rb"<!DOCTYPE|<!ENTITY")


def stream_part(path: Path, archive: zipfile.ZipFile, name: str, limits: Limits = LIMITS) -> Iterator[bytes]:
    """Unpack one XML part piece by piece, and stop as soon as it holds more than it says.

    Raises
    ------
    CannotOpen
        If the part is damaged or no sound XML, longer than declared, or declares a document type (entities can swell
        without end).
    """
    info = archive.getinfo(name)
    damaged = "Open it in a spreadsheet program, save it again, and read the new file."
    seen = 0
    parser = expat.ParserCreate()
    try:
        with archive.open(info) as f:
            while part := f.read(_CHUNK):
                seen += len(part)
                if seen > min(info.file_size, limits.unpacked_bytes):
                    raise stop(path, f"the part {name!r} is longer than it says", "Do not open it.")
                if seen == len(part) and _DOCTYPE.search(part[:65536]):
                    raise stop(path, f"the part {name!r} declares a document type", "Do not open it.")
                if seen == len(part) and b"\x00" in part[:200]:
                    raise stop(path, f"the part {name!r} is not written in UTF-8", damaged)
                parser.Parse(part, False)
                yield part
            parser.Parse(b"", True)
    except expat.ExpatError as e:
        raise stop(path, f"the part {name!r} of the workbook is no sound XML ({e})", damaged) from e
    except (zipfile.BadZipFile, zlib.error, OSError, EOFError, ValueError, NotImplementedError, RuntimeError) as e:
        raise stop(path, f"the part {name!r} of the workbook is damaged ({e})", damaged) from e


def read_part(path: Path, archive: zipfile.ZipFile, name: str, most: int = 20_000_000) -> bytes:
    """Unpack one small part whole.

    Raises
    ------
    CannotOpen
        If the part is missing, damaged, or larger than `most` bytes.
    """
    if name not in archive.namelist():
        raise stop(path, f"the workbook lacks its part {name!r}", "Save it again from a spreadsheet program.")
    whole = bytearray()
    for part in stream_part(path, archive, name):
        whole += part
        if len(whole) > most:
            raise stop(path, f"the part {name!r} has more than {most:,} bytes", "Ask its sender for the table as CSV.")
    return bytes(whole)
