"""The adviser taken along a recorded run: what it said, where, and what it learnt."""

import math
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

import numpy as np

from spc.adviser.advice import Advice
from spc.adviser.adviser import Advisor
from spc.advising import register_in
from spc.findings import Prompt
from spc.plan import Plan
from spc.run import Run
from spc.series import impossible

#: Regular looks of the adviser along one run; events and startling readings come on top.
MOST_LOOKS = 100


@dataclass(frozen=True)
class Followed:
    """What an adviser said along a run, as things stand at its end, and what it learnt."""

    prompts: tuple[Prompt, ...]  # wherever its advice had changed
    advice: Advice
    learned: dict[str, Any]
    self_check: dict[str, Any]
    doubt: str  # of the plan


def follow(advisor: Advisor, run: Run, plan: Plan, last: int) -> Followed:
    """
    Take the adviser along the run, part by part.

    It is asked where its last advice wanted the next look, after every event, and wherever a
    reading lies outside the guarded limits or more than a quarter of the tolerance from the one
    before; in a long run with every part measured some `MOST_LOOKS` times and no more.

    Parameters
    ----------
    advisor : Advisor
        Fresh, or with earlier runs behind it.
    run, plan : Run, Plan
        What was recorded, and under which plan.
    last : int
        The part to stop at.
    """
    run = _without_impossible(run, plan)
    readings = _readings_by_part(run)
    events = _events_by_part(run, plan)
    startling = _startling(run, plan)
    prompts: list[Prompt] = []
    advice, due, apart = advisor.advise(), 0, max(1, last // MOST_LOOKS)
    for part in range(last + 1):
        mine = readings.get(part)
        if part:
            advisor.part(minute=mine[0] if mine else None)
        for feature, value, again in mine[1] if mine else ():
            advisor.reading(feature, value, again=again)
        if mine and (part >= due or part in startling):
            advice = _ask(advisor, prompts, part, mine[0], advice)
            due = part + max(advice.measure_after, apart)
        for kind, details in events.get(part, ()):
            advisor.event(kind, **details)
            due = part
    return Followed(
        tuple(prompts),
        advisor.advise(),
        advisor.learned(),
        advisor.self_check(),
        advisor.doubt,
    )


def _without_impossible(run: Run, plan: Plan) -> Run:
    """The run without readings that no part can measure, which an adviser need not hear."""
    table = run.measurements
    never = np.zeros(len(table), dtype=bool)
    for feature in plan.measured_features:
        mine = np.flatnonzero((table["feature"] == feature.name).to_numpy())
        never[mine] = impossible(table["deviation_um"].to_numpy()[mine], feature)
    return replace(run, measurements=table[~never]) if never.any() else run


def _startling(run: Run, plan: Plan) -> set[int]:
    """Parts with a reading outside its guarded limits, or far from the one before."""
    table = run.measurements
    parts, values = table["part"].to_numpy(), table["deviation_um"].to_numpy()
    found: set[int] = set()
    for feature in plan.measured_features:
        mine = (table["feature"] == feature.name).to_numpy()
        part, value = parts[mine], values[mine]
        lower, upper = feature.guarded_um
        odd = (value < lower) | (value > upper)
        if math.isfinite(upper - lower):
            odd |= np.abs(np.diff(value, prepend=value[:1])) > (upper - lower) / 4
        found.update(part[odd].tolist())
    return found


def _ask(
    advisor: Advisor, prompts: list[Prompt], part: int, minute: float | None, before: Advice
) -> Advice:
    advice = advisor.advise()
    told, telling = ((each.action, each.subject, each.offset_um) for each in (before, advice))
    if telling != told:
        time = None if minute is None else datetime.fromtimestamp(minute * 60, UTC)
        prompts.append(Prompt(part, time, advice))
    return advice


Told = tuple[float | None, list[tuple[str, float, bool]]]


def _readings_by_part(run: Run) -> dict[int, Told]:
    table = run.measurements
    minutes = _minutes(table["time"])
    told: dict[int, Told] = {}
    rows = zip(
        table["part"].tolist(),
        minutes,
        table["feature"].tolist(),
        table["deviation_um"].tolist(),
        table["repeat"].tolist(),
        strict=True,
    )
    for part, minute, feature, value, repeat in rows:
        if part not in told:
            told[part] = (minute, [])
        told[part][1].append((feature, value, repeat > 0))
    return told


def _events_by_part(run: Run, plan: Plan) -> dict[int, list[tuple[str, dict[str, Any]]]]:
    told: dict[int, list[tuple[str, dict[str, Any]]]] = {}
    for event in run.events.itertuples():
        details: dict[str, Any] = {}
        if not math.isnan(event.amount_um):
            details["um"] = float(event.amount_um)
        if not math.isnan(event.minutes):
            details["minutes"] = float(event.minutes)
        if event.kind == "offset":
            details["register"] = register_in(str(event.note), plan)
        told.setdefault(int(event.after_part), []).append((str(event.kind), details))
    return told


def _minutes(time: Any) -> list[float | None]:
    """Minutes since 1970 UTC; None where no time was written."""
    stamps = time.dt.tz_localize(None).to_numpy(dtype="datetime64[us]")
    known = ~np.isnat(stamps)
    minutes = stamps.astype(np.int64) / 60e6
    return [float(m) if k else None for m, k in zip(minutes, known, strict=True)]
