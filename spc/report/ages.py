"""What age does to the wheel's work: spread of size and level of form by parts since the dress."""

import math
from dataclasses import dataclass

import numpy as np

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

    Of a size the value is the spread about the wear line, of form and finish the mean.
    """
    series, chart = lens.of.series, lens.of.sloping
    if chart is None or len(series) < 2 * FEWEST:
        return ()
    count = min(GROUPS, len(series) // FEWEST)
    edges = np.quantile(series.since_dress, np.linspace(0, 1, count + 1))
    place = np.clip(np.searchsorted(edges, series.since_dress, side="left") - 1, 0, count - 1)
    groups = []
    for k in range(count):
        mine = place == k
        if np.count_nonzero(mine) < FEWEST:
            return ()
        ages = series.since_dress[mine]
        values = chart.values[mine] - chart.center[mine]
        if lens.of.feature.zero_bounded:
            found = _mean(series.deviation_um[mine])
        else:
            found = _spread(values)
        groups.append(AgeGroup(int(ages.min()), int(ages.max()), int(mine.sum()), *found))
    return tuple(groups)


def _spread(values: np.ndarray) -> tuple[float, float, float]:
    """Standard deviation with its bounds by chi-square."""
    from scipy.special import chdtri

    freedom = len(values) - 1
    sum_of_squares = float(((values - values.mean()) ** 2).sum())
    low, high = (math.sqrt(sum_of_squares / chdtri(freedom, p)) for p in (0.025, 0.975))
    return math.sqrt(sum_of_squares / freedom), low, high


def _mean(values: np.ndarray) -> tuple[float, float, float]:
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
    digits = lens.digits + 2 if kind == "spread" else lens.digits + 1
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
