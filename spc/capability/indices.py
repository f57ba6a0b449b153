"""Capability and performance indices from a level and a spread, or from quantiles."""

import math
from dataclasses import dataclass

#: Share of a normal distribution beyond three standard deviations on one side, in per cent 0.135.
TAIL = 0.0013498980316300957
#: Quantiles that carry an index (ISO 22514-2:2017, X0.135 %, X50 %, X99.865 %; from memory).
QUANTILES = (0.00135, 0.5, 0.99865)


@dataclass(frozen=True)
class Index:
    """
    One index with its 95 % two-sided bounds, from `n` parts.

    `value` is None when it cannot be claimed; `why` then says why. A bound of None is a bound
    that the data do not give.
    """

    name: str
    value: float | None
    lower: float | None
    upper: float | None
    n: int
    why: str = ""

    @property
    def claimed(self) -> bool:
        """Whether there is a value at all."""
        return self.value is not None


@dataclass(frozen=True)
class Outside:
    """Expected parts per million beyond each limit. [ppm]"""

    below: float
    above: float

    @property
    def total(self) -> float:
        """Both sides together. [ppm]"""
        return self.below + self.above


@dataclass(frozen=True)
class QuantileIndices:
    """Performance by quantiles; None where the limit it needs is missing."""

    pp: float | None
    ppu: float | None
    ppl: float | None

    @property
    def ppk(self) -> float:
        """The smaller of the sides that have a limit."""
        return min(side for side in (self.ppu, self.ppl) if side is not None)


def cp(sd: float, *, lower: float, upper: float) -> float:
    """
    Width of the tolerance over six standard deviations.

    Parameters
    ----------
    sd : float
        Standard deviation, above 0.
    lower, upper : float
        Limits, in the unit of `sd`.

    Returns
    -------
    float

    References
    ----------
    .. [1] ISO 22514-2:2017, Statistical methods in process management, part 2.

    Examples
    --------
    >>> cp(2.0, lower=8.0, upper=20.0)
    1.0
    """
    _check(sd, lower, upper)
    return (upper - lower) / (6 * sd)


def cpu(mean: float, sd: float, *, upper: float) -> float:
    """
    Distance of the level below the upper limit, over three standard deviations.

    Examples
    --------
    >>> round(cpu(16.0, 2.0, upper=20.0), 4)
    0.6667
    """
    _check(sd, None, upper)
    return (upper - mean) / (3 * sd)


def cpl(mean: float, sd: float, *, lower: float) -> float:
    """
    Distance of the level above the lower limit, over three standard deviations.

    Examples
    --------
    >>> round(cpl(16.0, 2.0, lower=8.0), 4)
    1.3333
    """
    _check(sd, lower, None)
    return (mean - lower) / (3 * sd)


def cpk(mean: float, sd: float, *, lower: float | None = None, upper: float | None = None) -> float:
    """
    The smaller of `cpl` and `cpu`, or the one whose limit exists.

    Raises
    ------
    ValueError
        Without any limit, with limits that cross, or with `sd` not above 0.

    Examples
    --------
    >>> round(cpk(16.0, 2.0, lower=8.0, upper=20.0), 4)
    0.6667
    >>> round(cpk(264.0, 32.0, lower=200.0), 2)
    0.67
    """
    _check(sd, lower, upper)
    sides = []
    if lower is not None:
        sides.append((mean - lower) / (3 * sd))
    if upper is not None:
        sides.append((upper - mean) / (3 * sd))
    return min(sides)


def off_centre(mean: float, *, lower: float, upper: float) -> float:
    """
    How far the level sits from the middle, as a share of half the tolerance (k, 0 at the middle).

    Examples
    --------
    >>> round(off_centre(16.0, lower=8.0, upper=20.0), 4)
    0.3333
    """
    return abs(mean - (lower + upper) / 2) / ((upper - lower) / 2)


def cpm(mean: float, sd: float, *, target: float, lower: float, upper: float) -> float:
    """
    Width of the tolerance over six root-mean-square deviations from the target.

    References
    ----------
    .. [1] Chan, Cheng & Spiring (1988), J. Quality Technology 20, 162-175.

    Examples
    --------
    >>> cpm(50.0, 5.0, target=50.0, lower=35.0, upper=65.0)
    1.0
    """
    _check(sd, lower, upper)
    return (upper - lower) / (6 * math.hypot(sd, mean - target))


def cpkm(mean: float, sd: float, *, target: float, lower: float, upper: float) -> float:
    """
    `cpk` shrunk by the distance from the target.

    References
    ----------
    .. [1] Pearn, Kotz & Johnson (1992), J. Quality Technology 24, 216-231.

    Examples
    --------
    >>> cpkm(50.0, 5.0, target=50.0, lower=35.0, upper=65.0)
    1.0
    """
    off = (mean - target) / sd
    return cpk(mean, sd, lower=lower, upper=upper) / math.sqrt(1 + off**2)


def outside(
    mean: float, sd: float, *, lower: float | None = None, upper: float | None = None
) -> Outside:
    """
    Expected parts per million outside the limits for a normal distribution.

    Examples
    --------
    >>> round(outside(0.0, 1.0, lower=-3.0, upper=3.0).total)
    2700
    """
    _check(sd, lower, upper)
    below = 0.0 if lower is None else _tail((mean - lower) / sd)
    above = 0.0 if upper is None else _tail((upper - mean) / sd)
    return Outside(1e6 * below, 1e6 * above)


def outside_at(index: float, *, sides: int = 2) -> float:
    """
    Parts per million outside at an index of `index`, for a centred normal distribution. [ppm]

    Parameters
    ----------
    index : float
        Cp for two sides; Cpk of the only limit for one.
    sides : {1, 2}

    Examples
    --------
    >>> [round(outside_at(index), 2) for index in (1, 4 / 3, 5 / 3)]
    [2699.8, 63.34, 0.57]
    """
    return 1e6 * sides * _tail(3 * index)


def quantile_indices(
    low: float,
    median: float,
    high: float,
    *,
    lower: float | None = None,
    upper: float | None = None,
) -> QuantileIndices:
    """
    Performance indices of any shape from its 0.135 %, 50 % and 99.865 % quantiles.

    Parameters
    ----------
    low, median, high : float
        The three quantiles, rising.
    lower, upper : float, optional
        Limits; at least one.

    References
    ----------
    .. [1] ISO 22514-2:2017, quantile definition of the indices.

    Examples
    --------
    >>> found = quantile_indices(-3.0, 0.0, 3.0, lower=-4.0, upper=6.0)
    >>> round(found.pp, 3), found.ppu, round(found.ppk, 3)
    (1.667, 2.0, 1.333)
    """
    _check(high - low, lower, upper)
    if not low < median < high:
        raise ValueError(f"quantiles {low:g}, {median:g}, {high:g} do not rise")
    return QuantileIndices(
        None if lower is None or upper is None else (upper - lower) / (high - low),
        None if upper is None else (upper - median) / (high - median),
        None if lower is None else (median - lower) / (median - low),
    )


def _tail(z: float) -> float:
    """Normal probability beyond `z`, exact far out."""
    return 0.5 * math.erfc(z / math.sqrt(2))


def _check(sd: float, lower: float | None, upper: float | None) -> None:
    if not (sd > 0 and math.isfinite(sd)):
        raise ValueError(f"sd is {sd:g}; a spread above 0 is needed")
    if lower is None and upper is None:
        raise ValueError("an index needs at least one limit")
    if lower is not None and upper is not None and not lower < upper:
        raise ValueError(f"lower limit {lower:g} is not below upper limit {upper:g}")
