"""What is imported is stored once and reads back as the files themselves would."""

import json
from pathlib import Path

import pandas as pd
import pandas.testing
import pytest

import spc
from spc.errors import SpcError, UnreadableRun
from spc.intake import read_run
from spc.ledger.as_run import run_of
from spc.ledger.finding import find_run, is_run, wheel_span
from spc.ledger.store import Ledger
from spc.ledger.verify import verify
from spc.live.begin import run_for
from spc.live.files import import_into, take_in
from spc.plan import load_plan
from spc.study import examine

SAMPLES = Path(spc.__file__).parents[1] / "sample_runs"


@pytest.fixture
def take(ledger, plan, tmp_path, monkeypatch):
    """Write a file and import it into one run."""
    monkeypatch.chdir(tmp_path)
    run = run_for(ledger, plan, name="one")

    def write_and_take(name, text, **details):
        Path(name).write_text(text, encoding="utf-8")
        (news,) = take_in(ledger, run, plan, [name], **details)
        return news

    return write_and_take


@pytest.fixture
def stored(ledger):
    def read():
        with ledger.reading() as reader:
            return run_of(reader, reader.run_named("one"))

    return read


def values(run):
    table = run.measurements
    return list(zip(table["part"].tolist(), table["deviation_um"].tolist(), strict=True))


@pytest.mark.parametrize(
    "name", ["capstan_spindle", "sluice_spool", "idler_bore", "hinge_pin", "press_pillar"]
)
def test_an_imported_run_is_the_run_of_its_files(name, tmp_path, monkeypatch):
    monkeypatch.chdir(SAMPLES)
    plan = load_plan(f"{name}.toml")
    events = f"{name}_events.csv" if Path(f"{name}_events.csv").exists() else None
    plain = read_run(f"{name}.csv", plan, events)
    place = str(tmp_path / "spc.db")
    import_into(place, plan, [f"{name}.csv"], events=events)

    found = find_run(place, plan)

    for table in ("measurements", "events", "rejects"):
        pandas.testing.assert_frame_equal(
            getattr(found.run, table), getattr(plain, table), check_categorical=False
        )
    assert found.run.account == plain.account
    assert found.run.sources == plain.sources
    assert found.run.remarks[:-1] == plain.remarks
    assert "head is" in found.run.remarks[-1]


@pytest.mark.slow
def test_the_study_of_a_shift_is_the_one_of_the_plain_file(tmp_path, monkeypatch):
    monkeypatch.chdir(SAMPLES)
    plan = load_plan("capstan_spindle.toml")
    place = str(tmp_path / "spc.db")
    import_into(place, plan, ["capstan_spindle.csv"])
    found = find_run(place, plan)

    mine = examine(found.run, plan, found.history).as_dict()
    plain = examine(read_run("capstan_spindle.csv", plan), plan).as_dict()

    assert {**mine, "remarks": ()} == {**plain, "remarks": ()}


def test_the_same_file_again_changes_nothing(take, ledger):
    text = "part,time,seat\n1,2026-11-25 06:00,25.001\n2,2026-11-25 06:01,25.002\n"
    take("a.csv", text)
    with ledger.reading() as reader:
        before = reader.head()
    assert take("a.csv", text).known
    assert take("copy.csv", text).known
    with ledger.reading() as reader:
        assert reader.head() == before


def test_a_longer_export_adds_only_its_new_rows(take, stored):
    head, rows = "part,time,seat\n", [f"{p},2026-11-25 06:{p:02d},25.00{p}\n" for p in range(1, 8)]
    take("a.csv", head + "".join(rows[:4]))
    news = take("b.csv", head + "".join(rows[2:]))

    assert (news.imported.readings, news.imported.known) == (3, 2)
    assert values(stored()) == [(p, float(p)) for p in range(1, 8)]
    account = stored().account
    assert account["cells"] == 9
    assert account["identical"] == 2


@pytest.mark.parametrize("with_time", [True, False])
def test_a_file_that_grows_is_stored_row_by_row(take, stored, with_time):
    def text(count):
        rows = [
            f"2026-11-25 06:{p:02d},25.00{p}" if with_time else f"25.00{p}"
            for p in range(1, count + 1)
        ]
        return ("time,seat\n" if with_time else "seat\n") + "\n".join(rows) + "\n"

    for count in (3, 5, 9):
        take("grows.csv", text(count))

    assert values(stored()) == [(p, float(p)) for p in range(1, 10)]
    plain = read_run("grows.csv", load_plan("pin.toml"))
    assert stored().account == plain.account


def test_files_without_numbers_follow_each_other(take, stored):
    take("a.csv", "seat\n25.001\n25.002\n")
    take("b.csv", "seat\n25.003\n25.004\n")

    assert values(stored()) == [(1, 1.0), (2, 2.0), (3, 3.0), (4, 4.0)]


def test_part_numbers_go_on_from_file_to_file_whatever_the_order(take, stored):
    take("b.csv", "part,time,seat\n104,2026-11-25 06:04,25.004\n105,2026-11-25 06:05,25.005\n")
    take("c.csv", "part,time,seat\n108,2026-11-25 06:08,25.008\n")
    with pytest.raises(UnreadableRun, match="comes before the first part"):
        take_error(take, "a.csv", "part,time,seat\n101,2026-11-25 06:01,25.001\n")
    take("late.csv", "part,time,seat\n106,2026-11-25 06:06,25.006\n")

    run = stored()
    assert values(run) == [(1, 4.0), (2, 5.0), (3, 6.0), (5, 8.0)]
    assert run.measurements["serial"].tolist() == ["104", "105", "106", "108"]


def take_error(take, name, text):
    news = take(name, text)
    if news.refused:
        raise UnreadableRun(news.refused)


def test_another_value_under_the_same_key_is_a_question_and_kept(take, stored):
    rows = [f"{p},2026-11-25 06:{p:02d},25.00{p}" for p in range(1, 8)]
    take("a.csv", "part,time,seat\n" + "\n".join(rows) + "\n")
    rows[3] = rows[3][:-1] + "9"
    news = take("b.csv", "part,time,seat\n" + "\n".join(rows) + "\n")

    (question,) = news.imported.questions
    assert "seat of part 4 is stored as +4.00 µm, here +9.00 µm" in question
    run = stored()
    assert values(run)[3] == (4, 4.0)
    assert "b.csv, row 5" in run.rejects["text"].tolist()[0]
    assert run.account["cells"] == sum(
        run.account[n] for n in ("measurements", "rejected", "blank", "identical", "summary")
    )


def test_a_file_that_contradicts_most_of_the_run_is_refused_with_the_cure(take, stored):
    head = "part,time,seat\n"
    take("a.csv", head + "".join(f"{p},2026-11-25 06:{p:02d},25.00{p}\n" for p in range(1, 8)))
    news = take("b.csv", head + "".join(f"{p},2026-11-25 06:{p:02d},25.000\n" for p in range(1, 8)))

    assert "--run NAME" in news.refused
    assert len(values(stored())) == 7


def test_a_repeat_in_a_later_file_is_a_second_reading(take, stored):
    take("a.csv", "part,time,seat\n1,2026-11-25 06:01,25.001\n2,2026-11-25 06:02,25.002\n")
    take("b.csv", "part,time,seat\n2,2026-11-25 06:09,25.004\n3,2026-11-25 06:10,25.003\n")

    assert stored().measurements["repeat"].tolist() == [0, 0, 1, 0]


def test_rejects_and_a_line_that_was_not_finished(take, stored):
    take("a.csv", "part,seat\n1,25.001\n2,ERR\n3,25.0")
    assert len(stored().rejects) == 2
    take("a.csv", "part,seat\n1,25.001\n2,ERR\n3,25.003\n4,25.004\n")

    run = stored()
    assert run.rejects["text"].tolist() == ["ERR"]
    assert values(run) == [(1, 1.0), (3, 3.0), (4, 4.0)]
    assert run.account["rejected"] == 1


def test_events_are_stored_once(take, stored):
    text = (
        "part,time,seat,event,amount_um\n1,2026-11-25 06:01,25.001,,\n,2026-11-25 06:02,,dress,\n"
    )
    take("a.csv", text)
    take("a.csv", text + "2,2026-11-25 06:03,25.002,,\n,2026-11-25 06:04,,offset,-3\n")

    assert stored().events[["after_part", "kind"]].values.tolist() == [[1, "dress"], [2, "offset"]]


def test_a_bad_file_stops_no_other(ledger, plan, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    run = run_for(ledger, plan, name="one")
    for number in range(9):
        Path(f"{number}.csv").write_text(f"part,seat\n{number + 1},25.001\n")
    Path("4.csv").write_bytes(b"\x00\x01\x02")

    news = list(take_in(ledger, run, plan, [f"{n}.csv" for n in range(9)]))

    refused = [item for item in news if item.refused]
    assert [item.names for item in refused] == [("4.csv",)]
    with ledger.reading() as reader:
        assert len(run_of(reader, run).measurements) == 8


def test_names_of_files_and_serials_are_only_text(take, stored, ledger):
    odd = "..;&$(x) 'Ø'.csv"
    take(odd, "part,seat\n../../7,25.001\n@1+1,25.002\n")

    assert stored().measurements["serial"].tolist() == ["../../7", "@1+1"]
    assert stored().sources[0].name == odd
    assert verify(ledger).faults == ()


def test_a_withdrawn_import_stays_withdrawn_and_stands_among_the_rejects(take, stored, ledger):
    from spc.ledger.entry import Entry

    text = "part,time,seat\n1,2026-11-25 06:01,25.001\n2,2026-11-25 06:02,25.002\n"
    take("a.csv", text)
    with ledger.writing() as writer:
        line = next(e.line for e in writer.entries(1) if e.kind == "reading" and e.part == 2)
        writer.append(1, [Entry("withdrawn", 2, corrects=line, note="dirt", who="inspector")])
    take("a.csv", text + "3,2026-11-25 06:03,25.003\n")

    run = stored()
    assert values(run) == [(1, 1.0), (3, 3.0)]
    assert run.rejects["reason"].tolist() == ["withdrawn by inspector: dirt"]
    assert run.account["cells"] == 3


def test_runs_are_found_by_name_by_shift_and_as_the_newest(ledger, plan, tmp_path, monkeypatch):
    from datetime import date

    monkeypatch.chdir(tmp_path)
    for name, day in (("monday", 23), ("tuesday", 24)):
        Path(f"{name}.csv").write_text(f"part,time,seat\n1,2026-11-{day} 23:30,25.00{day % 10}\n")
        import_into(ledger.place, plan, [f"{name}.csv"], name=name)

    assert find_run(ledger.place, plan).run.sources[0].name == "tuesday.csv"
    assert find_run(ledger.place, plan, "monday").run.sources[0].name == "monday.csv"
    # The night shift that began on Monday ends on Tuesday.
    by_shift = find_run(ledger.place, plan, shift="night", day=date(2026, 11, 23))
    assert by_shift.run.sources[0].name == "monday.csv"
    assert is_run(ledger.place, ["monday"])
    assert not is_run(ledger.place, ["monday.csv"])
    with pytest.raises(Exception, match="monday, tuesday"):
        find_run(ledger.place, plan, "friday")


def test_the_span_of_a_wheel(take, stored):
    rows = [f"{p},2026-11-25 06:{p:02d},25.001," for p in range(1, 9)]
    rows.insert(4, ",2026-11-25 06:04,,wheel")
    take("a.csv", "part,time,seat,event\n" + "\n".join(rows) + "\n")

    run = stored()
    assert wheel_span(run, "1").end < wheel_span(run, "last").start
    assert wheel_span(run, "2") == wheel_span(run, "last")
    assert wheel_span(run, "2").start == pd.Timestamp("2026-11-25 05:05", tz="UTC")
    with pytest.raises(Exception, match="this run had 2"):
        wheel_span(run, "3")
    for odd in ("²", "٣", "-1", "9" * 5000):
        with pytest.raises(SpcError, match="write 1 to 2, or last"):
            wheel_span(run, odd)


def test_a_study_as_json_names_the_head_of_the_ledger(take, ledger, plan):
    take("a.csv", "part,seat\n1,25.001\n2,25.002\n")
    with Ledger(ledger.place) as again, again.reading() as reader:
        head = reader.head().chain.hex()[:32]
    found = find_run(ledger.place, plan)

    document = json.dumps(examine(found.run, found.plan).as_dict())

    assert head in document
    assert verify(ledger, head=head).known_at is not None
