"""
Contenders on drawn scenes, each against the rule of thumb tuned to the scene.

``python -m tests.bench.contend --set tuning --scenes 30 --parts 600`` prints the table; contenders
are ``adviser``, ``contract`` (the same, told as `spc` tells it) and ``full`` (full knowledge).
"""

import argparse
import json
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from tests.bench.families import GATE_SET, TUNING_SET, Scene, judging_seed, scenes
from tests.bench.full_knowledge import cost_of_full_knowledge
from tests.bench.machine import Machine, Noise
from tests.bench.rules_of_thumb import cost_of_tuned

#: Acts after one reading; who wants more goes round in circles.
MOST_ACTS = 5
#: A contender is dear where it costs more than so many times the tuned rule.
DEAR = 1.1


class Contender(Protocol):
    """Whoever steers one lane; moves are µm, wear upward."""

    def part(self) -> None: ...
    def reading(self, um: float) -> None: ...
    def pause(self, minutes: float) -> None: ...
    def dressed(self) -> None: ...
    def moved(self, um: float) -> None: ...
    def act(self) -> tuple[str, float, bool]: ...


@dataclass(frozen=True)
class Played:
    """One contender on one scene: cost a part on each seed, and what was done."""

    cost: np.ndarray
    out: float
    dresses: float
    offsets: float
    extra: float
    ms: float  # of the contender, a part


def play(scene: Scene, seeds: list[int], parts: int, make: Callable[[], Contender]) -> Played:
    """A contender of its own on every seed of a scene."""
    lanes = len(seeds)
    noise = Noise(scene, seeds, parts)
    machine = Machine(noise, np.arange(lanes))
    ones = [make() for _ in seeds]
    asked = np.ones(lanes, dtype=bool)
    spent = 0.0
    for k in range(parts):
        machine.part()
        scheduled = k % scene.every == 0
        read = asked | scheduled
        if not scheduled:
            machine.pay_reading(read)
        first = machine.measure()
        start = time.process_time()
        for i, one in enumerate(ones):
            if noise.pause[i, k]:
                one.pause(float(noise.pause[i, k]))
            one.part()
            if read[i]:
                one.reading(float(first[i]))
                asked[i] = _settle(one, machine, i)
        spent += time.process_time() - start
    return Played(
        machine.cost / parts,
        *(float(v.mean() / parts) for v in (machine.out, machine.dresses, machine.offsets)),
        extra=float(machine.extra.mean() / parts),
        ms=1e3 * spent / parts / lanes,
    )


def _settle(one: Contender, machine: Machine, lane: int) -> bool:
    """Do what is advised until it says to grind on; whether the next part is to be read."""
    where = np.arange(machine.lanes) == lane
    for _ in range(MOST_ACTS):
        kind, um, read_next = one.act()
        if kind == "measure_again":
            machine.pay_reading(where)
            one.reading(float(machine.measure(again=True)[lane]))
        elif kind == "offset":
            one.moved(float(machine.offset(np.full(machine.lanes, um), where)[lane]))
        elif kind == "dress":
            machine.dress(where)
            one.dressed()
            if um:
                one.moved(float(machine.offset(np.full(machine.lanes, um), where)[lane]))
        else:
            return read_next
    return True


@dataclass(frozen=True)
class Scored:
    """One contender over all scenes: its cost as a share of the tuned rule's."""

    name: str
    ratios: np.ndarray
    ms: float

    def __str__(self) -> str:
        r = self.ratios
        error = r.std(ddof=1) / len(r) ** 0.5 if len(r) > 1 else float("nan")
        return (
            f"{self.name}: mean {r.mean():.3f} ± {error:.3f}, median {np.median(r):.3f}, dearer "
            f"than 1.1 times the rule in {int((r > DEAR).sum())} of {len(r)}, dearest "
            f"{r.max():.2f}; {self.ms:.2f} ms a part"
        )


def score(
    chosen: list[Scene],
    seeds: list[int],
    parts: int,
    makers: dict[str, Callable[[Scene], Contender]],
    cache: Path | None = None,
) -> list[Scored]:
    """
    Every contender on every scene, printed scene by scene.

    Parameters
    ----------
    chosen : list of Scene
        The set.
    seeds : list of int
        Runs of each scene.
    parts : int
        Length of a run.
    makers : dict
        Contenders by name; "full" stands for full knowledge, whatever its maker.
    cache : Path, optional
        Folder that keeps the costs of rules and of full knowledge, which hang on no adviser.
    """
    ratios: dict[str, list[float]] = {name: [] for name in makers}
    times: dict[str, list[float]] = {name: [0.0] for name in makers}
    for scene in chosen:
        key = f"{scene.name}_{parts}_{seeds[0]}_{len(seeds)}".replace("/", "-").replace(" ", "-")
        rule, name = _kept(cache, f"rule_{key}", lambda s=scene: _rule(s, seeds, parts))
        line = f"{scene.name:14s} {rule:.4f} {name:28s}"
        for who, maker in makers.items():
            if who == "full":
                cost = _kept(
                    cache, f"full_{key}",
                    lambda s=scene: [float(cost_of_full_knowledge(s, seeds, parts).mean())],
                )[0]  # fmt: skip
                acts = ""
            else:
                played = play(scene, seeds, parts, lambda m=maker, s=scene: m(s))
                cost = float(played.cost.mean())
                times[who].append(played.ms)
                acts = (
                    f" out {100 * played.out:.2f} % dress {played.dresses * parts:.1f} offset "
                    f"{played.offsets * parts:.1f} read {played.extra * parts:.1f}"
                )
            ratios[who].append(cost / rule)
            line += f" | {who} {ratios[who][-1]:.2f}{acts}"
        print(line, flush=True)
    return [Scored(n, np.array(r), float(np.mean(times[n][1:] or [0]))) for n, r in ratios.items()]


def _rule(scene: Scene, seeds: list[int], parts: int) -> list[Any]:
    cost, name = cost_of_tuned(scene, seeds, parts)
    return [float(cost.mean()), name]


def _kept(cache: Path | None, key: str, made: Callable[[], list[Any]]) -> list[Any]:
    if cache is None:
        return made()
    path = cache / f"{key}.json"
    if not path.exists():
        cache.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(made()), encoding="utf-8")
    return list(json.loads(path.read_text(encoding="utf-8")))


def main(makers: dict[str, Callable[[Scene], Contender]]) -> None:
    """Print the table that the command line asks for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--set", choices=("tuning", "gate", "judging"), default="tuning")
    parser.add_argument("--law", choices=("own", "other"), default="own")
    parser.add_argument("--scenes", type=int, default=12)
    parser.add_argument("--parts", type=int, default=600)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--contenders", nargs="+", default=["adviser"], choices=sorted(makers))
    parser.add_argument("--cache", type=Path)
    asked = parser.parse_args()
    seed = {"tuning": TUNING_SET, "gate": GATE_SET, "judging": judging_seed()}[asked.set]
    print(f"set {asked.set}, seed {seed}, law {asked.law}")
    chosen = scenes(asked.scenes, seed, asked.law)
    picked = {name: makers[name] for name in asked.contenders}
    for scored in score(chosen, list(range(1, asked.seeds + 1)), asked.parts, picked, asked.cache):
        print(scored)
