"""The numbers beside the delivered one: within a dress cycle, compensated, and what made them."""

import math
from dataclasses import dataclass

import numpy as np

from spc.capability import indices, intervals
from spc.capability.could_be import could_be
from spc.capability.fit_test import REFUSED_BELOW
from spc.capability.indices import Index
from spc.capability.path import Path
from spc.capability.performance import carriers
from spc.capability.question import UNSTABLE, Portion, Question
from spc.capability.shapes import Shape
from spc.capability.time_models import TimeModel
from spc.capability.time_parts import TimeParts

WITHIN = "within a dress cycle: the scatter about its own line, at the level of the run"
COMPENSATED = "if offsets followed the drift: level on target, scatter of the dresses kept"
CORRECTED = "as delivered, seen by a gauge without spread"
_CP = ("Cp", "Cpk")
_NOT_NORMAL = (
    "not enough yet: the scatter about the level is not normal, and no shape stands for it"
)


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
    if model.has_path:
        if model.scatter_p < REFUSED_BELOW:
            return asked.without(_CP, _NOT_NORMAL, WITHIN, parts.within_sd)
        return _within_moving(asked, parts, shape)
    if shape is None or shape.name != "normal":
        words = "constant level, not normal: the same as delivered"
        cp, cpk = _renamed(total.cp, "Cp"), _renamed(total.cpk, "Cpk")
        return Portion(parts.within_sd, cp, cpk, words)
    return _normal(asked, parts.level, parts.within_sd, asked.n, parts.within_df, WITHIN)


def _within_moving(asked: Question, parts: TimeParts, shape: Shape | Path | None) -> Portion:
    """The level is as unsure as the whole run leaves it; the scatter is known from all parts."""
    truths = could_be(parts)
    middle = parts.level if shape is None else carriers(asked, parts, shape)[1]
    level, sd = truths.level + middle - parts.level, np.sqrt(truths.within_var)
    found = _normal(asked, middle, parts.within_sd, asked.n, parts.within_df, WITHIN)
    cpk = asked.bounded("Cpk", found.cpk.value or 0.0, _sides(asked, level, sd))
    return Portion(found.sigma, found.cp, cpk, WITHIN)


def compensated(asked: Question, parts: TimeParts, model: TimeModel) -> Portion:
    """What would be left if offsets followed the drift and held the level on target."""
    if not asked.stable:
        return asked.without(_CP, UNSTABLE, COMPENSATED, None)
    if asked.zero_bounded:
        why = "offsets do not move this characteristic"
        return asked.without(_CP, why, COMPENSATED, None)
    if model.scatter_p < REFUSED_BELOW:
        return asked.without(_CP, _NOT_NORMAL, COMPENSATED, None)
    level = parts.level if asked.target is None else asked.target
    sd = math.sqrt(parts.within_var + (parts.dress_var if model.has_path else 0.0))
    n = asked.n if asked.target is None else math.inf
    found = _normal(asked, level, sd, n, parts.within_df, COMPENSATED)
    if not model.has_path:
        return found
    truths = could_be(parts)
    held = truths.level if asked.target is None else np.full(truths.level.shape, level)
    cp = found.cp
    if cp.value is not None:
        cp = asked.bounded("Cp", cp.value, [cp.value * sd / truths.scatter_sd])
    cpk = asked.bounded("Cpk", found.cpk.value or 0.0, _sides(asked, held, truths.scatter_sd))
    return Portion(sd, cp, cpk, COMPENSATED)


def gauge_corrected(
    asked: Question, parts: TimeParts, total: Portion, shape: Shape | Path | None
) -> Portion:
    """
    Performance with the variance of the gauge taken off, which is taken as known.

    Value and bounds grow as the spread shrinks; the bounds are taken at what the total spread
    could be, so that a small index is corrected by more than a large one.
    """
    names = ("Pp", "Ppk")
    why = ""
    if shape is None or total.cpk.value is None:
        why = "there is no observed index to correct"
    elif asked.zero_bounded:
        why = "near zero the spread of the gauge cannot simply be taken off"
    elif not asked.gauge_var > 0:
        why = "the spread of the gauge is not known"
    elif asked.gauge_var >= min(parts.within_var, parts.total_var):
        why = "the stated spread of the gauge is more than all scatter within a dress cycle"
    if why:
        return asked.without(names, why, CORRECTED, None)
    share = asked.gauge_var / parts.total_var

    def grown(index: Index) -> Index:
        if index.value is None or index.lower is None or index.upper is None:
            return index
        ends = [
            bound / math.sqrt(max(1 - share * (bound / index.value) ** 2, 0.01))
            for bound in (index.lower, index.upper)
        ]
        value = index.value / math.sqrt(1 - share)
        return Index(index.name, value, ends[0], ends[1], index.n)

    sigma = parts.total_sd * math.sqrt(1 - share)
    return Portion(sigma, grown(total.cp), grown(total.cpk), CORRECTED)


def about_target(asked: Question, parts: TimeParts, model: TimeModel) -> Index:
    """Cpm as delivered: the spread about the target; for a stable process with two limits."""
    if not asked.stable:
        return asked.nothing("Cpm", UNSTABLE)
    if asked.target is None or asked.lower is None or asked.upper is None:
        return asked.nothing("Cpm", "needs two limits and a target")
    width, sd = asked.upper - asked.lower, parts.total_sd
    value = width / (6 * math.hypot(sd, parts.level - asked.target))
    if model.has_path:
        truths = could_be(parts)
        about = np.hypot(truths.total_sd, truths.level - asked.target)
        return asked.bounded("Cpm", value, [width / (6 * about)])
    off = (parts.level - asked.target) / sd
    bounds = intervals.cpm_interval(value, asked.n, off_target=off)
    return Index("Cpm", value, bounds.lower, bounds.upper, asked.n)


def _sides(asked: Question, level: np.ndarray, sd: np.ndarray) -> list[np.ndarray]:
    """One-sided indices, one array a limit that exists."""
    sides = []
    if asked.lower is not None:
        sides.append((level - asked.lower) / (3 * sd))
    if asked.upper is not None:
        sides.append((asked.upper - level) / (3 * sd))
    return sides


def budget(asked: Question, parts: TimeParts) -> tuple[tuple[str, float, float], ...]:
    """Shares of the total variance: drift, dresses, gauge, and what is left for the parts."""
    gauge = min(asked.gauge_var, parts.scatter_var)
    rows = (
        ("drift inside the dress cycle", parts.drift_var),
        ("dress to dress", parts.dress_var),
        ("part to part", parts.scatter_var - gauge),
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
            f"spread {total:.2f} times the scatter within; moving ranges show {seen:.2f} times"
            f"{_hidden(seen, total)}."
        )
    return DriftSeen(span, seen, total, words)


def _hidden(seen: float, total: float) -> str:
    """How much of the variance beyond the scatter moving ranges miss."""
    missed = (total**2 - seen**2) / (total**2 - 1) if total > 1 else 0.0
    if missed > 0.5:
        return ", so an index built on them would hide most of the drift"
    if missed > 0.05:
        return ", so an index built on them would hide part of the drift"
    return ": offsets, dresses or gaps between checks make steps that they see"


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
