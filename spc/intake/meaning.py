"""Whether numbers are sizes or deviations, and in which unit, told against the plan."""

from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from spc.intake.cells import UM
from spc.plan import Feature

#: What a wrong size times this gives the right one: inches for millimetres, a radius for a
#: diameter, a slipped decimal mark, and the reverse.
FACTORS = (25.4, 1 / 25.4, 2.0, 0.5, 10.0, 0.1)
# A reading is credible up to this many tolerance widths from nominal, or so many beyond the farther
# limit where that is more: the limits of e6 and s5 lie widths away from nominal. Own choices; the
# second is what is asked about readings typed by hand.
_REACH_WIDTHS = 3.0
_BEYOND_WIDTHS = 1.5
# Sizes this near to nominal are sizes: 1 % of nominal, or what is credible if that is more, but
# never more than a third of nominal.
# Own choice: a grinder that is further off cuts no part of this plan.
_NEAR_NOMINAL = 0.01
# Deviations may be this many tolerance widths or limits away from nominal. Own choice.
_FAR_DEVIATION = 5.0
# Below this share of nominal a number that fits nothing is taken for a deviation. Own choice; an
# inch read as millimetres is 1/25.4 = 0.039 of nominal and must stay a size.
_NO_SIZE = 1 / 30
# Sizes are written to a thousandth or finer; nobody writes deviations to the nanometre. Numbers so
# written that differ by less than a twentieth of their distance from the limits, or a hundredth of
# the tolerance, are sizes for another nominal. Own choices.
DIGITS_OF_A_SIZE = 3
_TINY_TO_DISTANCE = 1 / 20
_TINY_TO_WIDTH = 1 / 100
_ENOUGH = 5


@dataclass(frozen=True)
class Target:
    """What the plan says of one feature, in µm."""

    feature: Feature
    nominal_um: Fraction
    width_um: float

    @property
    def sized(self) -> bool:
        """Whether it has a nominal size, so that sizes and deviations differ."""
        return self.nominal_um != 0

    @property
    def largest_limit_um(self) -> float:
        """The limit farther from nominal. [µm]"""
        limits = (self.feature.upper_um, self.feature.lower_um)
        return max(abs(limit) for limit in limits if limit is not None)

    @property
    def reach_um(self) -> float:
        """How far from nominal a reading is credible. [µm]"""
        beyond = self.largest_limit_um + _BEYOND_WIDTHS * self.width_um
        return max(_REACH_WIDTHS * self.width_um, beyond)


def target_of(feature: Feature) -> Target:
    """
    The nominal as an exact number and the tolerance width of a feature.

    A one-sided feature has no width; the distance of its limit from nominal stands in for it, at
    least 5 µm (own choice).
    """
    if feature.nominal_mm is None:
        nominal = Fraction(0)
    elif feature.fit is None and feature.nominal is not None:
        nominal = Fraction(repr(feature.nominal)) * UM[feature.unit]
    else:
        nominal = Fraction(repr(feature.nominal_mm)) * 1000
    upper, lower = feature.upper_um, feature.lower_um
    if upper is not None and lower is not None:
        width = upper - lower
    else:
        width = max(abs(upper if upper is not None else lower or 0.0), 5.0)
    return Target(feature, nominal, width)


@dataclass(frozen=True)
class Sense:
    """
    How the numbers of one column are to be taken.

    Attributes
    ----------
    unit : {"mm", "in", "um"}
    absolute : bool
        Sizes; else deviations.
    inferred : str
        What was told by magnitude, for the page.
    contradicts : str
        The unit in which the numbers are sizes after all, when another is written.
    elsewhere : float or None
        The median of the numbers as written, when they are sizes for another nominal.
    cells : int
        How many numbers were taken so.
    """

    unit: str
    absolute: bool
    inferred: str = ""
    contradicts: str = ""
    elsewhere: float | None = None
    cells: int = 0


def near_nominal(values: NDArray[np.float64], unit: str, target: Target) -> NDArray[np.bool_]:
    """Which numbers, taken in `unit`, are sizes near the nominal."""
    nominal = float(target.nominal_um)
    reach = max(_NEAR_NOMINAL * nominal, min(target.reach_um, nominal / 3))
    near: NDArray[np.bool_] = np.abs(values * UM[unit] - nominal) <= reach
    return near


def near_zero(values: NDArray[np.float64], unit: str, target: Target) -> NDArray[np.bool_]:
    """Which numbers, taken in `unit`, are deviations of a part worth measuring."""
    reach = _FAR_DEVIATION * max(target.width_um, target.largest_limit_um)
    near: NDArray[np.bool_] = np.abs(values * UM[unit]) <= reach
    return near


def like_sizes(values: NDArray[np.float64], unit: str, target: Target) -> NDArray[np.bool_]:
    """Which numbers would be sizes on the drawing, and no good parts as deviations in `unit`."""
    sizes = _at_nominal(values, target.feature.unit, target) | _at_nominal(values, unit, target)
    upper, lower = target.feature.upper_um, target.feature.lower_um
    good = np.ones(len(values), dtype=bool)
    good &= True if upper is None else values * UM[unit] <= upper
    good &= True if lower is None else values * UM[unit] >= lower
    return sizes & ~good


def at_a_factor(values: NDArray[np.float64], unit: str, target: Target) -> NDArray[np.bool_]:
    """Which numbers would be sizes that fit the drawing, were they not off by a known factor."""
    nominal = float(target.nominal_um)
    hits = np.zeros(len(values), dtype=bool)
    for factor in FACTORS:
        hits |= np.abs(values * UM[unit] * factor - nominal) <= target.reach_um
    return hits


def sense_of(
    values: NDArray[np.float64],
    *,
    unit: str | None,
    kind: str | None,
    target: Target,
    decimals: NDArray[np.int64] | None = None,
) -> Sense:
    """
    Unit of a column and whether it holds sizes or deviations.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Its numbers as written.
    unit : {"mm", "in", "um"} or None
        As written in header, unit column or cell.
    kind : {"actual", "deviation"} or None
        As said by the header.
    target : Target
        Of the feature.
    decimals : ndarray of int64, shape (n,), optional
        Digits after the mark; without them sizes for another nominal are not looked for.

    Examples
    --------
    >>> from spc.plan import Feature
    >>> seat = target_of(Feature(name="seat A", nominal=25.0, upper=0.011, lower=0.002))
    >>> sense = sense_of(np.array([3.1, 4.5]), unit=None, kind=None, target=seat)
    >>> sense.unit, sense.absolute, sense.inferred
    ('um', False, 'deviations in um, told by their size')
    """
    if not target.sized:
        return Sense(unit or target.feature.unit, absolute=True, cells=len(values))
    sense = replace(_as_written(values, unit, kind, target), cells=len(values))
    fine = decimals is not None and _most(decimals >= DIGITS_OF_A_SIZE)
    told = sense.absolute or sense.unit != (unit or target.feature.unit)
    if fine and told and kind != "deviation" and _for_another_nominal(values, sense, target):
        return replace(sense, elsewhere=float(np.median(values)))
    return sense


def _as_written(
    values: NDArray[np.float64], unit: str | None, kind: str | None, target: Target
) -> Sense:
    plan_unit = target.feature.unit
    # A zero is one in every unit.
    values = values[values != 0] if values.any() else values
    candidates = [unit] if unit else list(dict.fromkeys([plan_unit, "um"]))
    for candidate in candidates:
        # Numbers that are the nominal itself are sizes, whatever the header says.
        hits = _at_nominal if kind == "deviation" else near_nominal
        if _most(hits(values, candidate, target)):
            said = "" if unit or candidate == plan_unit else f"sizes in {candidate}"
            return Sense(candidate, True, said and f"{said}, told by their size")
    other = unit is not None and unit != plan_unit and kind is None
    if other and _most(_at_nominal(values, plan_unit, target)):
        return Sense(unit or plan_unit, False, contradicts=plan_unit)
    if kind is None and _most(at_a_factor(values, unit or plan_unit, target)):
        # A radius, inches or a slipped mark: a size all the same, which the screens refuse.
        return Sense(unit or plan_unit, True)
    sizes = like_sizes(values, "um", target)
    if kind != "deviation" and unit in (None, plan_unit) and 2 * sizes.sum() >= len(values):
        return Sense(plan_unit, True, f"sizes in {plan_unit}, as half of the numbers are")
    for candidate in candidates:
        if _most(near_zero(values[~sizes], candidate, target)):
            said = "" if kind == "deviation" and unit else "told by their size"
            return Sense(candidate, False, said and f"deviations in {candidate}, {said}")
    # What the header says is believed only where the numbers do not gainsay it.
    return _by_magnitude(values, unit or plan_unit, kind, target)


def _for_another_nominal(values: NDArray[np.float64], sense: Sense, target: Target) -> bool:
    """Whether numbers that fit nothing well lie together as the sizes of another part do."""
    if not (values > 0).all() or (sense.absolute and _fits_as_size(values, sense.unit, target)):
        return False
    um = values * UM[sense.unit] - (float(target.nominal_um) if sense.absolute else 0.0)
    low, middle, high = np.quantile(um, (0.1, 0.5, 0.9))
    spread, width = float(high - low), target.width_um
    upper, lower = target.feature.upper_um, target.feature.lower_um
    above = middle - upper if upper is not None else -np.inf
    below = lower - middle if lower is not None else -np.inf
    distance = max(float(above), float(below), 0.0)
    if sense.absolute:
        return len(values) >= _ENOUGH and spread <= _TINY_TO_DISTANCE * distance
    if distance > 0 and (len(values) >= _ENOUGH or distance > width):
        return spread <= max(_TINY_TO_DISTANCE * distance, _TINY_TO_WIDTH * width)
    # A gauge that stands still between the limits is the matter of others.
    return len(values) >= _ENOUGH and 0 < spread <= _TINY_TO_WIDTH * width


def _fits_as_size(values: NDArray[np.float64], unit: str, target: Target) -> bool:
    """Sizes near the nominal, or at a factor from it, which the screens refuse."""
    return _most(near_nominal(values, unit, target) | at_a_factor(values, unit, target))


def _at_nominal(values: NDArray[np.float64], unit: str, target: Target) -> NDArray[np.bool_]:
    off = np.abs(values * UM[unit] - float(target.nominal_um))
    hits: NDArray[np.bool_] = off <= target.reach_um
    return hits


def _by_magnitude(
    values: NDArray[np.float64], unit: str, kind: str | None, target: Target
) -> Sense:
    if kind == "deviation":
        return Sense(unit, False)
    median = float(np.median(np.abs(values))) * UM[unit] if len(values) else float("inf")
    return Sense(unit, kind == "actual" or median > _NO_SIZE * float(target.nominal_um))


def _most(hits: NDArray[np.bool_]) -> bool:
    return bool(len(hits)) and bool(hits.mean() > 0.5)
