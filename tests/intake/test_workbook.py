"""Workbooks, read with the optional extra."""

import zipfile

import pytest

from spc.errors import UnreadableRun
from spc.intake import preview, read_run

calamine = pytest.importorskip("python_calamine", reason="the extra [xlsx] is not installed")

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


ROWS = [
    ["Bench gauge"],
    ["time", "part", "seat A", "seat B"],
    [46345.25521, 1001, 25.0031, 19.9946],
    [46345.25600, 1003, "OVER", 19.995],
    [None, "Mean", 25.0031, 19.9948],
]


def test_a_sheet_reads_as_a_file_does(tmp_path, seats):
    path = tmp_path / "run.xlsx"
    write_book(path, notes=[["nothing here"]], bench=ROWS)

    run = read_run(path, seats)

    got = run.measurements[["part", "serial", "feature", "deviation_um", "row"]].values.tolist()
    assert got == [[1, "1001", "seat A", 3.1, 3], [1, "1001", "seat B", -5.4, 3],
                   [3, "1003", "seat B", -5.0, 4]]  # fmt: skip
    assert str(run.measurements["time"].iloc[0])[:19] == "2026-11-19 06:07:30"
    assert run.rejects["text"].tolist() == ["OVER"]
    assert run.account["summary_rows"] == 1
    assert preview(path, seats).files[0].encoding == "workbook, sheet 'bench'"


def test_a_sheet_is_named_when_several_hold_measurements(tmp_path, seats):
    path = tmp_path / "run.xlsx"
    write_book(path, early=ROWS, late=[["part", "seat A"], [7, 25.0044]])

    with pytest.raises(UnreadableRun, match=r"several sheets of the workbook.*'early', 'late'"):
        read_run(path, seats)
    assert read_run(path, seats, sheet="late").measurements["serial"].tolist() == ["7"]
    with pytest.raises(UnreadableRun, match=r"no sheet 'noon'; it has: 'early', 'late'"):
        read_run(path, seats, sheet="noon")


def test_a_workbook_called_csv_is_refused_and_a_damaged_one_too(tmp_path, seats):
    path = tmp_path / "run.xlsx"
    write_book(path, bench=ROWS)
    named = tmp_path / "run.csv"
    named.write_bytes(path.read_bytes())
    with pytest.raises(UnreadableRun, match="workbook, not a text file"):
        read_run(named, seats)

    path.write_bytes(path.read_bytes()[:300])
    with pytest.raises(UnreadableRun, match="workbook cannot be opened"):
        read_run(path, seats)
    write_book(path, bench=[])
    with pytest.raises(UnreadableRun, match="workbook is empty"):
        read_run(path, seats)
