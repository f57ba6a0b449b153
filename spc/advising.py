"""From a plan to its adviser, without loading what only a whole study needs."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

from spc.adviser.advice import Advice, uncounted
from spc.adviser.adviser import Advisor
from spc.plan import Plan


class Learnt(Protocol):
    """Whatever carries what an earlier adviser of the same job had learned: a study, a past run."""

    @property
    def learned(self) -> dict[str, Any]:
        """As returned by the adviser's ``learned()``."""


@dataclass(frozen=True)
class PastRun:
    """What was learned in an earlier run, without its study."""

    learned: dict[str, Any]


def advisor_for(
    plan: Plan,
    history: Sequence[Learnt] | None = None,
    state: dict[str, Any] | None = None,
    *,
    before: int = 0,
) -> Advisor:
    """
    The adviser of this plan, to be told of parts, readings and events as they come.

    Parameters
    ----------
    plan : Plan
        Limits, machine, wheel and costs come from it.
    history : sequence of Study or PastRun, optional
        Earlier studies of the same job, oldest first.
    state : dict, optional
        From an earlier adviser's ``state()``; it goes on exactly where that one stopped.
    before : int
        Parts ground before the first it will be told of.
    """
    past = [earlier.learned for earlier in history or ()]
    return Advisor(plan, history=past, state=state, before=before)


def register_in(note: str, plan: Plan) -> str | None:
    """
    The offset register that the note of an offset begins with, as the plan names it; None: none.

    Files, the ledger and whoever types tell the register so, as in ``offset -3 X2``.
    """
    told = note.strip().casefold()
    names = {feature.moved_by for feature in plan.features if feature.moved_by}
    for name in sorted(names, key=len, reverse=True):
        if told.startswith(name.casefold()) and not told[len(name) : len(name) + 1].isalnum():
            return name
    return None


def with_hold(advice: Advice) -> str:
    """What goes with a hold before the next part: "dress", "offset" or nothing."""
    if advice.action != "hold":
        return ""
    if advice.runner_up == "dress" and advice.cost_difference is None:
        return "dress"
    return "offset" if advice.offset_um else ""


def entry_in_doubt(advice: Advice, question: str) -> Advice:
    """
    The advice while it is open what a whole column means: look at the entries, and move nothing.

    Parameters
    ----------
    advice : Advice
        Of an adviser who believed the numbers.
    question : str
        What is asked; it is the evidence.
    """
    return replace(
        advice,
        action="check",
        subject="entry",
        offset_um=None,
        amount=None,
        amount_unit=None,
        measure_after=1,
        evidence=question,
        check_first="the file against the drawing and one part measured by hand",
        runner_up=None,
        cost_difference=None,
        _count=uncounted,
    )
