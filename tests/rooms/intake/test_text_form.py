import codecs
from pathlib import Path

import pytest

from domatia.intake.read_csv import read_csv
from domatia.intake.text_table import TextTable
from domatia.model import CannotOpen, WrongUse

TEXT = "plot,note\nÁgua Fria,está morto\nCórrego,ninho à direita\n"


def table(folder: Path, content: bytes, encoding: str = "") -> TextTable:
    """Write a file and read it."""
    path = folder / "a.csv"
    path.write_bytes(content)
    return read_csv(path, encoding=encoding)


@pytest.mark.parametrize(
    ("encoding", "mark"),
    [
        ("utf-8", b""),
        ("utf-8", codecs.BOM_UTF8),
        ("utf-16-le", codecs.BOM_UTF16_LE),
        ("utf-16-be", codecs.BOM_UTF16_BE),
        ("utf-32-le", codecs.BOM_UTF32_LE),
    ],
)
def test_unicode_is_recognised_with_and_without_mark(tmp_path: Path, encoding: str, mark: bytes) -> None:
    """A byte order mark, or validity, decides; no finding is needed but a note says why."""
    t = table(tmp_path, mark + TEXT.encode(encoding))
    assert t.rows["plot"].to_list() == ["Água Fria", "Córrego"]
    assert t.encoding == encoding
    assert t.findings == ()
    assert any(encoding in n for n in t.notes)


@pytest.mark.parametrize("encoding", ["cp1252", "mac_roman", "cp850"])
def test_single_byte_encodings_are_guessed_aloud(tmp_path: Path, encoding: str) -> None:
    """The likeliest reading is taken, and a warning shows the words it gives, with a row."""
    t = table(tmp_path, TEXT.encode(encoding))
    assert t.rows["note"].to_list() == ["está morto", "ninho à direita"]
    (f,) = t.findings
    assert (f.code, f.severity) == ("encoding_guessed", "warning")
    assert f.where[0].row in (2, 3)
    assert "está" in f.found


def test_a_named_encoding_is_used_without_a_finding(tmp_path: Path) -> None:
    """What the mapping names is no guess."""
    t = table(tmp_path, TEXT.encode("cp1252"), "cp1252")
    assert t.rows["plot"].to_list()[0] == "Água Fria"
    assert t.findings == ()


def test_utf16_without_mark_is_guessed_aloud(tmp_path: Path) -> None:
    """Zero in every second byte means two bytes a character."""
    t = table(tmp_path, TEXT.encode("utf-16-le"))
    assert t.rows["plot"].to_list()[1] == "Córrego"
    assert [f.code for f in t.findings] == ["encoding_guessed"]


def test_a_few_broken_bytes_in_utf8_are_named_by_row(tmp_path: Path) -> None:
    """A pasted part in another encoding gives an error for its row only."""
    t = table(tmp_path, TEXT.encode() * 3 + b"x,caf\xe9\n")
    assert [(f.code, f.where[0].row) for f in t.findings] == [("encoding_broken", 10)]
    assert t.rows["note"].to_list()[-1] == "caf\ufffd"


def test_a_wrong_named_encoding_gives_findings_not_silence(tmp_path: Path) -> None:
    """Bytes that the named encoding lacks are told row by row."""
    t = table(tmp_path, TEXT.encode("cp1252"), "utf-8")
    assert [(f.code, f.where[0].row) for f in t.findings] == [("encoding_broken", 2), ("encoding_broken", 3)]


def test_an_unknown_encoding_is_wrong_use(tmp_path: Path) -> None:
    """The message names encodings that exist."""
    with pytest.raises(WrongUse, match=r"no encoding 'utf-9'.*utf-8"):
        table(tmp_path, b"a,b\n", "utf-9")


def test_zero_bytes_are_told_by_row_and_shown(tmp_path: Path) -> None:
    """A zero byte becomes a sign that can be seen, and an error of its row."""
    t = table(tmp_path, b"tag,ht\n1,12\n2,\x00\x003\n4,5\n")
    assert [(f.code, f.where[0].row) for f in t.findings] == [("nul_bytes", 3)]
    assert t.rows["ht"].to_list() == ["12", "\ufffd\ufffd3", "5"]


@pytest.mark.parametrize(
    ("start", "words"),
    [
        (b"\x1f\x8b\x08\x00" + bytes(50), "gzip"),
        (b"%PDF-1.7\n", "PDF"),
        (b"<html><body><table><tr><td>1</td></tr></table>", "web page"),
        (b'<?xml version="1.0"?><Workbook/>', "XML"),
        (bytes(range(256)) * 40, "control bytes"),
    ],
)
def test_what_is_no_table_is_refused_by_its_kind(tmp_path: Path, start: bytes, words: str) -> None:
    """The message says what kind of file it is, whatever its name."""
    with pytest.raises(CannotOpen, match=rf"a\.csv: .*{words}"):
        table(tmp_path, start)
