"""
Contenders on drawn scenes, each against the rule of thumb tuned to the scene.

``python -m tests.bench.contend --set tuning --scenes 30 --parts 600`` prints the table; contenders
are ``adviser``, ``contract`` (the same, told as `spc` tells it) and ``full`` (full knowledge).
``--seats 3`` tries shafts instead, ``--seats any`` with one to four diameters, ``--quiet`` such as
ask for no act.
"""

import argparse
import json
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from tests.bench.families import GATE_SET, TUNING_SET, Scene, judging_seed, scenes
from tests.bench.full_knowledge import cost_of_full_knowledge
from tests.bench.machine import Machine, Noise
from tests.bench.rules_of_thumb import cost_of_tuned
from tests.bench.shafts import Shaft, quiet, shafts

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
class Bench:
    """How scenes of one form are played, and what they are held against."""

    play: Callable[[Any, list[int], int, Callable[[], Any]], Played]
    rule: Callable[[Any, list[int], int], tuple[np.ndarray, str]]
    full: Callable[[Any, list[int], int], np.ndarray]


ONE_DIAMETER = Bench(play, cost_of_tuned, cost_of_full_knowledge)


@dataclass(frozen=True)
class Scored:
    """One contender over all scenes: its cost as a share of the tuned rule's."""

    name: str
    ratios: np.ndarray
    kinds: list[str]  # of each scene, "" where there is one
    played: list[Played]  # of each scene; none for full knowledge

    def __str__(self) -> str:
        lines = [f"{self.name}: {_spread(self.ratios)}"]
        if self.played:
            out, dresses, offsets, extra, ms = (
                [getattr(p, name) for p in self.played]
                for name in ("out", "dresses", "offsets", "extra", "ms")
            )
            lines.append(
                f"  in 100 parts: out {100 * np.mean(out):.3f}, "
                f"dresses {100 * np.mean(dresses):.2f}, offsets {100 * np.mean(offsets):.2f}, "
                f"readings beside the schedule {100 * np.mean(extra):.2f}; "
                f"{np.mean(ms):.2f} ms a part"
            )
        for kind in sorted(set(self.kinds) - {""}):
            of = self.ratios[np.array(self.kinds) == kind]
            lines.append(f"  {kind:16s} {_spread(of)}")
        return "\n".join(lines)


def _spread(r: np.ndarray) -> str:
    error = r.std(ddof=1) / len(r) ** 0.5 if len(r) > 1 else float("nan")
    return (
        f"mean {r.mean():.3f} ± {error:.3f}, median {np.median(r):.3f}, dearer than {DEAR} times "
        f"the rule in {int((r > DEAR).sum())} of {len(r)}, dearest {r.max():.2f}"
    )


def score(
    chosen: Sequence[Scene] | Sequence[Shaft],
    seeds: list[int],
    parts: int,
    makers: dict[str, Callable[[Any], Any]],
    cache: Path | None = None,
    bench: Bench = ONE_DIAMETER,
) -> list[Scored]:
    """
    Every contender on every scene, printed scene by scene.

    Parameters
    ----------
    chosen : sequence of Scene or Shaft
        The set.
    seeds : list of int
        Runs of each scene.
    parts : int
        Length of a run.
    makers : dict
        Contenders by name; "full" stands for full knowledge, whatever its maker.
    cache : Path, optional
        Folder that keeps the costs of rules and of full knowledge, which hang on no adviser.
    bench : Bench
        Of the form of the scenes.
    """
    ratios: dict[str, list[float]] = {name: [] for name in makers}
    playeds: dict[str, list[Played]] = {name: [] for name in makers}
    kinds = [scene.kind if isinstance(scene, Shaft) else "" for scene in chosen]
    for scene in chosen:
        key = f"{scene.name}_{parts}_{seeds[0]}_{len(seeds)}".replace("/", "-").replace(" ", "-")
        rule, name = _kept(cache, f"rule_{key}", lambda s=scene: _rule(bench, s, seeds, parts))
        line = f"{scene.name:14s} {rule:.4f} {name:28s}"
        for who, maker in makers.items():
            if who == "full":
                cost = _kept(
                    cache, f"full_{key}",
                    lambda s=scene: [float(bench.full(s, seeds, parts).mean())],
                )[0]  # fmt: skip
                acts = ""
            else:
                played = bench.play(scene, seeds, parts, lambda m=maker, s=scene: m(s))
                cost = float(played.cost.mean())
                playeds[who].append(played)
                acts = (
                    f" out {100 * played.out:.2f} % dress {played.dresses * parts:.1f} offset "
                    f"{played.offsets * parts:.1f} read {played.extra * parts:.1f}"
                )
            ratios[who].append(cost / rule)
            line += f" | {who} {ratios[who][-1]:.2f}{acts}"
        print(line, flush=True)
    return [Scored(n, np.array(r), kinds, playeds[n]) for n, r in ratios.items()]


def _rule(bench: Bench, scene: Scene | Shaft, seeds: list[int], parts: int) -> list[Any]:
    cost, name = bench.rule(scene, seeds, parts)
    return [float(cost.mean()), name]


def _kept(cache: Path | None, key: str, made: Callable[[], list[Any]]) -> list[Any]:
    if cache is None:
        return made()
    path = cache / f"{key}.json"
    if not path.exists():
        cache.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(made()), encoding="utf-8")
    return list(json.loads(path.read_text(encoding="utf-8")))


def main(
    makers: dict[str, Callable[[Scene], Contender]],
    of_shafts: dict[str, Callable[[Shaft], Any]],
    several: Bench,
) -> None:
    """
    Print the table that the command line asks for.

    Parameters
    ----------
    makers, of_shafts : dict
        Contenders by name, for one diameter and for shafts.
    several : Bench
        Of the shafts.
    """
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--set", choices=("tuning", "gate", "judging"), default="tuning")
    parser.add_argument("--law", choices=("own", "other"), default="own")
    parser.add_argument("--seats", default="", help="shafts with so many diameters, or any")
    parser.add_argument("--kind", help="only shafts of this kind")
    parser.add_argument("--quiet", action="store_true", help="shafts that ask for no act")
    parser.add_argument("--scenes", type=int, default=12)
    parser.add_argument("--parts", type=int, default=600)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--contenders", nargs="+", default=["adviser"])
    parser.add_argument("--cache", type=Path)
    asked = parser.parse_args()
    seed = {"tuning": TUNING_SET, "gate": GATE_SET, "judging": judging_seed()}[asked.set]
    print(f"set {asked.set}, seed {seed}, law {asked.law}")
    chosen: Sequence[Any] = scenes(asked.scenes, seed, asked.law)
    known, bench = makers, ONE_DIAMETER
    if asked.seats or asked.quiet or asked.kind:
        count = None if asked.seats in ("", "any") else int(asked.seats)
        chosen = shafts(asked.scenes, seed, count, asked.law)
        chosen = [quiet(s) if asked.quiet else s for s in chosen]
        chosen = [s for s in chosen if asked.kind in (None, s.kind)]
        known, bench = of_shafts, several
    if unknown := sorted(set(asked.contenders) - set(known)):
        parser.error(f"no contender {', '.join(unknown)}; there are {', '.join(sorted(known))}")
    picked = {name: known[name] for name in asked.contenders}
    runs = list(range(1, asked.seeds + 1))
    for scored in score(chosen, runs, asked.parts, picked, asked.cache, bench):
        print(scored)
