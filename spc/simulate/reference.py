"""What full knowledge would do: the cheapest acts when the true level and its future are known."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.adviser.loss import Stakes

Floats = NDArray[np.float64]
# Fine against the growth per part: linear interpolation on a coarse grid spreads levels like a
# random walk of its own.
_CELLS = 601
#: Three-point Gauss-Hermite rule for a standard normal step.
_NODES = ((-np.sqrt(3.0), 1 / 6), (0.0, 2 / 3), (np.sqrt(3.0), 1 / 6))


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
    drop_um : ndarray or None
        How far a dress before each part takes the level back; None: where a cycle begins does
        not hang on where the one before it ended.
    """

    growth_um: Floats
    sd_um: Floats
    hazard: Floats
    walk_um: float
    drop_um: Floats | None = None


class BestActs:
    """
    The cheapest act at every part of a cycle and every level, by backward induction.

    Parameters
    ----------
    outlook : Outlook
        The coming parts; after the last of them a dress is forced.
    stakes : Stakes
        Limits and money, in the direction the machine counts.
    half_um : float
        Half width of the tolerance, in which the stakes are told; its middle is the target.
    rate : float
        Average cost per part in the long run: a cycle goes on as long as it beats that.
    begin : ndarray, optional
        Cost to go of a new cycle at every level of the grid, see `after_dress`; counts where the
        outlook knows its drop.

    Notes
    -----
    With ``V_h(m)`` the cost to go above the long-run rate before part ``h`` at level ``m``,
    ``V_h(m) = min(K_h(m), C_offset + min K_h, C_dress + U_h(m))`` where
    ``K_h(m) = loss(m + growth_h) - rate + E V_{h+1}(m + growth_h + walk)``: renewal theory with a
    finite horizon, solved on a grid of levels. ``U`` is what the level left behind is worth to the
    next cycle, 0 without `begin`.
    """

    def __init__(
        self, outlook: Outlook, stakes: Stakes, half_um: float, *, rate: float,
        begin: Floats | None = None,
    ) -> None:  # fmt: skip
        span = half_um * (stakes.upper - stakes.lower)
        self._low = half_um * stakes.lower - 0.6 * span
        self._cell = 2.2 * span / (_CELLS - 1)
        grid: Floats = np.asarray(self._low + self._cell * np.arange(_CELLS), dtype=np.float64)
        horizon = len(outlook.growth_um)
        self.grid_um = grid
        self._keep, self._move, self._dress = np.zeros((3, horizon, _CELLS))
        self._aim = np.zeros(horizon)
        ahead = self._dressed(horizon - 1, outlook, stakes, begin)
        for h in range(horizon - 1, -1, -1):
            after = grid + outlook.growth_um[h]
            keep = stakes.loss(after / half_um, outlook.sd_um[h] / half_um)
            keep += outlook.hazard[h] - rate + _mean_of(ahead, grid, after, outlook.walk_um)
            best = int(np.argmin(keep))
            landed = _landed(grid, float(grid[best]), stakes.step * half_um)
            move = np.interp(landed, grid, keep) + stakes.offset
            dress = self._dressed(h, outlook, stakes, begin)
            self._keep[h], self._move[h], self._dress[h] = keep, move, dress
            self._aim[h] = grid[best]
            ahead = np.minimum(np.minimum(keep, move), dress)
        #: Cost to go before the first part at every level of the grid.
        self.value: Floats = ahead

    def _dressed(self, h: int, outlook: Outlook, stakes: Stakes, begin: Floats | None) -> Floats:
        if begin is None or outlook.drop_um is None:
            return np.full(_CELLS, stakes.dress)
        left = self.grid_um - outlook.drop_um[h]
        return stakes.dress + np.interp(left, self.grid_um, begin)

    def __len__(self) -> int:
        return len(self._aim)

    def costs(self, h: int, level_um: float) -> tuple[float, float, float]:
        """Cost to go, above the long-run rate, of grinding on, of an offset and of a dress."""
        cell = min(max(round((level_um - self._low) / self._cell), 0), _CELLS - 1)
        at = (h, cell)
        return float(self._keep[at]), float(self._move[at]), float(self._dress[at])

    def aim_um(self, h: int) -> float:
        """Where an offset before part `h` should put the level. [µm]"""
        return float(self._aim[h])

    def act(self, h: int, level_um: float) -> tuple[str, float]:
        """
        The act before part `h` of the outlook (0 is the first) at a level, and its move.

        Returns
        -------
        tuple of str and float
            "grind_on", "offset" or "dress"; the move in µm for "offset", else 0.
        """
        if h >= len(self):
            return "dress", 0.0
        keep, move, dress = self.costs(h, level_um)
        if keep <= min(move, dress):
            return "grind_on", 0.0
        return ("offset", self.aim_um(h) - level_um) if move < dress else ("dress", 0.0)


def _landed(level_um: Floats, aim_um: float, step_um: float) -> Floats:
    """Where an offset to `aim_um` puts each level when the control moves in steps."""
    if step_um == 0:
        return np.full(len(level_um), aim_um)
    return np.asarray(level_um + step_um * np.round((aim_um - level_um) / step_um))


def _mean_of(value: Floats, grid: Floats, at: Floats, sd: float) -> Floats:
    """Expectation of a function on the grid about points `at` with normal scatter."""
    total = np.zeros(len(at))
    for node, weight in _NODES:
        total += weight * np.interp(at + node * sd, grid, value)
    return total


def after_dress(
    outlook: Outlook, stakes: Stakes, half_um: float, *, rate: float, bias_um: float, sd_um: float
) -> Floats:
    """
    Cost to go of a new cycle by the level at which a dress without error would begin it.

    Parameters
    ----------
    outlook : Outlook
        A usual cycle from its first part, with its drop.
    stakes, half_um, rate : Stakes, float, float
        As for `BestActs`.
    bias_um, sd_um : float
        Of the error of a dress.

    Returns
    -------
    ndarray
        On the grid of levels of `BestActs`; the least is 0.
    """
    begin: Floats | None = None
    for _ in range(3):  # the third round changes nothing any more
        best = BestActs(outlook, stakes, half_um, rate=rate, begin=begin)
        begin = _mean_of(best.value, best.grid_um, best.grid_um + bias_um, sd_um)
        begin = begin - begin.min()
    return np.asarray(begin)
