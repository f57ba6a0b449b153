"""
Places of a pallet or nest in the part column: numbers that come again and again number no parts.

A part may be read several times in turn, or again later; a place comes back through the whole run,
and so do nearly all the others. Which number follows which says nothing: places may be skipped or
visited in any order.
"""

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]

#: Visits of a place, on average, from which it is told from a part measured again.
ROUNDS = 3
#: Fewer visits than this prove no round. Own choice.
FEWEST_VISITS = 12
# Of the thirds of a run a part is seen in one, or in two where they meet; a place in nearly all.
# Own choice: the middle.
_THIRDS_SEEN = 2.0
# Fewer numbers than this that come again are parts measured again. Own choice.
_FEWEST_AGAIN = 3
# Readings of one part differ by less than this share of what neighbouring parts differ by.
# Own choice.
_ALIKE = 0.5


def visits(codes: Ints) -> Ints:
    """
    Where a number begins to stand, perhaps in several rows in turn.

    Examples
    --------
    >>> visits(np.array([1, 1, 2, 3, 3, 1])).tolist()
    [0, 2, 3, 5]
    """
    return np.flatnonzero(np.diff(codes, prepend=codes[:1] - 1))


def come_round(codes: Ints) -> bool:
    """
    Whether few numbers come again and again through the whole run, as places do.

    Parameters
    ----------
    codes : ndarray of int64, shape (n,)
        The numbers from row to row; any order, gaps allowed.

    Examples
    --------
    >>> pallet = np.tile([1, 2, 3, 4, 5, 6, 7, 8], 5)
    >>> come_round(pallet), come_round(np.repeat(np.arange(20), 3))
    (True, False)
    """
    seen = codes[visits(codes)]
    many = len(seen)
    numbers, which = np.unique(seen, return_inverse=True)
    if many < FEWEST_VISITS or len(numbers) < 2 or many < ROUNDS * len(numbers):
        return False
    third = np.arange(many) * 3 // many
    return bool(len(np.unique(which * 3 + third)) >= _THIRDS_SEEN * len(numbers))


def begin_again(codes: Ints) -> bool:
    """
    Whether half of the numbers or more come again, the first one too, after most were seen once.

    That is a second round, of places or of parts measured again: too little to tell which.

    Examples
    --------
    >>> begin_again(np.array([1, 2, 3, 4, 5, 6, 1, 2, 3])), begin_again(np.array([1, 2, 3, 2, 4]))
    (True, False)
    """
    seen = codes[visits(codes)]
    numbers, counts = np.unique(seen, return_counts=True)
    again = numbers[counts > 1]
    if len(again) < _FEWEST_AGAIN or 2 * len(again) < len(numbers) or seen[0] not in again:
        return False
    order = np.argsort(seen, kind="stable")
    apart = np.diff(order)[np.diff(seen[order]) == 0]
    return bool(2 * np.median(apart) >= len(numbers))


def read_alike(codes: Ints, values: NDArray[np.float64]) -> bool:
    """
    Whether readings under one number agree far better than those of neighbours do.

    Then they are of one part, measured again, or every place has its own error.

    Parameters
    ----------
    codes : ndarray of int64, shape (n,)
        The numbers from row to row.
    values : ndarray of float64, shape (n,)
        A reading of each row. [any unit]
    """
    at = visits(codes)
    seen, read = codes[at], values[at]
    order = np.argsort(seen, kind="stable")
    same = np.diff(seen[order]) == 0
    within = np.abs(np.diff(read[order]))[same]
    beside = np.abs(np.diff(read))
    within, beside = within[~np.isnan(within)], beside[~np.isnan(beside)]
    if not len(within) or not len(beside):
        return False
    return bool(np.median(within) < _ALIKE * np.median(beside))
