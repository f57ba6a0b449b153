"""
Backward induction over levels and blocks.

Levels lie on a grid. Between blocks a level moves along the mean path: a kernel of cubic Lagrange
weights at the three points of a Gauss-Hermite rule, which keeps mean and variance of the move.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.adviser.loss import LEVELS, PITCH, REACH, Stakes

Floats = NDArray[np.float64]

#: Levels a kernel reaches to each side.
_SIDE = 10
_NODES = (-np.sqrt(3.0), 0.0, np.sqrt(3.0))
_SHARES = (1 / 6, 2 / 3, 1 / 6)


def kernels(shift: Floats, news: Floats) -> Floats:
    """Weights of the levels around for the expectation after each block, (blocks, 2 side + 1)."""
    blocks = np.arange(len(shift))
    made = np.zeros((len(shift), 2 * _SIDE + 1))
    for node, share in zip(_NODES, _SHARES, strict=True):
        place = np.clip((shift + node * np.sqrt(news)) / PITCH, 1.0 - _SIDE, _SIDE - 2.001)
        left = np.floor(place)
        t = place - left
        at = left.astype(np.int64) + _SIDE
        for step, weights in (
            (-1, -t * (t - 1) * (t - 2) / 6),
            (0, (t + 1) * (t - 1) * (t - 2) / 2),
            (1, -(t + 1) * t * (t - 2) / 2),
            (2, (t + 1) * t * (t - 1) / 6),
        ):
            made[blocks, at + step] += share * weights
    return made


@dataclass(frozen=True, eq=False)
class Ahead:
    """
    What a backward induction goes through: `lanes` are wheels and registers side by side.

    Attributes
    ----------
    cost : ndarray, shape (blocks, lanes, levels)
        Loss of the parts of a block at each level.
    kernels : ndarray, shape (blocks, lanes, 2 side + 1)
        See `kernels`.
    stays : ndarray, shape (blocks, lanes)
        Chance that the next block is come to without a wheel recognised to be dull and dressed.
    unasked : ndarray of bool, shape (blocks, lanes)
        Where an offset costs a reading besides.
    ground : ndarray, shape (blocks, lanes)
        Share of a block that the batch still has.
    lengths : ndarray, shape (blocks,)
        Parts of each block.
    fresh : int
        Lanes, from the first on, whose length of a cycle is asked for.
    """

    cost: Floats
    kernels: Floats
    stays: Floats
    unasked: NDArray[np.bool_]
    ground: Floats
    lengths: Floats
    fresh: int


def backward(ahead: Ahead, stakes: Stakes, rate: Floats, dress: Floats) -> tuple[Floats, Floats]:
    """
    Cost to go of grinding on before the first block, and the expected length of a fresh cycle.

    Parameters
    ----------
    ahead : Ahead
        What lies ahead.
    stakes : Stakes
        Prices.
    rate : ndarray, shape (lanes,)
        Cost a part of a whole cycle.
    dress : ndarray, shape (blocks, lanes)
        Cost to go of a dress before each block.

    Returns
    -------
    keep : ndarray, shape (lanes, levels)
    length : ndarray, shape (fresh,)
        From the best level on. [parts]
    """
    count, lanes, _ = ahead.cost.shape
    fresh, all_lanes = ahead.fresh, lanes + ahead.fresh
    add = np.empty((count, all_lanes, LEVELS))
    spent = ahead.lengths[:, None, None] * rate[:, None]
    add[:, :lanes] = (ahead.cost - spent) * ahead.ground[..., None]
    add[:, :lanes] += ((1 - ahead.stays) * dress * (ahead.ground == 1))[..., None]
    add[:, lanes:] = ahead.lengths[:, None, None]
    weights = ahead.kernels * (ahead.stays * (ahead.ground == 1))[..., None]
    lasting = ahead.kernels[:, :fresh] * ahead.stays[:, :fresh, None]
    weights = np.concatenate([weights, lasting], axis=1)[..., None]
    padded = np.empty((all_lanes, LEVELS + 2 * _SIDE))
    inside = padded[:, _SIDE:-_SIDE]
    window = np.lib.stride_tricks.sliding_window_view(padded, 2 * _SIDE + 1, axis=1)
    inside[:lanes] = dress[-1][:, None]
    inside[lanes:] = 0.0
    offset = stakes.offset + stakes.measure * ahead.unasked
    each = np.arange(fresh)
    for j in range(count - 1, -1, -1):
        padded[:, :_SIDE] = padded[:, _SIDE : _SIDE + 1]
        padded[:, -_SIDE:] = padded[:, -_SIDE - 1 : -_SIDE]
        keep = np.matmul(window, weights[j])[..., 0]
        keep += add[j]
        if j == 0:
            break
        values, lasts = keep[:lanes], keep[lanes:]
        moved = values.min(axis=1) + offset[j]
        leave = np.minimum(moved, dress[j])
        np.minimum(values, leave[:, None], out=inside[:lanes])
        best = lasts[each, values[:fresh].argmin(axis=1)] * (moved < dress[j])[:fresh]
        inside[lanes:] = np.where(values[:fresh] <= leave[:fresh, None], lasts, best[:, None])
    lasts = keep[lanes + each, keep[:fresh].argmin(axis=1)]
    return keep[:lanes], np.asarray(lasts)


def between(values: Floats, level: float) -> float:
    """Value at a level between grid points by a parabola; beyond the grid that of its end."""
    place = min(max((level + REACH) / PITCH, 0.0), LEVELS - 1.0)
    k = min(max(round(place), 1), LEVELS - 2)
    t = place - k
    left, middle, right = values[k - 1], values[k], values[k + 1]
    return float(middle + t * (right - left) / 2 + t * t * (right - 2 * middle + left) / 2)
