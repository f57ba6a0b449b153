"""Charts of single parts, and of means with ranges or standard deviations."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc import sigma as spread
from spc.charts.limits import (
    MOVING_RANGE,
    Base,
    Chart,
    ChartPair,
    ControlLimits,
    Floats,
    FrozenLimits,
    base_of,
    chart,
    in_base,
)

BaseSpan = Base | Sequence[int] | None
Groups = ArrayLike | Sequence[ArrayLike]
OfGroups = Callable[[Floats], Floats]
OfSize = Callable[[int], float]


def individuals(x: ArrayLike) -> ControlLimits:
    """
    Three-sigma limits for single parts, from the mean moving range.

    Parameters
    ----------
    x : array_like, shape (n,)
        Deviations from nominal in grinding order, ``n >= 2``; NaN is a missing one. [µm]

    Returns
    -------
    ControlLimits
        In the unit of `x`.

    Notes
    -----
    Neighbours say nothing of slow wear, so a drifting run signals by design;
    `trended` follows the wheel instead [1]_.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.2.

    Examples
    --------
    >>> individuals([1.0, 3.0, 2.0, 4.0]).center
    2.5
    """
    x = np.asarray(x, dtype=float)
    center, reach = spread.mean(x), 3 * spread.from_moving_range(x)
    return ControlLimits(center, center - reach, center + reach)


@dataclass(frozen=True)
class Level:
    """Level and sigma a chart is drawn from, and the base they were estimated on."""

    center: float
    sigma: float
    base: Base | None


def level_and_spread(
    x: Floats,
    *,
    center: float | None = None,
    sigma: float | None = None,
    size: int = 1,
    base: BaseSpan = None,
    frozen: FrozenLimits | None = None,
    median: bool = False,
) -> Level:
    """
    Level and sigma of single parts: as given, as frozen, or from the base's moving ranges.

    Parameters
    ----------
    x : ndarray, shape (n,)
        Single parts, or means of `size` parts.
    center, sigma : float, optional
        Given ones go first.
    size : int
        Parts each point is the mean of: sigma is that of one part.
    base, frozen, median
        As for `individuals_chart`.
    """
    if size < 1:
        raise ValueError(f"points that are means of {size} parts: at least 1 is needed")
    if frozen is not None:
        center = frozen.center if center is None else center
        sigma = frozen.sigma if sigma is None else sigma
    if sigma is not None and not (sigma >= 0 and np.isfinite(sigma)):
        raise ValueError(f"sigma {sigma:g}: a finite number of at least 0 is needed")
    if center is not None and sigma is not None:
        return Level(center, sigma, None)
    found = base_of(base, len(x))
    span = in_base(x, found)
    if center is None:
        center = spread.mean(span)
    if sigma is None:
        sigma = spread.from_moving_range(span, median=median) * size**0.5
    return Level(center, sigma, found)


def individuals_chart(
    x: ArrayLike,
    *,
    base: BaseSpan = None,
    frozen: FrozenLimits | None = None,
    median: bool = False,
) -> ChartPair:
    """
    Single parts, and the steps between neighbours, with limits from the base span.

    Parameters
    ----------
    x : array_like, shape (n,)
        One value a part in grinding order; NaN is a missing one. [µm]
    base : Base, (first, last) or None
        Positions the limits come from, both included; None: all.
    frozen : FrozenLimits, optional
        Judge by these instead of estimating.
    median : bool
        Sigma from the median moving range, against a base with outliers in it.

    Returns
    -------
    ChartPair
        `location` the values, `spread` the moving ranges (its first point is NaN). Ranges
        that touch an excluded or missing point do not enter the limits.

    References
    ----------
    .. [1] ISO 7870-2:2023, charts for individuals and moving ranges (from memory).

    Examples
    --------
    >>> pair = individuals_chart([1.0, 3.0, 2.0, 4.0, 9.0], base=(0, 3))
    >>> pair.location.beyond
    array([False, False, False, False,  True])
    """
    x = np.asarray(x, dtype=float)
    steps = np.empty_like(x)
    steps[:1] = np.nan
    np.abs(np.subtract(x[1:], x[:-1], out=steps[1:]), out=steps[1:])
    given = None
    if frozen is None:
        found = base_of(base, len(x))
        if not found.excluded:
            given = spread.from_steps(steps[found.first + 1 : found.last + 1], median=median)
    level = level_and_spread(x, sigma=given, base=base, frozen=frozen, median=median)
    return ChartPair(
        chart("individual", x, level.center, 3 * level.sigma, sigma=level.sigma, base=level.base),
        _spread_chart(MOVING_RANGE, steps, spread.d2(2), spread.d3(2), level.sigma, level.base),
    )


def averages_range_chart(
    groups: Groups,
    *,
    base: BaseSpan = None,
    frozen: FrozenLimits | None = None,
    median: bool = False,
) -> ChartPair:
    """
    Means of groups, and their ranges, with limits from the base span.

    Parameters
    ----------
    groups : array_like, shape (k, m), or sequence of k array_likes of any length
        Parts ground close together make a group; NaN is a missing reading. [µm]
    base : Base, (first, last) or None
        Positions of groups, both included; None: all.
    frozen : FrozenLimits, optional
        Judge by these instead of estimating.
    median : bool
        Sigma from the median range.

    Returns
    -------
    ChartPair
        The centre is the mean of all readings of the base; limits follow each group's size.

    References
    ----------
    .. [1] ISO 7870-2:2023, mean and range charts (from memory).

    Examples
    --------
    >>> pair = averages_range_chart([[1.0, 3.0], [2.0, 2.0], [0.0, 4.0]])
    >>> pair.location.limits.center, round(pair.spread.limits.upper, 3)
    (2.0, 6.533)
    """
    return _grouped(
        groups,
        base,
        frozen,
        lambda table: spread.from_ranges(table, median=median),
        ("range", spread.ranges, spread.d2, spread.d3),
    )


def averages_s_chart(
    groups: Groups,
    *,
    base: BaseSpan = None,
    frozen: FrozenLimits | None = None,
    pooled: bool = False,
) -> ChartPair:
    """
    Means of groups, and their standard deviations, with limits from the base span.

    Parameters
    ----------
    groups, base, frozen
        As for `averages_range_chart`.
    pooled : bool
        Sigma from all squared deviations together instead of the mean s over c4.

    Returns
    -------
    ChartPair
        Limits follow each group's size.

    References
    ----------
    .. [1] ISO 7870-2:2023, mean and standard deviation charts (from memory).

    Examples
    --------
    >>> pair = averages_s_chart([[1.0, 2.0, 3.0], [2.0, 3.0, 4.0], [1.0, 3.0, 5.0]])
    >>> round(pair.location.sigma, 4)
    1.5045
    """
    return _grouped(
        groups,
        base,
        frozen,
        spread.pooled if pooled else spread.from_deviations,
        ("standard deviation", spread.deviations, spread.c4, spread.s_error),
    )


def medians_chart(
    groups: Groups, *, base: BaseSpan = None, frozen: FrozenLimits | None = None
) -> ChartPair:
    """
    Medians of groups, which one wild reading cannot move, and their ranges.

    Parameters
    ----------
    groups, base, frozen
        As for `averages_range_chart`.

    Returns
    -------
    ChartPair
        The centre is the mean of the medians, sigma comes from the ranges.

    References
    ----------
    .. [1] ISO 7870-2:2023, median charts (from memory).

    Examples
    --------
    >>> medians_chart([[1.0, 2.0, 9.0], [1.0, 3.0, 4.0]]).location.limits.center
    2.5
    """
    return _grouped(
        groups,
        base,
        frozen,
        spread.from_ranges,
        ("range", spread.ranges, spread.d2, spread.d3),
        location=("median", _medians, spread.median_error),
    )


def _grouped(
    groups: Groups,
    base: BaseSpan,
    frozen: FrozenLimits | None,
    estimate: Callable[[Floats], float],
    variation: tuple[str, OfGroups, OfSize, OfSize],
    *,
    location: tuple[str, OfGroups, OfSize] | None = None,
) -> ChartPair:
    table = spread.as_groups(groups)
    count = spread.sizes(table)
    name, plotted, error = location or ("mean", spread.means, lambda n: n**-0.5)
    values = plotted(table)
    found = None
    if frozen:
        center, within = frozen.center, frozen.sigma
    else:
        found = base_of(base, len(table))
        span = in_base(table, found)
        within = estimate(span)
        # The mean of all readings weights groups by their size; medians count alike.
        center = spread.mean(span if location is None else in_base(values, found))
    reach = 3 * within * np.where(count == 1, 1.0, spread.per_size(error, count))
    what, of_group, expected, sd = variation
    return ChartPair(
        chart(name, values, center, reach, sigma=within, base=found),
        _spread_chart(
            what,
            of_group(table),
            spread.per_size(expected, count),
            spread.per_size(sd, count),
            within,
            found,
        ),
    )


def _medians(table: Floats) -> Floats:
    ordered = np.sort(table, axis=1)  # NaN goes last
    count = spread.sizes(table)
    row = np.arange(len(table))
    middle = (
        ordered[row, np.maximum(count - 1, 0) // 2]
        + ordered[row, np.minimum(count // 2, table.shape[1] - 1)]
    )
    return np.where(count > 0, middle / 2, np.nan)


def _spread_chart(
    name: str,
    values: Floats,
    expected: ArrayLike,
    error: ArrayLike,
    within: float,
    base: Base | None,
) -> Chart:
    center = np.asarray(expected) * within
    reach = 3 * np.asarray(error) * within
    return chart(name, values, center, reach, sigma=within, base=base, floor=0.0)
