"""Readings too far out to belong: named as a remark, never taken out."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike


@dataclass(frozen=True)
class FarOut:
    """
    Outcome of the generalized extreme studentized deviate test.

    Attributes
    ----------
    statistics, critical : tuple of float
        One of each for every reading taken away in turn, the farthest first.
    positions : tuple of int
        Positions of the outliers in the data, the farthest first; empty when there are none.
    """

    statistics: tuple[float, ...]
    critical: tuple[float, ...]
    positions: tuple[int, ...]

    @property
    def count(self) -> int:
        """Number of outliers."""
        return len(self.positions)


def generalized_esd(x: ArrayLike, *, most: int = 10, alpha: float = 0.05) -> FarOut:
    """
    Outliers in a normal sample, up to `most` of them, without one hiding another.

    Parameters
    ----------
    x : array_like, shape (n,)
        Readings, ``n >= most + 3``.
    most : int, default 10
        Outliers looked for at the most.
    alpha : float, default 0.05
        Probability of finding any in a clean sample.

    Returns
    -------
    FarOut

    References
    ----------
    .. [1] Rosner (1983), Technometrics 25, 165-172; NIST/SEMATECH e-Handbook, 1.3.5.17.3.

    Examples
    --------
    >>> generalized_esd([1.0, 1.2, 0.9, 1.1, 1.0, 9.0, 1.1, 0.8], most=2).positions
    (5,)
    """
    values = np.asarray(x, float)
    n = len(values)
    if not 1 <= most <= n - 3:
        raise ValueError(f"most is {most}; with {n} readings it may be 1 to {max(n - 3, 0)}")
    left = np.arange(n)
    statistics, critical, taken = [], [], []
    for i in range(most):
        kept = values[left]
        sd = float(kept.std(ddof=1))
        if not sd > 0:
            break
        far = np.abs(kept - kept.mean())
        k = int(np.argmax(far))
        statistics.append(float(far[k]) / sd)
        critical.append(grubbs_critical(n - i, alpha=alpha))
        taken.append(int(left[k]))
        left = np.delete(left, k)
    beyond = [i for i, (r, c) in enumerate(zip(statistics, critical, strict=True)) if r > c]
    count = beyond[-1] + 1 if beyond else 0
    return FarOut(tuple(statistics), tuple(critical), tuple(taken[:count]))


def grubbs_critical(n: int, *, alpha: float = 0.05) -> float:
    """
    Largest studentized deviate of a clean normal sample of `n`, not exceeded with ``1 - alpha``.

    References
    ----------
    .. [1] Grubbs (1950), Ann. Math. Statist. 21, 27-58; NIST/SEMATECH e-Handbook, 1.3.5.17.1.

    Examples
    --------
    >>> round(grubbs_critical(8), 3)
    2.127
    """
    from scipy.special import stdtrit

    if n < 3:
        raise ValueError(f"n is {n}; the test needs 3 readings")
    t = float(stdtrit(n - 2, 1 - alpha / (2 * n)))
    return float((n - 1) * t / np.sqrt(n * (n - 2 + t**2)))
