"""One shift at an invented grinder, as the shop would write it down."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from spc.simulate.process import Event, Grinder, rounded
from spc.simulate.settings import Setting
from spc.simulate.streams import Stream, normal


@dataclass(frozen=True)
class Station:
    """
    One measured feature: a diameter somewhere along the part, its roundness or its roughness.

    The size of a diameter is that of the grinder's part, moved by `middle_um`, by its share
    `tilt` of the taper, and by a scatter of its own.
    """

    name: str
    middle_um: float = 0.0  # deviation where the machine's zero lies
    tilt: float = 0.0  # +0.5 at one end, -0.5 at the other
    own_sd_um: float = 0.2
    gauge_sd_um: float = 0.2
    step_um: float = 0.1
    kind: str = "diameter"  # "roundness" and "roughness" come from the part itself
    every: int = 1  # of the measured parts, only those whose number it divides


@dataclass(frozen=True)
class Taper:
    """How much bigger the first end is than the second."""

    start_um: float = 0.0
    per_wear: float = 0.05  # share of the wheel's wear that shows as taper
    dress_sd_um: float = 0.3
    part_sd_um: float = 0.2


@dataclass(frozen=True)
class Habit:
    """
    What the operator of the invented shift does by custom.

    Every `every`-th part is measured, and all of the first `first_offs` after the start and
    `after_dress` after a dress; beyond `correct_beyond_um` from the middle the whole distance
    is typed in as an offset and the next part is measured.
    """

    every: int
    first_offs: int = 3
    after_dress: int = 2
    dress_after: int | None = None
    correct_beyond_um: float | None = None


@dataclass(frozen=True)
class Measured:
    """One row of the sheet: a part and its readings as deviations, None where not taken. [µm]"""

    part: int
    minute: float
    deviations_um: tuple[float | None, ...]


@dataclass
class Sheet:
    """The shift: its rows and events in the order they were written, and the grinder behind."""

    grinder: Grinder
    rows: list[Measured | Event] = field(default_factory=list)

    @property
    def measured(self) -> list[Measured]:
        """The rows of parts."""
        return [row for row in self.rows if isinstance(row, Measured)]

    @property
    def events(self) -> list[Event]:
        """What was done, oldest first."""
        return [row for row in self.rows if isinstance(row, Event)]


class _Gauge:
    """All stations of one part, with the errors of their gauges."""

    def __init__(self, stations: tuple[Station, ...], taper: Taper, seed: int) -> None:
        self._stations = stations
        self._taper = taper
        self._seed = seed
        self._dressed = Stream(seed, "taper dress", normal(taper.dress_sd_um))
        self._each = Stream(seed, "taper part", normal(taper.part_sd_um))
        self._own = [
            Stream(seed, f"station {at.name}", normal(at.own_sd_um)) for at in stations
        ]  # fmt: skip
        self._errors: dict[tuple[int, int], Stream] = {}

    def rows(self, grinder: Grinder, dirt_um: float) -> list[Measured]:
        """The rows of the last part: one, or with dirt under the gauge a soiled one before it."""
        # Wiping and reading again takes half a minute.
        minute = grinder.minute + (0.5 if dirt_um else 0.0)
        rows = [Measured(grinder.number, minute, self._deviations(grinder, 0))]
        if dirt_um:
            first = self._deviations(grinder, 1)
            soiled = rounded((first[0] or 0.0) + dirt_um, self._stations[0].step_um)
            rows.insert(0, Measured(grinder.number, grinder.minute, (soiled, *first[1:])))
        return rows

    def _deviations(self, grinder: Grinder, look: int) -> tuple[float | None, ...]:
        part, cycle, taper = grinder.truth[-1], grinder.cycle, self._taper
        tilt = (
            taper.start_um
            + self._dressed[cycle.number]
            + taper.per_wear * cycle.worn_um
            + self._each[part.number]
        )
        values: list[float | None] = []
        for place, at in enumerate(self._stations):
            if part.number % at.every:
                values.append(None)
                continue
            size = part.size_um + at.middle_um + at.tilt * tilt + self._own[place][part.number]
            true = {"roundness": part.roundness_um, "roughness": part.ra_um}.get(at.kind, size)
            error = self._error(place, look)[part.number]
            values.append(rounded(true + error, at.step_um))
        return tuple(values)

    def _error(self, place: int, look: int) -> Stream:
        if (place, look) not in self._errors:
            at = self._stations[place]
            name = f"gauge {at.name}/{look}"
            self._errors[place, look] = Stream(self._seed, name, normal(at.gauge_sd_um))
        return self._errors[place, look]


def shift(
    setting: Setting,
    stations: tuple[Station, ...],
    habit: Habit,
    *,
    parts: int,
    seed: int,
    taper: Taper | None = None,
    dirt: Mapping[int, float] | None = None,
    fresh: bool = True,
) -> Sheet:
    """
    A shift of `parts` parts under an operator's habit.

    Parameters
    ----------
    setting : Setting
        The process; its first station is what the operator steers by.
    stations : tuple of Station
        Columns of the sheet.
    habit : Habit
        When the operator measures, corrects and dresses.
    parts : int
        Ground in all.
    seed : int
        The run.
    taper : Taper, optional
        Of the stations with a tilt.
    dirt : mapping of int to float, optional
        Parts first read with dirt on the gauge, and how much bigger [µm]; each is wiped and
        read again.
    fresh : bool
        Whether the shift begins with a dress.
    """
    grinder = Grinder(setting, seed)
    gauge = _Gauge(stations, taper or Taper(dress_sd_um=0.0), seed)
    sheet = Sheet(grinder)
    if fresh:
        sheet.rows.append(Event(0, 0.0, "dress"))
    due = habit.first_offs
    for _ in range(parts):
        sheet.rows += grinder.scheduled()
        number = grinder.part()
        before = len(grinder.events)
        if due > 0 or number % habit.every == 0:
            due -= 1
            rows = gauge.rows(grinder, (dirt or {}).get(number, 0.0))
            sheet.rows += rows
            off_um = (rows[-1].deviations_um[0] or 0.0) - stations[0].middle_um
            due = _correct(grinder, habit, off_um, due)
        if habit.dress_after and grinder.cycle.since_dress >= habit.dress_after:
            grinder.dress()
            due = habit.after_dress
        sheet.rows += grinder.events[before:]
    return sheet


def _correct(grinder: Grinder, habit: Habit, off_um: float, due: int) -> int:
    """Type in an offset if custom asks for one; parts to measure at once from here on."""
    beyond = habit.correct_beyond_um
    # Nobody corrects a wheel that is dressed after this very part.
    last = habit.dress_after is not None and grinder.cycle.since_dress >= habit.dress_after
    if beyond is None or abs(off_um) <= beyond or last:
        return due
    return 1 if grinder.offset(-off_um) else due
