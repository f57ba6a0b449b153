"""
The sheets of a workbook as text: a program of its own, which `spc.intake.workbook` runs.

One blank cell far out makes the library ask for room for every cell before it, up to 550 GB, and
end its whole process when there is none. So it works in a process that can be lost: the workbook
comes on standard input, its sheets go to standard output as JSON. Nothing of `spc` is needed here.
"""

import contextlib
import csv
import datetime
import io
import json
import sys
from collections.abc import Iterable, Sequence
from typing import Any

#: Cells from the first corner to the last one used, of all sheets together. Own choice: 200,000
#: rows of ten columns, read in some 5 s.
MOST_CELLS = 2_000_000
#: Memory of this process. [MB] Own choice: four times what so many cells were seen to take.
MOST_MB = 1_000
#: Time that this process may work. [s] Own choice.
MOST_SECONDS = 30


def main() -> None:
    """Read the workbook on standard input; print its sheets, or why they are not read."""
    _limit_this_process()
    told: dict[str, Any]
    try:
        told = {"sheets": _sheets(sys.stdin.buffer.read())}
    except _TooFar as error:
        told = {"refused": str(error)}
    except MemoryError:
        raise
    # The library raises errors of its own, of zip, of XML and of Rust for what is damaged.
    except Exception as error:
        why = f"the workbook cannot be opened ({str(error)[:200]}); save the sheet as CSV"
        told = {"refused": why}
    json.dump(told, sys.stdout)


class _TooFar(Exception):
    """A sheet with more cells than are read."""


def _limit_this_process() -> None:
    # Windows has no such limits; there the time alone is limited, by who waits.
    with contextlib.suppress(ImportError, OSError, ValueError):
        import resource

        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        resource.setrlimit(resource.RLIMIT_CPU, (MOST_SECONDS, MOST_SECONDS))
        resource.setrlimit(resource.RLIMIT_AS, (MOST_MB * 1_000_000, MOST_MB * 1_000_000))


def _sheets(content: bytes) -> dict[str, str]:
    from python_calamine import CalamineWorkbook

    book = CalamineWorkbook.from_filelike(io.BytesIO(content))
    texts: dict[str, str] = {}
    left = MOST_CELLS
    for name in book.sheet_names:
        sheet = book.get_sheet_by_name(name)
        if sheet.end is None:
            continue
        rows, columns = (last + 1 for last in sheet.end)
        left -= rows * columns
        if left < 0:
            raise _TooFar(
                f"sheet {name!r} of the workbook reaches to row {rows:,} and column {columns:,};"
                f" no more than {MOST_CELLS:,} cells are read; clear what stands far from the"
                " table, or save the table as CSV"
            )
        texts[name] = _text(sheet.to_python(skip_empty_area=False))
    return texts


def _text(rows: Iterable[Sequence[Any]]) -> str:
    lines = io.StringIO()
    writer = csv.writer(lines, lineterminator="\n")
    for row in rows:
        # A row without cells is written as nothing at all.
        writer.writerow([_cell(value) for value in row])
    return lines.getvalue()


def _cell(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).upper()
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    if isinstance(value, datetime.datetime):
        return value.isoformat(sep=" ")
    # A line break inside a cell would part the lines from the rows.
    return " ".join(str(value).split("\n"))


if __name__ == "__main__":
    main()
