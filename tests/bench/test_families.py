"""Drawn scenes, their machine and the rules of thumb that everybody is held against."""

from dataclasses import replace

import numpy as np
import pytest

from tests.bench.families import GATE_SET, TUNING_SET, scenes
from tests.bench.machine import Machine, Noise
from tests.bench.rules_of_thumb import TUNING_SEEDS, Rules, all_rules, play, tuned

approx = pytest.approx
LINE = replace(
    scenes(1, TUNING_SET)[0], half_width=8.0, part_sd=1.0, life=50.0, life_log_sd=0.0, wear=10.0,
    wear_log_sd=0.0, growth=2.0, dulling=1.5, settling=0.0, setup_sd=0.0, dress_sd=0.0,
    walk_sd=0.0, step_rate=0.0, warm_up=0.0, odd_rate=0.0, clears=True, offset_step=0.5,
)  # fmt: skip


def test_the_same_seed_draws_the_same_scenes_and_sets_differ():
    assert scenes(3, TUNING_SET) == scenes(3, TUNING_SET)
    assert scenes(3, TUNING_SET)[0].life != scenes(3, GATE_SET)[0].life
    assert {s.shape for s in scenes(20, TUNING_SET, "other")} <= {
        "power", "saturating", "two slopes", "late",
    }  # fmt: skip


def test_scenes_cover_the_ranges():
    many = scenes(300, TUNING_SET)
    ratio = np.array([s.half_width / s.part_sd for s in many])
    life = np.array([s.life for s in many])

    assert 4.5 < ratio.min() < 5
    assert 10.5 < ratio.max() < 11
    assert life.min() < 60
    assert life.max() > 3000
    assert np.mean([s.wear == 0 for s in many]) == approx(1 / 12, abs=0.05)


def test_wear_is_a_line_and_dulling_begins_at_the_life():
    machine = Machine(Noise(LINE, [1], 100), np.array([0]))
    levels, spreads = [], []
    for _ in range(100):
        machine.part()
        levels.append(machine.level[0])
        spreads.append(machine.sd[0])

    assert levels[24] == approx(5.0)
    assert levels[99] == approx(20.0 + 2.0)  # two lives of wear, and the growth of one past it
    assert spreads[49] == approx(1.0)
    assert spreads[99] == approx(2.5)


@pytest.mark.parametrize(("clears", "kept"), [(True, -1.0), (False, -3.0)])
def test_a_dress_takes_wear_out_and_clears_what_was_moved_since_the_third_part(clears, kept):
    machine = Machine(Noise(replace(LINE, clears=clears), [1], 40), np.array([0]))
    here = np.array([True])
    for k in range(20):
        machine.part()
        if k == 1:
            machine.offset(np.array([-1.0]), here)
        if k == 10:
            machine.offset(np.array([-2.0]), here)
    machine.dress(here)
    machine.part()

    assert machine.level[0] == approx(kept + 10 / 50)


def test_cost_is_expected_cost_at_the_true_level():
    # Half of the parts on the upper limit are rework; the lower limit is 16 spreads away.
    level, sd = np.array([8.0]), np.array([1.0])
    loss = Machine(Noise(LINE, [1], 2), np.array([0])).loss(level, sd)

    assert loss[0] == approx(LINE.rework / 2 + LINE.off_target * (64 + 1) / 64)


def test_lanes_meet_equal_noise_whatever_is_done_to_them():
    noise = Noise(scenes(1, GATE_SET)[0], [3], 60)
    left, acted = Machine(noise, np.array([0])), Machine(noise, np.array([0, 0]))
    for _ in range(60):
        left.part()
        acted.part()
        acted.offset(np.array([1.0, 1.0]), np.array([False, True]))

    assert acted.level[0] == left.level[0]
    assert acted.measure()[0] == left.measure()[0]
    assert acted.level[1] != left.level[0]


def test_a_rule_costs_the_same_alone_and_among_others():
    noise = Noise(scenes(1, GATE_SET)[0], [5], 120)
    rules = all_rules()
    count = len(rules.interval)
    together = play(rules, noise, np.zeros(count, dtype=int)).cost

    for k in (0, 40, count - 1):
        assert play(rules.only(k), noise, np.zeros(1, dtype=int)).cost[0] == approx(together[k])


def test_tuning_finds_a_rule_that_no_other_beats_on_its_own_seeds():
    scene = scenes(5, TUNING_SET)[4]
    rule, name = tuned(scene, 120)
    noise = Noise(scene, list(TUNING_SEEDS), 120)
    rows = np.arange(len(TUNING_SEEDS))
    never = Rules(np.array([1e9]), np.array([1.0]), np.array([0.6]))

    best = play(rule.repeated(len(rows)), noise, rows).cost.mean()
    assert best < play(never.repeated(len(rows)), noise, rows).cost.mean()
    assert "dress" in name
