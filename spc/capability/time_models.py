"""
How a characteristic behaves over time: drift, dress and scatter told apart, and the model named.

The models are the eight of ISO 22514-2 (meaning from memory): A1 and A2 constant level and spread,
normal or not; B the spread varies; C1 and C2 the level varies at random, normal or not; C3 the
level follows a trend; C4 trend and random change together; D level and spread vary. Steady wheel
wear is C3; with a scatter of the level from dress to dress it is C4.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.capability.fit_test import normality

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
#: A dress cycle with fewer measured parts borrows the slope of the others. Common practice, no
#: source: a slope from fewer parts follows their scatter.
OWN_LINE = 8
#: Tests of drift, dress and spread speak below this p-value, and only for a share of the variance
#: of at least `MATERIAL`: with thousands of parts a trifle is significant. Common practice, no
#: source.
SIGNIFICANT = 0.01
MATERIAL = 0.05
_BLOCKS = 10  # consecutive blocks that stand for cycles in a run without dresses
_SEED = 20_140_135

WORDS = {
    "A1": "level and spread constant, normal",
    "A2": "level and spread constant, not normal",
    "B": "level constant, spread changes",
    "C1": "level changes at random, normal about it",
    "C2": "level changes at random, not normal about it",
    "C3": "level drifts with the wheel, the same way in every dress cycle",
    "C4": "level drifts with the wheel, and its start scatters from dress to dress",
    "D": "level and spread both change",
}


@dataclass(frozen=True, eq=False)
class TimeParts:
    """
    One run taken apart: ``y = path + residual``, variances that add up to the total.

    Attributes
    ----------
    path, residual : ndarray, shape (n,)
        Each dress cycle's own line (offsets in it), and what is left. [µm]
    cycle : ndarray of int, shape (n,)
        Cycles that hold parts, numbered from 0.
    within_var, drift_var, dress_var, total_var : float
        ``total = within + drift + dress``. [µm²]
    within_df : float
        Degrees of freedom of the residual spread.
    total_df, level_n : float
        Degrees of freedom of the total variance, and the number of independent parts that would
        know the mean as well: fewer than the parts when only a few cycles were seen.
    drift_p, dress_p : float
        p-values of "no drift" and "no scatter from dress to dress"; 1 when it cannot be asked.
    drift_span : float
        Mean way of the path inside a dress cycle. [µm]
    stands_for : ndarray, shape (n,)
        Parts each measured part stands for: those since the measured part before it.
    """

    path: Array
    residual: Array
    cycle: Ints
    within_var: float
    drift_var: float
    dress_var: float
    total_var: float
    within_df: float
    dress_df: float
    total_df: float
    level_n: float
    drift_p: float
    dress_p: float
    drift_span: float
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
    def drifts(self) -> bool:
        """Whether the drift is more than chance and more than a trifle."""
        return self.drift_p < SIGNIFICANT and self.drift_var >= MATERIAL * self.total_var

    @property
    def dress_scatters(self) -> bool:
        """Whether the level changes from dress to dress by more than chance and a trifle."""
        return self.dress_p < SIGNIFICANT and self.dress_var >= MATERIAL * self.total_var


@dataclass(frozen=True)
class TimeModel:
    """
    The time model of a run, with the questions that led to it.

    `asked` holds (question, p-value, answer) in the order they were put.
    """

    name: str
    words: str
    asked: tuple[tuple[str, float, str], ...] = field(default=())

    @property
    def scatter_p(self) -> float:
        """p-value of "normal about the level"."""
        return self.asked[-1][1]

    @property
    def has_path(self) -> bool:
        """Whether the level moves: the total is wider than the scatter at any moment."""
        return self.name[0] in "CD"


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
    """
    y, x = np.asarray(y, float), np.asarray(since_dress, float)
    moves = np.zeros(len(y)) if bare is None else y - np.asarray(bare, float)
    _, which = np.unique(np.asarray(cycle), return_inverse=True)
    if not len(y) == len(x) == len(which) == len(moves):
        raise ValueError("y, cycle, since_dress and bare must have the same length")
    if not np.all(np.isfinite(y)):
        raise ValueError("y holds values that are not finite")
    line, slopes = _lines(y - moves, x, which)
    path = line + moves
    cycles = int(which.max()) + 1 if len(which) else 0
    within_df = len(y) - cycles - slopes
    if within_df < 2:
        raise ValueError(f"{len(y)} parts cannot carry {cycles} dress cycles and their drift")
    return _variances(y, x, which, path, slopes, within_df)


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
    cycles = len(counts)
    residual = y - path
    ss_within = float((residual**2).sum())
    ss_total = float(((y - y.mean()) ** 2).sum())
    within, total = ss_within / within_df, ss_total / (n - 1)
    level = _level_apart_from_drift(path, x, which, counts)
    ss_dress = float(min((counts * level**2).sum(), max(ss_total - ss_within, 0.0)))
    ss_drift = max(ss_total - ss_within - ss_dress, 0.0)
    dress_raw = max(ss_dress - (cycles - 1) * within, 0.0)
    drift_raw = max(ss_drift - slopes * within, 0.0)
    rest = max(total - within, 0.0)
    raw = dress_raw + drift_raw
    drift = rest * drift_raw / raw if raw > 0 else 0.0
    dress = rest * dress_raw / raw if raw > 0 else 0.0

    def chance(ss: float, df: int) -> float:
        return float(fdtrc(df, within_df, ss / df / within)) if df > 0 and within > 0 else 1.0

    within = min(within, total)
    total_df, level_n = _effective(n, cycles, counts, which, path, within, within_df, drift, dress)
    spans = [np.ptp(path[which == c]) for c in range(cycles)]
    return TimeParts(
        path, residual, which, within, drift, dress, total, within_df, float(cycles - 1), total_df,
        level_n, chance(ss_drift, slopes), chance(ss_dress, cycles - 1),
        float(np.average(spans, weights=counts)), _stands_for(x, which),
    )  # fmt: skip


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


def _level_apart_from_drift(path: Array, x: Array, which: Ints, counts: Array) -> Array:
    """Each cycle's level about the grand mean, less what its place in the drift explains."""
    mean_x, mean_y = np.bincount(which, x) / counts, np.bincount(which, path) / counts
    off_x = x - mean_x[which]
    sxx = float((off_x**2).sum())
    common = float((off_x * path).sum()) / sxx if sxx > 0 else 0.0
    level = mean_y - common * mean_x
    return np.asarray(level - np.average(level, weights=counts))


def _effective(
    n: int,
    cycles: int,
    counts: Array,
    which: Ints,
    path: Array,
    within: float,
    within_df: float,
    drift: float,
    dress: float,
) -> tuple[float, float]:
    """Degrees of freedom of the total (Satterthwaite), and parts that know the mean as well."""
    total = within + drift + dress
    if cycles < 2 or total <= 0:
        return float(n - 1), float(n)
    means = np.bincount(which, path) / counts
    in_cycle = np.bincount(which, (path - means[which]) ** 2) / counts
    share = counts / n
    drift_noise = (
        float((share**2 * (in_cycle - in_cycle @ share) ** 2).sum()) * cycles / (cycles - 1)
    )
    noise = 2 * within**2 / within_df + 2 * dress**2 / (cycles - 1) + drift_noise
    between = float((share * (means - means @ share) ** 2).sum()) * cycles / (cycles - 1)
    between = max(between - within * cycles / n, 0.0)
    level_var = within / n + between * float((share**2).sum())
    return float(min(2 * total**2 / noise, n - 1)), float(min(total / level_var, n))


def time_model(parts: TimeParts, *, step: float | None = None) -> TimeModel:
    """
    The model of ISO 22514-2 that the run shows.

    Parameters
    ----------
    parts : TimeParts
        The run taken apart.
    step : float, optional
        Rounding of the readings. [µm]

    Returns
    -------
    TimeModel

    References
    ----------
    .. [1] ISO 22514-2:2017, time-dependent distribution models (meaning from memory).
    .. [2] Brown & Forsythe (1974), JASA 69, 364-367 (equality of spreads).
    """
    spread_p = spread_changes(parts)
    shape_p = scatter_normality(parts, step=step)
    spread_varies, normal = spread_p < SIGNIFICANT, shape_p >= SIGNIFICANT
    asked = (
        ("does the level drift inside a dress cycle?", parts.drift_p, _yes(parts.drifts)),
        ("does it scatter from dress to dress?", parts.dress_p, _yes(parts.dress_scatters)),
        ("does the spread change?", spread_p, _yes(spread_varies)),
        ("is the scatter about the level normal?", shape_p, _yes(normal)),
    )
    moves = parts.drifts or parts.dress_scatters
    if spread_varies:
        name = "D" if moves else "B"
    elif parts.drifts:
        name = "C4" if parts.dress_scatters else "C3"
    elif parts.dress_scatters:
        name = "C1" if normal else "C2"
    else:
        name = "A1" if normal else "A2"
    return TimeModel(name, WORDS[name], asked)


def _yes(answer: bool) -> str:
    return "yes" if answer else "no"


def spread_changes(parts: TimeParts) -> float:
    """p-value of "the same spread all along", over dress cycles or consecutive blocks."""
    groups = _groups(parts)
    return brown_forsythe([parts.residual[groups == g] for g in np.unique(groups)])[1]


def _groups(parts: TimeParts) -> Ints:
    counts = np.bincount(parts.cycle)
    if parts.cycles > 1 and np.median(counts) >= OWN_LINE:
        return parts.cycle
    blocks = min(_BLOCKS, max(parts.n // 10, 1))
    return np.asarray(np.arange(parts.n) * blocks // parts.n)


def brown_forsythe(groups: list[Array]) -> tuple[float, float]:
    """
    F statistic and p-value of equal spreads: absolute distances from the medians.

    Parameters
    ----------
    groups : list of array_like
        One sample each; samples of fewer than 3 are left out.

    Returns
    -------
    statistic, p_value : float
        0 and 1 when fewer than two groups are left.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.5.10.
    """
    from scipy.special import fdtrc

    apart = [np.abs(g - np.median(g)) for g in map(np.asarray, groups) if len(g) >= 3]
    if len(apart) < 2:
        return 0.0, 1.0
    n, k = sum(map(len, apart)), len(apart)
    grand = np.concatenate(apart).mean()
    between = sum(len(a) * (a.mean() - grand) ** 2 for a in apart) / (k - 1)
    inside = sum(((a - a.mean()) ** 2).sum() for a in apart) / (n - k)
    if not inside > 0:
        return 0.0, 1.0
    statistic = float(between / inside)
    return statistic, float(fdtrc(k - 1, n - k, statistic))


def bartlett(groups: list[Array]) -> tuple[float, float]:
    """
    Chi-square statistic and p-value of equal variances for normal samples.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.5.7.
    """
    from scipy.special import chdtrc

    samples = [np.asarray(g, float) for g in groups]
    df = np.array([len(g) - 1 for g in samples], float)
    variance = np.array([g.var(ddof=1) for g in samples])
    pooled = (df * variance).sum() / df.sum()
    top = df.sum() * np.log(pooled) - (df * np.log(variance)).sum()
    spread = (1 / df).sum() - 1 / df.sum()
    statistic = float(top / (1 + spread / (3 * (len(samples) - 1))))
    return statistic, float(chdtrc(len(samples) - 1, statistic))


def scatter_normality(parts: TimeParts, *, step: float | None = None) -> float:
    """
    p-value of "normal about the path"; 1 for fewer than 8 parts or no scatter.

    Rounded readings become quantile residuals [1]_: each is spread over the probability its
    interval holds, with seeded random numbers, so that steps do not look like a shape.

    References
    ----------
    .. [1] Dunn & Smyth (1996), J. Computational and Graphical Statistics 5, 236-244.
    """
    if parts.n < 8 or not parts.within_sd > 0:
        return 1.0
    z = parts.residual
    if step:
        from scipy.special import ndtr, ndtri

        # Rounding adds step²/12 to the variance; the scatter below it is what is asked about.
        sd = np.sqrt(max(parts.within_var - step**2 / 12, parts.within_var / 4))
        low, high = ndtr((z - step / 2) / sd), ndtr((z + step / 2) / sd)
        place = np.random.default_rng(_SEED).uniform(size=len(z))
        z = ndtri(np.clip(low + place * (high - low), 1e-15, 1 - 1e-15))
    return normality(z).p_value
