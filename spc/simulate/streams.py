"""Random draws that answer to their name: one keyed stream a cause, one index a draw."""

import hashlib
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

#: Draws made at once. Blocks are keyed one by one, so their size never shows in a value's place.
BLOCK = 256

Draw = Callable[[np.random.Generator, int], NDArray[np.float64]]


def generator(*key: object) -> np.random.Generator:
    """
    A generator of its own for every key, such as ``(seed, "gauge", block)``.

    Notes
    -----
    Philox is counter-based [1]_: streams with different keys are independent, and none of them
    has to be run forward to reach another.

    References
    ----------
    .. [1] J. K. Salmon, M. A. Moraes, R. O. Dror, D. E. Shaw, "Parallel random numbers: as easy
       as 1, 2, 3", SC'11 (2011).
    """
    text = "/".join(map(str, key)).encode()
    words = np.frombuffer(hashlib.blake2b(text, digest_size=16).digest(), dtype=np.uint64)
    return np.random.Generator(np.random.Philox(key=words))


class Stream:
    """
    Draws of one cause, each found by its index.

    Draw `i` is the same number whatever was drawn before it, so that two policies on one seed
    meet the same parts, the same gauge errors and the same dresses (common random numbers).

    Parameters
    ----------
    seed : int
        The run.
    name : str
        The cause.
    draw : callable
        ``draw(generator, size)``: that many values, shape (size,).
    block : int
        Values drawn at once.

    Examples
    --------
    >>> noise = Stream(1, "part", lambda random, size: random.normal(0, 0.9, size))
    >>> late = noise[700]
    >>> [noise[i] for i in range(701)][700] == late
    True
    """

    def __init__(self, seed: int, name: str, draw: Draw, *, block: int = BLOCK) -> None:
        self._key = (seed, name)
        self._draw = draw
        self._size = block
        self._blocks: dict[int, list[float]] = {}

    def __getitem__(self, index: int) -> float:
        block, place = divmod(index, self._size)
        values = self._blocks.get(block)
        if values is None:
            values = self._draw(generator(*self._key, block), self._size).tolist()
            self._blocks[block] = values
        return values[place]


def normal(sd: float) -> Draw:
    """Normal draws about zero."""
    return lambda random, size: sd * random.standard_normal(size)


def factor(cv: float, *, mean_one: bool) -> Draw:
    """
    Lognormal factors with log-sd `cv`.

    Parameters
    ----------
    cv : float
        Standard deviation of the logarithm.
    mean_one : bool
        True: mean 1. False: median 1.
    """
    shift = -cv * cv / 2 if mean_one else 0.0
    return lambda random, size: np.exp(shift + cv * random.standard_normal(size))


def gamma(cv: float) -> Draw:
    """Gamma draws with mean 1 and coefficient of variation `cv`; all 1 when `cv` is 0."""
    if cv == 0:
        return lambda random, size: np.ones(size)
    shape = 1 / cv**2
    return lambda random, size: random.standard_gamma(shape, size) / shape


def uniform() -> Draw:
    """Uniform draws from 0 up to 1."""
    return lambda random, size: random.random(size)


def gauge_error(sd: float, *, outlier_rate: float, outlier_sd: float) -> Draw:
    """
    Errors of single readings: normal, and now and then dirt or a handling slip on top.

    The slip is ``±|N(0, outlier_sd²)|``, upward in four cases of five: dirt makes a part read
    big (common practice, no source).
    """

    def draw(random: np.random.Generator, size: int) -> NDArray[np.float64]:
        error = sd * random.standard_normal(size)
        slips = random.random(size) < outlier_rate
        sign = np.where(random.random(size) < 0.8, 1.0, -1.0)
        return error + slips * sign * np.abs(outlier_sd * random.standard_normal(size))

    return draw
