"""How a text file is written: its encoding, its line ends and its delimiter, each with the reason for the guess."""

import codecs
import re
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from domatia.intake.guard import stop
from domatia.intake.text_table import Gathering
from domatia.model import WrongUse

DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "pipe"}
"""Delimiters that are looked for, with their plain names."""

_BOMS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_FOREIGN = (
    (b"\x1f\x8b", "a gzip archive", "Unpack it and read the file inside."),
    (b"PK\x03\x04", "a ZIP archive", "Unpack it and read the table inside."),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive", "Unpack it and read the table inside."),
    (b"Rar!", "a RAR archive", "Unpack it and read the table inside."),
    (b"BZh", "a bzip2 archive", "Unpack it and read the file inside."),
    (b"\xfd7zXZ", "an xz archive", "Unpack it and read the file inside."),
    (b"%PDF", "a PDF document", "Ask for the table itself."),
    (b"\x89PNG", "a picture", "Type the table in."),
    (b"\xff\xd8\xff", "a picture", "Type the table in."),
    (b"GIF8", "a picture", "Type the table in."),
    (b"SQLite format 3", "a database", "Give its tables out as CSV."),
    (b"PAR1", "a Parquet file", "Save it as CSV."),
    (b"{\\rtf", "a word processor's document", "Save the table as CSV."),
    (b"RDX", "an R data file", "Write the table out with write.csv."),
    (b"\xd0\xcf\x11\xe0", "a document of an older office program", "Save the table as CSV or XLSX."),
)


_NO_TEXT = ("this is no text: it is full of control bytes", "Save the table as CSV or XLSX.")


@dataclass(frozen=True)
class TextForm:
    """A text file ready to be cut into cells.

    Attributes
    ----------
    data : bytes
        UTF-8 without byte order mark, without NUL, every line ended by one line feed.
    encoding : str
    notes : tuple of str
    """

    data: bytes
    encoding: str
    notes: tuple[str, ...]


def refuse_foreign(path: Path, raw: bytes) -> None:
    """Refuse a file that is plainly no table of text.

    Raises
    ------
    CannotOpen
        With the kind of file and what to do.
    """
    for magic, kind, remedy in _FOREIGN:
        if raw.startswith(magic):
            raise stop(path, f"this is {kind}, not a table of text", remedy)
    start = raw[:4096].lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if start.startswith((b"<html", b"<!doctype html", b"<table", b"<meta")):
        raise stop(
            path, "this is a web page, whatever its name says", "Open it in a spreadsheet program and save it as XLSX."
        )
    if start.startswith((b"<?xml", b"<!doctype", b"<workbook")):
        raise stop(path, "this is an XML document", "Open it in a spreadsheet program and save it as XLSX or CSV.")


def text_form(path: Path, raw: bytes, encoding: str, gathering: Gathering) -> TextForm:
    """Decode a file; what had to be guessed or replaced comes back as findings and notes.

    Parameters
    ----------
    path : Path
    raw : bytes
        The whole file.
    encoding : str
        As the user names it, or empty to find out.
    gathering : Gathering
        Takes the findings.

    Raises
    ------
    CannotOpen
        If the file is no text.
    WrongUse
        If there is no such encoding.
    """
    refuse_foreign(path, raw)
    if raw.isascii() and b"\x00" not in raw and encoding in ("", "utf-8", "utf8", "ascii"):
        data, used, note = raw, "utf-8", ""
        if _odd_share(raw[:65536].decode("ascii")) > 0.1:
            raise stop(path, *_NO_TEXT)
    else:
        text, used, note = _decode(path, raw, encoding, gathering)
        if "\x00" in text or _odd_share(text) > 0.1:
            text = _without_nul(path, text, gathering)
        data = text.encode("utf-8", "replace")
        del text
    kinds = _line_ends(data)
    if len(kinds) > 1:
        gathering.add(
            "mixed_line_ends",
            "note",
            None,
            f"The lines end in different ways: {', '.join(f'{k} {n:,} times' for k, n in kinds.items())}.",
            "one kind of line end.",
            "Look for a part that was pasted in from another file; row numbers count every line end.",
        )
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return TextForm(data, used, (note,) if note else ())


def _decode(path: Path, raw: bytes, encoding: str, gathering: Gathering) -> tuple[str, str, str]:
    if encoding:
        return _decode_named(raw, encoding, gathering)
    for mark, name in _BOMS:
        if raw.startswith(mark):
            text = _strict_or_replaced(raw[len(mark) :], name, gathering)
            return text, name, f"Encoding {name}, because the file begins with its byte order mark."
    wide = _wide_without_mark(raw)
    if wide:
        gathering.add(
            "encoding_guessed",
            "warning",
            None,
            f"The encoding was taken for {wide}, because every second byte is zero.",
            "an encoding that the mapping names.",
            f'Look at the words in the table; if they are right, write encoding = "{wide}" into the mapping.',
            values=(wide,),
        )
        return _strict_or_replaced(raw, wide, gathering), wide, f"Encoding {wide}, because every second byte is zero."
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as e:
        return _decode_single_bytes(path, raw, e, gathering)
    if raw.isascii():
        return text, "utf-8", ""
    return text, "utf-8", "Encoding utf-8, because every byte sequence in the file is valid in it."


def _decode_named(raw: bytes, encoding: str, gathering: Gathering) -> tuple[str, str, str]:
    try:
        name = codecs.lookup(encoding).name
        text = raw.decode(encoding)
    except LookupError as e:
        raise WrongUse(
            f"There is no encoding {encoding!r}",
            ("utf-8", "utf-16", "cp1252", "latin-1", "cp437", "cp850"),
            name=encoding,
        ) from e
    except UnicodeDecodeError:
        name, text = codecs.lookup(encoding).name, _strict_or_replaced(raw, encoding, gathering)
    return text.removeprefix("\ufeff"), name, f"Encoding {name}, as asked."


def _strict_or_replaced(raw: bytes, encoding: str, gathering: Gathering) -> str:
    """Decode; bytes that do not fit become U+FFFD, one finding for each line that holds some."""
    try:
        return raw.decode(encoding)
    except UnicodeDecodeError:
        text = raw.decode(encoding, "replace")
    except UnicodeError:
        text = raw.decode("latin-1")
    _tell_replaced(text, encoding, gathering)
    return text


def _tell_replaced(text: str, encoding: str, gathering: Gathering) -> None:
    for row, line in _lines_with(text, "\ufffd"):
        gathering.add(
            "encoding_broken",
            "error",
            row,
            f"Bytes that are not {encoding} stand in {_around(line, chr(0xFFFD))!r}.",
            f"text in {encoding}.",
            "Name the right encoding in the mapping, or save the file again as UTF-8.",
        )


def _wide_without_mark(raw: bytes) -> str:
    head = raw[:4000]
    if len(head) < 8:
        return ""
    even, odd = head[0::2].count(0), head[1::2].count(0)
    half = len(head) // 2
    if odd > 0.6 * half and even < 0.1 * half:
        return "utf-16-le"
    if even > 0.6 * half and odd < 0.1 * half:
        return "utf-16-be"
    return ""


_VALID_PAIRS = re.compile(rb"[\xc2-\xdf][\x80-\xbf]|[\xe0-\xef][\x80-\xbf]{2}|[\xf0-\xf4][\x80-\xbf]{3}")
_UNUSED_1252 = re.compile(rb"[\x81\x8d\x8f\x90\x9d]")


def _decode_single_bytes(
    path: Path, raw: bytes, error: UnicodeDecodeError, gathering: Gathering
) -> tuple[str, str, str]:
    """Choose among UTF-8 with a few broken places, Windows-1252 and Latin-1."""
    tail = error.start >= len(raw) - 3 and "unexpected end" in error.reason
    valid = len(_VALID_PAIRS.findall(raw))
    high = sum(1 for b in raw[:2_000_000] if b > 127)
    if tail or (valid and valid * 2 > 0.8 * high):
        text = raw.decode("utf-8", "replace")
        _tell_replaced(text, "utf-8", gathering)
        return text, "utf-8", "Encoding utf-8, because all but a few byte sequences are valid in it."
    _refuse_junk(path, raw)
    name, why = _best_single_byte(raw)
    text = raw.decode(name)
    words = _odd_words(text)
    row = next(iter(_lines_with(text, words[0])), (None, ""))[0] if words else None
    gathering.add(
        "encoding_guessed",
        "warning",
        row,
        f"The encoding was taken for {name}, because {why}; so read, it has words such as {', '.join(words)}.",
        "an encoding that the mapping names.",
        f'If these words are right, write encoding = "{name}" into the mapping; if not, name another.',
        values=(name, *words),
    )
    return text, name, f"Encoding {name}, because {why}."


_SINGLE = ("cp1252", "latin-1", "mac_roman", "cp850")
_FITTING_SIGNS = "\u2019\u2018\u201c\u201d\u2026\u2013\u2014°²³µ×±½¼ªº€£•\u00a0"


def _best_single_byte(raw: bytes) -> tuple[str, str]:
    """Choose the encoding under which the odd bytes make the likeliest letters and signs; ties go to the commoner."""
    spots = [m.start() for m in re.finditer(rb"[\x80-\xff]", raw[:5_000_000])][:5000]
    scores = {}
    for name in _SINGLE:
        if name == "cp1252" and _UNUSED_1252.search(raw):
            continue
        scores[name] = sum(_likely(raw[max(at - 1, 0) : at + 2].decode(name), min(at, 1)) for at in spots)
    best = max(scores, key=lambda n: scores[n])
    why = "it is not valid utf-8"
    if best != "cp1252":
        why += f" and its letters make likelier words in {best}"
    return best, why


def _likely(around: str, at: int) -> int:
    """Judge one odd character by its neighbours: letters of fitting case and the usual signs count for it."""
    c = around[at]
    before, after = around[:at], around[at + 1 :]
    if c in _FITTING_SIGNS:
        return 1
    if not c.isalpha():
        return -1
    beside = before + after
    if c.isupper() and any(b.islower() for b in before):
        return -1
    return 1 if any(b.isalpha() for b in beside) else 0


def _refuse_junk(path: Path, raw: bytes) -> None:
    head = raw[:65536]
    odd = sum(1 for b in head if b < 32 and b not in (9, 10, 12, 13))
    if odd > 0.02 * len(head):
        raise stop(path, *_NO_TEXT)


def _odd_share(text: str) -> float:
    head = text[:65536]
    odd = sum(1 for c in head if (c < " " and c not in "\t\n\r\f") or c == "\ufffd")
    return odd / max(len(head), 1)


def _without_nul(path: Path, text: str, gathering: Gathering) -> str:
    if _odd_share(text) > 0.1:
        raise stop(path, *_NO_TEXT)
    for row, line in _lines_with(text, "\x00"):
        gathering.add(
            "nul_bytes",
            "error",
            row,
            f"A zero byte stands in {_around(line, chr(0))!r}; it is read as \ufffd.",
            "text without zero bytes.",
            "The file may be damaged: look at this row in the original and save it again.",
        )
    return text.replace("\x00", "\ufffd")


def _lines_with(text: str, mark: str) -> list[tuple[int, str]]:
    """Give number and text of the lines that hold a mark, without cutting the whole text into lines."""
    found: list[tuple[int, str]] = []
    at, line, counted = text.find(mark), 1, 0
    lone = "\n" not in text
    end_of_line = "\r" if lone else "\n"
    while at >= 0 and len(found) < 20_000:
        line += text.count(end_of_line, counted, at)
        counted = at
        start = text.rfind(end_of_line, 0, at) + 1
        end = text.find(end_of_line, at)
        end = len(text) if end < 0 else end
        found.append((line, text[start:end]))
        at = text.find(mark, end)
    return found


def _around(line: str, mark: str) -> str:
    at = max(line.find(mark), 0)
    return line[max(at - 15, 0) : at + 15]


def _odd_words(text: str) -> list[str]:
    words = Counter(re.findall(r"\w*[\u0080-\uffff][^\s,;|\"]{0,20}", text[:5_000_000]))
    return [w for w, _ in words.most_common(4)]


def _line_ends(data: bytes) -> dict[str, int]:
    both, feeds, returns = data.count(b"\r\n"), data.count(b"\n"), data.count(b"\r")
    kinds = {"CR LF": both, "LF": feeds - both, "CR": returns - both}
    return {k: n for k, n in kinds.items() if n}


def find_delimiter(data: bytes, file_name: str, gathering: Gathering) -> tuple[str, str]:
    """Find the delimiter of a table from the regularity of its first lines.

    Returns
    -------
    delimiter, note : str
        The note is the reason in a sentence.
    """
    sample = data[:400_000].decode("utf-8", "replace")
    bare = re.sub(r'"(?:[^"]|"")*"', "", sample)
    lines = [line for line in bare.split("\n") if line.strip()][:300]
    if len(data) > 400_000 and len(lines) > 1:
        lines.pop()
    if not lines:
        return ",", ""
    scores = {d: _regularity(lines, d) for d in DELIMITERS}
    best = max(scores, key=lambda d: (scores[d][0], scores[d][1], d == "\t"))
    share, columns = scores[best]
    if columns == 0:
        return ("\t" if file_name.lower().endswith((".tsv", ".tab")) else ","), "No delimiter was found: one column."
    rivals = [d for d in DELIMITERS if d != best and scores[d][1] and scores[d][0] >= share - 0.05]
    for d in rivals:
        gathering.add(
            "delimiter_guessed",
            "warning",
            None,
            f"The delimiter was taken for a {DELIMITERS[best]} ({columns + 1} columns), but a {DELIMITERS[d]} "
            f"would cut the lines into {scores[d][1] + 1} columns as regularly.",
            "a delimiter that the mapping names.",
            f"Look at the columns; then write delimiter = {best!r} or {d!r} into the mapping.",
            values=(best, d),
        )
    note = f"Delimiter {DELIMITERS[best]}, because it cuts {share:.0%} of the first lines into {columns + 1} columns."
    return best, note


def _regularity(lines: list[str], delimiter: str) -> tuple[float, int]:
    """Give the share of lines with the commonest number of delimiters above zero, and that number."""
    counts = Counter(line.count(delimiter) for line in lines)
    counts.pop(0, None)
    if not counts:
        return 0.0, 0
    number, times = max(counts.items(), key=lambda c: (c[1], c[0]))
    first = lines[0].count(delimiter)
    return (times / len(lines) if first else 0.5 * times / len(lines)), number
