"""
Stretches of a sequence that stand in it twice, too long and too varied for chance.

A coarse gauge repeats itself, and a stuck one does nothing else. So a stretch is held against how
often two values are equal at all, and only its steps count that it has not made before.
"""

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]

#: Stretches that chance may be expected to make in one sequence. Own choice.
BY_CHANCE = 0.001
#: No shorter stretch is ever called a copy. Own choice.
FEWEST = 5
# So many of the longest candidates are looked at; a gauge that is stuck for a million parts makes
# as many short ones. Own choice.
_MOST_LOOKED_AT = 200
# How many equal values in front of it a value is believed to depend on. Own choice.
_CONTEXT = 3


@dataclass(frozen=True)
class Copy:
    """A stretch and the earlier one that it is equal to; positions count from 0."""

    first: int
    earlier: int
    count: int


def copies(codes: Ints) -> list[Copy]:
    r"""
    Stretches that repeat an earlier one, value by value, beyond chance.

    Parameters
    ----------
    codes : ndarray of int64, shape (n,)
        Equal where two rows are equal.

    Returns
    -------
    list of Copy
        In order; no two overlap, and none overlaps the stretch it repeats.

    Notes
    -----
    Two values are equal with chance :math:`p`, the share of equal pairs, and two that follow equal
    values with chance :math:`q`, which wear, a coarse gauge and one that is stuck make larger. Of
    :math:`n` values there are :math:`n^2/2` pairs of places where a stretch could begin twice, so
    that :math:`k` free steps agree by chance :math:`n^2 p q^{k-1} / 2` times; the least :math:`k`
    that makes this `BY_CHANCE` is asked for. A step that a stretch has made before is not free. So
    that copies do not speak for themselves, :math:`q` leaves out pairs as far apart as a copy
    would lie from what it repeats.

    Examples
    --------
    >>> rng = np.random.default_rng(2)
    >>> codes = rng.integers(0, 30, 40)
    >>> copies(np.concatenate([codes, codes]))
    [Copy(first=40, earlier=0, count=40)]
    >>> copies(np.zeros(80, dtype=np.int64)), copies(np.arange(80) % 2)
    ([], [])
    """
    codes = np.unique(codes, return_inverse=True)[1].astype(np.int64)
    n = len(codes)
    p = _equal_pairs(codes) / max(n * (n - 1) / 2, 1)
    fewest = _fewest(n, p, p)
    if not 0 < p < 1 or 2 * fewest > n:
        return []
    candidates = _candidates(codes, fewest)
    fewest = _fewest(n, p, _follows(codes, p, {c.first - c.earlier for c in candidates}))
    found: list[Copy] = []
    taken = np.zeros(n, dtype=bool)
    for candidate in candidates:
        own = slice(candidate.first, candidate.first + candidate.count)
        if not taken[own].any() and _free_steps(codes[own]) >= fewest:
            taken[own] = True
            found.append(candidate)
    return sorted(found, key=lambda copy: copy.first)


def _fewest(n: int, p: float, q: float) -> float:
    """Free steps from which a stretch is no chance; infinite where any may be."""
    if not 0 < p <= q < 1:
        return math.inf
    return max(FEWEST, 1 + math.ceil(math.log(2 * BY_CHANCE / (n**2 * p)) / math.log(q)))


def _equal_pairs(codes: Ints) -> float:
    counts = np.bincount(codes).astype(float)
    return float((counts * (counts - 1)).sum()) / 2


def _follows(codes: Ints, p: float, apart: set[int]) -> float:
    """Chance that two values are equal behind equal ones, pairs at some distances left out."""
    pairs = [_equal_pairs(_grams(codes, length)) for length in range(1, _CONTEXT + 2)]
    for lag in apart:
        equal = here = codes[lag:] == codes[:-lag]
        for behind in range(len(pairs)):
            pairs[behind] -= float(equal.sum())
            equal = equal[:-1] & here[behind + 1 :]
    q, most = p, p
    for before, after in itertools.pairwise(pairs):
        # Few pairs say little beyond what shorter ones say.
        q = (after + q) / (before + 1)
        most = max(most, q)
    return most


def _candidates(codes: Ints, length: float) -> list[Copy]:
    """Stretches of at least `length` equal values, the longest first, each as long as it goes."""
    length = int(length)
    grams = _grams(codes, length)
    _, first, which = np.unique(grams, return_index=True, return_inverse=True)
    earlier = first[which]
    apart = np.arange(len(grams)) - earlier
    at = np.flatnonzero(apart >= length)
    if not len(at):
        return []
    # Grams in turn, at one distance from their earlier twins, are one stretch.
    goes_on = (np.diff(at) == 1) & (np.diff(apart[at]) == 0)
    begins = np.flatnonzero(np.concatenate([[True], ~goes_on]))
    counts = np.diff(np.append(begins, len(at))) + length - 1
    # A stretch cannot reach into itself.
    counts = np.minimum(counts, apart[at[begins]])
    longest = np.argsort(-counts, kind="stable")[:_MOST_LOOKED_AT]
    return [
        Copy(int(at[begins[i]]), int(earlier[at[begins[i]]]), int(counts[i]))
        for i in longest.tolist()
    ]


def _grams(codes: Ints, length: int) -> Ints:
    """A number for every stretch of that length, equal where two stretches are."""
    grams, reach = codes, 1
    while reach < length:
        # Two stretches that overlap make the longer one, so every length is reached.
        step = min(reach, length - reach)
        pairs = grams[:-step] * (int(grams.max()) + 1) + grams[step:]
        grams = np.unique(pairs, return_inverse=True)[1].astype(np.int64)
        reach += step
    return grams


def _free_steps(stretch: Ints) -> int:
    """The first value of a stretch, and the steps in it that it makes for the first time."""
    steps = stretch[:-1] * (int(stretch.max()) + 1) + stretch[1:]
    return 1 + len(np.unique(steps))
