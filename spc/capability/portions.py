"""The numbers beside the delivered one: within a dress cycle, compensated, and what made them."""

import math
from dataclasses import dataclass

import numpy as np

from spc.capability import indices, intervals
from spc.capability.indices import Index
from spc.capability.performance import carriers, freedom
from spc.capability.question import UNSTABLE, Portion, Question
from spc.capability.shapes import Path, Shape
from spc.capability.time_models import TimeModel, TimeParts

WITHIN = "within a dress cycle: the scatter about its own line, at the level of the run"
COMPENSATED = "if offsets followed the drift: level on target, scatter of the dresses kept"
CORRECTED = "as delivered, seen by a gauge without spread"
_CP = ("Cp", "Cpk")


@dataclass(frozen=True)
class DriftSeen:
    """
    How much of the drift a moving-range estimate of spread sees, computed for this run.

    `drift_in_sigmas` is the drift of a dress cycle over the spread within; `moving_range` and
    `total` are the spreads that moving ranges and all parts show, over the spread within.
    """

    drift_in_sigmas: float
    moving_range: float
    total: float
    words: str


def within(
    asked: Question,
    parts: TimeParts,
    model: TimeModel,
    total: Portion,
    shape: Shape | Path | None,
) -> Portion:
    """Capability about the lines of the dress cycles; only for a stable process."""
    if not asked.stable:
        return asked.without(_CP, UNSTABLE, WITHIN, parts.within_sd)
    if not model.has_path and (shape is None or shape.name != "normal"):
        words = "constant level, not normal: the same as delivered"
        return Portion(parts.within_sd, _renamed(total.cp, "Cp"), _renamed(total.cpk, "Cpk"), words)
    n, level = float(asked.n), float(asked.y.mean())
    if model.has_path:
        # The error of the level is that of the whole run, in units of the scatter within.
        n = parts.level_n * parts.within_var / parts.total_var
    if shape is not None:
        level = carriers(asked, parts, shape)[1]
    return _normal(asked, level, parts.within_sd, n, parts.within_df, WITHIN)


def compensated(asked: Question, parts: TimeParts) -> Portion:
    """What would be left if offsets followed the drift and held the level on target."""
    if not asked.stable:
        return asked.without(_CP, UNSTABLE, COMPENSATED, None)
    if asked.zero_bounded:
        why = "offsets do not move this characteristic"
        return asked.without(_CP, why, COMPENSATED, None)
    var = parts.within_var + parts.dress_var
    noise = parts.within_var**2 / parts.within_df
    if parts.dress_df > 0:
        noise += parts.dress_var**2 / parts.dress_df
    df = min(var**2 / noise, asked.n - 1.0)
    if asked.target is None:
        return _normal(asked, float(asked.y.mean()), math.sqrt(var), asked.n, df, COMPENSATED)
    return _normal(asked, asked.target, math.sqrt(var), math.inf, df, COMPENSATED)


def gauge_corrected(
    asked: Question, parts: TimeParts, model: TimeModel, shape: Shape | Path | None
) -> Portion:
    """
    Performance with the variance of the gauge taken off, which is taken as known.

    The spread shrinks as its variance does; so do its degrees of freedom.
    """
    names = ("Pp", "Ppk")
    if shape is None:
        return asked.without(names, "no shape is accepted", CORRECTED, None)
    if asked.zero_bounded:
        why = "near zero the spread of the gauge cannot simply be taken off"
        return asked.without(names, why, CORRECTED, None)
    if not asked.gauge_var > 0:
        return asked.without(names, "the spread of the gauge is not known", CORRECTED, None)
    left = 1 - asked.gauge_var / parts.total_var
    if asked.gauge_var >= parts.within_var:
        why = "the stated spread of the gauge is more than all scatter within a dress cycle"
        return asked.without(names, why, CORRECTED, None)
    n, df = freedom(asked, parts, model)
    low, middle, high = carriers(asked, parts, shape)
    sd = (high - low) / 6 * math.sqrt(left)
    # The level is as sure as before: the same error, in units of a smaller spread.
    found = _normal(asked, middle, sd, n * left, max(df * left**2, 1.0), CORRECTED)
    return Portion(
        parts.total_sd * math.sqrt(left), _renamed(found.cp, "Pp"), _renamed(found.cpk, "Ppk"),
        CORRECTED,
    )  # fmt: skip


def about_target(asked: Question, parts: TimeParts, model: TimeModel) -> Index:
    """Cpm as delivered: the spread about the target; for a stable process with two limits."""
    if not asked.stable:
        return asked.nothing("Cpm", UNSTABLE)
    if asked.target is None or asked.lower is None or asked.upper is None:
        return asked.nothing("Cpm", "needs two limits and a target")
    mean, sd = float(asked.y.mean()), parts.total_sd
    value = indices.cpm(mean, sd, target=asked.target, lower=asked.lower, upper=asked.upper)
    _, df = freedom(asked, parts, model)
    bounds = intervals.cpm_interval(value, df + 1, off_target=(mean - asked.target) / sd)
    return Index("Cpm", value, bounds.lower, bounds.upper, asked.n)


def budget(asked: Question, parts: TimeParts) -> tuple[tuple[str, float, float], ...]:
    """Shares of the total variance: drift, dresses, gauge, and what is left for the parts."""
    gauge = min(asked.gauge_var, parts.within_var)
    rows = (
        ("drift inside the dress cycle", parts.drift_var),
        ("dress to dress", parts.dress_var),
        ("part to part", parts.within_var - gauge),
        ("gauge", gauge),
    )
    return tuple((name, math.sqrt(var), var / parts.total_var) for name, var in rows)


def drift_seen(asked: Question, parts: TimeParts) -> DriftSeen | None:
    """What moving ranges see of this run's drift; None when nothing scatters."""
    if not parts.within_sd > 0:
        return None
    # Mean moving range over 2/sqrt(pi), which is its mean for normal parts of spread 1.
    moving = float(np.abs(np.diff(asked.y)).mean()) * math.sqrt(math.pi) / 2
    seen, total = moving / parts.within_sd, parts.total_sd / parts.within_sd
    span = parts.drift_span / parts.within_sd
    words = "The level does not drift inside the dress cycles: nothing is hidden."
    if parts.drifts:
        words = (
            f"The level moves {span:.1f} within-cycle sigmas in a dress cycle. All parts together "
            f"spread {total:.2f} times the scatter within; moving ranges show {seen:.2f} times, so "
            "an index built on them would hide most of the drift."
        )
    return DriftSeen(span, seen, total, words)


def _renamed(index: Index, name: str) -> Index:
    return Index(name, index.value, index.lower, index.upper, index.n, index.why)


def _normal(asked: Question, level: float, sd: float, n: float, df: float, words: str) -> Portion:
    """Cp and Cpk of normal scatter about a level known as well as from `n` parts."""
    cp = asked.one_limit("Cp")
    if asked.lower is not None and asked.upper is not None:
        value = indices.cp(sd, lower=asked.lower, upper=asked.upper)
        bounds = intervals.cp_interval(value, df=df)
        cp = Index("Cp", value, bounds.lower, bounds.upper, asked.n)
    limits = {"lower": asked.lower, "upper": asked.upper}
    value = indices.cpk(level, sd, **limits)
    bounds = intervals.cpk_interval(level, sd, n, df=df, lower=asked.lower, upper=asked.upper)
    return Portion(sd, cp, Index("Cpk", value, bounds.lower, bounds.upper, asked.n), words)
