"""Cm and Cmk: what the machine alone can do, over consecutive parts inside one dress cycle."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.capability.fit_test import best_fit
from spc.capability.indices import Index
from spc.capability.performance import WORDS, bounding_fits, performance
from spc.capability.question import Question
from spc.capability.time_models import TimeModel
from spc.capability.time_parts import SIGNIFICANT, take_apart

#: Parts customary in a machine study, and the fewest: ISO 22514-3 (from memory).
CUSTOMARY_PARTS = 50
LEAST_PARTS = 30


@dataclass(frozen=True)
class MachineStudy:
    """
    Short-term capability of the machine.

    Attributes
    ----------
    cm, cmk : Index
        With 95 % bounds; no value where the study does not hold, and why.
    n : int
        Parts used.
    detrended : bool
        The wear was taken out before judging; to be declared with the result.
    drift_p : float
        p-value of "no wear during the study".
    shape : str
        Name of the shape the indices rest on.
    words : str
        The result, or what is wrong with the study, in one sentence.
    """

    cm: Index
    cmk: Index
    n: int
    detrended: bool
    drift_p: float
    shape: str
    words: str


def machine_study(
    y: ArrayLike,
    *,
    lower: float | None,
    upper: float | None,
    since_dress: ArrayLike | None = None,
    cycle: ArrayLike | None = None,
    detrend: bool = False,
    step: float | None = None,
    required: float = 1.67,
) -> MachineStudy:
    """
    Cm and Cmk of consecutive parts inside one dress cycle.

    Parameters
    ----------
    y : array_like, shape (n,)
        Deviations of consecutive parts, 50 by custom and 30 at the least. [µm]
    lower, upper : float or None
        Limits, at least one. [µm]
    since_dress : array_like, shape (n,), optional
        Parts since the dress; None: the parts are taken as consecutive.
    cycle : array_like of int, shape (n,), optional
        Dress cycle of each part; None: one cycle.
    detrend : bool, default False
        Take the wear out first. A machine study excludes tool wear, so a run that drifts is
        refused without this.
    step : float, optional
        Rounding of the readings. [µm]
    required : float, default 1.67
        The index asked for.

    Returns
    -------
    MachineStudy

    Raises
    ------
    ValueError
        No limit, crossed limits, lengths that differ, values that are not finite.

    References
    ----------
    .. [1] ISO 22514-3:2020, machine performance studies for measured data on discrete parts.

    Examples
    --------
    >>> y = np.random.default_rng(3).normal(0.0, 1.0, 50)
    >>> found = machine_study(y, lower=-8.0, upper=8.0)
    >>> found.cm.value > 2, found.cmk.lower < found.cmk.value < found.cmk.upper
    (True, True)
    """
    values = np.asarray(y, float)
    since = np.arange(1, len(values) + 1) if since_dress is None else np.asarray(since_dress, float)
    cycles = np.zeros(len(values)) if cycle is None else np.asarray(cycle)
    asked = Question(values, lower, upper, None, True, step=step, required=required)
    asked.check(since, cycles)
    why = _unfit(asked, since, cycles)
    if why:
        return _refused(asked, why, detrend, 1.0)
    parts = take_apart(values, cycle=cycles, since_dress=since)
    if not detrend and parts.drift_p < SIGNIFICANT:
        why = (
            f"the size drifts by {parts.drift_span:.2g} µm during the study (p = "
            f"{parts.drift_p:.2g}), and a machine study excludes tool wear; take the steady part "
            "of a dress cycle, or declare detrended data"
        )
        return _refused(asked, why, detrend, parts.drift_p)
    if detrend:
        flat = values.mean() + parts.residual * np.sqrt((len(values) - 1) / parts.within_df)
        # Off its grid, a reading with its line taken out is no longer a multiple of the step.
        asked = Question(flat, lower, upper, None, True, required=required)
        parts = take_apart(flat, cycle=cycles, since_dress=since)
    found = best_fit(asked.families, asked.y, step=asked.step)
    if found is None:
        return _refused(asked, "not enough yet: no shape fits these parts", detrend, parts.drift_p)
    fits = () if found.shape.name == "normal" else bounding_fits(asked, found)
    constant = TimeModel("A2" if fits else "A1", WORDS)
    total, _ = performance(asked, parts, constant, found.shape, fits)
    cm, cmk = (_named(i, n) for i, n in ((total.cp, "Cm"), (total.cpk, "Cmk")))
    words = _words(asked, cmk, detrend)
    return MachineStudy(cm, cmk, asked.n, detrend, parts.drift_p, found.shape.name, words)


def _named(index: Index, name: str) -> Index:
    return Index(name, index.value, index.lower, index.upper, index.n, index.why)


def _unfit(asked: Question, since: np.ndarray, cycles: np.ndarray) -> str:
    """Why these parts make no machine study; empty when they do."""
    if asked.n < LEAST_PARTS:
        return (
            f"not enough yet: {asked.n} parts, {LEAST_PARTS} are the least and "
            f"{CUSTOMARY_PARTS} the custom"
        )
    if not np.ptp(asked.y) > 0:
        return f"not enough yet: all {asked.n} readings are alike"
    if len(np.unique(cycles)) > 1:
        return (
            f"the parts come from {len(np.unique(cycles))} dress cycles; a machine study takes one"
        )
    if np.any(np.diff(since) != 1):
        return "the parts are not consecutive; a machine study measures every part"
    return ""


def _refused(asked: Question, why: str, detrend: bool, drift_p: float) -> MachineStudy:
    cm, cmk = asked.nothing("Cm", why), asked.nothing("Cmk", why)
    return MachineStudy(cm, cmk, asked.n, detrend, drift_p, "", why[:1].upper() + why[1:] + ".")


def _words(asked: Question, cmk: Index, detrend: bool) -> str:
    declared = ", wear taken out" if detrend else ""
    text = (
        f"Cmk {cmk.value:.2f} ({cmk.lower:.2f} to {cmk.upper:.2f}) from {asked.n} parts{declared}"
    )
    if asked.n < CUSTOMARY_PARTS:
        text += f", fewer than the customary {CUSTOMARY_PARTS}"
    if cmk.lower is not None and cmk.lower >= asked.required:
        return f"{text}: above {asked.required:g} with its whole interval."
    if cmk.upper is not None and cmk.upper < asked.required:
        return f"{text}: below {asked.required:g} with its whole interval."
    return f"{text}: not enough yet to tell it from {asked.required:g}."
