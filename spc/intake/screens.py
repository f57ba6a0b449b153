"""
Sizes that are off by a factor people and gauges make: the wrong unit, the radius, a slipped mark.

A size is refused only when the corrected one fits the drawing and the size as written does not;
any other number stays a measurement and is named as doubtful.
"""

import numpy as np
from numpy.typing import NDArray

from spc.errors import UnreadableRun
from spc.intake.meaning import FACTORS
from spc.intake.readings import TAKEN, Stream

# How each of FACTORS is told. One turn of a thimble, 0.5 mm or 0.025 in, either way, is the other
# slip of a hand micrometer.
_WORDS = (
    "25.4 times too small, as if it were inches",
    "25.4 times too large, as if it were millimetres taken for inches",
    "half of what fits, as if it were a radius",
    "twice what fits, as if it were doubled",
    "10 times too small, as if the decimal mark had slipped",
    "10 times too large, as if the decimal mark had slipped",
)
_TURNS_UM = ((500.0, "0.5 mm"), (635.0, "0.025 in"))
# A whole column is told from stray cells only when it has at least this many. Own choice.
_WHOLE_COLUMN = 3
_NEARLY_ALL = 0.95


def screen(stream: Stream, source: str) -> NDArray[np.int64]:
    """
    Refuse the cells at one of the ratios; return the places of the other far ones.

    Raises
    ------
    UnreadableRun
        When a whole column stands at one ratio.
    """
    target = stream.target
    if not target.sized:
        # What cannot fall below zero is doubtful when it does.
        return np.flatnonzero(target.feature.zero_bounded & (stream.deviation_um < 0))
    reach = target.reach_um
    taken = stream.state == TAKEN
    far = np.flatnonzero(taken & (np.abs(stream.deviation_um) > reach))
    if not len(far):
        return far
    told = _told(stream, far, reach)
    counted = {reason: sum(1 for r in told if r == reason) for reason in set(told) if reason}
    worst = max(counted, key=lambda reason: counted[reason], default="")
    if worst and counted[worst] >= max(_WHOLE_COLUMN, _NEARLY_ALL * taken.sum()):
        raise UnreadableRun(
            f"{source}, column {stream.column.header or stream.target.feature.name!r}: nearly every"
            f" size of {target.feature.name!r} is {worst}; the first is"
            f" {stream.size[far[0]]:.7g} {target.feature.unit} on a nominal of"
            f" {float(target.nominal_um) / float(_um(target.feature.unit)):.7g}; name the unit in"
            " the header or mend the export"
        )
    for at, reason in zip(far.tolist(), told, strict=True):
        if reason:
            stream.refuse(
                at, f"{reason}; as written it does not fit the drawing, so it is not taken"
            )
    return far[np.array([not reason for reason in told], dtype=bool)]


def _um(unit: str) -> int:
    return {"mm": 1000, "in": 25400, "um": 1}[unit]


def _told(stream: Stream, far: NDArray[np.int64], reach: float) -> list[str]:
    deviation = stream.deviation_um[far]
    nominal = float(stream.target.nominal_um)
    told = np.full(len(far), "", dtype=object)
    sizes = nominal + deviation
    for factor, words in zip(FACTORS, _WORDS, strict=True):
        fits = stream.absolute[far] & (np.abs(sizes * factor - nominal) <= reach)
        told[fits & (told == "")] = words
    for turn, words in _TURNS_UM:
        for sign in (-1, 1):
            fits = np.abs(deviation + sign * turn) <= reach
            told[fits & (told == "")] = f"one thimble turn of {words} off"
    return [str(reason) for reason in told]
