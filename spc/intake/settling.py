"""The account of a run: where every cell ended, and what was refused."""

import numpy as np

from spc.errors import UnreadableRun
from spc.intake.csv_file import Sheet
from spc.intake.lines import DATA, REFUSED, SAME, SKIPPED, SUMMARY
from spc.intake.quarantine import Account, Reject
from spc.intake.readings import REFUSED as CELL_REFUSED
from spc.intake.readings import TAKEN, Stream
from spc.intake.sequence import Sequence


def settle(sequence: Sequence, account: Account, measurements: int) -> None:
    """Count where every cell ended and collect the rejects in the order of the files."""
    account.measurements = measurements
    for number, sheet in enumerate(sequence.sheets):
        kind = np.empty(len(sheet.table), dtype=np.int8)
        own = sequence.sheet == number
        kind[sequence.row[own]] = sequence.kind[own]
        width = sheet.cells_per_row
        counts = np.bincount(kind, minlength=6) if len(kind) else np.zeros(6, np.int64)
        account.identical += int(counts[SAME]) * width
        account.summary += int(counts[SUMMARY]) * width
        account.summary_rows += int(counts[SUMMARY])
        account.rejected_rows += int(counts[REFUSED])
        header_lines = sheet.dialect.line - 1
        account.skipped_lines += int(counts[SKIPPED]) + header_lines + sheet.table.blank_lines
        rejects = [
            Reject(sheet.name, int(sheet.table.line[row]), "", sheet.table.record(row), reason)
            for row, reason in sheet.lines.reasons.items()
            if kind[row] == REFUSED
        ]
        taken = refused = 0
        for stream in sheet.streams:
            live = kind[stream.rows] == DATA
            taken += int(((stream.state == TAKEN) & live).sum())
            bad = np.flatnonzero((stream.state == CELL_REFUSED) & live)
            refused += len(bad)
            rejects += [_cell_reject(sheet, stream, at) for at in bad.tolist()]
        account.rejected += refused + int(counts[REFUSED]) * width
        account.blank += int(counts[DATA]) * width - taken - refused
        account.rejects += sorted(rejects, key=lambda reject: reject.row)


def _cell_reject(sheet: Sheet, stream: Stream, at: int) -> Reject:
    row = int(stream.rows[at])
    return Reject(
        sheet.name,
        int(sheet.table.line[row]),
        stream.column.header,
        sheet.table.text(row, stream.column.index),
        stream.reasons.get(at, ""),
    )


def refuse_nothing(sequence: Sequence, account: Account) -> None:
    """Refuse files of which not one reading could be taken."""
    if account.measurements:
        return
    names = ", ".join(sheet.name for sheet in sequence.sheets)
    if account.rejects:
        first = account.rejects[0]
        raise UnreadableRun(
            f"{names}: no measurements: all {account.rejected} cells are refused, the first in row"
            f" {first.row}: {first.reason}"
        )
    raise UnreadableRun(f"{names}: no measurements below the header")
