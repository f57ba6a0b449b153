"""Where a level most likely changed: the best split of a series into two."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.charts.limits import Floats
from spc.errors import NotEnough

#: Shuffles that the chance is counted in; it is then known to a few parts in a thousand.
SHUFFLES = 999
SEED = 20_260_102


@dataclass(frozen=True)
class ChangePoint:
    """
    One shift of the level.

    Attributes
    ----------
    last_before : int
        Position of the last point before the shift.
    before, after : float
        Means on either side. [unit of the data]
    chance : float
        Share of shuffled series that show a split as sharp; small: a real shift.
    """

    last_before: int
    before: float
    after: float
    chance: float

    @property
    def step(self) -> float:
        """How far the level moved."""
        return self.after - self.before


def change_point(x: ArrayLike, *, shuffles: int = SHUFFLES, seed: int = SEED) -> ChangePoint:
    """
    The split that leaves the least squares about two means.

    Parameters
    ----------
    x : array_like, shape (n,)
        In grinding order, four values at least; NaN is a missing one.
    shuffles, seed : int
        For the chance; 0 shuffles give NaN.

    Returns
    -------
    ChangePoint
        Presumes independent values and one shift; a drift also splits somewhere.

    References
    ----------
    .. [1] G. W. Cobb (1978), Biometrika 65, 243-251.

    Examples
    --------
    >>> found = change_point([1.0, 2.0, 1.0, 9.0, 8.0, 9.0], shuffles=0)
    >>> found.last_before, round(found.step, 2)
    (2, 7.33)
    """
    x = np.asarray(x, dtype=float)
    at = np.flatnonzero(~np.isnan(x))
    if len(at) < 4:
        raise NotEnough(f"{len(at)} values: a shift needs four to be looked for")
    present = x[at]
    away = present - present.mean()
    gain = _gain(away[None, :])[0]
    split = int(gain.argmax())
    return ChangePoint(
        int(at[split]),
        float(present[: split + 1].mean()),
        float(present[split + 1 :].mean()),
        _chance(away, float(gain[split]), shuffles, seed),
    )


def _gain(away: Floats) -> Floats:
    """Squares that a split after each point saves, shape (series, n - 1)."""
    n = away.shape[1]
    sums = np.cumsum(away[:, :-1], axis=1)
    first = np.arange(1, n)
    return sums**2 * (n / (first * (n - first)))


def _chance(away: Floats, seen: float, shuffles: int, seed: int) -> float:
    if shuffles < 1:
        return math.nan
    rng = np.random.default_rng(seed)
    as_sharp = 0
    # A block at a time keeps memory within a few times the series.
    for _ in range(shuffles):
        as_sharp += int(_gain(rng.permutation(away)[None, :]).max() >= seen * (1 - 1e-12))
    return (as_sharp + 1) / (shuffles + 1)
