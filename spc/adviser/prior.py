"""
What is believed of a job before its first part: wide, in units of the tolerance and the spread.

The numbers come from a trial on invented processes of many makes and are judgement where no other
source is named.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Median life over the habit told, and the standard deviation of its logarithm: weak evidence.
LIFE_PER_HABIT, HABIT_LOG_SD = 2 / 3, 0.85


@dataclass(frozen=True)
class Prior:
    """
    Means and standard deviations; lengths are half widths of the tightest tolerance.

    Parameters
    ----------
    slope : (float, float)
        Wear a part.
    lean : float
        What a size wears more or less than the others, a part.
    settling, warmth : (float, float)
        Climb of a fresh wheel; how far below its place a cold machine begins.
    growth : (float, float)
        Gain of the level by one life past the life.
    setup, setup_own : float
        Set-up error of the first wheel, common to all sizes and of each by itself.
    sigma, sigma_shape : float
        Spread of parts, and the shape of the inverse gamma distribution of its square.
    scatter, scatter_shape : float
        The same of the level from dress to dress.
    life, life_log_sd : float
        Median life, and the standard deviation of its logarithm. [parts]
    """

    slope: tuple[float, float] = (0.008, 0.008)
    lean: float = 0.006
    settling: tuple[float, float] = (0.2, 0.2)
    warmth: tuple[float, float] = (0.2, 0.3)
    growth: tuple[float, float] = (0.5, 0.6)
    setup: float = 0.5
    setup_own: float = 0.2
    sigma: float = 1 / 7
    sigma_shape: float = 3.0
    scatter: float = 0.22
    scatter_shape: float = 2.0
    life: float = 180.0
    life_log_sd: float = 1.3

    @staticmethod
    def told(habit: float | None) -> "Prior":
        """The plan's parts per dress, where it has any, as evidence on life."""
        if habit is None:
            return Prior()
        return Prior(life=LIFE_PER_HABIT * habit, life_log_sd=HABIT_LOG_SD)

    def log_weight(self, life: Floats, dulling: Floats, wander: Floats) -> Floats:
        """Logarithm of the weight of hypotheses, not normed: shape (filters,)."""
        del dulling, wander
        return np.asarray(-0.5 * (np.log(life / self.life) / self.life_log_sd) ** 2)
