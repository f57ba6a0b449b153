"""Sizes of another part, and the deviations that must not be taken for them."""

import pytest
from forty import FORTY, for_nominal, sizes

from spc.errors import UnreadableRun
from spc.plan import read_plan


@pytest.mark.parametrize(
    ("nominal", "upper", "lower"),
    # The k5 limits of ISO 286-2 for 10, 25, 30, 42, 50 and 100 mm; far sizes; and a place where
    # 40 lies between the limits in um.
    [(10, 0.007, 0.001), (25, 0.011, 0.002), (30, 0.011, 0.002), (42, 0.013, 0.002),
     (50, 0.013, 0.002), (100, 0.018, 0.003), (60, 0.015, 0.002), (50, 0.05, 0.034)],
)  # fmt: skip
@pytest.mark.parametrize("head", ["part;seat A", "part;seat A [mm]"])
def test_sizes_of_another_part_refuse_the_file(read, nominal, upper, lower, head):
    with pytest.raises(UnreadableRun, match=r"column 'seat A") as refused:
        read(sizes(*FORTY, head=head), plan=for_nominal(nominal, upper, lower))

    said = str(refused.value)
    assert "median is 40.0068" in said
    assert f"nominal of {nominal} mm" in said
    assert "right plan" in said
    assert "unit" in said
    assert "[columns]" in said


def test_inches_of_another_part_refuse_the_file(read):
    cells = ("1.57502", "1.57505", "1.57509", "1.57511", "1.57508")

    with pytest.raises(UnreadableRun, match=r"column 'seat A'.*nominal of 1.25 in"):
        read(sizes(*cells), plan=for_nominal(1.25, 0.0005, 0.0001, "in"))


def test_a_few_sizes_of_another_part_are_enough(read):
    with pytest.raises(UnreadableRun, match="right plan"):
        read(sizes("40,0054", "40,0062"), plan=for_nominal(50, 0.013, 0.002))


def test_a_stray_slip_among_sizes_of_another_part_hides_nothing(read):
    with pytest.raises(UnreadableRun, match="right plan"):
        read(sizes(*FORTY, "400080", *FORTY), plan=for_nominal(50, 0.013, 0.002))


@pytest.mark.parametrize(
    ("head", "cells", "um"),
    [
        ("part;seat A", ("6,4", "7,1", "5,9", "6,6", "7,4"), 6.4),
        ("part;seat A", ("6.412", "7.104", "5.988", "6.630", "7.411"), 6.412),
        ("part;seat A", ("40,1", "40,4", "39,8", "40,6", "40,2"), 40.1),
        ("part;seat A", ("0,0064", "0,0071", "0,0059", "0,0064", "0,0066"), 6.4),
        ("part;seat A", ("0,0064",) * 5, 6.4),
        ("part;seat A", ("6.400",) * 5, 6.4),
        ("part;seat A", ("-4.412", "-4.104", "-3.988", "-4.630", "-4.411"), -4.412),
        ("part;seat A [µm]", FORTY, 40.0054),
        ("part;seat A deviation", FORTY, 40.0054),
    ],
)
def test_deviations_stay_deviations(read, head, cells, um):
    run = read(sizes(*cells, head=head), plan=for_nominal(50, 0.013, 0.002))

    assert run.measurements["deviation_um"].iloc[0] == pytest.approx(um, abs=1e-9)
    assert len(run.measurements) == len(cells)


def test_thousandths_of_an_inch_stay_deviations(read):
    cells = ("+0.0004", "+0.0003", "+0.0004", "+0.0005", "+0.0004")

    run = read(sizes(*cells), plan=for_nominal(1.25, 0.0005, 0.0001, "in"))

    assert run.measurements["deviation_um"].iloc[0] == pytest.approx(10.16)


def fifties(count):
    return [f"50,0{60 + i % 7:03d}" for i in range(count)]


def test_single_cells_with_a_unit_of_their_own_refuse_no_file(read):
    # One cell in a hundred carries its unit and another nominal, as a hand-typed line would.
    cells = fifties(400)
    cells[50::100] = ["40,0062 mm"] * 4

    run = read(sizes(*cells), plan=for_nominal(50, 0.013, 0.002))

    assert run.account["measurements"] + run.account["rejected"] == 400
    (asked,) = [r for r in run.remarks if "4 readings cannot be sizes of this part" in r]
    assert asked.count("40,0062 mm") == 4


@pytest.mark.parametrize("kept", [1, 15])
def test_a_few_cells_that_fit_do_not_save_a_column_of_another_part(read, kept):
    cells = [f"40,0{60 + i % 7:03d}" for i in range(30)] + ["50,0063 mm"] * kept

    with pytest.raises(UnreadableRun, match="right plan"):
        read(sizes(*cells), plan=for_nominal(50, 0.013, 0.002))


BY_FIT = '[job]\npart = "Pump shaft"\n[[feature]]\nname = "seat A"\nfit = "50 k5"\n'


@pytest.mark.parametrize(
    "plan", [for_nominal(50, 0.013, 0.002), read_plan(BY_FIT.encode(), source="plan.toml")]
)
@pytest.mark.parametrize("strange", [1, 10])
def test_bare_sizes_of_another_part_among_others_are_not_guessed_to_be_deviations(
    read, strange, plan
):
    cells = ["50,0063 mm"] * 20 + [f"40,0{60 + i % 7:03d}" for i in range(strange)]

    run = read(sizes(*cells), plan=plan)

    assert run.account["measurements"] == 20
    assert run.account["rejected"] == strange
    assert run.rejects["reason"].str.contains("size of another part").all()
    assert run.rejects["row"].tolist() == list(range(22, 22 + strange))


def test_bare_deviations_among_sizes_that_name_their_unit_are_taken(read):
    run = read(sizes(*["50,0063 mm"] * 20, "6,1", "5,8", "7,2"), plan=for_nominal(50, 0.013, 0.002))

    assert run.measurements["deviation_um"].tolist()[-3:] == pytest.approx([6.1, 5.8, 7.2])
