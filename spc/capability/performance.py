"""Performance as delivered: the shape of all parts, its indices, and the parts outside."""

import numpy as np
from numpy.typing import NDArray

from spc.capability import intervals
from spc.capability.fit_test import REFUSED_BELOW, best_fit
from spc.capability.indices import QUANTILES, Index, quantile_indices
from spc.capability.question import UNSTABLE, Portion, Question
from spc.capability.shapes import Path, Shape, path_shape, quantiles
from spc.capability.time_models import TimeModel, TimeParts
from spc.capability.tolerance import order_rank

Array = NDArray[np.float64]
#: Without an accepted shape the outer quantiles are read off the data from this number on.
EMPIRICAL_FROM = 2000
WORDS = "as delivered: every part, drift and dresses included"


def delivered_shape(
    asked: Question, parts: TimeParts, model: TimeModel
) -> tuple[Shape | Path | None, Array | None]:
    """
    The shape of what was delivered, and what its parameters could have come out as.

    A level that moves gives the path of the run under its scatter, each measured part weighed by
    the parts it stands for; a constant level gives a fitted shape. None when no shape is accepted.
    The second answer is None where bounds rest on degrees of freedom instead.
    """
    moving = model.has_path and not asked.zero_bounded
    if moving and model.scatter_p >= REFUSED_BELOW:
        return path_shape(parts.path, parts.within_sd, weights=parts.stands_for), None
    found = best_fit(asked.families, asked.y, step=asked.step)
    if found is None:
        return None, None
    by_freedom = found.shape.name == "normal" or model.has_path
    return found.shape, None if by_freedom else found.replicas


def performance(
    asked: Question,
    parts: TimeParts,
    model: TimeModel,
    shape: Shape | Path | None,
    replicas: Array | None,
) -> tuple[Portion, Index]:
    """Pp and Ppk as delivered, and the expected parts per million outside."""
    if shape is None:
        portion, ppm = _off_the_data(asked, parts.total_sd)
    else:
        if replicas is not None and isinstance(shape, Shape):
            pp, ppk, ppm = _by_bootstrap(asked, shape, replicas)
        else:
            pp, ppk, ppm = _by_freedom(asked, parts, model, shape)
        by = "normal" if shape.name == "normal" else f"{shape.name}, by quantiles"
        portion = Portion(parts.total_sd, pp, ppk, f"{WORDS} ({by})")
    if not asked.stable:
        ppm = asked.nothing("ppm outside", f"{UNSTABLE}; {asked.outside()} of them lie outside")
    return portion, ppm


def carriers(asked: Question, parts: TimeParts, shape: Shape | Path) -> tuple[float, float, float]:
    """The quantiles that carry the indices; three sample deviations for a normal shape."""
    if shape.name == "normal":
        mean, sd = float(asked.y.mean()), parts.total_sd
        return mean - 3 * sd, mean, mean + 3 * sd
    low, middle, high = (float(q) for q in shape.quantile(QUANTILES))
    return low, middle, high


def freedom(asked: Question, parts: TimeParts, model: TimeModel) -> tuple[float, float]:
    """Parts that know the level, and degrees of freedom that know the spread."""
    if model.has_path:
        return parts.level_n, parts.total_df
    return float(asked.n), asked.n - 1.0


def _by_freedom(
    asked: Question, parts: TimeParts, model: TimeModel, shape: Shape | Path
) -> tuple[Index, Index, Index]:
    """
    Bounds that count degrees of freedom.

    Exact for a normal run with a constant level; else each half-span between quantiles stands for
    three standard deviations and is as uncertain as the spread.
    """
    n, df = freedom(asked, parts, model)
    low, middle, high = carriers(asked, parts, shape)
    found = quantile_indices(low, middle, high, lower=asked.lower, upper=asked.upper)
    pp = asked.one_limit("Pp")
    if found.pp is not None:
        bounds = intervals.cp_interval(found.pp, df=df)
        pp = Index("Pp", found.pp, bounds.lower, bounds.upper, asked.n)
    reaches = 3 * np.array([side for side in (found.ppl, found.ppu) if side is not None])
    ends = [
        float(intervals.side_bounds(reaches, n, df=df, confidence=confidence).min())
        for confidence in (0.975, 0.025)
    ]
    ppk = Index("Ppk", found.ppk, ends[0], ends[1], asked.n)
    return pp, ppk, _expected_outside(asked, shape, (low, middle, high), n, df)


def _expected_outside(
    asked: Question,
    shape: Shape | Path,
    carried: tuple[float, float, float],
    n: float,
    df: float,
) -> Index:
    """Parts per million outside: the shape moved and stretched by what level and spread may be."""
    low, middle, high = carried
    sd = (high - low) / 6
    if isinstance(shape, Shape) and shape.name == "normal":
        shape = Shape(shape.family, (middle, sd))

    def beyond(ratio: Array, shift: Array) -> Array:
        share = np.zeros_like(ratio)
        for limit, tail in ((asked.lower, shape.cdf), (asked.upper, shape.sf)):
            if limit is not None:
                share = share + _thinned(tail, middle + (limit - middle + shift * sd) * ratio)
        return 1e6 * share

    value = float(beyond(np.array([1.0]), np.array([0.0]))[0])
    draws = intervals.fiducial_draws(n, df)
    low_end, high_end = draws.quantiles(beyond(draws.ratio, draws.shift), (0.025, 0.975))
    return Index("ppm outside", value, low_end, high_end, asked.n)


def _thinned(tail, x: Array) -> Array:  # type: ignore[no-untyped-def]
    """Tail probability from a grid, interpolated on the log scale: a path is slow to work out."""
    if x.size < 400:
        return np.asarray(tail(x))
    grid = np.linspace(x.min(), x.max(), 400)
    return np.asarray(np.exp(np.interp(x, grid, np.log(np.maximum(tail(grid), 1e-300)))))


def _by_bootstrap(asked: Question, shape: Shape, replicas: Array) -> tuple[Index, Index, Index]:
    """
    Bounds from the parameters a fitted shape could have come out with (parametric bootstrap).

    The ratio of a refitted index to the fitted one stands for that of the fitted to the true one,
    which is exact for the spread of a normal shape.
    """
    spread = quantiles(
        shape.family, np.array(QUANTILES)[None, :], *(t[:, None] for t in replicas.T)
    )
    low, middle, high = (float(q) for q in shape.quantile(QUANTILES))
    found = quantile_indices(low, middle, high, lower=asked.lower, upper=asked.upper)
    pp = asked.one_limit("Pp")
    sides = []
    share, value = np.zeros(len(replicas)), 0.0
    if asked.upper is not None:
        sides.append((asked.upper - spread[:, 1]) / (spread[:, 2] - spread[:, 1]))
        share += shape.family.sf(asked.upper, *replicas.T)
        value += float(shape.sf(asked.upper))
    if asked.lower is not None:
        sides.append((spread[:, 1] - asked.lower) / (spread[:, 1] - spread[:, 0]))
        share += shape.family.cdf(asked.lower, *replicas.T)
        value += float(shape.cdf(asked.lower))
    if found.pp is not None:
        pp = _turned("Pp", found.pp, found.pp * (high - low) / (spread[:, 2] - spread[:, 0]), asked)
    ppk = _turned("Ppk", found.ppk, np.min(sides, axis=0), asked)
    ends = 1e6 * np.quantile(share, (0.025, 0.975))
    return pp, ppk, Index("ppm outside", 1e6 * value, float(ends[0]), float(ends[1]), asked.n)


def _turned(name: str, value: float, drawn: Array, asked: Question) -> Index:
    """Bounds by the ratio of drawn to fitted values; by differences for an index near 0."""
    low, high = np.quantile(drawn, (0.025, 0.975))
    if value > 0 and low > 0:
        return Index(name, value, float(value**2 / high), float(value**2 / low), asked.n)
    return Index(name, value, float(2 * value - high), float(2 * value - low), asked.n)


def _off_the_data(asked: Question, sigma: float) -> tuple[Portion, Index]:
    """Performance off the data themselves when no shape fits, from enough parts on."""
    words = f"{WORDS} (no shape accepted)"
    if asked.n < EMPIRICAL_FROM:
        why = (
            f"not enough yet: no shape fits, and {asked.n} parts do not show the outer 0.135 %; "
            f"{EMPIRICAL_FROM - asked.n} more would"
        )
        portion = asked.without(("Pp", "Ppk"), why, words, sigma)
        return portion, asked.nothing("ppm outside", why)
    low, middle, high = (float(q) for q in np.quantile(asked.y, QUANTILES))
    limits = {"lower": asked.lower, "upper": asked.upper}
    found = quantile_indices(low, middle, high, **limits)
    ordered, rank = np.sort(asked.y), order_rank(asked.n, QUANTILES[0], confidence=0.975)
    # The inner bounds of the outer quantiles give upper bounds of the indices; there is no outer
    # bound, so no lower bound can be given.
    best = quantile_indices(float(ordered[rank]), middle, float(ordered[-1 - rank]), **limits)
    pp = asked.one_limit("Pp")
    if found.pp is not None:
        pp = Index("Pp", found.pp, None, best.pp, asked.n)
    ppk = Index("Ppk", found.ppk, None, best.ppk, asked.n)
    bounds = intervals.share_interval(asked.outside(), asked.n)
    ppm = Index(
        "ppm outside", 1e6 * asked.outside() / asked.n, 1e6 * bounds.lower, 1e6 * bounds.upper,
        asked.n,
    )  # fmt: skip
    return Portion(sigma, pp, ppk, words), ppm
