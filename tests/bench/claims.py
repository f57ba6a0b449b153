"""
Whether "parts left" is kept: ``python -m tests.bench.claims --set tuning --scenes 16 --seats 3``.

A contender steers drawn shafts. Whenever it has done all that it advises and claims how many parts
are left, copies of the machine run on without any act, and the first part is found that is out with
the probability the claim is about. A part's probability is the mean over the copies, each given its
true levels: what is random is the walk from there on. No pause comes.
"""

import argparse
from dataclasses import dataclass
from typing import Any

import numpy as np

from spc.adviser.forecast import CHANCE, FARTHEST
from tests.bench.families import GATE_SET, TUNING_SET, judging_seed
from tests.bench.machine import Floats
from tests.bench.shaft_contend import SHAFT_MAKERS, ShaftByContract, play
from tests.bench.shaft_machine import ShaftMachine
from tests.bench.shafts import Shaft, quiet, shafts

#: Copies of the machine that run on.
COPIES = 100
#: Claims of one run are at least so many parts apart.
APART = 8
#: Of the few parts read, within which an adviser hardly knows its process.
FEW = 20
#: Ages of a wheel that are told apart. [parts]
YOUNG, OLD = 20, 100
#: What is hoped for: a claim kept this often, and a part at the end of `low` out this often.
TARGETS = "low kept 88 to 94 %, middle 45 to 55 %, out at the end of low 0.3 to 0.8 %"


@dataclass(frozen=True)
class Claim:
    """One claim, and what came of it."""

    run: str
    kind: str
    age: int  # of the wheel, parts
    read: int  # parts read before
    low: int
    middle: int
    high: int
    true: int  # parts that were left
    out: float  # probability of the last part of `low`


def chance_ahead(machine: ShaftMachine, lane: int, rng: np.random.Generator) -> Floats:
    """
    Probability that each of the coming parts is out if nothing is done.

    Parameters
    ----------
    machine : ShaftMachine
        As it stands.
    lane : int
        Which run of it.
    rng : numpy.random.Generator
        Of the walks.

    Returns
    -------
    ndarray, shape (FARTHEST,)
        Mean over the copies.
    """
    one = machine.alone(lane)
    scene, seats, made = one.scene, one.shaft.seats, one.made
    ahead = np.arange(1, FARTHEST + 1)
    worn, settled, grown, sd = one.wheel(one.age + ahead, one.cycle)
    chill = scene.warm_up * one._chill(one.cold * np.exp(-ahead / scene.warm_parts))
    lag, far, own_sd = (
        np.array([getattr(seat, name) for seat in seats])
        for name in ("drift_parts", "drift", "walk_sd")
    )
    drift = (np.exp(-made / lag) - np.exp(-(made + ahead[:, None]) / lag)) * far
    path = one.seat_base + (settled - chill)[:, None] + drift
    path = path + (worn + grown)[:, None] * one.share
    common = scene.walk_sd * rng.standard_normal((COPIES, FARTHEST))
    steps = rng.random(common.shape) < scene.step_rate
    common += steps * rng.standard_normal(common.shape) * scene.step_sd
    own = own_sd * rng.standard_normal((COPIES, FARTHEST, len(seats)))
    level = path + np.cumsum(common[..., None] + own, axis=1)
    return one.outside(level, np.broadcast_to(sd, common.shape)).mean(axis=0)


class Watch:
    """Takes the claims of one run down, and what comes of each."""

    def __init__(self, shaft: Shaft) -> None:
        self.shaft = shaft
        self.claims: list[Claim] = []
        self._read: dict[int, int] = {}  # parts, of each lane
        self._asked: dict[int, int] = {}  # part number of the last claim

    def __call__(self, one: ShaftByContract, machine: ShaftMachine, lane: int) -> None:
        read = self._read[lane] = self._read.get(lane, 0) + 1
        if machine.made - self._asked.get(lane, -APART) < APART:
            return
        left = one.advisor.advise().parts_left
        if left is None:
            return
        self._asked[lane] = machine.made
        chance = chance_ahead(machine, lane, np.random.default_rng((lane, machine.made)))
        out = chance > CHANCE
        self.claims.append(
            Claim(
                run=f"{self.shaft.name}/{lane}",
                kind=self.shaft.kind,
                age=int(machine.age[lane]),
                read=read,
                low=left.low,
                middle=left.middle,
                high=left.high,
                true=int(out.argmax()) if out.any() else FARTHEST,
                out=float(chance[max(left.low, 1) - 1]),
            )
        )


@dataclass(frozen=True)
class Kept:
    """How often claims were kept; one as far as is looked ahead is left out of its share."""

    name: str
    claims: list[Claim]

    def __str__(self) -> str:
        low = [c for c in self.claims if c.low < FARTHEST]
        middle = [c for c in self.claims if c.middle < FARTHEST]
        far = [c for c in self.claims if c.low >= FARTHEST]
        # A middle that is hit is as often too long as too short.
        halves = [(c.true > c.middle) + 0.5 * (c.true == c.middle) for c in middle]
        return (
            f"{self.name:16s} {len(self.claims):5d} claims in {_runs(self.claims):3d} runs: low "
            f"kept {_share([c.true >= c.low for c in low], low)}, middle "
            f"{_share(halves, middle)}, high {_share([c.true > c.high for c in middle], middle)}; "
            f"out at the end of low {_share([c.out for c in self.claims], self.claims, 2)}, "
            f"median low {np.median([c.low for c in self.claims] or [np.nan]):.0f}; "
            f"low {FARTHEST} in {len(far)}, kept {_share([c.true >= c.low for c in far], far)}"
        )


def _runs(claims: list[Claim]) -> int:
    return len({claim.run for claim in claims})


def _share(kept: list[Any], claims: list[Claim], digits: int = 0) -> str:
    """Mean with its standard error, claims of one run taken as one. [%]"""
    if not claims:
        return "-"
    values, runs = np.array(kept, dtype=float), np.array([claim.run for claim in claims])
    sums = [(values[runs == run] - values.mean()).sum() for run in sorted(set(runs))]
    error = np.sqrt(np.sum(np.square(sums))) / len(values)
    return f"{100 * values.mean():.{digits}f} ± {100 * error:.{digits}f} %"


def groups(claims: list[Claim]) -> list[Kept]:
    """All claims, by age of the wheel, by parts read, and by kind of shaft."""
    parts = {
        "all": lambda c: True,
        f"age < {YOUNG}": lambda c: c.age < YOUNG,
        f"age {YOUNG} to {OLD}": lambda c: YOUNG <= c.age <= OLD,
        f"age > {OLD}": lambda c: c.age > OLD,
        f"< {FEW} read": lambda c: c.read < FEW,
        f"{FEW} read or more": lambda c: c.read >= FEW,
    }
    chosen = [Kept(name, [c for c in claims if of(c)]) for name, of in parts.items()]
    kinds = sorted({c.kind for c in claims})
    return chosen + [Kept(kind, [c for c in claims if c.kind == kind]) for kind in kinds]


def claims_of(chosen: list[Shaft], seeds: list[int], parts: int, who: str) -> list[Claim]:
    """Claims of a contender on every shaft and seed."""
    made = []
    for shaft in chosen:
        watch = Watch(shaft)
        play(shaft, seeds, parts, lambda s=shaft: SHAFT_MAKERS[who](s), watch)
        made += watch.claims
        print(Kept(shaft.name, watch.claims), flush=True)
    return made


def main() -> None:
    """Print the table that the command line asks for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--set", choices=("tuning", "gate", "judging"), default="tuning")
    parser.add_argument("--seats", default="any", help="diameters, or any number of them")
    parser.add_argument("--quiet", action="store_true")
    parser.add_argument("--scenes", type=int, default=16)
    parser.add_argument("--parts", type=int, default=300)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--contender", default="adviser")
    asked = parser.parse_args()
    seed = {"tuning": TUNING_SET, "gate": GATE_SET, "judging": judging_seed()}[asked.set]
    print(f"set {asked.set}, seed {seed}; {TARGETS}")
    count = None if asked.seats == "any" else int(asked.seats)
    chosen = shafts(asked.scenes, seed, count)
    chosen = [quiet(s) if asked.quiet else s for s in chosen]
    runs = list(range(1, asked.seeds + 1))
    for kept in groups(claims_of(chosen, runs, asked.parts, asked.contender)):
        print(kept)


if __name__ == "__main__":
    main()
