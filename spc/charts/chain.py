"""Run length of patterns of distance, exactly: a Markov chain of all they can remember."""

from dataclasses import dataclass
from functools import lru_cache
from math import erfc, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spc.charts.signals import Pattern

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]
# Above so many states a sparse solver is faster than a dense one (measured).
_DENSE = 700


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
        solve = self._solver(self.chances(shift))
        first = solve(np.ones(self.states))
        # E[T(T+1)]/2 solves the same system with the means on the right.
        second = 2 * solve(first) - first
        return float(first[0]), sqrt(max(0.0, float(second[0] - first[0] ** 2)))

    def survival(self, shift: float, points: int) -> Floats:
        """Chance of no signal in the first 0, 1, ... `points` points, shape (points + 1,)."""
        chance = self.chances(shift)
        at = np.zeros(self.states + 1)
        at[0] = 1.0
        alive = np.empty(points + 1)
        flat, weight = self.after.ravel(), np.empty(self.after.shape)
        for point in range(points + 1):
            alive[point] = at[:-1].sum()
            np.multiply(at[:-1, None], chance, out=weight)
            at = np.asarray(np.bincount(flat, weight.ravel(), self.states + 1), dtype=float)
            at[-1] = 0.0
        return alive

    def _solver(self, chance: Floats) -> Any:
        rows = np.repeat(np.arange(self.states), len(chance))
        columns, values = self.after.ravel(), np.tile(chance, self.states)
        stays = columns < self.states
        rows, columns, values = rows[stays], columns[stays], values[stays]
        if self.states <= _DENSE:
            system = np.eye(self.states)
            np.subtract.at(system, (rows, columns), values)
            return lambda right: np.linalg.solve(system, right)
        from scipy.sparse import csc_matrix, identity
        from scipy.sparse.linalg import splu

        moves = csc_matrix((values, (rows, columns)), shape=(self.states, self.states))
        return splu((identity(self.states, format="csc") - moves).tocsc()).solve


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
