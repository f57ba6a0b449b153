"""What somebody must answer: slips, words and amounts in doubt, features without readings."""

import pytest
from forty import FORTY, for_nominal, sizes

from spc.plan import read_plan


def questions(run):
    return [remark for remark in run.remarks if remark.startswith("question: ")]


@pytest.mark.parametrize("cell", ["400080", "4,0080"])
def test_a_reading_that_cannot_be_a_size_is_kept_and_asked_about(read, cell):
    plan = for_nominal(40, 0.013, 0.002)

    run = read(sizes(*FORTY[:3], cell, *FORTY[3:]), plan=plan)

    assert len(run.rejects) == 0
    assert len(run.measurements) == 8
    (asked,) = questions(run)
    assert f"run.csv, row 5, seat A: {cell} cannot be a size of this part" in asked
    assert "kept and flagged" in asked


def test_a_size_that_is_only_far_off_is_asked_about_in_other_words(read):
    (asked,) = questions(read(sizes("25,0031", "25,0700", "25,0044", head="part;seat A"),
                              plan=for_nominal(25, 0.011, 0.002)))  # fmt: skip

    assert "row 3, seat A: 25,0700 lies more than three tolerance widths from nominal" in asked


def test_many_doubts_are_named_up_to_five_and_counted(read):
    cells = ["25,0031"] * 20 + [f"25,07{i}0" for i in range(8)]

    asked = questions(read(sizes(*cells), plan=for_nominal(25, 0.011, 0.002)))

    assert len(asked) == 6
    assert asked[-1].endswith("3 more doubtful readings")


@pytest.mark.parametrize(
    ("word", "meant"), [("drss", "; was 'dress' meant?"), ("tea at last", "kept as a note")]
)
def test_an_event_that_is_not_known_is_a_note_and_a_question(read, word, meant):
    run = read(f"part;seat A;seat B;event\n1;25,0031;19,9946;\n;;;{word}\n2;25,0044;19,9950;\n")

    assert run.events[["kind", "note", "row"]].values.tolist() == [["note", word, 3]]
    (asked,) = questions(run)
    assert f"run.csv, row 3: event {word!r} is not known and kept as a note" in asked
    assert asked.endswith(meant)


@pytest.mark.parametrize(("amount", "asked"), [("-0,003", True), ("0", False), ("-0,5", False),
                                               ("-3", False), ("-0,003 mm", False)])  # fmt: skip
def test_an_offset_far_below_the_step_of_the_machine_is_a_question(read, amount, asked):
    run = read(
        "part;seat A;seat B;event;amount_um\n1;25,0031;19,9946;;\n"
        f";;;offset;{amount}\n2;25,0044;19,9950;;\n"
    )

    said = questions(run)
    assert bool(said) == asked
    if asked:
        assert run.events["amount_um"].tolist() == [-0.003]
        assert "row 3: the offset '-0,003' is taken as -0.003 µm" in said[0]
        assert said[0].endswith("is it in mm?")


def test_a_feature_that_no_file_holds_is_a_question(read):
    assert questions(read("part,seat A\n1,25.0031\n")) == [
        "question: no file has a column or row of 'seat B'"
    ]


def test_wide_limits_of_the_plan_are_asked_about(read):
    text = '[job]\npart = "Pin"\n[[feature]]\nname = "seat A"\nnominal = 25.0\nupper = 0.6\n'
    plan = read_plan(text.encode(), source="plan.toml")

    run = read("part,seat A\n1,25.0031\n", plan=plan)

    assert run.remarks[0].startswith("question: feature 'seat A': a limit at a deviation of 0.6 mm")


@pytest.mark.parametrize("cell", ["n.i.O.", ">25,008", "< 24,9", "NOK", "Ausschuß", "hors tol."])
def test_a_part_called_bad_without_a_size_is_asked_about_first(read, cell):
    run = read(f"part;seat A\n1;25,0031\n2;{cell}\n3;250031\n4;25,0044\n")

    assert run.rejects[["row", "text"]].values.tolist() == [[3, cell]]
    assert "out of limits and gives no size" in run.rejects["reason"].iloc[0]
    assert questions(run)[0].endswith(
        f"run.csv, row 3, seat A: {cell} says that the part is out of limits, with no size;"
        " where is that part?"
    )


def test_a_gauge_that_gave_nothing_calls_no_part_bad(read):
    run = read("part,seat A,seat B\n1,25.0031,19.99\n2,ERR,19.99\n3,---,19.99\n", name="a.csv")

    assert not questions(run)


def test_impossible_readings_of_a_feature_are_one_question(read):
    cells = [*["25,0063"] * 5, "250069", "25.006,3", "-25,0071"]
    run = read(sizes(*cells), plan=for_nominal(25, 0.011, 0.002))

    assert len(run.measurements) == 8
    (asked,) = questions(run)
    assert "3 readings cannot be sizes of this part (nominal 25 mm)" in asked
    assert asked.endswith("(row 7: 250069, row 8: 25.006,3, row 9: -25,0071)")
