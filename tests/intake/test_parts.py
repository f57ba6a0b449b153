"""Numbering, repeats, identical rows, questions, order: how rows become parts."""

import pytest

from spc.errors import SpcError, UnreadableRun


def parts(run):
    first = run.measurements.drop_duplicates(["part", "serial"])
    return dict(zip(first["serial"], first["part"], strict=True))


def test_rising_whole_serials_count_the_parts_ground(read):
    run = read("part,seat A\n1001,25.0031\n1006,25.0033\n1008,25.0035\n")

    assert parts(run) == {"1001": 1, "1006": 6, "1008": 8}
    assert run.made == 8
    assert any("5 between them were ground and not measured" in r for r in run.remarks)


@pytest.mark.parametrize(
    ("serials", "why"),
    [
        (("SN-07", "SN-09", "SN-12"), "not whole"),
        (("1009", "1003", "1010"), "do not rise"),
        (("20261119001", "20271119001", "20281119001"), "do not rise"),
        (("1.5", "2.5", "3.5"), "not whole"),
    ],
)
def test_other_serials_leave_the_count_to_the_rows(read, serials, why):
    run = read("part;seat A\n" + "".join(f"{serial};25,0031\n" for serial in serials))

    assert parts(run) == {serial: number for number, serial in enumerate(serials, 1)}
    assert any(why in remark for remark in run.remarks)


def test_serials_as_spreadsheets_write_them_are_whole(read):
    run = read('part,seat A\n1001.0,25.0031\n"=""1003""",25.0033\n')

    assert parts(run) == {"1001.0": 1, "1003": 3}


def test_a_column_with_one_value_is_no_serial(read, taken):
    run = read("Part,No.,seat A\nShaft,7,25.0031\nShaft,9,25.0033\n")
    assert parts(run) == {"7": 1, "9": 3}

    run = read("Part,seat A\nBP-118,25.0031\nBP-118,25.0033\n")
    assert taken(run) == {("1", "seat A", 0): 3.1, ("2", "seat A", 0): 3.3}
    assert any("'BP-118' throughout" in remark for remark in run.remarks)


@pytest.mark.parametrize(
    "files",
    [
        [(1, 5, 9), (12, 12)],
        [(12, 12), (1, 5, 9)],
        [(1,), (5,), (9,), (12, 12)],
        [(1, 1), (5, 5), (9, 9)],
        [(1, 5, 9), (12, 12), (12, 12), (14, 14)],
    ],
)
def test_a_file_of_one_part_is_numbered_where_other_files_are(read, files):
    numbers = [n for file in files for n in file]
    sizes = iter(f"25.00{31 + i}" for i in range(len(numbers)))
    texts = ["part,seat A\n" + "".join(f"{n},{next(sizes)}\n" for n in file) for file in files]
    whole = "part,seat A\n" + "".join(t.removeprefix("part,seat A\n") for t in texts)

    run = read(texts)

    alike = ["part", "serial", "deviation_um", "repeat"]
    assert run.measurements["serial"].tolist() == [str(n) for n in numbers]
    assert not any("does not number the parts" in remark for remark in run.remarks)
    assert run.measurements[alike].equals(read(whole).measurements[alike])


def test_one_value_in_all_files_numbers_nothing(read):
    texts = [f"Part,seat A\nBP-118,25.00{n}1\nBP-118,25.00{n}3\n" for n in range(3)]

    assert read(texts).measurements["part"].tolist() == [1, 2, 3, 4, 5, 6]
    again = [t.replace("BP-118", f"BP-118/{n}") for n, t in enumerate(texts)]
    assert read(again).measurements["part"].tolist() == [1, 2, 3, 4, 5, 6]


def test_a_file_of_one_part_is_numbered_when_the_files_before_it_were(read):
    text = "Part,No.,seat A\nBP-118,12,25.0031\nBP-118,12,25.0033\n"

    assert read(text).measurements["part"].tolist() == [1, 2]
    run = read(text, numbered=True)
    assert run.measurements[["serial", "repeat"]].values.tolist() == [["12", 0], ["12", 1]]


def test_a_serial_number_outranks_a_running_number(read):
    run = read("Lfd. Nr.,Seriennummer,seat A\n1,4471,25.0031\n2,4473,25.0033\n")

    assert parts(run) == {"4471": 1, "4473": 3}


def test_numbering_may_be_set_in_the_plan(read):
    text = "part,seat A\n1001,25.0031\n1006,25.0033\n"
    by_rows = '[reading]\nnumbering = "rows"\n'
    assert parts(read(text, by_rows)) == {"1001": 1, "1006": 2}
    again = read(text + "1001,25.0032\n", by_rows)
    assert again.measurements[["part", "serial", "repeat"]].values.tolist() == [
        [1, "1001", 0], [2, "1006", 0], [3, "1001", 0]
    ]  # fmt: skip
    with pytest.raises(SpcError, match="numbering = 'serial'"):
        read("part,seat A\nA,25.0031\nB,25.0033\n", '[reading]\nnumbering = "serial"\n')


def test_a_later_row_of_a_serial_is_a_repeat(read, taken):
    run = read(
        "part,seat A,seat B\n1,25.0031,19.9946\n2,25.0033,19.9946\n1,25.0035,\n1,25.0035,19.99\n"
    )

    assert taken(run) == {
        ("1", "seat A", 0): 3.1, ("1", "seat B", 0): -5.4, ("2", "seat A", 0): 3.3,
        ("2", "seat B", 0): -5.4, ("1", "seat A", 1): 3.5, ("1", "seat A", 2): 3.5,
        ("1", "seat B", 1): -10.0,
    }  # fmt: skip
    assert run.measurements["part"].is_monotonic_increasing
    assert run.account["identical"] == 0


def test_later_rows_follow_readings_side_by_side(read, taken):
    run = read("part,seat A 1,seat A 2\n1,25.0031,25.0032\n1,25.0033,25.0034\n2,,\n")

    assert [key[2] for key in taken(run)] == [0, 1, 2, 3]


def test_an_identical_row_is_skipped_and_counted(read, taken):
    one, two = "2026-11-19 06:07:30,1,25.0031,19.9946\n", "2026-11-19 06:08:30,2,25.0033,---\n"
    again = one.replace("06:07", "06:09")

    run = read(f"time,part,seat A,seat B\n{one}{two}{one}{two}{again}")

    assert run.account["identical_rows"] == 2
    assert run.account["identical"] == 4
    assert len(run.rejects) == 1
    assert ("1", "seat A", 1) in taken(run)


def test_identical_rows_of_a_long_file(read):
    row = "2026-11-19 06:07:30,1,seat A,25.0031\n"
    run = read(f"time,part,feature,value\n{row}2026-11-19 06:07:30,1,seat B,19.9946\n{row}")

    assert run.account["identical"] == run.account["identical_rows"] == 1


def test_repeats_may_be_asked_about(read, taken):
    run = read("part,seat A\n1,25.0031\n1,25.0033\n2,\n", '[reading]\nrepeats = "ask"\n')

    assert taken(run) == {("1", "seat A", 0): 3.1}
    assert (
        run.rejects["reason"].iloc[0].startswith("question: part 1 was already measured in row 2")
    )


def rows_between(count):
    return "".join(f"{2 + i},25.0031\n" for i in range(count))


def test_a_serial_seen_again_after_more_than_20_rows_is_a_question(read, taken):
    near = read(f"part,seat A\n1,25.0031\n{rows_between(19)}1,25.0041\n")
    assert taken(near)["1", "seat A", 1] == 4.1

    far = read(f"part,seat A\n1,25.0031\n{rows_between(20)}1,25.0041\n")
    assert ("1", "seat A", 1) not in taken(far)
    assert far.rejects[["row", "column"]].values.tolist() == [[23, ""]]
    assert "question" in far.rejects["reason"].iloc[0]
    says = "row 23 is left out: part 1 was already measured in row 2;"
    assert any(r.startswith("question: ") and says in r for r in far.remarks)
    assert not any("already measured" in remark for remark in near.remarks)
    assert far.account["rejected"] == 1


def test_a_regrind_event_answers_the_question(read, taken):
    run = read(
        "part,seat A,event\n1,25.0031,\n"
        + rows_between(25).replace("\n", ",\n")
        + ",,regrind\n1,25.0041,\n"
    )

    assert taken(run)["1", "seat A", 1] == 4.1


def test_two_gauges_in_two_files_measure_the_same_parts(read, taken):
    one = "part,seat A\n" + "".join(f"{i},25.0031\n" for i in range(1, 40))
    two = "part,seat B\n" + "".join(f"{i},19.9946\n" for i in range(1, 40))

    run = read([one, two])

    assert len(taken(run)) == 78
    assert run.measurements["repeat"].max() == 0
    assert run.measurements["part"].max() == 39
    assert len(run.rejects) == 0


def shift(day, first, step=1, count=40):
    rows = (f"2026-11-{day} 06:{i:02},{first + step * i},25.00{i + 10}\n" for i in range(count))
    return "time,part,seat A\n" + "".join(rows)


@pytest.mark.parametrize(
    ("one", "two", "why"),
    [
        (shift(19, 1), shift(20, 1), "both count from part 1, so that one number would be two"),
        (shift(19, 1, count=5), shift(20, 1, count=5), "number .*1_run.csv on from part 6"),
        (shift(19, 1, count=5), shift(20, 1, count=5), r"begin a run for each \(--run NAME\), or"),
        (shift(19, 1, step=5), shift(20, 3, step=5), "counts from part 3 again"),
        (shift(20, 1), shift(19, 1), "1_run.csv and .*0_run.csv both count from part 1"),
    ],
)
def test_files_that_count_the_same_parts_anew_are_refused(read, one, two, why):
    with pytest.raises(UnreadableRun, match=why):
        read([one, two])


def test_files_that_number_on_are_one_run(read):
    assert len(read([shift(19, 1), shift(20, 41)]).measurements) == 80
    # The last parts of a shift, measured again by the next one.
    assert len(read([shift(19, 1), shift(20, 39)]).measurements) == 80


def test_files_with_a_regrind_may_count_the_same_parts(read):
    again = shift(20, 1).replace("seat A\n", "seat A,event\n").replace("\n2026", ",\n2026")

    assert len(read([shift(19, 1), again[:-1] + ",regrind\n"]).measurements) == 80


def test_the_same_file_given_twice_changes_nothing(read):
    text = "time,part,seat A\n2026-11-19 06:07,1,25.0031\n2026-11-19 06:08,2,25.0033\n"
    once, twice = read(text), read([text, text])

    assert twice.account == once.account
    assert any("counts once" in remark for remark in twice.remarks)


def test_a_file_that_has_grown_stands_where_its_family_began(read):
    head = "part,seat A\n"
    rows = [f"{i},25.00{40 + i}\n" for i in range(1, 10)]
    first, between, grown = rows[:3], rows[3:6], rows

    run = read([head + "".join(each) for each in (first, between, grown)])

    assert run.measurements["serial"].tolist() == [str(i) for i in range(1, 10)]
    assert run.account["identical_rows"] == 3
    assert any("part numbers count the parts" in remark for remark in run.remarks)


def test_overlapping_exports_count_their_common_rows_once(read):
    head = "time,part,seat A\n"
    rows = [f"2026-11-19 06:{i:02},{i},25.0031\n" for i in range(1, 40)]

    run = read([head + "".join(rows[:30]), head + "".join(rows[10:])])

    assert run.account["measurements"] == 39
    assert run.account["identical_rows"] == 20
    assert len(run.rejects) == 0


def test_files_go_by_their_first_time(read):
    late = "time,part,seat A\n2026-11-19 14:07,3,25.0033\n"
    early = "time,part,seat A\n2026-11-19 06:07,1,25.0031\n2026-11-19 06:09,2,25.0032\n"

    run = read([late, early])

    assert parts(run) == {"1": 1, "2": 2, "3": 3}
    assert any("order of their first times" in remark for remark in run.remarks)


def test_a_file_whose_times_fall_is_read_backwards(read, taken):
    run = read(
        "time,seat A,event,amount_um\n2026-11-19 06:09,25.0033,,\n2026-11-19 06:08,,offset,-3\n"
        "2026-11-19 06:08,25.0032,,\n2026-11-19 06:07,25.0031,,\n"
    )

    assert taken(run) == {("1", "seat A", 0): 3.1, ("2", "seat A", 0): 3.2, ("3", "seat A", 0): 3.3}
    assert run.measurements["row"].tolist() == [5, 4, 2]
    assert run.events[["after_part", "amount_um"]].values.tolist() == [[2, -3.0]]
    assert any("read backwards" in remark for remark in run.remarks)


NUMBERS = {
    "in turn": (1, 2, 3, 4, 5, 6),
    "with parts between": (101, 104, 105, 109, 112, 120),
    "with a part read twice": (38, 38, 39, 40, 40, 41),
}


@pytest.mark.parametrize("numbers", NUMBERS.values(), ids=NUMBERS)
def test_a_file_whose_part_numbers_fall_is_read_backwards_with_times_or_without(read, numbers):
    sizes = [f"25.00{41 + 3 * i}" for i in range(len(numbers))]
    plain = [f"{n},{size}\n" for n, size in zip(numbers, sizes, strict=True)]
    timed = [f"2026-11-19 06:0{i},{line}" for i, line in enumerate(plain)]
    days = [f"2026-11-19,{line}" for line in plain]
    runs = {
        "rise": read("part,seat A\n" + "".join(plain)),
        "fall": read("part,seat A\n" + "".join(plain[::-1])),
        "fall with times": read("time,part,seat A\n" + "".join(timed[::-1])),
        "fall with days": read("date,part,seat A\n" + "".join(days[::-1])),
        "fall in two files": read(
            ["part,seat A\n" + "".join(plain[:2:-1]), "part,seat A\n" + "".join(plain[2::-1])]
        ),
    }

    alike = ["part", "serial", "deviation_um", "repeat"]
    rise = runs["rise"].measurements[alike].values.tolist()
    for name, run in runs.items():
        assert run.measurements[alike].values.tolist() == rise, name
        backwards = any("read backwards" in remark for remark in run.remarks)
        assert backwards == (name != "rise"), name
    assert runs["fall"].measurements["row"].tolist() == [7, 6, 5, 4, 3, 2]


def test_events_of_a_file_read_backwards_stand_where_they_happened(read):
    run = read("part,seat A,event,amount_um\n3,25.0033,,\n,,offset,-3\n2,25.0032,,\n1,25.0031,,\n")

    assert run.events[["after_part", "amount_um"]].values.tolist() == [[2, -3.0]]


def test_times_are_believed_where_part_numbers_fall_beside_them(read):
    run = read("time,part,seat A\n2026-11-19 06:07,9,25.0031\n2026-11-19 06:08,7,25.0032\n")

    assert parts(run) == {"9": 1, "7": 2}
    assert any("part numbers fall, but times do not" in remark for remark in run.remarks)


def test_mixed_order_is_kept_and_named(read):
    run = read(
        "time,part,seat A\n2026-11-19 06:09,1,25.0033\n2026-11-19 06:07,2,25.0032\n"
        "2026-11-19 06:08,3,25.0031\n"
    )

    assert parts(run) == {"1": 1, "2": 2, "3": 3}
    assert any("step back 1 times" in remark for remark in run.remarks)


def test_a_row_with_readings_and_no_serial_is_refused(read, taken):
    run = read("part,seat A,seat B\n1,25.0031,19.9946\n,25.0033,19.9950\n3,25.0035,\n")

    assert set(taken(run)) == {("1", "seat A", 0), ("1", "seat B", 0), ("3", "seat A", 0)}
    assert run.rejects[["row", "column", "reason"]].values.tolist() == [[3, "", "no part number"]]
    assert run.account["rejected"] == 2


@pytest.mark.parametrize(
    "trailer",
    [
        "Mean,,25.0056,19.9935\nMax,,25.0073,19.9955\ns,,0.0012,0.0011\n",
        ",Mittelwert,25.0056,19.9935\n,Spannweite,0.0034,0.0020\n,Anzahl,14,14\n",
        "Moyenne :,,25.0056,19.9935\nÉcart-type,,0.0012,0.0011\nÉtendue,,0.003,0.002\n",
        "Std. dev.,,0.0012,0.0011\nX̄,,25.0056,19.9935\nCount,,14,14\n",
        "Average of shift,,25.0056,19.9935\nR,,0.0012,0.0011\nCpk,,1.4,1.6\n",
        "-----,----,----,----\nMin,,25.0046,19.9932\nUSL,,25.011,20.0\nΣ,,1,1\n",
    ],
)
def test_summary_rows_are_counted_as_such(read, taken, trailer):
    run = read(
        "time,part,seat A,seat B\n2026-11-19 06:07,1,25.0031,19.9946\n"
        f"2026-11-19 06:08,2,25.0033,19.9950\n\n{trailer}"
    )

    assert len(taken(run)) == 4
    assert len(run.rejects) == 0
    assert run.account["summary"] == 2 * run.account["summary_rows"]
    assert run.account["summary_rows"] == 3


@pytest.mark.parametrize(
    "serial", ["@sum", "=sum", "+max", "Sum-7", "=1+1", "=A1", "=cmd|x", "<b>7</b>", "-5", "@7"]
)
def test_a_serial_that_only_looks_like_a_formula_or_a_word_is_a_part(read, serial):
    run = read(f"part,seat A\nA-1,25.0031\n{serial},25.0033\n1+1,25.0035\n")

    assert list(parts(run).items()) == [("A-1", 1), (serial, 2), ("1+1", 3)]
    assert run.account["summary_rows"] == 0


def test_quotes_of_a_spreadsheet_are_taken_off_a_serial_wherever_it_stands(read):
    rows = "".join(f"A-{i},25.0031\n" for i in range(1, 150))

    run = read(f'part,seat A\n{rows}="A-150",25.0033\n"=""A-151""",25.0034\n')

    assert list(parts(run))[-2:] == ["A-150", "A-151"]


def test_an_operator_called_s_makes_no_summary(read, taken):
    run = read("time,operator,seat A\n2026-11-19 06:07,S,25.0031\n2026-11-19 06:08,R,25.0033\n")

    assert len(taken(run)) == 2


def test_dates_without_a_time_of_day_make_no_row_identical(read):
    run = read("Datum;seat A\n19.11.2026;25,003\n19.11.2026;25,003\n19.11.2026;25,004\n")

    assert run.account["measurements"] == 3
    assert run.made == 3


def test_a_label_in_place_of_the_time_makes_a_summary_whatever_stands_beside(read):
    run = read("time,part,seat A\n2026-11-19 06:07,1,25.0031\nMean,1,25.0031\nCount,1,1\n")

    assert run.account["summary_rows"] == 2


@pytest.mark.parametrize("head", ["time;Name;seat A", "time;Shift;seat A"])
def test_names_and_letters_beside_a_time_make_no_summary(read, head):
    run = read(f"{head}\n2026-11-19 06:07;Max;25,0031\n2026-11-19 06:08;S;25,0033\n")

    assert run.account["measurements"] == 2


def test_letters_in_a_first_column_that_is_not_known_make_no_summary(read):
    run = read("Shift;seat A\nS;25,0031\nN;25,0033\nR;25,0035\n")

    assert run.account["measurements"] == 3
