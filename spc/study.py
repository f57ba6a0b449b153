"""
The main flow: from one run to everything concluded from it.

`examine` is the list of steps; each step asks one room one question. `advisor_for` comes from
`spc.advising`, which loads less.
"""

from collections.abc import Callable, Iterator, Sequence
from contextlib import nullcontext
from dataclasses import replace
from functools import partial

from spc.acts import acts_of
from spc.advising import Learnt, advisor_for, entry_in_doubt
from spc.along_run import Followed, follow
from spc.beside import beside as doing
from spc.dress_cycles import DressCycle, dress_cycles
from spc.findings import FeatureStudy, HeldSpan, Study
from spc.one_feature import held_spans, study_feature
from spc.plan import Plan
from spc.remarks import QUESTION, meaning_in_doubt
from spc.run import Run
from spc.series import series_of
from spc.shifts import ShiftSpan, span_of

__all__ = ["acts_of", "advisor_for", "examine", "follow"]

#: Readings from which the adviser's way along a run takes longer than a second process costs.
WORTH_A_PROCESS = 2000


def examine(
    run: Run,
    plan: Plan,
    history: Sequence[Learnt] | None = None,
    *,
    shift: ShiftSpan | None = None,
    beside: bool = False,
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
    beside : bool, optional
        Whether the adviser may follow a long run in a process of its own while the charts are
        made, see `spc.beside`. For a program that does nothing else meanwhile; the study is the
        same.

    Returns
    -------
    Study
        Every page, table and exit status reads it.
    """
    first, last = span_of(run, shift)
    cycles = dress_cycles(last, run.events["after_part"].to_numpy(), run.events["kind"].tolist())
    following: Callable[[], Followed] = partial(follow, advisor_for(plan, history), run, plan, last)
    worth = beside and len(run.measurements) >= WORTH_A_PROCESS
    with doing(following) if worth else nullcontext(following) as followed_by:
        features = tuple(
            study_feature(
                plan, feature, series_of(run, plan, feature, cycles, first=first, last=last), run
            )
            for feature in plan.features
        )
        followed = _if_meant(followed_by(), run)
    return Study(
        run=run,
        plan=plan,
        first_part=first,
        last_part=last,
        shift=shift,
        features=features,
        cycles=cycles,
        acts=acts_of(run, plan, features, first, last),
        prompts=tuple(prompt for prompt in followed.prompts if prompt.part >= first),
        held=tuple(holds_of(run, plan, cycles, first=first, last=last)),
        advice=followed.advice,
        learned=followed.learned,
        self_check=followed.self_check,
        remarks=(*run.remarks, *_slips(features), *_doubts(followed)),
    )


def holds_of(
    run: Run,
    plan: Plan,
    cycles: Sequence[DressCycle],
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


def _if_meant(followed: Followed, run: Run) -> Followed:
    """No act rests on numbers whose meaning is asked about; first of all, that is checked."""
    doubt = meaning_in_doubt(run.remarks)
    if not doubt:
        return followed
    return replace(followed, prompts=(), advice=entry_in_doubt(followed.advice, doubt))


def _doubts(followed: Followed) -> Iterator[str]:
    if followed.doubt:
        yield f"{QUESTION}{followed.doubt}"


def _slips(features: tuple[FeatureStudy, ...]) -> Iterator[str]:
    """Values that charts, capability and holds leave out, as questions to the shop."""
    for feature in features:
        mistyped = len(feature.series.impossible)
        if mistyped:
            yield (
                f"{QUESTION}{mistyped} reading{'s' if mistyped > 1 else ''} of {feature.name} "
                "cannot be sizes of this part; charts, capability, holds and advice leave them out"
            )
        count = len(feature.series.unbelievable) - mistyped
        if count:
            yield (
                f"{QUESTION}{count} reading{'s' if count > 1 else ''} of {feature.name} lie far "
                "beyond anything this part can be; charts and capability leave them out, holds "
                "do not"
            )
