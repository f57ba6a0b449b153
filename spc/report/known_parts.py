"""Readings of parts whose true value is known, and what they say of the gauge at each size."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from spc.gauge.accuracy import Bias, Linearity, bias, linearity, together
from spc.report.voice import digits_for

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class KnownParts:
    """Readings of parts whose true value is known, in the order of the rows. [µm]"""

    references_um: Floats
    readings_um: Floats
    people: tuple[str, ...]
    parts: tuple[str, ...]

    @property
    def off_um(self) -> Floats:
        """What the gauge reads too much."""
        return self.readings_um - self.references_um

    @property
    def sizes_um(self) -> Floats:
        """The different reference values, rising."""
        return np.unique(self.references_um)

    @cached_property
    def line(self) -> Linearity | None:
        """The bias over the sizes; None with one size or too few readings for a line."""
        if len(self.sizes_um) < 2 or len(self.off_um) < 3:
            return None
        return linearity(self.references_um, self.readings_um)

    def at(self, size: float) -> Bias | None:
        """
        The bias at one size by its own readings alone; None for a single reading.

        Its bounds hold with 95 % for all sizes together.
        """
        mine = self.readings_um[self.references_um == size]
        if len(mine) < 2:
            return None
        return bias(mine, size, confidence=together(0.95, len(self.sizes_um)))

    @property
    def digits(self) -> int:
        """Digits of a reading in µm that the steps between readings support."""
        gaps = np.diff(np.unique(np.round(self.readings_um, 4)))
        return min(digits_for(float(gaps.min())), 3) if len(gaps) else 1
