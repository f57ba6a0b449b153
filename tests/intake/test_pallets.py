"""Places of a pallet or nest in the part column are told from parts measured again."""

import numpy as np
import pytest

from spc.errors import UnreadableRun

BY_ROWS = '[reading]\nnumbering = "rows"\n'
BY_SERIAL = '[reading]\nnumbering = "serial"\n'


def column(numbers, *, drift=0.1, alike=False, more=""):
    """A file with these part numbers; invented sizes wear, or agree wherever a number does."""
    rng = np.random.default_rng(11)
    own = {number: rng.normal(0, 1.0) for number in dict.fromkeys(numbers)}
    lines = []
    for i, number in enumerate(numbers):
        level, spread = (5 + own[number], 0.1) if alike else (4 + drift * i, 0.5)
        um = level + rng.normal(0, spread)
        lines.append(f"{number},{25 + um / 1000:.4f}{more}\n")
    return f"part,seat A{more and ',event'}\n" + "".join(lines)


def mixed(places, rounds):
    rng = np.random.default_rng(5)
    return [int(place) for _ in range(rounds) for place in rng.permutation(places) + 1]


PALLETS = {
    "in turn": [1 + i % 8 for i in range(40)],
    "begun in the middle": [1 + (i + 5) % 8 for i in range(36)],
    "with a place skipped": [n for i in range(40) if (n := 1 + i % 8) != 3],
    "with a place left free now and then": [1 + i % 8 for i in range(60) if i % 7],
    "in an order of its own": [(5, 1, 7, 3, 8, 2, 6, 4)[i % 8] for i in range(40)],
    "in another order every time": mixed(8, 6),
    "two places": [1 + i % 2 for i in range(12)],
    "forty places": [1 + i % 40 for i in range(130)],
    "numbers from 101": [101 + i % 12 for i in range(40)],
    "picked by chance": [int(n) for n in np.random.default_rng(3).integers(1, 9, 48)],
}


@pytest.mark.parametrize("numbers", PALLETS.values(), ids=PALLETS)
def test_places_that_come_again_and_again_number_no_parts(read, numbers):
    run = read(column(numbers))

    assert run.measurements["part"].tolist() == list(range(1, len(numbers) + 1))
    assert run.measurements["serial"].tolist() == [str(n) for n in numbers]
    assert (run.measurements["repeat"] == 0).all()
    assert len(run.rejects) == 0
    count = len(set(numbers))
    said = f"rows count the parts 1, 2, 3 ... (column 'part' holds {count} places again and again"
    assert any(remark.startswith(said) for remark in run.remarks)


HONEST = {
    "every part read three times in turn": [n for n in range(1, 21) for _ in range(3)],
    "two parts read turn by turn": [
        n + k for n in range(1, 20, 2) for _ in range(3) for k in (0, 1)
    ],
    "a held span measured again": [*range(1, 13), 8, 9, 10, 11, *range(13, 20)],
    "some parts taken again": [1, 2, 3, 2, 4, 5, 6, 5, 7, 8, 9, 10, 10, 9, 11, 12],
    "a part taken again at every turn": [n for i in range(2, 20) for n in (i, i, 1)][:30],
    "one part": [1] * 3 + [2],
    "parts that rise": list(range(1, 41)),
}


@pytest.mark.parametrize("numbers", HONEST.values(), ids=HONEST)
def test_parts_measured_again_stay_parts_and_raise_no_question(read, numbers):
    run = read(column(numbers, drift=0.0))

    assert run.measurements["part"].nunique() == len(set(numbers))
    assert not any("come again" in remark or "places" in remark for remark in run.remarks)


def asked(run):
    return [r for r in run.remarks if r.startswith("question: ") and "come again" in r]


def test_too_few_rounds_to_tell_are_a_question(read):
    numbers = [1 + i % 8 for i in range(14)]

    run = read(column(numbers))

    assert run.measurements["part"].nunique() == 8
    (question,) = asked(run)
    assert "parts measured again, or places" in question
    assert read(column(numbers), BY_ROWS).measurements["part"].nunique() == 14
    for answer in (BY_ROWS, BY_SERIAL):
        assert not asked(read(column(numbers), answer))


def test_all_parts_measured_a_second_time_with_the_same_result_raise_no_question(read):
    run = read(column([1 + i % 8 for i in range(16)], alike=True))

    assert run.measurements["part"].nunique() == 8
    assert not asked(run)


@pytest.mark.parametrize(
    "text",
    [
        column([1 + i % 8 for i in range(40)], alike=True),
        column(["ABCD"[i % 4] for i in range(40)]),
    ],
    ids=["readings that agree under one number", "letters"],
)
def test_rounds_that_may_be_parts_measured_again_are_a_question(read, text):
    run = read(text)

    assert run.measurements["repeat"].max() >= 4
    assert len(asked(run)) == 1


def test_rows_in_turn_on_one_place_are_asked_about(read):
    run = read(column([1 + i % 8 for i in range(40)] + [8]))

    assert run.measurements["part"].nunique() == 41
    assert any("1 rows stand on the place of the row before" in remark for remark in run.remarks)


def test_numbers_come_again_after_a_regrind_without_being_places(read):
    numbers = [1 + i % 12 for i in range(36)]
    text = column(numbers, more=",")
    text = text.replace("\n1,", "\n,,regrind\n1,").replace("\n,,regrind\n1,", "\n1,", 1)

    run = read(text)

    assert (run.events["kind"] == "regrind").all()
    assert run.measurements["part"].nunique() == 12


def test_a_column_that_counts_outranks_a_column_of_places(read):
    lines = "".join(f"{1 + i % 8},{100 + i},25.00{41 + i}\n" for i in range(40))

    run = read(f"Teil,Lfd. Nr.,seat A\n{lines}")

    assert run.measurements["serial"].tolist() == [str(100 + i) for i in range(40)]
    assert any("part numbers count the parts" in remark for remark in run.remarks)


@pytest.mark.parametrize("long", [False, True])
def test_places_are_told_where_the_first_feature_is_read_now_and_then(read, long):
    lines = []
    for i in range(40):
        a, b = f"25.00{41 + i}", f"19.99{10 + i}"
        if long:
            cells = [f"seat A,{a}"] * (i % 8 == 0) + [f"seat B,{b}"]
        else:
            cells = [f"{a if i % 8 == 0 else ''},{b}"]
        lines += [f"{1 + i % 8},{100 + i},{cell}\n" for cell in cells]
    head = "feature,value" if long else "seat A,seat B"

    run = read(f"Teil,Lfd. Nr.,{head}\n{''.join(lines)}")

    assert run.measurements["serial"].unique().tolist() == [str(100 + i) for i in range(40)]


def test_a_short_file_of_the_same_places_goes_on_counting_rows(read):
    numbers = [1 + i % 8 for i in range(40)]

    run = read([column(numbers), column([1, 2, 3, 4, 5])])

    assert run.measurements["part"].tolist() == list(range(1, 46))


def test_a_long_file_of_places_makes_a_part_of_every_visit(read):
    lines = "".join(
        f"{1 + i % 5},{name},{size + i / 10_000:.4f}\n"
        for i in range(20)
        for name, size in (("seat A", 25.004), ("seat B", 19.99))
    )

    run = read(f"part,feature,value\n{lines}")

    assert run.measurements["part"].tolist() == [n for n in range(1, 21) for _ in (0, 1)]
    assert (run.measurements["repeat"] == 0).all()


def rounds_of(names, head):
    """Parts 1 to 12, read feature by feature: a long file, or a wide one with gaps."""
    rng = np.random.default_rng(8)
    lines = []
    for name, size in names.items():
        for part in range(1, 13):
            cell = f"{size + rng.normal(0, 0.001):.4f}"
            gaps = ",".join(cell if other == name else "" for other in names)
            lines.append(f"{part},{name},{cell}\n" if head is None else f"{part},{gaps}\n")
    return (head or "part,feature,value\n") + "".join(lines)


@pytest.mark.parametrize("head", [None, "part,seat A,seat B,seat C\n"], ids=["long", "wide"])
def test_parts_read_feature_by_feature_come_round_without_being_places(read, head):
    names = {"seat A": 25.006, "seat B": 19.994, "seat C": 30.0}
    more = '[[feature]]\nname = "seat C"\nnominal = 30.0\nupper = 0.01\nlower = -0.01\n'

    run = read(rounds_of(names, head), more)

    assert run.measurements["part"].nunique() == 12
    assert len(run.measurements) == 36
    assert (run.measurements["repeat"] == 0).all()
    assert not any("come again" in r or "places" in r for r in run.remarks)


def test_an_event_beside_the_number_of_a_place_stands_after_the_row_before(read):
    text = column([1 + i % 8 for i in range(40)], more=",")
    lines = text.splitlines(keepends=True)

    run = read("".join([*lines[:31], "6,,dress\n", *lines[31:]]))

    assert run.events["after_part"].tolist() == [30]


def in_files(numbers, size, **how):
    """The rows of `column` with times, in files of so many rows each."""
    rows = column(numbers, **how).splitlines()[1:]
    timed = [f"2026-11-02 {6 + i // 60:02}:{i % 60:02}:00,{row}\n" for i, row in enumerate(rows)]
    return [
        "time,part,seat A\n" + "".join(timed[at : at + size]) for at in range(0, len(rows), size)
    ]


@pytest.mark.parametrize("size", [1, 3, 8, 10, 16])
@pytest.mark.parametrize("first", [1, 4])
def test_places_in_many_small_files_number_no_parts(read, size, first):
    numbers = [1 + (i + first - 1) % 8 for i in range(48)]

    run = read(in_files(numbers, size))

    assert run.measurements["part"].tolist() == list(range(1, 49))
    assert run.measurements["serial"].tolist() == [str(n) for n in numbers]
    assert any("column 'part' holds 8 places again and again" in r for r in run.remarks)
    # Rounds of several rows a file may be short runs as well.
    assert any("or runs that count anew?" in r for r in asked(run)) == (size > 1)


def test_parts_in_many_small_files_stay_parts(read):
    run = read(in_files([*range(1, 13), 3, 4, *range(13, 30)], 2, drift=0.0))

    assert run.measurements["part"].nunique() == 29
    assert not any("come again" in r or "places" in r for r in run.remarks)


def test_two_rounds_in_many_small_files_are_one_question(read):
    run = read(in_files([1 + i % 8 for i in range(16)], 1))

    assert run.measurements["part"].nunique() == 8
    (question,) = asked(run)
    assert "0_run.csv and 15 more files: the numbers of column 'part' come again" in question


def test_small_files_of_one_feature_each_share_their_parts(read):
    files = [
        f"part,seat {name}\n" + "".join(f"{i},{size + i / 10_000:.4f}\n" for i in range(1, 9))
        for name, size in (("A", 25.004), ("B", 19.99), ("C", 30.0))
    ]
    more = '[[feature]]\nname = "seat C"\nnominal = 30.0\nupper = 0.01\nlower = -0.01\n'

    run = read(files, more)

    assert run.measurements["part"].nunique() == 8
    assert not any("come again" in r or "places" in r for r in run.remarks)


def test_long_files_that_count_anew_are_no_rounds_of_a_pallet(read):
    with pytest.raises(UnreadableRun, match="both count from part 1"):
        read(in_files(list(range(1, 41)) * 3, 40))


@pytest.mark.parametrize("size", [8, 40])
def test_equal_readings_on_one_place_are_two_parts_without_times_too(read, size):
    files = in_files([1 + i % 8 for i in range(80)], size)
    rows = [[line.split(",", 1)[1] for line in file.splitlines(keepends=True)] for file in files]
    rows[-1][1] = rows[0][1]

    run = read(["".join(each) for each in rows])

    assert run.account["identical_rows"] == 0
    assert run.measurements["part"].tolist() == list(range(1, 81))
