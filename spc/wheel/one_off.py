"""A part that stands alone: the level as it was before it is kept until the next one is read."""

import math
from copy import copy
from dataclasses import dataclass
from typing import Any

import numpy as np

from spc.wheel.drift import Drift

#: A reading this many standard deviations from its forecast may be a part that stands alone.
APART = 2.5
#: How much likelier, as a logarithm, the next reading has to be without it (judgement).
CLEARLY = 1.0


class OneOff:
    """
    The filter as it would be had the last startling part not been read.

    A filter that has followed such a part finds back slowly. So both are kept until the next
    reading: where that lies as was foretold without the part, the part stood alone.
    """

    def __init__(self) -> None:
        self.kept: Drift | None = None

    def part(self, age: int, aged: int, noise_var: float) -> None:
        """One part was ground, as `Drift.part`."""
        if self.kept is not None:
            self.kept.part(age, aged, noise_var)

    def move(self, amount: float, variance: float) -> None:
        """The level was moved, as `Drift.move`."""
        if self.kept is not None:
            self.kept.move(amount, variance)

    def forget(self) -> None:
        """A dress, a new wheel or a confirmed jump: what was before it says nothing any more."""
        self.kept = None

    def settle(self, drift: Drift, value: float, warm: float, noise_var: float) -> Drift:
        """
        The filter to go on with, before a part that reads `value` is taken in.

        Parameters
        ----------
        drift : Drift
            With the startling part.
        value : float
            The reading, mirrored from target. [µm]
        warm : float
            Share of the warm-up.
        noise_var : float
            Variance of a reading about the level. [µm²]
        """
        kept, self.kept = self.kept, None
        if kept is not None:
            without, with_it = (
                _log_odds(value, *each.expected(warm), noise_var) for each in (kept, drift)
            )
            drift = kept if without > with_it + CLEARLY else drift
        level, var = drift.expected(warm)
        if abs(value - level) > APART * math.sqrt(var + noise_var):
            # Drift changes nothing in place, so the copy shares its arrays.
            self.kept = copy(drift)
        return drift

    def state(self) -> dict[str, Any] | None:
        """Plain numbers from which `resume` continues exactly."""
        return None if self.kept is None else self.kept.state()

    def resume(self, drift: Drift, state: dict[str, Any] | None) -> None:
        """Continue from `state`; `drift` is any filter of the same job."""
        self.kept = None if state is None else _resumed(drift, state)


@dataclass(frozen=True)
class Unread:
    """What was known before a part was read: with the last startling part and without it."""

    drift: Drift
    kept: Drift | None
    growth: tuple[Any, ...]  # `SpreadGrowth.snapshot`

    def filters(self) -> tuple[Drift, Drift | None]:
        """Both, free to be gone on with."""
        return copy(self.drift), None if self.kept is None else copy(self.kept)

    def state(self) -> dict[str, Any]:
        """Plain numbers from which `resumed` makes the same again."""
        fresh, log_belief, count = self.growth
        return {
            "drift": self.drift.state(),
            "kept": None if self.kept is None else self.kept.state(),
            "growth": [fresh.tolist(), log_belief.tolist(), count],
        }

    @classmethod
    def resumed(cls, drift: Drift, state: dict[str, Any]) -> "Unread":
        """As `state` left it; `drift` is any filter of the same job."""
        kept, (fresh, log_belief, count) = state["kept"], state["growth"]
        return cls(
            _resumed(drift, state["drift"]),
            None if kept is None else _resumed(drift, kept),
            (np.array(fresh), np.array(log_belief), count),
        )


def _resumed(drift: Drift, state: dict[str, Any]) -> Drift:
    # Drift changes nothing in place, so the copy may share its arrays until then.
    other = copy(drift)
    other.resume(state)
    return other


def _log_odds(value: float, level: float, var: float, noise_var: float) -> float:
    """Logarithm of the likelihood of a reading, up to a constant, with the tails of real parts."""
    spread = var + noise_var
    return -0.5 * math.log(spread) - 2.5 * math.log1p((value - level) ** 2 / (4 * spread))
