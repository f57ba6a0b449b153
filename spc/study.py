"""
The main flow: from one run to everything concluded from it.

`examine` is the list of steps; each step asks one room one question. `advisor_for` comes from
`spc.advising`, which loads less.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import numpy as np

from spc.acts import acts_of
from spc.advising import Learnt, advisor_for
from spc.findings import FeatureStudy, HeldSpan, Prompt, Study
from spc.one_feature import held_spans, study_feature
from spc.plan import Plan
from spc.run import Run
from spc.series import impossible, series_of
from spc.shifts import ShiftSpan, span_of
from spc.wheel import cycles as dressing
from spc.wheel.advice import Advice, Advisor

__all__ = ["acts_of", "advisor_for", "examine", "follow"]


#: Regular looks of the adviser along one run; events and startling readings come on top.
MOST_LOOKS = 100


def examine(
    run: Run,
    plan: Plan,
    history: Sequence[Learnt] | None = None,
    *,
    shift: ShiftSpan | None = None,
) -> Study:
    """
    Everything that can be concluded from one run.

    Parameters
    ----------
    run : Run
        As read by `spc.intake.read_run`.
    plan : Plan
        The plan it was made under.
    history : sequence of Study or PastRun, optional
        Earlier studies of the same job, oldest first; the adviser learns from them.
    shift : ShiftSpan, optional
        Charts and counts are of this shift alone; the adviser still follows the whole run up to
        the end of it.

    Returns
    -------
    Study
        Every page, table and exit status reads it.
    """
    first, last = span_of(run, shift)
    cycles = dressing.dress_cycles(
        last, run.events["after_part"].to_numpy(), run.events["kind"].tolist()
    )
    features = tuple(
        study_feature(
            plan, feature, series_of(run, plan, feature, cycles, first=first, last=last), run
        )
        for feature in plan.features
    )
    advisor = advisor_for(plan, history)
    prompts, advice = follow(advisor, run, plan, last)
    return Study(
        run=run,
        plan=plan,
        first_part=first,
        last_part=last,
        shift=shift,
        features=features,
        cycles=cycles,
        acts=acts_of(run, plan, features, first, last),
        prompts=tuple(prompt for prompt in prompts if prompt.part >= first),
        held=tuple(holds_of(run, plan, cycles, first=first, last=last)),
        advice=advice,
        learned=advisor.learned(),
        self_check=advisor.self_check(),
        remarks=(*run.remarks, *_slips(features)),
    )


def holds_of(
    run: Run,
    plan: Plan,
    cycles: Sequence[dressing.DressCycle],
    *,
    first: int,
    last: int,
    begun: int = 1,
) -> Iterator[HeldSpan]:
    """Every hold that reaches into the span; it may have begun earlier, from `begun` on."""
    events = run.events
    cleared = events["after_part"][events["kind"] == "cleared"].tolist()
    for feature in plan.features:
        series = series_of(run, plan, feature, cycles, first=begun, last=last)
        for span in held_spans(feature, series, cleared, last, begun=begun):
            if span.last >= first:
                yield span


def _slips(features: tuple[FeatureStudy, ...]) -> Iterator[str]:
    """Values that charts, capability and holds leave out, as questions to the shop."""
    for feature in features:
        mistyped = len(feature.series.impossible)
        if mistyped:
            yield (
                f"question: {mistyped} reading{'s' if mistyped > 1 else ''} of {feature.name} "
                "cannot be sizes of this part; charts, capability, holds and advice leave them out"
            )
        count = len(feature.series.unbelievable) - mistyped
        if count:
            yield (
                f"question: {count} reading{'s' if count > 1 else ''} of {feature.name} lie far "
                "beyond anything this part can be; charts and capability leave them out, holds "
                "do not"
            )


def follow(advisor: Advisor, run: Run, plan: Plan, last: int) -> tuple[list[Prompt], Advice]:
    """
    Take the adviser along the run, part by part.

    It is asked where its last advice wanted the next look, after every event, and wherever a
    reading lies outside the guarded limits or more than a quarter of the tolerance from the one
    before; in a long run with every part measured some `MOST_LOOKS` times and no more.

    Returns
    -------
    list of Prompt, Advice
        The advice wherever it had changed, and as it stands at the end.
    """
    run = _without_impossible(run, plan)
    readings = _readings_by_part(run)
    events = _events_by_part(run)
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
    return prompts, advisor.advise()


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


def _events_by_part(run: Run) -> dict[int, list[tuple[str, dict[str, float]]]]:
    told: dict[int, list[tuple[str, dict[str, float]]]] = {}
    for event in run.events.itertuples():
        details = {}
        if not math.isnan(event.amount_um):
            details["um"] = float(event.amount_um)
        if not math.isnan(event.minutes):
            details["minutes"] = float(event.minutes)
        told.setdefault(int(event.after_part), []).append((str(event.kind), details))
    return told


def _minutes(time: Any) -> list[float | None]:
    """Minutes since 1970 UTC; None where no time was written."""
    stamps = time.dt.tz_localize(None).to_numpy(dtype="datetime64[us]")
    known = ~np.isnat(stamps)
    minutes = stamps.astype(np.int64) / 60e6
    return [float(m) if k else None for m, k in zip(minutes, known, strict=True)]
