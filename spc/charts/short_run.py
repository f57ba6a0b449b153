"""Charts for short batches: many jobs on one chart, or one that judges itself from the start."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc import sigma as spread
from spc.charts.limits import Chart, ChartPair, Floats, FrozenLimits, base_of, chart, in_base
from spc.charts.shewhart import BaseSpan, individuals_chart


def deviation_chart(
    x: ArrayLike,
    nominal: ArrayLike,
    *,
    base: BaseSpan = None,
    frozen: FrozenLimits | None = None,
    job: ArrayLike | None = None,
) -> ChartPair:
    """
    Several jobs on one chart, each as its deviation from its own nominal.

    Parameters
    ----------
    x : array_like, shape (n,)
        Sizes in grinding order; NaN is a missing one. [unit of the data]
    nominal : array_like, shape (n,) or a number
        Nominal, or target, of each part's job.
    base, frozen
        As for `shewhart.individuals_chart`.
    job : array_like, shape (n,), optional
        Name or number of each part's job: no moving range is taken across a change.

    Returns
    -------
    ChartPair
        In deviations. Presumes one sigma for all jobs; where it differs, `standardised_chart`.

    References
    ----------
    .. [1] S. A. Wise and D. C. Fair (1997), Innovative Control Charting (from memory);
       ISO 7870-8, charting short runs and small mixed batches (from memory).

    Examples
    --------
    >>> pair = deviation_chart([25.003, 25.001, 40.002, 40.004], [25, 25, 40, 40])
    >>> pair.location.values.round(3)
    array([0.003, 0.001, 0.002, 0.004])
    """
    away = np.asarray(x, dtype=float) - np.asarray(nominal, dtype=float)
    return _across_jobs(away, job, "deviation from nominal", base, frozen)


def standardised_chart(
    x: ArrayLike,
    job: ArrayLike,
    *,
    center: Mapping[Any, float] | None = None,
    sigma: Mapping[Any, float] | None = None,
    base: BaseSpan = None,
) -> ChartPair:
    """
    Jobs of different spread on one chart, each part in its job's sigmas from its level.

    Parameters
    ----------
    x : array_like, shape (n,)
        Sizes or deviations in grinding order; NaN is a missing one. [unit of the data]
    job : array_like, shape (n,)
        Name or number of each part's job.
    center, sigma : mapping of job to float, optional
        Level, usually the target, and sigma of a part. A job that is left out has them from its
        own parts of the base: mean, and moving ranges within the job.
    base : Base, (first, last) or None
        Positions that levels and sigmas come from; None: all.

    Returns
    -------
    ChartPair
        Centre 0, limits 3; moving ranges of the standardised values, none across a change.

    References
    ----------
    .. [1] ISO 7870-8, charting short runs and small mixed batches (from memory).

    Examples
    --------
    >>> pair = standardised_chart([12.0, 9.0], ["a", "b"], center={"a": 10, "b": 10},
    ...                           sigma={"a": 2.0, "b": 0.5})
    >>> pair.location.values
    array([ 1., -2.])
    """
    x, names = np.asarray(x, dtype=float), np.asarray(job)
    if x.shape != names.shape:
        raise ValueError(f"{len(x)} values and {len(names)} jobs: one of each a part is needed")
    center, sigma = dict(center or {}), dict(sigma or {})
    found = base_of(base, len(x))
    used = found.mask(len(x))
    standard = np.empty(len(x))
    for name in np.unique(names):
        mine = names == name
        key = name.item() if hasattr(name, "item") else name
        level, one = center.get(key), sigma.get(key)
        of_base = x[mine & used]
        if level is None:
            level = spread.mean(of_base)
        if one is None:
            one = spread.from_moving_range(of_base)
        if not one > 0:
            raise ValueError(f"job {key}: sigma {one:g}; it must be above 0")
        standard[mine] = (x[mine] - level) / one
    given = FrozenLimits(center=0.0, sigma=1.0)
    return _across_jobs(standard, names, "standardised", None, given)


def self_starting_chart(x: ArrayLike) -> Chart:
    """
    A batch judged from its third part on, each part by those before it.

    Parameters
    ----------
    x : array_like, shape (n,)
        Values in grinding order; NaN is a missing one. [unit of the data]

    Returns
    -------
    Chart
        Independent standard normal values while level and sigma stay what they are, centre 0 and
        limits 3; the first two are NaN. No base is needed.

    Notes
    -----
    A shift is taken into the running mean, so a lasting one shows for a few parts only: look at
    it when it shows, and use a run on one side beside the limits.

    References
    ----------
    .. [1] C. P. Quesenberry (1991), SPC Q charts for start-up processes and short or long runs,
       J. Quality Technology 23, 213-224 (from memory): level and sigma unknown.

    Examples
    --------
    >>> self_starting_chart([1.0, 2.0, 1.5, 1.6, 30.0]).values.round(2)
    array([ nan,  nan, 0.  , 0.15, 4.43])
    """
    from scipy.special import ndtri, stdtr

    x = np.asarray(x, dtype=float)
    present = x[~np.isnan(x)]
    scores = np.full(len(present), np.nan)
    if len(present) > 2:
        mean, sd = _running(present)
        r = np.arange(3, len(present) + 1)
        # Part r against the mean and standard deviation of the r - 1 before it.
        away = present[2:] - mean[1:-1]
        with np.errstate(divide="ignore", invalid="ignore"):
            t = np.where(away == 0, 0.0, np.sqrt((r - 1) / r) * away / sd[1:-1])
        # The smaller tail keeps its digits on both sides.
        scores[2:] = 0.0 - np.sign(t) * ndtri(stdtr(r - 2, -np.abs(t)))
    values = np.full(len(x), np.nan)
    values[~np.isnan(x)] = scores
    return chart("score by the parts before", values, 0.0, 3.0, sigma=1.0, base=None)


def _running(x: Floats) -> tuple[Floats, Floats]:
    """Mean and standard deviation (divisor n - 1) of the first 1, 2, ... values."""
    n = np.arange(1, len(x) + 1)
    # About the first value, so that sums stay small beside the size of the parts.
    away = x - x[0]
    mean = np.cumsum(away) / n
    before = np.concatenate([[0.0], mean[:-1]])
    squares = np.cumsum((away - before) * (away - mean))
    with np.errstate(divide="ignore", invalid="ignore"):
        sd = np.sqrt(np.maximum(squares, 0.0) / (n - 1))
    return mean + x[0], sd


def _across_jobs(
    values: Floats,
    job: ArrayLike | None,
    statistic: str,
    base: BaseSpan,
    frozen: FrozenLimits | None,
) -> ChartPair:
    """Single values and moving ranges, without the range across a change of job."""
    level = frozen
    found = None if frozen else base_of(base, len(values))
    new = _changes(job, len(values))
    if found is not None:
        span = in_base(values, found)
        # A gap between jobs keeps the range across the change out of sigma.
        apart = np.insert(span, np.flatnonzero(new[found.first + 1 : found.last + 1]) + 1, np.nan)
        level = FrozenLimits(center=spread.mean(span), sigma=spread.from_moving_range(apart))
    pair = individuals_chart(values, frozen=level)
    ranges = np.where(new, np.nan, pair.spread.values)
    return ChartPair(
        replace(pair.location, statistic=statistic, base=found),
        replace(pair.spread, values=ranges, base=found),
    )


def _changes(job: ArrayLike | None, n: int) -> NDArray[np.bool_]:
    new = np.zeros(n, dtype=bool)
    if job is not None:
        names = np.asarray(job)
        if names.shape != (n,):
            raise ValueError(f"{n} values and {names.size} jobs: one of each a part is needed")
        new[1:] = names[1:] != names[:-1]
    return new
