"""Whether the last points have left the line that a chart draws through those before them."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

#: Where the limits stand, and two points in a row there: their sum over the root of two, by a hair
#: less, since that sum is rounded.
_LIMIT = 3.0
_FAR = _LIMIT * math.sqrt(2) * (1 - 1e-12)


@dataclass(frozen=True)
class OffLine:
    """
    The last points of a chart, all on one side and too far from its line to belong to it.

    Attributes
    ----------
    first, count : int
        Position of the first of them, and how many they are: at least two.
    apart : float
        Their mean distance from the line, signed. [unit of the data]
    """

    first: int
    count: int
    apart: float


def off_line(z: ArrayLike, away: ArrayLike) -> OffLine | None:
    """
    The last points in a row on one side that the line no longer describes; None: it does.

    Parameters
    ----------
    z : array_like, shape (n,)
        Distance from the line, 3 standing on a limit.
    away : array_like, shape (n,)
        The same in the unit of the data.

    Returns
    -------
    OffLine or None

    Notes
    -----
    Of the points in a row on one side at the end, the m that maximise ``sum(z) / sqrt(m)`` are
    taken, none counting for more than one on its limit, so that one wild point makes no two; they
    have left the line when that reaches 3 times the root of 2, as any two in a row beyond the
    same limit do (our choice). Independent normal points do so by chance in fewer than one run
    in ten thousand.

    Examples
    --------
    >>> off_line([0.2, -0.4, 3.2, 3.4], [0.1, -0.2, 1.6, 1.7])
    OffLine(first=2, count=2, apart=1.65)
    >>> off_line([0.2, -0.4, 0.3, 3.4], [0.1, -0.2, 0.2, 1.7]) is None
    True
    """
    z, away = np.asarray(z, dtype=float), np.asarray(away, dtype=float)
    if len(z) < 2 or z[-1] == 0:
        return None
    back = z[::-1] * np.sign(z[-1])
    row = len(back) if np.all(back > 0) else int(np.argmin(back > 0))
    if row < 2:
        return None
    count = np.arange(2, row + 1)
    score = np.cumsum(np.minimum(back[:row], _LIMIT))[1:] / np.sqrt(count)
    best = int(np.argmax(score))
    if score[best] < _FAR:
        return None
    m = int(count[best])
    return OffLine(len(z) - m, m, float(away[-m:].mean()))
