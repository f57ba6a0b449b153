"""Files of one run that count their parts from the start again, so that one number is two parts."""

import numpy as np
from numpy.typing import NDArray

from spc.errors import UnreadableRun
from spc.intake.lines import DATA
from spc.intake.sequence import Sequence

# A later file that begins within so many numbers of an earlier one's first, and has more than this
# share of its parts, and this many of them, among the earlier one's, counts anew. Own choice.
_NEAR_THE_FIRST = 20
_MOSTLY = 0.5
_FEWEST = 3


def refuse_counted_anew(sequence: Sequence) -> None:
    """
    Refuse files that use the same part numbers for the same features.

    Their readings would become repeats of other parts or be left out, while their dresses and
    offsets counted all the same. Gauges of different features may share the parts of one run.

    Raises
    ------
    UnreadableRun
        Naming both files.
    """
    counted = [_numbers(sequence, which) for which in range(len(sequence.sheets))]
    numbered = [which for which, numbers in enumerate(counted) if len(numbers)]
    first = {which: int(counted[which][0]) for which in numbered}
    # Hundreds of small files may be read together, so the cheapest question comes first.
    for at, later in enumerate(numbered):
        for earlier in numbered[:at]:
            if first[later] > first[earlier] + _NEAR_THE_FIRST:
                continue
            before, after = counted[earlier], counted[later]
            if _anew(before, after) and _features(sequence, earlier) & _features(sequence, later):
                raise UnreadableRun(_words(sequence, earlier, later, before, after))


def _numbers(sequence: Sequence, which: int) -> NDArray[np.int64]:
    """The part numbers of one file, identical rows set aside."""
    own = (sequence.sheet == which) & (sequence.kind == DATA) & (sequence.number >= 0)
    return np.unique(sequence.number[own])


def _features(sequence: Sequence, which: int) -> set[str]:
    return {stream.target.feature.name for stream in sequence.sheets[which].streams}


def _anew(before: NDArray[np.int64], after: NDArray[np.int64]) -> bool:
    among = int(((after >= before[0]) & (after <= before[-1])).sum())
    return among >= _FEWEST and among > _MOSTLY * len(after)


def _words(
    sequence: Sequence,
    earlier: int,
    later: int,
    before: NDArray[np.int64],
    after: NDArray[np.int64],
) -> str:
    first, second = sequence.sheets[earlier].name, sequence.sheets[later].name
    said = f"{first} and {second} both count from part {before[0]}"
    if before[0] != after[0]:
        said = (
            f"{second} counts from part {after[0]} again, over the parts {before[0]} to"
            f" {before[-1]} of {first}"
        )
    return (
        f"{said}, so that one number would be two parts; begin a run for each (--run NAME), or"
        f" number {second} on from part {int(before[-1]) + 1}"
    )
