"""An invented shift as the files a shop would export."""

import csv
import io
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from spc.plan import Feature, Plan
from spc.simulate.process import Event
from spc.simulate.shift import Measured
from spc.simulate.streams import Stream, uniform
from spc.units import UM_PER_UNIT


@dataclass(frozen=True)
class Export:
    """How the shop's export looks."""

    start: datetime  # local
    first_serial: int = 1
    delimiter: str = ","
    mark: str = "."
    split_time: bool = False  # a date column and a time column, day first
    typed: bool = True  # offsets as typed on the control, else as µm on diameter
    events_apart: bool = False


class Writer:
    """
    One export as text.

    Parameters
    ----------
    plan : Plan
        Names, nominals and units of the features, and how the control takes offsets.
    export : Export
        The look.
    seed : int
        Of the seconds between grinding and writing down.
    """

    def __init__(self, plan: Plan, export: Export, seed: int) -> None:
        self._plan = plan
        self._export = export
        self._features = plan.measured_features
        self._late = Stream(seed, "clock", uniform())

    def rows(self, rows: Iterable[Measured | Event], *, with_events: bool) -> list[list[str]]:
        """The sheet with its header: parts, and events as rows between them when asked for."""
        clock = ["date", "time"] if self._export.split_time else ["time"]
        tail = self._event_header if with_events else []
        names = (feature.name for feature in self._features)
        sheet = [[*clock, self._plan.columns.get("part", "part"), *names, *tail]]
        last = 0
        for row in rows:
            if isinstance(row, Measured):
                last = row.part
                sizes = map(self._size, self._features, row.deviations_um)
                sheet.append(
                    [*self._clock(row), self._serial(row.part), *sizes, *("" for _ in tail)]
                )
            else:
                # An event belongs to the row before it; the part is written where that misleads.
                part = "" if row.after_part == last else self._serial(row.after_part)
                blank = ["" for _ in self._features]
                sheet.append([*self._clock(row), part, *blank, *self._event(row)])
        return sheet

    def event_rows(self, events: Iterable[Event]) -> list[list[str]]:
        """The events as a table of their own, with its header."""
        sheet = [["after_part", *self._event_header]]
        return sheet + [[str(event.after_part), *self._event(event)] for event in events]

    @property
    def _event_header(self) -> list[str]:
        return ["event", "typed" if self._export.typed else "amount_um", "minutes"]

    def save(self, path: Path, rows: Sequence[Sequence[str]]) -> None:
        """The rows as a delimited file, quoted only where needed."""
        text = io.StringIO(newline="")
        csv.writer(text, delimiter=self._export.delimiter, lineterminator="\n").writerows(rows)
        path.write_text(text.getvalue(), encoding="utf-8", newline="\n")

    def _serial(self, part: int) -> str:
        return str(self._export.first_serial + part - 1)

    def _clock(self, row: Measured | Event) -> list[str]:
        minute = row.minute
        if isinstance(row, Event) and not math.isnan(row.minutes):
            minute -= row.minutes  # a pause is written down when it begins
        # A part is written down up to 20 s after it was ground; its events a moment later.
        place = row.part if isinstance(row, Measured) else row.after_part
        late = 20 * self._late[place] + (5 if isinstance(row, Event) else 0)
        time = self._export.start + timedelta(seconds=round(60 * minute + late))
        if self._export.split_time:
            return [time.strftime("%d.%m.%Y"), time.strftime("%H:%M:%S")]
        return [time.strftime("%Y-%m-%d %H:%M:%S")]

    def _size(self, feature: Feature, deviation_um: float | None) -> str:
        if deviation_um is None:
            return ""
        scale = float(UM_PER_UNIT[feature.unit])
        nominal_um = 1000 * (feature.nominal_mm or 0.0)
        decimals = max(0, math.ceil(math.log10(scale / feature.gauge_step_um) - 1e-9))
        return self._marked(f"{(nominal_um + deviation_um) / scale:.{decimals}f}")

    def _event(self, event: Event) -> list[str]:
        amount = "" if math.isnan(event.amount_um) else self._amount(event.amount_um)
        minutes = "" if math.isnan(event.minutes) else f"{event.minutes:g}"
        return [event.kind, amount, self._marked(minutes)]

    def _amount(self, um: float) -> str:
        machine = self._plan.machine
        if not self._export.typed:
            return self._marked(f"{um:g}")
        if machine.offset_sign == "+smaller":
            um = -um
        if machine.offset_entry == "radius":
            um /= 2
        typed = f"{um / float(UM_PER_UNIT[machine.offset_unit]):.6f}".rstrip("0")
        return self._marked(typed)

    def _marked(self, text: str) -> str:
        return text.replace(".", self._export.mark)
