"""What is asked of one characteristic, and the form every answer takes."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.capability.indices import Index
from spc.capability.shapes import FOR_SIZES, FOR_ZERO_BOUNDED

Array = NDArray[np.float64]
#: Fewer parts carry no index: ISO 22514-3 asks for 30 at the least (from memory).
LEAST_PARTS = 30
UNSTABLE = (
    "not stable: the level or the spread changed beyond what wear explains, so no capability may "
    "be claimed; performance describes these parts only"
)


@dataclass(frozen=True)
class Portion:
    """
    One of the numbers side by side: within a dress cycle, as delivered, with drift compensated.

    `cp` needs both limits; `cpk` is the index of the nearer limit. `sigma` is the spread it rests
    on [µm]; `words` say what the number stands for.
    """

    sigma: float | None
    cp: Index
    cpk: Index
    words: str


@dataclass(frozen=True, eq=False)
class Question:
    """Readings in grinding order, limits, and what is known of the gauge. Lengths in µm."""

    y: Array
    lower: float | None
    upper: float | None
    target: float | None
    stable: bool
    zero_bounded: bool = False
    gauge_sd: float | None = None
    step: float | None = None
    required: float = 1.33

    @property
    def n(self) -> int:
        """Parts measured."""
        return len(self.y)

    @property
    def families(self) -> tuple[str, ...]:
        """Shapes that may fit such a characteristic."""
        return FOR_ZERO_BOUNDED if self.zero_bounded else FOR_SIZES

    @property
    def gauge_var(self) -> float:
        """Variance the gauge adds: its spread, or at least that of its steps. [µm²]"""
        return max((self.gauge_sd or 0.0) ** 2, (self.step or 0.0) ** 2 / 12)

    @property
    def two_sided(self) -> bool:
        """Whether there are two limits."""
        return self.lower is not None and self.upper is not None

    def outside(self) -> int:
        """Measured parts outside the limits."""
        below = 0 if self.lower is None else int((self.y < self.lower).sum())
        return below + (0 if self.upper is None else int((self.y > self.upper).sum()))

    def nothing(self, name: str, why: str) -> Index:
        """An index that cannot be claimed, and why."""
        return Index(name, None, None, None, self.n, why)

    def without(self, names: tuple[str, str], why: str, words: str, sigma: float | None) -> Portion:
        """A portion without any index, and why."""
        return Portion(sigma, self.nothing(names[0], why), self.nothing(names[1], why), words)

    def one_limit(self, name: str) -> Index:
        """The answer where an index needs two limits and there is one."""
        return self.nothing(name, "one limit only: quote the index of that limit")

    def bounded(self, name: str, value: float, could_be: list[Array]) -> Index:
        """
        An index with its 95 % bounds from what its sides could truly be.

        The bound of the smaller of two sides is the smaller of their bounds.
        """
        ends = np.min([np.quantile(side, (0.025, 0.975)) for side in could_be], axis=0)
        return Index(name, value, float(ends[0]), float(ends[1]), self.n)

    def check(self, *others: ArrayLike) -> None:
        """Refuse what no answer could be built on; `others` are as long as the readings."""
        if self.lower is None and self.upper is None:
            raise ValueError("lower and upper are both None; a claim needs at least one limit")
        if self.lower is not None and self.upper is not None and not self.lower < self.upper:
            raise ValueError(f"lower limit {self.lower:g} is not below upper limit {self.upper:g}")
        if self.y.ndim != 1 or not np.all(np.isfinite(self.y)):
            raise ValueError("y must be one row of finite values")
        if any(len(np.asarray(other)) != self.n for other in others):
            raise ValueError("y, cycle, since_dress and bare must have the same length")

    def too_little(self) -> str:
        """Why the parts cannot carry any index; empty when they can."""
        if self.n < LEAST_PARTS:
            return (
                f"not enough yet: {self.n} parts measured, {LEAST_PARTS} are the least that carry "
                f"an index; measure {LEAST_PARTS - self.n} more"
            )
        if not np.ptp(self.y) > 0:
            return f"not enough yet: all {self.n} readings are alike, the spread does not show"
        return ""
