"""The grinding process against its acceptance table and its own equations."""

import math
from dataclasses import replace

import numpy as np
import pytest

from spc.simulate.process import Grinder
from spc.simulate.settings import PRESETS

approx = pytest.approx

S1 = PRESETS["S1"]
# First cycles from a known start: no heat, no wave, no gauge slips, base 0.
BARE = replace(S1, warm_up_um=0.0, wave_sd_um=0.0, slip_rate=0.0, start_sd_um=0.0)
# Acceptance table of the process specification, from 400,000 independent first cycles:
# n, mean x, median x, sd x, mean Ra, P(Ra > 0.5), mean R, P(R > 2.5), P(burn).
TABLE = [
    (1, 0.588, 0.588, 0.912, 0.3586, 0, 0.809, 0, 0),
    (5, 2.367, 2.359, 0.978, 0.3399, 0, 0.811, 0, 0),
    (10, 4.017, 4.004, 1.087, 0.3397, 0, 0.821, 0, 0),
    (20, 6.884, 6.845, 1.356, 0.3634, 0, 0.902, 0, 0),
    (35, 11.286, 11.166, 1.960, 0.4187, 0.0320, 1.307, 0.0141, 0.0038),
    (50, 17.929, 17.147, 4.343, 0.4882, 0.3735, 2.261, 0.2965, 0.1695),
    (60, 25.121, 23.674, 7.336, 0.5409, 0.6817, 3.318, 0.6264, 0.4689),
]
TABLE_CYCLES = 400_000


def first_cycles(count):
    """Parts 1 to 60 of `count` machines: sizes, Ra, roundness, burn, each (count, 60)."""
    sheets = np.empty((4, count, 60))
    for seed in range(count):
        grinder = Grinder(BARE, seed)
        for _ in range(60):
            grinder.part()
        truth = grinder.truth
        sheets[0, seed] = [p.size_um for p in truth]
        sheets[1, seed] = [p.ra_um for p in truth]
        sheets[2, seed] = [p.roundness_um for p in truth]
        sheets[3, seed] = [p.burnt for p in truth]
    return sheets


def median_error(x):
    # Half the width of the order-statistic interval that holds the median at one standard error.
    ordered, reach = np.sort(x), math.sqrt(len(x)) / 2
    middle = len(x) / 2
    return (ordered[int(middle + reach)] - ordered[int(middle - reach)]) / 2


def assert_table_holds(sheets):
    count = sheets.shape[1]
    spread = math.sqrt(1 + count / TABLE_CYCLES)  # the table was sampled too
    for n, *expected in TABLE:
        x, ra, roundness, burnt = sheets[:, :, n - 1]
        sd = x.std(ddof=1)
        kurtosis = np.mean((x - x.mean()) ** 4) / x.var() ** 2
        shares = [(ra > 0.5, expected[4]), (roundness > 2.5, expected[6]), (burnt > 0, expected[7])]
        # value seen, expected, standard error, half of the table's last digit
        figures = [
            (x.mean(), expected[0], sd / math.sqrt(count), 0.0005),
            (np.median(x), expected[1], median_error(x), 0.0005),
            (sd, expected[2], sd * math.sqrt((kurtosis - 1) / (4 * count)), 0.0005),
            (ra.mean(), expected[3], ra.std() / math.sqrt(count), 0.00005),
            (roundness.mean(), expected[5], roundness.std() / math.sqrt(count), 0.0005),
        ]
        figures += [
            # The table prints four digits, so 0 stands for anything below 0.00005.
            (out.mean(), share, math.sqrt(max(share, 5e-5) / count), 0.00005)
            for out, share in shares
        ]
        for place, (seen, right, error, digit) in enumerate(figures):
            assert seen == approx(right, abs=3 * error * spread + digit), (n, place)


def test_first_cycles_agree_with_the_acceptance_table():
    assert_table_holds(first_cycles(2_000))


@pytest.mark.slow
def test_many_first_cycles_agree_with_the_acceptance_table():
    assert_table_holds(first_cycles(40_000))


def test_the_warm_up_term_is_exact():
    # Specification: -1.43, -2.91, -3.86, -4.59, -4.95 after 10, 30, 60, 120, 240 minutes.
    only_heat = replace(PRESETS["S13"], warm_up_um=-5.0, start_sd_um=0.0)
    grinder = Grinder(only_heat, 0)
    for _ in range(240):
        grinder.part()

    levels = [grinder.truth[minute - 1].level_um for minute in (10, 30, 60, 120, 240)]

    assert levels == approx([-1.43, -2.91, -3.86, -4.59, -4.95], abs=0.005)


def within_run_variance(gain, *, seeds=40, parts=500):
    exact = replace(
        PRESETS["S13"], gauge_sd_um=0.0, gauge_step_um=0.0, slip_rate=0.0,
        offset_step_um=0.01, offset_sd_um=0.0,
    )  # fmt: skip
    variances = []
    for seed in range(seeds):
        grinder = Grinder(exact, seed)
        for _ in range(parts):
            grinder.part()
            if gain:
                grinder.offset(-gain * grinder.measure().size_um)
        sizes = [part.size_um for part in grinder.truth[20:]]
        variances.append(np.var(sizes, ddof=1))
    return np.mean(variances)


def test_left_alone_a_process_without_drift_varies_by_its_part_scatter_only():
    # 40 runs of 480 parts: relative standard error of a variance is sqrt(2 / 19,200) = 0.010.
    assert within_run_variance(0) == approx(S1.part_sd_um**2, rel=0.031)


@pytest.mark.parametrize(("gain", "ratio"), [(1.0, 2.0), (0.5, 4 / 3), (0.2, 10 / 9)])
def test_correcting_every_part_multiplies_the_variance(gain, ratio):
    # Feedback of gain g on white noise: 2 / (2 - g), Deming's funnel (derived).
    assert within_run_variance(gain) / within_run_variance(0) == approx(ratio, rel=0.03)


def test_policies_on_one_seed_meet_the_same_noise():
    left_alone, busy = Grinder(S1, 7), Grinder(S1, 7)
    for k in range(1, 301):
        for grinder in (left_alone, busy):
            grinder.scheduled()
            grinder.part()
        if k % 7 == 0:
            busy.measure(), busy.measure()
            busy.offset(-2.0)
        if k % 40 == 0:
            busy.dress()

    scatter = [[p.size_um - p.level_um for p in g.truth] for g in (left_alone, busy)]
    assert scatter[0] == approx(scatter[1], abs=1e-9)
    # The error of the first look at part 300 does not depend on earlier looks either.
    errors = [g.measure().size_um - g.truth[-1].size_um for g in (left_alone, busy)]
    assert errors[0] == approx(errors[1], abs=S1.gauge_step_um)


def test_a_second_cycle_is_the_same_whenever_it_begins():
    early, late = Grinder(BARE, 3), Grinder(BARE, 3)
    for grinder, parts in ((early, 10), (late, 45)):
        for _ in range(parts):
            grinder.part()
        grinder.dress()
        for _ in range(20):
            grinder.part()

    assert early.cycle.worn_um == late.cycle.worn_um
    assert early.cycle.life_parts == late.cycle.life_parts


def test_the_ledger_adds_up_from_the_truth():
    grinder = Grinder(S1, 11)
    looks = offsets = 0
    for k in range(1, 201):
        grinder.part()
        if k % 10 == 0:
            offsets += grinder.offset(-grinder.measure().size_um) != 0
            looks += 1
        if k % 60 == 0:
            grinder.dress()
    sizes = np.array([p.size_um for p in grinder.truth])
    ledger = grinder.ledger

    assert ledger.scrap == 15 * np.sum(sizes < -8)
    assert ledger.rework == 5 * np.sum(sizes > 8)
    assert ledger.roughness == 4 * sum(p.ra_um > 0.5 for p in grinder.truth)
    assert ledger.roundness == 10 * sum(p.roundness_um > 2.5 for p in grinder.truth)
    assert ledger.burn == 40 * sum(p.burnt for p in grinder.truth)
    assert ledger.off_target == approx(0.5 * np.sum((sizes / 8) ** 2))
    assert (ledger.measure, ledger.offset) == approx((0.4 * looks, 0.6 * offsets))
    assert ledger.dress == 3 * 2.5
    assert ledger.total == approx(sum(vars(ledger).values()))
    assert ledger.economic == approx(ledger.total - ledger.off_target)


def test_in_a_bore_wear_makes_parts_smaller_and_too_big_is_scrap():
    grinder = Grinder(PRESETS["S9"], 2)
    for _ in range(80):
        grinder.part()
    grinder_too_big = Grinder(PRESETS["S9"], 2)
    grinder_too_big.offset(60)
    grinder_too_big.part()

    assert grinder.truth[-1].size_um < -20
    assert grinder.ledger.rework > 0 == grinder.ledger.scrap
    assert grinder_too_big.ledger.scrap == 15


def dress_step(**switches):
    """How far 8 µm of wear and 6 µm of offsets leave the size at a dress without error."""
    calm = replace(
        PRESETS["S13"], wear_um=0.5, wear_between_cv=0, wear_within_cv=0, life_parts=1000,
        dress_sd_um=0, dress_bias_um=0, offset_sd_um=0, start_sd_um=0, **switches,
    )  # fmt: skip
    grinder = Grinder(calm, 0)
    for k in range(1, 17):
        grinder.part()
        if k in (2, 8, 12):
            grinder.offset(-3)
    grinder.dress()
    return grinder.level_um()


def test_a_dress_takes_the_wear_and_what_the_control_clears():
    # Register -9, of which the offset after part 2 belongs to the setting.
    assert dress_step() == approx(-9)
    assert dress_step(dress_clears_offsets=True) == approx(-3)
    assert dress_step(dress_resets_size=False) == approx(8 - 9)


def test_a_pause_cools_and_a_night_cools_to_the_end():
    grinder = Grinder(replace(PRESETS["S13"], warm_up_um=-5.0, start_sd_um=0.0), 0)
    for _ in range(400):
        grinder.part()
    warm = grinder.level_um()
    grinder.pause(30)
    half = grinder.level_um()
    assert [event.minutes for event in grinder.scheduled()] == [600]

    assert warm < half < grinder.level_um() == approx(0, abs=0.01)


def test_the_day_has_its_breaks_and_short_batches_their_set_ups():
    grinder = Grinder(replace(PRESETS["S12"], night_min=480.0), 5)
    for _ in range(801):
        grinder.scheduled()
        grinder.part()

    pauses = [(e.after_part, e.minutes) for e in grinder.events if e.kind == "pause"]
    assert pauses == [(120, 15), (240, 30), (400, 480), (520, 15), (640, 30), (800, 480)]
    assert [e.after_part for e in grinder.events if e.kind == "batch"] == list(range(60, 801, 60))


def test_readings_come_in_gauge_steps_and_offsets_in_control_steps():
    grinder = Grinder(PRESETS["S8"], 1)
    grinder.part()

    assert grinder.measure().size_um / 0.2 == approx(round(grinder.measure().size_um / 0.2))
    assert grinder.offset(4.0) == 5.0
    assert grinder.offset(1.0) == 0.0
    assert [event.amount_um for event in grinder.events] == [5.0]


def test_slips_are_rare_and_mostly_upward():
    grinder = Grinder(replace(S1, slip_rate=0.02, gauge_sd_um=0.0, gauge_step_um=0.0), 9)
    slips = []
    for _ in range(20_000):
        grinder.part()
        slips.append(grinder.measure().size_um - grinder.truth[-1].size_um)
    slips = np.array(slips)
    slips = slips[np.abs(slips) > 1e-6]

    # 20,000 readings at 2 %: 400 ± 20 slips, four in five upward: 0.8 ± 0.02.
    assert len(slips) == approx(400, abs=60)
    assert np.mean(slips > 0) == approx(0.8, abs=0.06)
    assert np.sqrt(np.mean(slips**2)) == approx(8.0, rel=0.11)


def test_measuring_before_the_first_part_is_a_bug_of_the_caller():
    with pytest.raises(ValueError, match="no part"):
        Grinder(S1, 0).measure()
