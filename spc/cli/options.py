"""Arguments that several commands share, named once."""

from pathlib import Path
from typing import Annotated

import typer

RunFiles = Annotated[
    list[str],
    typer.Argument(metavar="RUN", help="Measurement files of one run, or - for standard input."),
]
RunOrLedger = Annotated[
    list[str] | None,
    typer.Argument(
        metavar="[RUN]",
        help="Measurement files of one run, - for standard input, or a run in the ledger; "
        "without it the plan's newest run in the ledger.",
    ),
]
PlanFile = Annotated[Path, typer.Option("--plan", "-p", help="The plan of the job (TOML).")]
EventsFile = Annotated[
    Path | None,
    typer.Option(
        "--events", help="Dresses, offsets, pauses ... when they stand in their own file."
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="One JSON document instead of text.")]
ActNow = Annotated[
    bool, typer.Option("--check", help="Exit with status 1 when an act is due at the machine.")
]
OutFolder = Annotated[Path, typer.Option("--out", "-o", help="Folder to write into.")]
AsOf = Annotated[
    str | None,
    typer.Option("--as-of", help="Moment the page states as its own, such as 2026-11-25T14:00Z."),
]
Shift = Annotated[
    str | None, typer.Option("--shift", help="Report this shift of the plan alone, such as early.")
]
ShiftDate = Annotated[
    str | None, typer.Option("--date", help="Day the shift began, such as 2026-11-25.")
]
Sheet = Annotated[
    str | None, typer.Option("--sheet", help="Sheet of a workbook (needs the extra xlsx).")
]
Understood = Annotated[
    Path | None,
    typer.Option(
        "--understood", help="Read the file as this saved understanding (JSON) says, without guess."
    ),
]
LedgerPlace = Annotated[
    str | None,
    typer.Option(
        "--ledger", help="The ledger: a file or postgresql:// URL; else SPC_LEDGER, else spc.db."
    ),
]
RunName = Annotated[str | None, typer.Option("--run", help="Name of the run in the ledger.")]
Wheel = Annotated[
    str | None, typer.Option("--wheel", help="Report one wheel of the run alone: 1, 2 ... or last.")
]
BoardFile = Annotated[
    Path | None, typer.Option("--board", help="Keep this page beside the machine up to date.")
]
Locale = Annotated[
    str | None,
    typer.Option("--locale", help="Decimal mark of the page, such as de; JSON has dots."),
]
