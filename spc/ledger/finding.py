"""Which run of the ledger a report is about, and what was learned before it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import func, select

from spc.advising import PastRun
from spc.errors import SpcError
from spc.ledger.as_run import run_of
from spc.ledger.entry import whole
from spc.ledger.store import Ledger, LedgerRun, Reader
from spc.ledger.tables import entries
from spc.plan import Plan

if TYPE_CHECKING:
    from spc.run import Run
    from spc.shifts import ShiftSpan


@dataclass(frozen=True, eq=False)
class Found:
    """A run of the ledger, the plan version it was made under, and what was learned before."""

    run: "Run"
    plan: Plan
    history: tuple[PastRun, ...]


def is_run(place: str, names: Sequence[str]) -> bool:
    """Whether a single name that is no file is a run of that ledger."""
    if len(names) != 1 or names[0] == "-" or Path(names[0]).exists():
        return False
    if "://" not in place and not Path(place).exists():
        return False
    with Ledger(place, create=False) as ledger, ledger.reading() as reader:
        return reader.run_named(names[0]) is not None


def find_run(
    place: str,
    plan: Plan,
    name: str | None = None,
    *,
    shift: str | None = None,
    day: date | None = None,
) -> Found:
    """
    A run by its name; the one with most readings in a shift of a day; else the newest of a plan.

    Raises
    ------
    SpcError
        When there is none.
    """
    with Ledger(place, create=False) as ledger, ledger.reading() as reader:
        run = _chosen(reader, plan, name, shift, day)
        if run is None:
            known = ", ".join(r.name for r in reader.runs(plan.job.part)[-8:]) or "none"
            raise SpcError(
                f"{ledger.shown}: no run of {plan.job.part!r} "
                f"{f'is named {name!r}' if name else 'fits'}; the last ones are: {known}"
            )
        made_under = plan if run.plan == reader.plan_id(plan) else reader.plan_of(run)
        history = tuple(PastRun(learned) for learned in run.learned)
        return Found(run_of(reader, run), made_under, history)


def _chosen(
    reader: Reader, plan: Plan, name: str | None, shift: str | None, day: date | None
) -> LedgerRun | None:
    if name is not None:
        return reader.run_named(name)
    mine = {run.id: run for run in reader.runs(plan.job.part)}
    if shift is not None and day is not None:
        span = _shift_on(plan, shift, day)
        number = func.count()
        query = (
            select(entries.c.run, number)
            .where(entries.c.run.in_(mine), entries.c.kind == "reading")
            .where(entries.c.time >= span[0], entries.c.time < span[1])
            .group_by(entries.c.run)
            .order_by(number.desc())
        )
        return next((mine[run] for run, _ in reader.connection.execute(query)), None)
    return reader.newest_run(plan) or (list(mine.values())[-1] if mine else None)


def _shift_on(plan: Plan, shift: str, day: date) -> tuple[int, int]:
    """Start and end of a shift that began on a day, in microseconds since 1970 UTC."""
    try:
        start, end = plan.shifts.span(shift)
    except ValueError as error:
        raise SpcError(f"{plan.source}: {error}") from None
    last = day if end > start else day + timedelta(days=1)
    both = datetime.combine(day, start, plan.zone), datetime.combine(last, end, plan.zone)
    return int(both[0].timestamp() * 1e6), int(both[1].timestamp() * 1e6)


def wheel_span(run: "Run", number: str) -> "ShiftSpan":
    """
    The parts ground with one wheel of a run: ``1``, ``2`` ... or ``last``.

    Raises
    ------
    SpcError
        When the run had no such wheel, or carries no times to tell it by.
    """
    from spc.shifts import ShiftSpan

    changes = run.events.loc[run.events["kind"] == "wheel", "after_part"].tolist()
    wheels = [0, *dict.fromkeys(part for part in changes if part > 0), run.made]
    count = len(wheels) - 1
    which = count if number == "last" else whole(number) or 0
    if not 1 <= which <= count:
        raise SpcError(f"--wheel {number!r}: this run had {count}; write 1 to {count}, or last")
    table = run.measurements
    mine = table["time"][(table["part"] > wheels[which - 1]) & (table["part"] <= wheels[which])]
    mine = mine.dropna()
    if not len(mine):
        raise SpcError(f"--wheel {number!r}: no part of it was measured at a known time")
    first, last = mine.min().to_pydatetime(), mine.max().to_pydatetime()
    return ShiftSpan(f"wheel {which}", first, last + timedelta(microseconds=1), "wheel")
