"""Drawn shafts, their machine and the rule of thumb for several seats."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr

from tests.bench.families import TUNING_SET, scenes
from tests.bench.full_knowledge import cost_of_full_knowledge as of_diameter
from tests.bench.machine import Machine, Noise
from tests.bench.rules_of_thumb import Rules
from tests.bench.shaft_contend import ShaftByContract, plan_of
from tests.bench.shaft_contend import play as steer
from tests.bench.shaft_full import Ahead, _best_move
from tests.bench.shaft_full import cost_of_full_knowledge as of_shaft
from tests.bench.shaft_machine import ShaftMachine, ShaftNoise
from tests.bench.shaft_rules import _away, _change, cost_of_tuned, play, tuned
from tests.bench.shafts import KINDS, Seat, Shaft, quiet, shafts

approx = pytest.approx
STILL = replace(
    scenes(1, TUNING_SET)[0], half_width=8.0, part_sd=1.0, life=50.0, life_log_sd=0.0, wear=10.0,
    wear_log_sd=0.0, growth=0.0, dulling=0.0, settling=0.0, setup_sd=0.0, dress_sd=0.0,
    walk_sd=0.0, step_rate=0.0, warm_up=0.0, odd_rate=0.0, clears=True, offset_step=0.5,
)  # fmt: skip


def shaft(*seats: Seat, together: float = 0.3) -> Shaft:
    return Shaft(STILL, "alike", seats, together, told=True)


def test_the_same_seed_draws_the_same_shafts():
    assert shafts(4, 5, 3) == shafts(4, 5, 3)
    assert shafts(4, 5, 3) != shafts(4, 6, 3)
    assert {len(s.seats) for s in shafts(60, 5)} == {1, 2, 3, 4}


def test_every_kind_comes_and_shows_its_trait():
    many = shafts(200, TUNING_SET, 3)
    by_kind = {kind: [s for s in many if s.kind == kind] for kind in KINDS}

    assert all(len(drawn) > 8 for drawn in by_kind.values())
    assert all(s.registers in (2, 3) for s in by_kind["own registers"])
    assert all(any(seat.drift for seat in s.seats) for s in by_kind["one drifts"])
    assert all(s.scene.warm_up > 0 for s in by_kind["warm-ups"])
    assert all(len({seat.every for seat in s.seats}) == 2 for s in by_kind["one seldom read"])
    assert all(s.registers == 1 and len(set(s.seats)) == 1 for s in by_kind["alike"])


def test_one_seat_costs_what_one_diameter_costs():
    one, shape = shaft(Seat(8.0)), np.array([0])
    alone, among = Machine(Noise(STILL, [1], 60), shape), ShaftMachine(
        ShaftNoise(one, [1], 60), shape
    )  # fmt: skip
    for k in range(60):
        alone.part()
        among.part()
        if k == 20:
            alone.offset(np.array([-2.0]), np.array([True]))
            among.offset(np.array([[-2.0]]), np.array([[True]]))
        if k == 40:
            alone.dress(np.array([True]))
            among.dress(np.array([True]))

    assert among.level[0, 0] == approx(alone.level[0])
    assert among.cost[0] == approx(alone.cost[0], rel=1e-6)


@pytest.mark.parametrize("together", [0.0, 0.6])
def test_a_part_is_charged_once_however_many_seats_are_out(together):
    three = shaft(Seat(3.0), Seat(2.0), Seat(2.5), together=together)
    machine = ShaftMachine(ShaftNoise(three, [1], 2), np.array([0]))
    level = np.array([[-1.5, 0.5, 1.0]])
    rng = np.random.default_rng(1)
    common, own = rng.standard_normal((400_000, 1)), rng.standard_normal((400_000, 3))
    size = level + np.sqrt(together) * common + np.sqrt(1 - together) * own
    low = (size < -machine.half).any(axis=1)
    high = ~low & (size > machine.half).any(axis=1)

    below, above = machine._outside(level, np.ones(1))
    assert below[0] == approx(low.mean(), abs=0.002)
    assert above[0] == approx(high.mean(), abs=0.002)
    square = ((level**2 + 1) / machine.half**2).sum()
    assert machine.loss(level, np.ones(1))[0] == approx(
        STILL.scrap * below[0] + STILL.rework * above[0] + STILL.off_target * square
    )


def test_the_noise_of_two_seats_is_as_much_in_common_as_told():
    two = shaft(Seat(8.0), Seat(8.0), together=0.6)
    part = ShaftNoise(two, list(range(40)), 500).part.reshape(-1, 2)

    assert np.corrcoef(part.T)[0, 1] == approx(0.6, abs=0.02)
    assert part.std(axis=0) == approx(1.0, abs=0.02)


def test_seats_move_with_their_register_and_wear_by_their_share():
    three = shaft(Seat(8.0, share=1.5), Seat(8.0), Seat(8.0, register=1))
    machine = ShaftMachine(ShaftNoise(three, [1], 30), np.array([0]))
    machine.offset(np.array([[-2.0, 3.0]]), np.array([[True, True]]))
    for _ in range(25):
        machine.part()

    assert machine.level[0] == approx([7.5 - 2, 5 - 2, 5 + 3])
    assert machine.offsets[0] == 2
    assert ndtr(-8.0) < machine.out[0] < 25


def test_a_seat_drifts_by_itself_through_a_dress():
    two = shaft(Seat(8.0), Seat(8.0, drift=4.0, drift_parts=20.0))
    machine = ShaftMachine(ShaftNoise(two, [1], 40), np.array([0]))
    for _ in range(20):
        machine.part()
    machine.dress(np.array([True]))
    machine.part()

    assert machine.level[0] == approx([0.2, 0.2 + 4 * -np.expm1(-21 / 20)])


def test_a_register_aims_at_the_middle_of_the_room_its_seats_leave():
    # Seat 1 may fall by 5 and rise by 1, seat 2 may fall by 6 and rise by 14; seat 3 is alone.
    value, half = np.array([[2.0, -4.0, 1.5]]), np.array([3.0, 10.0, 2.0])
    away = _away(value, [np.array([0, 1]), np.array([2])], half)

    assert away[0] == approx([(5 - 1) / 2, 1.5])


def test_the_rule_keeps_a_wearing_shaft_inside_where_nothing_done_does_not():
    three = shaft(Seat(8.0), Seat(8.0, share=1.2), Seat(6.0, register=1))
    noise = ShaftNoise(three, [1], 120)
    rule, _ = tuned(three, 120)
    never = Rules(np.array([1e9]), np.array([1.0]), np.array([99.0]))

    kept, left = (play(r, noise, np.array([0])) for r in (rule, never))
    assert kept.out[0] < 1 < left.out[0]
    assert kept.cost[0] < left.cost[0] / 3


def test_a_quiet_shaft_stays_where_it_was_set():
    calm = [quiet(s) for s in shafts(3, TUNING_SET, 3)]
    for s in calm:
        machine = ShaftMachine(ShaftNoise(s, [1, 2], 500), np.array([0, 1]))
        # Where the dress left it: no dress comes any more.
        first = machine.seat_base - machine.noise.own[:, 0]
        for _ in range(500):
            machine.part()
        assert np.abs(machine.level - first).max() < 0.4 * s.scene.part_sd
        assert machine.half.min() >= 5 * s.scene.part_sd


def test_full_knowledge_of_one_seat_costs_what_it_costs_of_one_diameter():
    scene = replace(scenes(4, TUNING_SET)[3], setup_sd=0.0)
    one = Shaft(scene, "alike", (Seat(scene.half_width),), 0.0, told=True)

    assert of_shaft(one, [1, 2], 100).mean() == approx(
        of_diameter(scene, [1, 2], 100).mean(), rel=0.1
    )


@pytest.mark.parametrize("k", [4, 5])
def test_full_knowledge_is_cheaper_than_the_rule_of_thumb(k):
    drawn = shafts(k + 1, TUNING_SET, 3)[k]

    assert of_shaft(drawn, [1, 2], 60).mean() < cost_of_tuned(drawn, [1, 2], 60)[0].mean()


def test_full_knowledge_sets_a_quiet_shaft_well_though_its_step_is_coarse():
    calm = quiet(shafts(1, TUNING_SET, 3)[0])

    assert calm.scene.offset_step > calm.scene.half_width / 4
    assert of_shaft(calm, [1, 2], 80).mean() < cost_of_tuned(calm, [1, 2], 80)[0].mean()


@pytest.mark.parametrize("step", [0.07, 0.5])  # below a cell, and above
def test_whole_moves_from_where_a_register_stands_end_on_levels_of_the_grid(step):
    drawn = shaft(Seat(8.0, walk_sd=0.1), Seat(6.0, register=1))
    machine = ShaftMachine(
        ShaftNoise(replace(drawn, scene=replace(STILL, offset_step=step)), [1], 9), np.array([0])
    )
    stand = np.array([0.123, -1.0])
    ahead = Ahead(machine, 0, machine.own[0], np.zeros((9, 2)), 0.0, stand)

    for block, register in ((0, 0), (30, 1)):
        levels = (ahead.levels(block, register) - stand[register]) / step
        moves = levels if step < 0.1 else levels[np.arange(len(levels)) % ahead.move == 0]
        assert (moves - moves[0]) == approx(np.round(moves - moves[0]), abs=1e-9)
        assert np.abs(levels).min() == approx(0, abs=1e-9)


def test_a_move_leads_to_every_level_a_whole_number_of_steps_away():
    # Every third of eight levels: the first, fourth and seventh belong together.
    keep = np.array([[5.0, 2.0, 9.0, 4.0, 8.0, 1.0, 7.0, 6.0]])

    assert _best_move(keep, 3).tolist() == [[4, 2, 1, 4, 2, 1, 4, 2]]


def test_an_adviser_is_told_of_every_seat_by_contract():
    drawn = shafts(3, TUNING_SET, 3)[0]
    plan = plan_of(drawn)
    played = steer(drawn, [1], 12, lambda: ShaftByContract(drawn))

    assert [f.name for f in plan.features] == ["seat 1", "seat 2", "seat 3"]
    assert plan.lead.name == "seat 1"
    assert played.cost.shape == (1,)
    assert played.cost[0] > 0


def test_a_seat_that_was_not_read_is_taken_along_with_those_that_were():
    seen = np.array([[1.0, 3.0, 50.0], [0.0, 0.0, 0.0]])
    read = np.array([[True, True, False], [False, False, False]])

    assert _change(seen, read) == approx(np.array([[1.0, 3.0, 2.0], [0.0, 0.0, 0.0]]))
