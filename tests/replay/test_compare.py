"""Replay: what is said of other ways, against runs whose truth is known."""

from dataclasses import replace

import numpy as np
import pytest
from ground import PROCESS, ground, ground_otherwise, plan_of

from spc.cli.replay_texts import _notes, _verdicts
from spc.errors import SpcError
from spc.plan import Plan
from spc.replay.compare import Span, Way, _ways, policy_of, replay
from spc.replay.play import as_done
from spc.replay.recorded import recorded
from spc.replay.truth import Truth
from spc.simulate.settings import Prices
from spc.simulate.shift import Habit
from spc.study import examine

HABIT = Habit(every=4, dress_after=40, correct_beyond_um=3.0)
PLAN = plan_of(PROCESS)
#: With roundness that leaves its limit as the wheel dulls; a part of it costs what rework costs.
DULLS = replace(PROCESS, roundness_limit_um=1.8, prices=Prices(roundness=5.0))


def a_run(*, seed=1, parts=172, setting=PROCESS, habit=HABIT):
    return ground(setting, seed=seed, parts=parts, habit=habit)[0]


def say(run, plan=PLAN, **asked):
    return replay(run, plan, **{"draws": 40, "adviser": False, **asked})


@pytest.fixture(scope="module")
def steered():
    """A replay with the adviser, of a cold machine and a wheel that dulls before 40 parts."""
    setting = replace(DULLS, warm_up_um=-12.0)
    return say(a_run(setting=setting), plan_of(setting), adviser=True)


def test_what_was_done_is_priced_from_the_readings_and_the_acts():
    run, true = ground(PROCESS, seed=5, parts=252, habit=HABIT)

    done = say(run).ways[0]

    assert done.kind == "done"
    assert done.more is None
    assert done.cost.low < true < done.cost.high
    assert done.readings == len(run.measurements)
    assert done.dresses == (run.events["kind"] == "dress").sum() - 1


def test_parts_in_the_guard_band_are_booked_as_the_good_parts_they_are():
    run = a_run()
    table = PLAN.model_dump(exclude_unset=True, by_alias=True)
    table["feature"][0]["uncertainty_um"] = 3.0

    assert say(run, Plan.model_validate(table)).ways[0] == say(run).ways[0]


def test_every_draw_agrees_with_what_was_read():
    run = a_run()
    record = recorded(run, PLAN)

    sizes = np.array([Truth(record, 1, draw).recorded_sizes() for draw in range(40)])

    parts = run.measurements["part"].to_numpy() - 1
    read = run.measurements["deviation_um"].to_numpy()
    # True size and reading differ by the gauge alone, 0.3 µm.
    error = sizes[:, parts] - read
    assert error.std() == pytest.approx(0.3, rel=0.3)
    assert abs(error.mean()) < 0.1
    between = np.setdiff1d(np.arange(record.parts), parts)
    assert sizes[:, between].std(axis=0).mean() > 2 * error.std()


def test_draws_are_met_by_every_way_alike():
    record = recorded(a_run(), PLAN)
    one, two = Truth(record, 1, 3), Truth(record, 1, 3)

    two.wheel(9)  # asking in another order changes nothing

    assert one.wheel(2).growth == two.wheel(2).growth
    assert one.wheel(9).growth == two.wheel(9).growth
    assert as_done(record, one) == as_done(record, two)


def test_equal_seeds_give_equal_answers_and_others_do_not():
    run = a_run()

    assert say(run).as_dict() == say(run).as_dict()
    assert say(run).as_dict() != say(run, seed=2).as_dict()


def test_a_dress_count_beyond_the_longest_cycle_is_marked_not_known():
    found = say(a_run(), dress_after=(30, 80))

    far = next(way for way in found.ways if way.dress_after == 80)
    assert far.not_known.startswith("not known from this run: fewer than 3 dress cycles were ")
    assert far.not_known.endswith("measured beyond 40 parts")
    assert far.cost is None
    assert far.more is None
    assert all(way.cost for way in found.ways if way is not far)


def test_the_adviser_is_held_at_the_longest_cycle_and_says_so(steered):
    adviser = next(way for way in steered.ways if way.kind == "adviser")
    assert adviser.held_at == steered.known_to == 40
    bound = recorded(a_run(), plan_of(PROCESS, wheel={"max_parts_per_dress": 35}))
    assert [way.held_at for way in _ways(bound, (), (), adviser=True)][1] is None


def test_one_long_cycle_alone_tells_of_no_older_wheel():
    run = a_run(parts=252)
    # Without its third dress the run has one cycle of 80 parts among some of 40.
    third = run.events.index[run.events["kind"] == "dress"][3]
    long = replace(run, events=run.events.drop(third))

    assert recorded(long, PLAN).known_to == 40


def test_dresses_made_for_want_of_an_older_wheel_are_said(steered):
    adviser = steered.ways[1]
    assert 0.02 < adviser.forced < 0.5
    words = " ".join(_notes(steered))
    assert f"40 parts at the latest: {100 * adviser.forced:.0f} % of its dresses were made" in words
    assert "fewer than three dress cycles were measured farther" in words


def test_a_run_of_two_finished_cycles_says_not_enough_yet():
    found = say(a_run(parts=100))

    assert "2 finished dress cycles" in found.not_enough
    assert found.ways == ()
    assert found.as_dict()["schema"] == "spc.replay/1"


def test_the_best_of_several_counts_has_bounds_that_hold_for_all_of_them():
    found = say(a_run(), dress_after=(15, 20, 25, 30, 35, 40), every=(2, 8))
    alone = say(a_run(), dress_after=(40,), every=(4,))

    rules = [way for way in found.ways if way.kind == "rule"]
    assert len(rules) == 8
    for way in rules:
        assert way.among.high - way.among.low > 1.1 * (way.more.high - way.more.low) > 0
    assert all(way.among is None for way in found.ways if way.kind != "rule")
    # One count alone is not picked: its bounds are about its own.
    (only,) = (way for way in alone.ways if way.kind == "rule")
    assert only.among.high - only.among.low == pytest.approx(
        only.more.high - only.more.low, rel=0.3
    )


def test_the_verdict_carries_bounds_per_part_and_for_the_run():
    way = Way("rule", 30, 4, more=Span(-0.05, -0.08, -0.02), among=Span(-0.05, -0.09, -0.01))
    other = Way("rule", 40, 4, more=Span(0.0, -0.1, 0.1), among=Span(0.0, -0.2, 0.2))
    found = replace(say(a_run()), ways=(Way("done"), way, other), parts=200)

    assert list(_verdicts(found)) == [
        "Dress every 30, check every 4, the best of 2 counts tried, would have cost less: 0.050 "
        "per part (95 %, for all of them at once: 0.010 to 0.090), 10 units on this run (2 to 18)."
    ]
    unsure = replace(way, among=Span(-0.05, -0.11, 0.01))
    assert list(_verdicts(replace(found, ways=(unsure, other)))) == [
        "No fixed count tried here would surely have cost less than what was done."
    ]


def test_minutes_charged_to_a_way_and_not_to_the_record_are_said(steered):
    done, adviser, *rules = steered.ways
    assert adviser.minutes > 0.5
    assert done.minutes is None
    assert all(way.minutes == 0 for way in rules if way.cost)
    assert f"charged with {adviser.minutes:.0f} minutes of stops and warming up" in " ".join(
        _notes(steered)
    )


@pytest.mark.parametrize("missing", ["upper", "lower"])
def test_one_limit_alone_is_nothing_to_correct_towards(missing):
    table = PLAN.model_dump(exclude_unset=True, by_alias=True)
    del table["feature"][0][missing]

    found = say(a_run(), Plan.model_validate(table))

    assert "size has one limit only" in found.not_enough
    assert found.ways == ()


def test_a_run_without_dresses_says_not_enough_yet():
    found = say(a_run(habit=replace(HABIT, dress_after=None)))
    assert "finished dress cycle" in found.not_enough

    run = a_run()
    bare = replace(run, events=run.events[run.events["kind"] != "dress"])
    assert "tells of no dress" in say(bare).not_enough


def test_parts_before_the_first_dress_are_left_out():
    run = a_run()
    late = replace(run, events=run.events[run.events["after_part"] > 0])

    found = say(late)

    assert found.first_part == 41
    assert any("parts 1 to 40 are left out" in remark for remark in found.remarks)


def test_an_earlier_wheel_tells_of_wear_but_is_not_ground_again():
    run = a_run(parts=292)
    dresses = run.events.index[run.events["kind"] == "dress"]
    events = run.events.copy()
    events.loc[dresses[2], "kind"] = "wheel"

    record = recorded(replace(run, events=events), PLAN)

    # The dresses stand after every 40th part; the first of the new wheel after part 120.
    assert record.first_part == 121
    assert len(record.cycles) == len(record.made) == 5
    assert sum(len(cycle) for cycle in record.fit.cycles) > sum(map(len, record.cycles)) + 20
    assert any("the first dress of the last wheel" in remark for remark in record.remarks)
    early = events.drop(dresses[4:])
    assert "0 finished dress cycles" in say(replace(run, events=early)).not_enough


def test_page_and_replay_know_a_run_equally_far_and_well():
    run = a_run(parts=252)
    plan = plan_of(PROCESS, machine={"dress_resets_size": None, "dress_clears_offsets": None})

    page, record = examine(run, plan).dress_costs, recorded(run, plan)

    assert len(page.interval.costs) == record.known_to
    assert page.resets_size == record.way.resets_size
    assert page.clears_offsets == record.way.clears_offsets
    assert page.inferred
    assert record.way.inferred


def test_what_a_dress_does_is_taken_from_the_steps_when_the_plan_does_not_say():
    unsaid = {"dress_clears_offsets": None, "dress_resets_size": None}
    keeps = replace(PROCESS, dress_clears_offsets=False)
    stays = replace(PROCESS, dress_resets_size=False)
    for setting, resets, clears in ((PROCESS, True, True), (keeps, True, False),
                                    (stays, False, True)):  # fmt: skip
        run = a_run(parts=252, setting=setting)
        found = recorded(run, plan_of(setting, machine=unsaid))

        assert (found.way.resets_size, found.way.clears_offsets) == (resets, clears)
        assert any("the plan does not say" in remark for remark in found.remarks)


def test_a_bore_is_replayed_like_the_shaft_that_mirrors_it():
    run = a_run()
    mirrored = replace(
        run,
        measurements=run.measurements.assign(deviation_um=-run.measurements["deviation_um"]),
        events=run.events.assign(amount_um=-run.events["amount_um"]),
    )
    bore = plan_of(replace(PROCESS, bore=True))

    shaft, mirror = say(run), say(mirrored, bore)

    for one, other in zip(shaft.ways, mirror.ways, strict=True):
        if one.not_known:
            assert other.not_known
            continue
        assert one.cost.middle == pytest.approx(other.cost.middle, rel=1e-6)


def test_roundness_that_grows_with_age_makes_long_cycles_dearer():
    run = a_run(parts=252, setting=DULLS)
    plan = plan_of(DULLS)
    sizes = replace(run, measurements=run.measurements[run.measurements["feature"] == "size"])

    both, size_alone = say(run, plan, dress_after=(20,)), say(sizes, plan, dress_after=(20,))

    assert any("roundness is replayed" in remark for remark in both.remarks)
    assert any("roundness: not replayed" in remark for remark in size_alone.remarks)
    # Early dresses pay for themselves only where dulling is seen.
    early, blind = (
        next(w for w in found.ways if w.dress_after == 20) for found in (both, size_alone)
    )
    assert early.more.middle < blind.more.middle - 0.05
    assert both.ways[0].out.middle > size_alone.ways[0].out.middle + 0.02


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ({"dress_after": (0,)}, "--parts-per-dress 0"),
        ({"every": (-3,)}, "--check-every -3"),
        ({"draws": 10}, "at least 39"),
    ],
)
def test_counts_that_cannot_be_are_refused(asked, says):
    with pytest.raises(SpcError, match=says):
        say(a_run(), **asked)


def test_a_gauge_in_the_process_is_refused():
    with pytest.raises(SpcError, match="in_process_gauge"):
        say(a_run(), plan_of(PROCESS, machine={"in_process_gauge": True}))


#: The process as it is, and with what a replay has to learn or does not know of.
PROCESSES = (
    PROCESS,
    replace(PROCESS, dress_clears_offsets=False),
    replace(PROCESS, dress_resets_size=False),
    replace(PROCESS, bore=True, wave_sd_um=1.2),
    replace(PROCESS, warm_up_um=-5.0),
    DULLS,
)


@pytest.mark.slow
def test_intervals_cover_the_true_difference_at_about_their_rate():
    """120 runs of 172 parts, six processes, some five ways each, ground again on the same seed."""
    covered, off = [], []
    for seed in range(300, 420):
        setting = PROCESSES[seed % len(PROCESSES)]
        plan = plan_of(setting, machine={"dress_resets_size": setting.dress_resets_size})
        run, done = ground(setting, seed=seed, parts=172, habit=HABIT)
        record = recorded(run, plan)
        found = say(run, plan, dress_after=(20, 30), every=(8,), draws=60)
        for way in found.ways[1:]:
            policy = policy_of(way, record)
            true = ground_otherwise(setting, policy, seed=seed, parts=172, known_to=record.known_to)
            covered.append(way.more.low <= true - done <= way.more.high)
            off.append(way.more.middle - (true - done))

    # The ways of one run are not independent: 120 runs carry a standard error of some 2 to 3 %.
    assert 0.88 <= np.mean(covered) <= 0.99
    assert abs(np.mean(off)) < 0.004
