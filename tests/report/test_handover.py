from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import studies

from spc.report.handover import (
    expect,
    gauge_words,
    handover,
    open_items,
    outside_words,
    verdict_of,
)
from spc.report.lens import Lens
from spc.report.next_cut import act_lines
from spc.report.pages import write_report
from spc.report.terminal import check_lines
from spc.report.voice import voice
from spc.run import EVENT_KINDS
from spc.study import examine


def lens_with(*, part_name=str, remarks=(), **changes):
    run = replace(studies.invented_run(part_name=part_name), remarks=tuple(remarks))
    return Lens(studies.invented_study(run, **changes), voice())


def tag(part):
    return f"K-{4200 + part}"


def test_parts_to_hold_carry_the_serials_on_their_tags_even_where_no_part_was_measured():
    lens = lens_with(part_name=tag, held=[("seat", 64, 68)])

    assert open_items(lens)[0] == (
        "seat: parts 64 to 68 (serials K-4264 to K-4268) to hold, 5 in all, from good check to "
        "good check: no good check among them."
    )


def test_serials_that_do_not_count_on_are_never_made_up():
    lens = lens_with(part_name=lambda n: f"K-{4200 + n * n}", held=[("seat", 64, 68)])

    assert "parts 64 to 68 (serials read: K-8556) to hold" in open_items(lens)[0]


def test_zeros_before_a_number_stay():
    assert lens_with(part_name=lambda n: f"{n + 7:05d}").serial(64) == "00071"


@pytest.mark.parametrize("told", ["page", "terminal"])
def test_the_part_outside_is_named_with_its_size(told):
    lens = lens_with(part_name=tag, outside=(66,))
    series = lens.lead.of.series
    value = float(series.deviation_um[np.flatnonzero(series.parts == 66)[0]])

    (words,) = outside_words(lens)

    assert words.startswith("Outside: seat, part 66 (serial K-4266), 24.99")
    assert f"({value:+.1f} µm)".replace("-", "−") in words
    found = handover(lens).outside if told == "page" else check_lines(lens.study)[0]
    assert words in found


def test_the_next_shift_sorts_the_held_parts_before_the_act():
    lens = lens_with(held=[("seat", 64, 66)])

    words = expect(lens, lens.study.advice)

    assert words.startswith("First sort and re-measure parts 64 to 66. Then: An offset of")


def test_a_hold_that_was_cleared_is_said_as_cleared_and_is_not_open():
    lens = lens_with(held=[("seat", 64, 66, True)], outside=(66,))

    assert not [item for item in open_items(lens) if "hold" in item]
    assert not expect(lens, lens.study.advice).startswith("First sort")
    assert not [line for line in act_lines(lens, lens.study.advice) if "hold" in line]
    cleared = "Hold cleared: seat, parts 64 to 66 (part 66 outside limits)."
    assert handover(lens).cleared == (cleared,)
    assert cleared in check_lines(lens.study)[0]


def test_many_cleared_holds_are_counted_on_the_sheet():
    spans = [("seat", 3 * k, 3 * k + 1, True) for k in range(1, 6)]

    words = handover(lens_with(held=spans)).cleared

    assert len(words) == 3
    assert words[-1] == "And 3 more holds cleared."


def hold(**changes):
    return studies.advice("hold", offset_um=None, amount=None, **changes)


def test_several_spans_are_named_one_by_one_and_good_parts_between_them_stay_out():
    held = [("seat", 64, 66), ("roundness", 70, 72), ("seat", 85, 90), ("seat", 10, 12, True)]
    lens = lens_with(part_name=tag, held=held, outside=(66, 87, 90), advice=hold())

    first, *spans = act_lines(lens, lens.study.advice)

    assert first == "Stop. Set aside 3 spans of parts until each part is measured."
    assert spans == [
        "seat: parts 64 to 66 (serials K-4264 to K-4266); part 66 outside limits.",
        "roundness: parts 70 to 72 (serials K-4270 to K-4272); no good check among them.",
        "seat: parts 85 to 90 (serials K-4285 to K-4290); parts 87, 90 outside limits.",
    ]


def test_one_span_says_its_reason_and_more_than_fit_by_the_act_are_counted():
    alone = lens_with(held=[("seat", 64, 66)], outside=(66,), advice=hold())
    many = lens_with(held=[("seat", 4 * k, 4 * k + 1) for k in range(1, 7)], advice=hold())

    assert act_lines(alone, alone.study.advice)[1] == "seat: part 66 outside limits."
    assert act_lines(many, many.study.advice)[-1] == "And 2 more spans, under the open items."
    assert len([item for item in open_items(many) if "to hold" in item]) == 6


def test_a_span_held_for_doubt_says_so():
    lens = lens_with(held=[("seat", 64, 66)])
    doubted = [replace(f, in_doubt=(66,)) if f.name == "seat" else f for f in lens.study.features]
    lens = Lens(replace(lens.study, features=tuple(doubted)), lens.voice)

    assert open_items(lens)[0].endswith("part 66 too close to a limit to prove.")


def test_an_act_that_is_no_hold_still_names_the_parts_on_hold():
    lens = lens_with(held=[("seat", 64, 66)])

    assert act_lines(lens, lens.study.advice)[-1] == "Still on hold: parts 64 to 66."


def test_questions_of_the_reader_are_open_items_and_other_remarks_are_not():
    asked = "question: row 12: what is the event 'tea'"
    lens = lens_with(remarks=(asked, "parts are numbered by their rows", asked))

    items = open_items(lens)

    assert items[0] == "Row 12: what is the event 'tea'."
    assert len(items) == 2
    assert items[1].startswith("1 cell")


def test_a_check_stays_within_ten_lines_and_counts_the_questions_it_leaves_out():
    remarks = [f"question: what is the event 'tea {k}'" for k in range(7)]
    study = replace(studies.busy_study(), held=())
    study = replace(study, remarks=tuple(remarks))

    lines = check_lines(study)

    assert len(lines) <= 10
    told = " ".join(line for line in lines if line.startswith("Open items"))
    assert "'tea 3'" in told
    assert "'tea 4'" not in told
    assert "and 4 more on the page" in told


def test_what_the_study_asks_is_open_as_what_the_files_ask():
    study = studies.invented_study()
    study = replace(study, remarks=("question: the plan says that a dress clears offsets",))

    assert "Open items\tThe plan says that a dress clears offsets." in check_lines(study)


def test_many_acts_stand_in_two_tables_beside_each_other_and_none_is_lost_unsaid():
    run = studies.invented_run()
    offset = run.events.iloc[[1]]
    more = [offset.assign(after_part=60 + k) for k in range(30)]
    study = studies.invented_study(replace(run, events=pd.concat([run.events, *more])))

    sheet = handover(Lens(study, voice()))

    first, second = (len(table.rows) for table in sheet.acts)
    assert first - second in (0, 1)
    assert sheet.acts[1].rows[-1][0] == "89"
    more = len(study.acts) - first - second
    assert sheet.acts_more == f"and {more} more, below. In all: 3 dresses, 31 offsets."


def test_a_list_of_acts_that_is_cut_says_how_many_of_each_were_done():
    sheet = handover(Lens(studies.busy_study(), voice()))

    # By hand: dresses after 0, 30, 60, and again after 65 and 69; masters after 70 to 75.
    assert sheet.acts_more.endswith(
        " more, below. In all: 5 dresses, 1 offset, 6 settings on the master."
    )


def test_a_list_of_acts_that_is_whole_needs_no_total():
    assert handover(Lens(studies.invented_study(), voice())).acts_more == ""


@pytest.mark.parametrize("kind", EVENT_KINDS)
def test_every_kind_of_event_can_be_counted(kind):
    assert voice().count(f"event_count.{kind}", 2).startswith("2 ")
    assert voice().count(f"event_count.{kind}", 1).startswith("1 ")


def test_the_next_shift_sorts_parts_held_for_two_features_once():
    spans = [(1, 3), (7, 9), (10, 12)]
    held = [(name, *span) for name in ("seat", "roundness") for span in spans]

    lens = lens_with(held=held)

    assert expect(lens, lens.study.advice).startswith(
        "First sort and re-measure parts 1 to 3, parts 7 to 9 and 1 more span. Then:"
    )
    assert len([item for item in open_items(lens) if "to hold" in item]) == 6


def test_readings_all_alike_ask_about_the_gauge_everywhere(tmp_path, plan, make_run):
    study = examine(make_run([(part, "seat", 6.5) for part in range(1, 61)]), plan)
    lens = Lens(study, voice())
    asked = "seat: 60 readings alike to the last digit: is the gauge stuck,"

    (item,) = open_items(lens)

    assert item.startswith(asked)
    assert gauge_words(lens) == item
    assert "alike" in verdict_of(lens)[0]
    lines = check_lines(study)
    assert sum(asked in line for line in lines) == 2
    page = write_report(study, tmp_path, as_of=studies.AS_OF).read_text("utf-8")
    assert "oo few" not in "".join(lines)
    assert "too few parts to judge" not in page.lower()
    assert "too few for a chart" not in page
    assert study.as_dict()["features"][0]["alike"] == 60
    assert "alike" in study.feature("seat").stability.words


def test_a_few_readings_alike_prove_no_stuck_gauge(plan, make_run):
    study = examine(make_run([(part, "seat", 6.5) for part in range(1, 8)]), plan)
    lens = Lens(study, voice())

    assert open_items(lens) == ()
    assert gauge_words(lens) == "Too few parts to judge the gauge's steps."


def test_a_question_keeps_the_name_of_its_file_as_it_is_written():
    lens = lens_with(
        remarks=("question: shift.csv, row 4: a doubt", "question: seat: stuck?", "question: why?")
    )

    assert set(open_items(lens)) >= {"shift.csv, row 4: a doubt.", "seat: stuck?", "Why?"}
