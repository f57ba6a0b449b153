"""Performance as delivered: the shape of all parts, its indices, and the parts outside."""

import math

import numpy as np
from numpy.typing import NDArray

from spc.capability import intervals
from spc.capability.could_be import could_be, flat_reach
from spc.capability.fit_test import REFUSED_BELOW, FitTest, best_fit, fit_test
from spc.capability.indices import QUANTILES, Index, quantile_indices
from spc.capability.path import Path, path_shape
from spc.capability.question import UNSTABLE, Portion, Question
from spc.capability.shapes import Family, Shape, quantiles
from spc.capability.time_models import TimeModel
from spc.capability.time_parts import TimeParts
from spc.capability.tolerance import order_rank

Array = NDArray[np.float64]
#: Without an accepted shape the outer quantiles are read off the data from this number on.
EMPIRICAL_FROM = 2000
#: Fits whose Akaike criteria differ by less are alike (Burnham & Anderson 2002, from memory: models
#: within 4 of the best keep considerable support).
ALIKE = 4.0
WORDS = "as delivered: every part, drift and dresses included"


def delivered_shape(
    asked: Question, parts: TimeParts, model: TimeModel
) -> tuple[Shape | Path | None, tuple[FitTest, ...]]:
    """
    The shape of what was delivered, and the fits whose bootstrap bounds its indices.

    A level that moves gives the path of the run under its scatter, each measured part weighed by
    the parts it stands for; a constant level gives a fitted shape. None when no shape is accepted.
    Without fits the bounds need no bootstrap.
    """
    moving = model.has_path and not asked.zero_bounded
    if moving and model.scatter_p >= REFUSED_BELOW:
        return _path_shape(parts), ()
    found = best_fit(asked.families, asked.y, step=asked.step)
    if found is None and model.has_path and model.scatter_p >= REFUSED_BELOW:
        path = _path_shape(parts)
        # Far enough from zero, normal scatter about a level does not know of it.
        return (path, ()) if float(path.quantile(QUANTILES[0])) > 0 else (None, ())
    if found is None:
        return None, ()
    exact = found.shape.name == "normal" or model.has_path
    return found.shape, () if exact else bounding_fits(asked, found)


def bounding_fits(asked: Question, found: FitTest) -> tuple[FitTest, ...]:
    """
    The fit itself, and for a folded normal the one with its mean free or held at 0.

    Near its border the data cannot tell the two apart, and the bounds must hold for both.
    """
    if found.shape.name != "folded normal":
        return (found,)
    other = "folded normal" if found.shape.family.free == 1 else "half normal"
    both = [found, fit_test(other, asked.y, step=asked.step)]
    near = min(test.fit.aic for test in both) + ALIKE
    return tuple(test for test in both if test.accepted and test.fit.aic <= near) or (found,)


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
    fits: tuple[FitTest, ...],
) -> tuple[Portion, Index]:
    """Pp and Ppk as delivered, and the expected parts per million outside."""
    if shape is None:
        portion, ppm = _off_the_data(asked, parts.total_sd)
    else:
        if model.has_path or isinstance(shape, Path):
            pp, ppk, ppm = _moving(asked, parts, shape)
        elif not fits:
            pp, ppk, ppm = _constant(asked, parts, shape)
        else:
            pp, ppk, ppm = _by_bootstrap(asked, shape, fits)
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


def _by_bootstrap(
    asked: Question, shape: Shape, fits: tuple[FitTest, ...]
) -> tuple[Index, Index, Index]:
    """Bounds from what the parameters could have come out as (parametric bootstrap)."""
    # The fitted parameters go before their refits: what is sought by bisection is sought once.
    told = [
        _indices(test.shape.family, np.vstack([test.shape.theta, test.replicas]), asked)
        for test in fits
    ]
    own = next((t for t, test in zip(told, fits, strict=True) if test.shape is shape), None)
    value = own or _indices(shape.family, np.array([shape.theta]), asked)
    found = []
    for k, (name, fitted) in enumerate(zip(("Pp", "Ppk", "ppm outside"), value, strict=True)):
        ends = [
            _ends(float(t[k][0]), t[k][1:], k < 2, test.shape.family.border)
            for t, test in zip(told, fits, strict=True)
        ]
        low, high = min(e[0] for e in ends), max(e[1] for e in ends)
        found.append(Index(name, float(fitted[0]), low, high, asked.n))
    pp, ppk, ppm = found
    return (pp if asked.two_sided else asked.one_limit("Pp")), ppk, ppm


def _indices(family: Family, theta: Array, asked: Question) -> tuple[Array, Array, Array]:
    """Pp, Ppk and parts per million outside for parameter sets, one a row."""
    free = [t[:, None] for t in theta.T]
    low, middle, high = quantiles(family, np.array(QUANTILES)[None, :], *free).T
    sides, share = [], np.zeros(len(theta))
    if asked.upper is not None:
        sides.append((asked.upper - middle) / (high - middle))
        share = share + family.sf(asked.upper, *theta.T)
    if asked.lower is not None:
        sides.append((middle - asked.lower) / (middle - low))
        share = share + family.cdf(asked.lower, *theta.T)
    width = (asked.upper or 0.0) - (asked.lower or 0.0)
    return width / (high - low), np.min(sides, axis=0), 1e6 * share


def _ends(value: float, drawn: Array, turned: bool, border: bool) -> tuple[float, float]:
    """
    Bounds of one index from its refitted values.

    The ratio of a refitted index to the fitted one stands for that of the fitted to the true one,
    which is exact for the spread of a normal shape; at a border, where that ratio is lopsided, the
    refitted values themselves are covered too.
    """
    low, high = (float(q) for q in np.quantile(drawn, (0.025, 0.975)))
    if not turned:
        return low, high
    other = (value**2 / high, value**2 / low) if low > 0 else (2 * value - high, 2 * value - low)
    return (min(low, other[0]), max(high, other[1])) if border else other


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
