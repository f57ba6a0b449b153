"""
One characteristic of one run, judged in the order an auditor asks.

Stable? Which time model? Which shape? Which index may be quoted? How sure is it?
"""

from dataclasses import InitVar, dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from spc.capability import portions
from spc.capability.fit_test import FitTest, fit_tests
from spc.capability.indices import Index
from spc.capability.path import Path
from spc.capability.performance import WORDS, delivered_shape, performance
from spc.capability.portions import DriftSeen
from spc.capability.question import Portion, Question
from spc.capability.shapes import Shape
from spc.capability.time_models import TimeModel, time_model
from spc.capability.time_parts import TimeParts, take_apart
from spc.capability.verdict import far_out, quotable, remarks, sentence, verdict


@dataclass(frozen=True, eq=False)
class Evidence:
    """What an assessment was made from: kept for figures and closer looks, not for JSON."""

    asked: Question
    parts: TimeParts | None = None
    model: TimeModel | None = None
    shape: Shape | Path | None = None


@dataclass(frozen=True, eq=False)
class Capability:
    """
    What may be claimed of one characteristic, and how sure it is. Lengths in µm.

    Attributes
    ----------
    n : int
        Parts measured.
    stable : bool
        As judged by the caller from the charts.
    model, model_words : str
        Time model of ISO 22514-2.
    asked : tuple of (question, p-value, answer)
        What led to the model.
    shape : str
        Name of the shape as delivered; empty when none is accepted.
    within, total, compensated, corrected : Portion
        Within a dress cycle; as delivered; with the drift compensated; as delivered without the
        spread of the gauge.
    cpm, ppm : Index
        Spread about the target; expected parts per million outside the limits.
    budget : tuple of (name, sigma, share)
        Variance budget; shares of the total variance add up to 1. [name, µm, 1]
    drift_seen : DriftSeen or None
        How much of the drift a moving-range index would see.
    allowed : tuple of str
        Indices that may be quoted.
    verdict : str
        One sentence.
    not_enough : str or None
        What is missing before the question can be answered, and how many parts would do.
    outliers : tuple of int
        Positions in the readings of parts too far out to belong, the farthest first; none is
        taken out.
    remarks : tuple of str
        What limits the claim: the gauge, the sampling, the number of dress cycles.
    """

    n: int
    stable: bool
    model: str
    model_words: str
    asked: tuple[tuple[str, float, str], ...]
    shape: str
    within: Portion
    total: Portion
    compensated: Portion
    corrected: Portion
    cpm: Index
    ppm: Index
    budget: tuple[tuple[str, float, float], ...]
    drift_seen: DriftSeen | None
    allowed: tuple[str, ...]
    verdict: str
    not_enough: str | None
    outliers: tuple[int, ...]
    remarks: tuple[str, ...]
    from_evidence: InitVar[Evidence]

    def __post_init__(self, from_evidence: Evidence) -> None:
        object.__setattr__(self, "_evidence", from_evidence)

    @property
    def evidence(self) -> Evidence:
        """The readings, the run taken apart and the shape delivered."""
        kept: Evidence = self.__dict__["_evidence"]
        return kept

    @cached_property
    def shapes(self) -> tuple[FitTest, ...]:
        """Every shape tried on all parts, accepted ones first; tested when first asked for."""
        asked = self.evidence.asked
        if self.evidence.parts is None:
            return ()
        return fit_tests(asked.families, asked.y, step=asked.step)


def assess(
    y: ArrayLike,
    *,
    cycle: ArrayLike,
    since_dress: ArrayLike,
    lower: float | None,
    upper: float | None,
    target: float | None,
    stable: bool,
    zero_bounded: bool = False,
    gauge_sd: float | None = None,
    step: float | None = None,
    bare: ArrayLike | None = None,
    required: float = 1.33,
) -> Capability:
    """
    What may be claimed of one characteristic, and how sure it is.

    Parameters
    ----------
    y : array_like, shape (n,)
        Deviations in grinding order, one value a measured part. [µm]
    cycle : array_like of int, shape (n,)
        Dress cycle of each part.
    since_dress : array_like, shape (n,)
        Parts since the dress, 1 for the first part after it.
    lower, upper : float or None
        Limits, at least one; an infinite one counts as none. [µm]
    target : float or None
        Where the level should sit; None: one limit and no target. [µm]
    stable : bool
        Whether the charts, which follow the drift, found the process stable.
    zero_bounded : bool, default False
        The value cannot fall below zero (roundness, runout, roughness).
    gauge_sd : float, optional
        Standard deviation of the gauge. [µm]
    step : float, optional
        Rounding of the readings. [µm]
    bare : array_like, shape (n,), optional
        Deviations with the offsets taken out; None: no offsets were made. [µm]
    required : float, default 1.33
        The index that the customer asks for.

    Returns
    -------
    Capability

    Raises
    ------
    ValueError
        No limit, crossed limits, lengths that differ, or values that are not finite.

    Notes
    -----
    Not stable: no capability index, performance only. Stable and with a constant level: one shape
    carries all indices. With drift or scatter from dress to dress the shape delivered is the path
    of the run under its scatter, and bounds count the dress cycles seen, not only the parts.

    Examples
    --------
    >>> import numpy as np
    >>> y = np.random.default_rng(1).normal(0.0, 1.0, 120)
    >>> found = assess(y, cycle=np.zeros(120), since_dress=np.arange(1, 121), lower=-6.0,
    ...                upper=6.0, target=0.0, stable=True)
    >>> found.model, found.shape, found.allowed
    ('A1', 'normal', ('Cp', 'Cpk', 'Pp', 'Ppk'))
    """
    lower, upper = (None if limit is None or np.isinf(limit) else limit for limit in (lower, upper))
    asked = Question(
        np.asarray(y, float), lower, upper, target, stable, zero_bounded, gauge_sd, step, required
    )
    asked.check(cycle, since_dress, asked.y if bare is None else bare)
    missing = asked.too_little()
    if missing:
        return _no_answer(asked, missing)
    try:
        parts = take_apart(asked.y, cycle=cycle, since_dress=since_dress, bare=bare)
    except ValueError as cause:
        return _no_answer(asked, f"not enough yet: {cause}")
    if parts.within_sd <= 1e-9 * parts.total_sd:
        return _no_answer(asked, "not enough yet: readings on straight lines, without any scatter")
    model = time_model(parts, step=step)
    shape, fits = delivered_shape(asked, parts, model)
    total, ppm = performance(asked, parts, model, shape, fits)
    within = portions.within(asked, parts, model, total, shape)
    compensated = portions.compensated(asked, parts, model)
    outliers = far_out(parts)
    answer, not_enough = verdict(asked, parts, model, within, total, compensated)
    return Capability(
        n=asked.n,
        stable=stable,
        model=model.name,
        model_words=model.words,
        asked=model.asked,
        shape="" if shape is None else shape.name,
        within=within,
        total=total,
        compensated=compensated,
        corrected=portions.gauge_corrected(asked, parts, total, shape),
        cpm=portions.about_target(asked, parts, model),
        ppm=ppm,
        budget=portions.budget(asked, parts),
        drift_seen=portions.drift_seen(asked, parts),
        allowed=quotable(asked, model, within, total),
        verdict=answer,
        not_enough=not_enough,
        outliers=outliers,
        remarks=remarks(asked, parts, model, outliers),
        from_evidence=Evidence(asked, parts, model, shape),
    )


def _no_answer(asked: Question, why: str) -> Capability:
    """The answer when the parts cannot carry any claim."""
    sigma = float(asked.y.std(ddof=1)) if asked.n > 1 else None
    cp, pp = ("Cp", "Cpk"), ("Pp", "Ppk")
    return Capability(
        n=asked.n,
        stable=asked.stable,
        model="",
        model_words="not asked yet",
        asked=(),
        shape="",
        within=asked.without(cp, why, portions.WITHIN, None),
        total=asked.without(pp, why, WORDS, sigma),
        compensated=asked.without(cp, why, portions.COMPENSATED, None),
        corrected=asked.without(pp, why, portions.CORRECTED, None),
        cpm=asked.nothing("Cpm", why),
        ppm=asked.nothing("ppm outside", why),
        budget=(),
        drift_seen=None,
        allowed=(),
        verdict=sentence(why),
        not_enough=sentence(why),
        outliers=(),
        remarks=(),
        from_evidence=Evidence(asked),
    )
