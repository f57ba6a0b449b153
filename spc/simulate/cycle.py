"""What one dress cycle is expected to do when nothing surprises."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.simulate.settings import Setting

Floats = NDArray[np.float64]

#: Share of its fresh roughness that the most glazed wheel still leaves (judgement): a straight line
#: in dullness would end below zero.
GLAZED = 0.1


@dataclass(frozen=True, eq=False)
class UsualCycle:
    """
    Expectations of parts 0 to N of a cycle, each array of shape (N + 1,).

    Attributes
    ----------
    wheel_um : ndarray
        How much bigger (a bore: smaller) wear, break-in and deflection make the part.
    ra_um, roundness_um : ndarray
        Medians of roughness and roundness.
    hazard : ndarray
        Cost to be expected of finish, roundness and burn.
    """

    wheel_um: Floats
    ra_um: Floats
    roundness_um: Floats
    hazard: Floats


def usual_cycle(setting: Setting, *, wear_um: float, life_parts: float, parts: int) -> UsualCycle:
    """
    Expected course of a cycle of known wear and life.

    Parameters
    ----------
    setting : Setting
        The process.
    wear_um : float
        Steady growth per part of this cycle. [µm]
    life_parts : float
        Parts to dullness 1 of this cycle.
    parts : int
        Last part.
    """
    s, n = setting, np.arange(parts + 1, dtype=float)
    over = np.maximum(0, n - s.onset * life_parts) / ((1 - s.onset) * life_parts)
    steps = wear_um * (1 + over)
    steps[0] = 0.0
    settled = -np.expm1(-n / s.break_in_parts)
    q = (n / life_parts) ** s.dull_power
    wheel = np.cumsum(steps) + s.break_in_um * settled + s.dull_growth_um * q
    ra = s.ra_um * (1 + s.ra_break_in * (1 - settled)) * np.maximum(1 + s.ra_dull * q, GLAZED)
    roundness = s.roundness_um * (1 + s.roundness_dull * q * q)
    prices = s.prices
    hazard = (
        prices.roughness * _beyond(ra, s.ra_limit_um, s.ra_cv)
        + prices.roundness * _beyond(roundness, s.roundness_limit_um, s.roundness_cv)
        + prices.burn / (1 + np.exp(np.minimum((s.burn_dullness - q) / s.burn_width, 500.0)))
    )
    return UsualCycle(wheel, ra, roundness, hazard)


def _beyond(median: Floats, limit: float, log_sd: float) -> Floats:
    """Chance that a lognormal value of that median lies above the limit."""
    from scipy.special import ndtr

    return np.asarray(ndtr((np.log(median) - np.log(limit)) / log_sd))
