"""Charts that follow the wheel: a line through each dress cycle, judged about that line."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.charts.limits import Chart, Floats, FrozenLimits, base_of
from spc.charts.shewhart import BaseSpan
from spc.errors import NotEnough

# The share outside three standard errors of a normal value, 2 * 0.001349898.
_OUTSIDE = math.erfc(3 / math.sqrt(2))


@dataclass(frozen=True, eq=False)
class SlopingChart(Chart):
    """
    Single parts about the line of one dress cycle.

    Attributes
    ----------
    slope, intercept : float
        Of the line over parts since the dress; `intercept` is the level at 0.
    slope_error, intercept_error, r_squared : float
        Standard errors, and the share of the base's variation the line explains.
    slope_interval : tuple of float
        95 % interval of the slope.
    """

    slope: float
    intercept: float
    slope_error: float
    intercept_error: float
    r_squared: float
    slope_interval: tuple[float, float]


def sloping_chart(since_dress: ArrayLike, y: ArrayLike, *, base: BaseSpan = None) -> SlopingChart:
    """
    One dress cycle about its line, with limits that widen where the line is less known.

    Parameters
    ----------
    since_dress : array_like, shape (n,)
        Parts since the dress, or any measure of wear.
    y : array_like, shape (n,)
        Deviation of each part, offsets taken out; NaN is a missing one. [µm]
    base : Base, (first, last) or None
        Positions the line and its spread come from, both included; None: all.

    Returns
    -------
    SlopingChart
        `sigma` is the standard deviation about the line, ``n - 2`` degrees of freedom.

    Raises
    ------
    NotEnough
        With fewer than three parts in the base, or all at one place.

    Notes
    -----
    Limits are those of one further part: ``t * sigma * sqrt(1 + 1/n + (x - mean)**2 / Sxx)``,
    t leaving outside the same 0.27 % as three standard errors do when sigma is known, so ten
    parts give wider limits than fifty [1]_. For the parts of the base themselves, which pulled
    the line towards them, this is a little too wide: they cry wolf more seldom than said. The
    chart judges what the slope does not explain; it says nothing of nearness to tolerance.

    References
    ----------
    .. [1] Draper & Smith, Applied Regression Analysis, section 1.4 (from memory).
    .. [2] B. J. Mandel (1969), The regression control chart, J. Quality Technology 1, 1-9
       (from memory).

    Examples
    --------
    >>> chart = sloping_chart([1, 2, 3, 4, 5], [0.1, 0.9, 2.1, 2.9, 4.0])
    >>> round(chart.slope, 3), round(chart.intercept, 3)
    (0.98, -0.94)
    """
    x, y = np.asarray(since_dress, dtype=float), np.asarray(y, dtype=float)
    if x.shape != y.shape:
        raise ValueError(f"{len(x)} places and {len(y)} values: one of each a part is needed")
    base = base_of(base, len(y))
    used = base.mask(len(y)) & ~np.isnan(x) & ~np.isnan(y)
    n = int(used.sum())
    if n < 3 or np.ptp(x[used]) == 0:
        raise NotEnough(f"{n} parts in the base: a line needs three, at more than one place")
    fit = _line(x[used], y[used])
    away = x - fit.middle
    line = fit.level + fit.slope * away
    error = fit.sigma * np.sqrt(1 + 1 / n + away**2 / fit.sxx)
    reach = _t(n - 2, _OUTSIDE) * error
    slope_error = fit.sigma / math.sqrt(fit.sxx)
    half = _t(n - 2, 0.05) * slope_error
    return SlopingChart(
        "individual about the wear line",
        y,
        line,
        line - reach,
        line + reach,
        sigma=fit.sigma,
        base=base,
        slope=fit.slope,
        intercept=fit.level - fit.slope * fit.middle,
        slope_error=slope_error,
        intercept_error=fit.sigma * math.sqrt(1 / n + fit.middle**2 / fit.sxx),
        r_squared=fit.r_squared,
        slope_interval=(fit.slope - half, fit.slope + half),
    )


@dataclass(frozen=True)
class _Line:
    slope: float
    level: float  # at `middle`
    middle: float
    sxx: float
    sigma: float
    r_squared: float


def _line(x: Floats, y: Floats) -> _Line:
    # Centred, then corrected by fitting what the first pass left over: certified lines are
    # met to 12 digits and better.
    middle, sxx = float(x.mean()), 0.0
    away = x - middle
    middle += float(away.mean())
    away = x - middle
    sxx = float(away @ away)
    level, slope = float(y.mean()), 0.0
    for _ in range(2):
        left = y - level - slope * away
        level += float(left.mean())
        slope += float(away @ left) / sxx
    left = y - level - slope * away
    squares, whole = float(left @ left), float(((y - level) ** 2).sum())
    return _Line(
        slope,
        level,
        middle,
        sxx,
        math.sqrt(squares / (len(x) - 2)),
        1 - squares / whole if whole else 1.0,
    )


def _t(degrees: float, outside: float) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(degrees, 1 - outside / 2))


@dataclass(frozen=True, eq=False)
class CyclesChart(Chart):
    """
    Single parts, each about the line of its own dress cycle.

    Attributes
    ----------
    slopes, levels : ndarray, shape (cycles,)
        Of each cycle's line, cycles in the order of their numbers; `levels` at 0 parts since
        the dress.
    slope : float
        Common to all cycles.
    slope_spread : float
        Standard deviation of the slope from cycle to cycle, beyond chance.
    degrees : int
        Degrees of freedom of sigma; 0 when it was given.
    """

    slopes: Floats
    levels: Floats
    slope: float
    slope_spread: float
    degrees: int


def cycles_chart(
    cycle: ArrayLike,
    since_dress: ArrayLike,
    y: ArrayLike,
    *,
    base: BaseSpan = None,
    frozen: FrozenLimits | None = None,
    apart: Sequence[int] = (),
) -> CyclesChart:
    """
    A whole run about the lines of its dress cycles, with one sigma for all.

    Parameters
    ----------
    cycle : array_like of int, shape (n,)
        Dress cycle of each part; any numbers.
    since_dress : array_like, shape (n,)
        Parts since the dress.
    y : array_like, shape (n,)
        Deviation of each part, offsets taken out; NaN is a missing one. [µm]
    base : Base, (first, last) or None
        Positions that sigma comes from; None: all. Points it excludes do not draw their line
        either. Lines and the common slope come from the whole run.
    frozen : FrozenLimits, optional
        Take sigma and the common slope from here.
    apart : sequence of int
        Positions that draw no line, known to stand on another level than their cycle's others.
        Sigma of the base counts them all the same.

    Returns
    -------
    CyclesChart

    Raises
    ------
    NotEnough
        When the base leaves nothing to judge spread by: it needs a cycle of three parts, or
        two cycles of two.

    Notes
    -----
    Each cycle has its own level. Its slope is drawn towards the common one by as much as chance
    explains the difference, ``tau**2 / (tau**2 + sigma**2 / Sxx)``, with the spread ``tau`` of
    slopes between cycles by the method of moments [1]_; so a cycle of two parts borrows the
    common slope, and a long one keeps its own. Limits are those of one further part of the
    cycle, as in `sloping_chart`: wide where a cycle is short, and a little too wide for parts
    that drew the line themselves. A part beyond them does not draw its line: the farthest of
    each cycle is taken out and the lines drawn anew until none is left, but never more than
    half of a cycle. Sigma still counts it, unless the base excludes it with a reason.

    References
    ----------
    .. [1] R. DerSimonian and N. Laird (1986), Controlled Clinical Trials 7, 177-188, equation
       for the variance between (from memory).

    Examples
    --------
    >>> chart = cycles_chart([0] * 4 + [1] * 4, [1, 2, 3, 4] * 2,
    ...                      [0.0, 1.1, 1.9, 3.0, 5.0, 6.1, 6.9, 8.0])
    >>> round(chart.slope, 2), chart.levels.round(2)
    (0.98, array([-0.95,  4.05]))
    """
    from_cycle, x, y = _checked(cycle, since_dress, y)
    names, place = np.unique(from_cycle, return_inverse=True)
    base = base_of(base, len(y))
    drawn = ~np.isnan(x) & ~np.isnan(y)
    drawn[list(base.excluded)] = False
    of_base = None if frozen else _Sums(place, x, y, drawn & base.mask(len(y)), len(names))
    drawn[list(apart)] = False
    # Values exactly on their lines leave the noise of the arithmetic, which is no signal.
    least = 1e-9 * float(np.abs(y[drawn]).max(initial=0.0))
    half = np.bincount(place[drawn], minlength=len(names)) / 2
    while True:
        lines = _lines(place, x, y, drawn, of_base, frozen, len(names))
        center, error = lines.at(place, x)
        reach = np.maximum(lines.times * error, least)
        wild = _wildest(place, np.abs(y - center) - reach, drawn, lines.each.count > half)
        if not len(wild):
            break
        drawn[wild] = False
    return CyclesChart(
        "individual about the wear lines",
        y,
        center,
        center - reach,
        center + reach,
        sigma=lines.sigma,
        base=None if frozen else base,
        slopes=lines.slopes,
        levels=lines.each.y - lines.slopes * lines.each.x,
        slope=lines.slope,
        slope_spread=math.sqrt(lines.tau2),
        degrees=lines.degrees,
    )


def _wildest(place: NDArray[Any], over: Floats, drawn: Any, more_than_half: Any) -> NDArray[Any]:
    """The point farthest beyond its limits in each cycle, while half of the cycle remains."""
    candidates = np.flatnonzero(drawn & (over > 0) & more_than_half[place])
    ordered = candidates[np.argsort(-over[candidates], kind="stable")]
    _, first = np.unique(place[ordered], return_index=True)
    return ordered[first]


@dataclass(frozen=True, eq=False)
class _Lines:
    each: "_Sums"
    slope: float
    slopes: Floats
    unknown2: Floats  # variance of each cycle's slope
    tau2: float
    sigma: float
    degrees: int
    times: float  # limits stand so many standard errors from the line

    def at(self, place: NDArray[Any], x: Floats) -> tuple[Floats, Floats]:
        """The lines at each part, and the standard error of one further part there."""
        away = x - self.each.x[place]
        known = 1 + 1 / np.maximum(self.each.count, 1)[place]
        center = self.each.y[place] + self.slopes[place] * away
        return center, np.sqrt(self.sigma**2 * known + away**2 * self.unknown2[place])


def _lines(
    place: NDArray[Any],
    x: Floats,
    y: Floats,
    drawn: Any,
    of_base: "_Sums | None",
    frozen: FrozenLimits | None,
    cycles: int,
) -> _Lines:
    each = _Sums(place, x, y, drawn, cycles)
    if of_base is None:
        assert frozen is not None
        slope, within, degrees, times = frozen.slope, frozen.sigma, 0, 3.0
        slope_error2 = 0.0
    else:
        slope = each.common_slope
        within, degrees = _about_lines(of_base, slope)
        times = _t(degrees, _OUTSIDE)
    tau2 = _between(each, slope, within)
    if of_base is not None:
        slope_error2 = each.slope_error2(tau2, within)
    # The share of its own slope that a cycle gives up, and how far its line is then unknown.
    own = tau2 * each.sxx + within**2
    borrowed = np.divide(within**2, own, out=np.ones_like(own), where=own > 0)
    slopes = each.slope + borrowed * (slope - each.slope)
    unknown2 = borrowed * tau2 + borrowed**2 * slope_error2
    return _Lines(each, slope, slopes, unknown2, tau2, within, degrees, times)


def _checked(*columns: ArrayLike) -> tuple[NDArray[Any], Floats, Floats]:
    cycle, x, y = (np.asarray(column) for column in columns)
    if not cycle.shape == x.shape == y.shape or y.ndim != 1:
        raise ValueError(
            f"{len(cycle)} cycle numbers, {len(x)} places and {len(y)} values: "
            "one of each a part is needed"
        )
    return cycle, x.astype(float), y.astype(float)


class _Sums:
    """Counts, means and sums of squares of each cycle, over the points in use."""

    def __init__(self, place: NDArray[Any], x: Floats, y: Floats, used: Any, cycles: int) -> None:
        at = place[used]

        def per_cycle(values: Floats | None = None) -> Floats:
            return np.bincount(at, weights=values, minlength=cycles).astype(float)

        self.count = per_cycle()
        some = np.where(self.count > 0, self.count, np.nan)
        self.x, self.y = per_cycle(x[used]) / some, per_cycle(y[used]) / some
        dx, dy = x[used] - self.x[at], y[used] - self.y[at]
        self.sxx, self.sxy, self.syy = per_cycle(dx * dx), per_cycle(dx * dy), per_cycle(dy * dy)
        self.slope = np.divide(self.sxy, self.sxx, out=np.zeros_like(self.sxx), where=self.sxx > 0)

    @property
    def common_slope(self) -> float:
        if not self.sxx.sum() > 0:
            raise NotEnough("no dress cycle has two measured parts: no drift can be seen")
        return float(self.sxy.sum() / self.sxx.sum())

    def slope_error2(self, tau2: float, within: float) -> float:
        """Variance of the common slope, slopes differing by `tau2` between cycles."""
        whole = float(self.sxx.sum())
        return within**2 / whole + tau2 * float((self.sxx**2).sum()) / whole**2


def _about_lines(each: _Sums, slope: float) -> tuple[float, int]:
    """Sigma about the cycles' own lines, and its degrees of freedom."""
    own = each.sxx > 0
    degrees = int((each.count[own] - 2).sum())
    squares = float((each.syy - each.slope * each.sxy)[own].sum())
    if degrees < 1:  # no cycle of three parts: the common slope must serve for all
        degrees = int((each.count[own] - 1).sum()) - 1
        squares = float((each.syy - 2 * slope * each.sxy + slope**2 * each.sxx).sum())
    if degrees < 1:
        raise NotEnough(
            "the base is too short to see spread about a line: "
            "it needs a dress cycle of three parts, or two of two"
        )
    return math.sqrt(max(squares, 0.0) / degrees), degrees


def _between(each: _Sums, slope: float, within: float) -> float:
    """Variance of the slope from cycle to cycle, beyond chance."""
    sxx = each.sxx[each.sxx > 0]
    if len(sxx) < 2:
        return 0.0
    spread = float((each.sxx * (each.slope - slope) ** 2).sum())
    weight = float(sxx.sum() - (sxx**2).sum() / sxx.sum())
    return max(0.0, (spread - (len(sxx) - 1) * within**2) / weight)
