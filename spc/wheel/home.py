"""Where a dress brings the size back to: always the same place, or near where it was last."""

import math
from typing import Any

#: Spread of the size after a dress counts as this many dresses seen before the first.
PSEUDO_DRESSES = 3.0
#: Memory of dresses: a diamond wears, so what held long ago fades.
DRESSES_KEPT = 25.0
#: The place itself moves from dress to dress by this share of the spread (diamond wear; judgement).
PLACE_DRIFT = 0.1


class Home:
    """
    Forecast of the bare base, without offsets, after a dress. [µm]

    Two accounts compete: every dress strays afresh about one home, or every dress strays from
    where the last one left the size. Each keeps its own spread and is weighed by its forecasts.

    Parameters
    ----------
    sd : float
        Spread of the size after a dress, to start from. [µm]
    width : float
        How far home may lie from where it is looked for. [µm]
    """

    def __init__(self, sd: float, width: float) -> None:
        self.place, self.place_var = 0.0, width * width
        self.squares = [PSEUDO_DRESSES * sd * sd] * 2
        self.counts = [PSEUDO_DRESSES] * 2
        self.log_odds = 0.0  # of one home against straying on
        self.foretold: list[float] | None = None  # mean and variance under each account

    @property
    def belief(self) -> float:
        """Probability that there is one home."""
        return 1 / (1 + math.exp(-self.log_odds))

    def spread(self, account: int) -> float:
        """Variance of one dress about home (0) or about the last (1). [µm²]"""
        return self.squares[account] / self.counts[account]

    @property
    def sd(self) -> float:
        """Standard deviation of the size after a dress, before it is read. [µm]"""
        home = self.belief
        return math.sqrt(home * self.spread(0) + (1 - home) * self.spread(1))

    def forecast(self, last: float, last_var: float) -> tuple[float, float]:
        """Mean and variance of the bare base after a dress, from the one before it."""
        home = self.belief
        mean = home * self.place + (1 - home) * last
        inside = home * (self.place_var + self.spread(0))
        inside += (1 - home) * (last_var + self.spread(1))
        return mean, inside + home * (1 - home) * (self.place - last) ** 2

    def dressed(self, last: float, last_var: float) -> None:
        """A dress was made; its forecasts stand until `learn`."""
        self.foretold = [self.place, self.place_var, last, last_var]

    def learn(self, seen: float, error: float) -> None:
        """
        Take in what a cycle's readings alone say of its bare base.

        Parameters
        ----------
        seen : float
            The bare base. [µm]
        error : float
            Variance of that. [µm²]
        """
        logs = []
        for account in (0, 1):
            if self.foretold is None:
                continue
            mean, var = self.foretold[2 * account : 2 * account + 2]
            stray = self.spread(account)
            total = var + stray + error
            gap = seen - mean
            logs.append(-0.5 * math.log(total) - 2.5 * math.log1p(gap * gap / (4 * total)))
            share = stray / total
            square = share * share * min(gap * gap, 16 * total) + stray * (1 - share)
            self.squares[account] += square
            self.counts[account] += 1
            if self.counts[account] > DRESSES_KEPT:
                fade = DRESSES_KEPT / self.counts[account]
                self.squares[account] *= fade
                self.counts[account] *= fade
        if logs:
            self.log_odds = max(-6.0, min(6.0, 0.97 * self.log_odds + logs[0] - logs[1]))
        self.foretold = None
        total = self.place_var + self.spread(0) + error
        self.place += self.place_var / total * (seen - self.place)
        self.place_var *= 1 - self.place_var / total
        self.place_var += PLACE_DRIFT**2 * self.spread(0)

    def state(self) -> dict[str, Any]:
        """Plain numbers from which `resume` continues exactly."""
        return {
            "place": [self.place, self.place_var],
            "squares": list(self.squares),
            "counts": list(self.counts),
            "log_odds": self.log_odds,
            "foretold": None if self.foretold is None else list(self.foretold),
        }

    def resume(self, state: dict[str, Any]) -> None:
        """Continue from `state`."""
        self.place, self.place_var = state["place"]
        self.squares, self.counts = list(state["squares"]), list(state["counts"])
        self.log_odds = state["log_odds"]
        self.foretold = None if state["foretold"] is None else list(state["foretold"])
