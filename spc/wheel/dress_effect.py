"""What a dress does to size on this machine: known from the plan, or learnt from dresses."""

import math
from typing import Any

#: What a control may do with offsets at a dress: keep all, take back those entered after the third
#: part of the cycle, take back all. A plan that says "clears" may mean either of the last two.
KEEPS, CLEARS_LATE, CLEARS_ALL = "keeps", "clears late", "clears all"
#: Known well enough to offset ahead of a reading.
SURE = 0.9


class DressEffect:
    """
    Parallel hypotheses on a dress, weighed by the first reading after each.

    Parameters
    ----------
    resets_size, clears_offsets : bool or None
        As in the plan; None is learnt.
    """

    def __init__(self, resets_size: bool | None, clears_offsets: bool | None) -> None:
        resets = {True: 0.75, False: 0.25} if resets_size is None else {resets_size: 1.0}
        clears = {
            None: {KEEPS: 0.5, CLEARS_LATE: 0.35, CLEARS_ALL: 0.15},
            True: {CLEARS_LATE: 0.5, CLEARS_ALL: 0.5},
            False: {KEEPS: 1.0},
        }[clears_offsets]
        self.cases = [(r, c) for r in resets for c in clears]
        self.weights = [pr * pc for pr in resets.values() for pc in clears.values()]
        self.told = resets_size is not None and clears_offsets is not None
        # Of each case, until a reading: its level against the mean forecast; offsets it took back.
        self.gaps: list[float] | None = None
        self.taken: list[float] = []

    @property
    def kept(self) -> float:
        """Probability that the wear stays in the size."""
        return sum(w for (resets, _), w in zip(self.cases, self.weights, strict=True) if not resets)

    @property
    def sure(self) -> bool:
        """Whether one hypothesis is known well enough to act ahead of a reading."""
        return max(self.weights) > SURE or self.told

    def takes(self, late: float, total: float) -> list[float]:
        """Offsets that each case takes back. [µm]"""
        taken = {KEEPS: 0.0, CLEARS_LATE: late, CLEARS_ALL: total}
        return [taken[clears] for _, clears in self.cases]

    def moves(self, worn: float, late: float, total: float) -> list[float]:
        """Change of level under each case: of wear leaving and of offsets taken back. [µm]"""
        taken = self.takes(late, total)
        return [
            -back - (worn if resets else 0.0)
            for (resets, _), back in zip(self.cases, taken, strict=True)
        ]

    def expect(self, moves: list[float]) -> tuple[float, float]:
        """Mean and variance of the coming change of level over the cases."""
        mean = sum(w * m for w, m in zip(self.weights, moves, strict=True))
        var = sum(w * (m - mean) ** 2 for w, m in zip(self.weights, moves, strict=True))
        return mean, var

    def dressed(self, worn: float, late: float, total: float) -> None:
        """Remember what each case foretold, to be weighed by the next reading."""
        moves = self.moves(worn, late, total)
        mean, var = self.expect(moves)
        self.gaps = [m - mean for m in moves] if var > 0 else None
        self.taken = self.takes(late, total)

    def weigh(self, gap: float, variance: float) -> float:
        """The first reading after a dress lies `gap` above the mean; how much more it took back."""
        if self.gaps is None:
            return 0.0
        thought, _ = self.expect(self.taken)
        _, between = self.expect(self.gaps)
        own = max(variance - between, 1e-9)
        logs = [-0.5 * (gap - g) ** 2 / own for g in self.gaps]
        top = max(logs)
        raw = [w * max(math.exp(x - top), 1e-3) for w, x in zip(self.weights, logs, strict=True)]
        total = sum(raw)
        self.weights = [max(r / total, 1e-3) for r in raw]
        total = sum(self.weights)
        self.weights = [w / total for w in self.weights]
        self.gaps = None
        return self.expect(self.taken)[0] - thought

    def state(self) -> dict[str, Any]:
        """Plain numbers from which `resume` continues exactly."""
        return {
            "weights": list(self.weights),
            "gaps": None if self.gaps is None else list(self.gaps),
            "taken": list(self.taken),
        }

    def resume(self, state: dict[str, Any]) -> None:
        """Continue from `state`."""
        self.weights = list(state["weights"])
        self.gaps = None if state["gaps"] is None else list(state["gaps"])
        self.taken = list(state["taken"])
