"""Sizes among deviations and deviations among sizes are asked about, never taken as they stand."""

import numpy as np
import pytest

from spc.plan import read_plan

SEAT = read_plan(
    b'[job]\npart = "Pin"\n[[feature]]\nname = "seat"\nnominal = 25.0\nupper = 0.011\n'
    b"lower = 0.002\n",
    source="pin.toml",
)


def deviations(count=20, seed=1):
    rng = np.random.default_rng(seed)
    return [f"{3 + 0.2 * i + rng.normal(0, 0.4):.1f}" for i in range(count)]


def sizes(count=20):
    return [f"{25 + float(um) / 1000:.4f}" for um in deviations(count)]


def table(cells, head="seat"):
    return f"part,{head}\n" + "".join(f"{i},{cell}\n" for i, cell in enumerate(cells, 1))


def asked(run):
    return [r for r in run.remarks if r.startswith("question: ") and " among " in r]


@pytest.mark.parametrize("cell", ["25.006", "25.0064", "25"])
@pytest.mark.parametrize("head", ["seat", "seat [um]"])
def test_a_size_among_deviations_is_refused_and_asked_about(read, cell, head):
    cells = deviations()
    cells[12] = cell

    run = read(table(cells, head), plan=SEAT)
    assert run.rejects[["row", "column", "text"]].values.tolist() == [[14, head, cell]]
    assert "looks like a size among deviations" in run.rejects["reason"].iloc[0]
    (question,) = asked(run)
    assert f"seat: 1 cell looks like a size among 19 deviations (row 14: {cell})" in question
    assert run.measurements["deviation_um"].max() < 12


@pytest.mark.parametrize("cell", ["0.0064", "6.4", "-0.0064", "+6.4", "0", "20"])
def test_a_deviation_among_sizes_is_refused_and_asked_about(read, cell):
    cells = sizes()
    cells[12] = cell

    run = read(table(cells), plan=SEAT)

    assert run.rejects[["row", "text"]].values.tolist() == [[14, cell]]
    assert "looks like a deviation among sizes" in run.rejects["reason"].iloc[0]
    (question,) = asked(run)
    assert f"1 cell looks like a deviation among 19 sizes (row 14: {cell})" in question


@pytest.mark.parametrize("in_mm", [True, False])
def test_a_column_half_of_each_kind_names_both_and_takes_the_sizes(read, in_mm):
    tiny = [f"{float(um) / 1000:.4f}" if in_mm else um for um in deviations()]
    cells = [size if i % 2 else um for i, (size, um) in enumerate(zip(sizes(), tiny, strict=True))]

    run = read(table(cells), plan=SEAT)

    (question,) = asked(run)
    assert "10 cells look like a deviation among 10 sizes" in question
    assert len(run.measurements) == 10
    assert run.measurements["reading"].between(25.002, 25.011).all()
    assert len(run.rejects) == 10


HONEST = {
    "bad parts of a wheel that crashed": [*deviations()[:12], "24.1", "25.0", "25.9", "26.4"],
    "one bad part": [*deviations()[:12], "22.3", *deviations()[:4]],
    "a signed deviation": [*deviations()[:12], "+25.0", *deviations()[:4]],
    "a size with its unit": [*deviations()[:12], "25.0064 mm", *deviations()[:4]],
    "a deviation with its unit": [*sizes()[:12], "6.4 um", *sizes()[:4]],
    "sizes far off": [*sizes()[:12], "25.0700", *sizes()[:4]],
}


@pytest.mark.parametrize("cells", HONEST.values(), ids=HONEST)
def test_what_can_be_of_the_kind_of_its_column_is_taken(read, cells):
    run = read(table(cells), plan=SEAT)

    assert not asked(run)
    assert len(run.measurements) == len(cells)


def test_deviations_near_a_small_nominal_are_no_sizes(read):
    text = '[job]\npart = "Wire"\n[[feature]]\nname = "seat"\nnominal = 6.5\nupper = 0.011\n'
    plan = read_plan(f"{text}lower = 0.002\n".encode(), source="wire.toml")

    run = read(table(["3.1", "4.2", "6.5", "6.4", "8.1", "2.9"]), plan=plan)

    assert not asked(run)
    assert run.measurements["deviation_um"].tolist() == pytest.approx(
        [3.1, 4.2, 6.5, 6.4, 8.1, 2.9]
    )
