import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest
from books import write_far

import spc
from spc.errors import StoreBusy
from spc.intake import read_run
from spc.ledger.as_run import run_of
from spc.ledger.store import Ledger
from spc.ledger.verify import verify
from spc.live import drop_folder
from spc.live.begin import run_for
from spc.live.drop_folder import DropFolder
from spc.live.session import Session
from spc.plan import load_plan
from spc.study import examine

SAMPLES = Path(spc.__file__).parents[1] / "sample_runs"

HEAD = "part,time,seat\n"


@pytest.fixture
def drop(session, tmp_path):
    (tmp_path / "in").mkdir()
    said, stored = [], []
    folder = DropFolder(tmp_path / "in", session, said.append, lambda _s: stored.append(1))
    folder.now = 0.0
    folder.clock = lambda: folder.now
    folder.said, folder.times_stored = said, stored
    return folder


def rows(first, last):
    return "".join(f"{p},2026-11-25 06:{p:02d},25.00{p % 10}\n" for p in range(first, last + 1))


def put(drop, name, text, *, age=60.0):
    """A file as if it was last written `age` seconds ago."""
    path = drop.folder / name
    path.write_text(text) if isinstance(text, str) else path.write_bytes(text)
    then = time.time() - age
    os.utime(path, (then, then))


def look(drop, seconds=2.0):
    drop.now += seconds
    drop.look()


def parts(drop):
    with drop.session.ledger.reading() as reader:
        return run_of(reader, drop.session.run).measurements["part"].tolist()


def test_each_new_row_is_stored_once_as_the_file_grows(drop):
    for last in (3, 4, 9):
        put(drop, "a.csv", HEAD + rows(1, last))
        look(drop)
        look(drop)

    assert parts(drop) == list(range(1, 10))
    assert len(drop.times_stored) == 3
    assert drop.session.progress.made == 9


def test_a_file_still_being_written_is_waited_for(drop):
    put(drop, "a.csv", HEAD + rows(1, 3), age=0.0)
    look(drop)
    assert parts(drop) == []
    put(drop, "a.csv", HEAD + rows(1, 4), age=0.0)
    look(drop, seconds=0.2)
    assert parts(drop) == []
    look(drop)
    assert parts(drop) == [1, 2, 3, 4]


def rejects(drop):
    with drop.session.ledger.reading() as reader:
        return run_of(reader, drop.session.run).rejects["reason"].tolist()


def test_a_heading_and_a_line_without_end_are_waited_for_and_then_a_reject(drop):
    put(drop, "a.csv", HEAD + "1,2026-11-25 06:01,25.0")
    look(drop)
    look(drop)
    assert drop.said == [f"{drop.folder / 'a.csv'}: the last line has no end yet; waiting for it"]
    look(drop, seconds=drop_folder.UNFINISHED)
    assert "refused" in drop.said[-1]
    put(drop, "a.csv", HEAD + rows(1, 4))
    look(drop)
    look(drop)
    assert parts(drop) == [1, 2, 3, 4]


def test_whole_lines_are_not_held_up_by_a_last_one_that_has_no_end(drop):
    text = HEAD + rows(1, 9)
    cut = [text.index("\n4,") + 9, text.index("\n4,") + 14, text.index("\n7,") + 20]
    seen = []
    for end in (*cut, len(text)):
        put(drop, "a.csv", text[:end], age=100 - end / 10)
        look(drop)
        look(drop)
        seen.append(len(parts(drop)))

    # The second time only the unfinished line grew; it is waited for.
    assert seen == [3, 3, 6, 9]
    assert "waiting" in "".join(drop.said)
    assert rejects(drop) == []


def test_a_last_line_that_never_ends_is_a_reject(drop):
    put(drop, "a.csv", HEAD + rows(1, 3) + "4,2026-11-25 06:04,25.0")
    look(drop)
    look(drop)

    assert parts(drop) == [1, 2, 3]
    assert len(rejects(drop)) == 1
    assert rejects(drop)[0].startswith("unfinished line")


def test_a_refused_file_is_named_once_and_taken_when_it_is_mended(drop):
    put(drop, "a.csv", "junk\n")
    for _ in range(3):
        look(drop)
    assert len(drop.said) == 1
    assert "refused" in drop.said[0]
    put(drop, "a.csv", HEAD + rows(1, 2), age=30.0)
    look(drop)
    look(drop)
    assert parts(drop) == [1, 2]


def test_a_vanished_file_is_named_and_never_fatal(drop):
    put(drop, "a.csv", HEAD + rows(1, 2), age=0.0)
    look(drop)
    (drop.folder / "a.csv").unlink()
    drop.look()
    drop.look()

    assert len(drop.said) == 1
    assert "went away" in drop.said[0]
    assert parts(drop) == []


def test_a_locked_file_is_named_once_and_tried_again(drop, monkeypatch):
    put(drop, "a.csv", HEAD + rows(1, 2))
    with monkeypatch.context() as locked:

        def refuse(*_details, **_more):
            raise PermissionError(13, "Permission denied")

        locked.setattr(drop_folder, "open", refuse, raising=False)
        look(drop)
        look(drop)
    assert len(drop.said) == 1
    assert "trying again" in drop.said[0]
    look(drop)
    assert parts(drop) == [1, 2]


def test_a_busy_store_is_tried_again(drop, monkeypatch):
    put(drop, "a.csv", HEAD + rows(1, 2))
    with monkeypatch.context() as busy:

        def refuse(*_details, **_more):
            raise StoreBusy("busy")

        busy.setattr("spc.live.files.store_run", refuse)
        look(drop)
        look(drop)
    assert parts(drop) == []
    assert "trying again" in drop.said[0]
    look(drop)
    assert parts(drop) == [1, 2]


@pytest.fixture
def socket_there():
    """Binds sockets and closes them; a socket stays in its folder until it is unlinked."""
    with socket.socket(socket.AF_UNIX) as bound:
        yield bound


def test_whatever_is_no_plain_file_is_named_once_and_never_opened(drop, socket_there, monkeypatch):
    folder = drop.folder
    os.mkfifo(folder / "pipe.csv")
    (folder / "inner.csv").mkdir()
    (folder / "link.csv").symlink_to("/etc/passwd")
    (folder / "nowhere.csv").symlink_to(folder / "missing")
    monkeypatch.chdir(folder)
    socket_there.bind("socket.csv")
    put(drop, "a.csv", HEAD + rows(1, 3))
    for _ in range(3):
        look(drop)

    assert parts(drop) == [1, 2, 3]
    link = "left alone: a link, and links are not followed; put the file itself here"
    assert [words for words in drop.said if "a.csv" not in words] == [
        f"{folder}/inner.csv: left alone: a folder; its files are not looked at",
        f"{folder}/link.csv: {link}",
        f"{folder}/nowhere.csv: {link}",
        f"{folder}/pipe.csv: left alone: a named pipe, not a file",
        f"{folder}/socket.csv: left alone: a socket, not a file",
    ]


def test_events_that_are_a_link_or_a_pipe_are_not_read_with_the_readings(drop, tmp_path):
    (tmp_path / "else.csv").write_text("after_part;event;amount\n1;offset;-3um\n")
    (drop.folder / "a_events.csv").symlink_to(tmp_path / "else.csv")
    os.mkfifo(drop.folder / "b_events.csv")
    put(drop, "a.csv", HEAD + rows(1, 3))
    put(drop, "b.csv", HEAD + rows(4, 6))
    look(drop)

    assert parts(drop) == [1, 2, 3, 4, 5, 6]
    with drop.session.ledger.reading() as reader:
        assert run_of(reader, drop.session.run).events.empty


@pytest.mark.parametrize("thing", ["pipe", "link"])
def test_a_file_that_became_something_else_between_two_looks_is_not_opened(drop, thing):
    put(drop, "a.csv", HEAD + rows(4, 6))
    put(drop, "b.csv", HEAD + rows(1, 3))
    names = drop.files()
    (drop.folder / "a.csv").unlink()
    if thing == "pipe":
        os.mkfifo(drop.folder / "a.csv")
    else:
        (drop.folder / "a.csv").symlink_to("/etc/passwd")
    os.utime(drop.folder / "a.csv", (1e9, 1e9), follow_symlinks=False)
    drop.files = lambda: names
    look(drop)

    assert parts(drop) == [1, 2, 3]
    assert drop.said[0].startswith(f"{drop.folder}/a.csv: cannot be read")
    assert "root:" not in "".join(drop.said)


def test_a_name_that_is_no_text_is_named_once_and_left_alone(drop):
    name = os.fsencode(drop.folder) + b"/\xff\xfe bad\xe9.csv"
    with open(name, "wb") as file:
        file.write((HEAD + rows(1, 3)).encode())
    os.utime(name, (1e9, 1e9))
    put(drop, "a.csv", HEAD + rows(4, 6))
    look(drop)
    look(drop)

    assert parts(drop) == [1, 2, 3]
    assert drop.said[0] == (
        f"{drop.folder}/\\xff\\xfe bad\\xe9.csv: left alone: its name is no text; rename it"
    )
    assert len(drop.said) == 2


def test_a_name_with_orders_for_the_terminal_is_told_without_them(drop):
    put(drop, "\x1b[2J\n.csv", "junk\n")
    look(drop)

    assert drop.said[0].isprintable() or "\t" in drop.said[0]
    assert "\x1b" not in drop.said[0]
    assert "\n" not in drop.said[0]


def test_a_file_too_large_to_be_read_while_the_folder_waits_is_named_once(drop):
    put(drop, "a.csv", HEAD + rows(1, 3))
    put(drop, "huge.csv", HEAD)
    for size in (60e6, 61e6):
        os.truncate(drop.folder / "huge.csv", int(size))
        os.utime(drop.folder / "huge.csv", (size, size))
        look(drop)
        look(drop)

    large = "left alone: it is larger than 50 MB; store it with spc import"
    assert [words for words in drop.said if "huge" in words] == [f"{drop.folder}/huge.csv: {large}"]
    assert parts(drop) == [1, 2, 3]


def test_a_folder_that_goes_away_is_named_once_and_looked_into_when_it_is_back(drop, tmp_path):
    put(drop, "a.csv", HEAD + rows(1, 3))
    drop.folder.rename(tmp_path / "away")
    look(drop)
    look(drop)
    (tmp_path / "away").rename(drop.folder)
    look(drop)

    assert [words for words in drop.said if "looked into" in words] == [
        f"{drop.folder}: cannot be looked into (No such file or directory); trying again"
    ]
    assert parts(drop) == [1, 2, 3]


def test_hidden_and_other_files_are_left_alone(drop):
    for name in (".a.csv", "~$a.xlsx", "a.csv.tmp", "a.pdf"):
        put(drop, name, HEAD + rows(1, 2))
    look(drop)
    look(drop)

    assert parts(drop) == []
    assert drop.said == []


def test_a_file_copied_under_another_name_adds_nothing(drop):
    put(drop, "a.csv", HEAD + rows(1, 4))
    look(drop)
    put(drop, "b.csv", HEAD + rows(1, 4))
    put(drop, "c.csv", HEAD + rows(3, 6))
    look(drop)
    look(drop)

    assert parts(drop) == [1, 2, 3, 4, 5, 6]


def test_events_in_a_file_beside_are_read_with_it_whichever_comes_first(drop):
    put(drop, "a_events.csv", "after_part;event;amount\n0;master;\n")
    look(drop)
    look(drop)
    alone = f"{drop.folder}/a_events.csv: the file these events belong to is not there"
    assert drop.said == [alone]
    put(drop, "a.csv", HEAD + rows(1, 4))
    look(drop)
    assert parts(drop) == [1, 2, 3, 4]
    put(drop, "a_events.csv", "after_part;event;amount\n0;master;\n2;offset;-3um\n")
    look(drop)
    put(drop, "a.csv", HEAD + rows(1, 9))
    put(drop, "a_events.csv", "after_part;event;amount\n0;master;\n2;offset;-3um\n8;dress;\n")
    look(drop)
    look(drop)

    assert parts(drop) == list(range(1, 10))
    with drop.session.ledger.reading() as reader:
        events = run_of(reader, drop.session.run).events
    assert events[["after_part", "kind", "amount_um"]].fillna(0.0).to_numpy().tolist() == [
        [0, "master", 0.0], [2, "offset", -3.0], [8, "dress", 0.0],
    ]  # fmt: skip
    assert not [words for words in drop.said if "refused" in words]


@pytest.mark.parametrize("header", ["after_part", "after", "part"])
def test_an_event_of_a_later_file_stands_after_the_part_it_names(drop, header):
    put(drop, "a.csv", HEAD + rows(1, 3))
    look(drop)
    put(drop, "c.csv", HEAD + rows(4, 4))
    put(drop, "c_events.csv", f"{header};event\n4;dress\n")
    look(drop)

    with drop.session.ledger.reading() as reader:
        events = run_of(reader, drop.session.run).events
    assert events[["after_part", "kind"]].to_numpy().tolist() == [[4, "dress"]]
    assert drop.session.progress.made == 4
    assert drop.session.due[0] == 5


def test_a_shift_with_its_events_dropped_in_pieces_is_the_shift_of_its_files(tmp_path, ledger):
    plan = load_plan(SAMPLES / "sluice_spool.toml")
    session = Session(ledger, plan, run_for(ledger, plan))
    folder, now, said = tmp_path / "in", [0.0], []
    folder.mkdir()
    drop = DropFolder(folder, session, said.append, clock=lambda: now[0])
    names = ("sluice_spool.csv", "sluice_spool_events.csv")
    lines = {name: (SAMPLES / name).read_bytes().splitlines(keepends=True) for name in names}
    for piece in range(1, 5):
        for name in names:
            file = folder / name
            file.write_bytes(b"".join(lines[name][: len(lines[name]) * piece // 4]))
            os.utime(file, (1e9 + piece, 1e9 + piece))
        for _ in range(2):
            now[0] += 2.0
            drop.look()

    with ledger.reading() as reader:
        mine = examine(run_of(reader, session.run), plan).as_dict()
    files = [str(SAMPLES / name) for name in names]
    file = examine(read_run(files[0], plan, files[1]), plan).as_dict()
    for document in (mine, file):
        # Where the rows came from differs, what follows from them does not.
        document.pop("sources"), document.pop("remarks")
    assert mine == file
    assert not [words for words in said if "refused" in words]
    assert session.advice.as_dict() == mine["advice"]


@pytest.mark.slow
def test_two_thousand_files_of_one_part_each(drop):
    for part in range(1, 2_001):
        then = f"2026-11-{1 + part // 1440:02d} {part // 60 % 24:02d}:{part % 60:02d}"
        put(drop, f"{part:05d}.csv", f"{HEAD}{part},{then},25.001\n")
    look(drop)

    assert parts(drop) == list(range(1, 2_001))
    assert verify(drop.session.ledger).faults == ()
    before = verify(drop.session.ledger).lines
    drop.done.clear()
    look(drop)
    assert verify(drop.session.ledger).lines == before


def test_a_workbook_with_a_cell_far_out_is_refused_once_and_holds_up_no_other(drop):
    pytest.importorskip("python_calamine", reason="the extra [xlsx] is not installed")
    write_far(drop.folder / "b.xlsx", "XFD1048576")
    os.utime(drop.folder / "b.xlsx", (1e9, 1e9))
    put(drop, "a.csv", HEAD + rows(1, 3))
    put(drop, "c.csv", HEAD + rows(4, 6))
    for _ in range(3):
        look(drop)

    assert parts(drop) == [1, 2, 3, 4, 5, 6]
    refused = [words for words in drop.said if "refused" in words]
    assert len(refused) == 1
    assert refused[0].startswith(f"{drop.folder}/b.xlsx\trefused: ")


@pytest.fixture
def watching(tmp_path, job):
    """`spc watch` on a folder, ended with the test whatever happens in it."""
    plan = job().source
    folder, board = tmp_path / "in", tmp_path / "board.html"
    folder.mkdir(exist_ok=True)
    code = "import sys; from spc.cli.app import main; sys.argv[0] = 'spc'; main()"
    with subprocess.Popen(
        [sys.executable, "-c", code, "watch", str(folder), "--plan", plan, "--board", str(board)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as process:  # fmt: skip
        process.folder, process.ledger = folder, Path(plan).parent / "spc.db"
        yield process
        process.kill()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_the_command_stops_cleanly_when_told(watching, number):
    (watching.folder / "a.csv").write_text(HEAD + rows(1, 9))
    # The first line of advice follows the first rows that were stored.
    line = watching.stdout.readline()
    watching.send_signal(number)
    _, err = watching.communicate(timeout=60)

    assert line
    assert watching.returncode == (130 if number == signal.SIGINT else 0)
    assert "everything that was told is stored" in err
    with Ledger(watching.ledger) as ledger:
        assert verify(ledger).faults == ()


def test_the_command_outlives_a_pipe_a_link_and_a_bad_name_and_still_stops(watching):
    os.mkfifo(watching.folder / "a.csv")
    (watching.folder / "b.csv").symlink_to("/etc/passwd")
    with open(os.fsencode(watching.folder) + b"/bad\xe9.csv", "wb") as file:
        file.write(b"part\n")
    (watching.folder / "c.csv").write_text(HEAD + rows(1, 9))
    line = watching.stdout.readline()
    watching.send_signal(signal.SIGINT)
    _, err = watching.communicate(timeout=60)

    assert line
    assert watching.returncode == 130
    assert err.count("left alone") == 3
    assert "root:" not in err


def test_the_command_is_stopped_in_the_midst_of_a_read(watching):
    # So many rows that reading them takes longer than the wait before the signal.
    lines = "".join(f"{p},,25.00{p % 10}\n" for p in range(1, 400_000))
    (watching.folder / "a.csv").write_text(HEAD + lines)
    assert "watching" in watching.stderr.readline()
    time.sleep(3.0)
    watching.send_signal(signal.SIGINT)
    begun = time.monotonic()
    _, err = watching.communicate(timeout=60)

    assert time.monotonic() - begun < 3.0
    assert watching.returncode == 130
    assert "readings" not in err
    with Ledger(watching.ledger) as ledger:
        assert verify(ledger).faults == ()


def test_a_file_that_is_there_under_another_name_is_said(drop):
    put(drop, "a.csv", HEAD + rows(1, 3))
    look(drop)
    put(drop, "b.csv", HEAD + rows(1, 3))
    look(drop)

    assert drop.said[-1].endswith(f"already in the ledger, as {drop.folder / 'a.csv'}")
    assert parts(drop) == [1, 2, 3]
