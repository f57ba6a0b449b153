import json
from dataclasses import replace

import numpy as np
import pytest

from spc import along_run
from spc.errors import SpcError
from spc.plan import read_plan
from spc.report.handover import open_items
from spc.report.lens import Lens
from spc.report.voice import voice
from spc.shifts import shift_span
from spc.stability import most_by_chance
from spc.study import advisor_for, examine

PLAN_WITH_LATE = """
[job]
part = "Lock pin"
[[feature]]
name = "seat"
nominal = 25.0
upper = 0.010
lower = -0.010
[shifts]
late = "14:00-22:00"
zone = "Europe/Paris"
"""


def wearing(make_run, parts=120, drift=0.05, seed=7, events=(), every=1, minutes=1.0):
    """An invented run: wear from one level after each dress, noise 0.5 µm, offsets as told."""
    rng = np.random.default_rng(seed)
    told = {after: (kind, *details) for after, kind, *details in events}
    level, since, readings = -2.0, 0, []
    for part in range(1, parts + 1):
        kind, *details = told.get(part - 1, ("none",))
        since = 0 if kind == "dress" else since
        level += details[0]["um"] if kind == "offset" else 0.0
        since += 1
        if part % every == 0:
            readings.append((part, "seat", round(level + drift * since + rng.normal(0, 0.5), 1)))
    return make_run(readings, events, minutes=minutes)


def test_wear_is_told_from_chance_and_raises_no_alarm(plan, make_run):
    study = examine(wearing(make_run, events=[(0, "dress"), (60, "dress")]), plan)

    seat = study.feature("seat")
    assert [line.n for line in seat.wear] == [60, 60]
    for line in seat.wear:
        assert line.slope_lower < 0.05 < line.slope_upper
    assert seat.stability.stable
    assert study.parts_since_dress == 60
    assert (study.made, study.measured, study.outside) == (120, 120, ())


def test_a_jump_without_a_cause_is_more_than_wear(plan, make_run):
    run = wearing(make_run, drift=0.0, events=[(0, "dress")])
    late = run.measurements["part"] > 80
    run.measurements.loc[late, "deviation_um"] += 4.0

    study = examine(run, plan)

    seat = study.feature("seat")
    assert seat.stability.stable is False
    capability = study.as_dict()["features"][0]["capability"]
    assert capability["stable"] is False
    assert "cpk" not in capability["within"]
    assert "cpk" not in capability["compensated"]


def test_the_effect_of_an_offset_is_seen_in_the_lead_feature(plan, make_run):
    events = [(0, "dress"), (50, "offset", {"um": -3.0})]
    study = examine(wearing(make_run, drift=0.0, events=events), plan)

    dress, offset = study.acts
    assert dress.effect_um is None
    assert offset.effect_um == pytest.approx(-3.0, abs=3 * offset.effect_se_um)
    assert 0.2 < offset.effect_se_um < 0.6


def test_parts_out_of_limits_are_held_back_to_the_last_good_check(plan, make_run):
    readings = [(part, "seat", 12.0 if part in (30, 35) else 0.5) for part in range(5, 60, 5)]
    readings += [(30, "seat", 12.1, 1)]

    study = examine(make_run(readings), plan)

    assert study.outside == (30, 35)
    (held,) = study.held
    # Part 25 was good, and so was part 40.
    assert (held.first, held.last, held.count) == (26, 39, 14)


def test_a_part_in_the_guard_band_is_in_doubt_and_held(make_run, plan):
    seat = plan.feature("seat").model_copy(update={"uncertainty_um": 1.0})
    guarded = plan.model_copy(update={"features": (seat,)})

    study = examine(make_run([(1, "seat", 0.0), (2, "seat", 9.5), (3, "seat", 0.0)]), guarded)

    feature = study.feature("seat")
    assert (feature.outside, feature.in_doubt) == ((), (2,))
    assert [(h.first, h.last) for h in study.held] == [(2, 2)]


def test_too_few_parts_say_so_instead_of_a_number(plan, make_run):
    study = examine(make_run([(1, "seat", 0.1), (2, "seat", 0.2)]), plan)

    seat = study.feature("seat")
    assert (seat.sloping, seat.individuals, seat.capability) == (None, None, None)
    assert seat.stability.stable is None
    assert "not enough yet" in seat.stability.words


def test_the_base_span_is_stated_and_frozen(make_run):
    text = (
        '[job]\npart = "Lock pin"\n[[feature]]\nname = "seat"\nnominal = 25.0\nupper = 0.01\n'
        "lower = -0.01\n[charts]\nbase = [11, 40]\n"
    )
    plan = read_plan(text.encode(), source="pin.toml")
    run = wearing(make_run, events=[(0, "dress")])
    study = examine(run, plan)
    run.measurements.loc[run.measurements["part"] > 60, "deviation_um"] *= 3

    later = examine(run, plan)

    seat = study.feature("seat")
    assert (seat.sloping.base.first, seat.sloping.base.last) == (10, 39)
    assert seat.base_words == "parts 11 to 40, by the plan"
    assert later.feature("seat").sloping.sigma == seat.sloping.sigma


def test_a_base_span_without_enough_parts_says_so_and_gives_no_limits(plan, make_run):
    narrow = plan.model_copy(update={"charts": plan.charts.model_copy(update={"base": (1, 5)})})

    seat = examine(wearing(make_run), narrow).feature("seat")

    assert seat.sloping is None
    assert "parts 1 to 5, holds 5 measured parts" in seat.base_words


def test_one_shift_is_charted_while_the_adviser_follows_the_whole_run(plan, make_run):
    run = wearing(make_run, parts=200, events=[(0, "dress"), (70, "dress")], minutes=5.0)

    study = examine(run, plan, shift=shift_span(run, plan, "early"))

    # Part 1 stands at 07:05 local time, part 84 at 14:00.
    assert (study.first_part, study.last_part) == (1, 83)
    assert len(study.feature("seat").series) == 83
    assert study.parts_since_dress == 13


def test_the_same_records_give_the_same_advice_as_telling_them_one_by_one(plan, make_run):
    run = wearing(make_run, parts=40, drift=0.2, events=[(0, "dress")], every=2)
    advisor = advisor_for(plan)
    advisor.event("dress")
    minutes = {row.part: row.time.timestamp() / 60 for row in run.measurements.itertuples()}
    readings = dict(zip(run.measurements["part"], run.measurements["deviation_um"], strict=True))
    for part in range(1, 41):
        advisor.part(minute=minutes.get(part))
        if part in readings:
            advisor.reading("seat", readings[part])

    assert examine(run, plan).advice == advisor.advise()


def test_an_earlier_study_teaches_the_adviser(plan, make_run):
    events = [(0, "dress"), (60, "dress"), (120, "dress")]
    earlier = examine(wearing(make_run, parts=180, drift=0.1, events=events), plan)

    fresh, taught = advisor_for(plan), advisor_for(plan, history=[earlier])

    assert taught.state() != fresh.state()


def test_the_study_is_a_json_document(plan, make_run):
    events = [(0, "dress"), (40, "offset", {"um": -2.0})]
    study = examine(wearing(make_run, events=events), plan)

    document = json.loads(json.dumps(study.as_dict(), allow_nan=False))

    assert document["schema"] == "spc.study/1"
    assert document["advice"]["schema"] == "spc.advice/2"
    assert document["span"] == {"first_part": 1, "last_part": 120}
    assert len(document["features"][0]["deviation_um"]) == 120
    assert document["acts"][1]["amount_um"] == -2.0


def test_a_run_with_no_reading_of_a_feature_says_so(plan, make_run):
    run = make_run([(1, "seat", 0.0)])
    empty = replace(run, measurements=run.measurements.iloc[:0])

    study = examine(empty, plan)

    assert study.made == 0
    assert study.advice.action == "grind_on"


def test_a_base_part_beyond_its_limits_is_left_out_with_its_reason(plan, make_run):
    run = wearing(make_run, events=[(0, "dress")])
    clean = examine(run, plan).feature("seat").sloping.sigma
    run.measurements.loc[20, "deviation_um"] += 6.0

    seat = examine(run, plan).feature("seat")

    assert seat.sloping.base.excluded == (20,)
    assert "left out: part 21" in seat.base_words
    assert seat.sloping.sigma == pytest.approx(clean, rel=0.1)
    assert any(signal.first == 20 for signal in seat.signals)


def test_one_signal_far_beyond_chance_makes_a_run_unstable(plan, make_run):
    run = wearing(make_run, events=[(0, "dress")])
    run.measurements.loc[70, "deviation_um"] += 6.0

    stability = examine(run, plan).feature("seat").stability

    assert stability.stable is False
    assert "beyond" in stability.words


def test_frozen_limits_are_reused_and_their_change_is_marked(plan, make_run):
    kept = [
        {"feature": "seat", "sigma_um": 0.5, "drift_um": 0.05, "why": "first base"},
        {"feature": "seat", "sigma_um": 0.9, "from_part": 61, "why": "new diamond"},
    ]
    charts = plan.charts.model_validate({"limits": kept})
    frozen = plan.model_copy(update={"charts": charts})

    seat = examine(wearing(make_run, events=[(0, "dress")]), frozen).feature("seat")

    assert seat.sloping.base is None
    assert "first base" in seat.base_words
    assert [(change.position, change.says) for change in seat.sloping.changes] == [
        (60, "new diamond")
    ]
    half_width = seat.sloping.upper - seat.sloping.center
    assert half_width[30] == pytest.approx(1.5, rel=0.05)
    assert half_width[90] == pytest.approx(2.7, rel=0.05)


def frozen_from(plan, part, *also):
    kept = [{"feature": "seat", "sigma_um": 3.0, "from_part": part, "why": "new diamond"}]
    charts = plan.charts.model_validate({"limits": kept, "also": also})
    return plan.model_copy(update={"charts": charts})


def test_frozen_limits_hold_from_their_part_on_and_parts_before_have_no_say_in_them(plan, make_run):
    # Quiet up to part 60, then ten times as wild.
    noise = np.random.default_rng(2).normal(0, 0.4, 120) * np.repeat([1, 10], 60)
    readings = [(part, "seat", noise[part - 1]) for part in range(1, 121)]
    run = make_run(readings, [(0, "dress")])
    alone = examine(make_run(readings[:60], [(0, "dress")]), plan).feature("seat").sloping

    seat = examine(run, frozen_from(plan, 61, "ewma")).feature("seat")

    half_width = seat.sloping.upper - seat.sloping.center
    assert half_width[:60] == pytest.approx(alone.upper - alone.center)
    assert half_width[90] == pytest.approx(9.0, rel=0.05)
    assert [change.position for change in seat.sloping.changes] == [60]
    assert seat.sloping.earlier_sigmas == (pytest.approx(alone.sigma),)
    assert seat.base_words.startswith("the first 40 measured parts")
    assert "then the plan, where they are frozen: sigma 3 µm from part 61" in seat.base_words
    # The further charts take the same sigma: weighted means of 0.2 end at 2.86 sigma / 3.
    means = seat.more[0].charts[0]
    assert means.upper[59] == pytest.approx(2.86 * alone.sigma / 3, rel=1e-3)


def test_a_base_span_ends_before_frozen_limits_begin(plan, make_run):
    run = wearing(make_run, events=[(0, "dress")])

    seat = examine(run, frozen_from(plan, 21)).feature("seat")

    assert seat.base_words.startswith("the 20 measured parts before part 21; then the plan")


def test_frozen_limits_reach_back_over_parts_too_few_for_limits_of_their_own(plan, make_run):
    run = wearing(make_run, events=[(0, "dress")])

    seat = examine(run, frozen_from(plan, 4)).feature("seat")

    assert not seat.sloping.changes
    assert "the 3 measured parts before are too few for limits of their own" in seat.base_words


def test_frozen_limits_judge_a_run_too_short_for_limits_of_its_own(plan, make_run):
    kept = [{"feature": "seat", "sigma_um": 0.5, "drift_um": 0.0}]
    charts = plan.charts.model_validate({"limits": kept})
    readings = [(part, "seat", value) for part, value in enumerate([0.1, 0.3, 0.0, 9.0], 1)]
    run = make_run(readings, [(0, "dress")])

    assert examine(run, plan).feature("seat").sloping is None
    seat = examine(run, plan.model_copy(update={"charts": charts})).feature("seat")

    assert seat.sloping.beyond.tolist() == [False, False, False, True]
    assert seat.capability.not_enough


def test_one_measured_part_a_dress_carries_no_chart(plan, make_run):
    readings = [(part, "seat", part % 3) for part in range(1, 12)]

    study = examine(make_run(readings, [(part, "dress") for part in range(11)]), plan)

    assert study.feature("seat").sloping is None
    assert study.feature("seat").stability.stable is None


def test_wear_between_the_parts_is_not_counted_as_an_offset_s_doing(plan, make_run):
    events = [(0, "dress"), (60, "offset", {"um": -3.0})]
    study = examine(wearing(make_run, drift=0.15, events=events, every=5), plan)

    offset = study.acts[1]

    assert offset.effect_um == pytest.approx(-3.0, abs=2.5 * offset.effect_se_um)
    assert offset.effect_se_um < 0.6


def test_no_effect_is_told_where_two_acts_stand_together(plan, make_run):
    events = [(60, "dress"), (60, "offset", {"um": -3.0})]

    study = examine(wearing(make_run, events=events), plan)

    assert [act.effect_um for act in study.acts] == [None, None]


def test_a_slip_of_the_keyboard_is_left_out_of_charts_and_asked_about(plan, make_run):
    run = wearing(make_run, events=[(0, "dress")])
    run.measurements.loc[40, "deviation_um"] = 2.25e8

    study = examine(run, plan)

    assert len(study.feature("seat").series) == 119
    # 225 m say nothing of the part, good or bad: it was not measured, and that is asked about.
    assert study.outside == ()
    assert study.held == ()
    assert any(remark.startswith("question: 1 reading of seat") for remark in study.remarks)


def written_as_three(make_run, really, *, events=(), every=1):
    """An offset written as -3 um that in truth moved the size by another amount."""
    told = [(0, "dress"), (60, "dress"), *events]
    run = wearing(make_run, events=[*told, (90, "offset", {"um": really})], every=every)
    run.events.loc[run.events["kind"] == "offset", "amount_um"] = -3.0
    return run


@pytest.mark.parametrize("really", [0.0, -6.0, 3.0])
def test_an_offset_that_did_not_do_what_was_written_is_an_open_question(plan, make_run, really):
    study = examine(written_as_three(make_run, really), plan)

    assert study.acts[-1].contradicted
    (item,) = open_items(Lens(study, voice()))
    assert item.startswith("The offset after part 90 (−3.0 µm) moved the size by ")
    assert item.endswith("was it entered once, as written and with the right sign?")
    assert study.as_dict()["acts"][-1]["contradicted"] is True


def test_one_wild_part_after_an_offset_contradicts_nothing(plan, make_run):
    run = written_as_three(make_run, -3.0)
    # 9 um on one of three parts moves their mean by 3: nearer to no offset than to the amount.
    run.measurements.loc[91, "deviation_um"] += 9.0
    one = written_as_three(make_run, 0.0, events=[(93, "dress")], every=3)

    for each in (run, one):
        study = examine(each, plan)
        (offset,) = (act for act in study.acts if act.kind == "offset")
        assert abs(offset.effect_um + 3.0) > 2.6 * offset.effect_se_um
        assert not offset.contradicted
        assert open_items(Lens(study, voice())) == ()


def test_right_offsets_are_hardly_ever_contradicted(plan, make_run, monkeypatch):
    monkeypatch.setattr(along_run, "MOST_LOOKS", 1)  # what the adviser says is not asked here
    offsets = [(at, "offset", {"um": -2.0}) for at in range(10, 120, 10)]
    acts = [
        act
        for seed in range(20)
        for act in examine(wearing(make_run, seed=seed, drift=0.2, events=offsets), plan).acts
    ]

    assert len(acts) == 220
    assert sum(act.contradicted for act in acts) <= 1


@pytest.mark.parametrize("really", [0.0, -3.0, -6.0, 3.0])
def test_the_effect_of_an_offset_is_what_happened_not_what_was_written(plan, make_run, really):
    events = [(0, "dress"), (60, "dress"), (90, "offset", {"um": -3.0})]
    run = wearing(make_run, drift=0.05, events=[*events[:2], (90, "offset", {"um": really})])
    run.events.loc[run.events["kind"] == "offset", "amount_um"] = -3.0

    offset = examine(run, plan).acts[-1]

    assert offset.effect_um == pytest.approx(really, abs=3 * offset.effect_se_um)


def test_a_hold_reaches_back_into_the_shift_before(plan, make_run):
    # Measured every tenth part; part 80 was good in the early shift, part 90 is bad in the next.
    readings = [(part, "seat", 12.0 if part == 90 else 0.0) for part in range(10, 111, 10)]
    run = make_run(readings, minutes=5.0)
    text = PLAN_WITH_LATE
    late = shift_span(run, read_plan(text.encode(), source="pin.toml"), "late")

    study = examine(run, plan, shift=late)

    assert (study.first_part, study.last_part) == (81, 110)
    assert [(span.first, span.last) for span in study.held] == [(81, 99)]


def test_a_cleared_hold_says_so(plan, make_run):
    readings = [(part, "seat", 12.0 if part == 30 else 0.0) for part in range(10, 61, 10)]

    study = examine(make_run(readings, [(35, "cleared")]), plan)

    assert [(span.first, span.last, span.cleared) for span in study.held] == [(21, 39, True)]


def test_repeats_that_contradict_each_other_leave_one_value(plan, make_run):
    readings = [(1, "seat", 0.0)]
    readings += [(2, "seat", value, k) for k, value in enumerate((12.0, 12.1, 9.0, 9.1))]

    study = examine(make_run(readings), plan)

    assert study.measured == 2


def test_a_dress_after_the_last_part_starts_the_count_anew(plan, make_run):
    study = examine(wearing(make_run, parts=60, events=[(0, "dress"), (60, "dress")]), plan)

    assert study.parts_since_dress == 0


def test_an_unknown_pattern_is_a_fault_of_the_plan(plan, make_run):
    odd = plan.model_copy(update={"charts": plan.charts.model_copy(update={"signals": ("dance",)})})
    with pytest.raises(SpcError, match="there is no pattern 'dance'; there are: beyond"):
        examine(wearing(make_run), odd)


def test_two_hundred_thousand_parts_are_judged():
    assert most_by_chance(200_000, 1 / 217, 38) > 1000


def test_readings_that_no_part_can_have_hold_nothing_and_are_asked_about(plan, make_run):
    values = [(part, "seat", 5.0 + part % 3) for part in range(1, 41)]
    clean = examine(make_run([v for v in values if v[0] not in (10, 20, 30)]), plan)
    values[9], values[19], values[29] = (10, "seat", 2.5e8), (20, "seat", -5e4), (30, "seat", 3e4)

    found = examine(make_run(values), plan)

    seat = found.features[0]
    assert seat.outside == ()
    assert found.held == ()
    assert found.advice.action == clean.advice.action
    assert [p.advice.action for p in found.prompts] == [p.advice.action for p in clean.prompts]
    assert any("3 readings of seat cannot be sizes of this part" in r for r in found.remarks)
    assert not any("far beyond" in r for r in found.remarks)


def test_a_part_that_was_never_ground_is_held(plan, make_run):
    values = [(part, "seat", 5.0 + part % 3) for part in range(1, 41)]
    values[19] = (20, "seat", 450.0)

    found = examine(make_run(values), plan)

    assert found.features[0].outside == (20,)
    assert [(span.first <= 20 <= span.last) for span in found.held] == [True]
