"""Sheets of a workbook as text; an extra: it needs python-calamine."""

import csv
import datetime
import io
from collections.abc import Sequence
from typing import Any

from spc.errors import UnreadableRun
from spc.intake.decoding import Text

#: First bytes of workbooks: zip archives (xlsx, xlsb, ods) and compound files (xls).
MARKS = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1")
ENDINGS = (".xlsx", ".xlsm", ".xlsb", ".xls", ".ods")


def is_workbook(name: str, content: bytes) -> bool:
    """Whether a file is a workbook and called one."""
    return content.startswith(MARKS) and name.casefold().endswith(ENDINGS)


def sheets_of(name: str, content: bytes, sha256: str) -> dict[str, Text]:
    """
    Every sheet that holds anything, as comma-separated text whose lines are its rows.

    Raises
    ------
    UnreadableRun
        When the reader is not installed or the workbook cannot be opened.
    """
    try:
        import python_calamine
    except ModuleNotFoundError:
        raise UnreadableRun(
            f"{name}: this is a workbook; install the extra that reads them"
            " (pip install 'spc[xlsx]') or save the sheet as CSV"
        ) from None
    try:
        book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(content))
        rows = {
            sheet: book.get_sheet_by_name(sheet).to_python(skip_empty_area=False)
            for sheet in book.sheet_names
        }
    # The reader raises errors of its own, of zip, of XML and of Rust for what is damaged.
    except Exception as error:
        raise UnreadableRun(
            f"{name}: the workbook cannot be opened ({str(error)[:200]}); save the sheet as CSV"
        ) from None
    return {sheet: _text(name, sheet, cells, sha256) for sheet, cells in rows.items() if any(cells)}


def _text(name: str, sheet: str, rows: Sequence[Sequence[Any]], sha256: str) -> Text:
    lines = io.StringIO()
    writer = csv.writer(lines, lineterminator="\n")
    for row in rows:
        writer.writerow([_cell(value) for value in row])
    # A row without cells is written as nothing at all.
    data = lines.getvalue().encode("utf-8", "replace")
    return Text(name, data, f"workbook, sheet {sheet!r}", "\n", True, f"{sha256}#{sheet}")


def _cell(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).upper()
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    if isinstance(value, datetime.datetime):
        return value.isoformat(sep=" ")
    # A line break inside a cell would part the lines from the rows.
    return " ".join(str(value).split("\n"))
