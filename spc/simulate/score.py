"""
What a policy costs on the named processes, beside rules of thumb and oracles, on equal noise.

Tuning and judging use seeds of their own. Costs are per part; differences are paired by seed.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np

from spc.simulate.contenders import ADVISER, ALL, RULES, Contender, Outcome, play, tuned
from spc.simulate.settings import PRESETS, Setting

#: Seeds to judge by. Never tune on them.
JUDGING_SEEDS = tuple(range(7000, 7024))


@dataclass(frozen=True)
class Line:
    """One policy on one process: means over seeds, and the paired difference to the adviser."""

    preset: str
    contender: Contender
    outcomes: tuple[Outcome, ...]
    more: float  # than the adviser, per part
    more_error: float

    @property
    def cost(self) -> float:
        """Mean cost per part."""
        return float(np.mean([one.cost for one in self.outcomes]))

    @property
    def error(self) -> float:
        """Standard error of the mean cost."""
        return standard_error([one.cost for one in self.outcomes])

    @property
    def worst(self) -> float:
        """Cost per part of the dearest run: the tail is heavy."""
        return max(one.cost for one in self.outcomes)

    def mean(self, line: str) -> float:
        """Mean of one ledger line, per part."""
        return float(np.mean([one.lines[line] for one in self.outcomes]))

    def figures(self) -> tuple[str, ...]:
        """The line as text, in the order of `HEADINGS`."""
        ones = self.outcomes
        dresses = sum(one.dresses for one in ones)
        per_dress = sum(one.parts for one in ones) / dresses if dresses else math.inf
        more = "" if self.contender.name == ADVISER else f"{self.more:+.3f} ±{self.more_error:.3f}"
        return (
            self.contender.words(),
            f"{self.cost:.3f} ±{self.error:.3f}",
            more,
            f"{np.mean([one.without_measuring for one in ones]):.3f}",
            f"{self.worst:.3f}",
            f"{self.mean('burn'):.3f}",
            f"{100 * np.mean([one.out for one in ones]):.2f}",
            f"{100 * np.mean([one.offsets for one in ones]):.1f}",
            f"{100 * np.mean([one.looks for one in ones]):.1f}",
            f"{per_dress:.1f}",
        )


#: What `Line.figures` shows.
HEADINGS = (
    "policy", "cost/part", "more than adviser", "without measuring", "dearest run", "burn",
    "% out", "offsets/100", "readings/100", "parts/dress",
)  # fmt: skip


@dataclass(frozen=True)
class ScoreTable:
    """All policies on one process."""

    preset: str
    parts: int
    seeds: tuple[int, ...]
    lines: tuple[Line, ...]

    def line(self, name: str) -> Line:
        """The line of a policy."""
        for line in self.lines:
            if line.contender.name == name:
                return line
        scored = ", ".join(line.contender.name for line in self.lines)
        raise ValueError(f"{name!r} was not scored; these were: {scored}")

    @property
    def best_rule(self) -> Line:
        """The cheapest rule of thumb."""
        return min((one for one in self.lines if one.contender.name in RULES), key=_cost)

    @property
    def gap_closed(self) -> float:
        """Share of the way from the best rule of thumb to full knowledge the adviser went."""
        rule, oracle = self.best_rule.cost, self.line("true state").cost
        return (rule - self.line(ADVISER).cost) / (rule - oracle)

    def rows(self) -> list[tuple[str, ...]]:
        """The table as text, headings first."""
        return [HEADINGS, *(line.figures() for line in self.lines)]


def _cost(line: Line) -> float:
    return line.cost


def standard_error(values: Sequence[float]) -> float:
    """Standard error of a mean; NaN for a single value."""
    return float(np.std(values, ddof=1) / math.sqrt(len(values))) if len(values) > 1 else math.nan


def score(
    preset: str,
    *,
    seeds: Sequence[int] = JUDGING_SEEDS,
    parts: int | None = None,
    policies: Iterable[str] = ALL,
    workers: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> ScoreTable:
    """
    The table of one named process.

    Parameters
    ----------
    preset : str
        A key of `PRESETS`.
    seeds : sequence of int
        Runs; every policy meets the same.
    parts : int, optional
        Of each run; None: as the preset says.
    policies : iterable of str
        Out of `ALL`.
    workers : int
        Processes.
    progress : callable, optional
        ``progress(done, total)`` in jobs.
    """
    setting = PRESETS[preset]
    parts = setting.run_parts if parts is None else parts
    names = tuple(policies)
    total = len(names) * (1 + len(seeds))
    done = 0

    def step(results: Iterable[Any]) -> list[Any]:
        nonlocal done
        kept = []
        for result in results:
            kept.append(result)
            done += 1
            if progress:
                progress(done, total)
        return kept

    with _Pool(workers) as pool:
        contenders = step(pool.map(_tune_job, [(name, setting, parts) for name in names]))
        jobs = [(one, setting, seed, parts) for one in contenders for seed in seeds]
        outcomes = step(pool.map(_play_job, jobs))
    runs = [tuple(outcomes[i : i + len(seeds)]) for i in range(0, len(outcomes), len(seeds))]
    return ScoreTable(preset, parts, tuple(seeds), _lines(preset, contenders, runs))


def _lines(
    preset: str, contenders: Sequence[Contender], runs: Sequence[tuple[Outcome, ...]]
) -> tuple[Line, ...]:
    names = [contender.name for contender in contenders]
    home = runs[names.index(ADVISER)] if ADVISER in names else None
    lines = []
    for contender, ones in zip(contenders, runs, strict=True):
        more = [0.0] if home is None else [a.cost - b.cost for a, b in zip(ones, home, strict=True)]
        lines.append(Line(preset, contender, ones, float(np.mean(more)), standard_error(more)))
    return tuple(lines)


def _tune_job(job: tuple[str, Setting, int]) -> Contender:
    return tuned(*job)


def _play_job(job: tuple[Contender, Setting, int, int]) -> Outcome:
    return play(*job)


class _Pool:
    """A pool of processes, or this process alone when one worker is enough."""

    def __init__(self, workers: int) -> None:
        self._pool = ProcessPoolExecutor(workers) if workers > 1 else None

    def __enter__(self) -> "_Pool":
        return self

    def __exit__(self, *_: object) -> None:
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)

    def map(self, job: Callable[[Any], Any], items: Sequence[Any]) -> Iterable[Any]:
        """Results in the order of the items."""
        return map(job, items) if self._pool is None else self._pool.map(job, items)
