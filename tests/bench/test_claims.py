"""Whether claims of parts left are judged by what comes of them."""

from dataclasses import replace

import numpy as np
import pytest

from spc.adviser.forecast import CHANCE, FARTHEST
from tests.bench.claims import Claim, Kept, Watch, chance_ahead, groups
from tests.bench.families import TUNING_SET
from tests.bench.shaft_contend import ShaftByContract, play
from tests.bench.shaft_machine import ShaftMachine, ShaftNoise
from tests.bench.shafts import Shaft, shafts

approx = pytest.approx


def without_chance(shaft: Shaft) -> Shaft:
    scene = replace(shaft.scene, walk_sd=0.0, step_rate=0.0, pause_every=1e12)
    return replace(
        shaft, scene=scene, seats=tuple(replace(seat, walk_sd=0.0) for seat in shaft.seats)
    )


@pytest.mark.parametrize("kind", ["one drifts", "warm-ups", "own registers"])
def test_a_copy_runs_on_as_the_machine_does_when_nobody_acts(kind):
    drawn = next(s for s in shafts(40, TUNING_SET, 3) if s.kind == kind)
    near = [replace(seat, half_width=4 * drawn.scene.part_sd) for seat in drawn.seats]
    noise = ShaftNoise(without_chance(replace(drawn, seats=tuple(near))), [1, 2], 40 + FARTHEST)
    machine = ShaftMachine(noise, np.array([0, 1]))
    for k in range(40):
        machine.part()
        if k == 10:
            machine.dress(np.array([False, True]))
        if k == 20:
            machine.offset(np.full((2, drawn.registers), -1.0), np.array([[True], [False]]))
    foretold = [chance_ahead(machine, lane, np.random.default_rng(1)) for lane in (0, 1)]
    came = []
    for _ in range(FARTHEST):
        machine.part()
        came.append(machine.outside(machine.level, machine.sd))

    assert np.array(foretold) == approx(np.array(came).T, rel=1e-6, abs=1e-12)
    assert np.max(came) > CHANCE


def test_walks_make_parts_ahead_less_sure():
    drawn = shafts(1, TUNING_SET, 3)[0]
    still = without_chance(drawn)
    walks = replace(still, scene=replace(still.scene, wear=0.0, growth=0.0, walk_sd=0.4))
    calm = replace(walks, scene=replace(walks.scene, walk_sd=0.0))
    ahead = []
    for shaft in (walks, calm):
        machine = ShaftMachine(ShaftNoise(shaft, [1], 30), np.array([0]))
        for _ in range(5):
            machine.part()
        ahead.append(chance_ahead(machine, 0, np.random.default_rng(1)))

    assert ahead[0][-1] > 2 * ahead[1][-1]


def claim(run: str, low: int, middle: int, true: int, out: float = 0.004) -> Claim:
    return Claim(run, "alike", 30, 12, low, middle, 2 * middle, true, out)


def test_a_claim_is_kept_when_as_many_parts_were_left():
    claims = [claim("a", 10, 20, 10), claim("a", 10, 20, 9), claim("b", 5, 30, 40)]
    claims.append(claim("b", FARTHEST, FARTHEST, 150, out=0.02))
    told = str(Kept("all", claims))

    assert "low kept 67" in told  # the one as far as is looked ahead counts apart
    assert "middle 33" in told
    assert "low 200 in 1, kept 0" in told
    assert "out at the end of low 0.80" in told


def test_claims_are_grouped_by_age_by_parts_read_and_by_kind():
    names = [kept.name for kept in groups([claim("a", 10, 20, 10)])]

    assert names == [
        "all", "age < 20", "age 20 to 100", "age > 100", "< 20 read", "20 read or more", "alike",
    ]  # fmt: skip
    assert [len(kept.claims) for kept in groups([claim("a", 10, 20, 10)])] == [1, 0, 1, 0, 1, 0, 1]


def test_the_claims_of_an_adviser_are_taken_down_as_it_steers():
    drawn = next(s for s in shafts(40, TUNING_SET, 2) if s.scene.every == 1)
    watch = Watch(drawn)
    play(drawn, [1, 2], 20, lambda: ShaftByContract(drawn), watch)

    assert len(watch.claims) >= 3
    assert {c.run for c in watch.claims} == {f"{drawn.name}/0", f"{drawn.name}/1"}
    assert all(c.low <= c.middle <= c.high for c in watch.claims)
    assert all(0 <= c.out <= 1 for c in watch.claims)
