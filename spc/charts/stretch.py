"""A stretch of points that stands clear of the line through all others: a base never steady."""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: A stretch is clear of the others when it stands this many of their spreads off. Steady points
#: hardly ever do, and a level that wanders slowly does so seldom (our choice, by simulation).
CLEAR = 5.0
#: Chance that some stretch of steady points passes for shifted, all stretches tried together.
CHANCE = 0.001
#: A straight step leaves at most this share of the squares that a bend leaves.
_OF_A_BEND = 0.5
#: Fewest points that one stretch can be told from, and ends of stretches tried in a long series.
FEWEST, _MOST_ENDS = 8, 200


@dataclass(frozen=True)
class Stretch:
    """
    Points `first` to `last`, both included, that stand `apart` off the line of all others.

    `apart` is signed. [unit of the data]
    """

    first: int
    last: int
    apart: float

    @property
    def count(self) -> int:
        """Points in the stretch."""
        return self.last - self.first + 1


def shifted_stretch(x: ArrayLike, y: ArrayLike) -> Stretch | None:
    """
    The stretch of at most half of the points that clearly stands off the line of the others.

    Parameters
    ----------
    x, y : array_like, shape (n,)
        Place and value of each point, in order, nothing missing.

    Returns
    -------
    Stretch or None
        None where no stretch is clear of the others, or fewer than eight points are given.

    Notes
    -----
    A line and one step up and back is fitted for every stretch of two points or more, by least
    squares [1]_. The best is taken when its step, by Student's t shared out among all stretches
    tried (Bonferroni), comes about by chance in one series in a thousand, stands five spreads
    off, and explains the points twice as well as a bent line does. A spread below what the
    written steps of the values feign counts as theirs. Limits cannot be drawn from what is left
    in while the stretch is in: a step in four tenths of a base widens them over all its points.

    References
    ----------
    .. [1] D. M. Hawkins (1977), Testing a sequence of observations for a shift in location,
       J. American Statistical Association 72, 180-186 (from memory; there without the line).

    Examples
    --------
    >>> y = [0.1, -0.2, 0.2, 0.0, -0.1, 0.1, 9.1, 9.0, 8.8]
    >>> shifted_stretch(range(9), y).count
    3
    """
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    n = len(y)
    if n < FEWEST or not np.ptp(x) > 0:
        return None
    line, first, end, own, told = _tried(x.tobytes())
    left = _left(line, y)
    known = np.concatenate([[0.0], np.cumsum(left)])
    along = known[end] - known[first]
    gain = np.divide(along**2, own, out=np.zeros(len(own)), where=told)
    whole = float(left @ left)
    # A bend leaves no more than the line does: where the step explains less than half of that,
    # as it does in nearly every steady series, nothing else need be asked.
    if not gain.max(initial=0.0) >= (1 - _OF_A_BEND) * whole > 0:
        return None
    best = int(np.argmax(gain))
    squares = max(whole - float(gain[best]), 0.0)
    apart = float(along[best] / own[best])
    # Values exactly on a line leave the noise of the arithmetic.
    least = max(_step(y) / math.sqrt(12), 1e-9 * float(np.abs(y).max()))
    spread = max(math.sqrt(squares / (n - 3)), least)
    bent = _left(_basis(x, 2), y)
    clear = (
        abs(apart) >= CLEAR * spread
        and abs(apart) * math.sqrt(own[best]) >= _t(n - 3, CHANCE / len(first)) * spread
        and squares <= _OF_A_BEND * float(bent @ bent)
    )
    return Stretch(int(first[best]), int(end[best]) - 1, apart) if clear else None


# The dress cycles of a run are mostly measured at the same places.
@lru_cache(maxsize=4)
def _tried(places: bytes) -> tuple[Floats, Ints, Ints, Floats, NDArray[np.bool_]]:
    """
    The stretches to try at these places, whatever the values are.

    The line's basis; first point and end of each stretch; what is left of a step there once the
    line has taken its share, and whether that is enough to tell.
    """
    x = np.frombuffer(places)
    n = len(x)
    line = _basis(x, 1)
    ends = np.unique(np.linspace(0, n, min(n, _MOST_ENDS) + 1).astype(int))
    first, end = (ends[at] for at in np.triu_indices(len(ends), 1))
    count = end - first
    tried = (count >= 2) & ((2 * count < n) | ((2 * count == n) & (first > 0)))
    first, end, count = first[tried], end[tried], count[tried]
    sums = np.vstack([np.zeros(line.shape[1]), np.cumsum(line, axis=0)])
    own = count - ((sums[end] - sums[first]) ** 2).sum(axis=1)
    return line, first, end, own, own > 0.05 * count


def _basis(x: Floats, degree: int) -> Floats:
    """An orthonormal basis of polynomials in x."""
    return np.asarray(np.linalg.qr(np.vander((x - x.mean()) / np.ptp(x), degree + 1))[0])


def _left(basis: Floats, y: Floats) -> Floats:
    """What of y a basis does not explain."""
    return np.asarray(y - basis @ (basis.T @ y))


def _step(y: np.ndarray) -> float:
    """Smallest difference between two values that differ; written values carry six digits."""
    gaps = np.diff(np.unique(np.round(y, 6)))
    return float(gaps.min()) if len(gaps) else 0.0


def _t(degrees: int, outside: float) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(degrees, 1 - outside / 2))
