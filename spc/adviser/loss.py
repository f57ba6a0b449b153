"""
One loss: what a part costs at a level with a spread, and what acts cost.

The adviser's value and the parts left count with it.
"""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

#: Levels thought of: from the middle to so many half widths either way. Own choice.
REACH, LEVELS = 1.6, 41
GRID: Floats = np.linspace(-REACH, REACH, LEVELS)
PITCH = float(GRID[1] - GRID[0])
#: Spreads for which the loss is kept. [half widths]
SPREADS: Floats = np.geomspace(0.02, 6.0, 48)
#: A spread below this is none. [half widths]
LEAST_SPREAD = 1e-9
_SPREAD_STEP = float(np.log(SPREADS[1] / SPREADS[0]))


@dataclass(frozen=True)
class Stakes:
    """
    Limits of one size in half widths about its target, and prices.

    `low` and `high` are what a part outside costs on each side; `off_target` what one costs that
    sits one half width off, growing with the square.
    """

    lower: float = -1.0
    upper: float = 1.0
    low: float = 15.0
    high: float = 5.0
    off_target: float = 0.45
    offset: float = 0.6
    dress: float = 2.5
    measure: float = 0.4
    step: float = 0.1  # of the control [half widths]
    form: float = 5.0  # of a part beyond a limit of form or finish
    returns: bool = True  # whether the moves of a cycle are taken back by hand at its dress

    def loss(self, level: ArrayLike, sd: ArrayLike) -> Floats:
        """
        Expected loss of a part about a level; with no spread, the loss of a part of that size.

        Examples
        --------
        >>> Stakes(low=15, high=5, off_target=0.5).loss([0.5, 1.0], [0, 1 / 8]).round(3).tolist()
        [0.125, 3.008]
        """
        from scipy.special import ndtr

        m, s = np.asarray(level, dtype=float), np.maximum(sd, LEAST_SPREAD)
        out = self.low * ndtr((self.lower - m) / s) + self.high * ndtr((m - self.upper) / s)
        return np.asarray(out + self.off_target * (m**2 + s**2))

    @cached_property
    def table(self) -> Floats:
        """Expected loss of a part at each of `GRID` with each of `SPREADS`."""
        return self.loss(GRID[None, :], SPREADS[:, None])

    @cached_property
    def least(self) -> Floats:
        """The same at the best level, with each of `SPREADS`."""
        return np.asarray(self.table.min(axis=1))


@dataclass(frozen=True, eq=False)
class Sizes:
    """
    The sizes that are steered together.

    Parameters
    ----------
    stakes : tuple of Stakes
        Of each size, in units of its register.
    registers : tuple of int
        The register, from 0, that moves each size.
    units : tuple of float
        Of each register. [half widths of the tightest tolerance]
    gauge_var : ndarray, shape (sizes,)
        Variance of one reading about the part. [half widths of the tightest tolerance^2]
    counted : tuple of bool
        Which sizes cost anything: nobody knows where one stands that nobody reads.
    """

    stakes: tuple[Stakes, ...]
    registers: tuple[int, ...]
    units: tuple[float, ...]
    gauge_var: Floats
    counted: tuple[bool, ...] = ()

    @staticmethod
    def one(stakes: Stakes, gauge_var: float) -> "Sizes":
        """One size on one register."""
        return Sizes((stakes,), (0,), (1.0,), np.array([gauge_var]))

    def only(self, counted: list[bool]) -> "Sizes":
        """The same with these alone counted; all of them where none is."""
        return replace(self, counted=tuple(counted) if any(counted) else ())

    @property
    def price(self) -> Stakes:
        """Prices of acts are the same for all sizes."""
        return self.stakes[0]

    def on(self, register: int) -> list[int]:
        """The sizes that a register moves, those that count if any does."""
        mine = [size for size, r in enumerate(self.registers) if r == register]
        return [size for size in mine if self.counts(size)] or mine

    def counts(self, size: int) -> bool:
        """Whether a size costs anything."""
        return not self.counted or self.counted[size]


def shares_of_spreads(sd: Floats, weight: Floats) -> Floats:
    """
    Shares of a bank at each of `SPREADS`, shape (blocks, spreads), between two by a line.

    Both arguments have the shape (filters, blocks).
    """
    blocks = sd.shape[1]
    place = np.clip(np.log(sd / SPREADS[0]) / _SPREAD_STEP, 0, len(SPREADS) - 1.001)
    left = place.astype(np.int64)
    part = place - left
    where = left + len(SPREADS) * np.arange(blocks)
    size = blocks * len(SPREADS)
    shares = np.bincount(where.ravel(), (weight * (1 - part)).ravel(), size)
    shares += np.bincount((where + 1).ravel(), (weight * part).ravel(), size)
    return np.asarray(shares.reshape(blocks, len(SPREADS)))


def shifted(losses: Floats, by: Floats) -> Floats:
    """Losses on `GRID` as they are so much higher, shape (blocks, levels); `by`: (blocks,)."""
    place = np.clip((GRID[None, :] + by[:, None] + REACH) / PITCH, 0, LEVELS - 1.001)
    left = place.astype(np.int64)
    part = place - left
    low = np.take_along_axis(losses, left, axis=1)
    return np.asarray(low + part * (np.take_along_axis(losses, left + 1, axis=1) - low))
