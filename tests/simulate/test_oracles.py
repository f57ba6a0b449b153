"""Who knows more pays less: the true state below the true parameters below any rule of thumb."""

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from spc.simulate.cycle import usual_cycle
from spc.simulate.oracles import TrueParameters, TrueState, courses, outlook_of
from spc.simulate.play import settle
from spc.simulate.process import Grinder
from spc.simulate.settings import PRESETS

approx = pytest.approx
S1 = PRESETS["S1"]
# Every cycle alike and no noise at all.
EVEN = replace(
    S1, wear_between_cv=0, wear_within_cv=0, life_log_sd=0, wave_sd_um=0, walk_sd_um=0,
    part_sd_um=0, start_sd_um=0, dress_sd_um=0, dress_bias_um=0, offset_sd_um=0, ra_cv=1e-9,
    roundness_cv=1e-9,
)  # fmt: skip


@pytest.mark.parametrize("bore", [False, True])
def test_the_usual_cycle_and_its_outlook_are_what_an_even_grinder_does(bore):
    grinder = Grinder(replace(EVEN, bore=bore), 0)
    for _ in range(20):
        grinder.part()
    outlook, before = outlook_of(grinder, 40), grinder.level_um()
    for _ in range(40):
        grinder.part()
    truth = grinder.truth[20:]
    usual = usual_cycle(EVEN, wear_um=0.25, life_parts=50, parts=60)

    assert before + np.cumsum(outlook.growth_um) == approx([part.level_um for part in truth])
    assert usual.ra_um[21:] == approx([part.ra_um for part in truth])
    assert usual.roundness_um[21:] == approx([part.roundness_um for part in truth])
    assert outlook.drop_um[0] == approx(grinder.setting.sign * usual.wheel_um[20])


def test_the_hazard_is_what_finish_roundness_and_burn_cost_on_average():
    setting = replace(S1, life_log_sd=0, slip_rate=0)
    hazard = usual_cycle(setting, wear_um=0.25, life_parts=50, parts=50).hazard
    spent = []
    for seed in range(400):
        grinder = Grinder(setting, seed)
        for _ in range(50):
            grinder.part()
        ledger = grinder.ledger
        spent.append(ledger.roughness + ledger.roundness + ledger.burn)

    error = np.std(spent) / np.sqrt(len(spent))
    assert hazard[1:].sum() == approx(np.mean(spent), abs=3 * error)


def full_knowledge(setting, seed, parts, *, rate):
    grinder = Grinder(setting, seed)
    oracle = TrueState(grinder, rate=rate)
    for _ in range(parts):
        if grinder.scheduled():
            oracle.look_ahead()
        oracle.act()
        grinder.part()
    return grinder


def true_parameters(setting, seed, parts, *, rate):
    grinder, policy = Grinder(setting, seed), TrueParameters(setting, rate=rate, every=10)
    due = 1

    def reread():
        policy.reading("size", grinder.measure().size_um, again=True)

    for _ in range(parts):
        for event in grinder.scheduled():
            policy.event(event.kind, minutes=event.minutes)
        grinder.part()
        policy.part()
        due -= 1
        if due <= 0:
            reading = grinder.measure()
            policy.reading("size", reading.size_um)
            policy.reading("roughness", reading.ra_um)
            policy.reading("roundness", reading.roundness_um)
            due = settle(policy, grinder, reread, Counter()).measure_after
    return grinder


def test_full_knowledge_pays_what_was_found_before():
    # The specification's prototype with full knowledge: 0.119 per part (se 0.001), 5.1 offsets
    # per 100 parts and 41.7 parts per dress, from a greedy rule and other noise.
    grinders = [full_knowledge(S1, seed, 2000, rate=0.12) for seed in (1, 2, 3)]
    costs = [grinder.ledger.total / 2000 for grinder in grinders]
    dresses = np.mean([sum(e.kind == "dress" for e in g.events) for g in grinders])

    assert np.mean(costs) == approx(0.119, abs=0.012)
    assert 2000 / dresses == approx(41.7, abs=3)
    assert all(grinder.ledger.measure == 0 for grinder in grinders)


def test_readings_cost_and_blur_but_true_parameters_still_keep_parts_in():
    grinder = true_parameters(S1, 1, 2000, rate=0.2)
    out = np.mean([abs(part.size_um) > 8 for part in grinder.truth])

    assert 0.15 < grinder.ledger.total / 2000 < 0.30
    assert out < 0.005


def test_without_drift_the_oracles_leave_the_machine_alone():
    for grinder in (
        full_knowledge(PRESETS["S13"], 3, 500, rate=0.03),
        true_parameters(PRESETS["S13"], 3, 500, rate=0.08),
    ):
        # A dress brings an error of its own, and correcting that is no tampering.
        dresses = {event.after_part for event in grinder.events if event.kind == "dress"}
        settled = [
            event
            for event in grinder.events
            if event.kind == "offset"
            and event.after_part > 20
            and not any(0 <= event.after_part - dress < 15 for dress in dresses)
        ]
        assert settled == []


@pytest.mark.parametrize("name", sorted(PRESETS))
def test_every_named_process_has_a_finite_future_for_who_knows_its_parameters(name):
    for course in courses(PRESETS[name], 0.2):
        for along in (course.wheel_um, course.log_ra, course.log_roundness):
            assert np.isfinite(along).all()
