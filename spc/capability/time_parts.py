"""One run taken apart: drift inside dress cycles, scatter between them, scatter about the lines."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
#: A dress cycle with fewer measured parts borrows the slope of the others. Common practice, no
#: source: a slope from fewer parts follows their scatter.
OWN_LINE = 8
#: Tests of drift and dress speak below this p-value, and only for a share of the variance of at
#: least `MATERIAL`: with thousands of parts a trifle is significant. Common practice, no source.
SIGNIFICANT = 0.01
MATERIAL = 0.05


@dataclass(frozen=True, eq=False)
class TimeParts:
    """
    One run taken apart: ``y = path + residual``, and variances that add up to the total.

    Attributes
    ----------
    path, residual : ndarray, shape (n,)
        Each dress cycle's own line (offsets in it), and what is left. [µm]
    cycle : ndarray of int, shape (n,)
        Cycles that hold parts, numbered from 0.
    level : float
        Mean of all parts. [µm]
    within_var : float
        Variance about the lines, with `within_df` degrees of freedom. [µm²]
    drift_var, dress_var, total_var : float
        Of the total sample variance, what drift and dresses make of it. [µm²]
    dress_ms, dress_df, per_cycle : float
        Mean square between the cycles, drift taken out; its degrees of freedom; parts a cycle.
        Its mean is ``within + per_cycle · (variance from dress to dress)``.
    drift_error : float
        Standard error of `drift_var`. [µm²]
    drift_p, dress_p : float
        p-values of "no drift" and "no scatter from dress to dress"; 1 when it cannot be asked.
    drift_span : float
        Mean way of the path inside a dress cycle. [µm]
    way : ndarray, shape (n,)
        The path about the middle of its cycle, lines drawn together as far as chance alone parts
        them. [µm]
    stands_for : ndarray, shape (n,)
        Parts each measured part stands for: those since the measured part before it.
    """

    path: Array
    residual: Array
    cycle: Ints
    level: float
    within_var: float
    within_df: float
    drift_var: float
    dress_var: float
    total_var: float
    dress_ms: float
    dress_df: float
    per_cycle: float
    drift_error: float
    drift_p: float
    dress_p: float
    drift_span: float
    way: Array
    stands_for: Array

    @property
    def n(self) -> int:
        """Parts measured."""
        return len(self.residual)

    @property
    def cycles(self) -> int:
        """Dress cycles with measured parts."""
        return int(self.cycle.max()) + 1

    @property
    def within_sd(self) -> float:
        """Spread about the lines. [µm]"""
        return float(np.sqrt(self.within_var))

    @property
    def total_sd(self) -> float:
        """Spread as delivered. [µm]"""
        return float(np.sqrt(self.total_var))

    @property
    def scatter_var(self) -> float:
        """What the scatter about the lines makes of the total variance. [µm²]"""
        return self.total_var - self.drift_var - self.dress_var

    @property
    def drifts(self) -> bool:
        """Whether the drift is more than chance and more than a trifle."""
        return self.drift_p < SIGNIFICANT and self.drift_var >= MATERIAL * self.total_var

    @property
    def dress_scatters(self) -> bool:
        """Whether the level changes from dress to dress by more than chance and a trifle."""
        return self.dress_p < SIGNIFICANT and self.dress_var >= MATERIAL * self.total_var


def take_apart(
    y: ArrayLike,
    *,
    cycle: ArrayLike,
    since_dress: ArrayLike,
    bare: ArrayLike | None = None,
) -> TimeParts:
    """
    Drift inside dress cycles, scatter between them and scatter about the lines, told apart.

    Parameters
    ----------
    y : array_like, shape (n,)
        Deviations in grinding order, one a measured part. [µm]
    cycle : array_like of int, shape (n,)
        Dress cycle of each part.
    since_dress : array_like, shape (n,)
        Parts since the dress, 1 for the first.
    bare : array_like, shape (n,), optional
        Deviations with the offsets taken out: the lines run through these, and the offsets are
        put back onto the path. None: no offsets were made. [µm]

    Returns
    -------
    TimeParts

    Raises
    ------
    ValueError
        Fewer parts than the lines need, plus two; lengths that differ; values that are not finite.

    Examples
    --------
    >>> parts = take_apart([0, 1, 2, 3, 0, 1, 2, 3.5], cycle=[0] * 4 + [1] * 4,
    ...                    since_dress=[1, 2, 3, 4] * 2)
    >>> parts.cycles, round(parts.drift_span, 2), parts.drifts, parts.dress_scatters
    (2, 3.22, True, False)
    """
    y, x = np.asarray(y, float), np.asarray(since_dress, float)
    moves = np.zeros(len(y)) if bare is None else y - np.asarray(bare, float)
    _, which = np.unique(np.asarray(cycle), return_inverse=True)
    if not len(y) == len(x) == len(which) == len(moves):
        raise ValueError("y, cycle, since_dress and bare must have the same length")
    if not np.all(np.isfinite(y)):
        raise ValueError("y holds values that are not finite")
    line, slopes = _lines(y - moves, x, which)
    cycles = int(which.max()) + 1 if len(which) else 0
    within_df = len(y) - cycles - slopes
    if within_df < 2:
        raise ValueError(f"{len(y)} parts cannot carry {cycles} dress cycles and their drift")
    return _variances(y, x, which, line + moves, slopes, within_df)


def _lines(y: Array, x: Array, which: Ints) -> tuple[Array, int]:
    """Each cycle's line at each part, and how many slopes were estimated."""
    counts = np.bincount(which).astype(float)
    mean_x, mean_y = np.bincount(which, x) / counts, np.bincount(which, y) / counts
    off_x, off_y = x - mean_x[which], y - mean_y[which]
    sxx, sxy = np.bincount(which, off_x**2), np.bincount(which, off_x * off_y)
    own = (counts >= OWN_LINE) & (sxx > 0)
    lend = own if own.any() else sxx > 0
    common = sxy[lend].sum() / sxx[lend].sum() if lend.any() else 0.0
    slope = np.where(own, sxy / np.where(sxx > 0, sxx, 1.0), common)
    estimated = int(own.sum()) if own.any() else int(lend.any())
    return mean_y[which] + slope[which] * off_x, estimated


def _variances(
    y: Array, x: Array, which: Ints, path: Array, slopes: int, within_df: float
) -> TimeParts:
    from scipy.special import fdtrc

    n, counts = len(y), np.bincount(which).astype(float)
    dress_df = len(counts) - 1
    residual = y - path
    ss_within, ss_total = float(residual @ residual), float(((y - y.mean()) ** 2).sum())
    within, total = ss_within / within_df, ss_total / (n - 1)
    level = _level_apart_from_drift(path, x, which, counts)
    ss_dress = min(float((counts * level**2).sum()), max(ss_total - ss_within, 0.0))
    ss_drift = max(ss_total - ss_within - ss_dress, 0.0)
    # Of the variance above the scatter, each takes its share of the squares beyond chance.
    beyond = np.maximum([ss_drift - slopes * within, ss_dress - dress_df * within], 0.0)
    share = beyond / beyond.sum() if beyond.sum() > 0 else np.zeros(2)
    drift, dress = max(total - within, 0.0) * share

    def chance(ss: float, df: int) -> float:
        if df == 0 or ss == 0:
            return 1.0
        return float(fdtrc(df, within_df, ss / df / within)) if within > 0 else 0.0

    spans = np.array([np.ptp(path[which == c]) for c in range(len(counts))])
    return TimeParts(
        path=path,
        residual=residual,
        cycle=which,
        level=float(y.mean()),
        within_var=within,
        within_df=float(within_df),
        drift_var=float(drift),
        dress_var=float(dress),
        total_var=total,
        dress_ms=ss_dress / dress_df if dress_df else 0.0,
        dress_df=float(dress_df),
        per_cycle=float((n - (counts**2).sum() / n) / dress_df) if dress_df else float(n),
        drift_error=_drift_error(path, which, counts, within),
        drift_p=chance(ss_drift, slopes),
        dress_p=chance(ss_dress, dress_df),
        drift_span=float(np.average(spans, weights=counts)),
        way=_way(x, which, path, (slopes - 1) * within),
        stands_for=_stands_for(x, which),
    )


def _drift_error(path: Array, which: Ints, counts: Array, within: float) -> float:
    """
    Standard error of the mean variance of the path inside a cycle.

    From its scatter between cycles; with one cycle from the error of its slope.
    """
    means = np.bincount(which, path) / counts
    inside = np.bincount(which, (path - means[which]) ** 2) / counts
    share = counts / counts.sum()
    if len(counts) < 2:
        return float(np.sqrt(4 * inside[0] * within / counts[0]))
    k = len(counts)
    return float(np.sqrt(((share * (inside - inside @ share)) ** 2).sum() * k / (k - 1)))


def _level_apart_from_drift(path: Array, x: Array, which: Ints, counts: Array) -> Array:
    """Each cycle's level about the grand mean, less what its place in the drift explains."""
    mean_x, mean_y = np.bincount(which, x) / counts, np.bincount(which, path) / counts
    off_x = x - mean_x[which]
    sxx = float((off_x**2).sum())
    common = float((off_x * path).sum()) / sxx if sxx > 0 else 0.0
    level = mean_y - common * mean_x
    return np.asarray(level - np.average(level, weights=counts))


def _way(x: Array, which: Ints, path: Array, noise: float) -> Array:
    """
    The path inside the cycles, shrunk towards the common line.

    Its squares beyond that line hold `noise` from chance alone (James & Stein 1961).
    """
    counts = np.bincount(which)
    own = path - (np.bincount(which, path) / counts)[which]
    off_x = x - (np.bincount(which, x) / counts)[which]
    sxx = float(off_x @ off_x)
    common = off_x * (float(off_x @ own) / sxx if sxx > 0 else 0.0)
    beyond = float(((own - common) ** 2).sum())
    keep = max(1 - noise / beyond, 0.0) if beyond > 0 else 0.0
    return np.asarray(common + keep * (own - common))


def _stands_for(x: Array, which: Ints) -> Array:
    """Gap to the measured part before; the first of a cycle has the usual gap of its cycle."""
    gap = np.maximum(np.diff(x, prepend=x[0]), 1.0)
    first = np.diff(which, prepend=-1) != 0
    gap[first] = 1.0
    for c in np.unique(which[first]):
        mine = (which == c) & ~first
        if mine.any():
            gap[(which == c) & first] = np.median(gap[mine])
    return gap
