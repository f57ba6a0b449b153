"""What full knowledge would do: the cheapest acts when the true level and its future are known."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
_CELLS = 161
#: Three-point Gauss-Hermite rule for a standard normal step.
_NODES = ((-np.sqrt(3.0), 1 / 6), (0.0, 2 / 3), (np.sqrt(3.0), 1 / 6))


@dataclass(frozen=True)
class Stakes:
    """Limits and money. Sizes as deviations in the direction the machine counts. [µm]"""

    lower_um: float
    upper_um: float
    target_um: float
    below: float  # a part under the lower limit
    above: float  # a part over the upper limit
    off_target: float  # a part on the limit farther from target
    offset: float
    dress: float

    @property
    def reach_um(self) -> float:
        """From the target to the limit farther away."""
        return max(self.upper_um - self.target_um, self.target_um - self.lower_um)

    def part_cost(self, size_um: float) -> float:
        """What one part of known size costs."""
        cost = self.off_target * ((size_um - self.target_um) / self.reach_um) ** 2
        if size_um < self.lower_um:
            return cost + self.below
        return cost + self.above if size_um > self.upper_um else cost

    def expected(self, level_um: Floats, sd_um: float | Floats) -> Floats:
        """Expected cost of a part at a level with normal scatter, shape of the level."""
        from scipy.special import ndtr

        away = (level_um - self.target_um) ** 2 + np.square(sd_um)
        out_below = ndtr((self.lower_um - level_um) / sd_um)
        out_above = ndtr((level_um - self.upper_um) / sd_um)
        return np.asarray(
            self.off_target * away / self.reach_um**2
            + self.below * out_below
            + self.above * out_above
        )


@dataclass(frozen=True, eq=False)
class Outlook:
    """
    What is to be expected of the coming parts of a cycle, each array of shape (h,).

    Attributes
    ----------
    growth_um : ndarray
        Change of level from the part before, without any act.
    sd_um : ndarray
        Scatter of the part about its level.
    hazard : ndarray
        Cost to be expected of it besides size: finish, roundness, burn.
    walk_um : float
        Standard deviation of what the level does besides, from part to part.
    """

    growth_um: Floats
    sd_um: Floats
    hazard: Floats
    walk_um: float


class BestActs:
    """
    The cheapest act at every part of a cycle and every level, by backward induction.

    Parameters
    ----------
    outlook : Outlook
        The coming parts; after the last of them a dress is forced.
    stakes : Stakes
        Limits and money.
    rate : float
        Average cost per part in the long run: a cycle goes on as long as it beats that.

    Notes
    -----
    With ``V_h(m)`` the cost to go above the long-run rate before part ``h`` at level ``m``,
    ``V_h(m) = min(K_h(m), C_offset + min K_h, C_dress)`` where
    ``K_h(m) = loss(m + growth_h) - rate + E V_{h+1}(m + growth_h + walk)``: renewal theory with a
    finite horizon, solved on a grid of levels.
    """

    def __init__(self, outlook: Outlook, stakes: Stakes, *, rate: float) -> None:
        span = stakes.upper_um - stakes.lower_um
        self._low = stakes.lower_um - 0.6 * span
        self._cell = 2.2 * span / (_CELLS - 1)
        grid = self._low + self._cell * np.arange(_CELLS)
        horizon = len(outlook.growth_um)
        self._acts = np.zeros((horizon, _CELLS), dtype=np.int8)
        self._aims = np.zeros(horizon)
        ahead = np.full(_CELLS, stakes.dress)
        for h in range(horizon - 1, -1, -1):
            after = grid + outlook.growth_um[h]
            keep = stakes.expected(after, outlook.sd_um[h]) + outlook.hazard[h] - rate
            for node, weight in _NODES:
                keep = keep + weight * np.interp(after + node * outlook.walk_um, grid, ahead)
            best = int(np.argmin(keep))
            self._aims[h] = grid[best]
            choices = np.stack(
                [keep, np.full(_CELLS, keep[best] + stakes.offset), np.full(_CELLS, stakes.dress)]
            )
            self._acts[h] = np.argmin(choices, axis=0)
            ahead = choices.min(axis=0)

    def act(self, h: int, level_um: float) -> tuple[str, float]:
        """
        The act before part `h` of the outlook (0 is the first) at a level, and its move.

        Returns
        -------
        tuple of str and float
            "grind_on", "offset" or "dress"; the move in µm for "offset", else 0.
        """
        if h >= len(self._aims):
            return "dress", 0.0
        cell = round((level_um - self._low) / self._cell)
        choice = self._acts[h, min(max(cell, 0), _CELLS - 1)]
        if choice == 1:
            return "offset", float(self._aims[h] - level_um)
        return ("dress", 0.0) if choice == 2 else ("grind_on", 0.0)
