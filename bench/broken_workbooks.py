"""Broken workbooks, each kind made from a random generator: (ending of the name, bytes)."""

import io
import struct
import zipfile
import zlib

import numpy as np
from bench.broken_tables import HEADER, Maker, sound_rows

_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_REL = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006"
_MOMENT = (2024, 1, 1, 0, 0, 0)


def cell(row: int, column: int, value: str, extra: str = "") -> str:
    """Write one cell of a sheet."""
    place = f"{chr(65 + column)}{row}"
    if value.replace(".", "", 1).isdigit():
        return f'<c r="{place}"{extra}><v>{value}</v></c>'
    return f'<c r="{place}" t="inlineStr"><is><t>{value}</t></is></c>' if value else ""


def sheet(rng: np.random.Generator, odd: dict[tuple[int, int], str] | None = None) -> str:
    """Write the XML of a sheet with a sound census; `odd` replaces cells by their row and column (from 0)."""
    odd = odd or {}
    rows = [list(HEADER), *sound_rows(rng)]
    lines = []
    for r, row in enumerate(rows):
        cells = "".join(odd.get((r, c)) or cell(r + 1, c, v) for c, v in enumerate(row))
        lines.append(f'<row r="{r + 1}">{cells}</row>')
    return f'<worksheet xmlns="{_MAIN}"><sheetData>{"".join(lines)}</sheetData></worksheet>'


def workbook(sheet_xml: str | bytes, more: dict[str, bytes] | None = None, without: tuple[str, ...] = ()) -> bytes:
    """Pack a sheet as a workbook (ECMA-376) with further parts."""
    parts: dict[str, bytes | str] = {
        "[Content_Types].xml": f'<Types xmlns="{_PACKAGE}/content-types"><Default Extension="xml" '
        'ContentType="application/xml"/></Types>',
        "_rels/.rels": f'<Relationships xmlns="{_PACKAGE}/relationships"><Relationship Id="rId1" '
        f'Type="{_REL}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'<workbook xmlns="{_MAIN}" xmlns:r="{_REL}"><sheets>'
        '<sheet name="census" sheetId="1" r:id="rId1"/></sheets></workbook>',
        "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{_PACKAGE}/relationships"><Relationship Id="rId1" '
        f'Type="{_REL}/worksheet" Target="worksheets/sheet1.xml"/></Relationships>',
        "xl/worksheets/sheet1.xml": sheet_xml,
        **(more or {}),
    }
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            if name not in without:
                archive.writestr(zipfile.ZipInfo(name, _MOMENT), content, zipfile.ZIP_DEFLATED)
    return out.getvalue()


def cut_workbook(rng: np.random.Generator) -> tuple[str, bytes]:
    """Cut a workbook anywhere."""
    whole = workbook(sheet(rng))
    return ".xlsx", whole[: int(rng.integers(30, len(whole) - 1))]


def flipped_bytes(rng: np.random.Generator) -> tuple[str, bytes]:
    """Change bytes in the packed sheet."""
    whole = bytearray(workbook(sheet(rng)))
    start = whole.index(b"sheet1.xml") + 40
    for at in rng.integers(start, start + 800, int(rng.integers(3, 30))):
        whole[int(at)] ^= int(rng.integers(1, 256))
    return ".xlsx", bytes(whole)


def formulas(rng: np.random.Generator) -> tuple[str, bytes]:
    """Put formulas without a stored result, or with one, into cells."""
    value = "<v>5</v>" if rng.random() < 0.5 else ""
    row = int(rng.integers(1, 40))
    return ".xlsx", workbook(sheet(rng, {(row, 5): f'<c r="F{row + 1}"><f>A1*2+SUM(B2:B9)</f>{value}</c>'}))


def error_cells(rng: np.random.Generator) -> tuple[str, bytes]:
    """Put #DIV/0! and the like into cells."""
    row = int(rng.integers(1, 40))
    error = ("#DIV/0!", "#N/A", "#REF!", "#NAME?")[int(rng.integers(0, 4))]
    return ".xlsx", workbook(sheet(rng, {(row, 5): f'<c r="F{row + 1}" t="e"><v>{error}</v></c>'}))


def far_cell(rng: np.random.Generator) -> tuple[str, bytes]:
    """Put a stray value into the last cell that a sheet has."""
    row = int(rng.integers(500_000, 1_048_577))
    stray = f'<row r="{row}"><c r="XFD{row}"><v>1</v></c></row></sheetData>'
    return ".xlsx", workbook(sheet(rng).replace("</sheetData>", stray))


def sheet_bomb(rng: np.random.Generator) -> tuple[str, bytes]:
    """Let a sound sheet swell to hundreds of megabytes of blanks."""
    head, tail = sheet(rng).encode().split(b"<sheetData>")
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    size = int(rng.integers(300, 500))
    data = packer.compress(head + b"<sheetData>")
    data += b"".join(packer.compress(b" " * 1_000_000) for _ in range(size)) + packer.compress(tail) + packer.flush()
    length = size * 1_000_000 + len(head) + len(tail) + len(b"<sheetData>")
    return ".xlsx", with_packed(rng, "xl/worksheets/sheet1.xml", data, length)


def bomb(rng: np.random.Generator, part: str, lie: bool) -> bytes:
    """Pack one part that swells; with `lie` its size is stated as one kilobyte."""
    size = int(rng.integers(1500, 4000))
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    data = b"".join(packer.compress(b"A" * 1_000_000) for _ in range(size)) + packer.flush()
    return with_packed(rng, part, data, 1000 if lie else size * 1_000_000)


def with_packed(rng: np.random.Generator, part: str, data: bytes, stated: int) -> bytes:
    """Make a workbook of which one part is given in packed form, with any stated size (APPNOTE.TXT of ZIP, 4.3)."""
    whole = workbook(sheet(rng), without=(part,))
    start, end = whole.index(b"PK\x01\x02"), whole.index(b"PK\x05\x06")
    name = part.encode()
    sizes = struct.pack("<IIIHH", 0, len(data), stated, len(name), 0)
    moment = struct.pack("<HH", 0, 0x5821)
    local = b"PK\x03\x04" + struct.pack("<HHH", 20, 0, 8) + moment + sizes + name + data
    central = b"PK\x01\x02" + struct.pack("<HHHH", 20, 20, 0, 8) + moment + sizes
    central += struct.pack("<HHHII", 0, 0, 0, 0, start) + name
    count = struct.unpack("<H", whole[end + 10 : end + 12])[0] + 1
    directory = whole[start:end] + central
    tail = b"PK\x05\x06" + struct.pack("<HHHHIIH", 0, 0, count, count, len(directory), start + len(local), 0)
    return whole[:start] + local + directory + tail


def zip_bomb(rng: np.random.Generator) -> tuple[str, bytes]:
    """Pose a ZIP bomb as a workbook, in the sheet or the shared texts."""
    part = ("xl/worksheets/sheet1.xml", "xl/sharedStrings.xml")[int(rng.integers(0, 2))]
    return ".xlsx", bomb(rng, part, lie=False)


def lying_bomb(rng: np.random.Generator) -> tuple[str, bytes]:
    """Pose a ZIP bomb that states a small size."""
    part = ("xl/worksheets/sheet1.xml", "xl/sharedStrings.xml")[int(rng.integers(0, 2))]
    return ".xlsx", bomb(rng, part, lie=True)


def nested_zips(rng: np.random.Generator) -> tuple[str, bytes]:
    """Pack archives in archives under a workbook's name."""
    content = workbook(sheet(rng))
    for depth in range(int(rng.integers(2, 30))):
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr(zipfile.ZipInfo(f"{depth}.xlsx", _MOMENT), content)
        content = out.getvalue()
    return ".xlsx", content


def entities(rng: np.random.Generator) -> tuple[str, bytes]:
    """Declare entities that double ten thousand-fold, in the sheet or the list of sheets."""
    lines = ['<!ENTITY a0 "ha">'] + [f'<!ENTITY a{i} "{f"&a{i - 1};" * 10}">' for i in range(1, 12)]
    prolog = f'<?xml version="1.0"?><!DOCTYPE x [{"".join(lines)}]>'
    text = sheet(rng).replace("alive", "&a11;", 1)
    if rng.random() < 0.5:
        return ".xlsx", workbook(prolog + text)
    main = f'{prolog}<workbook xmlns="{_MAIN}" xmlns:r="{_REL}"><sheets><sheet name="census" sheetId="1" r:id="rId1"/>'
    return ".xlsx", workbook(sheet(rng), {"xl/workbook.xml": (main + "</sheets></workbook>").encode()})


def broken_xml(rng: np.random.Generator) -> tuple[str, bytes]:
    """Break the XML of the sheet or of the list of sheets."""
    text = sheet(rng)
    at = int(rng.integers(150, len(text) - 40))
    made = (text[:at], text.replace("</row>", "", 3), "not xml at all", text.replace("<c ", "<c <", 1))
    return ".xlsx", workbook(made[int(rng.integers(0, 4))])


def lacking_parts(rng: np.random.Generator) -> tuple[str, bytes]:
    """Leave a part of the workbook out."""
    gone = ("xl/workbook.xml", "xl/_rels/workbook.xml.rels", "xl/worksheets/sheet1.xml")
    return ".xlsx", workbook(sheet(rng), without=(gone[int(rng.integers(0, 3))],))


def false_sizes(rng: np.random.Generator) -> tuple[str, bytes]:
    """State negative or enormous sizes and offsets in the archive's list."""
    whole = bytearray(workbook(sheet(rng)))
    at = (
        whole.rindex(b"PK\x01\x02", 0, whole.rindex(b"PK\x01\x02"))
        if rng.random() < 0.5
        else whole.index(b"PK\x01\x02")
    )
    field = at + (20, 24, 42)[int(rng.integers(0, 3))]
    whole[field : field + 4] = (b"\xff\xff\xff\xff", b"\x00\x00\x00\x80", b"\xfe\xff\xff\x7f")[int(rng.integers(0, 3))]
    return ".xlsx", bytes(whole)


def locked(rng: np.random.Generator) -> tuple[str, bytes]:
    """Lock a workbook by a password: an older document that holds an encrypted package, or flagged parts."""
    if rng.random() < 0.5:
        head = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(504)
        return ".xlsx", head + "EncryptedPackage".encode("utf-16-le") + rng.bytes(4000)
    whole = bytearray(workbook(sheet(rng)))
    at = -1
    while (at := whole.find(b"PK\x01\x02", at + 1)) >= 0:
        whole[at + 8] |= 1
    return ".xlsx", bytes(whole)


def old_junk(rng: np.random.Generator) -> tuple[str, bytes]:
    """Put random bytes behind the head of an older document."""
    return ".xls", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + rng.bytes(int(rng.integers(600, 40_000)))


def wrong_name(rng: np.random.Generator) -> tuple[str, bytes]:
    """Name a workbook with a formula as text."""
    return (".csv", ".txt")[int(rng.integers(0, 2))], formulas(rng)[1]


def repeated_cells(rng: np.random.Generator) -> tuple[str, bytes]:
    """Let one cell and one row of an OpenDocument sheet stand for millions."""
    space = "urn:oasis:names:tc:opendocument:xmlns"
    wide = '<table:table-cell office:value-type="string" table:number-columns-repeated="16000"><text:p>x</text:p>'
    times = int(rng.integers(100_000, 1_000_000))
    rows = f'<table:table-row table:number-rows-repeated="{times}">{wide}</table:table-cell></table:table-row>'
    content = (
        f'<office:document-content xmlns:office="{space}:office:1.0" xmlns:table="{space}:table:1.0" '
        f'xmlns:text="{space}:text:1.0"><office:body><office:spreadsheet><table:table table:name="census">'
        f"{rows}</table:table></office:spreadsheet></office:body></office:document-content>"
    )
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in (
            ("mimetype", "application/vnd.oasis.opendocument.spreadsheet"),
            ("META-INF/manifest.xml", f'<manifest:manifest xmlns:manifest="{space}:manifest:1.0"/>'),
            ("content.xml", content),
        ):
            archive.writestr(zipfile.ZipInfo(name, _MOMENT), text, zipfile.ZIP_DEFLATED)
    return ".ods", out.getvalue()


def large_sheet(rng: np.random.Generator) -> tuple[str, bytes]:
    """Write a sheet of a million rows with one bad number."""
    rows = sound_rows(rng, 4)
    head = sheet(rng).split("<row ", 1)[0]
    top = "".join(cell(1, c, v) for c, v in enumerate(HEADER))
    lines = [f'{head}<row r="1">{top}</row>']
    for r in range(2, 1_000_001):
        row = rows[r % 4]
        lines.append(
            f'<row r="{r}"><c r="A{r}" t="inlineStr"><is><t>Ford</t></is></c><c r="B{r}"><v>{r}</v></c>'
            f'<c r="C{r}"><v>{r}</v></c><c r="D{r}" t="inlineStr"><is><t>{row[3]}</t></is></c>'
            f'<c r="F{r}"><v>{r % 250}.5</v></c></row>'
        )
    lines.append(
        '<row r="1000001"><c r="A1000001" t="inlineStr"><is><t>Ford</t></is></c><c r="F1000001" t="inlineStr">'
    )
    lines.append("<is><t>1O</t></is></c></row></sheetData></worksheet>")
    return ".xlsx", workbook("".join(lines))


WORKBOOKS: dict[str, Maker] = {
    "cut workbook": cut_workbook,
    "flipped bytes": flipped_bytes,
    "formulas": formulas,
    "error cells": error_cells,
    "far cell": far_cell,
    "nested archives": nested_zips,
    "entities": entities,
    "broken XML": broken_xml,
    "lacking parts": lacking_parts,
    "false sizes": false_sizes,
    "locked": locked,
    "older junk": old_junk,
    "wrong name": wrong_name,
    "repeated cells": repeated_cells,
    "large sheet bomb": sheet_bomb,
    "large zip bomb": zip_bomb,
    "large lying bomb": lying_bomb,
    "large sheet": large_sheet,
}
