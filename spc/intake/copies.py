"""Rows that nothing but their readings tells apart, pasted a second time: a question."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.copied import Copy, copies
from spc.intake.lines import DATA, EVENT, REFUSED
from spc.intake.readings import column_texts
from spc.intake.sequence import Sequence, timed_rows
from spc.remarks import QUESTION

Ints = NDArray[np.int64]


def leave_copies_out(sequence: Sequence, named: NDArray[np.bool_]) -> None:
    """
    Refuse rows that repeat a stretch of earlier rows beyond chance, with a question as the reason.

    Parameters
    ----------
    sequence : Sequence
        Rows of the copy are marked as refused in it, with the reason in their sheet.
    named : ndarray of bool, shape (n,)
        Rows with a part number that is no other part's; they and rows with a time cannot be taken
        for others.
    """
    at = np.flatnonzero(np.isin(sequence.kind, (DATA, EVENT)) & ~named & ~timed_rows(sequence))
    if not len(at):
        return
    for copy in copies(_codes(sequence, at)):
        reason = _reason(sequence, at, copy)
        for row in at[copy.first : copy.first + copy.count].tolist():
            sequence.kind[row] = REFUSED
            sheet = sequence.sheets[int(sequence.sheet[row])]
            sheet.lines.reasons[int(sequence.row[row])] = reason


def _codes(sequence: Sequence, at: Ints) -> Ints:
    """A number for every row, equal where all readings, the serial and the event are."""
    columns: dict[object, NDArray[np.object_] | NDArray[np.float64]] = {
        "serial": sequence.serial.copy(), "event": np.full(len(sequence), "", dtype=object)
    }  # fmt: skip
    for sheet, places in zip(sequence.sheets, sequence.places, strict=True):
        for role in ("event", "amount_um", "typed", "minutes", "note"):
            column = sheet.layout.of(role)
            if column is not None and sheet.lines.has_event.any():
                columns["event"][places] += np.array(column_texts(sheet.table, column.index),
                                                     dtype=object)  # fmt: skip
        for stream in sheet.streams:
            key = stream.target.feature.name, stream.column.place
            values = columns.setdefault(key, np.full(len(sequence), np.nan))
            values[places[stream.rows]] = stream.deviation_um
    codes = np.zeros(len(at), dtype=np.int64)
    for values in columns.values():
        own = pd.factorize(values[at], use_na_sentinel=False)[0]
        codes = pd.factorize(codes * (int(own.max(initial=0)) + 1) + own)[0].astype(np.int64)
    return codes


def _reason(sequence: Sequence, at: Ints, copy: Copy) -> str:
    first, last = at[copy.earlier], at[copy.earlier + copy.count - 1]
    where = f"rows {sequence.line(int(first))} to {sequence.line(int(last))}"
    if sequence.sheet[first] != sequence.sheet[at[copy.first]]:
        where += f" of {sequence.sheets[int(sequence.sheet[first])].name}"
    return (
        f"{QUESTION}the same {copy.count} readings in the same order as in {where}; pasted twice?"
        " Give part numbers or times if they are other parts"
    )
