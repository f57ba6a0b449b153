"""One next act, with all that goes with it."""

from collections.abc import Callable
from dataclasses import asdict, dataclass, field, fields
from functools import cached_property
from typing import Any

from spc.wheel.forecast import PartsLeft

#: What the next act may be.
ACTIONS = (
    "grind_on",
    "measure_again",
    "check",
    "offset",
    "swivel",
    "dress",
    "let_it_warm",
    "hold",
)

#: Acts whose costs differ by less than this, in the plan's currency, are as good (judgement).
EITHER_BELOW = 0.2


def uncounted() -> None:
    """The parts left where not enough is known yet."""


@dataclass(frozen=True)
class Advice:
    """
    One next act.

    Parameters
    ----------
    action : str
        One of `ACTIONS`.
    subject : str
        What to check, or which feature.
    offset_um : float or None
        Diametral, + bigger, a multiple of the machine's step; None unless a move is advised.
        With a dress: to be entered after it, beyond what the control clears by itself. With a
        hold: to be entered before the next part, once the parts are set aside.
    amount, amount_unit : float, str or None
        The move as typed on this control, or minutes to wait.
    measure_after : int
        Parts until the next reading: 1 the very next, 0 this one again.
    evidence : str
        One plain sentence with the numbers.
    check_first : str
        What to look at before acting.
    runner_up, cost_difference : str, float or None
        The next best act and what more it costs. With a hold: the dress that is due, if one is.
    """

    action: str
    subject: str
    offset_um: float | None
    amount: float | None
    amount_unit: str | None
    measure_after: int
    evidence: str
    check_first: str
    runner_up: str | None
    cost_difference: float | None
    _count: Callable[[], PartsLeft | None] = field(repr=False, compare=False, default=uncounted)

    @cached_property
    def parts_left(self) -> PartsLeft | None:
        """Parts until one is out with probability 0.5 % if left alone; None: not enough yet."""
        return self._count()

    @property
    def is_act(self) -> bool:
        """Whether something is to be done at the machine or the gauge now."""
        return self.action != "grind_on"

    @property
    def with_hold(self) -> str:
        """What goes with a hold before the next part: "dress", "offset" or nothing."""
        if self.action != "hold":
            return ""
        if self.runner_up == "dress" and self.cost_difference is None:
            return "dress"
        return "offset" if self.offset_um else ""

    @property
    def either(self) -> bool:
        """Whether the runner-up is as good: what more it costs is too little to tell."""
        # The difference of a dress is per part of a whole cycle: small numbers there are not small.
        if self.action == "dress" or not self.runner_up or self.cost_difference is None:
            return False
        near = self.parts_left is not None and self.parts_left.low == 0
        return self.cost_difference < EITHER_BELOW and not near

    def as_dict(self) -> dict[str, Any]:
        """The fields as one JSON document, ``"schema": "spc.advice/1"``."""
        left = self.parts_left
        told = {f.name: getattr(self, f.name) for f in fields(self) if f.repr}
        told["parts_left"] = None if left is None else asdict(left)
        return {"schema": "spc.advice/1", **told}
