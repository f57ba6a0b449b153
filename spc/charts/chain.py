"""Run length of patterns of distance, exactly: a Markov chain of all they can remember."""

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from math import erfc, inf, sqrt

import numpy as np
from numpy.typing import NDArray

from spc.charts.patterns import Pattern

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]
# Above so many states summing survival is faster than solving for all of them (measured).
_DENSE = 60


@dataclass(frozen=True, eq=False)
class Chain:
    """
    What a set of patterns remembers between points, and where each point leads.

    Attributes
    ----------
    edges : ndarray, shape (zones + 1,)
        Borders of the zones that points fall into, from minus to plus infinity.
    after : ndarray of int, shape (states, zones)
        State after a point of the zone; ``states`` itself means a signal. State 0 is the start.
    """

    edges: Floats
    after: Whole

    @property
    def states(self) -> int:
        """How many memories are told apart."""
        return len(self.after)

    def chances(self, shift: float) -> Floats:
        """Chance of each zone for a normal point `shift` standard errors off, shape (zones,)."""
        above = np.array([0.5 * erfc((edge - shift) / sqrt(2)) for edge in self.edges])
        return above[:-1] - above[1:]

    def moments(self, shift: float) -> tuple[float, float]:
        """Mean and standard deviation of the points to the first signal, from the start."""
        chance = self.chances(shift)
        if self.states > _DENSE:
            mean, square = self._summed(chance)
        else:
            system = np.eye(self.states + 1)
            rows = np.repeat(np.arange(self.states), len(chance))
            moves = np.tile(chance, self.states)
            np.subtract.at(system, (rows, self.after.ravel()), moves)
            inner = system[:-1, :-1]
            try:
                first = np.linalg.solve(inner, np.ones(self.states))
            except np.linalg.LinAlgError:  # so rare a signal that no number holds its chance
                return inf, inf
            # E[T^2] solves the same system with 2 E[T] - 1 on the right.
            mean = float(first[0])
            square = float(np.linalg.solve(inner, 2 * first - 1)[0])
        return mean, sqrt(max(0.0, square - mean**2)) if mean < inf else inf

    def survival(self, shift: float, points: int) -> Floats:
        """Chance of no signal in the first 0, 1, ... `points` points, shape (points + 1,)."""
        alive = self._alive(self.chances(shift))
        return np.array([next(alive) for _ in range(points + 1)])

    def _alive(self, chance: Floats) -> Iterator[float]:
        """Chance of no signal so far, after 0, 1, 2 ... points, without end."""
        at = np.zeros(self.states)
        at[0] = 1.0
        flat, weight = self.after.ravel(), np.empty(self.after.shape)
        while True:
            yield float(at.sum())
            np.multiply(at[:, None], chance, out=weight)
            at = np.bincount(flat, weight.ravel(), self.states + 1)[:-1].astype(float)

    def _summed(self, chance: Floats) -> tuple[float, float]:
        # E[T] and E[T^2] are sums of survival; before long it falls by one and the same factor
        # at each point (the largest eigenvalue), and the rest of the sums is geometric.
        mean = square = 0.0
        last, factors = 1.0, deque([inf], maxlen=_SETTLED)
        for point, alive in enumerate(self._alive(chance)):
            mean += alive
            square += (2 * point + 1) * alive
            factors.append(alive / last)
            last = alive
            if alive < 1e-18 or abs(factors[-1] - factors[0]) < 1e-15:
                break
        if factors[-1] == 1:
            return inf, inf
        ahead = last * factors[-1] / (1 - factors[-1])
        return mean + ahead, square + ahead * (2 * point + 1 + 2 / (1 - factors[-1]))


# The factor counts as one and the same when it has not moved for so many points.
_SETTLED = 25


@lru_cache(maxsize=32)
def chain(patterns: tuple[Pattern, ...]) -> Chain:
    """
    The chain of some patterns of distance watched together.

    Parameters
    ----------
    patterns : tuple of Pattern
        Without orders (climbs, see-saws), which no chain of zones can hold.

    References
    ----------
    .. [1] C. W. Champ and W. H. Woodall (1987), Technometrics 29, 393-399.
    """
    if any(pattern.order for pattern in patterns):
        raise ValueError("a pattern of order has no exact chain: simulate it")
    edges = _edges(patterns)
    middles = _middles(edges)
    tracks = [
        (_memory(pattern.count, pattern.among), _hits(middles, pattern, side))
        for pattern in patterns
        for side in ((0,) if pattern.either_side else (1, -1))
    ]
    return _merged(Chain(edges, _reachable(tracks, len(middles))))


def _edges(patterns: tuple[Pattern, ...]) -> Floats:
    inner = {sign * edge for p in patterns for edge in (p.low, p.high) for sign in (1.0, -1.0)}
    return np.array(sorted(inner | {-np.inf, np.inf}))


def _middles(edges: Floats) -> Floats:
    finite = np.nan_to_num(edges, posinf=edges[-2] + 2, neginf=edges[1] - 2)
    return (finite[1:] + finite[:-1]) / 2 if len(edges) > 2 else np.zeros(1)


def _hits(middles: Floats, pattern: Pattern, side: int) -> Whole:
    off = np.abs(middles) if side == 0 else side * middles
    return ((off > pattern.low) & (off < pattern.high)).astype(np.int64)


@lru_cache(maxsize=64)
def _memory(count: int, among: int) -> Whole:
    """What one pattern remembers: state after a miss or a hit, -1 for a signal; 0 is nothing."""
    known, moves = {0: 0}, []
    todo = [0]
    while todo:
        bits = todo.pop(0)
        row = []
        for hit in (0, 1):
            if hit and bits.bit_count() + 1 >= count:
                row.append(-1)
                continue
            new = _useful(((bits << 1) | hit) & ((1 << (among - 1)) - 1), count, among)
            if new not in known:
                known[new] = len(known)
                todo.append(new)
            row.append(known[new])
        moves.append(row)
    return np.array(moves, dtype=np.int64)


def _useful(bits: int, count: int, among: int) -> int:
    """Forget hits so old that even hits only from now on could not make the pattern with them."""
    for age in range(among - 1, 0, -1):  # the youngest hit has age 1
        hit = 1 << (age - 1)
        younger = (bits & (2 * hit - 1)).bit_count()
        if bits & hit and younger + among - age < count:
            bits &= ~hit
    return bits


def _reachable(tracks: list[tuple[Whole, Whole]], zones: int) -> Whole:
    """Joint memories met from the start, numbered, and where each zone leads from them."""
    sizes = np.array([len(moves) for moves, _ in tracks], dtype=np.int64)
    radix = np.concatenate([[1], np.cumprod(sizes[:-1])]) if len(tracks) else np.zeros(0, int)
    known = np.zeros(1, dtype=np.int64)
    frontier, rows = known, []
    while len(frontier):
        rows.append(_steps(frontier, tracks, sizes, radix, zones))
        found = np.unique(rows[-1])
        frontier = np.setdiff1d(found[found >= 0], known)
        known = np.concatenate([known, frontier])
    after = np.concatenate(rows)
    order = np.argsort(known)
    place = order[np.minimum(np.searchsorted(known[order], after), len(known) - 1)]
    return np.where(after < 0, len(known), place)


def _steps(
    codes: Whole, tracks: list[tuple[Whole, Whole]], sizes: Whole, radix: Whole, zones: int
) -> Whole:
    after = np.zeros((len(codes), zones), dtype=np.int64)
    signal = np.zeros((len(codes), zones), dtype=bool)
    for (moves, hits), size, weight in zip(tracks, sizes, radix, strict=True):
        step = moves[(codes // weight) % size][:, hits]
        signal |= step < 0
        after += weight * step
    return np.where(signal, -1, after)


def _merged(whole: Chain) -> Chain:
    """The same chain with states that no future can tell apart made one."""
    kind = np.zeros(whole.states + 1, dtype=np.int64)
    kind[-1] = 1
    kinds = 2
    while True:
        signature = np.column_stack([kind[:-1], kind[whole.after]])
        _, first, new = np.unique(signature, axis=0, return_index=True, return_inverse=True)
        new = new.ravel()
        if len(first) + 1 == kinds:
            break
        kinds = len(first) + 1
        kind = np.append(new, len(first))
    # State 0 stays the start.
    name = np.argsort(np.argsort(np.where(np.arange(len(first)) == new[0], -1, first)))
    after = np.append(name[new], len(first))[whole.after[first]]
    return Chain(whole.edges, after[np.argsort(name)])
