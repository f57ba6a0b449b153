"""Which run of which ledger a plan goes on with."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from spc.errors import SpcError
from spc.ledger.place import place_of
from spc.ledger.replay import resume
from spc.ledger.store import Ledger, LedgerRun, Reader, Writer
from spc.live.session import Session
from spc.plan import Plan, load_plan


@contextmanager
def open_session(
    plan: str | Path,
    place: str | None = None,
    *,
    name: str | None = None,
    new: bool = False,
    who: str = "",
    attended: bool = False,
) -> Iterator[Session]:
    """
    A session on the newest run of a plan, on the run named, or on a new one.

    Parameters
    ----------
    plan : path
        The plan file.
    place : str, optional
        The ledger; else ``SPC_LEDGER``, else ``spc.db`` beside the plan.
    name : str, optional
        The run; begun when there is none of that name.
    new : bool
        Begin another run.
    who : str
        Role of whoever types.
    attended : bool
        Whether somebody answers questions at once.
    """
    job = load_plan(plan)
    with Ledger(place_of(plan, place)) as ledger:
        run = run_for(ledger, job, name=name, new=new)
        yield Session(ledger, job, run, who=who, attended=attended)


def run_for(
    ledger: Ledger,
    plan: Plan,
    *,
    name: str | None = None,
    new: bool = False,
) -> LedgerRun:
    """
    The run that goes on under a plan, begun when there is none.

    Raises
    ------
    SpcError
        When the run of that name was made under another plan version.
    """
    with ledger.reading() as reader:
        known = reader.run_named(name) if name else reader.newest_run(plan)
        version = reader.plan_id(plan)
    if known is not None and not new:
        if known.plan != version:
            raise SpcError(
                f"run {known.name!r} was made under another version of the plan; "
                "begin a new run with --new and another --run name"
            )
        return known
    with ledger.writing() as writer:
        again = writer.run_named(name) if name else writer.newest_run(plan)
        if again is not None and known is None:
            return again
        return writer.begin_run(name or free_name(writer, plan), plan, learned_before(writer, plan))


def free_name(writer: Writer, plan: Plan) -> str:
    """Part and day, with a number behind when that is taken."""
    part = re.sub(r"[^a-z0-9]+", "-", plan.job.part.casefold()).strip("-")[:40] or "run"
    day = f"{part}-{datetime.now(UTC).astimezone(plan.zone):%Y-%m-%d}"
    taken = {run.name for run in writer.runs()}
    return next(n for i in range(1, 10_000) if (n := day if i == 1 else f"{day}-{i}") not in taken)


def learned_before(writer: Writer, plan: Plan) -> list[dict[str, object]]:
    """What the adviser of the last run of the same part, operation and machine had learned."""
    last = _last_of_the_job(writer, plan)
    # It holds what that one had learned from the runs before it.
    return [] if last is None else [resume(writer, *last).advisor.learned()]


def _last_of_the_job(reader: Reader, plan: Plan) -> tuple[LedgerRun, Plan] | None:
    for run in reversed(reader.runs(plan.job.part)):
        past = reader.plan_of(run)
        if (past.job.operation, past.job.machine) == (plan.job.operation, plan.job.machine):
            return run, past
    return None
