"""Level of a feature at its last measured part, and how sure it is."""

import math
from dataclasses import dataclass

import numpy as np

from spc.charts.limits import Chart
from spc.charts.off_line import OffLine
from spc.report.lens import FeatureLens

#: Shares of a normal value below 95 % two-sided, and below three standard errors.
_BELOW_95, _BELOW_LIMIT = 0.975, 0.5 * math.erfc(-3 / math.sqrt(2))
#: Measured parts averaged where there are too few for a wear line.
MEAN_OF = 5


@dataclass(frozen=True)
class Level:
    """
    Where a feature stands.

    `half_um` is half of the 95 % interval, None where it cannot be told; `mean_of` the number of
    parts averaged where there is no wear line to read the level from, else None. `left` are the
    last parts where they have left their wear line: value and interval are theirs then, and hold
    only if all of them stand on one level.
    """

    value_um: float
    half_um: float | None
    mean_of: int | None
    left: OffLine | None = None


def level_of(lens: FeatureLens) -> Level:
    """
    The wear line at the last measured part with the offsets in force put back.

    Where the last parts have left that line, their own mean, carried along its slope.

    Notes
    -----
    The chart's limits are those of one further part: they stand three standard errors away, or
    as many by Student's t as leave the same share outside, and
    ``error**2 = sigma**2 + line_error**2``. What sigma leaves is the line's own error; it is never
    taken for smaller than that of a mean of the parts of the running cycle.
    """
    chart, series = lens.of.sloping, lens.of.series
    if chart is None:
        y = series.deviation_um[-MEAN_OF:]
        return Level(float(y.mean()), None, len(y))
    offsets = float(series.deviation_um[-1] - series.bare_um[-1])
    line = float(chart.center[-1]) + offsets
    left = lens.of.off_line
    if left is not None:
        half = _quantile(chart, _BELOW_95) * chart.sigma / math.sqrt(left.count)
        return Level(line + left.apart, half, None, left)
    error = float(chart.upper[-1] - chart.lower[-1]) / 2 / _quantile(chart, _BELOW_LIMIT)
    in_cycle = int(np.count_nonzero(series.cycle == series.cycle[-1]))
    variance = max(error**2 - chart.sigma**2, chart.sigma**2 / in_cycle)
    half = _quantile(chart, _BELOW_95) * math.sqrt(variance)
    return Level(line, half, None)


def _quantile(chart: Chart, below: float) -> float:
    """Student's t where the chart says from how many degrees of freedom its sigma comes."""
    from scipy.special import ndtri, stdtrit

    degrees = getattr(chart, "degrees", 0)
    return float(stdtrit(degrees, below) if degrees else ndtri(below))


def level_words(lens: FeatureLens) -> str:
    """
    The level with its 95 % interval, or the mean of the few parts there are and their number.

    Where the last parts have left the wear line: that it is not known, since when and how far off;
    where the last part alone lies beyond its limits, how far.
    """
    level = level_of(lens)
    say, shown = lens.lens.voice.say, lens.estimate(level.value_um, signed=lens.is_signed)
    if level.left is not None:
        return say(
            "handover.level_left",
            part=lens.lens.part(int(lens.of.series.parts[level.left.first])),
            n=level.left.count,
            **_apart(lens, level.left.apart),
        )
    if level.mean_of is not None:
        key = "handover.level_one" if level.mean_of == 1 else "handover.level_mean"
        return say(key, level=shown, n=level.mean_of)
    if level.half_um is None:
        return shown
    shown = f"{shown.removesuffix(' µm')} ± {lens.estimate(level.half_um)}"
    chart = lens.of.sloping
    if chart is None or not chart.beyond[-1]:
        return shown
    away = float(chart.values[-1] - chart.center[-1])
    return say("handover.level_apart", level=shown, **_apart(lens, away))


def _apart(lens: FeatureLens, away: float) -> dict[str, str]:
    """How far off the wear line, and on which side."""
    side = lens.lens.voice.say("handover.above" if away > 0 else "handover.below")
    return {"apart": lens.estimate(abs(away)), "side": side}
