"""Sizes and deviations, units, repeats, long form, jobs, warmth: what numbers mean."""

import math

import pytest

from spc.errors import PlanError, UnreadableRun
from spc.plan import read_plan

SLEEVE = read_plan(
    b"""
[job]
part = "Sleeve"
[[feature]]
name = "seat A"
nominal = 25.0
upper = 0.011
lower = 0.002
expansion_per_kelvin = 11.5e-6
[[feature]]
name = "roundness"
kind = "roundness"
upper = 3.0
unit = "um"
""",
    source="sleeve.toml",
)


def test_units_in_cells_are_read_cell_by_cell(read, taken):
    run = read(
        'part;seat A;seat B\n1;25,0031 mm;19,9946mm\n2;,984375";-5,4 µm\n3;+3,1 µm;−0,0054 mm\n'
        "4;25,0044;0,787189 in\n"
    )

    assert taken(run) == pytest.approx(
        {
            ("1", "seat A", 0): 3.1, ("1", "seat B", 0): -5.4, ("2", "seat A", 0): 3.125,
            ("2", "seat B", 0): -5.4, ("3", "seat A", 0): 3.1, ("3", "seat B", 0): -5.4,
            ("4", "seat A", 0): 4.4, ("4", "seat B", 0): -5.399,
        },
        abs=0.001,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("header", "cell"),
    [
        ("seat A [µm]", "3,1"),
        ("seat A (um)", "+3,1"),
        ("seat A", "3,1"),
        ("seat A", "0,0031"),
        ("seat A deviation", "0,0031"),
        ("Abw. seat A [µm]", "3,1"),
        ("Δ seat A / mm", "+0,0031"),
        ("seat A [µm]", "25003,1"),
        ("seat A", "25003,1"),
        ("seat A in mm", "25,0031"),
        ("D seat A", "25,0031"),
        ("seat A dev", "25,0031"),
        ("seat A actual", "3,1"),
        ("seat A, inch", "0,984374016"),
    ],
)
def test_deviation_or_size_is_told_by_unit_and_magnitude(read, header, cell):
    run = read(f"part;{header}\n1;{cell}\n2;{cell}\n")

    assert run.measurements["deviation_um"].tolist() == pytest.approx([3.1, 3.1], abs=1e-4)
    assert run.measurements["reading"].tolist() == pytest.approx([25.0031] * 2, abs=1e-7)


def test_deviations_told_by_their_size_are_named_on_the_page(read):
    run = read("part;seat A\n1;3,1\n2;4,4\n")

    assert any("seat A" in r and "deviations in um" in r for r in run.remarks)


@pytest.mark.parametrize("coarse", [[-5, -25, -10, 5, -5, -10], [-5]])
def test_zeros_do_not_tell_the_unit_of_deviations(read, coarse):
    own = [*[0] * (20 - len(coarse)), *coarse]
    lines = "".join(f"{i};{5 + i % 2};{um}\n" for i, um in enumerate(own))

    run = read(f"part;seat A;seat B\n{lines}")

    of_b = run.measurements[run.measurements["feature"] == "seat B"]
    assert of_b["deviation_um"].tolist() == own
    assert any("'seat B': deviations in um" in remark for remark in run.remarks)
    fine = read("part;seat A\n" + "".join(f"{i};{um / 1000}\n" for i, um in enumerate(own)))
    assert fine.measurements["deviation_um"].tolist() == pytest.approx(own)


def test_a_column_of_units_speaks_for_its_row(read, taken):
    run = read(
        "part;feature;value;unit\n1;seat A;25,0031;mm\n1;seat B;-5,4;µm\n2;SEAT A;0,98437;in\n"
        "2;seat b;19,9946;\n"
    )

    assert taken(run) == pytest.approx(
        {("1", "seat A", 0): 3.1, ("1", "seat B", 0): -5.4, ("2", "seat A", 0): 2.998,
         ("2", "seat B", 0): -5.4}
    )  # fmt: skip


def test_rows_of_other_features_are_left_out_and_named(read):
    run = read("Teil;Merkmal;Messwert\n1;seat A;25,0031\n1;runout;2,1\n2;seat A;25,0040\n")

    assert run.account["cells"] == 2
    assert any("runout" in remark for remark in run.remarks)


def test_a_long_file_without_part_numbers_starts_a_part_when_a_feature_comes_again(read, taken):
    run = read(
        "feature;value\nseat A;25,0031\nseat B;19,9946\nseat A;25,0044\nseat A;25,0051\n"
        "seat B;19,9950\n"
    )

    assert taken(run) == {
        ("1", "seat A", 0): 3.1, ("1", "seat B", 0): -5.4, ("2", "seat A", 0): 4.4,
        ("3", "seat A", 0): 5.1, ("3", "seat B", 0): -5.0,
    }  # fmt: skip


def test_a_single_feature_may_be_called_value(read):
    plan = read_plan(
        b'[job]\npart = "Pin"\n[[feature]]\nname = "shank"\nnominal = 8.0\nupper = 0.01\n',
        source="pin.toml",
    )

    for header in ("Messwert", "value", "Durchmesser [mm]", "Istwert"):
        run = read(f"Nr;{header}\n1;8,0031\n2;8,0012\n", plan=plan)
        assert run.measurements["deviation_um"].tolist() == [3.1, 1.2]


@pytest.mark.parametrize(
    "headers",
    [
        ("seat A 1", "seat A 2", "seat A 3"),
        ("seat A_1", "seat A_2", "seat A_3"),
        ("seat A [mm] 1", "seat A [mm] 2", "seat A [mm] 3"),
        ("seat A 1 [mm]", "seat A 2 [mm]", "seat A 3 [mm]"),
        ("seat A (1)", "seat A (2)", "seat A (3)"),
        ("Seat A #1", "Seat A #2", "Seat A #3"),
        ("seat A reading 1", "seat A reading 2", "seat A reading 3"),
        ("seat A", "seat A", "seat A"),
        ("seat A", "seat A.1", "seat A.2"),
    ],
)
def test_readings_side_by_side_are_repeats(read, taken, headers):
    one, two, three = headers
    run = read(f"part,{two},{one},seat B,{three}\n7,25.0041,25.0051,19.9946,25.0061\n")
    first, second = (4.1, 5.1) if one == two else (5.1, 4.1)

    assert taken(run) == {
        ("7", "seat A", 0): first, ("7", "seat A", 1): second, ("7", "seat A", 2): 6.1,
        ("7", "seat B", 0): -5.4,
    }  # fmt: skip
    assert run.measurements["part"].unique().tolist() == [1]


def test_a_place_that_is_blank_or_refused_keeps_its_number(read, taken):
    run = read("part,seat A 1,seat A 2,seat A 3\n7,ERR,,25.0061\n8,25.0051,25.0052,\n")

    assert taken(run) == {
        ("7", "seat A", 2): 6.1, ("8", "seat A", 0): 5.1, ("8", "seat A", 1): 5.2
    }  # fmt: skip


def test_a_feature_whose_name_ends_in_a_number_is_no_repeat(read, taken):
    plan = read_plan(
        b'[job]\npart = "Spool"\n'
        b'[[feature]]\nname = "land 1"\nnominal = 0.6248\nupper = 0.0002\nunit = "in"\n'
        b'[[feature]]\nname = "land 2"\nnominal = 0.6248\nupper = 0.0002\nunit = "in"\n',
        source="spool.toml",
    )

    run = read("part,land 1 1,land 1 2,land 2\n1,.62485,.62480,.62475\n", plan=plan)

    assert taken(run) == pytest.approx(
        {("1", "land 1", 0): 1.27, ("1", "land 1", 1): 0.0, ("1", "land 2", 0): -1.27}
    )


def test_a_deviation_beside_its_size_is_not_a_second_reading(read, taken):
    run = read("part;seat A;seat A dev\n1;25,0031;0,0031\n2;25,0044;0,0044\n")

    assert taken(run) == {("1", "seat A", 0): 3.1, ("2", "seat A", 0): 4.4}


def test_statistics_beside_the_readings_are_no_readings(read, taken):
    run = read(
        "part;seat A 1;seat A 2;seat A mean;seat A range\n1;25,0031;25,0033;25,0032;0,0002\n"
    )

    assert taken(run) == {("1", "seat A", 0): 3.1, ("1", "seat A", 1): 3.3}


def test_a_column_splits_the_file_by_machine(read, taken):
    text = (
        "part;machine;seat A\n1;Grinder 2;25,0031\n1;Grinder 3;25,0090\n2;grinder 2;25,0044\n"
        "2;Grinder 3;OVER\n"
    )
    run = read(text, '[reading]\nsplit_by = "Machine"\n')

    assert taken(run) == {("1", "seat A", 0): 3.1, ("2", "seat A", 0): 4.4}
    assert run.account["cells"] == 2
    assert len(run.rejects) == 0
    assert any("2 rows" in r and "other jobs" in r for r in run.remarks)
    other = read(text, '[reading]\nsplit_by = "machine"\nsplit_value = "Grinder 3"\n')
    assert taken(other) == {("1", "seat A", 0): 9.0}
    with pytest.raises(UnreadableRun, match=r"ambiguous.*'Grinder 2', 'Grinder 3'"):
        read(text, '[reading]\nsplit_by = "machine"\nsplit_value = "Grinder 9"\n')


def test_a_warm_part_is_brought_to_20_degrees(read):
    # 25 mm of steel, 11.5e-6 per kelvin, 6 K too warm: 1.725 µm larger than at 20 °C.
    text = (
        "part;seat A;roundness;Temp. [°C]\n1;25,0067;1,4;26,0\n2;25,0067;1,5;20\n3;25,0067;1,5;\n"
    )

    run = read(text, plan=SLEEVE)

    seat = run.measurements[run.measurements["feature"] == "seat A"]
    assert seat["deviation_um"].tolist() == pytest.approx([6.7 - 1.725, 6.7, 6.7])
    assert seat["reading"].tolist() == [25.0067] * 3
    assert run.measurements["temperature"].tolist()[:4] == [26.0, 26.0, 20.0, 20.0]
    assert math.isnan(run.measurements["temperature"].iloc[-1])
    form = run.measurements[run.measurements["feature"] == "roundness"]
    assert form["deviation_um"].tolist() == [1.4, 1.5, 1.5]
    said = " ".join(run.remarks)
    assert "2 deviations are brought to 20 °C" in said
    assert "1 deviations have no temperature" in said


def test_fahrenheit_is_told_by_the_header(read):
    run = read("part;seat A;Temp (°F)\n1;25,0067;78,8\n2;25,0067;68\n", plan=SLEEVE)

    assert run.measurements["temperature"].tolist() == pytest.approx([26.0, 20.0])


def test_gauge_and_operator_stand_in_the_frame(read):
    run = read("part;seat A;Messmittel;Bediener\n1;25,0067;M 12;A\n2;25,0061;M 14;B\n")

    assert run.measurements["gauge"].tolist() == ["M 12", "M 14"]
    assert run.measurements["operator"].tolist() == ["A", "B"]


def test_numbered_readings_of_a_long_file_are_repeats(read, taken):
    run = read("Teil;Merkmal;Messwert 1;Messwert 2\n1;seat A;25,0031;25,0033\n1;seat B;19,9946;\n")

    assert taken(run) == {
        ("1", "seat A", 0): 3.1, ("1", "seat A", 1): 3.3, ("1", "seat B", 0): -5.4
    }  # fmt: skip
    assert run.account["blank"] == 1


def test_a_unit_of_another_kind_refuses_the_cell(read):
    run = read("part,feature,value,unit\n1,seat A,25.0031,mm\n2,seat A,25.0033,kg\n")

    assert run.rejects[["row", "text"]].values.tolist() == [[3, "25.0033"]]
    assert "no unit of length" in run.rejects["reason"].iloc[0]


def test_a_unit_that_the_numbers_contradict_refuses_the_file(read):
    with pytest.raises(UnreadableRun, match=r"column 'seat A \[µm\]'.*unit is ambiguous"):
        read("part;seat A [µm]\n1;25,0031\n2;25,0044\n")


def test_a_form_error_below_zero_is_named(read):
    run = read("part;roundness\n1;-1,4\n2;1,5\n", plan=SLEEVE)

    assert len(run.rejects) == 0
    assert any("roundness: -1,4" in remark for remark in run.remarks)


def test_what_the_plan_maps_is_not_looked_for_by_its_name(read, taken):
    run = read("part,seat A,D1\n1,25.9,25.0031\n2,25.9,25.0044\n", '[columns]\n"seat A" = "D1"\n')

    assert taken(run) == {("1", "seat A", 0): 3.1, ("2", "seat A", 0): 4.4}


def test_a_mapped_header_may_stand_side_by_side_too(read, taken):
    run = read("part,D1 [mm] 1,D1 [mm] 2\n1,25.0031,25.0033\n", '[columns]\n"seat A" = "D1 [mm]"\n')

    assert taken(run) == {("1", "seat A", 0): 3.1, ("1", "seat A", 1): 3.3}


def test_a_mapping_of_nothing_known_is_refused(read):
    with pytest.raises(PlanError, match="columns: 'prat' is no feature"):
        read("part,seat A\n1,25.0031\n", '[columns]\nprat = "Part No"\n')


def test_a_feature_that_no_file_holds_is_named(read):
    run = read("part,seat A\n1,25.0031\n")

    assert "question: no file has a column or row of 'seat B'" in run.remarks


def test_a_mapped_header_may_name_another_unit_or_none(read, taken):
    for header, cell in (("D1", "25.0031"), ("D1 [in]", "0.984374016"), ("d1 (mm)", "25.0031")):
        run = read(f"part,{header}\n1,{cell}\n2,{cell}\n", '[columns]\n"seat A" = "D1 [mm]"\n')

        assert taken(run)["1", "seat A", 0] == 3.1


def test_one_header_cannot_be_two_features(read):
    with pytest.raises(PlanError, match="'D1' is given to 'seat A' and to 'seat B'"):
        read("part,D1\n1,25.0\n", '[columns]\n"seat A" = "D1"\n"seat B" = "D1"\n')


def test_names_that_differ_by_a_sign_only_stay_apart(read, taken):
    plan = read_plan(
        b'[job]\npart = "x"\n[[feature]]\nname = "D-1"\nnominal = 25.0\nupper = 0.01\n'
        b'[[feature]]\nname = "D 1"\nnominal = 20.0\nupper = 0.01\n',
        source="x.toml",
    )

    run = read("part,D 1,D-1\n1,20.0031,25.0044\n", plan=plan)

    assert taken(run) == {("1", "D 1", 0): 3.1, ("1", "D-1", 0): 4.4}
