"""
How much of the gap a policy leaves on processes it was not made for.

``python -m spc.simulate.unseen --scenes 1-12 --parts 1500`` prints the table: cost per part of the
adviser, of a reference with full knowledge, and of the best rule of thumb tuned to each scene.
"""

import argparse
import hashlib
import json
import math
import tempfile
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spc.plan import Plan
from spc.simulate import play as play_module
from spc.simulate import policies, reference, strange
from spc.simulate.play import settle
from spc.simulate.policies import BeyondShare, ControlChart, EveryReading, FirstOff, Policy
from spc.simulate.reference import BestActs
from spc.simulate.strange import Strange, StrangeGrinder, drawn

#: Scenes to tune on and scenes to judge by, and the seeds of each. Never mix them.
TUNING_SCENES = tuple(range(1, 13))
JUDGING_SCENES = tuple(range(101, 113))
TUNING_SEEDS = (1, 2, 3)
JUDGING_SEEDS = tuple(range(7001, 7007))
#: Seeds the rules of thumb and the reference are tuned with.
_OWN_SEEDS = (501, 502, 503)

Factory = Callable[[Strange], Policy]


@dataclass(frozen=True)
class Played:
    """One policy on one scene and seed."""

    cost: float  # per part
    costs: dict[str, float]  # per part, line by line
    out: float  # share of parts outside the limits
    acts: dict[str, float]  # answers per part


@dataclass(frozen=True)
class SceneScore:
    """One scene: cost per part of the policy between reference and best rule of thumb."""

    scene: str
    cost: float
    error: float  # standard error of the mean over seeds
    reference: float
    classical: float
    classical_name: str
    against_classical: float  # mean paired difference, policy minus classical
    against_error: float
    out: float
    acts: dict[str, float]

    @property
    def share(self) -> float:
        """Share of the gap left: 0 like the reference, 1 like the best rule of thumb."""
        return (self.cost - self.reference) / (self.classical - self.reference)


def plan_of(scene: Strange, *, times_habit: float | None = None) -> Plan:
    """
    The plan a shop would write for a scene: what it knows, and no truth of the wheel.

    Parameters
    ----------
    scene : Strange
        The process.
    times_habit : float, optional
        A plan that knows less of the wheel: a habit so many times what it is, 0 for none, and no
        limit.
    """
    tolerance = scene.tolerance_um
    wheel: dict[str, object] = {"parts_per_dress": scene.habit}
    if scene.most:
        wheel["max_parts_per_dress"] = scene.most
    if times_habit is not None:
        wheel = {"parts_per_dress": round(times_habit * scene.habit)} if times_habit else {}
    table: dict[str, object] = {
        "job": {"part": "Invented ring", "minutes_per_part": scene.cycle_min},
        "feature": [
            {
                "name": "size", "kind": "bore" if scene.bore else "diameter", "nominal": 40.0,
                "unit": "mm", "upper": tolerance / 1000, "lower": -tolerance / 1000, "lead": True,
                "gauge_sd_um": 0.3, "gauge_step_um": scene.gauge_step_um, "sample": scene.every,
            }
        ],
        "machine": {
            "offset_step_um": scene.offset_step_um, "dress_resets_size": True,
            "dress_clears_offsets": True,
        },
        "wheel": wheel,
        "cost": {
            "scrap": scene.scrap, "rework": scene.rework, "dress": scene.dress,
            "offset": scene.offset, "measure": scene.measure, "off_target": scene.off_target,
            "machine_minute": scene.machine_minute,
        },
    }  # fmt: skip
    return Plan.model_validate(table)


def adviser(scene: Strange, *, times_habit: float | None = None) -> Policy:
    """The adviser of the wheel room, told the plan of a scene; `times_habit` as for `plan_of`."""
    plan = plan_of(scene, times_habit=times_habit)
    made: Policy = import_module("spc.study").advisor_for(plan)
    return made


def play(
    scene: Strange,
    seed: int,
    parts: int,
    policy: Policy,
    *,
    watch: Callable[[Policy, StrangeGrinder], None] | None = None,
    silent: bool = False,
) -> Played:
    """
    A policy on one scene: readings on the schedule, an answer after each.

    Parameters
    ----------
    scene : Strange
        The process.
    seed : int
        The run.
    parts : int
        Ground in all.
    policy : Policy
        Fresh.
    watch : callable, optional
        ``watch(policy, machine)`` after every reading, before anything is done about it.
    silent : bool
        See `settle`.
    """
    machine = StrangeGrinder(scene, seed)
    done: Counter[str] = Counter()

    def reread() -> None:
        policy.reading("size", machine.measure(), again=True)

    for k in range(parts):
        minutes = _pause_before(scene, k)
        if minutes:
            machine.pause(minutes)
            policy.event("pause", minutes=minutes)
        machine.part()
        policy.part(minute=machine.minute)
        if k % scene.every == 0:
            policy.reading("size", machine.measure())
            if watch:
                watch(policy, machine)
            settle(policy, machine, reread, done, silent=silent)
    return _played(machine, parts, done)


def play_reference(scene: Strange, seed: int, parts: int, rate: float) -> Played:
    """Full knowledge on one scene: the true level and the cycle's own curve, without readings."""
    machine = StrangeGrinder(scene, seed)
    done: Counter[str] = Counter()
    horizon = round(2.2 * scene.life_parts)
    best: BestActs | None = None
    start = 0
    for k in range(parts):
        minutes = _pause_before(scene, k)
        if minutes:
            machine.pause(minutes)
        if best is None or minutes:
            best, start = _best(machine, horizon, rate), machine.since_dress
        act, move = best.act(machine.since_dress - start, machine.now_um)
        if act == "dress" and machine.since_dress > 0:
            machine.dress()
            done["dress"] += 1
            best, start = _best(machine, horizon, rate), 0
            act, move = best.act(0, machine.now_um)
        if act == "offset" and machine.offset(move):
            done["offset"] += 1
        machine.part()
    return _played(machine, parts, done)


def _best(machine: StrangeGrinder, horizon: int, rate: float) -> BestActs:
    scene = machine.scene
    return BestActs(machine.outlook(horizon), scene.stakes, scene.tolerance_um, rate=rate)


def _pause_before(scene: Strange, made: int) -> float:
    """A night after 400 parts and breaks within the day, where heat plays a part. [min]"""
    if made == 0 or scene.warm_up_um == 0:
        return 0.0
    return {0: 480.0, 130: 20.0, 260: 40.0}.get(made % 400, 0.0)


def _played(machine: StrangeGrinder, parts: int, done: Counter[str]) -> Played:
    return Played(
        cost=machine.cost / parts,
        costs={line: money / parts for line, money in machine.costs.items()},
        out=machine.out / parts,
        acts={act: count / parts for act, count in done.items()},
    )


def rules_of_thumb(scene: Strange) -> dict[str, Callable[[], Policy]]:
    """Every classical policy with every setting it may be tuned to, by name."""
    sigma = math.hypot(scene.part_sd_um, scene.gauge_sd_um)
    made: dict[str, Callable[[], Policy]] = {}
    for share in (0.4, 0.55, 0.7, 0.85, 1.0, 1.2):
        count = max(round(share * scene.life_parts), scene.every)
        rest: dict[str, Any] = {
            "dress_after": count, "every": scene.every, "clears": True,
            "recheck_um": scene.tolerance_um,
        }  # fmt: skip
        made[f"first off, dress {count}"] = partial(FirstOff, **rest)
        made[f"every reading, dress {count}"] = partial(EveryReading, **rest)
        made[f"chart, dress {count}"] = partial(ControlChart, sigma_um=sigma, **rest)
        for part in (0.3, 0.4, 0.5, 0.6):
            beyond = part * scene.tolerance_um
            name = f"beyond {part:.0%}, dress {count}"
            made[name] = partial(BeyondShare, beyond_um=beyond, **rest)
    return made


@dataclass(frozen=True)
class Baselines:
    """Reference and best rule of thumb of one scene on the judging seeds, cost per part."""

    rate: float
    reference: list[float]
    classical: list[float]
    classical_name: str


def baselines(scene: Strange, seeds: Sequence[int], parts: int) -> Baselines:
    """Reference and rules of thumb, tuned on seeds of their own and played on `seeds`."""
    rate = 0.1
    for _ in range(2):  # the reference hardly hangs on its rate
        costs = [play_reference(scene, seed, parts, rate).cost for seed in _OWN_SEEDS[:2]]
        rate = float(np.mean(costs))
    rules = rules_of_thumb(scene)
    means = {
        name: np.mean([play(scene, seed, parts, rule()).cost for seed in _OWN_SEEDS])
        for name, rule in rules.items()
    }
    best = min(means, key=lambda name: means[name])
    return Baselines(
        rate=rate,
        reference=[play_reference(scene, seed, parts, rate).cost for seed in seeds],
        classical=[play(scene, seed, parts, rules[best]()).cost for seed in seeds],
        classical_name=best,
    )


def _cached_baselines(scene: Strange, seeds: Sequence[int], parts: int, cache: Path) -> Baselines:
    # The key holds the code the figures come from, so that a stale figure is never read.
    sources = [Path(str(one.__file__)) for one in (strange, reference, policies, play_module)]
    code = b"".join(source.read_bytes() for source in (*sources, Path(__file__)))
    words = repr((asdict(scene), list(seeds), parts, _OWN_SEEDS, hashlib.sha256(code).hexdigest()))
    path = cache / f"{hashlib.sha256(words.encode()).hexdigest()[:24]}.json"
    if path.exists():
        return Baselines(**json.loads(path.read_text(encoding="utf-8")))
    made = baselines(scene, seeds, parts)
    cache.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(asdict(made)), encoding="utf-8")
    return made


def score_scene(
    factory: Factory, scene: Strange, seeds: Sequence[int], parts: int, cache: Path
) -> SceneScore:
    """One scene: the policy on every seed, beside its baselines."""
    base = _cached_baselines(scene, seeds, parts, cache)
    played = [play(scene, seed, parts, factory(scene)) for seed in seeds]
    costs = np.array([one.cost for one in played])
    against = costs - np.array(base.classical)
    names = sorted({act for one in played for act in one.acts})
    return SceneScore(
        scene=scene.name,
        cost=float(costs.mean()),
        error=_standard_error(costs),
        reference=float(np.mean(base.reference)),
        classical=float(np.mean(base.classical)),
        classical_name=base.classical_name,
        against_classical=float(against.mean()),
        against_error=_standard_error(against),
        out=float(np.mean([one.out for one in played])),
        acts={n: float(np.mean([one.acts.get(n, 0.0) for one in played])) for n in names},
    )


def _standard_error(values: NDArray[np.float64]) -> float:
    return float(values.std(ddof=1) / math.sqrt(len(values))) if len(values) > 1 else math.nan


def score_unseen(
    factory: Factory = adviser,
    scenes: Iterable[int | Strange] = TUNING_SCENES,
    seeds: Sequence[int] = TUNING_SEEDS,
    parts: int = 1500,
    *,
    workers: int = 1,
    cache: Path | None = None,
    progress: Callable[[SceneScore], None] | None = None,
) -> list[SceneScore]:
    """
    A policy on scenes of the second family.

    Parameters
    ----------
    factory : callable
        ``factory(scene)``: a fresh policy; a function of a module when `workers` is above 1.
    scenes : iterable of int or Strange
        Numbers of `drawn` scenes, or scenes.
    seeds : sequence of int
        Runs of each scene.
    parts : int
        Of each run.
    workers : int
        Processes.
    cache : Path, optional
        Folder for the baselines, which are slow and do not depend on the policy.
    progress : callable, optional
        Called with every scene as it is done.
    """
    folder = cache or Path(tempfile.gettempdir()) / "spc_unseen_baselines"
    made = [drawn(scene) if isinstance(scene, int) else scene for scene in scenes]
    jobs = [(factory, scene, tuple(seeds), parts, folder) for scene in made]
    if workers == 1:
        return _gathered((score_scene(*job) for job in jobs), progress)
    with ProcessPoolExecutor(workers) as pool:
        return _gathered(pool.map(score_scene, *zip(*jobs, strict=True)), progress)


def _gathered(
    results: Iterable[SceneScore], progress: Callable[[SceneScore], None] | None
) -> list[SceneScore]:
    scores = []
    for score in results:
        scores.append(score)
        if progress:
            progress(score)
    return scores


def share_of_gap(scores: Sequence[SceneScore]) -> float:
    """Share of the gap left over all scenes: 0 like the reference, 1 like the rules of thumb."""
    cost, reference, classical = np.array(
        [(score.cost, score.reference, score.classical) for score in scores]
    ).mean(axis=0)
    return float((cost - reference) / (classical - reference))


def line(score: SceneScore) -> str:
    """One scene as a line of the table."""
    acts = " ".join(
        f"{name} {100 * share:.1f}" for name, share in score.acts.items() if name != "grind_on"
    )
    return (
        f"{score.scene:16s} {score.cost:.4f} ±{score.error:.4f}  reference {score.reference:.4f}  "
        f"classical {score.classical:.4f} ({score.classical_name})  share {score.share:5.2f}  "
        f"vs classical {score.against_classical:+.4f} ±{score.against_error:.4f}  "
        f"out {100 * score.out:.2f} %  per 100 parts: {acts}"
    )


def _numbers(text: str) -> list[int]:
    first, _, last = text.partition("-")
    return list(range(int(first), int(last or first) + 1))


def main() -> None:
    """Print the table of the adviser, or of ``module:function`` given as policy."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--scenes", default="1-12", help="numbers, such as 1-12")
    options.add_argument("--seeds", default="1-3", help="numbers, such as 1-3")
    options.add_argument("--parts", type=int, default=1500)
    options.add_argument("--workers", type=int, default=1)
    options.add_argument("--policy", help="module:function, for the adviser")
    options.add_argument(
        "--times-habit", type=float, help="wrong habit told to the adviser, 0 for none"
    )
    given = options.parse_args()
    factory: Factory = partial(adviser, times_habit=given.times_habit)
    if given.policy:
        module, _, function = given.policy.partition(":")
        factory = getattr(import_module(module), function)
    scores = score_unseen(
        factory,
        _numbers(given.scenes),
        _numbers(given.seeds),
        given.parts,
        workers=given.workers,
        progress=lambda score: print(line(score), flush=True),
    )
    means = np.array([(s.cost, s.reference, s.classical) for s in scores]).mean(axis=0)
    print(
        f"all: cost {means[0]:.4f}, reference {means[1]:.4f}, classical {means[2]:.4f}, "
        f"share of the gap {share_of_gap(scores):.3f}; worse than classical in "
        f"{sum(s.against_classical > 0 for s in scores)} of {len(scores)}"
    )


if __name__ == "__main__":
    main()
