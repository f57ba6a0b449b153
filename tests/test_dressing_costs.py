"""From rows to cost per part against the dress interval."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from spc.adviser.loss import Stakes
from spc.dress_cycles import dress_cycles
from spc.dress_interval import cycle_costs, dress_interval
from spc.dressing_costs import dress_steps, dressing_costs, forms_of
from spc.measured_cycles import cycles_of_run
from spc.plan import Plan
from spc.run import Run
from spc.study import examine
from spc.wear_fit import CyclesFit

DRIFT, SD, STEP = 0.25, 0.8, 1.5
TABLE = {
    "job": {"part": "Invented shaft"},
    "feature": [
        {"name": "seat", "nominal": 40.0, "upper": 0.008, "lower": -0.008, "gauge_sd_um": 0.1,
         "gauge_step_um": 0.1},
        {"name": "roundness", "kind": "roundness", "upper": 2.0, "unit": "um"},
    ],
    "machine": {"dress_resets_size": True, "dress_clears_offsets": True, "offset_step_um": 0.5},
    "cost": {"scrap": 15.0, "rework": 5.0, "dress": 2.5, "offset": 0.6, "off_target": 0.5},
}  # fmt: skip
PLAN = Plan.model_validate(TABLE)


def ground(seed, *, cycles=8, parts=40, every=4, growth=3.0, dull=0.0, mirrored=1, stays=0.0,
           step=STEP, wheel_at=None, jump=0.0, long=0):  # fmt: skip
    """
    A run without offsets: drift, scatter whose variance grows, a step at each dress.

    `stays`: share of the wear that a dress leaves in the size; cycle `wheel_at` begins with another
    wheel that sits `jump` higher.
    """
    random = np.random.default_rng(seed)
    rows = []
    for number in range(cycles):
        level = step * random.normal() + stays * number * DRIFT * parts
        level += jump if wheel_at is not None and number >= wheel_at else 0.0
        begins = number * parts + (long if number > 3 else 0)
        made = parts + (long if number == 3 else 0)
        for age in (1, 2, *range(every, made + 1, every)):
            spread = SD * np.sqrt(1 + growth * (age / parts) ** 2)
            size = mirrored * (level + DRIFT * age + spread * random.normal())
            form = 0.8 * np.exp(dull * (age / parts) ** 1.5 + 0.15 * random.normal())
            part = begins + age
            rows.append((part, "seat", round(float(size), 1)))
            rows.append((part, "roundness", round(float(form), 2)))
    table = pd.DataFrame(rows, columns=["part", "feature", "deviation_um"])
    table = table.assign(
        serial=table["part"].astype(str), time=pd.NaT, reading=0.0, decimals=4, repeat=0,
        source="run.csv", row=range(2, len(table) + 2),
    )  # fmt: skip
    table["time"] = pd.to_datetime(table["time"], utc=True)
    events = pd.DataFrame({
        "after_part": [n * parts + (long if n > 3 else 0) for n in range(cycles)],
        "time": pd.NaT,
        "kind": ["wheel" if number == wheel_at else "dress" for number in range(cycles)],
        "amount_um": np.nan, "minutes": np.nan, "note": "", "source": "run.csv",
        "row": 1,
    })  # fmt: skip
    events["time"] = pd.to_datetime(events["time"], utc=True)
    account = {"cells": len(table), "measurements": len(table), "rejected": 0, "blank": 0,
               "identical": 0, "summary": 0, "events": cycles, "skipped_lines": 0}  # fmt: skip
    return Run(table, events, pd.DataFrame(), account)


def cycles_in(run):
    return dress_cycles(run.made, run.events["after_part"].to_numpy(), run.events["kind"].tolist())


def costs_of(run, plan=PLAN):
    return dressing_costs(run, plan, cycles_in(run), last=run.made)


STAKES = Stakes(low=15, high=5, off_target=0.5, offset=0.6, dress=2.5)


def true_interval(*, parts=40, growth=3.0, step=STEP):
    """The cost of the process as it was made, its parameters known."""
    ages, half = np.arange(1, parts + 1), 8
    single = SD**2 * (1 + growth * (ages / parts) ** 2)
    own = single - 0.1**2
    totals = cycle_costs(
        DRIFT * ages[None] / half, np.sqrt(own + single / 3)[None] / half,
        np.array([np.sqrt(own[0] + 2 * step**2)]) / half, STAKES, every=4,
    )  # fmt: skip
    return dress_interval(totals[0])


def paid(parts, *, aim, band, growth=3.0, longest=40, cycles=2000):
    """Cost a part of a shop that reads every fourth part and moves to `aim` beyond `band`. [µm]"""
    random = np.random.default_rng(1)
    size, gauge = random.standard_normal((2, parts, cycles))
    base = STEP * 2**0.5 * random.standard_normal(cycles)
    register, cost, seen = np.full(cycles, float(aim)), np.full(cycles, 2.5 + 0.6), []
    for age in range(1, parts + 1):
        wide = SD * np.sqrt(1 + growth * (age / longest) ** 2)
        level = base + DRIFT * age + register
        cost += STAKES.loss(level / 8, wide / 8)
        if age == 1 or age % 4 == 0:
            read = level + wide * size[age - 1] + 0.1 * gauge[age - 1]
            seen = [*seen, read - register - DRIFT * age][-3:]
            ahead = np.mean(seen, axis=0) + DRIFT * (age + 1) + register
            if age == 1:  # the offset after the dress, paid for already; one reading scatters
                register -= 0.6 * (ahead - aim)
            else:
                moved = (ahead > band) | (ahead < aim - 3)
                cost += 0.6 * moved
                register -= moved * (ahead - aim)
    return float(cost.mean()) / parts


def paid_at_best(parts, **process):
    """The same with the best of some aims and bands."""
    return min(paid(parts, aim=a, band=b, **process) for a in (-3, -2, -1) for b in (2, 3, 5, 9))


@pytest.mark.parametrize("parts", [10, 20, 40])
def test_a_shop_that_reads_and_moves_well_pays_little_more_than_is_told(parts):
    told = true_interval().costs[parts - 1]

    # Who reads pays for what single readings leave open; who knew the course would pay as told.
    assert 0.9 * paid_at_best(parts) < told < paid_at_best(parts)


@pytest.mark.slow
def test_bounds_hold_what_such_a_shop_pays_and_the_best_told_is_near_its_best():
    process = {"growth": 12.0, "longest": 80}
    tried = np.arange(10, 81, 5)
    pays = np.array([paid_at_best(int(n), **process) for n in tried])
    inside, more = [], []
    for seed in range(40):
        found = costs_of(ground(500 + seed, parts=80, growth=12.0))
        at = tried - 1
        inside.append((found.lower[at] <= pays) & (pays <= found.upper[at]))
        more.append(np.interp(found.interval.best, tried, pays) / pays.min() - 1)

    assert (np.mean(inside, axis=0) >= 0.85).all()
    assert np.mean(more) < 0.02


@pytest.mark.slow
@pytest.mark.parametrize(
    ("growth", "asked"),
    [(0.0, {}), (3.0, {}), (12.0, {}), (3.0, {"cycles": 4}), (12.0, {"long": 80})],
)
def test_bounds_hold_the_cost_of_the_process_at_every_age(growth, asked):
    true, ages = true_interval(growth=growth), [2, 10, 20, 30, 40]
    inside = []
    for seed in range(60):
        found = costs_of(ground(100 + seed, growth=growth, **asked))
        at = np.array(ages) - 1
        inside.append((found.lower[at] <= true.costs[at]) & (true.costs[at] <= found.upper[at]))

    # The bounds are to be of 95 %; 60 runs carry a standard error of 3 %. What is missed lies just
    # below the bounds of short intervals; where the answer is read, from 20 parts on, they hold.
    assert (np.mean(inside, axis=0) >= 0.85).all()
    assert (np.mean(inside, axis=0)[2:] >= 0.9).all()


@pytest.mark.slow
def test_bounds_hold_the_cost_of_dresses_that_step_far():
    # A step of 4.2 µm between neighbours: parts outside are what few seen steps tell least of.
    true, found = true_interval(step=3.0).costs[0], []
    for seed in range(60):
        said = costs_of(ground(200 + seed, step=3.0))
        found.append(said.lower[0] <= true <= said.upper[0])

    assert np.mean(found) >= 0.88


@pytest.mark.parametrize("long", [0, 80])
def test_nothing_is_said_beyond_what_three_cycles_were_measured_to(long):
    found = costs_of(ground(1, long=long))

    assert len(found.interval.costs) == 40


def test_bounds_hold_the_cost_of_an_old_wheel_that_scatters():
    # Growth of the variance beyond what was once thought of: 13 times at the oldest age.
    true, inside = true_interval(growth=12.0).costs[39], []
    for seed in range(30):
        found = costs_of(ground(100 + seed, growth=12.0))
        inside.append(found.lower[39] <= true <= found.upper[39])

    assert np.mean(inside) >= 0.87


def test_growing_roundness_asks_for_a_dress_earlier():
    run = ground(2, dull=1.2)
    with_form = costs_of(run)
    sizes_only = costs_of(run, Plan.model_validate(TABLE | {"feature": TABLE["feature"][:1]}))

    assert with_form.form == ("roundness",)
    assert sizes_only.form == ()
    assert with_form.interval.best < sizes_only.interval.best


def machine(**said):
    return Plan.model_validate(TABLE | {"machine": TABLE["machine"] | said})


@pytest.mark.parametrize("said", [False, None])
def test_wear_that_a_dress_leaves_in_the_size_is_no_step_of_the_dress(said):
    taken, stays = ground(8), ground(8, stays=1.0)

    cost, same = costs_of(taken), costs_of(stays, machine(dress_resets_size=said))

    # 10 µm of wear a cycle; taken for a step, they would make every first part one for rework.
    assert same.interval.costs == pytest.approx(cost.interval.costs, rel=0.1)
    assert abs(same.interval.best - cost.interval.best) <= 3
    assert same.inferred is (said is None)


def test_a_change_of_wheel_is_no_step_of_a_dress():
    kept, changed = costs_of(ground(9)), costs_of(ground(9, wheel_at=4, jump=60.0))

    assert changed.interval.costs == pytest.approx(kept.interval.costs, rel=0.1)


def steps_of(run):
    found = cycles_of_run(run, PLAN, PLAN.lead, cycles_in(run), last=run.made)
    return dress_steps(found, CyclesFit([found.measured[k] for k in found.known]))


def test_steps_of_many_cycles_lie_between_neighbours():
    # Each dress lets the level climb by 2 µm; from every third cycle to the next it would be 6.
    run = ground(10, cycles=90, stays=2.0 / (DRIFT * 40))

    assert np.mean(steps_of(run)) == pytest.approx(2.0, abs=0.5)


def test_a_cycle_with_too_few_readings_joins_no_others():
    run = ground(10, cycles=20)
    few = run.measurements["part"].between(123, 160)

    # 20 cycles have 19 steps between them; without one cycle within, two are not known.
    assert len(steps_of(run)) == 19
    assert len(steps_of(replace(run, measurements=run.measurements[~few]))) == 17


def test_roundness_that_reads_zero_counts_as_less_than_half_a_step():
    run = ground(11, dull=2.0)
    table = run.measurements.copy()
    round_ = table["feature"] == "roundness"
    # 0.16 µm on a fresh wheel and 1.2 µm on an old one, on a gauge with steps of 0.5 µm.
    table.loc[round_, "deviation_um"] = (table.loc[round_, "deviation_um"] / 5 / 0.5).round() * 0.5
    coarse = [TABLE["feature"][0], TABLE["feature"][1] | {"gauge_step_um": 0.5}]
    read = replace(run, measurements=table)

    (form,) = forms_of(read, Plan.model_validate(TABLE | {"feature": coarse}), cycles_in(read),
                       range(8), run.made)  # fmt: skip

    young = table[round_]["deviation_um"][form.series.since_dress <= 12]
    assert (young == 0).mean() > 0.9
    assert np.exp(form.growth.best.middle([1, 12])) == pytest.approx([0.25, 0.25], abs=0.1)


def test_a_bore_costs_what_the_shaft_that_mirrors_it_costs():
    bore = [TABLE["feature"][0] | {"kind": "bore"}, TABLE["feature"][1]]
    shaft, mirror = (
        costs_of(ground(3)),
        costs_of(ground(3, mirrored=-1), Plan.model_validate(TABLE | {"feature": bore})),
    )

    assert shaft.interval.costs == pytest.approx(mirror.interval.costs)


def test_parts_in_the_guard_band_are_not_priced_as_parts_outside():
    doubtful = [TABLE["feature"][0] | {"uncertainty_um": 2.0}, TABLE["feature"][1]]
    sure, guarded = costs_of(ground(3)), costs_of(
        ground(3), Plan.model_validate(TABLE | {"feature": doubtful})
    )  # fmt: skip

    assert guarded.interval.costs == pytest.approx(sure.interval.costs)


def test_equal_runs_give_equal_bounds():
    one, two = costs_of(ground(4)), costs_of(ground(4))

    assert one.upper.tolist() == two.upper.tolist()
    assert one.best_upper == two.best_upper


def test_too_little_says_why():
    run = ground(5, cycles=3)
    assert "2 finished dress cycles" in costs_of(run).not_enough
    bare = replace(run, events=run.events.iloc[:0])
    assert "0 finished dress cycles" in costs_of(bare).not_enough
    one_sided = [{**TABLE["feature"][0]}, TABLE["feature"][1]]
    del one_sided[0]["lower"]
    assert (
        "one limit only"
        in costs_of(ground(5), Plan.model_validate(TABLE | {"feature": one_sided})).not_enough
    )


def test_costs_of_nothing_name_no_interval():
    free = dict.fromkeys(("scrap", "rework", "dress", "offset", "off_target"), 0.0)

    assert "all zero" in costs_of(ground(5), Plan.model_validate(TABLE | {"cost": free})).not_enough


def test_a_plan_without_a_diameter_has_no_such_costs():
    assert (
        costs_of(ground(6), Plan.model_validate(TABLE | {"feature": TABLE["feature"][1:]})) is None
    )


def test_the_study_carries_them_into_its_document():
    study = examine(ground(7, cycles=5), PLAN)

    told = study.as_dict()["dress_costs"]
    assert told["interval"]["best"] == study.dress_costs.interval.best
    assert len(told["lower"]) == len(told["interval"]["costs"])
    assert "refits" not in told
