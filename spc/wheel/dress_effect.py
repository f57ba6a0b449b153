"""What a dress does to size on this machine: known from the plan, or learnt from dresses."""

import math
from typing import Any

#: What a control may do with offsets at a dress: keep all, take back those entered after the third
#: part of the cycle, take back all. A plan that says "clears" may mean either of the last two.
KEEPS, CLEARS_LATE, CLEARS_ALL = "keeps", "clears late", "clears all"
#: What of these a plan may mean that says whether a dress clears offsets, or says nothing.
MEANT = {
    None: {KEEPS: 0.5, CLEARS_LATE: 0.35, CLEARS_ALL: 0.15},
    True: {CLEARS_LATE: 0.5, CLEARS_ALL: 0.5},
    False: {KEEPS: 1.0},
}
#: Whether it takes the wear out of the size.
RESETS = {None: {True: 0.75, False: 0.25}, True: {True: 1.0}, False: {False: 1.0}}
#: Known well enough to offset ahead of a reading.
SURE = 0.9
#: No hypothesis is ever given up altogether.
LEAST = 1e-4
#: How often a plan is wrong about offsets in one way: so seldom that one odd dress never convinces,
#: and many of them do (judgement).
WRONG = 1e-4


class DressEffect:
    """
    Parallel hypotheses on a dress, weighed by the first reading after each.

    A plan that says what a dress does to offsets is believed, and found wrong by several dresses.

    Parameters
    ----------
    resets_size, clears_offsets : bool or None
        As in the plan; None is learnt.
    """

    def __init__(self, resets_size: bool | None, clears_offsets: bool | None) -> None:
        resets = RESETS[resets_size]
        clears = _with_doubt(MEANT[clears_offsets])
        self.clears = tuple(clears)
        self.cases = [(r, c) for r in resets for c in clears]
        self.weights = [pr * pc for pr in resets.values() for pc in clears.values()]
        self.told = resets_size is not None and clears_offsets is not None
        self.gaps: list[float] | None = None  # of each case's level against the mean forecast
        #: What the plan means, or may mean.
        self.undoubted = [(r, c) for r in RESETS[resets_size] for c in MEANT[clears_offsets]]

    @property
    def kept(self) -> float:
        """Probability that the wear stays in the size."""
        return sum(w for (resets, _), w in zip(self.cases, self.weights, strict=True) if not resets)

    @property
    def sure(self) -> bool:
        """Whether a dress is known well enough to act ahead of a reading."""
        return (self.told and self.plan_belief > SURE) or max(self.weights) > SURE

    @property
    def plan_belief(self) -> float:
        """Probability that a dress does what the plan says, or may mean."""
        meant = zip(self.weights, self.cases, strict=True)
        return sum(weight for weight, case in meant if case in self.undoubted)

    def chances(self) -> list[float]:
        """Probability of each way to clear offsets, in the order of `clears`."""
        return [
            sum(w for (_, c), w in zip(self.cases, self.weights, strict=True) if c == way)
            for way in self.clears
        ]

    def dressed(self, worn: float, levels: list[float]) -> None:
        """Remember what each case foretold: `levels` by way of clearing, wear taken out. [µm]"""
        by_way = dict(zip(self.clears, levels, strict=True))
        places = [by_way[way] + (0.0 if resets else worn) for resets, way in self.cases]
        mean = sum(w * p for w, p in zip(self.weights, places, strict=True))
        self.gaps = [p - mean for p in places]

    def weigh(self, gap: float, variance: float) -> None:
        """The first reading after a dress lies `gap` above the mean forecast."""
        if self.gaps is None:
            return
        between = sum(w * g * g for w, g in zip(self.weights, self.gaps, strict=True))
        own = max(variance - between, 0.2 * variance)
        logs = [-2.5 * math.log1p((gap - g) ** 2 / (4 * own)) for g in self.gaps]
        top = max(logs)
        raw = [max(w * math.exp(x - top), LEAST) for w, x in zip(self.weights, logs, strict=True)]
        self.weights = [r / sum(raw) for r in raw]
        self.gaps = None

    def state(self) -> dict[str, Any]:
        """Plain numbers from which `resume` continues exactly."""
        return {
            "meant": self._meant,
            "weights": list(self.weights),
            "gaps": None if self.gaps is None else list(self.gaps),
        }

    def resume(self, state: dict[str, Any]) -> None:
        """Continue from `state`."""
        self.weights = list(state["weights"])
        self.gaps = None if state["gaps"] is None else list(state["gaps"])

    def inherit(self, state: dict[str, Any]) -> None:
        """Start from the `state` an earlier run ended with, if its plan said the same."""
        self.gaps = None
        same = state.get("meant", self._meant) == self._meant
        # Records of a time when plans were never doubted have a weight for each way meant.
        cases = self.cases if "meant" in state else self.undoubted
        if not same or len(cases) != len(state["weights"]):
            return
        known = dict(zip(cases, state["weights"], strict=True))
        raw = [max(known.get(case, LEAST), LEAST) for case in self.cases]
        self.weights = [weight / sum(raw) for weight in raw]

    @property
    def _meant(self) -> list[list[Any]]:
        return [[resets, way] for resets, way in self.undoubted]


def _with_doubt(meant: dict[str, float]) -> dict[str, float]:
    """What a plan means, and with the probability `WRONG` each other way of a control."""
    rest = [way for way in MEANT[None] if way not in meant]
    sure = {way: share * (1 - WRONG * len(rest)) for way, share in meant.items()}
    return {**sure, **dict.fromkeys(rest, WRONG)}
