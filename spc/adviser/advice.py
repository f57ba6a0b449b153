"""One next act, with all that goes with it."""

from collections.abc import Callable
from dataclasses import asdict, dataclass, field, fields
from functools import cached_property
from typing import Any

from spc.adviser.forecast import PartsLeft

#: What the next act may be.
ACTIONS = (
    "grind_on", "measure_again", "check", "offset", "swivel", "dress", "let_it_warm", "hold",
)  # fmt: skip


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
        What to check, or the feature that calls for the act.
    register : str
        Of the offset.
    offset_um : float or None
        Diametral, + bigger, a multiple of the machine's step; None unless a move is advised. With
        a dress: to be entered after it, beyond what the control clears by itself. With a hold: to
        be entered before the next part.
    amount, amount_unit : float, str or None
        The move as typed on this control.
    measure_after : int
        Parts until the next reading: 1 the very next, 0 this one again.
    evidence : str
        One plain sentence with the numbers.
    check_first : str
        What to look at before acting.
    runner_up, cost_difference : str, float or None
        The next best act and what more it costs, both to the end of the wheel's cycle.
    causes : tuple of (str, float)
        Explanations of what is strange, likeliest first.
    """

    action: str
    subject: str = ""
    register: str = ""
    offset_um: float | None = None
    amount: float | None = None
    amount_unit: str | None = None
    measure_after: int = 1
    evidence: str = ""
    check_first: str = ""
    runner_up: str | None = None
    cost_difference: float | None = None
    causes: tuple[tuple[str, float], ...] = ()
    _count: Callable[[], PartsLeft | None] = field(repr=False, compare=False, default=uncounted)

    @cached_property
    def parts_left(self) -> PartsLeft | None:
        """Parts until one is out with probability 0.5 % if left alone; None: not enough yet."""
        return self._count()

    @property
    def is_act(self) -> bool:
        """Whether something is to be done at the machine or the gauge now."""
        return self.action != "grind_on"

    def as_dict(self) -> dict[str, Any]:
        """The fields as one JSON document, ``"schema": "spc.advice/2"``."""
        left = self.parts_left
        told = {f.name: getattr(self, f.name) for f in fields(self) if f.repr}
        told["parts_left"] = None if left is None else asdict(left)
        return {"schema": "spc.advice/2", **told}
