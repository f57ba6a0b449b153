"""Later readings of a part: repeats, or a question when they come late."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.intake.lines import DATA, REFUSED
from spc.intake.parts import Parts
from spc.intake.readings import BLANK
from spc.intake.sequence import Sequence
from spc.plan import Plan
from spc.remarks import QUESTION

Ints = NDArray[np.int64]

#: A part number seen again after more rows than this is a question.
FAR_APART = 20


def mark_repeats(
    sequence: Sequence, parts: Parts, plan: Plan, *, reground: bool
) -> dict[tuple[int, int, int], int]:
    """
    Tell repeats from questions.

    Parameters
    ----------
    sequence : Sequence
        Rows that raise a question are marked as refused in it, with the reason in their sheet.
    parts : Parts
        Of the rows.
    plan : Plan
        Says whether repeats are kept or asked about.
    reground : bool
        Whether the run has a regrind event, after which old numbers come again.

    Returns
    -------
    dict
        First repeat of (sheet, stream, position) where it is not 0.
    """
    rows = _rows_read_again(sequence, parts)
    ordinal = np.cumsum(sequence.kind == DATA)
    last: dict[tuple[int, str], int] = {}
    used: dict[tuple[int, str], int] = {}
    base: dict[tuple[int, int, int], int] = {}
    cells = _cells_of(sequence, rows)
    for at in rows.tolist():
        part, own = int(parts.part[at]), cells[at]
        names = list(dict.fromkeys(name for _, name in own))
        again = [name for name in names if (part, name) in last]
        far = [n for n in again if ordinal[at] - ordinal[last[part, n]] > FAR_APART]
        if again and ((far and not reground) or plan.reading.repeats == "ask"):
            earlier = last[part, (far or again)[0]]
            _ask(sequence, at, earlier, parts, bool(far))
            continue
        for number, name in own:
            if (part, name) in used:
                base[int(sequence.sheet[at]), number, at] = used[part, name]
        for name in names:
            width = max(_places(sequence, at, name), 1)
            used[part, name] = used.get((part, name), 0) + width
            last[part, name] = at
    return base


def _places(sequence: Sequence, at: int, name: str) -> int:
    sheet = sequence.sheets[int(sequence.sheet[at])]
    return 1 if sheet.layout.long else sum(c.feature == name for c in sheet.layout.readings)


def _rows_read_again(sequence: Sequence, parts: Parts) -> Ints:
    """Positions of rows with a feature of a part that another row reads too."""
    data = (sequence.kind == DATA) & (parts.part > 0)
    streams = any(sheet.streams for sheet in sequence.sheets)
    if not streams or (np.diff(parts.part[data]) > 0).all():
        return np.zeros(0, dtype=np.int64)
    names: dict[str, int] = {}
    rows, keys = [], []
    for sheet, places in zip(sequence.sheets, sequence.places, strict=True):
        for stream in sheet.streams:
            feature = names.setdefault(stream.target.feature.name, len(names))
            at = places[stream.rows]
            at = at[(stream.state != BLANK) & data[at]]
            rows.append(at)
            keys.append(parts.part[at] * 1000 + feature)
    frame = pd.DataFrame({"row": np.concatenate(rows), "key": np.concatenate(keys)})
    frame = frame.drop_duplicates()
    again = frame["key"].duplicated(keep=False).to_numpy()
    return np.unique(frame["row"].to_numpy()[again])


def _cells_of(sequence: Sequence, rows: Ints) -> dict[int, list[tuple[int, str]]]:
    """Streams with a reading, taken or refused, in each of the rows."""
    cells: dict[int, list[tuple[int, str]]] = {int(at): [] for at in rows}
    wanted = np.zeros(len(sequence), bool)
    wanted[rows] = True
    for number, sheet in enumerate(sequence.sheets):
        for order, stream in enumerate(sheet.streams):
            places = sequence.places[number][stream.rows]
            hits = places[(stream.state != BLANK) & wanted[places]]
            for at in hits.tolist():
                cells[at].append((order, stream.target.feature.name))
    return cells


def _ask(sequence: Sequence, at: int, earlier: int, parts: Parts, far: bool) -> None:
    sheet = sequence.sheets[int(sequence.sheet[at])]
    sequence.kind[at] = REFUSED
    where = f"row {sequence.line(earlier)}"
    if sequence.sheet[at] != sequence.sheet[earlier]:
        where += f" of {sequence.sheets[int(sequence.sheet[earlier])].name}"
    sheet.lines.reasons[int(sequence.row[at])] = (
        f"{QUESTION}part {parts.serial[at]} was already measured in {where};"
        + (" measured again, ground again (add a regrind event) or mistyped?" if far else
           " the plan asks before repeats are taken")
    )  # fmt: skip
