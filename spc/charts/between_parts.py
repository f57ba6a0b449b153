"""Parts read at several points: what differs within a part, and what from part to part."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from spc import sigma as spread
from spc.charts.limits import Chart, ChartPair, FrozenLimits, base_of, in_base
from spc.charts.shewhart import BaseSpan, averages_range_chart, averages_s_chart, individuals_chart


@dataclass(frozen=True, eq=False)
class PartsCharts:
    """
    Level of parts, steps from part to part, and spread within parts.

    Attributes
    ----------
    level : Chart
        Means of parts as single values, limits from the steps between parts.
    steps : Chart
        Moving ranges of those means.
    within : Chart
        Ranges, or standard deviations, of the readings of each part.
    sigma_within : float
        Standard deviation of readings of one part: form, taper, gauge.
    sigma_between : float
        Standard deviation of parts, what is left after the mean of the readings has its share of
        `sigma_within` taken out; 0 when nothing is left.
    """

    level: Chart
    steps: Chart
    within: Chart
    sigma_within: float
    sigma_between: float

    @property
    def sigma_reading(self) -> float:
        """Standard deviation of a single reading of a single part."""
        return math.hypot(self.sigma_within, self.sigma_between)

    def to_frame(self) -> Any:
        """One row a part, as a pandas DataFrame: each chart's columns under its statistic."""
        import pandas as pd

        each = {"level": self.level, "steps": self.steps, "within": self.within}
        return pd.concat({name: chart.to_frame() for name, chart in each.items()}, axis=1)

    @property
    def location(self) -> ChartPair:
        """Level and steps as a pair."""
        return ChartPair(self.level, self.steps)


def parts_charts(
    readings: ArrayLike | Sequence[ArrayLike],
    *,
    base: BaseSpan = None,
    frozen: FrozenLimits | None = None,
    frozen_within: FrozenLimits | None = None,
    deviations: bool = False,
) -> PartsCharts:
    """
    Charts for parts read at several points each.

    Readings of one part are no sample of the process: limits for the means from spread within
    parts would be far too narrow, so means are charted as single values.

    Parameters
    ----------
    readings : array_like, shape (parts, points), or sequence of array_likes
        One row a part in grinding order; NaN is a missing reading. [µm]
    base : Base, (first, last) or None
        Positions of parts that all limits come from; None: all.
    frozen, frozen_within : FrozenLimits, optional
        Judge means, and spread within parts, by these.
    deviations : bool
        Spread within parts by standard deviations instead of ranges.

    Returns
    -------
    PartsCharts

    References
    ----------
    .. [1] D. J. Wheeler (1995), Advanced Topics in Statistical Process Control, charts for
       three components (from memory).

    Examples
    --------
    >>> charts = parts_charts([[1.0, 1.2], [3.0, 3.2], [2.0, 2.1]])
    >>> round(charts.sigma_within, 3), round(charts.sigma_between, 3)
    (0.148, 1.347)
    """
    table = spread.as_groups(readings)
    means = spread.means(table)
    pair = individuals_chart(means, base=base, frozen=frozen)
    make = averages_s_chart if deviations else averages_range_chart
    within = make(table, base=base, frozen=frozen_within).spread
    found = base_of(base, len(table))
    count = spread.sizes(in_base(table, found))
    # Each mean carries sigma_within squared over its own number of readings.
    share = float(np.mean(1 / count[count > 0]))
    between2 = pair.location.sigma**2 - share * within.sigma**2
    return PartsCharts(
        pair.location,
        pair.spread,
        within,
        sigma_within=within.sigma,
        sigma_between=math.sqrt(max(0.0, between2)),
    )
