"""The base of the size across dresses: what is forecast, what was entered, what is learnt."""

from collections.abc import Sequence
from typing import Any

from spc.wheel.dress_effect import CLEARS_ALL, CLEARS_LATE, DressEffect
from spc.wheel.home import Home


class Dresser:
    """
    Offsets in force and the base after a dress, under each way a control may clear offsets.

    Parameters
    ----------
    effect : DressEffect
        What a dress does.
    sd : float
        Spread of the size after a dress, to start from. [µm]
    width : float
        How far the size may lie from target at first. [µm]
    """

    def __init__(self, effect: DressEffect, sd: float, width: float) -> None:
        self.effect = effect
        self.homes = [Home(sd, width) for _ in effect.clears]
        self.totals = [0.0 for _ in effect.clears]  # offsets in force under each way
        self.late = 0.0  # entered in this cycle after setting up
        self.entered = 0.0  # entered in this cycle at all
        self.start = [0.0, width * width]  # base at the last dress, its variance

    def offset(self, amount: float, *, late: bool) -> None:
        """An offset was entered."""
        self.entered += amount
        self.late += amount if late else 0.0
        self.totals = [total + amount for total in self.totals]

    @property
    def sd(self) -> float:
        """Standard deviation of the size after a dress, before it is read. [µm]"""
        chances = self.effect.chances()
        return sum(p * home.sd for p, home in zip(chances, self.homes, strict=True))

    def _left(self) -> list[float]:
        """Offsets that stay in force after a dress, under each way."""
        taken = {CLEARS_LATE: self.late}
        return [
            0.0 if way == CLEARS_ALL else total - taken.get(way, 0.0)
            for way, total in zip(self.effect.clears, self.totals, strict=True)
        ]

    def forecast(self, base: float, base_var: float) -> tuple[float, float, list[float]]:
        """Mean and variance of the base after a dress, and its mean under each way."""
        means, inside = [], []
        for home, total, left in zip(self.homes, self.totals, self._left(), strict=True):
            bare, var = home.forecast(base - total, base_var)
            means.append(bare + left)
            inside.append(var)
        chances = self.effect.chances()
        mean = sum(p * m for p, m in zip(chances, means, strict=True))
        var = sum(p * (v + (m - mean) ** 2) for p, v, m in zip(chances, inside, means, strict=True))
        return mean, var, means

    @property
    def belief(self) -> float:
        """Probability that every dress strays about one home."""
        chances = self.effect.chances()
        return sum(p * home.belief for p, home in zip(chances, self.homes, strict=True))

    def dressed(self, base: float, base_var: float, worn: float) -> tuple[float, float]:
        """A dress was made; mean and variance of the base after it."""
        mean, var, means = self.forecast(base, base_var)
        self.effect.dressed(worn, means)
        for home, total in zip(self.homes, self.totals, strict=True):
            home.dressed(base - total, base_var)
        self.totals = self._left()
        self.late = self.entered = 0.0
        self.start = [mean, var]
        return mean, var

    def unknown(self, base: float, base_var: float) -> None:
        """A new wheel: the base begins anew and says nothing of dresses."""
        self.late = self.entered = 0.0
        self.start = [base, base_var]
        self.effect.gaps = None
        for home in self.homes:
            home.foretold = None

    def learn(self, base: float, base_var: float) -> None:
        """A cycle ends: what its readings alone say of its base, posterior less prior."""
        first, first_var = self.start
        if base_var >= 0.8 * first_var:
            return
        error = 1 / (1 / base_var - 1 / first_var)
        seen = error * ((base - self.entered) / base_var - first / first_var)
        for home, total in zip(self.homes, self.totals, strict=True):
            home.learn(seen - (total - self.entered), error)

    def inherit(self, state: dict[str, Any], width: float) -> None:
        """Start from an earlier run: its habits, but not where its size lay."""
        self.effect.inherit(state["effect"])
        ways = state.get("ways") or [*dict.fromkeys(way for _, way in self.effect.undoubted)]
        homes = state["homes"]
        known = dict(zip(ways, homes, strict=True)) if len(ways) == len(homes) else {}
        for way, home in zip(self.effect.clears, self.homes, strict=True):
            # A way that was not thought of then has the habits of one that was.
            old = known.get(way, homes[0])
            home.resume({**old, "foretold": None})
            home.place, home.place_var = 0.0, width * width

    _PLAIN = ("totals", "late", "entered", "start")

    def state(self) -> dict[str, Any]:
        """Plain numbers from which `resume` continues exactly."""
        plain = {name: getattr(self, name) for name in self._PLAIN}
        return {
            **{k: list(v) if isinstance(v, Sequence) else v for k, v in plain.items()},
            "effect": self.effect.state(),
            "ways": list(self.effect.clears),
            "homes": [home.state() for home in self.homes],
        }

    def resume(self, state: dict[str, Any]) -> None:
        """Continue from `state`."""
        for name in self._PLAIN:
            value = state[name]
            setattr(self, name, list(value) if isinstance(value, list) else value)
        self.effect.resume(state["effect"])
        for home, old in zip(self.homes, state["homes"], strict=True):
            home.resume(old)
