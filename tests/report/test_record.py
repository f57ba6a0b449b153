from dataclasses import replace

import numpy as np
import pytest
import studies

from spc.charts.signals import Signal
from spc.findings import Act, Prompt
from spc.report.ages import _spread, age_groups, ages_picture, off_neighbours
from spc.report.lens import Lens
from spc.report.record import calls, record_table, summary
from spc.report.the_run import about_picture
from spc.report.voice import voice


def lens_of(*prompts, acts=()):
    study = studies.invented_study()
    told = tuple(
        Prompt(part, None, studies.advice(action, **more)) for part, action, more in prompts
    )
    object.__setattr__(study, "prompts", told)
    if acts:
        object.__setattr__(study, "acts", tuple(acts))
    return Lens(study, voice())


def offset(after_part, um=-2.0):
    return Act("offset", after_part, None, um, None, "", None, None)


def test_the_same_call_repeated_until_it_is_answered_counts_once():
    lens = lens_of((9, "offset", {}), (12, "offset", {}), (15, "offset", {}), (18, "grind_on", {}))

    (call,) = calls(lens)

    assert (call.first.part, call.last.part, call.times) == (9, 15, 3)
    assert call.answer.after_part == 15


def test_a_call_withdrawn_without_an_act_was_not_answered():
    lens = lens_of(
        (33, "offset", {}), (36, "grind_on", {}), (57, "dress", {}), (63, "grind_on", {})
    )

    first, second = calls(lens)

    assert first.answer is None
    assert second.answer.kind == "dress"
    assert summary(lens).startswith("2 calls for an act: 1 answered, 1 not.")


def test_an_act_between_two_equal_calls_makes_them_two():
    lens = lens_of((9, "offset", {}), (15, "offset", {}), acts=[offset(9), offset(15)])

    assert [c.answer.after_part for c in calls(lens)] == [9, 15]


def test_a_dress_between_two_equal_calls_makes_them_two():
    dress = Act("dress", 30, None, None, None, "", None, None)
    lens = lens_of((27, "offset", {}), (33, "offset", {}), (36, "grind_on", {}), acts=[dress])

    assert [(c.first.part, c.last.part, c.answer) for c in calls(lens)] == [
        (27, 27, None), (33, 33, None),
    ]  # fmt: skip


def test_the_call_that_still_stands_is_open_and_not_unanswered():
    lens = lens_of((33, "offset", {}), (36, "grind_on", {}), (90, "offset", {}))

    told = summary(lens)

    assert told.startswith("2 calls for an act: 0 answered, 1 not, 1 still open.")
    assert [row[3] for row in record_table(lens).rows] == ["not done", "still open"]


def test_the_outcome_is_the_distance_from_target_of_three_parts_on_each_side():
    lens = lens_of((15, "offset", {}), (18, "grind_on", {}))
    series = lens.lead.of.series
    before = series.deviation_um[(series.parts <= 15)][-3:].mean()
    after = series.deviation_um[(series.parts > 15)][:3].mean()

    (call,) = calls(lens)

    assert call.before == pytest.approx(abs(before))
    assert call.after == pytest.approx(abs(after))
    assert call.came_closer is bool(abs(after) < abs(before))


def test_an_outcome_takes_out_the_offsets_between_its_own_parts():
    # Parts 3, 6, 9 ... are measured; by hand: 9, 12 and 15 before the offset after 15, and 18, 21
    # and 24 after it; one of them stands before the offset of +1.5 after 12, two after that of
    # -4 after 19.
    acts = [offset(12, 1.5), offset(15), offset(19, -4.0), offset(30)]
    lens = lens_of((15, "offset", {}), (18, "grind_on", {}), acts=acts)
    y = dict(zip(lens.lead.of.series.parts, lens.lead.of.series.deviation_um, strict=True))

    (call,) = calls(lens)

    assert call.before == pytest.approx(abs(np.mean([y[9] + 1.5, y[12] + 1.5, y[15]])))
    assert call.after == pytest.approx(abs(np.mean([y[18], y[21] + 4.0, y[24] + 4.0])))


def test_no_outcome_is_read_across_a_dress():
    acts = [Act("dress", at, None, None, None, "", None, None) for at in (10, 19)]
    lens = lens_of((15, "offset", {}), (18, "grind_on", {}), acts=[acts[0], offset(15), acts[1]])
    y = dict(zip(lens.lead.of.series.parts, lens.lead.of.series.deviation_um, strict=True))

    (call,) = calls(lens)

    assert call.before == pytest.approx(abs(np.mean([y[12], y[15]])))
    assert call.after is None
    assert call.came_closer is None
    assert record_table(lens).rows[0][4] == "not told: too few parts between acts"
    assert summary(lens).endswith("target 0 times and did not 0 times; 1 not told.")


def test_a_check_is_given_no_credit_for_the_size():
    master = Act("master", 15, None, None, None, "", None, None)
    lens = lens_of((15, "check", {"subject": "gauge"}), (18, "grind_on", {}), acts=[master])

    (call,) = calls(lens)

    assert call.answered
    assert call.came_closer is None
    assert summary(lens).endswith("0 times and did not 0 times; 1 not told.")


def test_a_call_nobody_answered_is_given_no_outcome():
    lens = lens_of((33, "offset", {}), (36, "grind_on", {}))

    (call,) = calls(lens)

    assert (call.before, call.after, call.came_closer) == (None, None, None)
    assert record_table(lens).rows[0][4] == "not told"


def test_a_run_without_calls_says_so():
    assert summary(lens_of((3, "grind_on", {}))) == "The adviser called for nothing."


def test_age_groups_hold_every_part_once():
    run = studies.invented_run(parts=300)
    lens = Lens(studies.invented_study(run), voice()).lead
    groups = age_groups(lens)

    assert sum(g.n for g in groups) == len(lens.of.series)
    assert groups[-1].lower < groups[-1].value < groups[-1].upper


def test_wear_that_bends_is_not_taken_for_scatter():
    # A wheel whose wear doubles its pace with age, and parts that scatter by 0.5 um throughout.
    run = studies.invented_run(parts=600)
    seat = run.measurements["feature"] == "seat"
    age = (run.measurements.loc[seat, "part"] - 1) % 30
    noise = np.random.default_rng(3).normal(0, 0.5, int(seat.sum()))
    run.measurements.loc[seat, "deviation_um"] = 0.02 * age**2 + noise

    lens = Lens(studies.invented_study(run), voice()).lead
    groups = age_groups(lens)

    assert all(g.lower < 0.5 < g.upper for g in groups)
    assert "does not prove to change" in ages_picture(lens).caption


def test_bounds_of_the_spread_hold_the_truth_about_as_often_as_they_say():
    # Independent witness of 18/35: normal noise on a bent line, 400 times.
    rng, held = np.random.default_rng(8), 0
    age = np.arange(1, 61)
    for _ in range(400):
        off = off_neighbours(np.zeros(60), age, 0.01 * age**2 + rng.normal(0, 2.0, 60))
        _, low, high = _spread(off[1:-1])
        held += low < 2.0 < high

    assert 0.92 <= held / 400 <= 0.98


def test_a_spread_that_grows_with_age_is_called_growing_and_a_steady_one_is_not():
    steady = studies.invented_run(parts=600)
    growing = studies.invented_run(parts=600)
    seat = growing.measurements["feature"] == "seat"
    age = (growing.measurements.loc[seat, "part"] - 1) % 30
    noise = np.random.default_rng(1).normal(0, 1, int(seat.sum()))
    growing.measurements.loc[seat, "deviation_um"] = np.round(0.1 * age + 0.08 * age * noise, 1)

    says = [
        ages_picture(Lens(studies.invented_study(run), voice()).lead).caption
        for run in (steady, growing)
    ]

    assert "does not prove to change" in says[0]
    assert "grows with the wheel's age" in says[1]


def test_single_signals_one_after_another_share_a_row():
    lens = Lens(studies.invented_study(studies.invented_run(parts=300)), voice()).lead
    found = tuple(
        Signal("beyond", at, at, side, "a point beyond", "Shewhart (1931)")
        for at, side in ((10, 1), (11, 1), (12, 1), (13, -1), (20, 1), (22, 1))
    )
    lens = replace(lens, of=replace(lens.of, signals=found))
    table = about_picture(lens, lens.of.sloping).tables[1]

    part = lens.of.series.parts
    assert [(row[1], row[2]) for row in table.rows] == [
        (f"parts {part[10]} to {part[12]}", "3 in a row, each a point beyond"),
        (f"part {part[13]}", "a point beyond"),
        (f"part {part[20]}", "a point beyond"),
        (f"part {part[22]}", "a point beyond"),
    ]
