"""Repeats on one part: what they teach of the gauge, how far they may differ, which count."""

import math
from collections.abc import Sequence

from spc.wheel.settings import FeatureSettings

#: Two readings of one part agree within this many gauge spreads.
AGREE = 4.5
#: The plan's gauge spread counts as this many pairs of repeats.
PSEUDO_PAIRS = 6.0

#: Repeats of one feature seen so far: number of pairs, sum of their half squares. [µm²]
Pairs = Sequence[float]
NO_PAIRS: Pairs = (0.0, 0.0)


def spread(feature: FeatureSettings, seen: Pairs) -> float:
    """Spread of one reading of the same part: the plan's, corrected by the repeats. [µm]"""
    pairs, squares = seen
    start = PSEUDO_PAIRS * feature.gauge_sd_um**2
    return math.sqrt((start + squares) / (PSEUDO_PAIRS + pairs))


def with_pair(feature: FeatureSettings, seen: Pairs, difference: float) -> Pairs:
    """What was seen, and one pair more."""
    # Repeats of a dirty part are no measure of the gauge: far ones are left out.
    if abs(difference) >= 6 * math.sqrt(2) * spread(feature, seen):
        return seen
    pairs, squares = seen
    return [pairs + 1, squares + difference**2 / 2]


def reach(feature: FeatureSettings, seen: Pairs) -> float:
    """How far two readings of one part may lie apart and still agree. [µm]"""
    return AGREE * max(spread(feature, seen), feature.gauge_step_um / 2)


def believed(values: Sequence[float], near: float) -> tuple[float, ...]:
    """Of three readings or more, those that the middle one does not contradict."""
    if len(values) < 3:
        return tuple(values)
    middle = sorted(values)[(len(values) - 1) // 2]
    return tuple(value for value in values if abs(value - middle) <= near)
