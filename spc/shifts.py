"""Which parts belong to a shift: local spans, across midnight and clock changes."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Literal

from spc.errors import SpcError
from spc.plan import Plan
from spc.run import Run


@dataclass(frozen=True)
class ShiftSpan:
    """The part of the run that belongs to one shift, or was ground with one wheel; local time."""

    name: str
    start: datetime
    end: datetime
    kind: Literal["shift", "wheel"] = "shift"

    @property
    def told(self) -> str:
        """The name with its kind: "shift early", "wheel 2"."""
        return f"{self.kind} {self.name}" if self.kind == "shift" else self.name


def span_of(run: Run, shift: ShiftSpan | None) -> tuple[int, int]:
    """
    First and last part of the run, or of one shift of it.

    Raises
    ------
    SpcError
        When no part was measured in that shift.
    """
    if shift is None:
        return 1, run.made
    part, time = run.measurements["part"], run.measurements["time"]
    inside = part[(time >= shift.start) & (time < shift.end)]
    if not len(inside):
        raise SpcError(
            f"{shift.told} from {shift.start:%Y-%m-%d %H:%M} to {shift.end:%H:%M}: "
            "no part was measured then; name another one or another date, or leave it out"
        )
    # Every part belongs to one shift: the one in which it, or the next measured part, was read.
    earlier = part[time < shift.start]
    later = (time >= shift.end).any()
    first = int(earlier.max()) + 1 if len(earlier) else 1
    return first, int(inside.max()) if later else run.made


def shift_span(run: Run, plan: Plan, name: str, day: date | None = None) -> ShiftSpan:
    """
    The shift of that name that began on `day`, or the last one with a measurement in it.

    Raises
    ------
    SpcError
        When the plan has no such shift or the run carries no times.
    """
    try:
        start, end = plan.shifts.span(name)
    except ValueError as error:
        raise SpcError(f"{plan.source}: {error}") from None
    times = run.measurements["time"].dropna()
    if not len(times):
        raise SpcError(f"shift {name}: the run carries no times, so no shift can be told from it")
    newest = times.max().tz_convert(plan.zone)
    days = [day] if day else [newest.date() - timedelta(days=back) for back in range(366)]
    for begun in days:
        length = 0 if end > start else 1
        span = ShiftSpan(
            name,
            datetime.combine(begun, start, plan.zone),
            datetime.combine(begun + timedelta(days=length), end, plan.zone),
        )
        if day or ((times >= span.start) & (times < span.end)).any():
            return span
    raise SpcError(f"shift {name}: no part was measured in it within a year of {newest:%Y-%m-%d}")
