"""From a plan to its adviser, without loading what only a whole study needs."""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, Protocol, TypeVar

from spc.plan import Plan
from spc.wheel.act import Advice, uncounted
from spc.wheel.advice import Advisor
from spc.wheel.settings import (
    CostSettings,
    FeatureSettings,
    MachineSettings,
    Settings,
    WheelSettings,
)

T = TypeVar("T")


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
    return Advisor(_settings(plan), history=past, state=state, before=before)


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


def _settings(plan: Plan) -> Settings:
    """The plan as plain numbers: the same keys, limits and targets in micrometres."""
    return Settings(
        features=tuple(_same_keys(FeatureSettings, feature) for feature in plan.features),
        machine=_same_keys(MachineSettings, plan.machine),
        wheel=_same_keys(WheelSettings, plan.wheel),
        cost=_same_keys(CostSettings, plan.cost),
        minutes_per_part=plan.job.minutes_per_part,
    )


def _same_keys(settings: type[T], table: Any) -> T:
    names = [field.name for field in fields(settings)]  # type: ignore[arg-type]
    return settings(**{name: getattr(table, name) for name in names})
