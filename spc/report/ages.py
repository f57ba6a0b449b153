"""What age does to the wheel's work: spread of size and level of form by parts since the dress."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.report.lens import FeatureLens
from spc.report.pieces import Picture, Table
from spc.report.wheel_figures import ages_figure

#: Parts that an age group must hold before its spread is shown, and how many groups are tried.
FEWEST, GROUPS = 8, 4


@dataclass(frozen=True)
class AgeGroup:
    """Parts of about one age: from `first` to `last` since their dress, with 95 % bounds."""

    first: int
    last: int
    n: int
    value: float
    lower: float
    upper: float


def age_groups(lens: FeatureLens) -> tuple[AgeGroup, ...]:
    """
    Groups of about equally many parts, youngest first; empty when there are too few.

    Of a size the value is the spread of neighbours about their own short line, so that wear which
    bends is not taken for scatter; of form and finish it is the mean.
    """
    series, chart = lens.of.series, lens.of.sloping
    if chart is None or len(series) < 2 * FEWEST:
        return ()
    apart = off_neighbours(series.cycle, series.since_dress, chart.values)
    for count in range(min(GROUPS, len(series) // FEWEST), 1, -1):
        groups = _groups(lens, count, apart)
        if groups:
            return groups
    return ()


def _groups(lens: FeatureLens, count: int, apart: NDArray[np.float64]) -> tuple[AgeGroup, ...]:
    """So many groups; empty when one of them tells too little."""
    series = lens.of.series
    edges = np.quantile(series.since_dress, np.linspace(0, 1, count + 1))
    place = np.clip(np.searchsorted(edges, series.since_dress, side="left") - 1, 0, count - 1)
    groups = []
    for k in range(count):
        mine = place == k
        of_size = not lens.of.feature.zero_bounded
        told = apart[mine & ~np.isnan(apart)] if of_size else series.deviation_um[mine]
        if len(told) < FEWEST:
            return ()
        found = _spread(told) if of_size else _mean(told)
        ages = series.since_dress[mine]
        groups.append(AgeGroup(int(ages.min()), int(ages.max()), int(mine.sum()), *found))
    return tuple(groups)


def off_neighbours(cycle: ArrayLike, age: ArrayLike, y: ArrayLike) -> NDArray[np.float64]:
    """
    How far each part lies off the line through its two neighbours, scaled to the parts' spread.

    Parameters
    ----------
    cycle, age : array_like of int, shape (n,)
        Dress cycle, and parts since its dress, rising within a cycle.
    y : array_like, shape (n,)
        Sizes with offsets taken out. [µm]

    Returns
    -------
    ndarray, shape (n,)
        Of standard deviation sigma when the parts scatter by sigma about any smooth wear; NaN at
        both ends of a cycle. [µm]

    References
    ----------
    .. [1] Gasser, Sroka & Jennen-Steinmetz (1986), Residual variance and residual pattern in
       nonlinear regression, Biometrika 73, 625-633: pseudo-residuals.

    Examples
    --------
    >>> off_neighbours([0, 0, 0, 0], [1, 2, 3, 4], [0.0, 1.0, 2.0, 5.0]).round(3).tolist()
    [nan, 0.0, -0.816, nan]
    """
    cycle, age = np.asarray(cycle), np.asarray(age, float)
    y = np.asarray(y, float)
    off = np.full(len(y), np.nan)
    if len(y) < 3:
        return off
    room = np.maximum(age[2:] - age[:-2], 1.0)
    before, after = (age[2:] - age[1:-1]) / room, (age[1:-1] - age[:-2]) / room
    raw = y[1:-1] - before * y[:-2] - after * y[2:]
    together = cycle[2:] == cycle[:-2]
    off[1:-1] = np.where(together, raw / np.sqrt(1 + before**2 + after**2), np.nan)
    return off


def _spread(values: NDArray[np.float64]) -> tuple[float, float, float]:
    """
    Standard deviation with its bounds by chi-square.

    Values that share neighbours tell less than as many free ones: with lag correlations of -4/6
    and 1/6 the variance of their mean square is 35/9 sigma⁴/n, that of 18/35 n free values.
    """
    from scipy.special import chdtri

    freedom = 18 / 35 * len(values)
    mean_square = float((values**2).mean())
    low, high = (math.sqrt(freedom * mean_square / chdtri(freedom, p)) for p in (0.025, 0.975))
    return math.sqrt(mean_square), low, high


def _mean(values: NDArray[np.float64]) -> tuple[float, float, float]:
    """Mean with its bounds by Student's t."""
    from scipy.special import stdtrit

    mean, freedom = float(values.mean()), len(values) - 1
    half = float(stdtrit(freedom, 0.975)) * float(values.std(ddof=1)) / math.sqrt(len(values))
    return mean, mean - half, mean + half


def ages_picture(lens: FeatureLens) -> Picture | None:
    """The groups as a picture; its caption says whether age shows."""
    groups = age_groups(lens)
    if len(groups) < 2:
        return None
    say, voice = lens.lens.voice.say, lens.lens.voice
    kind = "form" if lens.of.feature.zero_bounded else "spread"
    young, old = groups[0], groups[-1]
    # Bounds that do not meet differ at well under 5 %; bounds that meet prove nothing.
    grown = "grows" if old.lower > young.upper else "falls" if old.upper < young.lower else "open"
    digits = lens.digits + 1
    rows = tuple(
        (
            say("ages.span", first=g.first, last=g.last),
            str(g.n),
            voice.number(g.value, digits),
            say("wheel.between", low=voice.number(g.lower, digits),
                high=voice.number(g.upper, digits)),
        )
        for g in groups
    )  # fmt: skip
    head = tuple(say(f"ages.{h}") for h in ("age", "parts", kind, "interval"))
    words = say(
        f"ages.says_{grown}",
        subject=say(f"ages.subject_{kind}", feature=lens.name),
        young=voice.um(young.value, digits),
        old=voice.um(old.value, digits),
        age=old.first,
    )
    return Picture(
        key=f"age-{lens.place}",
        title=say(f"ages.title_{kind}", feature=lens.name),
        caption=words,
        spec=ages_figure(lens, [(g.first, g.last, g.value, g.lower, g.upper) for g in groups]),
        tables=(Table(head, rows, frozenset({0, 1, 2, 3})),),
    )
