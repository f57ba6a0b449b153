"""Performance as delivered: the shape of all parts, its indices, and the parts outside."""

import math

import numpy as np
from numpy.typing import NDArray

from spc.capability import intervals
from spc.capability.could_be import could_be, flat_reach
from spc.capability.fit_test import REFUSED_BELOW, best_fit
from spc.capability.indices import QUANTILES, Index, quantile_indices
from spc.capability.question import UNSTABLE, Portion, Question
from spc.capability.shapes import Path, Shape, path_shape, quantiles
from spc.capability.time_models import TimeModel
from spc.capability.time_parts import TimeParts
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
    The second answer is None where bounds need no bootstrap.
    """
    moving = model.has_path and not asked.zero_bounded
    if moving and model.scatter_p >= REFUSED_BELOW:
        return _path_shape(parts), None
    found = best_fit(asked.families, asked.y, step=asked.step)
    if found is None:
        return None, None
    exact = found.shape.name == "normal" or model.has_path
    return found.shape, None if exact else found.replicas


def _path_shape(parts: TimeParts) -> Path:
    """
    The way of the drift inside the dress cycles, under normal scatter of parts and dresses.

    Lines through scattered parts swing a little more than the level did: the way is scaled to the
    variance that the drift truly makes.
    """
    way = parts.way
    swing = float(way @ way) / (parts.n - 1)
    scale = math.sqrt(parts.drift_var / swing) if swing > 0 else 0.0
    sd = math.sqrt(parts.scatter_var + parts.dress_var)
    return path_shape(parts.level + min(scale, 2.0) * way, sd, weights=parts.stands_for)


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
        if model.has_path or isinstance(shape, Path):
            pp, ppk, ppm = _moving(asked, parts, shape)
        elif replicas is None:
            pp, ppk, ppm = _constant(asked, parts, shape)
        else:
            pp, ppk, ppm = _by_bootstrap(asked, shape, replicas)
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


def _constant(asked: Question, parts: TimeParts, shape: Shape) -> tuple[Index, Index, Index]:
    """Exact bounds of a normal run with a constant level."""
    n, df = float(asked.n), asked.n - 1.0
    low, middle, high = carriers(asked, parts, shape)
    sd = (high - low) / 6
    limits = {"lower": asked.lower, "upper": asked.upper}
    found = quantile_indices(low, middle, high, **limits)
    pp = asked.one_limit("Pp")
    if found.pp is not None:
        bounds = intervals.cp_interval(found.pp, df=df)
        pp = Index("Pp", found.pp, bounds.lower, bounds.upper, asked.n)
    bounds = intervals.cpk_interval(middle, sd, n, lower=asked.lower, upper=asked.upper)
    ppk = Index("Ppk", found.ppk, bounds.lower, bounds.upper, asked.n)
    shape = Shape(shape.family, (middle, sd))
    draws = intervals.fiducial_draws(n, df)
    ppm = _expected_outside(asked, shape, middle, draws.shift * sd, draws.ratio, draws.weight)
    return pp, ppk, ppm


def _moving(asked: Question, parts: TimeParts, shape: Shape | Path) -> tuple[Index, Index, Index]:
    """Bounds from what level, scatter, dresses and drift could truly be."""
    low, middle, high = carriers(asked, parts, shape)
    found = quantile_indices(low, middle, high, lower=asked.lower, upper=asked.upper)
    truths = could_be(parts)
    here = parts.total_sd * float(flat_reach(parts.drift_var / parts.total_var))
    stretch, shift = truths.reach / here, truths.level - parts.level
    pp = asked.one_limit("Pp")
    if found.pp is not None:
        pp = asked.bounded("Pp", found.pp, [found.pp / stretch])
    sides = []
    if asked.lower is not None:
        sides.append((middle + shift - asked.lower) / ((middle - low) * stretch))
    if asked.upper is not None:
        sides.append((asked.upper - middle - shift) / ((high - middle) * stretch))
    ppk = asked.bounded("Ppk", found.ppk, sides)
    weight = np.full(shift.shape, 1 / shift.size)
    return pp, ppk, _expected_outside(asked, shape, middle, -shift, 1 / stretch, weight)


def _expected_outside(
    asked: Question,
    shape: Shape | Path,
    middle: float,
    shift: Array,
    ratio: Array,
    weight: Array,
) -> Index:
    """Parts per million outside: the shape moved and stretched by what could be true."""

    def beyond(shift: Array, ratio: Array) -> Array:
        share = np.zeros_like(ratio)
        for limit, tail in ((asked.lower, shape.cdf), (asked.upper, shape.sf)):
            if limit is not None:
                share = share + _thinned(tail, middle + (limit - middle + shift) * ratio)
        return 1e6 * share

    value = float(beyond(np.zeros(1), np.ones(1))[0])
    ends = intervals.weighted_quantiles(beyond(shift, ratio), weight, (0.025, 0.975))
    return Index("ppm outside", value, ends[0], ends[1], asked.n)


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
