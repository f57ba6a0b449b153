"""
A gauge study: what of the spread of readings is the gauge, the people and the parts.

Readings come as an array of shape (appraisers, parts, trials); `arranged` makes it from rows.
Spreads are standard deviations, in the unit of the readings.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc import sigma

Array = NDArray[np.float64]
#: The interaction is pooled with repeatability when its p-value is above this: common practice,
#: from the manuals on measurement systems (from memory).
POOL_ABOVE = 0.25
#: Shares of the total spread below which a gauge is good, and above which it will not do: common
#: practice, from the same manuals.
GOOD, POOR = 0.10, 0.30
#: A gauge spread below this share of the total is the computer's rounding alone.
_ROUNDING = 1e-9
_CATEGORIES = 1.41  # √2: distinct groups of parts a gauge can tell apart


@dataclass(frozen=True)
class Spread:
    """
    Where the spread of a study comes from. [unit of the readings]

    Attributes
    ----------
    repeat : float
        The same person, part and gauge again (equipment variation).
    people : float
        Different persons, same part (appraiser variation).
    interaction : float
        What a person does differently with one part than with another; 0 when pooled.
    part : float
        The parts themselves.
    tolerance : float or None
        Width of the tolerance.
    """

    repeat: float
    people: float
    interaction: float
    part: float
    tolerance: float | None = None

    @property
    def gauge(self) -> float:
        """Repeatability and reproducibility together."""
        return math.hypot(self.repeat, self.people, self.interaction)

    @property
    def total(self) -> float:
        """All of it."""
        return math.hypot(self.gauge, self.part)

    @property
    def share_of_total(self) -> float:
        """Gauge over total spread."""
        return self.gauge / self.total if self.total > 0 else math.nan

    @property
    def share_of_tolerance(self) -> float | None:
        """Six gauge spreads over the tolerance; None without one."""
        return None if self.tolerance is None else 6 * self.gauge / self.tolerance

    @property
    def hidden(self) -> bool:
        """Whether readings of a part never differ, so that the gauge's steps hide its spread."""
        return self.gauge <= _ROUNDING * self.total

    @property
    def categories(self) -> int | None:
        """Distinct groups of parts that the gauge can tell apart, at least 1; None when hidden."""
        return None if self.hidden else max(int(_CATEGORIES * self.part / self.gauge), 1)

    @property
    def signal_to_noise(self) -> float:
        """Spread of parts over that of the gauge, times √2; 5 and more is wanted."""
        return math.sqrt(2) * self.part / self.gauge if self.gauge > 0 else math.inf

    @property
    def discrimination(self) -> float:
        """Total and part variance together over the gauge variance; above 4 is wanted."""
        gauge = self.gauge**2
        return (self.total**2 + self.part**2) / gauge if gauge > 0 else math.inf

    def percent(self, spread: float) -> float:
        """A spread in per cent of the total spread."""
        return 100 * spread / self.total

    def contribution(self, spread: float) -> float:
        """The variance of a spread in per cent of the total variance."""
        return 100 * (spread / self.total) ** 2

    @property
    def words(self) -> str:
        """The judgement in one sentence."""
        if self.hidden:
            return (
                "Readings of the same part never differ: the gauge's steps hide its own spread, "
                "and nothing is proven of it; read in finer steps."
            )
        share, against = self.share_of_total, "total spread"
        if self.share_of_tolerance is not None:
            share, against = self.share_of_tolerance, "tolerance"
        judged = "good" if share <= GOOD else "conditional" if share <= POOR else "not good enough"
        return (
            f"Gauge spread takes {100 * share:.1f} % of the {against}: {judged} (up to 10 % good, "
            f"over 30 % not, common practice); it tells {self.categories} groups of parts apart."
        )


@dataclass(frozen=True, eq=False)
class RangeStudy:
    """
    A study by averages and ranges.

    Attributes
    ----------
    spread : Spread
    mean_range : float
        Mean range of the trials; `ranges` holds that of each appraiser.
    means : ndarray, shape (appraisers,)
        Mean reading of each appraiser; `mean_difference` is the widest difference.
    part_range : float
        Range of the parts' means.
    """

    spread: Spread
    mean_range: float
    ranges: Array
    means: Array
    mean_difference: float
    part_range: float


@dataclass(frozen=True)
class Line:
    """One line of an analysis of variance."""

    source: str
    ss: float
    df: float
    ms: float
    f: float | None = None
    p_value: float | None = None


@dataclass(frozen=True)
class VarianceStudy:
    """
    A study by analysis of variance.

    Attributes
    ----------
    spread : Spread
    lines : tuple of Line
        Appraiser, part, interaction, repeat, total.
    pooled : bool
        The interaction was counted as repeatability.
    repeat_bounds, gauge_bounds : (float, float)
        95 % bounds of the repeatability, exact, and of the gauge spread, by generalized pivots
        (Weerahandi 1993). [unit of the readings]
    """

    spread: Spread
    lines: tuple[Line, ...]
    pooled: bool
    repeat_bounds: tuple[float, float]
    gauge_bounds: tuple[float, float]


def arranged(appraiser: Sequence[object], part: Sequence[object], reading: ArrayLike) -> Array:
    """
    Rows of readings as an array of shape (appraisers, parts, trials).

    Appraisers and parts in the order of their first row; trials in the order of the rows.

    Raises
    ------
    ValueError
        Columns of different lengths, or a part that one appraiser read less often than another.

    Examples
    --------
    >>> arranged(["A", "A", "B", "B"], [1, 2, 1, 2], [5.0, 6.0, 5.5, 6.5]).tolist()
    [[[5.0], [6.0]], [[5.5], [6.5]]]
    """
    values = np.asarray(reading, float)
    if not len(appraiser) == len(part) == len(values):
        raise ValueError("appraiser, part and reading must have the same length")
    people, parts = list(dict.fromkeys(appraiser)), list(dict.fromkeys(part))
    cells: dict[tuple[object, object], list[float]] = {
        (who, what): [] for who in people for what in parts
    }
    for who, what, value in zip(appraiser, part, values, strict=True):
        cells[who, what].append(float(value))
    trials = len(cells[people[0], parts[0]])
    for (who, what), seen in cells.items():
        if len(seen) != trials:
            raise ValueError(
                f"{_cut(who)} read part {_cut(what)} {len(seen)} times, where {_cut(people[0])} "
                f"read part {_cut(parts[0])} {trials} times; a study needs the same number of "
                "trials throughout"
            )
    return np.array([[cells[who, what] for what in parts] for who in people])


def _cut(name: object, most: int = 40) -> str:
    """A name as a refusal shows it."""
    text = str(name)
    return text if len(text) <= most else text[: most - 1] + "…"


def range_study(readings: ArrayLike, *, tolerance: float | None = None) -> RangeStudy:
    """
    Repeatability and reproducibility from averages and ranges.

    Parameters
    ----------
    readings : array_like, shape (appraisers, parts, trials)
        At least 2 parts and 2 trials.
    tolerance : float, optional
        Width of the tolerance.

    Returns
    -------
    RangeStudy

    Notes
    -----
    Ranges become spreads by d2 for many ranges and by Duncan's d2* for a single one, at full
    precision; printed manuals round the factors.
    """
    x = _checked(readings)
    _refuse_alike(x)
    people, parts, trials = x.shape
    ranges = np.ptp(x, axis=2).mean(axis=1)
    mean_range, means = float(ranges.mean()), x.mean(axis=(1, 2))
    repeat = mean_range / _divisor(trials, people * parts)
    difference = float(np.ptp(means)) if people > 1 else 0.0
    between = difference / sigma.d2_star(people) if people > 1 else 0.0
    among = math.sqrt(max(between**2 - repeat**2 / (parts * trials), 0.0))
    part_range = float(np.ptp(x.mean(axis=(0, 2))))
    spread = Spread(repeat, among, 0.0, part_range / sigma.d2_star(parts), tolerance)
    return RangeStudy(spread, mean_range, ranges, means, difference, part_range)


def _divisor(n: int, groups: int) -> float:
    """Divisor of a mean range: d2* for up to 15 ranges, as its table ends there, then d2."""
    return sigma.d2_star(n, groups) if groups <= 15 else sigma.d2(n)


def variance_study(
    readings: ArrayLike, *, tolerance: float | None = None, pool: bool | None = None
) -> VarianceStudy:
    """
    Repeatability, reproducibility and interaction by analysis of variance.

    Parameters
    ----------
    readings : array_like, shape (appraisers, parts, trials)
        At least 2 of each.
    tolerance : float, optional
        Width of the tolerance.
    pool : bool, optional
        Count the interaction as repeatability; None: when its p-value is above 0.25.

    Returns
    -------
    VarianceStudy

    Raises
    ------
    ValueError
        Too few of anything, values that are not finite, or readings that are all alike.

    References
    ----------
    .. [1] Montgomery, Introduction to Statistical Quality Control, capability chapter.
    """
    from scipy.special import fdtrc

    x = _checked(readings)
    people, parts, trials = x.shape
    if people < 2:
        raise ValueError("one appraiser; an analysis of variance needs 2, or use repeat_study")
    _refuse_alike(x)
    grand, cell = x.mean(), x.mean(axis=2)
    by_person, by_part = x.mean(axis=(1, 2)), x.mean(axis=(0, 2))
    ss_person = parts * trials * float(((by_person - grand) ** 2).sum())
    ss_part = people * trials * float(((by_part - grand) ** 2).sum())
    mixed = cell - by_person[:, None] - by_part[None, :] + grand
    ss_mixed = trials * float((mixed**2).sum())
    ss_repeat = float(((x - cell[..., None]) ** 2).sum())
    ss_total = float(((x - grand) ** 2).sum())
    df = (people - 1, parts - 1, (people - 1) * (parts - 1), people * parts * (trials - 1))
    ss = (ss_person, ss_part, ss_mixed, ss_repeat)
    ms = [s / d for s, d in zip(ss, df, strict=True)]
    f = ms[2] / ms[3] if ms[3] > 0 else math.inf
    p = float(fdtrc(df[2], df[3], f)) if math.isfinite(f) else 0.0
    pooled = p > POOL_ABOVE if pool is None else pool
    error, error_df = ms[3], df[3]
    if pooled:
        error, error_df = (ss_mixed + ss_repeat) / (df[2] + df[3]), df[2] + df[3]
    squares = _Squares(ms[0], ms[1], error if pooled else ms[2], error)
    freedom = _Squares(df[0], df[1], error_df if pooled else df[2], error_df)
    spread = _components(squares, x.shape, tolerance)
    beside = error if pooled else ms[2]
    beside_df = error_df if pooled else df[2]
    lines = (
        _line("appraiser", ss[0], df[0], beside, beside_df),
        _line("part", ss[1], df[1], beside, beside_df),
        Line("interaction", ss[2], df[2], ms[2], f, p),
        Line("repeat", ss[3], df[3], ms[3]),
        Line("total", ss_total, people * parts * trials - 1, ss_total / (x.size - 1)),
    )
    repeat_bounds, gauge_bounds = _bounds(squares, freedom, x.shape, pooled)
    return VarianceStudy(spread, lines, pooled, repeat_bounds, gauge_bounds)


@dataclass(frozen=True)
class _Squares:
    """Mean squares, or their degrees of freedom; arrays where many are drawn at once."""

    person: float | Array
    part: float | Array
    mixed: float | Array
    repeat: float | Array


def _variances(ms: _Squares, shape: tuple[int, ...]) -> tuple[Array, Array, Array, Array]:
    """Variances of repeat, people, interaction and part from mean squares."""
    people, parts, trials = shape
    return (
        np.asarray(ms.repeat),
        np.maximum(np.asarray(ms.person) - ms.mixed, 0) / (parts * trials),
        np.maximum(np.asarray(ms.mixed) - ms.repeat, 0) / trials,
        np.maximum(np.asarray(ms.part) - ms.mixed, 0) / (people * trials),
    )


def _components(ms: _Squares, shape: tuple[int, ...], tolerance: float | None) -> Spread:
    repeat, person, mixed, part = (float(np.sqrt(v)) for v in _variances(ms, shape))
    return Spread(repeat, person, mixed, part, tolerance)


def _line(source: str, ss: float, df: int, beside: float, beside_df: float) -> Line:
    from scipy.special import fdtrc

    f = ss / df / beside if beside > 0 else math.inf
    p = float(fdtrc(df, beside_df, f)) if math.isfinite(f) else 0.0
    return Line(source, ss, df, ss / df, f, p)


def _bounds(
    ms: _Squares, df: _Squares, shape: tuple[int, ...], pooled: bool
) -> tuple[tuple[float, float], tuple[float, float]]:
    """95 % bounds of repeatability and of the gauge, over an evenly spread lattice."""
    from scipy.special import chdtri

    # Kronecker lattice in three dimensions (Roberts): steps are powers of the root of x⁴ = x + 1.
    steps = 1 / 1.2207440846057596 ** np.arange(1, 4)
    u = (0.5 + np.arange(1, 4097)[:, None] * steps) % 1.0
    repeat = np.asarray(ms.repeat) * df.repeat / chdtri(df.repeat, u[:, 0])
    person = np.asarray(ms.person) * df.person / chdtri(df.person, u[:, 1])
    mixed = repeat if pooled else np.asarray(ms.mixed) * df.mixed / chdtri(df.mixed, u[:, 2])
    variances = _variances(_Squares(person, ms.part, mixed, repeat), shape)
    gauge = np.sqrt(variances[0] + variances[1] + variances[2])
    low, high = (
        math.sqrt(float(np.asarray(ms.repeat) * df.repeat / chdtri(df.repeat, p)))
        for p in (0.025, 0.975)
    )
    ends = np.quantile(gauge, (0.025, 0.975))
    return (low, high), (float(ends[0]), float(ends[1]))


@dataclass(frozen=True)
class RepeatStudy:
    """
    One person measuring parts again: repeatability only.

    Attributes
    ----------
    mean, mean_range : float
        Of all readings; of the trials of each part.
    gauge, total, part : float
        Spreads of the gauge, of all readings and of the parts. [unit of the readings]
    share_of_tolerance : float or None
        Six gauge spreads over the tolerance.
    """

    mean: float
    mean_range: float
    gauge: float
    total: float
    part: float
    share_of_tolerance: float | None


def repeat_study(readings: ArrayLike, *, tolerance: float | None = None) -> RepeatStudy:
    """
    Gauge spread of one person from parts measured more than once.

    Parameters
    ----------
    readings : array_like, shape (parts, trials)
        At least 2 parts and 2 trials.
    tolerance : float, optional
        Width of the tolerance.

    References
    ----------
    .. [1] Montgomery, Introduction to Statistical Quality Control, capability chapter.

    Examples
    --------
    >>> found = repeat_study([[21, 20], [24, 23], [20, 21]], tolerance=55)
    >>> round(found.gauge, 3), round(found.share_of_tolerance, 3)
    (0.886, 0.097)
    """
    x = np.asarray(readings, float)
    if x.ndim != 2 or min(x.shape) < 2 or not np.all(np.isfinite(x)):
        raise ValueError("readings must be finite and of shape (parts, trials), 2 of each at least")
    mean_range = float(np.ptp(x, axis=1).mean())
    gauge, total = mean_range / sigma.d2(x.shape[1]), float(x.std(ddof=1))
    part = math.sqrt(max(total**2 - gauge**2, 0.0))
    share = None if tolerance is None else 6 * gauge / tolerance
    return RepeatStudy(float(x.mean()), mean_range, gauge, total, part, share)


def _checked(readings: ArrayLike) -> Array:
    x = np.asarray(readings, float)
    if x.ndim != 3 or x.shape[1] < 2 or x.shape[2] < 2:
        raise ValueError(
            f"readings have shape {x.shape}; (appraisers, parts, trials) is needed, with at least "
            "2 parts and 2 trials"
        )
    if not np.all(np.isfinite(x)):
        raise ValueError("readings hold values that are not finite")
    return x


def _refuse_alike(x: Array) -> None:
    """Without any spread there is nothing to take apart, and no share of it."""
    if np.ptp(x) == 0:
        raise ValueError(
            "all readings are alike; the gauge's step is too coarse to tell these parts apart: "
            "read them in finer steps, or take parts that differ"
        )
