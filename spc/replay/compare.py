"""Several ways on the same draws of a recorded run: what each costs, and against the record."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from spc.advising import advisor_for
from spc.errors import NotEnough, SpcError
from spc.findings import plain
from spc.plan import Plan
from spc.replay.play import Played, as_done, play
from spc.replay.recorded import Recorded, recorded
from spc.replay.truth import Truth
from spc.run import Run
from spc.simulate.policies import BeyondShare, Policy
from spc.wear_fit import FEWEST_CYCLES, Floats

#: Draws that a 95 % interval needs at least: the outermost of 39 hold it (Wilks 1941, from memory).
FEWEST_DRAWS = 39


@dataclass(frozen=True)
class Span:
    """A mean over draws and the 95 % interval of one run of this length."""

    middle: float
    low: float
    high: float


@dataclass(frozen=True)
class Way:
    """
    One way of running the job: the record, the adviser, or a rule with its counts.

    `kind` is "done", "adviser" or "rule"; `dress_after` and `every` are None where the way itself
    decides. `held_at`: the oldest wheel that the record tells of, where the adviser might dress
    later than that and was not let. `not_known`: why this run cannot tell, empty when it can; then
    there are no figures.
    """

    kind: str
    dress_after: int | None = None
    every: int | None = None
    held_at: int | None = None
    not_known: str = ""
    cost: Span | None = None
    more: Span | None = None  # than was done, per part
    among: Span | None = None  # the same, with bounds that hold for all counts tried at once
    out: Span | None = None
    dresses: float | None = None
    offsets: float | None = None
    readings: float | None = None
    minutes: float | None = None  # stood or warmed up, charged; the record's pauses are not
    forced: float = 0.0  # share of its dresses made because the run tells of no older wheel

    @property
    def settled(self) -> bool:
        """Whether the difference to what was done is more than this run leaves open."""
        return self.more is not None and (self.more.low > 0 or self.more.high < 0)


@dataclass(frozen=True, eq=False)
class Replay:
    """
    What other ways would have cost on one recorded run.

    `ways` begins with what was done; empty, with `not_enough` saying why, when the run tells too
    little. Costs in the plan's currency per part.
    """

    part: str
    currency: str
    first_part: int
    parts: int
    draws: int
    known_to: int | None
    beyond_um: float | None
    cycles: int
    ways: tuple[Way, ...]
    remarks: tuple[str, ...]
    not_enough: str = ""

    def as_dict(self) -> dict[str, Any]:
        """One JSON document, ``"schema": "spc.replay/1"``; null where nothing can be said."""
        return {"schema": "spc.replay/1", **plain(self)}


def replay(
    run: Run,
    plan: Plan,
    *,
    dress_after: Sequence[int] = (),
    every: Sequence[int] = (),
    draws: int = 100,
    seed: int = 1,
    adviser: bool = True,
    progress: Callable[[int, int], None] | None = None,
) -> Replay:
    """
    What this adviser, fixed dress counts and other check intervals would have cost on this run.

    Parameters
    ----------
    run : Run
        With dresses among its events.
    plan : Plan
        Limits, control and costs.
    dress_after, every : sequence of int
        Further dress counts and check intervals to try, in parts; without any, the recorded ones
        and simple multiples of them.
    draws : int
        Truths that the run allows, drawn at random; at least 39.
    seed : int
        Of the draws: equal seeds give equal answers.
    adviser : bool
        Whether the adviser is among the ways; it takes most of the time.
    progress : callable, optional
        ``progress(done, total)`` in draws.

    Raises
    ------
    SpcError
        For a plan without a diameter, counts below one, or fewer draws than an interval needs.

    Notes
    -----
    Each draw refits the process to the run's dress cycles weighed at random, draws what the
    readings leave open, and lets every way work on that same truth. The intervals are those of
    one run of this length: they hold what the fit does not know and what chance does.
    """
    _refuse(dress_after, every, draws)
    try:
        record = recorded(run, plan)
    except NotEnough as too_little:
        return _nothing(plan, run, str(too_little))
    ways = [*_ways(record, dress_after, every, adviser=adviser)]
    told = [way for way in ways if not way.not_known]
    played: list[list[Played]] = [[] for _ in told]
    for draw in range(draws):
        truth = Truth(record, seed, draw)
        for way, mine in zip(told, played, strict=True):
            mine.append(_play(way, record, truth))
        if progress:
            progress(draw + 1, draws)
    done = np.array([each.cost for each in played[0]])
    single = [_summed(way, mine, done) for way, mine in zip(told, played, strict=True)]
    summed = iter(_among(single, played, done))
    return Replay(
        part=plan.job.part,
        currency=plan.cost.currency,
        first_part=record.first_part,
        parts=record.parts,
        draws=draws,
        known_to=record.known_to,
        beyond_um=record.beyond_um,
        cycles=sum(cycle.finished for cycle in record.cycles),
        ways=tuple(way if way.not_known else next(summed) for way in ways),
        remarks=record.remarks,
    )


def _refuse(dress_after: Sequence[int], every: Sequence[int], draws: int) -> None:
    for name, counts in (("--parts-per-dress", dress_after), ("--check-every", every)):
        for count in counts:
            if count < 1:
                raise SpcError(f"{name} {count}: a count of parts is 1 or more")
    if draws < FEWEST_DRAWS:
        raise SpcError(f"--seeds {draws}: a 95 % interval needs at least {FEWEST_DRAWS} draws")


def _nothing(plan: Plan, run: Run, why: str) -> Replay:
    return Replay(
        part=plan.job.part, currency=plan.cost.currency, first_part=1, parts=run.made, draws=0,
        known_to=None, beyond_um=None, cycles=0, ways=(), remarks=(), not_enough=why,
    )  # fmt: skip


def _ways(
    record: Recorded, dress_after: Sequence[int], every: Sequence[int], *, adviser: bool
) -> Iterator[Way]:
    yield Way("done")
    if adviser:
        most = record.plan.wheel.max_parts_per_dress
        held = most is None or most > record.known_to
        yield Way("adviser", held_at=record.known_to if held else None)
    usual, step = record.usual_dress, record.every
    counts = dress_after or (max(1, usual // 2), max(1, 3 * usual // 4), round(1.5 * usual))
    intervals = every or (max(1, step // 2), 2 * step)
    for count in sorted({usual, *counts}):
        yield _checked(record, Way("rule", count, step))
    for interval in sorted({*intervals} - {step}):
        yield _checked(record, Way("rule", usual, interval))


def _checked(record: Recorded, way: Way) -> Way:
    if way.dress_after is not None and way.dress_after > record.known_to:
        why = (
            f"not known from this run: fewer than {FEWEST_CYCLES} dress cycles were measured "
            f"beyond {record.known_to} parts"
        )
        return replace(way, not_known=why)
    return way


def _play(way: Way, record: Recorded, truth: Truth) -> Played:
    return (
        as_done(record, truth)
        if way.kind == "done"
        else play(policy_of(way, record), record, truth, held=way.held_at is not None)
    )


def policy_of(way: Way, record: Recorded) -> Policy:
    """
    A fresh policy: the adviser, or the recorded way to correct with other counts.

    The adviser knows of the plan what the replay replays, the lead diameter and form and finish
    that grow, and is told to dress at the oldest age that the run tells of.
    """
    plan = record.plan
    if way.kind == "adviser":
        wheel = plan.wheel
        if way.held_at is not None:
            wheel = wheel.model_copy(update={"max_parts_per_dress": way.held_at})
        lead = record.lead.model_copy(update={"lead": True})
        told = (lead, *(plan.feature(form.name) for form in record.forms))
        made: Policy = advisor_for(plan.model_copy(update={"features": told, "wheel": wheel}))
        return made
    return BeyondShare(
        feature=record.lead.name,
        beyond_um=record.beyond_um,
        dress_after=way.dress_after or record.usual_dress,
        every=way.every or record.every,
        target_um=record.frame.target_um,
        # A wheel that touches on keeps its wear in the size: nothing is to be taken back.
        clears=record.way.clears_offsets or not record.way.resets_size,
    )


def _summed(way: Way, played: list[Played], done: Floats) -> Way:
    costs = np.array([each.cost for each in played])
    dresses = sum(each.dresses for each in played)
    return replace(
        way,
        cost=_span(costs),
        more=None if way.kind == "done" else _span(costs - done),
        out=_span(np.array([each.out for each in played])),
        dresses=float(np.mean([each.dresses for each in played])),
        offsets=float(np.mean([each.offsets for each in played])),
        readings=float(np.mean([each.readings for each in played])),
        minutes=None if way.kind == "done" else float(np.mean([each.minutes for each in played])),
        forced=sum(each.forced for each in played) / dresses if dresses else 0.0,
    )


def _among(ways: list[Way], played: list[list[Played]], done: Floats) -> list[Way]:
    """
    The ways, those by count with bounds that hold for all of them at once.

    The best of several counts is picked because it looks best: bounds of its own promise too much.
    These are as many standard deviations wide as the farthest count of a draw seldom exceeds
    (simultaneous bands; Besag, Green, Higdon, Mengersen 1995, Statistical Science 10, from memory).
    """
    rules = [place for place, way in enumerate(ways) if way.kind == "rule"]
    if not rules:
        return ways
    more = np.array([[each.cost for each in played[place]] for place in rules]) - done
    middle, sd = more.mean(axis=1), more.std(axis=1)
    # A count that is what was done, part by part, differs by nothing in any draw.
    away = np.abs(more - middle[:, None]) / np.maximum(sd, 1e-12)[:, None]
    reach = float(np.quantile(away.max(axis=0), 0.95, method="weibull")) * sd
    found = list(ways)
    for place, m, r in zip(rules, middle.tolist(), reach.tolist(), strict=True):
        found[place] = replace(ways[place], among=Span(m, m - r, m + r))
    return found


def _span(values: Floats) -> Span:
    # i/(n + 1): the interval that one more draw of the same kind falls into.
    low, high = np.quantile(values, (0.025, 0.975), method="weibull")
    return Span(float(values.mean()), float(low), float(high))
