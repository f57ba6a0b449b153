"""Readings in groups: a table with a row a group, and what one row says of level and spread."""

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def as_groups(groups: ArrayLike | Sequence[ArrayLike]) -> Floats:
    """
    Groups as one array, a row a group, padded with NaN on the right.

    Parameters
    ----------
    groups : array_like, shape (k, m), or sequence of k array_likes of any length
        Readings; NaN is a missing one.

    Returns
    -------
    ndarray, shape (k, m)
        `m` is the size of the largest group.
    """
    if isinstance(groups, np.ndarray) and groups.dtype != object:
        table = np.asarray(groups, dtype=float)
    else:
        rows = [np.atleast_1d(np.asarray(row, dtype=float)) for row in groups]  # type: ignore[union-attr]
        table = np.full((len(rows), max(map(len, rows), default=0)), np.nan)
        for place, row in enumerate(rows):
            table[place, : len(row)] = row
    if table.ndim != 2 or table.size == 0:
        raise ValueError("groups: a table with one row a group is needed, or a list of groups")
    return table


def sizes(table: Floats) -> NDArray[np.int64]:
    """Readings present in each row of a table of groups, shape (k,)."""
    return np.count_nonzero(~np.isnan(table), axis=1)


def means(table: Floats) -> Floats:
    """Mean of each row, leaving missing readings out; NaN for an empty row, shape (k,)."""
    count = sizes(table)
    total = np.nansum(table, axis=1)
    return np.divide(total, count, out=np.full(len(table), np.nan), where=count > 0)


def ranges(table: Floats) -> Floats:
    """Range of each row; NaN where fewer than two readings are present, shape (k,)."""
    spread = np.fmax.reduce(table, axis=1) - np.fmin.reduce(table, axis=1)
    return np.where(sizes(table) >= 2, spread, np.nan)


def deviations(table: Floats) -> Floats:
    """Standard deviation of each row (divisor n - 1); NaN below two readings, shape (k,)."""
    count = sizes(table)
    squares = np.nansum((table - means(table)[:, None]) ** 2, axis=1)
    variance = np.divide(squares, count - 1, out=np.full(len(table), np.nan), where=count >= 2)
    return np.sqrt(variance)


def per_size(factor: Callable[[int], float], count: NDArray[np.int64]) -> Floats:
    """A factor for each group size, NaN below two, shape of `count`."""
    found, place = np.unique(count, return_inverse=True)
    return np.array([factor(int(n)) if n >= 2 else np.nan for n in found])[place]
