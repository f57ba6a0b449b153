"""Columns that hold what another should, or the right numbers with the wrong sign: asked about."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from spc.intake.csv_file import Sheet
from spc.intake.meaning import Target
from spc.intake.readings import TAKEN
from spc.remarks import MEANING

# With fewer readings nothing is said of a whole column. Own choice.
_FEWEST = 5
# As written, no more than this share is inside its limits; the other way, no less. Own choices:
# wear may carry some readings out, but never a good run out and a bad one in.
_FEW_INSIDE, _MOST_INSIDE = 0.2, 0.8


@dataclass(frozen=True, eq=False)
class _Readings:
    """The readings of one feature: deviations from its nominal in µm, sizes or written as such."""

    target: Target
    absolute: bool
    deviation_um: NDArray[np.float64]

    @property
    def name(self) -> str:
        return self.target.feature.name

    def inside(self, deviation_um: NDArray[np.float64]) -> float:
        """Share of some deviations that lies within the limits of this feature."""
        lower, upper = self.target.feature.lower_um, self.target.feature.upper_um
        good = np.ones(len(deviation_um), dtype=bool)
        good &= True if lower is None else deviation_um >= lower
        good &= True if upper is None else deviation_um <= upper
        return float(good.mean())

    @property
    def bad(self) -> bool:
        """Whether nearly all readings are outside as they are written."""
        enough = len(self.deviation_um) >= _FEWEST
        return enough and self.inside(self.deviation_um) <= _FEW_INSIDE

    def suits(self, other: "_Readings") -> bool:
        """Whether these numbers, under the header of the other, would be good parts."""
        moved = float(self.target.nominal_um - other.target.nominal_um) if self.absolute else 0.0
        return other.inside(self.deviation_um + moved) >= _MOST_INSIDE

    @property
    def mirrored(self) -> bool:
        """Whether deviations are good with the sign turned round; sizes have no sign to turn."""
        feature = self.target.feature
        two_sided = feature.lower_um is not None and feature.upper_um is not None
        return (
            self.bad
            and two_sided
            and not self.absolute
            and self.inside(-self.deviation_um) >= _MOST_INSIDE
        )


def mixed_up(sheets: Sequence[Sheet]) -> Iterator[str]:
    """
    Ask about columns that fit the limits of each other, or theirs with the sign turned round.

    Nearly all readings must be outside as written and inside the other way: a run that is bad in
    any other manner is judged as it stands. Files too short to tell are taken together.
    """
    found = [words for sheet in sheets for words in _of(sheet.name, [sheet])]
    if not found and len(sheets) > 1:
        found = list(_of(f"{len(sheets)} files", sheets))
    yield from found


def _of(name: str, sheets: Sequence[Sheet]) -> Iterator[str]:
    bad = [readings for readings in _readings(sheets) if readings.bad]
    for one, other in combinations(bad, 2):
        if one.absolute == other.absolute and one.suits(other) and other.suits(one):
            yield (
                f"{MEANING}{name}: {_counts(one)} and {_counts(other)} are outside, yet nearly"
                f" all of {one.name} would be good {other.name} and the reverse; are the two"
                " columns mixed up? Name the right headers under [columns] in the plan, also if"
                " they are right as they stand"
            )
    for one in bad:
        if one.mirrored:
            yield (
                f"{MEANING}{name}: {_counts(one)} are outside, yet nearly all are inside with the"
                " sign turned round; is a plus written for parts that are too small? If they are"
                " right as they stand, name the column under [columns] in the plan"
            )


def _counts(readings: _Readings) -> str:
    count = len(readings.deviation_um)
    outside = count - round(readings.inside(readings.deviation_um) * count)
    return f"{outside} of {count} readings of {readings.name}"


def _readings(sheets: Sequence[Sheet]) -> Iterator[_Readings]:
    """Sizes and deviations of every feature; a column that the plan names is what it says."""
    streams = [s for sheet in sheets for s in sheet.streams if not s.column.mapped]
    for target in {id(s.target.feature): s.target for s in streams}.values():
        for absolute in (True, False):
            taken = [
                stream.deviation_um[(stream.state == TAKEN) & (stream.absolute == absolute)]
                for stream in streams
                if stream.target.feature is target.feature
            ]
            if sum(map(len, taken)):
                yield _Readings(target, absolute and target.sized, np.concatenate(taken))
