"""However rows are cut into files, and however often files are given again: each row once."""

import os
import sqlite3
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pin_plan import PIN

from spc.intake import read_run
from spc.ledger.as_run import run_of
from spc.ledger.store import Ledger
from spc.ledger.verify import verify
from spc.live.begin import run_for
from spc.live.files import take_in
from spc.plan import load_plan

TWO = PIN.replace(
    "[machine]",
    '[[feature]]\nname = "neck"\nnominal = 20.0\nupper = 0.010\nlower = -0.010\n\n[machine]',
)


@dataclass(frozen=True)
class Row:
    """One line of an invented run."""

    serial: str
    minute: int
    seat: int = 0
    neck: int | None = None
    event: str = ""

    def text(self, *, serial, clock):
        seat = "" if self.event else f"{25 + self.seat / 10_000:.4f}"
        neck = "" if self.neck is None else f"{20 + self.neck / 1000:.3f}"
        told = [self.serial] if serial else []
        told += [f"2026-03-02 {6 + self.minute // 60:02d}:{self.minute % 60:02d}"] if clock else []
        return ",".join([*told, seat, neck, self.event])


def heading(*, serial, clock):
    named = [*(["part"] if serial else []), *(["time"] if clock else [])]
    return ",".join([*named, "seat", "neck", "event"])


@st.composite
def runs(draw):
    """Rows in grinding order, and which columns a file has: (rows, serial, clock)."""
    named = draw(st.sampled_from(["whole", "letters", "none"]))
    clock = draw(st.booleans())
    few = st.integers(1, 4)
    neck = st.one_of(st.none(), few)
    rows, part, minute = [], draw(st.integers(1, 500)), draw(st.integers(0, 60))
    for nth in range(draw(st.integers(2, 18))):
        serial = {"whole": str(part), "letters": f"A-{part}", "none": ""}[named]
        # Without a part number, two equal rows of one minute are one row given again.
        seat = nth + 1 if named == "none" else draw(few)
        rows.append(Row(serial, minute, seat, draw(neck)))
        if named != "none" and draw(st.integers(0, 5)) == 0:
            minute += draw(st.integers(0, 1))
            rows.append(Row(serial, minute, seat + 5, draw(neck)))
        if draw(st.integers(0, 6)) == 0:
            rows.append(Row("", minute, event="dress"))
        part += draw(st.sampled_from([1, 1, 1, 4]))
        minute += draw(st.sampled_from([0, 0, 1, 7]))
    return rows, named != "none", clock


def _one_name_throughout(rows):
    """Whether a file of these rows, the first of a run, has a part column that numbers nothing."""
    names = [row.serial for row in rows if row.serial]
    return len(names) > 1 and len({*names}) == 1


@st.composite
def cuts(draw, rows, *, grows):
    """Which rows each file holds, in the order in which the files are given."""
    files, end, count = [], 0, len(rows)
    while end < count:
        begin = 0 if grows else draw(st.integers(max(0, end - 4), end))
        end = draw(st.integers(end + 1, count))
        while not files and _one_name_throughout(rows[begin:end]):
            begin, end = (begin, end + 1) if end < count else (begin - 1, end)
        files.append((begin, end))
        if draw(st.integers(0, 3)) == 0:
            files.append(draw(st.sampled_from(files)))
    return files


SPELT = ("{name}", "./{name}", "{folder}/{name}", "../{last}/{name}", "again_{name}")


def seen(run):
    table = run.measurements
    columns = ["part", "serial", "time", "feature", "deviation_um", "repeat"]
    events = run.events[["after_part", "time", "kind"]]
    return table[columns].astype(str).values.tolist(), events.astype(str).values.tolist()


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data())
def test_rows_are_stored_once_however_they_are_cut_and_given_again(
    data, tmp_path_factory, monkeypatch
):
    rows, serial, clock = data.draw(runs())
    grows = not (serial or clock) or data.draw(st.booleans())
    one_name = grows and data.draw(st.booleans())
    files = data.draw(cuts(rows, grows=grows))
    folder = tmp_path_factory.mktemp("cut")
    monkeypatch.chdir(folder)
    Path("pin.toml").write_text(TWO, encoding="utf-8")
    plan = load_plan("pin.toml")
    head = heading(serial=serial, clock=clock)
    with Ledger("spc.db") as ledger:
        run = run_for(ledger, plan, name="one")
        waiting = []
        for number, (begin, end) in enumerate(files):
            spelt = data.draw(st.sampled_from(SPELT)).format(
                name="grows.csv" if one_name else f"{number}.csv", folder=folder, last=folder.name
            )
            lines = [head, *(row.text(serial=serial, clock=clock) for row in rows[begin:end])]
            if not any("." in line for line in lines[1:]):
                continue  # events alone are no file of measurements
            Path(spelt).write_text("\n".join(lines) + "\n")
            waiting.append(spelt)
            if one_name or data.draw(st.booleans()):
                assert not any(news.refused for news in take_in(ledger, run, plan, waiting))
                waiting = []
        assert not any(news.refused for news in take_in(ledger, run, plan, waiting))
        assert verify(ledger).faults == ()
        with ledger.reading() as reader:
            stored = run_of(reader, run)
    whole = [head, *(row.text(serial=serial, clock=clock) for row in rows)]
    Path("whole.csv").write_text("\n".join(whole) + "\n")

    assert seen(stored) == seen(read_run("whole.csv", plan))


def rows_of(run):
    return run.measurements[["part", "serial", "deviation_um", "repeat"]].values.tolist()


@pytest.fixture
def shop(tmp_path, monkeypatch):
    """A run that takes texts as files of any name."""
    monkeypatch.chdir(tmp_path)
    Path("pin.toml").write_text(PIN, encoding="utf-8")
    plan = load_plan("pin.toml")
    with Ledger("spc.db") as ledger:
        run = run_for(ledger, plan, name="one")

        class Shop:
            def take(self, name, text, **details):
                Path(name).parent.mkdir(exist_ok=True)
                Path(name).write_text(text, encoding="utf-8")
                (news,) = take_in(ledger, run, plan, [name], **details)
                return news

            def run(self):
                with ledger.reading() as reader:
                    return run_of(reader, run)

        yield Shop()


def test_eight_parts_of_one_minute_are_eight_parts(shop):
    for number in range(1, 9):
        text = f"part,time,seat\nA-{number},2026-03-02 06:1{number // 4},25.00{number}\n"
        shop.take(f"{number}.csv", text)

    assert rows_of(shop.run()) == [[n, f"A-{n}", float(n), 0] for n in range(1, 9)]


def test_several_parts_of_one_minute_in_several_files_are_all_kept(shop):
    rows = [f"A{n},2026-03-02 06:{10 + n // 4},25.00{n % 10}" for n in range(1, 13)]
    for first in (0, 4, 6, 9):
        shop.take(f"{first}.csv", "\n".join(["part,time,seat", *rows[first : first + 4], ""]))

    run = shop.run()
    assert run.measurements["serial"].tolist() == [f"A{n}" for n in range(1, 13)]
    assert run.measurements["repeat"].tolist() == [0] * 12
    assert run.rejects.empty


def test_a_second_reading_in_a_file_of_its_own_is_a_repeat_even_without_a_clock(shop):
    for name, row in (("a", "7,25.001"), ("b", "7,25.003"), ("c", "8,25.002")):
        shop.take(f"{name}.csv", f"part,seat\n{row}\n")

    assert rows_of(shop.run()) == [[1, "7", 1.0, 0], [1, "7", 3.0, 1], [2, "8", 2.0, 0]]


def test_a_grown_file_is_known_by_what_it_begins_with_not_by_its_name(shop, tmp_path):
    text = "seat\n"
    for number, name in enumerate(("x.csv", "./x.csv", str(tmp_path / "x.csv"), "moved/y.csv")):
        text += f"25.00{number + 1}\n"
        shop.take(name, text)
    shop.take("x.csv", text + "ERR\n25.006\n")

    run = shop.run()
    assert rows_of(run) == [[n, str(n), float(n), 0] for n in (1, 2, 3, 4, 6)]
    assert run.rejects["text"].tolist() == ["ERR"]
    assert run.account["cells"] == 6
    assert shop.take("z.csv", text + "ERR\n25.006\n").renamed


def test_a_file_that_grows_after_another_was_given_goes_on_behind_it(shop):
    shop.take("x.csv", "seat\n25.001\n25.002\n")
    shop.take("y.csv", "seat\n25.003\n")
    shop.take("x.csv", "seat\n25.001\n25.002\n25.004\n")

    assert rows_of(shop.run()) == [[n, str(n), float(n), 0] for n in (1, 2, 3, 4)]


def test_what_was_measured_before_all_that_is_stored_is_refused_with_the_cure(shop):
    head = "part,time,seat\n"
    shop.take("b.csv", head + "A-5,2026-03-02 06:30,25.005\n")
    news = shop.take("a.csv", head + "A-4,2026-03-02 06:20,25.004\n")

    assert "in the order of their times" in news.refused
    assert len(rows_of(shop.run())) == 1


def test_the_plan_may_ask_before_a_second_reading_from_another_file(shop):
    Path("pin.toml").write_text(PIN + '\n[reading]\nrepeats = "ask"\n', encoding="utf-8")
    plan = load_plan("pin.toml")
    with Ledger("asks.db") as ledger:
        run = run_for(ledger, plan, name="one")
        for name, text in (("a.csv", "7,25.001\n8,25.001\n"), ("b.csv", "8,25.003\n9,25.002\n")):
            Path(name).write_text("part,seat\n" + text)
            (news,) = take_in(ledger, run, plan, [name])

    assert "asks before repeats" in news.imported.questions[0]


def test_rows_of_a_day_without_a_clock_are_not_told_apart_by_the_day(shop):
    shop.take("a.csv", "date,seat\n2026-03-02,25.001\n2026-03-02,25.002\n")
    shop.take("b.csv", "date,seat\n2026-03-02,25.002\n2026-03-02,25.003\n")

    assert [row[2] for row in rows_of(shop.run())] == [1.0, 2.0, 2.0, 3.0]


def test_part_numbers_that_a_spreadsheet_wrote_count_too(shop):
    shop.take("a.csv", "part;seat\n118,0;25,001\n119,0;25,002\n")
    shop.take("b.csv", "part;seat\n119,0;25,002\n121,0;25,003\n")

    assert [row[0] for row in rows_of(shop.run())] == [1, 2, 4]


def walk(count, seed=4):
    rng = np.random.default_rng(seed)
    return [f"25.{v:04d}" for v in np.round(60 + 10 * rng.standard_normal(count)).astype(int)]


def test_an_export_given_again_in_another_form_is_a_question(shop):
    rows = walk(40)
    shop.take("a.csv", "seat\n" + "\n".join(rows) + "\n")
    again = shop.take("b.csv", "seat\r\n" + "\r\n".join(rows) + "\r\n")
    longer = shop.take("c.csv", "seat,note\n" + ",\n".join([*rows[10:], *walk(40, 5)]) + ",\n")

    assert (again.imported.readings, again.imported.known) == (0, 40)
    assert (longer.imported.readings, longer.imported.known) == (40, 30)
    assert len(rows_of(shop.run())) == 80


def test_rows_copied_from_the_middle_of_a_run_are_a_question(shop):
    rows = walk(60)
    shop.take("a.csv", "seat\n" + "\n".join(rows) + "\n")
    news = shop.take("b.csv", "seat\n" + "\n".join([*walk(40, 7), *rows[5:35]]) + "\n")

    assert (news.imported.readings, len(news.imported.questions)) == (40, 30)
    assert "the same parts again?" in news.imported.questions[0]
    assert (shop.run().rejects["text"].str.startswith("b.csv, row ")).all()


def test_a_gauge_that_stands_still_copies_nothing(shop):
    shop.take("a.csv", "seat\n" + "25.006\n" * 40)
    shop.take("b.csv", "seat\n" + "25.006\n" * 41)

    assert len(rows_of(shop.run())) == 41
    shop.take("c.csv", "seat,note\n" + "25.006,\n" * 40)
    assert len(rows_of(shop.run())) == 81


def test_places_of_a_pallet_are_kept_and_tell_no_part(shop):
    rows = [f"{n % 8 + 1},2026-03-02 06:{n:02d},{size}" for n, size in enumerate(walk(40))]
    shop.take("a.csv", "part,time,seat\n" + "\n".join(rows[:30]) + "\n")
    shop.take("a.csv", "part,time,seat\n" + "\n".join(rows) + "\n")

    run = shop.run()
    assert run.measurements["part"].tolist() == list(range(1, 41))
    assert run.measurements["serial"].tolist() == [str(n % 8 + 1) for n in range(40)]
    assert run.measurements["repeat"].tolist() == [0] * 40


@pytest.mark.parametrize(
    "edit", ["name = 'z.csv'", "sha256 = 'f00'", "bytes = 7", "lines = 1", "run = 2", "id = 9"]
)
def test_an_edit_of_where_readings_came_from_is_named(shop, edit):
    shop.take("x.csv", "seat\n25.001\n25.002\n")
    with sqlite3.connect("spc.db") as bare:
        for (name,) in bare.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'"):
            if name.startswith("sources"):
                bare.execute(f"DROP TRIGGER {name}")
        bare.execute(f"UPDATE sources SET {edit}")
    bare.close()
    with Ledger("spc.db") as ledger:
        faults = verify(ledger).faults

    assert any(fault.startswith("source ") and "x.csv" in fault for fault in faults)


def test_places_that_come_one_file_a_row_are_asked_about_from_the_third_round_on(shop):
    rows = [f"{n % 8 + 1},2026-03-02 06:{n:02d},{size}" for n, size in enumerate(walk(40))]
    news = [shop.take(f"{n}.csv", f"part,time,seat\n{row}\n") for n, row in enumerate(rows)]

    refused = [n for n, each in enumerate(news) if each.refused]
    # What is refused is not stored, so that a chance agreement with the row before may pass.
    assert refused[0] == 23
    assert len(refused) >= 14
    assert "are they places" in news[-1].refused
    assert "numbering = 'rows'" in news[-1].refused


def test_parts_measured_again_and_again_are_no_places(shop):
    sizes = walk(8)
    rows = [
        f"{n % 8 + 1},2026-03-02 06:{n:02d},{float(sizes[n % 8]) + n % 3 / 1e4:.4f}"
        for n in range(40)
    ]
    for n, row in enumerate(rows):
        assert not shop.take(f"{n}.csv", f"part,time,seat\n{row}\n").refused

    assert shop.run().measurements["part"].nunique() == 8


@pytest.fixture
def two(shop, tmp_path):
    """The same with a second diameter."""
    Path("two.toml").write_text(TWO, encoding="utf-8")
    plan = load_plan("two.toml")
    with Ledger("two.db") as ledger:
        run = run_for(ledger, plan, name="one")

        class Shop:
            def take(self, name, text):
                Path(name).write_text(text, encoding="utf-8")
                (news,) = take_in(ledger, run, plan, [name])
                return news

            def run(self):
                with ledger.reading() as reader:
                    return run_of(reader, run)

        yield Shop()


def days(first, last, day, um=1.0):
    return "part,time,seat\n" + "".join(
        f"{p},2026-03-{day:02d} 06:{p:02d},{25 + (um + p % 3) / 1000:.4f}\n"
        for p in range(first, last + 1)
    )


def test_part_numbers_that_begin_again_are_no_second_readings(shop):
    shop.take("d2.csv", days(1, 20, 2))
    news = shop.take("d3.csv", days(1, 20, 3, um=2.0))

    assert "measured again, or others of the same numbers?" in news.refused
    assert "--run NAME" in news.refused
    assert len(rows_of(shop.run())) == 20


def test_the_same_parts_with_another_clock_are_no_second_readings(shop):
    shop.take("a.csv", days(1, 15, 2))
    news = shop.take("b.csv", days(1, 15, 2).replace(" 06:", " 07:"))

    assert news.refused
    assert len(rows_of(shop.run())) == 15


def test_two_parts_measured_again_later_are_second_readings(shop):
    shop.take("a.csv", days(1, 15, 2))
    shop.take("b.csv", days(14, 15, 3) + days(16, 18, 3).partition("\n")[2])

    assert rows_of(shop.run())[-7:-3] == [
        [14, "14", 3.0, 0], [14, "14", 3.0, 1], [15, "15", 1.0, 0], [15, "15", 1.0, 1],
    ]  # fmt: skip


def test_a_dress_of_every_day_counts_where_rows_have_a_day_alone(shop):
    def rows(first):
        lines = [f"{p},2026-03-02,25.00{p % 10}," for p in range(first, first + 8)]
        return "part,date,seat,event\n" + "\n".join([*lines[:4], ",2026-03-02,,dress", *lines[4:]])

    for name, first in (("a.csv", 1), ("b.csv", 9), ("c.csv", 1)):
        shop.take(name, rows(first) + "\n")

    assert shop.run().events["after_part"].tolist() == [4, 12]


def test_rows_are_matched_whole(two):
    head = "time,seat,neck\n"
    for number, row in enumerate(("25.001,20.005", "25.002,20.006", "25.001,20.006")):
        two.take(f"{number}.csv", f"{head}2026-03-02 08:00,{row}\n")
    two.take("again.csv", head + "2026-03-02 08:00,25.002,20.006\n2026-03-02 08:01,25.003,20.001\n")

    table = two.run().measurements
    assert table["part"].tolist() == [1, 1, 2, 2, 3, 3, 4, 4]
    assert table["deviation_um"].tolist() == [1.0, 5.0, 2.0, 6.0, 1.0, 6.0, 3.0, 1.0]


def test_a_second_reading_that_agrees_in_one_feature_is_one_of_both(two):
    two.take("a.csv", "part,seat,neck\n6,25.002,20.001\n7,25.001,20.005\n")
    two.take("b.csv", "part,seat,neck\n7,25.001,20.006\n8,25.002,20.004\n")

    table = two.run().measurements
    assert table["part"].tolist() == [1, 1, 2, 2, 2, 2, 3, 3]
    assert two.run().rejects.empty


def test_one_value_corrected_in_a_row_is_asked_about_alone(two):
    rows = [f"{p},25.00{p},20.00{p}" for p in range(1, 8)]
    two.take("a.csv", "part,seat,neck\n" + "\n".join(rows) + "\n")
    rows[3] = "4,25.004,20.009"
    news = two.take("b.csv", "part,seat,neck\n" + "\n".join(rows) + "\n")

    assert (news.imported.known, news.imported.readings) == (13, 0)
    assert news.imported.questions == (
        "question: neck of part 4 is stored as +4.00 µm, here +9.00 µm",
    )


def test_a_column_filled_in_later_adds_to_the_parts_it_is_of(two):
    rows = [f"A-{p},2026-03-02 06:0{p},25.00{p}" for p in range(1, 6)]
    two.take("a.csv", "part,time,seat\n" + "\n".join(rows) + "\n")
    whole = [f"{row},20.00{n}" for n, row in enumerate(rows, 1)]
    two.take("b.csv", "part,time,seat,neck\n" + "\n".join(whole) + "\n")

    table = two.run().measurements
    assert table["part"].tolist() == [1, 1, 2, 2, 3, 3, 4, 4, 5, 5]
    assert table["repeat"].tolist() == [0] * 10


def test_a_row_that_could_not_be_read_takes_its_own_place_when_it_can(shop):
    def rows(third):
        sizes = ["25.001", "25.002", third, "25.004", "25.005"]
        lines = [f"A-{n},2026-03-02 06:0{n},{size}" for n, size in enumerate(sizes, 1)]
        return "part,time,seat\n" + "\n".join(lines) + "\n"

    shop.take("a.csv", rows("ERR"))
    shop.take("b.csv", rows("25.003"))

    assert rows_of(shop.run()) == [[n, f"A-{n}", float(n), 0] for n in range(1, 6)]


def test_a_list_that_drops_its_oldest_rows_adds_its_new_ones(shop):
    rows = walk(120)
    for begin in (0, 10, 20, 50):
        text = "seat\n" + "\n".join(rows[begin : begin + 70]) + "\n"
        assert not shop.take(f"{begin}.csv", text).refused

    assert [f"{25 + um / 1000:.4f}" for _, _, um, _ in rows_of(shop.run())] == rows


def test_rows_of_a_day_given_again_cut_otherwise_are_stored_once(shop):
    rows = [f"2026-03-02,{size}" for size in walk(60)]
    shop.take("a.csv", "date,seat\n" + "\n".join(rows[:50]) + "\n")
    shop.take("b.csv", "date,seat\n" + "\n".join(rows[10:]) + "\n")

    assert len(rows_of(shop.run())) == 60


def test_a_file_whose_parts_turn_out_otherwise_as_it_grows_is_refused(shop):
    rows = [f"{n % 8 + 1},2026-03-02 06:{n:02d},{size}" for n, size in enumerate(walk(48))]
    head = "part,time,seat\n"
    news = [shop.take("a.csv", head + "\n".join(rows[:end]) + "\n") for end in (16, 30, 48)]

    assert not news[0].refused
    assert all("--run NAME" in each.refused for each in news[1:])


def test_numbers_that_do_not_count_in_a_run_leave_no_gaps_in_it(shop):
    shop.take("a.csv", "part,seat\n5,25.001\n3,25.002\n7,25.003\n")
    shop.take("b.csv", "part,seat\n8,25.004\n9,25.005\n12,25.006\n")

    assert [row[0] for row in rows_of(shop.run())] == [1, 2, 3, 4, 5, 6]


def test_a_file_of_one_part_is_of_that_part_where_the_run_has_part_numbers(shop):
    shop.take("a.csv", "part,seat\n1,25.001\n5,25.002\n9,25.003\n")
    shop.take("b.csv", "part,seat\n12,25.001\n12,25.002\n")
    shop.take("c.csv", "part,seat\n12,25.001\n12,25.002\n13,25.004\n")

    assert rows_of(shop.run())[3:] == [[12, "12", 1.0, 0], [12, "12", 2.0, 1], [13, "13", 4.0, 0]]


def test_a_file_whose_name_is_no_text_is_one_source_however_often_it_is_given(shop):
    name = os.fsdecode(b"odd-\xff.csv")
    Path("e.csv").write_text("after_part,event\n1,dress\n")
    for _ in range(2):
        shop.take(name, "part,seat\n1,25.001\n2,25.002\n", events="e.csv")

    run = shop.run()
    assert len(rows_of(run)) == 2
    assert run.events["kind"].tolist() == ["dress"]
    with Ledger("spc.db") as ledger:
        assert verify(ledger).faults == ()
