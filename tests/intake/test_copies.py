"""Rows that nothing but their readings tells apart, pasted twice, are asked about and left out."""

import numpy as np
import pytest


def readings(count=40, seed=3):
    rng = np.random.default_rng(seed)
    um = 4 + 0.1 * np.arange(count) + rng.normal(0, 0.5, count)
    return [f"{25 + each / 1000:.4f}\n" for each in um]


def asked(run):
    return [r for r in run.remarks if r.startswith("question: ") and "pasted twice" in r]


def test_an_export_pasted_twice_without_numbers_and_times_counts_once(read):
    rows = readings()

    once, twice = read("seat A\n" + "".join(rows)), read("seat A\n" + "".join(rows + rows))

    assert not asked(once)
    (question,) = asked(twice)
    assert "run.csv, rows 42 to 81 are left out: the same 40 readings" in question
    assert "the same order as in rows 2 to 41; pasted twice?" in question
    alike = ["part", "serial", "deviation_um", "repeat", "row"]
    assert twice.measurements[alike].equals(once.measurements[alike])
    assert twice.rejects["row"].tolist() == list(range(42, 82))
    assert twice.rejects["reason"].str.startswith("question: the same 40 readings").all()


def test_parts_behind_a_copy_go_on_counting_where_the_copied_ones_ended(read):
    rows = readings()

    run = read("seat A\n" + "".join(rows + rows + ["25.0111\n", "25.0112\n"]))

    assert run.measurements["part"].tolist() == list(range(1, 43))


def test_a_copy_in_another_file_is_found_too(read):
    rows = readings()

    run = read(["seat A\n" + "".join(rows), "seat A,seat B\n" + "".join(
        row.replace("\n", ",\n") for row in [*rows[10:], "25.0111\n"])])  # fmt: skip

    assert len(run.measurements) == 41
    assert "rows 12 to 41 of" in asked(run)[0]


def test_a_dress_inside_a_copy_is_no_second_dress(read):
    rows = [row.replace("\n", ",\n") for row in readings()]
    rows.insert(20, ",dress\n")

    run = read("seat A,event\n" + "".join(rows + rows))

    assert run.events["after_part"].tolist() == [20]
    assert run.measurements["part"].max() == 40


def test_places_of_a_pallet_make_no_row_another_part(read):
    rows = [f"{1 + i % 8},{row}" for i, row in enumerate(readings())]

    assert len(asked(read("part,seat A\n" + "".join(rows + rows)))) == 1


@pytest.mark.parametrize("head", ["part,seat A\n", "time,seat A\n"])
def test_rows_with_numbers_or_times_of_their_own_are_no_copies(read, head):
    rows = readings() * 2
    keys = range(1, 81) if head[0] == "p" else [f"2026-11-19 {6 + i // 60:02}:{i % 60:02}"
                                                for i in range(80)]  # fmt: skip

    run = read(head + "".join(f"{key},{row}" for key, row in zip(keys, rows, strict=True)))

    assert not asked(run)
    assert len(run.measurements) == 80


def test_a_gauge_that_stands_still_makes_no_copies(read):
    assert not asked(read("seat A\n" + "25.0061\n" * 200))
    assert not asked(read("seat A\n" + "25.0061\n25.0062\n" * 100))
