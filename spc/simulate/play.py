"""One policy at one machine: what it is told, what it answers, what is then done."""

from collections import Counter
from typing import Protocol

from spc.simulate.policies import Advice, Policy

#: Answers after one reading; a policy that wants more than this goes round in circles.
_MOST_ACTS = 6


class Machine(Protocol):
    """What a policy's answers are done to."""

    def offset(self, um: float) -> float:
        """Move the register; what was typed after rounding. [µm]"""

    def dress(self) -> None:
        """Dress the wheel."""

    def idle(self, minutes: float) -> None:
        """Warm up without grinding."""

    def look(self) -> None:
        """Stop and check; nothing is found."""


class Reread(Protocol):
    """Takes a second reading of the last part and tells the policy."""

    def __call__(self) -> None:
        """Read again."""


def settle(
    policy: Policy, machine: Machine, reread: Reread, done: Counter[str], *, silent: bool = False
) -> Advice:
    """
    Do what the policy says after a reading, until it says to grind on.

    Parameters
    ----------
    policy : Policy
        Asked after every act.
    machine : Machine
        Acted on.
    reread : callable
        Takes a second reading of the last part and tells the policy.
    done : Counter
        Counts the acts by name.
    silent : bool
        Whoever stands there does what brings the size back, but says nothing of a hold or a check
        and asks for nothing more: the policy never hears that one is over.

    Returns
    -------
    Advice
        The last answer; its `measure_after` counts.
    """
    cleared = False
    for _ in range(_MOST_ACTS):
        advice = policy.advise()
        if advice.action == "hold" and cleared:
            return advice  # to be proven by the parts to come
        done[advice.action] += 1
        if advice.action == "measure_again":
            reread()
        elif advice.action == "offset":
            _enter(policy, machine, advice.offset_um)
            return advice
        elif advice.action == "dress":
            return _dress(policy, machine, advice, done)
        elif silent and advice.action in ("hold", "check", "swivel"):
            _enter(policy, machine, advice.offset_um)
            return advice
        elif advice.action in ("hold", "check", "swivel"):
            # Nothing is ever wrong with these machines: the stop is paid, and the next act asked.
            machine.look()
            cleared = advice.action == "hold"
            policy.event("cleared" if cleared else "master")
        elif advice.action == "let_it_warm":
            minutes = float(getattr(advice, "amount", None) or 10.0)
            machine.idle(minutes)
            policy.event("note")
            return advice
        else:
            return advice
    return advice


def _enter(policy: Policy, machine: Machine, um: float | None) -> None:
    typed = machine.offset(um) if um else 0.0
    if typed:
        policy.event("offset", um=typed)


def _dress(policy: Policy, machine: Machine, advice: Advice, done: Counter[str]) -> Advice:
    machine.dress()
    policy.event("dress")
    if advice.offset_um:
        _enter(policy, machine, advice.offset_um)
        return advice
    # The move for the fresh wheel may come only now that the dress is done.
    second = policy.advise()
    if second.action == "offset":
        done["offset"] += 1
        _enter(policy, machine, second.offset_um)
    return second
