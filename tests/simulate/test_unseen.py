"""Processes of another make: their structure, their plan, and the score on them."""

import math
from dataclasses import replace

import numpy as np
import pytest

from spc.simulate import unseen
from spc.simulate.policies import BeyondShare
from spc.simulate.strange import SHAPES, Strange, StrangeGrinder, drawn, worn

approx = pytest.approx
CALM = Strange(
    name="calm", shape="power", bend=1.0, tolerance_um=8, settle_um=0, lumps_cv=0,
    worn_log_sd=0, life_log_sd=0, walk_sd_um=0, dress_sd_um=0, offset_sd_um=0, gauge_sd_um=0,
    gauge_step_um=0, dull_spread=0, part_sd_um=1e-9,
)  # fmt: skip


def half(scene):
    return BeyondShare(
        beyond_um=0.5 * scene.tolerance_um, dress_after=scene.habit, every=scene.every,
        clears=True, recheck_um=scene.tolerance_um,
    )  # fmt: skip


@pytest.mark.parametrize("shape", SHAPES)
def test_every_wear_curve_goes_from_nothing_to_the_whole(shape):
    u = np.linspace(0, 1, 101)
    share = worn(shape, 1.2, u)

    assert (share[0], share[-1]) == approx((0, 1))
    assert np.all(np.diff(share) > 0)


def test_curves_bend_as_their_names_say():
    u = np.linspace(0, 1, 101)

    assert worn("power", 1.5, u)[50] == approx(0.5**1.5)
    assert worn("logistic", 0.6, u)[60] == approx(0.5, abs=0.03)
    slopes = np.diff(worn("two slopes", 0.5, u)) / np.diff(u)
    assert (slopes[10], slopes[90]) == approx((0.5, 0.7 / 0.4))
    late = np.diff(worn("late", 5.0, u))
    assert late[-1] > 3 * late[0]
    assert worn("saturating", 2.0, u)[50] > 0.7


@pytest.mark.parametrize(("clears_all", "kept"), [(False, -2.0), (True, 0.0)])
def test_a_dress_takes_wear_and_cycle_offsets_out_of_the_size(clears_all, kept):
    scene = replace(CALM, worn_um=8, life_parts=80, clears_all=clears_all)
    machine = StrangeGrinder(scene, 1)
    start = machine.now_um
    for k in range(1, 41):
        machine.part()
        if k in (2, 20):
            machine.offset(-2.0)
    worn_level = machine.now_um
    machine.dress()

    assert worn_level == approx(start + 4.0 - 4.0)
    # The move after part 2 belongs to the setting and stays, unless the control clears all.
    assert machine.now_um == approx(start + kept)


def test_the_outlook_is_what_comes_without_noise():
    scene = replace(
        CALM, shape="late", bend=4.0, warm_up_um=-5.0, wave_sd_um=1e-9, dull_spread=1.0,
        part_sd_um=1e-6, bore=True, settle_um=1.5,
    )  # fmt: skip
    machine = StrangeGrinder(scene, 1)
    for _ in range(15):
        machine.part()
    outlook = machine.outlook(40)
    before = machine.now_um
    levels = []
    for _ in range(40):
        machine.part()
        levels.append(machine.level_um)

    assert before + np.cumsum(outlook.growth_um) == approx(levels, abs=1e-6)
    assert outlook.sd_um[0] < outlook.sd_um[-1]


def test_scatter_keeps_its_standard_deviation_with_memory_and_heavy_tails():
    for memory, tails in ((0.6, None), (0.0, 6.0)):
        scene = replace(
            CALM, part_sd_um=1.0, memory=memory, tails=tails, worn_um=0.0, life_parts=200
        )
        noise = []
        for seed in range(40):
            machine = StrangeGrinder(scene, seed)
            for _ in range(500):
                machine.part()
                noise.append(machine.size_um - machine.level_um)
        noise = np.array(noise).reshape(40, 500)
        # 20,000 parts, fewer in effect with memory (factor (1 + r²)/(1 - r²) = 2.1): 3 standard
        # errors of a standard deviation are 0.022; Student's 6 degrees double its square.
        assert noise.std() == approx(1.0, abs=0.035)
        neighbours = np.mean(noise[:, 1:] * noise[:, :-1])
        assert neighbours == approx(memory, abs=0.04)
        if tails:
            assert np.mean(np.abs(noise) > 4) > 10 * math.erfc(4 / math.sqrt(2))


def test_the_first_reading_is_free_and_the_second_is_paid():
    machine = StrangeGrinder(CALM, 1)
    machine.part()
    machine.measure()
    assert machine.cost == approx(machine.costs["size"])
    machine.measure()

    assert machine.costs["reread"] == 0.05


def test_policies_on_one_seed_meet_the_same_noise():
    scene = drawn(7)
    left_alone, busy = StrangeGrinder(scene, 3), StrangeGrinder(scene, 3)
    for k in range(200):
        left_alone.part(), busy.part()
        if k % 9 == 0:
            busy.offset(-1.0), busy.measure(), busy.measure()

    assert left_alone._noise == busy._noise
    errors = [machine.measure() - machine.size_um for machine in (left_alone, busy)]
    assert errors[0] == approx(errors[1], abs=scene.gauge_step_um)


def test_drawn_scenes_are_fixed_and_differ():
    assert drawn(5) == drawn(5)
    assert {drawn(number).shape for number in range(1, 7)} == set(SHAPES)
    assert set(unseen.TUNING_SCENES).isdisjoint(unseen.JUDGING_SCENES)
    assert set(unseen.TUNING_SEEDS).isdisjoint(unseen.JUDGING_SEEDS)


@pytest.mark.parametrize("number", [*unseen.TUNING_SCENES, *unseen.JUDGING_SCENES])
def test_the_plan_tells_limits_costs_and_the_dress_but_no_truth_of_the_wheel(number):
    scene = drawn(number)
    plan = unseen.plan_of(scene)
    lead = plan.lead

    assert (lead.lower_um, lead.upper_um) == approx((-scene.tolerance_um, scene.tolerance_um))
    assert lead.kind == ("bore" if scene.bore else "diameter")
    assert plan.machine.dress_resets_size
    assert plan.machine.dress_clears_offsets
    assert (plan.cost.dress, plan.cost.measure) == (scene.dress, 0.05)


def test_full_knowledge_beats_every_rule_of_thumb():
    scene = replace(drawn(6), name="short")
    seeds = (31, 32)
    made = unseen.baselines(scene, seeds, 400)

    assert np.mean(made.reference) < np.mean(made.classical)
    assert len(unseen.rules_of_thumb(scene)) >= 40


def test_a_score_is_paired_cached_and_the_same_again(tmp_path):
    scene = drawn(12)
    first = unseen.score_unseen(half, [scene], (1, 2), 300, cache=tmp_path)
    seen = []
    again = unseen.score_unseen(half, [12], (1, 2), 300, cache=tmp_path, progress=seen.append)

    assert first == again == seen
    assert len(list(tmp_path.iterdir())) == 1
    assert again[0].share == approx(unseen.share_of_gap(again))
    assert "classical" in unseen.line(again[0])


@pytest.mark.slow
def test_the_family_leaves_a_wide_gap_between_knowledge_and_rules_of_thumb(tmp_path):
    scores = unseen.score_unseen(half, (1, 2, 3, 4), (1, 2), 1000, cache=tmp_path)

    for score in scores:
        assert score.reference < 0.8 * score.classical
