import numpy as np
import plotly.graph_objects as go
import pytest
import studies

from spc.report.gauge_bias import bias_chapter, bias_notes, bias_table, bias_words, known_rows
from spc.report.gauge_figures import linearity_figure
from spc.report.known_parts import KnownParts
from spc.report.pages import write_gauge_study
from spc.report.voice import voice

SAY = voice()
#: The linearity example of Measurement Systems Analysis, 3rd ed. 2002 (values from memory): five
#: references, twelve readings each.
MANUAL = {
    2.0: [2.7, 2.5, 2.4, 2.5, 2.7, 2.3, 2.5, 2.5, 2.4, 2.4, 2.6, 2.4],
    4.0: [5.1, 3.9, 4.2, 5.0, 3.8, 3.9, 3.9, 3.9, 3.9, 4.0, 4.1, 3.8],
    6.0: [5.8, 5.7, 5.9, 5.9, 6.0, 6.1, 6.0, 6.1, 6.4, 6.3, 6.0, 6.1],
    8.0: [7.6, 7.7, 7.8, 7.7, 7.8, 7.8, 7.8, 7.7, 7.8, 7.5, 7.6, 7.7],
    10.0: [9.1, 9.3, 9.5, 9.3, 9.4, 9.5, 9.5, 9.5, 9.6, 9.2, 9.3, 9.4],
}


def manual():
    true = np.repeat(list(MANUAL), 12)
    return KnownParts(true, np.concatenate(list(MANUAL.values())), ("A",) * 60, ("m",) * 60)


def test_the_picture_draws_the_line_of_the_manual():
    # It prints slope -0.131667 and intercept 0.736667: -0.58 at 10, +0.473 at 2; over the eight
    # between them -1.053.
    known = manual()

    chapter = bias_chapter(known, SAY)

    (picture,) = chapter.pictures
    go.Figure(picture.spec)
    _, _, course, means = picture.spec["data"]
    assert course["y"][0] == pytest.approx(0.736667 - 2 * 0.131667, abs=6e-4)
    assert course["y"][-1] == pytest.approx(0.736667 - 10 * 0.131667, abs=6e-4)
    assert means["y"] == pytest.approx([0.491667, 0.125, 0.025, -0.291667, -0.616667], abs=6e-4)
    assert picture.caption.startswith(
        "The gauge does not read true: at 10.0 µm it reads 0.58 µm too little on average (95 % for "
        "all sizes together: "
    )
    assert "From 2.0 µm to 10.0 µm its error changes by −1.05 µm (95 %: −1.23" in picture.caption


def test_the_table_below_holds_every_size_with_its_bounds_and_the_line():
    table = bias_table(manual(), SAY)

    assert [row[:3] for row in table.rows] == [
        ("2.0 µm", "12", "+0.49"), ("4.0 µm", "12", "+0.12"), ("6.0 µm", "12", "+0.02"),
        ("8.0 µm", "12", "−0.29"), ("10.0 µm", "12", "−0.62"),
    ]  # fmt: skip
    assert table.rows[0][4] == "+0.47"
    assert len(known_rows(manual(), SAY).rows) == 60


def test_a_gauge_that_reads_true_is_not_accused_and_says_how_sure_that_is():
    words = " ".join(bias_words(studies.invented_known_parts(), SAY))

    assert words.startswith("No error of the gauge is proven at any of the 3 reference sizes: its")
    assert "That its error changes with size is not proven: from 24.9900 mm to 25.0100 mm" in words


@pytest.mark.parametrize(("error", "says"), [(0.8, "too large"), (-0.8, "too small"), (0, "No er")])
def test_one_reference_gives_the_bias_alone(error, says):
    known = studies.invented_known_parts(sizes=(25.0,), error=error)

    (words,) = bias_words(known, SAY)

    assert says in words
    assert "12 readings of 25.0000 mm" in words
    go.Figure(bias_chapter(known, SAY).pictures[0].spec)


def test_means_off_the_line_few_readings_and_several_people_are_said_below():
    known = studies.invented_known_parts(bend=0.02, each=5)
    known = KnownParts(known.references_um, known.readings_um, ("A", "B", *known.people[2:]),
                       known.parts)  # fmt: skip

    bent, thin, people, masters = bias_notes(known, SAY)

    assert bent.startswith("The means do not lie on one straight line (p: ")
    assert thin.startswith("Some reference was read only 5 times")
    assert people.startswith("Readings of 3 people")
    assert "uncertainty of the reference values" in masters
    assert len(bias_notes(studies.invented_known_parts(), SAY)) == 1


def read_at(errors, *, each=12, sd=0.2, sizes=(20.0, 25.0, 30.0)):
    """Invented setting rings whose means are off by exactly these errors."""
    away = np.resize([-1.0, 0.0, 1.0], each)
    away = away * sd / max(float(away.std(ddof=1)), 1e-12)
    true = np.repeat([1000 * size for size in sizes], each)
    read = true + np.repeat(errors, each) + np.tile(away, len(errors))
    return KnownParts(true, read, ("bench",) * len(true), ("ring",) * len(true))


def test_errors_off_the_line_convict_the_gauge_by_each_size():
    # The line through -0.5, +1.0, -0.5 is level at zero. Student's t of 11 degrees of freedom at
    # 1 - 0.05/6 is 2.820, between the printed 2.718 for 0.99 and 3.106 for 0.995: 0.163 at 0.2 µm
    # and 12 readings.
    known = read_at((-0.5, 1.0, -0.5))

    answer, ends = bias_words(known, SAY)
    table = bias_table(known, SAY)

    assert known.line.true_everywhere is False
    assert answer == (
        "The gauge does not read true: at 25.0000 mm it reads 1.00 µm too much on average "
        "(95 % for all sizes together: +0.84 µm to +1.16 µm)."
    )
    assert ends == (
        "Its mean error is least at 20.0000 mm, −0.50 µm, and greatest at 25.0000 mm, +1.00 µm."
    )
    assert table.rows[1][3] == "+0.84 to +1.16"
    assert [row[5] for row in table.rows] == ["–"] * 3
    assert bias_notes(known, SAY)[0].startswith(
        "The means do not lie on one straight line (p: below 0.001): each size is judged by its own"
    )
    assert len(linearity_figure(known, SAY)["data"]) == 3, "no band"


def test_identical_repeats_off_the_line_convict_the_gauge():
    known = read_at((0.0, 1.0, 0.0), each=2, sd=0.0)

    answer, _ = bias_words(known, SAY)

    assert "at 25.000 mm it reads 1.0 µm too much" in answer
    assert "the gauge's step hides their spread" in bias_notes(known, SAY)[1]


def test_means_off_the_line_that_convict_no_size_leave_it_open():
    known = read_at((-0.5, 1.0, -0.5), each=3, sd=0.4)

    answer, _ = bias_words(known, SAY)

    assert known.line.true_everywhere is None
    assert answer.startswith("Whether the gauge reads true is open")


def test_a_size_that_alone_proves_an_error_is_named_below_a_line_that_does_not():
    known = read_at((0.0, 0.19, 0.0, 0.0), sizes=(20.0, 25.0, 30.0, 35.0))

    assert bias_words(known, SAY)[0].startswith("No error of the gauge is proven at any of the 4")
    assert bias_notes(known, SAY)[0].startswith("By its own readings alone, the error at 25.0000")


def test_too_little_to_judge_says_so_and_draws_what_there_is():
    known = studies.invented_known_parts(sizes=(25.0,), each=1)

    assert "not enough yet" in bias_words(known, SAY)[0]
    go.Figure(bias_chapter(known, SAY).pictures[0].spec)
    with pytest.raises(ValueError, match="two sizes"):
        linearity_figure(known, SAY)


def test_names_of_people_and_parts_obey_no_markup(tmp_path):
    evil = "</script><b>"
    known = studies.invented_known_parts(each=2)
    known = KnownParts(known.references_um, known.readings_um, (evil,) * 6, (evil,) * 6)

    page = write_gauge_study(
        None, None, tmp_path, title="Rings", people=[evil], parts=[evil], known=known,
        as_of=studies.AS_OF,
    ).read_text("utf-8")  # fmt: skip

    assert evil not in page
    assert "6 readings of 3 reference sizes" in page


def test_names_of_people_and_parts_are_tamed_and_short():
    turned = "bench" + chr(0x202E) + "hcneb"
    known = studies.invented_known_parts(each=2)
    known = KnownParts(known.references_um, known.readings_um, (turned,) * 6, ("r" * 300,) * 6)

    (person, part, *_), *_ = known_rows(known, SAY).rows

    assert person == "bench⟨U+202E⟩hcneb"
    assert part == "r" * 39 + "…"
