import pytest

from spc.errors import UnreadableRun
from spc.intake.gauge_file import read_gauge_rows


def test_rows_of_a_study_are_read_in_micrometres(tmp_path):
    file = tmp_path / "study.csv"
    file.write_text("Prüfer;Teil;Messwert\nA;1;25,0031\nB;1;25,0033 mm\n", encoding="cp1252")

    rows = read_gauge_rows(file)

    assert rows.people == ("A", "B")
    assert rows.readings_um == (25003.1, 25003.3)


def test_one_person_needs_no_column(tmp_path):
    file = tmp_path / "study.csv"
    file.write_text("part,reading\n1,3.1\n1,3.3\n")

    assert read_gauge_rows(file, unit="um").people == ("one person", "one person")


def test_the_true_value_of_a_part_stands_beside_its_readings(tmp_path):
    file = tmp_path / "study.csv"
    file.write_text("part;reference;reading\nring;25.000;25.0004\nring;25.000;25,0002\n")

    rows = read_gauge_rows(file)

    assert rows.references_um == (25000.0, 25000.0)
    assert rows.readings_um == (25000.4, 25000.2)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("who,what\nA,1\n", "no known column"),
        ("appraiser,part,reading\nA,1,nan\n", "row 2"),
        ("appraiser,part,reading\nA,1\n", "row 2: too few"),
        ("appraiser,part,reading\n", "no measurements"),
        ("part,reference,reading\n1,,25\n", "row 2"),
        ("part,reference,reading\n1,25,25\n1,26,25\n", "row 3: part '1' has the reference '26'"),
        (
            "part,reference,reading\nr,20.000,20.001\nr,20.000,12 um\n",
            r"row 3: the reading '12 um' is nowhere near its reference '20.000' \(12 µm and 20000",
        ),
        ("part,reference,reading\nr,20.000,12.000\n", "row 2: the reading '12.000' is nowhere"),
        ("part,reference,reading\nr,0.002,2.1\n", "nowhere near .* with units where they differ"),
        ("", "empty"),
    ],
)
def test_what_is_no_study_is_refused_with_its_place(tmp_path, text, says):
    file = tmp_path / "study.csv"
    file.write_text(text)

    with pytest.raises(UnreadableRun, match=says):
        read_gauge_rows(file)


@pytest.mark.parametrize(("true", "read"), [("25.000", "25.060"), ("2.0 um", "90 um")])
def test_a_reading_that_a_poor_gauge_could_give_is_kept(tmp_path, true, read):
    file = tmp_path / "study.csv"
    file.write_text(f"part,reference,reading\nring,{true},{read}\n")

    assert len(read_gauge_rows(file).readings_um) == 1


def test_a_part_of_two_references_is_named_short_and_harmless(tmp_path):
    file = tmp_path / "study.csv"
    evil = chr(0x202E) + "r" * 300
    file.write_text(f"part,reference,reading\n{evil},25,25\n{evil},26,26\n", encoding="utf-8")

    with pytest.raises(UnreadableRun) as told:
        read_gauge_rows(file)

    assert r"\u202e" in str(told.value)
    assert chr(0x202E) not in str(told.value)
    assert "r" * 40 not in str(told.value)
