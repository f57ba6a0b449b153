r"""
What earlier runs of the same job teach the next one, by partial pooling.

Of each run only its own evidence is kept: for a quantity believed to be ``N(p, u)`` before the run
and ``N(m, v)`` after it, the likelihood has the precision ``1/v - 1/u`` and the mean that goes with
it, so that what one run passes on to the next is never counted twice. Runs differ; with their
evidence ``N(m_i, v_i)``, the spread between runs ``tau`` and the prior ``N(p, u)`` of their common
mean (Efron and Morris 1973, JASA 68, 117; for ``tau`` DerSimonian and Laird 1986, Controlled
Clinical Trials 7, 177; both from memory)::

    w_i = 1 / (v_i + tau^2)    precision = 1/u + sum w_i    mean = (p/u + sum w_i m_i) / precision

and the next run is ``N(mean, tau^2 + 1/precision)``, never wider than without any run.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spc.adviser.filter import Belief
from spc.adviser.model import GROWTH, SETTLING, USUAL_SLOPE, WARMTH
from spc.adviser.prior import Prior

Floats = NDArray[np.float64]

SCHEMA = "spc.adviser.learned/1"
#: Quantities of the state that outlive a run. [half widths]
_PLACES = {"slope": USUAL_SLOPE, "settling": SETTLING, "warmth": WARMTH, "growth": GROWTH}
#: Spread between runs before any is known, as a share of the prior's standard deviation, and runs
#: it counts for. Judgement.
BETWEEN, BETWEEN_RUNS = 0.25, 2.0
#: Evidence that lowers a variance by less than this share of it is none.
LEAST_TAUGHT = 0.02


def learned_of(belief: Belief, half_um: float) -> dict[str, Any]:
    """
    The evidence of one run, ready for JSON: mean and variance of each quantity.

    Parameters
    ----------
    belief : Belief
        At the end of the run.
    half_um : float
        Its unit of length. [µm]
    """
    prior, weight = belief.model.prior, belief.weight
    taught: dict[str, list[float]] = {}
    for name, place in _PLACES.items():
        at, cov = belief.mean[:, place], belief.cov[:, place, place]
        mean = float(weight @ at)
        _keep(taught, name, getattr(prior, name), mean, float(weight @ (cov + (at - mean) ** 2)))
    # Logarithms of what cannot fall below zero; an inverse gamma variance with `dof` degrees of
    # freedom has about 2 / dof as the variance of its logarithm.
    life = np.log(belief.model.life)
    begun = np.exp(belief.model.log_prior)
    before = float(begun @ life)
    middle = float(weight @ life)
    spread = float(np.sqrt(begun @ (life - before) ** 2))
    _keep(taught, "life", (before, spread), middle, float(weight @ (life - middle) ** 2))
    dof = float((weight @ belief.dof).mean())
    start = (2 * np.log(prior.sigma), np.sqrt(2 / (2 * prior.sigma_shape)))
    _keep(taught, "sigma", start, float((weight @ np.log(belief.variance)).mean()), 2 / dof)
    start = (2 * np.log(prior.scatter), np.sqrt(2 / (2 * prior.scatter_shape)))
    _keep(taught, "scatter", start, float(np.log(belief.scatter_var)), 2 / belief.scatter_dof)
    return {"schema": SCHEMA, "half_um": half_um, "taught": taught}


def _keep(
    taught: dict[str, list[float]], name: str, prior: tuple[float, float], mean: float, var: float
) -> None:
    before, was = prior[0], float(prior[1]) ** 2
    if var >= (1 - LEAST_TAUGHT) * was:
        return
    precision = 1 / var - 1 / was
    taught[name] = [float((mean / var - before / was) / precision), float(1 / precision)]


def pooled(prior: Prior, history: Sequence[dict[str, Any]], half_um: float) -> Prior:
    """
    The prior of the next run.

    Parameters
    ----------
    prior : Prior
        Without any run behind it.
    history : sequence of dict
        Each as made by `learned_of`; others teach nothing.
    half_um : float
        The unit of length of the next run. [µm]
    """
    runs = [run for run in history if run.get("schema") == SCHEMA and "taught" in run]
    changes: dict[str, Any] = {}
    for name in _PLACES:
        evidence = [
            (mean * scale, var * scale**2)
            for mean, var, scale in _evidence(runs, name, half_um)
        ]  # fmt: skip
        if evidence:
            changes[name] = _pool(getattr(prior, name), evidence)
    told = [(mean, var) for mean, var, _ in _evidence(runs, "life", half_um)]
    if told:
        middle, spread = _pool((float(np.log(prior.life)), prior.life_log_sd), told)
        changes |= {"life": float(np.exp(middle)), "life_log_sd": spread}
    for name in ("sigma", "scatter"):
        told = [
            (mean + 2 * np.log(scale), var) for mean, var, scale in _evidence(runs, name, half_um)
        ]
        if told:
            shape = getattr(prior, f"{name}_shape")
            start = (2 * float(np.log(getattr(prior, name))), float(np.sqrt(1 / shape)))
            middle, spread = _pool(start, told)
            changes |= {name: float(np.exp(middle / 2)), f"{name}_shape": 1 / spread**2}
    return replace(prior, **changes)


def _evidence(
    runs: Sequence[dict[str, Any]], name: str, half_um: float
) -> list[tuple[float, float, float]]:
    """Mean, variance and unit of length, in that of the next run, of each run that says any."""
    told = [run for run in runs if name in run["taught"]]
    return [(*run["taught"][name], run["half_um"] / half_um) for run in told]


def _pool(prior: tuple[float, float], evidence: list[tuple[float, float]]) -> tuple[float, float]:
    """Mean and standard deviation of a quantity in the next run."""
    at, sd = prior
    means, variances = (np.array(side, dtype=float) for side in zip(*evidence, strict=True))
    least = (BETWEEN * sd) ** 2
    weights = 1 / variances
    centre = float(weights @ means / weights.sum())
    spare = weights.sum() - (weights**2).sum() / weights.sum()
    between = least
    if spare > 0:
        seen = max(float(weights @ (means - centre) ** 2 - (len(means) - 1)) / spare, 0.0)
        runs = len(means) - 1
        between = (BETWEEN_RUNS * least + runs * seen) / (BETWEEN_RUNS + runs)
    w = 1 / (variances + between)
    precision = 1 / sd**2 + w.sum()
    mean = (at / sd**2 + w @ means) / precision
    return float(mean), min(float(np.sqrt(between + 1 / precision)), sd)
