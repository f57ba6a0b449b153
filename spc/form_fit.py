"""How form and finish grow with the wheel's age, as the dress cycles of one run show it."""

import math
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.errors import NotEnough

Floats = NDArray[np.float64]

#: Powers of age by which the logarithm may grow, and how much more its variance may be at the
#: oldest age than at the youngest (0: the same); the likeliest pair is taken.
POWERS, SPREADS = (1.0, 1.5, 2.0, 3.0), (0.0, 1.0, 4.0, 12.0)
#: Fewest values, and cycles that hold some, that tell of growth (our choice).
FEWEST_VALUES, FEWEST_CYCLES = 8, 3
#: A spread of the logarithm below this is rounding.
_LEAST_SD = 1e-3


@dataclass(frozen=True)
class FormFit:
    """
    How a value of form lies about its middle at each age.

    The logarithm at age n is normal about ``start + growth s``, ``s = (n / oldest)^power``, with
    variance ``sd² (1 + spread s²)``: cycles that dull sooner differ most when they are old.
    """

    start: float
    growth: float
    sd: float
    power: float = 1.0
    spread: float = 0.0
    oldest: float = 1.0

    def middle(self, ages: ArrayLike) -> Floats:
        """Median of the logarithm at each age."""
        return np.asarray(self.start + self.growth * self._share(ages))

    def sd_at(self, ages: ArrayLike) -> Floats:
        """Standard deviation of the logarithm at each age."""
        return np.asarray(self.sd * np.sqrt(1 + self.spread * self._share(ages) ** 2))

    def outside(self, ages: ArrayLike, limit: float) -> Floats:
        """
        Share of parts above a limit at each age.

        Examples
        --------
        >>> FormFit(0.0, 0.0, 0.2).outside([1, 9], 1.0).tolist()
        [0.5, 0.5]
        """
        from scipy.special import ndtr

        return np.asarray(ndtr((self.middle(ages) - math.log(limit)) / self.sd_at(ages)))

    def _share(self, ages: ArrayLike) -> Floats:
        return np.asarray((np.asarray(ages, dtype=float) / self.oldest) ** self.power)


class FormGrowth:
    """
    Values of form or finish by age, fitted as they are and again to cycles drawn from them.

    Parameters
    ----------
    ages, values : array_like, shape (m,)
        Parts since the dress, and values above zero. [µm]
    cycles : array_like of int, shape (m,)
        Dress cycle of each value.

    Raises
    ------
    NotEnough
        Below eight values in three cycles, or when all have one age.
    """

    def __init__(self, ages: ArrayLike, values: ArrayLike, cycles: ArrayLike) -> None:
        age, value = np.asarray(ages, dtype=float), np.asarray(values, dtype=float)
        numbers, self._cycle = np.unique(np.asarray(cycles), return_inverse=True)
        self._count = len(numbers)
        if len(age) < FEWEST_VALUES or self._count < FEWEST_CYCLES or not np.ptp(age):
            raise NotEnough(
                f"{len(age)} values in {self._count} dress cycles; at least {FEWEST_VALUES} in "
                f"{FEWEST_CYCLES} tell how age changes them"
            )
        self._oldest = float(age.max())
        self._shares = {power: (age / self._oldest) ** power for power in POWERS}
        self._log = np.log(value)
        self.best = self._fitted(np.ones(len(age)))

    def drawn(self, random: np.random.Generator) -> FormFit:
        """Fitted to the cycles weighed at random, see `spc.wear_fit.CyclesFit`."""
        share = (self._count - 2) / self._count
        weights = random.dirichlet(np.full(self._count, share))[self._cycle]
        # A fit needs two ages, however small their weight.
        return self._fitted(weights + 1e-6, random)

    def _fitted(self, weights: Floats, random: np.random.Generator | None = None) -> FormFit:
        """The likeliest power and spread; with `random` each pair as often as it is likely."""
        w = weights * len(weights) / weights.sum()
        fits = [self._one(w, *pair) for pair in product(POWERS, SPREADS)]
        likely = np.array([each[0] for each in fits])
        if random is None:
            return fits[int(likely.argmin())][1]
        share = np.cumsum(np.exp((likely.min() - likely) / 2))
        return fits[int(np.searchsorted(share, random.uniform(0, share[-1]), side="right"))][1]

    def _one(self, w: Floats, power: float, spread: float) -> tuple[float, FormFit]:
        """Twice the negative log-likelihood of one pair, and its fit by weighted least squares."""
        x, y = self._shares[power], self._log
        wide = 1 + spread * x**2
        v = w / wide
        total, middle, level = v.sum(), float(v @ x), float(v @ y)
        middle, level = middle / total, level / total
        growth = float(v @ ((x - middle) * y)) / max(float(v @ (x - middle) ** 2), 1e-12)
        growth = max(growth, 0.0)  # a worn wheel makes no better form: a falling line is chance
        start = level - growth * middle
        sd = math.sqrt(float(v @ (y - start - growth * x) ** 2) / (len(w) - 2))
        sd = max(sd, _LEAST_SD)
        likely = 2 * len(w) * math.log(sd) + float(w @ np.log(wide))
        return likely, FormFit(start, growth, sd, power, spread, self._oldest)
