"""The smallest workbooks that are some, written by hand."""

import zipfile

CONTENT_TYPES = (
    '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    '<Default Extension="rels" '
    'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="xml" ContentType="application/xml"/></Types>'
)
RELATIONS = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"


def cell(value):
    if isinstance(value, str):
        return f'<c t="inlineStr"><is><t>{value}</t></is></c>'
    return "<c/>" if value is None else f"<c><v>{value}</v></c>"


def write_book(path, **sheets):
    """The smallest workbook that is one (ECMA-376 part 1, 12.3)."""
    names = "".join(
        f'<sheet name="{name}" sheetId="{i}" r:id="rId{i}"/>' for i, name in enumerate(sheets, 1)
    )
    links = "".join(
        f'<Relationship Id="rId{i}" Type="{RELATIONS}/worksheet" Target="worksheets/s{i}.xml"/>'
        for i in range(1, len(sheets) + 1)
    )
    package = "http://schemas.openxmlformats.org/package/2006/relationships"
    with zipfile.ZipFile(path, "w") as book:
        book.writestr("[Content_Types].xml", CONTENT_TYPES)
        book.writestr(
            "_rels/.rels",
            f'<Relationships xmlns="{package}"><Relationship Id="rId1" '
            f'Type="{RELATIONS}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        )
        book.writestr(
            "xl/workbook.xml",
            f'<workbook xmlns="{MAIN}" xmlns:r="{RELATIONS}"><sheets>{names}</sheets></workbook>',
        )
        book.writestr(
            "xl/_rels/workbook.xml.rels",
            f'<Relationships xmlns="{package}">{links}</Relationships>',
        )
        for i, rows in enumerate(sheets.values(), 1):
            text = "".join(f"<row>{''.join(map(cell, row))}</row>" for row in rows)
            book.writestr(
                f"xl/worksheets/s{i}.xml",
                f'<worksheet xmlns="{MAIN}"><sheetData>{text}</sheetData></worksheet>',
            )


def write_far(path, place):
    """A small table and one cell with an empty text far out."""
    far = (
        f'<row r="{place.lstrip("ABCDEFGHIJKLMNOPQRSTUVWXYZ")}"><c r="{place}" t="str"><v></v></c>'
    )
    write_book(path, bench=[["part", "seat A"], [7, 25.0044]])
    with zipfile.ZipFile(path) as book:
        pieces = {name: book.read(name) for name in book.namelist()}
    with zipfile.ZipFile(path, "w") as book:
        for name, piece in pieces.items():
            end = b"</sheetData>"
            book.writestr(name, piece.replace(end, far.encode() + end))
