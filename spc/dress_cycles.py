"""Dress cycles of a run, the offsets in force at each part, and the wear line of a cycle."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Moves entered up to this part of a cycle belong to setting up; a clearing control keeps them.
SETUP_PARTS = 3
#: Events after which a new cycle begins.
BEGINNERS = ("dress", "wheel")


@dataclass(frozen=True)
class DressCycle:
    """
    Parts ground from one dress to the next.

    `begun_by` is "start", "dress" or "wheel". `age_known` is False for parts ground before
    the first dress of the run: how long the wheel had worked by then nobody wrote down.
    """

    number: int
    first_part: int
    last_part: int
    begun_by: str
    age_known: bool

    @property
    def parts(self) -> int:
        """Parts ground in this cycle, measured or not."""
        return self.last_part - self.first_part + 1


def dress_cycles(made: int, after_part: ArrayLike, kinds: Sequence[str]) -> tuple[DressCycle, ...]:
    """
    The dress cycles of a run.

    Parameters
    ----------
    made : int
        Parts ground, numbered 1 to `made`.
    after_part : array_like, shape (e,)
        Part after which each event stands; 0 is before the first.
    kinds : sequence of str, length e
        Kind of each event; only ``"dress"`` and ``"wheel"`` begin a cycle.

    Returns
    -------
    tuple of DressCycle
        In order, numbered from 1. A dress without parts after it leaves no cycle.

    Examples
    --------
    >>> [(c.first_part, c.last_part, c.begun_by) for c in dress_cycles(9, [4], ["dress"])]
    [(1, 4, 'start'), (5, 9, 'dress')]
    """
    begun: dict[int, str] = {0: "start"}
    for after, kind in zip(np.asarray(after_part, dtype=int), kinds, strict=True):
        if kind in BEGINNERS and begun.get(int(after)) != "wheel":
            begun[int(after)] = kind
    edges = [*sorted(begun), max(made, 0)]
    spans = [(first, last) for first, last in pairwise(edges) if last > first]
    return tuple(
        DressCycle(
            number=number,
            first_part=after + 1,
            last_part=min(last, made),
            begun_by=begun[after],
            age_known=begun[after] != "start",
        )
        for number, (after, last) in enumerate(spans, start=1)
        if after < made
    )


def cycle_of(parts: ArrayLike, cycles: Sequence[DressCycle]) -> Ints:
    """
    Which cycle each part belongs to.

    Parameters
    ----------
    parts : array_like of int, shape (n,)
        Part numbers, from 1.
    cycles : sequence of DressCycle
        From `dress_cycles`.

    Returns
    -------
    ndarray of int, shape (n,)
        Position in `cycles`, from 0.
    """
    firsts = np.array([cycle.first_part for cycle in cycles], dtype=np.int64)
    place = np.searchsorted(firsts, np.asarray(parts, dtype=np.int64), side="right") - 1
    return place.astype(np.int64)


def since_dress(parts: ArrayLike, cycles: Sequence[DressCycle]) -> Ints:
    """
    Parts since the dress, 1 for the first part after it.

    Parameters and shapes are those of `cycle_of`.
    """
    firsts = np.array([cycle.first_part for cycle in cycles], dtype=np.int64)
    return np.asarray(parts, dtype=np.int64) - firsts[cycle_of(parts, cycles)] + 1


def register(
    parts: ArrayLike,
    after_part: ArrayLike,
    amount_um: ArrayLike,
    kinds: Sequence[str],
    *,
    clears: bool,
) -> Floats:
    """
    Sum of the offsets in force at each part, on diameter.

    Parameters
    ----------
    parts : array_like of int, shape (n,)
        Part numbers, from 1.
    after_part, amount_um : array_like, shape (e,)
        Events in the order in which they happened; amounts of other events are ignored. [µm]
    kinds : sequence of str, length e
        Kind of each event.
    clears : bool
        Whether a dress takes back the moves entered after the third part of its cycle.

    Returns
    -------
    ndarray, shape (n,)
        Offset in force. [µm]

    Examples
    --------
    >>> register([1, 6, 9], [5, 8], [-2.0, float("nan")], ["offset", "dress"], clears=True)
    array([ 0., -2.,  0.])
    """
    after = np.asarray(after_part, dtype=np.int64)
    amounts = np.asarray(amount_um, dtype=float)
    sums = [0.0]
    dressed_at = 0
    late = 0.0
    for where, amount, kind in zip(after, amounts, kinds, strict=True):
        total = sums[-1]
        if kind == "offset":
            total += float(amount)
            late += float(amount) if where - dressed_at > SETUP_PARTS else 0.0
        elif kind in BEGINNERS:
            total -= late if clears else 0.0
            dressed_at, late = int(where), 0.0
        sums.append(total)
    place = np.searchsorted(after, np.asarray(parts, dtype=np.int64), side="left")
    return np.asarray(sums)[place]


@dataclass(frozen=True)
class WearLine:
    """Straight wear of one cycle. Slope and its 95 % interval in µm per part, the rest in µm."""

    slope: float
    slope_lower: float
    slope_upper: float
    intercept: float
    residual_sd: float
    n: int


def wear_line(since_dress: ArrayLike, y: ArrayLike) -> WearLine | None:
    """
    The straight line through one cycle, by least squares.

    Parameters
    ----------
    since_dress : array_like, shape (n,)
        Parts since the dress.
    y : array_like, shape (n,)
        Deviations with the offsets in force taken out. [µm]

    Returns
    -------
    WearLine or None
        None below four parts, which cannot carry an interval worth showing.

    Notes
    -----
    The interval is that of the slope of a simple regression with Student's t [1]_.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 4.4.3.1 (from memory).
    """
    from scipy.special import stdtrit

    x = np.asarray(since_dress, dtype=float)
    y = np.asarray(y, dtype=float)
    n = x.size
    spread = float(((x - x.mean()) ** 2).sum()) if n else 0.0
    if n < 4 or spread == 0.0:
        return None
    slope = float(((x - x.mean()) * y).sum()) / spread
    intercept = float(y.mean() - slope * x.mean())
    residual = y - intercept - slope * x
    sd = float(np.sqrt((residual**2).sum() / (n - 2)))
    reach = float(stdtrit(n - 2, 0.975)) * sd / spread**0.5
    return WearLine(slope, slope - reach, slope + reach, intercept, sd, n)
