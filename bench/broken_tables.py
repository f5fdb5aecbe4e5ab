"""Broken text files, each kind made from a random generator: (ending of the name, bytes)."""

import gzip
from collections.abc import Callable

import numpy as np

Maker = Callable[[np.random.Generator], tuple[str, bytes]]

HEADER = ("plot", "plant", "tag", "date", "status", "height_cm", "shoots", "observer", "note")
_PLOTS = ("Moinho", "Água Fria", "Ford", "Córrego")


def sound_rows(rng: np.random.Generator, rows: int = 40) -> list[list[str]]:
    """Make the rows of a sound census of an invented study."""
    made = []
    for i in range(rows):
        alive = rng.random() < 0.85
        made.append(
            [
                _PLOTS[i % 4], str(i // 4 + 1), str(100 + i), f"{rng.integers(13, 28)}/{rng.integers(1, 13):02d}/2024",
                "alive" if alive else "dead", f"{rng.uniform(5, 250):.1f}" if alive else "", str(rng.integers(1, 9)),
                "AB", "está bem" if i % 5 == 0 else "",
            ]
        )  # fmt: skip
    return made


def joined(rows: list[list[str]], delimiter: str = ",") -> str:
    """Write rows below the header."""
    return "\n".join(delimiter.join(row) for row in [list(HEADER), *rows]) + "\n"


def _pick(rng: np.random.Generator, rows: list[list[str]]) -> int:
    return int(rng.integers(0, len(rows)))


def cut_off(rng: np.random.Generator) -> tuple[str, bytes]:
    """Cut the file within a row, before its last cell."""
    lines = joined(sound_rows(rng)).splitlines(keepends=True)
    at = int(rng.integers(5, 40))
    row = lines[at]
    end = int(rng.integers(1, row.rindex(",")))
    return ".csv", "".join([*lines[:at], row[:end]]).encode()


def wrong_encoding(rng: np.random.Generator) -> tuple[str, bytes]:
    """Use an old encoding that nothing names."""
    name = ("cp1252", "mac_roman", "cp850", "latin-1", "utf-16-le")[int(rng.integers(0, 5))]
    return ".csv", joined(sound_rows(rng)).encode(name)


def mixed_encodings(rng: np.random.Generator) -> tuple[str, bytes]:
    """Paste a part in another encoding below UTF-8."""
    lines = joined(sound_rows(rng)).splitlines(keepends=True)
    at = len(lines) - 1 - int(rng.integers(1, 6))
    return ".csv", "".join(lines[:at]).encode() + "".join(lines[at:]).encode(
        "cp1252"
    ) + b"Mar\xe9,1,9,01/02/2024,alive,3,1,AB,\n"


def swapped_columns(rng: np.random.Generator) -> tuple[str, bytes]:
    """Swap height and status in some rows."""
    rows = sound_rows(rng)
    for at in {_pick(rng, rows) for _ in range(5)}:
        rows[at][4], rows[at][5] = rows[at][5] or "12", rows[at][4]
    return ".csv", joined(rows).encode()


def swapped_rows_and_columns(rng: np.random.Generator) -> tuple[str, bytes]:
    """Turn the whole table on its side."""
    rows = [list(HEADER), *sound_rows(rng)]
    return ".csv", "\n".join(",".join(row) for row in zip(*rows, strict=True)).encode() + b"\n"


def nul_bytes(rng: np.random.Generator) -> tuple[str, bytes]:
    """Put zero bytes into a cell."""
    rows = sound_rows(rng)
    rows[_pick(rng, rows)][5] += "\0" * int(rng.integers(1, 6))
    return ".csv", joined(rows).encode()


def binary_junk(rng: np.random.Generator) -> tuple[str, bytes]:
    """Fill the file with random bytes."""
    return (".csv", ".txt", ".xlsx")[int(rng.integers(0, 3))], rng.bytes(int(rng.integers(200, 20_000)))


def nothing(rng: np.random.Generator) -> tuple[str, bytes]:
    """Leave the file empty, or with blank lines only."""
    return ".csv", (b"", b"\n", b"\r\n\r\n", b"\xef\xbb\xbf", b" ", b"\xff\xfe")[int(rng.integers(0, 6))]


def header_only(rng: np.random.Generator) -> tuple[str, bytes]:
    """Leave out every row."""
    return ".csv", joined([]).encode() if rng.random() < 0.5 else ",".join(HEADER).encode()


def headers_twice(rng: np.random.Generator) -> tuple[str, bytes]:
    """Give two columns the same name."""
    text = joined(sound_rows(rng)).replace("tag", "note", 1) if rng.random() < 0.5 else joined(sound_rows(rng))
    return ".csv", text.replace("shoots,observer", "height_cm,observer", 1).encode()


def quotes(rng: np.random.Generator) -> tuple[str, bytes]:
    """Open quotes that nothing closes."""
    rows = sound_rows(rng)
    for at in {_pick(rng, rows) for _ in range(int(rng.integers(1, 4)))}:
        column = int(rng.integers(0, 8))
        rows[at][column] = ('"' + rows[at][column], '"', '"a"b')[int(rng.integers(0, 3))]
    return ".csv", joined(rows).encode()


def swallowed_rows(rng: np.random.Generator) -> tuple[str, bytes]:
    """Open a quote that a later one closes by chance, many rows below."""
    rows = sound_rows(rng)
    rows[2][8], rows[int(rng.integers(26, 39))][8] = '"tall', 'x"'
    return ".csv", joined(rows).encode()


def line_ends(rng: np.random.Generator) -> tuple[str, bytes]:
    """Mix the three kinds of line end."""
    lines = joined(sound_rows(rng)).encode().split(b"\n")[:-1]
    ends = (b"\n", b"\r\n", b"\r")
    return ".csv", b"".join(line + ends[int(rng.integers(0, 3))] for line in lines)


def ragged(rng: np.random.Generator) -> tuple[str, bytes]:
    """Add and drop delimiters."""
    rows = sound_rows(rng)
    for at in {_pick(rng, rows) for _ in range(4)}:
        rows[at] = rows[at][: int(rng.integers(2, 8))] if rng.random() < 0.5 else [*rows[at], "more"]
    return ".csv", joined(rows).encode()


def several_delimiters(rng: np.random.Generator) -> tuple[str, bytes]:
    """Change the delimiter half-way."""
    lines = joined(sound_rows(rng)).splitlines()
    at = int(rng.integers(10, 30))
    return ".csv", "\n".join([*lines[:at], *(line.replace(",", ";") for line in lines[at:])]).encode() + b"\n"


def bad_numbers(rng: np.random.Generator) -> tuple[str, bytes]:
    """Type letters for digits, decimal commas in quotes and impossible numbers."""
    rows = sound_rows(rng)
    bad = ("1O", '"12,5"', "-3", "1e9", "12.5.1", "inf", "nan?", "12 cm", "\u0663", "--5", "1_000")
    for at in {_pick(rng, rows) for _ in range(3)}:
        rows[at][5] = bad[int(rng.integers(0, len(bad)))]
    return ".csv", joined(rows).encode()


def bad_dates(rng: np.random.Generator) -> tuple[str, bytes]:
    """Type days that do not exist, or in another form."""
    rows = sound_rows(rng)
    bad = ("31/02/2024", "2024-13-02", "00/01/2024", "45292", "yesterday", "1/2", "12/25/2024", "29/02/2023")
    rows[_pick(rng, rows)][3] = bad[int(rng.integers(0, len(bad)))]
    return ".csv", joined(rows).encode()


def missing_columns(rng: np.random.Generator) -> tuple[str, bytes]:
    """Leave out a column that the mapping names."""
    out = int(rng.integers(0, 8))
    rows = [list(HEADER), *sound_rows(rng)]
    return ".csv", "\n".join(",".join(v for i, v in enumerate(r) if i != out) for r in rows).encode() + b"\n"


def title_above(rng: np.random.Generator) -> tuple[str, bytes]:
    """Put a title and blank lines above the header."""
    return ".csv", ("Census of 2024,,,,,,,,\n" + "\n" * int(rng.integers(0, 3)) + joined(sound_rows(rng))).encode()


def packed(rng: np.random.Generator) -> tuple[str, bytes]:
    """Pack the file and keep its name."""
    return ".csv", gzip.compress(joined(sound_rows(rng)).encode(), mtime=0)


def web_page(rng: np.random.Generator) -> tuple[str, bytes]:
    """Save a web page, or an XML spreadsheet, under the name of a workbook."""
    rows = "".join("<tr>" + "".join(f"<td>{v}</td>" for v in r) + "</tr>" for r in sound_rows(rng))
    page = (f"<html><body><table>{rows}</table></body></html>", f'<?xml version="1.0"?><Workbook>{rows}</Workbook>')
    return ".xls", page[int(rng.integers(0, 2))].encode()


def odd_letters(rng: np.random.Generator) -> tuple[str, bytes]:
    """Put marks of direction, byte order marks and broken sequences into cells."""
    rows = sound_rows(rng)
    text = joined(rows).encode()
    bad = (b"\xed\xa0\x80", b"\xc3", b"\xff\xfe\xfd", b"\xf0\x9f\x98")[int(rng.integers(0, 4))]
    at = text.index(b"alive")
    return ".csv", text[:at] + bad + text[at:]


def long_cell(rng: np.random.Generator) -> tuple[str, bytes]:
    """Put twenty million characters into one cell."""
    rows = sound_rows(rng)
    rows[_pick(rng, rows)][5] = "9" * int(rng.integers(200_000, 20_000_000))
    return ".csv", joined(rows).encode()


def large_columns(rng: np.random.Generator) -> tuple[str, bytes]:
    """Give the header, or one row, a million columns."""
    wide = ",".join(f"c{i}" for i in range(1_000_000))
    text = wide + "\n1,2\n" if rng.random() < 0.5 else joined(sound_rows(rng)) + wide + "\n"
    return ".csv", text.encode()


def large_rows(rng: np.random.Generator) -> tuple[str, bytes]:
    """Write a million rows with a bad number near the end."""
    rows = sound_rows(rng, 1000)
    body = "\n".join(",".join(row) for row in rows) + "\n"
    parts = [joined([])]
    for i in range(1000):
        parts.append(body.replace("/2024,", f"/{1000 + i},"))
    return ".csv", ("".join(parts) + "Ford,1,1,01/02/2024,alive,1O,1,AB,\n").encode()


def large_noise(rng: np.random.Generator) -> tuple[str, bytes]:
    """Write a hundred thousand rows of which every one is ragged or badly quoted."""
    kinds = ('a,"b,c\n', "a,b,c,d,e,f,g,h,i,j,k\n", 'x"y,"z"w,3\n', "a\n")
    return ".csv", (joined([]) + "".join(kinds[int(k)] for k in rng.integers(0, 4, 100_000))).encode()


TABLES: dict[str, Maker] = {
    "cut off": cut_off,
    "wrong encoding": wrong_encoding,
    "mixed encodings": mixed_encodings,
    "swapped columns": swapped_columns,
    "on its side": swapped_rows_and_columns,
    "zero bytes": nul_bytes,
    "binary junk": binary_junk,
    "nothing": nothing,
    "header only": header_only,
    "headers twice": headers_twice,
    "stray quotes": quotes,
    "swallowed rows": swallowed_rows,
    "mixed line ends": line_ends,
    "ragged rows": ragged,
    "several delimiters": several_delimiters,
    "bad numbers": bad_numbers,
    "bad dates": bad_dates,
    "missing column": missing_columns,
    "title above": title_above,
    "packed": packed,
    "web page": web_page,
    "odd letters": odd_letters,
    "long cell": long_cell,
    "large columns": large_columns,
    "large rows": large_rows,
    "large noise": large_noise,
}
