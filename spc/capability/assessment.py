"""
One characteristic of one run, judged in the order an auditor asks.

Stable? Which time model? Which shape? Which index may be quoted? How sure is it?
"""

import math
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.capability import intervals
from spc.capability.fit_test import REFUSED_BELOW, FitTest, best_fit, fit_tests
from spc.capability.indices import QUANTILES, Index, quantile_indices
from spc.capability.intervals import Interval, fiducial_draws, parts_needed
from spc.capability.shapes import FOR_SIZES, FOR_ZERO_BOUNDED, Path, Shape, path_shape
from spc.capability.time_models import TimeModel, TimeParts, take_apart, time_model

Array = NDArray[np.float64]
#: Fewer parts carry no index: ISO 22514-3 asks for 30 at the least (from memory).
LEAST_PARTS = 30
#: Without an accepted shape the outer quantiles are read off the data from this number on.
EMPIRICAL_FROM = 2000
_UNSTABLE = (
    "not stable: the level or the spread changed beyond what wear explains, so no capability may "
    "be claimed; performance describes these parts only"
)


@dataclass(frozen=True)
class Portion:
    """
    One of the three numbers: within a dress cycle, as delivered, or with the drift compensated.

    `cp` needs both limits; `cpk` is the nearer limit. `words` say what the number stands for.
    """

    sigma: float | None
    cp: Index
    cpk: Index
    words: str


@dataclass(frozen=True)
class DriftSeen:
    """
    How much of the drift a moving-range estimate of spread sees, computed for this run.

    `drift_in_sigmas` is the drift of a dress cycle over the spread within; `moving_range` and
    `total` are the spreads a moving range and all parts show, over the spread within.
    """

    drift_in_sigmas: float
    moving_range: float
    total: float
    words: str


@dataclass(frozen=True, eq=False)
class Capability:
    """
    What may be claimed of one characteristic, and how sure it is. Lengths in µm.

    Attributes
    ----------
    n : int
        Parts measured.
    stable : bool
        As judged by the caller from the charts.
    model, model_words : str
        Time model of ISO 22514-2.
    shape : str
        Name of the shape as delivered; empty when none is accepted.
    within, total, compensated : Portion
        The three numbers.
    ppm : Index
        Expected parts per million outside the limits.
    budget : tuple of (name, sigma, share)
        Variance budget; shares of the total variance add up to 1. [name, µm, 1]
    allowed : tuple of str
        Indices that may be quoted.
    verdict : str
        One sentence.
    not_enough : str or None
        What is missing before the question can be answered, and how many parts would do.
    remarks : tuple of str
        What limits the claim: the gauge, the sampling, the number of dress cycles.
    """

    n: int
    stable: bool
    model: str
    model_words: str
    shape: str
    within: Portion
    total: Portion
    compensated: Portion
    ppm: Index
    budget: tuple[tuple[str, float, float], ...]
    allowed: tuple[str, ...]
    verdict: str
    not_enough: str | None
    remarks: tuple[str, ...] = ()
    drift_seen: DriftSeen | None = None
    asked: tuple[tuple[str, float, str], ...] = ()
    delivered: Shape | Path | None = field(default=None, repr=False)
    parts: TimeParts | None = field(default=None, repr=False)
    job: "_Job | None" = field(default=None, repr=False)

    @cached_property
    def shapes(self) -> tuple[FitTest, ...]:
        """Every shape tried on all parts, accepted ones first; tested when first asked for."""
        if self.job is None:
            return ()
        return fit_tests(self.job.families, self.job.y, step=self.job.step)


@dataclass(frozen=True, eq=False)
class _Job:
    """The question: readings, limits, and what is known of the gauge."""

    y: Array
    lower: float | None
    upper: float | None
    target: float | None
    stable: bool
    zero_bounded: bool
    gauge_sd: float | None
    step: float | None
    required: float

    @property
    def n(self) -> int:
        return len(self.y)

    @property
    def two_sided(self) -> bool:
        return self.lower is not None and self.upper is not None

    @property
    def families(self) -> tuple[str, ...]:
        return FOR_ZERO_BOUNDED if self.zero_bounded else FOR_SIZES

    @property
    def limits(self) -> dict[str, float | None]:
        return {"lower": self.lower, "upper": self.upper}


def assess(
    y: ArrayLike,
    *,
    cycle: ArrayLike,
    since_dress: ArrayLike,
    lower: float | None,
    upper: float | None,
    target: float | None,
    stable: bool,
    zero_bounded: bool = False,
    gauge_sd: float | None = None,
    step: float | None = None,
    register: ArrayLike | None = None,
    required: float = 1.33,
) -> Capability:
    """
    What may be claimed of one characteristic, and how sure it is.

    Parameters
    ----------
    y : array_like, shape (n,)
        Deviations in grinding order, one value a measured part. [µm]
    cycle : array_like of int, shape (n,)
        Dress cycle of each part.
    since_dress : array_like, shape (n,)
        Parts since the dress, 1 for the first part after it.
    lower, upper : float or None
        Limits, at least one. [µm]
    target : float or None
        Where the level should sit; None: one limit and no target. [µm]
    stable : bool
        Whether the charts, which follow the drift, found the process stable.
    zero_bounded : bool, default False
        The value cannot fall below zero (roundness, runout, roughness).
    gauge_sd : float, optional
        Standard deviation of the gauge. [µm]
    step : float, optional
        Rounding of the readings. [µm]
    register : array_like, shape (n,), optional
        Sum of the offsets in force at each part. [µm]
    required : float, default 1.33
        The index that the customer asks for.

    Returns
    -------
    Capability

    Raises
    ------
    ValueError
        No limit, crossed limits, lengths that differ, or values that are not finite.

    Notes
    -----
    Not stable: no capability index, performance only. Stable and without drift: the level and
    one shape carry all indices. With drift or scatter from dress to dress the shape delivered is
    the path of the run under its scatter, and bounds count the dress cycles seen, not only the
    parts.

    Examples
    --------
    >>> import numpy as np
    >>> y = np.random.default_rng(1).normal(0.0, 1.0, 120)
    >>> found = assess(y, cycle=np.zeros(120), since_dress=np.arange(1, 121), lower=-6.0,
    ...                upper=6.0, target=0.0, stable=True)
    >>> found.model, found.shape, found.allowed
    ('A1', 'normal', ('Cp', 'Cpk', 'Pp', 'Ppk'))
    """
    job = _Job(
        np.asarray(y, float), lower, upper, target, stable, zero_bounded, gauge_sd, step, required
    )
    _check(job, cycle, since_dress)
    if job.n < LEAST_PARTS or not np.ptp(job.y) > 0:
        return _too_little(job, _too_few(job))
    try:
        parts = take_apart(job.y, cycle=cycle, since_dress=since_dress, register=register)
    except ValueError as cause:
        return _too_little(job, f"not enough yet: {cause}")
    model = time_model(parts, job.y, step=step)
    delivered, replicas = _delivered(job, parts, model)
    total, ppm = _total(job, parts, model, delivered, replicas)
    within = _within(job, parts, model, total)
    compensated = _compensated(job, parts, model)
    allowed = _allowed(job, model, within, total)
    verdict, not_enough = _verdict(job, parts, model, within, total, compensated)
    return Capability(
        job.n, stable, model.name, model.words, "" if delivered is None else delivered.name,
        within, total, compensated, ppm, _budget(job, parts), allowed, verdict, not_enough,
        _remarks(job, parts, np.asarray(since_dress, float)), _drift_seen(job, parts), model.asked,
        delivered, parts, job,
    )  # fmt: skip


def _check(job: _Job, cycle: ArrayLike, since_dress: ArrayLike) -> None:
    if not job.n == len(np.asarray(cycle)) == len(np.asarray(since_dress)):
        raise ValueError("y, cycle and since_dress must have the same length")
    if job.lower is None and job.upper is None:
        raise ValueError("lower and upper are both None; a claim needs at least one limit")
    if job.lower is not None and job.upper is not None and not job.lower < job.upper:
        raise ValueError(f"lower limit {job.lower:g} is not below upper limit {job.upper:g}")
    if job.y.ndim != 1 or not np.all(np.isfinite(job.y)):
        raise ValueError("y must be one row of finite values")


def _too_few(job: _Job) -> str:
    if job.n < LEAST_PARTS:
        return (
            f"not enough yet: {job.n} parts measured, {LEAST_PARTS} are the least that carry an "
            f"index; measure {LEAST_PARTS - job.n} more"
        )
    return f"not enough yet: all {job.n} readings are alike, the gauge does not show the spread"


def _nothing(name: str, job: _Job, why: str) -> Index:
    return Index(name, None, None, None, job.n, why)


def _too_little(job: _Job, why: str) -> Capability:
    """The answer when the parts cannot carry any claim."""
    sigma = float(job.y.std(ddof=1)) if job.n > 1 else None

    def empty(cp: str, cpk: str, spread: float | None, words: str) -> Portion:
        return Portion(spread, _nothing(cp, job, why), _nothing(cpk, job, why), words)

    return Capability(
        job.n, job.stable, "", "not asked yet", "",
        empty("Cp", "Cpk", None, _WITHIN), empty("Pp", "Ppk", sigma, _TOTAL),
        empty("Cp", "Cpk", None, _COMPENSATED), _nothing("ppm outside", job, why), (), (),
        _sentence(why), _sentence(why),
    )  # fmt: skip


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + "."


_WITHIN = "within a dress cycle: the scatter about its own line, at the level of the run"
_TOTAL = "as delivered: every part, drift and dresses included"
_COMPENSATED = "if offsets followed the drift: the level on target, the scatter of dresses kept"


def _delivered(
    job: _Job, parts: TimeParts, model: TimeModel
) -> tuple[Shape | Path | None, Array | None]:
    """
    The shape of what was delivered: a fitted one, or the run's path under its scatter.

    With a fitted shape come the parameters it could have come out as.
    """
    moving = model.has_path and not job.zero_bounded
    if moving and model.asked[-1][1] >= REFUSED_BELOW:
        return path_shape(parts.path, parts.within_sd), None
    found = best_fit(job.families, job.y, step=job.step)
    if found is None:
        return None, None
    exact = found.shape.name == "normal" or model.has_path
    return found.shape, None if exact else found.replicas


def _no_shape(job: _Job) -> str:
    return (
        f"not enough yet: no shape fits, and {job.n} parts do not show the outer 0.135 %; "
        f"{max(EMPIRICAL_FROM - job.n, 0)} more would"
    )


def _total(
    job: _Job,
    parts: TimeParts,
    model: TimeModel,
    delivered: Shape | Path | None,
    replicas: Array | None,
) -> tuple[Portion, Index]:
    """Performance as delivered, with the expected parts outside."""
    sigma = parts.total_sd
    if delivered is None:
        return _empirical(job, sigma)
    if replicas is not None and isinstance(delivered, Shape):
        pp, ppk, ppm = _by_bootstrap(job, delivered, replicas)
    else:
        pp, ppk, ppm = _by_effective_parts(job, parts, model, delivered)
    if not job.stable:
        ppm = _nothing("ppm outside", job, f"{_UNSTABLE}; {_outside(job)} of them lie outside")
    return Portion(sigma, pp, ppk, f"{_TOTAL} ({_shape_words(delivered)})"), ppm


def _shape_words(shape: Shape | Path) -> str:
    return "normal" if shape.name == "normal" else f"{shape.name}, by quantiles"


def _outside(job: _Job) -> int:
    below = 0 if job.lower is None else int((job.y < job.lower).sum())
    return below + (0 if job.upper is None else int((job.y > job.upper).sum()))


def _one_sided(name: str, job: _Job) -> Index:
    return _nothing(name, job, "one limit only: the index of the nearer limit is the one to quote")


def _by_effective_parts(
    job: _Job, parts: TimeParts, model: TimeModel, shape: Shape | Path
) -> tuple[Index, Index, Index]:
    """
    Indices whose bounds treat the spread as known from `total_df` and the level from `level_n`.

    Exact for a normal run without drift; else the quantile half-spans stand for three standard
    deviations, each as uncertain as the spread.
    """
    n, df = (parts.level_n, parts.total_df) if model.has_path else (float(job.n), job.n - 1.0)
    low, middle, high = _carriers(job, parts, shape)
    found = quantile_indices(low, middle, high, **job.limits)
    pp = _one_sided("Pp", job)
    if found.pp is not None:
        bounds = intervals.cp_interval(found.pp, df=df)
        pp = Index("Pp", found.pp, bounds.lower, bounds.upper, job.n)
    sides = 3 * np.array([side for side in (found.ppl, found.ppu) if side is not None])
    lower = float(intervals.side_bounds(sides, n, df=df, confidence=0.975).min())
    upper = float(intervals.side_bounds(sides, n, df=df, confidence=0.025).min())
    ppk = Index("Ppk", found.ppk, lower, upper, job.n)
    return pp, ppk, _expected_outside(job, shape, low, middle, high, n, df)


def _carriers(job: _Job, parts: TimeParts, shape: Shape | Path) -> tuple[float, float, float]:
    """The three quantiles that carry the indices; three sample deviations for a normal shape."""
    if shape.name == "normal":
        mean, sd = float(job.y.mean()), parts.total_sd
        return mean - 3 * sd, mean, mean + 3 * sd
    low, middle, high = (float(q) for q in shape.quantile(QUANTILES))
    return low, middle, high


def _expected_outside(
    job: _Job,
    shape: Shape | Path,
    low: float,
    middle: float,
    high: float,
    n: float,
    df: float,
) -> Index:
    """Parts per million outside: the shape moved and stretched by what level and spread may be."""
    draws = fiducial_draws(n, df)
    sd = (high - low) / 6
    if shape.name == "normal":
        shape = Shape(shape.family, (middle, sd))  # type: ignore[union-attr]

    def beyond(ratio: Array, shift: Array) -> Array:
        share = np.zeros_like(ratio)
        if job.lower is not None:
            share = share + _tail(
                shape, middle + (job.lower - middle + shift * sd) * ratio, "below"
            )
        if job.upper is not None:
            share = share + _tail(
                shape, middle + (job.upper - middle + shift * sd) * ratio, "above"
            )
        return 1e6 * share

    value = float(beyond(np.array([1.0]), np.array([0.0]))[0])
    bounds = draws.quantiles(beyond(draws.ratio, draws.shift), (0.025, 0.975))
    return Index("ppm outside", value, bounds[0], bounds[1], job.n)


def _tail(shape: Shape | Path, x: Array, side: str) -> Array:
    """Tail probability on a fine grid of `x`, interpolated on the log scale: paths are slow."""
    tail = shape.cdf if side == "below" else shape.sf
    if isinstance(shape, Shape) or x.size < 300:
        return tail(x)
    grid = np.linspace(x.min(), x.max(), 300)
    return np.asarray(np.exp(np.interp(x, grid, np.log(np.maximum(tail(grid), 1e-300)))))


def _by_bootstrap(job: _Job, shape: Shape, replicas: Array) -> tuple[Index, Index, Index]:
    """
    Indices of a fitted shape with bounds from what its parameters could have come out as.

    The ratio of a refitted index to the fitted one stands for that of the fitted to the true one.
    """
    from spc.capability.shapes import quantiles

    theta = [t[:, None] for t in replicas.T]
    spread = quantiles(shape.family, np.array(QUANTILES)[None, :], *theta)
    low, middle, high = (float(q) for q in shape.quantile(QUANTILES))
    found = quantile_indices(low, middle, high, **job.limits)
    pp = _one_sided("Pp", job)
    if found.pp is not None and job.two_sided:
        drawn = (job.upper - job.lower) / (spread[:, 2] - spread[:, 0])  # type: ignore[operator]
        pp = _turned("Pp", found.pp, drawn, job.n)
    sides = []
    if job.upper is not None:
        sides.append((job.upper - spread[:, 1]) / (spread[:, 2] - spread[:, 1]))
    if job.lower is not None:
        sides.append((spread[:, 1] - job.lower) / (spread[:, 1] - spread[:, 0]))
    ppk = _turned("Ppk", found.ppk, np.min(sides, axis=0), job.n)
    share = np.zeros(len(replicas))
    if job.upper is not None:
        share += shape.family.sf(job.upper, *replicas.T)
    if job.lower is not None:
        share += shape.family.cdf(job.lower, *replicas.T)
    value = 1e6 * float(
        (0 if job.upper is None else shape.sf(job.upper))
        + (0 if job.lower is None else shape.cdf(job.lower))
    )
    ends = 1e6 * np.quantile(share, (0.025, 0.975))
    return pp, ppk, Index("ppm outside", value, float(ends[0]), float(ends[1]), job.n)


def _turned(name: str, value: float, drawn: Array, n: int) -> Index:
    """Bounds by the ratio of drawn to fitted values; by differences for an index near 0."""
    low, high = np.quantile(drawn, (0.025, 0.975))
    if value > 0 and low > 0:
        return Index(name, value, float(value**2 / high), float(value**2 / low), n)
    return Index(name, value, float(2 * value - high), float(2 * value - low), n)


def _empirical(job: _Job, sigma: float) -> tuple[Portion, Index]:
    """Performance off the data themselves when no shape fits, from enough parts on."""
    words = f"{_TOTAL} (no shape accepted)"
    if job.n < EMPIRICAL_FROM:
        why = _no_shape(job)
        return (
            Portion(sigma, _nothing("Pp", job, why), _nothing("Ppk", job, why), words),
            _nothing("ppm outside", job, why),
        )
    low, middle, high = (float(q) for q in np.quantile(job.y, QUANTILES))
    inner = _order_bounds(job.y)
    found = quantile_indices(low, middle, high, **job.limits)
    pp = _one_sided("Pp", job)
    if found.pp is not None:
        most = quantile_indices(inner[0].upper, middle, inner[1].lower, **job.limits)
        pp = Index("Pp", found.pp, None, most.pp, job.n)
    most = quantile_indices(inner[0].upper, middle, inner[1].lower, **job.limits)
    ppk = Index("Ppk", found.ppk, None, most.ppk, job.n)
    count = _outside(job)
    bounds = intervals.share_interval(count, job.n)
    ppm = Index("ppm outside", 1e6 * count / job.n, 1e6 * bounds.lower, 1e6 * bounds.upper, job.n)
    if not job.stable:
        ppm = _nothing("ppm outside", job, f"{_UNSTABLE}; {_outside(job)} of them lie outside")
    return Portion(sigma, pp, ppk, words), ppm


def _order_bounds(y: Array) -> tuple[Interval, Interval]:
    """Order statistics about the two outer quantiles, 97.5 % on the inner side of each."""
    from scipy.special import bdtr

    ordered, n = np.sort(y), len(y)
    ranks = np.arange(n // 20)
    rank = int(np.argmax(bdtr(ranks, n, QUANTILES[0]) >= 0.975))
    return (
        Interval(-math.inf, float(ordered[rank + 1])),
        Interval(float(ordered[n - 2 - rank]), math.inf),
    )


def _within(job: _Job, parts: TimeParts, model: TimeModel, total: Portion) -> Portion:
    """Capability about the lines of the dress cycles; only for a stable process."""
    if not job.stable:
        return _without(job, parts.within_sd, _UNSTABLE, _WITHIN)
    if not model.has_path and model.name != "A1":
        return Portion(
            parts.within_sd, _renamed(total.cp, "Cp"), _renamed(total.cpk, "Cpk"),
            "constant level: the same as delivered",
        )  # fmt: skip
    # The error of the level is that of the whole run, expressed in scatter within a cycle.
    n = parts.level_n * parts.within_var / parts.total_var if model.has_path else float(job.n)
    return _normal_portion(job, float(job.y.mean()), parts.within_sd, n, parts.within_df, _WITHIN)


def _without(job: _Job, sigma: float | None, why: str, words: str) -> Portion:
    return Portion(sigma, _nothing("Cp", job, why), _nothing("Cpk", job, why), words)


def _renamed(index: Index, name: str) -> Index:
    return Index(name, index.value, index.lower, index.upper, index.n, index.why)


def _normal_portion(job: _Job, level: float, sd: float, n: float, df: float, words: str) -> Portion:
    """Cp and Cpk of normal scatter about a level known as well as from `n` parts."""
    from spc.capability import indices

    cp = _one_sided("Cp", job)
    if job.lower is not None and job.upper is not None:
        value = indices.cp(sd, lower=job.lower, upper=job.upper)
        bounds = intervals.cp_interval(value, df=df)
        cp = Index("Cp", value, bounds.lower, bounds.upper, job.n)
    value = indices.cpk(level, sd, **job.limits)
    bounds = intervals.cpk_interval(level, sd, n, df=df, lower=job.lower, upper=job.upper)
    return Portion(sd, cp, Index("Cpk", value, bounds.lower, bounds.upper, job.n), words)


def _compensated(job: _Job, parts: TimeParts, model: TimeModel) -> Portion:
    """What would be left if offsets followed the drift and held the level on target."""
    if not job.stable:
        return _without(job, None, _UNSTABLE, _COMPENSATED)
    if job.zero_bounded:
        return _without(job, None, "offsets do not move this characteristic", _COMPENSATED)
    var = parts.within_var + parts.dress_var
    noise = parts.within_var**2 / parts.within_df
    if parts.dress_df > 0:
        noise += parts.dress_var**2 / parts.dress_df
    df = min(var**2 / noise, job.n - 1.0)
    level, n = (job.target, math.inf) if job.target is not None else (float(job.y.mean()), job.n)
    return _normal_portion(job, level, math.sqrt(var), n, df, _COMPENSATED)


def _budget(job: _Job, parts: TimeParts) -> tuple[tuple[str, float, float], ...]:
    """Shares of the total variance: drift, dresses, gauge, and what is left for the parts."""
    gauge = max((job.gauge_sd or 0.0) ** 2, (job.step or 0.0) ** 2 / 12)
    gauge = min(gauge, parts.within_var)
    rows = (
        ("drift inside the dress cycle", parts.drift_var),
        ("dress to dress", parts.dress_var),
        ("part to part", parts.within_var - gauge),
        ("gauge", gauge),
    )
    return tuple((name, math.sqrt(var), var / parts.total_var) for name, var in rows)


def _allowed(job: _Job, model: TimeModel, within: Portion, total: Portion) -> tuple[str, ...]:
    """Indices that may be quoted: with a moving level only those that include its movement."""
    quotable = [total.cp, total.cpk]
    if job.stable and not model.has_path:
        quotable = [within.cp, within.cpk, *quotable]
    return tuple(index.name for index in quotable if index.claimed)


def _drift_seen(job: _Job, parts: TimeParts) -> DriftSeen | None:
    if not parts.within_sd > 0:
        return None
    same = np.diff(parts.cycle) == 0
    moves = np.abs(np.diff(job.y))
    if not same.any():
        return None
    # Mean moving range over 2/sqrt(pi), its mean for normal parts (d2 of two).
    moving = float(moves.mean()) * math.sqrt(math.pi) / 2
    seen, total = moving / parts.within_sd, parts.total_sd / parts.within_sd
    span = parts.drift_span / parts.within_sd
    words = "The level does not drift inside the dress cycles: nothing is hidden."
    if parts.drifts:
        words = (
            f"The level moves {span:.1f} within-cycle sigmas in a dress cycle. All parts together "
            f"spread {total:.2f} times the scatter within; moving ranges show {seen:.2f} times, so "
            "an index built on them would hide most of the drift."
        )
    return DriftSeen(span, seen, total, words)


def _remarks(job: _Job, parts: TimeParts, since_dress: Array) -> tuple[str, ...]:
    remarks = []
    if parts.cycles == 1:
        remarks.append(
            "One dress cycle was measured: nothing is known of the scatter from dress to dress."
        )
    if job.gauge_sd and job.gauge_sd**2 > parts.within_var:
        remarks.append(
            f"The stated gauge spread of {job.gauge_sd:g} µm is more than all scatter within a "
            f"dress cycle ({parts.within_sd:.2g} µm); check the statement."
        )
    if job.step and job.step >= parts.within_sd:
        remarks.append(
            f"Readings come in steps of {job.step:g} µm, as large as the scatter within a dress "
            "cycle."
        )
    return tuple(remarks)


def _verdict(
    job: _Job,
    parts: TimeParts,
    model: TimeModel,
    within: Portion,
    total: Portion,
    compensated: Portion,
) -> tuple[str, str | None]:
    index = total.cpk if model.has_path or not job.stable else within.cpk
    if index.value is None:
        return _sentence(index.why), _sentence(index.why)
    shown = f"{index.name} {index.value:.2f}"
    if index.lower is None or index.upper is None:
        return f"{shown}, read off the data without a lower bound.", None
    shown += f" ({index.lower:.2f} to {index.upper:.2f})"
    if not job.stable:
        return f"Not stable, so no capability is claimed; {shown} describes these parts only.", None
    if index.lower >= job.required:
        return f"Capable: {shown}, above {job.required:g} with its whole interval.", None
    if index.upper < job.required:
        return f"Not capable: {shown}, below {job.required:g}{_gain(index, compensated)}.", None
    return _open(job, parts, model, index, shown)


def _gain(index: Index, compensated: Portion) -> str:
    after = compensated.cpk.value
    if after is None or index.value is None or after < 1.1 * index.value:
        return ""
    return f"; with offsets following the drift it would be about {after:.2f}"


def _open(
    job: _Job, parts: TimeParts, model: TimeModel, index: Index, shown: str
) -> tuple[str, str]:
    """The lower bound cannot answer: how many more parts would."""
    needed = parts_needed(index.value or 0.0, job.required)
    text = f"Not enough yet: {shown} leaves {job.required:g} open"
    if needed is None:
        return f"{text}, and sits too near it to be settled by more parts.", (
            f"{shown} sits too near {job.required:g} to be settled by more parts."
        )
    scale = job.n / (parts.total_df + 1) if model.has_path else 1.0
    more = max(math.ceil(needed * scale) - job.n, 1)
    rounded = math.ceil(more / 10) * 10
    settle = f"about {rounded} more parts would settle it, if the index is what it seems"
    if model.has_path and parts.cycles > 1 and scale > 2:
        cycles = math.ceil(rounded / (job.n / parts.cycles))
        settle += f" (what counts is dress cycles: about {cycles} more)"
    return f"{text}; {settle}.", f"{shown} leaves {job.required:g} open; {settle}."
