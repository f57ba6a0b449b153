"""Events as rows of the measurement file or in a file of their own."""

import pytest

from spc.errors import UnreadableRun

CONTROL = '[machine]\noffset_entry = "radius"\noffset_unit = "mm"\noffset_sign = "+smaller"\n'


def told(run):
    return [
        (e.after_part, e.kind, None if e.amount_um != e.amount_um else round(e.amount_um, 3))
        for e in run.events.itertuples()
    ]


def test_an_event_stands_after_the_part_of_its_row_or_of_the_row_before(read):
    run = read(
        "part,seat A,event,amount_um,minutes,note\n,,dress,,,before the shift\n1,25.0031,,,,\n"
        "4,25.0033,offset,-3,,\n,,pause,,15,\n6,,wheel,,,\n7,25.0040,-,,,\n"
    )

    assert told(run) == [(0, "dress", None), (4, "offset", -3.0), (4, "pause", None),
                         (6, "wheel", None)]  # fmt: skip
    assert run.events["minutes"].tolist()[2] == 15
    assert run.events["note"].tolist()[0] == "before the shift"
    assert run.events["row"].tolist() == [2, 4, 5, 6]
    assert run.account["cells"] == 3
    assert run.made == 7


def test_a_pause_of_less_than_nothing_is_kept_without_its_minutes(read):
    run = read("part,seat A,event,minutes\n1,25.0031,,\n,,pause,-15\n2,25.0033,,\n")

    assert told(run) == [(1, "pause", None)]
    assert run.events["minutes"].isna().all()
    assert any("row 3" in said and "'-15' are negative" in said for said in run.remarks)


@pytest.mark.parametrize(
    ("word", "kind"),
    [("Abrichten", "dress"), ("diamantage", "dress"), ("Korrektur", "offset"),
     ("Scheibenwechsel", "wheel"), ("Pause", "pause"), ("arrêt", "pause"), ("KSS", "coolant"),
     ("Einstellmeister", "master"), ("étalonnage", "master"), ("Nachschleifen", "regrind"),
     ("Freigabe", "cleared"), ("Neue Charge", "batch"), ("Bemerkung", "note")],
)  # fmt: skip
def test_words_for_events_in_several_languages(read, word, kind):
    run = read(f"Teil;seat A;Ereignis;amount_um\n1;25,0031;{word};2\n2;25,0031;;\n")

    assert [row[:2] for row in told(run)] == [(1, kind)]


def test_an_event_that_is_not_known_is_kept_as_a_note(read):
    run = read("part,seat A,event\n1,25.0031,belt slipped\n2,25.0031,\n")

    assert told(run) == [(1, "note", None)]
    assert run.events["note"].tolist() == ["belt slipped"]
    assert any("belt slipped" in remark for remark in run.remarks)


def test_a_typed_offset_goes_through_the_control(read):
    run = read("part;seat A;event;typed\n1;25,0031;offset;0,002\n2;25,0031;;\n", CONTROL)

    assert told(run) == [(1, "offset", -4.0)]


def test_an_amount_may_carry_its_unit(read):
    run = read("part;seat A;event;amount [mm]\n1;25,0031;offset;-0,003\n2;25,0;offset;2 µm\n")

    assert [row[2] for row in told(run)] == [-3.0, 2.0]


@pytest.mark.parametrize(
    ("cells", "why"),
    [
        (",", "row 2: an offset without an amount"),
        ("nan,", "row 2: an offset without an amount"),
        (",---", "row 2: an offset without an amount"),
        ("-3,0.004", "correct one of them"),
    ],
)
def test_an_offset_without_a_sound_amount_refuses_the_file(read, cells, why):
    with pytest.raises(UnreadableRun, match=why):
        read(
            f"part,seat A,event,amount_um,typed\n1,25.0031,offset,{cells}\n2,25.0031,,,\n", CONTROL
        )


def test_a_row_with_an_event_and_readings_but_no_serial_keeps_its_event(read):
    run = read("part,seat A,event\n1,25.0031,\n,25.0033,dress\n2,25.0031,\n")

    assert told(run) == [(1, "dress", None)]
    assert run.rejects["reason"].tolist() == ["no part number"]


MEASURED = (
    "time,part,seat A\n2026-11-19 06:00,101,25.0031\n2026-11-19 06:10,104,25.0033\n"
    "2026-11-19 06:20,107,25.0035\n"
)


def test_a_file_of_events_by_part_number_in_grinding_order(read):
    run = read(
        MEASURED,
        events="after_part;event;typed;minutes\n0;dress;;\n3;offset;-0,003;\n6;pause;;20\n9;note;;\n",
    )

    assert told(run) == [(0, "dress", None), (3, "offset", -3.0), (6, "pause", None),
                         (9, "note", None)]  # fmt: skip
    assert run.made == 9


def test_after_part_is_the_part_number_as_written_where_it_reaches_the_first_one(read):
    events = "after_part;event;typed\n0;dress;\n100;note;\n101;master;\n103;offset;-0,003\n"
    run = read(MEASURED, events=events)

    assert told(run) == [(0, "dress", None), (0, "note", None), (1, "master", None),
                         (3, "offset", -3.0)]  # fmt: skip
    assert not [remark for remark in run.remarks if "as written" in remark]


def test_after_part_that_may_be_a_number_or_a_count_is_taken_for_the_number_and_asked_about(read):
    measured = "part,seat A\n4,25.0031\n5,25.0033\n6,25.0035\n7,25.0031\n8,25.0031\n"
    run = read(measured, events="after_part,event\n5,dress\n")

    assert told(run) == [(2, "dress", None)]
    (asked,) = [remark for remark in run.remarks if "as written" in remark]
    assert "of which 4 is the first" in asked


def test_a_file_of_events_by_serial(read):
    run = read(MEASURED, events="part,event\n100,dress\n102,dress\n107,wheel\n")

    assert told(run) == [(0, "dress", None), (2, "dress", None), (7, "wheel", None)]


def test_a_file_of_events_by_time(read):
    run = read(
        MEASURED,
        events="time,event,amount_um\n2026-11-19 05:50,dress,\n2026-11-19 06:10,offset,-2\n"
        "2026-11-19 06:19,dress,\n2026-11-19 07:00,dress,\n",
    )

    assert told(run) == [(0, "dress", None), (4, "offset", -2.0), (4, "dress", None),
                         (7, "dress", None)]  # fmt: skip


def test_events_of_both_files_are_put_in_order(read):
    run = read(
        "part,seat A,event\n1,25.0031,\n4,25.0031,dress\n7,25.0031,\n",
        events="after_part,event\n2,dress\n5,pause\n",
    )

    assert told(run) == [(2, "dress", None), (4, "dress", None), (5, "pause", None)]


@pytest.mark.parametrize(
    ("events", "why"),
    [
        ("", "empty"),
        ("after_part,what\n3,dress\n", "no event column"),
        ("after_part,event\n3.5,dress\n", "write the whole number of the part"),
        ("after_part,event\n,dress\n", "nothing says when the event was"),
        ("after_part,event\nthree,dress\n", "'three' is not a number"),
        ("after_part,event\n20261119,dress\n", "last part measured is 107"),
        ("part,event\nSN-1,dress\n", "'SN-1' is not in the measurements"),
        ("after_part,event\n3,dre", "no line end"),
        ("after_part,event\n3,dress,x,y\n", "too many fields"),
    ],
)
def test_a_file_of_events_that_cannot_be_placed_is_refused(read, events, why):
    with pytest.raises(UnreadableRun, match=why):
        read(MEASURED, events=events)


def test_a_complete_last_event_without_its_line_end_counts(read):
    run = read(MEASURED, events="after_part,event,amount_um\n2,offset,-2.0\n3,offset,-3.5")

    assert run.events["amount_um"].tolist() == [-2.0, -3.5]
    assert any("no line end; it is complete" in remark for remark in run.remarks)


@pytest.mark.parametrize("event", ["offset", "dress"])
def test_an_amount_that_cannot_be_read_is_asked_about(read, event):
    file = f"part,seat A,event,amount_um\n1,25.0031,,\n2,25.0033,{event},-2x\n3,25.0031,,\n"

    run = read(file)

    assert len(run.measurements) == 3
    assert told(run) == [(2, "note" if event == "offset" else event, None)]
    assert run.events["note"].tolist() == ["offset -2x" if event == "offset" else ""]
    assert any(
        r.startswith("question: ") and f"row 3: the amount of '{event}' cannot be read: '-2x'" in r
        for r in run.remarks
    )


def test_an_offset_beyond_the_largest_move_is_kept_and_asked_about(read):
    head = "part,seat A,event,amount_um\n1,25.0031,offset,"

    run = read(head + "99999\n2,25.0033,offset,20\n")

    assert told(run) == [(1, "offset", 99999.0), (2, "offset", 20.0)]
    (asked,) = [r for r in run.remarks if "largest move" in r]
    assert "row 2: an offset of +99999 µm is more than the largest move of the plan, 20" in asked


def test_events_told_by_two_files_count_once(read):
    file = (
        "part,time,seat A,event,amount_um\n1,2026-11-19 06:00,25.0031,,\n"
        "2,2026-11-19 06:01,25.0032,offset,-2\n3,2026-11-19 06:02,25.0033,dress,\n"
        ",2026-11-19 06:04,,dress,\n4,2026-11-19 06:04,25.0033,,\n"
    )

    run = read(file, events=file)

    assert told(run) == [(2, "offset", -2.0), (3, "dress", None), (3, "dress", None)]
    assert run.account["events"] == 3
    assert any("3 of 3 events stand in" in r and "count once" in r for r in run.remarks)


def test_a_second_equal_move_of_one_file_counts(read):
    file = "part,seat A,event,amount_um\n1,25.0031,offset,-2\n,,offset,-2\n2,25.0033,,\n"
    events = "after_part,event,amount_um\n1,offset,-2\n1,offset,-2\n1,offset,-2\n"

    assert told(read(file)) == [(1, "offset", -2.0)] * 2
    assert told(read(file, events=events)) == [(1, "offset", -2.0)] * 3


def test_events_by_time_need_times_in_the_measurements(read):
    with pytest.raises(UnreadableRun, match="measurements have none"):
        read("part,seat A\n1,25.0031\n", events="time,event\n2026-11-19 06:00,dress\n")


def test_dashes_in_a_row_of_an_event_are_no_readings(read):
    run = read("part,seat A,seat B,event\n1,25.0031,19.9946,\n,---,-,dress\n2,25.0031,19.9946,\n")

    assert told(run) == [(1, "dress", None)]
    assert len(run.rejects) == 0
