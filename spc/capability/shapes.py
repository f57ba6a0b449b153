"""
Shapes a ground characteristic can have, and their quantiles.

Sizes: normal, or *flattened*, which a steady drift makes of a normal one (a sawtooth's uniform
band under normal part-to-part scatter). Values that cannot fall below zero: folded normal,
Rayleigh, Weibull, lognormal.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
_ROOT_2PI = np.sqrt(2 * np.pi)


@dataclass(frozen=True)
class Family:
    """
    One family of distributions.

    Functions take values of shape (..., m) and parameters as a sequence of arrays that broadcast
    with them, so that many parameter sets are worked in one go. `search` and `parameters_at` map
    the parameters to free ones, in which a likelihood is close to a parabola; free ones below
    `floor` are put back onto it. `least_parts` are the parts from which on the bounds of its
    indices hold, by simulation. `border` says that a parameter often ends on its floor, where
    refits are lopsided.
    """

    name: str
    parameters: tuple[str, ...]
    cdf: Callable[..., Any]
    sf: Callable[..., Any]
    pdf: Callable[..., Any]
    quantile: Callable[..., Any] | None
    start: Callable[[Array, Array], tuple[float, ...]]
    search: Callable[..., tuple[Any, ...]]
    parameters_at: Callable[..., tuple[Any, ...]]
    floor: tuple[float, ...]
    positive: bool = False
    least_parts: int = 30
    border: bool = False

    @property
    def free(self) -> int:
        """How many parameters are free."""
        return len(self.floor)


@dataclass(frozen=True)
class Shape:
    """
    One distribution: a family with its parameters.

    Examples
    --------
    >>> bell = Shape(FAMILIES["normal"], (5.0, 2.0))
    >>> float(bell.cdf(5.0)), float(bell.quantile(0.5))
    (0.5, 5.0)
    """

    family: Family
    theta: tuple[float, ...]

    @property
    def name(self) -> str:
        """Name of the family."""
        return self.family.name

    @property
    def parameters(self) -> dict[str, float]:
        """Parameters by name."""
        return dict(zip(self.family.parameters, self.theta, strict=True))

    def cdf(self, x: ArrayLike) -> Array:
        """Probability at or below `x`."""
        return np.asarray(self.family.cdf(np.asarray(x, float), *self.theta))

    def sf(self, x: ArrayLike) -> Array:
        """Probability above `x`, exact far out."""
        return np.asarray(self.family.sf(np.asarray(x, float), *self.theta))

    def pdf(self, x: ArrayLike) -> Array:
        """Density at `x`."""
        return np.asarray(self.family.pdf(np.asarray(x, float), *self.theta))

    def quantile(self, p: ArrayLike) -> Array:
        """Value not exceeded with probability `p`."""
        return quantiles(self.family, np.asarray(p, float), *self.theta)


def quantiles(family: Family, p: ArrayLike, *theta: ArrayLike) -> Array:
    """Quantiles of a family, by its formula or by bisection; everything broadcasts."""
    p = np.asarray(p, float)
    if family.quantile is not None:
        return np.asarray(family.quantile(p, *theta))
    p, *spread = np.broadcast_arrays(p, *(np.asarray(t, float) for t in theta))
    scale = _reach(family, *spread)
    middle = spread[0] if not family.positive else np.zeros_like(p)
    low = np.zeros_like(p) if family.positive else np.array(middle - scale)
    high = middle + scale
    # Each tail from its own side, where probabilities keep their digits.
    for side, tail in ((p <= 0.5, family.cdf), (p > 0.5, family.sf)):
        if side.any():
            aim = p[side] if tail is family.cdf else 1 - p[side]
            own = [t[side] for t in spread]
            a, b = low[side], high[side]
            for _ in range(52):
                mid = (a + b) / 2
                found = tail(mid, *own)
                more = found < aim if tail is family.cdf else found > aim
                a, b = np.where(more, mid, a), np.where(more, b, mid)
            low[side] = (a + b) / 2
    return np.asarray(low)


def _reach(family: Family, *theta: Array) -> Array:
    """Distance from the middle beyond which nothing lies."""
    return np.asarray(sum(np.abs(t) for t in theta[-2:]) + np.abs(theta[-1]) + 40 * theta[1])


def _normal_cdf(x: Any, mean: Any, sd: Any) -> Any:
    from scipy.special import ndtr

    return ndtr((x - mean) / sd)


def _normal_sf(x: Any, mean: Any, sd: Any) -> Any:
    from scipy.special import ndtr

    return ndtr((mean - x) / sd)


def _normal_pdf(x: Any, mean: Any, sd: Any) -> Any:
    return np.exp(-0.5 * ((x - mean) / sd) ** 2) / (sd * _ROOT_2PI)


def _normal_quantile(p: Any, mean: Any, sd: Any) -> Any:
    from scipy.special import ndtri

    return mean + sd * ndtri(p)


def _moments(x: Array, weight: Array) -> tuple[float, float]:
    mean = float(np.average(x, weights=weight))
    return mean, float(np.sqrt(np.average((x - mean) ** 2, weights=weight)))


NORMAL = Family(
    "normal",
    ("mean", "sd"),
    _normal_cdf,
    _normal_sf,
    _normal_pdf,
    _normal_quantile,
    _moments,
    lambda mean, sd: (mean, np.log(sd)),
    lambda mean, log_sd: (mean, np.exp(log_sd)),
    (-np.inf, -np.inf),
)


def _log_or_below(x: Any) -> Any:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(x > 0, np.log(np.where(x > 0, x, 1.0)), -np.inf)


def _lognormal_pdf(x: Any, mean_log: Any, sd_log: Any) -> Any:
    safe = np.where(x > 0, x, 1.0)
    return np.where(x > 0, _normal_pdf(np.log(safe), mean_log, sd_log) / safe, 0.0)


def _lognormal_quantile(p: Any, mean_log: Any, sd_log: Any) -> Any:
    # Refits to readings that are orders of magnitude apart reach beyond the largest float.
    with np.errstate(over="ignore"):
        return np.exp(_normal_quantile(p, mean_log, sd_log))


LOGNORMAL = Family(
    "lognormal",
    ("mean_log", "sd_log"),
    lambda x, m, s: _normal_cdf(_log_or_below(x), m, s),
    lambda x, m, s: _normal_sf(_log_or_below(x), m, s),
    _lognormal_pdf,
    _lognormal_quantile,
    lambda x, w: _moments(np.log(x), w),
    lambda m, s: (m, np.log(s)),
    lambda m, log_s: (m, np.exp(log_s)),
    (-np.inf, -np.inf),
    positive=True,
)


def _weibull_exponent(x: Any, shape: Any, scale: Any) -> Any:
    return (np.maximum(x, 0.0) / scale) ** shape


def _weibull_pdf(x: Any, shape: Any, scale: Any) -> Any:
    safe = np.where(x > 0, x, 1.0)
    density = shape / scale * (safe / scale) ** (shape - 1)
    return np.where(x > 0, density * np.exp(-_weibull_exponent(safe, shape, scale)), 0.0)


def _weibull_start(x: Array, weight: Array) -> tuple[float, float]:
    # ln X has standard deviation π/(√6 shape) and mean ln scale − γ/shape.
    mean, sd = _moments(np.log(x), weight)
    shape = np.pi / (np.sqrt(6) * max(sd, 1e-6))
    return float(shape), float(np.exp(mean + np.euler_gamma / shape))


def _weibull_ppf(p: Any, k: Any, s: Any) -> Any:
    # A shape near 0, as a few slips among zeros draw it, has quantiles beyond all numbers.
    with np.errstate(over="ignore"):
        return s * (-np.log1p(-p)) ** (1 / k)


WEIBULL = Family(
    "Weibull",
    ("shape", "scale"),
    lambda x, k, s: -np.expm1(-_weibull_exponent(x, k, s)),
    lambda x, k, s: np.exp(-_weibull_exponent(x, k, s)),
    _weibull_pdf,
    _weibull_ppf,
    _weibull_start,
    lambda k, s: (np.log(k), np.log(s)),
    lambda log_k, log_s: (np.exp(log_k), np.exp(log_s)),
    (-np.inf, -np.inf),
    positive=True,
)

RAYLEIGH = Family(
    "Rayleigh",
    ("scale",),
    lambda x, s: -np.expm1(-0.5 * (np.maximum(x, 0.0) / s) ** 2),
    lambda x, s: np.exp(-0.5 * (np.maximum(x, 0.0) / s) ** 2),
    lambda x, s: np.maximum(x, 0.0) / s**2 * np.exp(-0.5 * (x / s) ** 2),
    lambda p, s: s * np.sqrt(-2 * np.log1p(-p)),
    lambda x, w: (float(np.sqrt(np.average(x**2, weights=w) / 2)),),
    lambda s: (np.log(s),),
    lambda log_s: (np.exp(log_s),),
    (-np.inf,),
    positive=True,
)


def _folded_cdf(x: Any, mean: Any, sd: Any) -> Any:
    from scipy.special import ndtr

    x = np.maximum(x, 0.0)
    return np.maximum(ndtr((x - mean) / sd) - ndtr((-x - mean) / sd), 0.0)


def _folded_sf(x: Any, mean: Any, sd: Any) -> Any:
    from scipy.special import ndtr

    x = np.maximum(x, 0.0)
    return ndtr((mean - x) / sd) + ndtr((-x - mean) / sd)


def _folded_pdf(x: Any, mean: Any, sd: Any) -> Any:
    return np.where(x >= 0, _normal_pdf(x, mean, sd) + _normal_pdf(-x, mean, sd), 0.0)


def _folded_start(x: Array, weight: Array) -> tuple[float, float]:
    # The fourth moment is (3 − 2q²) times the second squared, with q = µ²/(µ²+σ²).
    second = float(np.average(x**2, weights=weight))
    kurtosis = float(np.average(x**4, weights=weight)) / second**2
    q = float(np.sqrt(np.clip((3 - kurtosis) / 2, 1e-4, 0.9999)))
    return float(np.sqrt(second * q)), float(np.sqrt(second * (1 - q)))


def _bend(share: Any) -> Any:
    """
    A share q from 0 to 1 as a free number from 0 up.

    A likelihood depends on q² near 0 and on the logarithm of 1 − q near 1.
    """
    squared = np.minimum(np.asarray(share) ** 2, 1 - 1e-12)
    return np.arcsinh(squared / (1 - squared))


def _unbend(bent: Any) -> Any:
    odds = np.sinh(np.clip(bent, 0.0, 25.0))
    return np.sqrt(odds / (1 + odds))


def _folded_search(mean: Any, sd: Any) -> tuple[Any, Any]:
    second = mean**2 + sd**2
    return np.log(second) / 2, _bend(mean**2 / second)


def _folded_parameters(log_size: Any, bent: Any) -> tuple[Any, Any]:
    size, q = np.exp(log_size), _unbend(bent)
    return size * np.sqrt(q), size * np.sqrt(np.maximum(1 - q, 1e-12))


FOLDED = Family(
    "folded normal",
    ("mean", "sd"),
    _folded_cdf,
    _folded_sf,
    _folded_pdf,
    None,
    _folded_start,
    _folded_search,
    _folded_parameters,
    (-np.inf, 0.0),
    positive=True,
    border=True,
)


# With its mean held at 0 a folded normal has one parameter less; free, it stops at that border.
HALF = Family(
    "folded normal",
    ("mean", "sd"),
    _folded_cdf,
    _folded_sf,
    _folded_pdf,
    None,
    lambda x, w: (0.0, float(np.sqrt(np.average(x**2, weights=w)))),
    lambda mean, sd: (np.log(sd),),
    lambda log_sd: (0.0 * log_sd, np.exp(log_sd)),
    (-np.inf,),
    positive=True,
)


def _area(z: Any) -> Any:
    """Integral of the normal distribution function from minus infinity to `z`."""
    from scipy.special import ndtr

    return z * ndtr(z) + np.exp(-0.5 * z**2) / _ROOT_2PI


def _flattened_cdf(x: Any, center: Any, sd: Any, width: Any) -> Any:
    # For a band much narrower than the scatter the difference of two areas loses digits.
    wide = np.maximum(width, 1e-3 * sd)
    z, half = (x - center) / sd, wide / (2 * sd)
    flat = np.clip((_area(z + half) - _area(z - half)) * sd / wide, 0.0, 1.0)
    told = np.asarray(width > 1e-3 * sd)
    return flat if told.all() else np.where(told, flat, _normal_cdf(x, center, sd))


def _flattened_sf(x: Any, center: Any, sd: Any, width: Any) -> Any:
    return _flattened_cdf(2 * center - x, center, sd, width)


def _flattened_pdf(x: Any, center: Any, sd: Any, width: Any) -> Any:
    from scipy.special import ndtr

    wide = np.maximum(width, 1e-3 * sd)
    z, half = np.abs(x - center) / sd, wide / (2 * sd)
    flat = (ndtr(half - z) - ndtr(-half - z)) / wide
    return np.where(width > 1e-3 * sd, flat, _normal_pdf(x, center, sd))


def _flattened_start(x: Array, weight: Array) -> tuple[float, float, float]:
    # Excess kurtosis is −1.2 f², f the share of the variance that the band makes.
    mean, sd = _moments(x, weight)
    excess = float(np.average((x - mean) ** 4, weights=weight)) / sd**4 - 3
    share = float(np.sqrt(np.clip(-excess / 1.2, 1e-2, 0.9)))
    return mean, sd * float(np.sqrt(1 - share)), sd * float(np.sqrt(12 * share))


def _flattened_search(center: Any, sd: Any, width: Any) -> tuple[Any, Any, Any]:
    total = sd**2 + width**2 / 12
    return center, np.log(total) / 2, _bend(width**2 / 12 / total)


def _flattened_parameters(center: Any, log_total: Any, bent: Any) -> tuple[Any, Any, Any]:
    total, share = np.exp(log_total), _unbend(bent)
    return (
        center,
        total * np.sqrt(np.maximum(1 - share, 1e-6)),
        total * np.sqrt(12 * share),
    )


FLATTENED = Family(
    "flattened normal",
    ("center", "sd", "width"),
    _flattened_cdf,
    _flattened_sf,
    _flattened_pdf,
    None,
    _flattened_start,
    _flattened_search,
    _flattened_parameters,
    (-np.inf, -np.inf, 0.0),
    least_parts=125,
    border=True,
)

#: The shapes, by name; "half normal" is the folded normal with its mean at 0.
FAMILIES = {
    "normal": NORMAL,
    "flattened normal": FLATTENED,
    "folded normal": FOLDED,
    "half normal": HALF,
    "Rayleigh": RAYLEIGH,
    "Weibull": WEIBULL,
    "lognormal": LOGNORMAL,
}
#: Shapes tried for a size, and for a value that cannot fall below zero; simplest first.
FOR_SIZES = ("normal", "flattened normal")
FOR_ZERO_BOUNDED = ("normal", "half normal", "Rayleigh", "folded normal", "Weibull", "lognormal")
