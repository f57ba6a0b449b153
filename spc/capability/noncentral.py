"""
What a sample mean and standard deviation can say about a distance in standard deviations.

With a level ``m`` ~ N(µ, σ²/n) and an independent spread ``s`` with ``df`` degrees of freedom,
``√n (limit − m) / s`` follows a noncentral t with noncentrality ``√n (limit − µ) / σ``. All exact
bounds of the room rest on this one distribution; `n` and `df` are apart because a level and a
spread are often known from different numbers of parts.
"""

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

_NODES = 64  # Gauss-Legendre nodes a panel
_TAIL = 1e-16  # probability left out at each end of the distribution of the spread
_REACH = 8.5  # standard deviations of the level beyond which its probability is 0 or 1
_X, _W = np.polynomial.legendre.leggauss(_NODES)


@lru_cache(maxsize=256)
def _ends(df: float) -> tuple[float, float, float]:
    """Smallest and largest ``s/σ`` that matter, and the constant of its log density."""
    from scipy.special import chdtri, gammaln

    half = df / 2
    low, high = np.sqrt(chdtri(df, 1 - _TAIL) / df), np.sqrt(chdtri(df, _TAIL) / df)
    return float(low), float(high), float(np.log(2.0) + half * np.log(half) - gammaln(half))


def spread_ratio(df: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """
    Values of ``s/σ`` and their probabilities, as nodes and weights of a quadrature.

    Parameters
    ----------
    df : float
        Degrees of freedom of `s`, above 0.

    Returns
    -------
    ratio, weight : ndarray, shape (64,)
        Weights sum to 1.
    """
    low, high, constant = _ends(float(df))
    ratio = low + (high - low) * (_X + 1) / 2
    weight = np.exp(constant + (df - 1) * np.log(ratio) - df / 2 * ratio**2) * _W
    return ratio, weight / weight.sum()


def cdf(t: ArrayLike, df: float, delta: ArrayLike) -> NDArray[np.float64]:
    """
    Probability that a noncentral t lies at or below `t`.

    Parameters
    ----------
    t, delta : array_like
        Value and noncentrality, of shapes that broadcast.
    df : float
        Degrees of freedom, above 0.

    Returns
    -------
    ndarray

    Notes
    -----
    ``E[Φ(t·s/σ − δ)]`` over ``s/σ``, by Gauss-Legendre quadrature on three panels: before, across
    and after the place where Φ climbs, which is narrow for a large noncentrality.

    Examples
    --------
    >>> float(cdf(0.0, 10, 0.0).round(12))
    0.5
    """
    return _climb(t, df, delta)[0]


def noncentrality(t: ArrayLike, df: float, probability: ArrayLike) -> NDArray[np.float64]:
    """
    The noncentrality whose distribution puts `probability` at or below `t`.

    Parameters
    ----------
    t, probability : array_like
        Of shapes that broadcast; probabilities between 0 and 1.
    df : float
        Degrees of freedom, above 0.

    Returns
    -------
    ndarray

    Examples
    --------
    >>> delta = noncentrality(12.0, 29, 0.975)
    >>> float(cdf(12.0, 29, delta).round(9))
    0.975
    """
    from scipy.special import ndtri

    t, aim = np.broadcast_arrays(np.asarray(t, float), ndtri(np.asarray(probability, float)))
    delta = t - aim * np.sqrt(1 + t**2 / (2 * df))
    low, high = np.full(t.shape, -np.inf), np.full(t.shape, np.inf)
    for _ in range(200):
        below, slope, _ = _climb(t, df, delta)
        step = _probit_step(below, slope, aim)
        low, high = np.where(step > 0, delta, low), np.where(step > 0, high, delta)
        limit = 5 + np.abs(t) / np.sqrt(df)
        trial = delta + np.clip(step, -limit, limit)
        outside = (trial <= low) | (trial >= high)
        trial = np.where(outside & np.isfinite(low + high), (low + high) / 2, trial)
        done = np.abs(trial - delta) <= 1e-11 * np.maximum(1.0, np.abs(delta))
        delta = trial
        if np.all(done):
            break
    return np.asarray(delta)


def quantile(probability: ArrayLike, df: float, delta: ArrayLike) -> NDArray[np.float64]:
    """
    The value a noncentral t does not exceed with `probability`.

    Parameters
    ----------
    probability, delta : array_like
        Of shapes that broadcast; probabilities between 0 and 1.
    df : float
        Degrees of freedom, above 0.

    Returns
    -------
    ndarray

    Examples
    --------
    >>> float(quantile(0.95, 9, 1.6448536269514722 * 10**0.5) / 10**0.5).__round__(3)
    2.911
    """
    from scipy.special import nctdtrit

    p, delta = np.broadcast_arrays(np.asarray(probability, float), np.asarray(delta, float))
    t = np.asarray(nctdtrit(df, delta, p))
    for _ in range(8):  # polishes the library's value, whose accuracy varies between its versions
        below, _, slope = _climb(t, df, delta)
        step = (below - p) / slope
        t = t - step
        if np.all(np.abs(step) <= 1e-12 * np.maximum(1.0, np.abs(t))):
            break
    return np.asarray(t)


def _climb(
    t: ArrayLike, df: float, delta: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Probability at or below `t`, its fall with `delta` and its rise with `t`."""
    from scipy.special import ndtr

    t, delta = np.broadcast_arrays(np.asarray(t, float), np.asarray(delta, float))
    low, high, constant = _ends(float(df))
    safe = np.where(t == 0, 1e-300, t)
    climb = np.sort(np.stack([(delta - _REACH) / safe, (delta + _REACH) / safe], -1), -1)
    ends = np.clip(climb, low, high)
    edges = np.concatenate([np.full((*t.shape, 1), low), ends, np.full((*t.shape, 1), high)], -1)
    width = np.diff(edges, axis=-1)[..., None]
    ratio = edges[..., :-1, None] + width * (_X + 1) / 2
    weight = np.exp(constant + (df - 1) * np.log(ratio) - df / 2 * ratio**2) * width / 2 * _W
    z = t[..., None, None] * ratio - delta[..., None, None]
    bell = np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi) * weight
    return (
        np.asarray((ndtr(z) * weight).sum((-2, -1))),
        np.asarray(bell.sum((-2, -1))),
        np.asarray((bell * ratio).sum((-2, -1))),
    )


def _probit_step(
    below: NDArray[np.float64], slope: NDArray[np.float64], aim: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Newton's step in the noncentrality on the probit scale, where the curve is straight."""
    from scipy.special import ndtri

    seen = ndtri(np.clip(below, 1e-300, 1 - 1e-16))
    probit_slope = np.maximum(slope, 1e-300) / (np.exp(-0.5 * seen**2) / np.sqrt(2 * np.pi))
    return np.asarray((seen - aim) / np.maximum(probit_slope, 1e-6))
