"""Sheets of a workbook as text; an extra: it needs python-calamine."""

import json
import subprocess
import sys
from importlib.util import find_spec
from typing import Any

from spc.errors import UnreadableRun
from spc.intake import sheets
from spc.intake.decoding import Text

#: First bytes of workbooks: zip archives (xlsx, xlsb, ods) and compound files (xls).
MARKS = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1")
ENDINGS = (".xlsx", ".xlsm", ".xlsb", ".xls", ".ods")
#: Why workbooks were refused, by their hash: of many files read together each is tried again, and
#: the worst take half a minute.
_refused: dict[str, str] = {}


def is_workbook(name: str, content: bytes) -> bool:
    """Whether a file is a workbook and called one."""
    return content.startswith(MARKS) and name.casefold().endswith(ENDINGS)


def sheets_of(name: str, content: bytes, sha256: str) -> dict[str, Text]:
    """
    Every sheet that holds anything, as comma-separated text whose lines are its rows.

    Raises
    ------
    UnreadableRun
        When the reader is not installed, the workbook cannot be opened, or reading it takes more
        cells, memory or time than `spc.intake.sheets` allows.
    """
    if find_spec("python_calamine") is None:
        raise UnreadableRun(
            f"{name}: this is a workbook; install the extra that reads them"
            " (pip install 'spc[xlsx]') or save the sheet as CSV"
        )
    told = {} if sha256 in _refused else _read_apart(content)
    if "sheets" not in told:
        why = _refused.setdefault(sha256, told.get("refused", ""))
        raise UnreadableRun(f"{name}: {why}")
    return {
        sheet: Text(
            name,
            text.encode("utf-8", "replace"),
            f"workbook, sheet {sheet!r}",
            "\n",
            True,
            f"{sha256}#{sheet}",
        )
        for sheet, text in told["sheets"].items()
    }


def _read_apart(content: bytes) -> dict[str, Any]:
    """What a process of its own says of a workbook: its sheets, or why it is refused."""
    try:
        done = subprocess.run(
            # By its file, found however this program was; and no file beside the user's is taken
            # for a module of Python.
            [sys.executable, "-P", sheets.__file__],
            input=content,
            capture_output=True,
            timeout=sheets.MOST_SECONDS,
        )
        return json.loads(done.stdout)
    except OSError as error:
        return {"refused": f"the process that reads workbooks does not start ({error})"}
    except (subprocess.TimeoutExpired, ValueError):
        # Killed, or ended by the library or by a limit of its own with nothing said.
        most = f"{sheets.MOST_MB:,} MB or {sheets.MOST_SECONDS} s"
        return {
            "refused": f"the workbook cannot be opened (it takes more than {most}, or is damaged);"
            " clear what stands far from the table, or save the table as CSV"
        }
