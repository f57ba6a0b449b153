"""Reading a ledger changes nothing anywhere, and works where nothing can be written."""

import os
import re
import shutil
import sqlite3
import subprocess
from contextlib import suppress
from pathlib import Path

import psycopg
import pytest
from commands_apart import spc, spc_each
from pin_plan import PIN

from spc.errors import SpcError
from spc.ledger import opening, tables
from spc.ledger.backup import backup, restore
from spc.ledger.store import Ledger
from spc.ledger.verify import verify

#: Everything that reads a ledger; {out} is a folder elsewhere.
READING = [
    ("check", "--plan", "{plan}"),
    ("advise", "--plan", "{plan}"),
    ("report", "--plan", "{plan}", "--out", "{out}"),
    ("replay", "--plan", "{plan}"),
    ("check", "first", "--plan", "{plan}"),
    ("ledger", "verify"),
    ("ledger", "export", "--out", "{out}"),
    ("ledger", "backup", "{out}/kept.db"),
]
FILE_LIMIT = """
import resource, signal
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, ({limit}, {limit}))
"""


def spelled(words, place, plan, out):
    named = [word.format(plan=plan, out=out) for word in words]
    return [*named, "--ledger", place]


@pytest.fixture
def filled(ledger, plan, readings):
    with ledger.writing() as writer:
        run = writer.begin_run("first", plan)
        writer.append(run.id, readings(60))
    return ledger


def as_it_lies(folder):
    return {
        path.name: (path.stat().st_mtime_ns, path.read_bytes()) for path in sorted(folder.iterdir())
    }


@pytest.fixture
def left_behind(filled, tmp_path):
    """A ledger whose last lines stand in its log, as a killed program leaves it."""
    folder = tmp_path / "left"
    folder.mkdir()
    with filled.writing() as writer:
        writer.append(1, [])
    for tail in ("", "-wal"):
        shutil.copy(f"{filled.place}{tail}", folder / f"spc.db{tail}")
    assert (folder / "spc.db-wal").stat().st_size > 0
    return folder


def test_reading_commands_leave_the_file_as_it_lies(filled, plan, tmp_path):
    filled.close()
    folder, out = tmp_path / "kept", tmp_path / "out"
    folder.mkdir()
    out.mkdir()
    shutil.copy(filled.place, folder / "spc.db")
    before = as_it_lies(folder)

    place = str(folder / "spc.db")
    for words, status, said in spc_each([spelled(w, place, plan.source, out) for w in READING]):
        assert status == 0, (words, said)
    assert as_it_lies(folder) == before


def test_what_a_killed_program_left_in_the_log_is_read_and_stays_there(left_behind):
    before = as_it_lies(left_behind)
    with Ledger(left_behind / "spc.db", create=False) as ledger:
        assert verify(ledger).lines == 61
    after = as_it_lies(left_behind)
    after.pop("spc.db-shm")

    assert after == before


def test_an_older_ledger_is_not_migrated_by_a_reader(filled, monkeypatch, tmp_path):
    filled.close()
    monkeypatch.setattr(tables, "VERSION", 2)
    monkeypatch.setattr(opening, "MIGRATIONS", {2: lambda connection: None})
    before = as_it_lies(tmp_path)

    with pytest.raises(SpcError, match=r"version 1, older.*`spc log` or `spc import` brings"):
        Ledger(filled.place, create=False)
    assert as_it_lies(tmp_path) == before
    with Ledger(filled.place) as migrated:
        assert verify(migrated).faults == ()


# --- no room ------------------------------------------------------------------------------------


@pytest.fixture(params=["empty log", "log"])
def no_room(request, filled, left_behind, tmp_path):
    """The folder of a ledger in which the shared memory of its database cannot be made."""
    if request.param == "empty log":
        filled.close()
        shutil.copy(filled.place, left_behind / "spc.db")
        (left_behind / "spc.db-wal").unlink()
    small = tmp_path / "small"
    small.mkdir()
    mounted = (
        os.getuid() == 0
        and not subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(small)], capture_output=True
        ).returncode
    )
    for path in left_behind.iterdir():
        shutil.copy(path, small / path.name)
    if mounted:
        with suppress(OSError), open(small / "full", "wb", buffering=0) as file:
            while True:
                file.write(b"x" * 512)
    else:
        # Without the right to mount: a folder of its name stands in the way of the file.
        (small / "spc.db-shm").mkdir()
    yield small
    if mounted:
        subprocess.run(["umount", str(small)], check=True)


def test_a_full_disk_is_read_and_the_ledger_carried_off(no_room, plan, tmp_path):
    out = tmp_path / "out"
    out.mkdir()

    for words in READING:
        # Each in a process of its own: one that held the file would make room for the next.
        done = spc(*spelled(words, str(no_room / "spc.db"), plan.source, out))
        assert done.returncode == 0, (words, done.stderr)
    with Ledger(out / "kept.db", create=False) as kept:
        assert (verify(kept).lines, verify(kept).faults) == (61, ())


def test_an_entry_on_a_full_disk_is_refused_and_a_read_speaks_of_none(filled, tmp_path):
    filled.close()
    (tmp_path / "pin.toml").write_text(PIN)
    entry = spc("log", "--plan", str(tmp_path / "pin.toml"), "25.001",
                before=FILE_LIMIT.format(limit=0))  # fmt: skip

    assert entry.returncode == 4
    assert entry.stderr.count("\n") == 1
    assert "nothing of this entry was stored" in entry.stderr
    (tmp_path / "spc.db").write_bytes(b"SQLite format 3\0" + b"\xff" * 5000)
    read = spc("ledger", "verify", "--ledger", str(tmp_path / "spc.db"))
    assert read.returncode == 4
    assert "damaged" in read.stderr
    assert "this entry" not in read.stderr


def in_folder(folder):
    return sorted(p.name for p in folder.iterdir() if not p.name.endswith(("-wal", "-shm")))


@pytest.mark.parametrize("limit", [4096, 400_000], ids=["for the copy aside", "for the backup"])
@pytest.mark.parametrize("open_elsewhere", [True, False])
def test_a_restore_without_room_leaves_everything_as_it_was(
    filled, readings, tmp_path, limit, open_elsewhere
):
    place, kept = tmp_path / "here", tmp_path / "kept.db"
    place.mkdir()
    backup(filled.place, place / "spc.db")
    with filled.writing() as writer:
        writer.append(1, readings(4000, first=100))
    backup(filled.place, kept)
    with Ledger(place / "spc.db") as held:
        if open_elsewhere:
            with held.writing() as writer:
                writer.append(1, readings(1, first=70))
        before, verdict = in_folder(place), verify(held)
        done = spc("ledger", "restore", str(kept), "--aside", "--ledger", str(place / "spc.db"),
                   before=FILE_LIMIT.format(limit=limit))  # fmt: skip
        assert verify(held) == verdict

    assert done.returncode == 4
    assert done.stderr.count("\n") == 1
    assert "everything stands as it was" in done.stderr
    assert in_folder(place) == before
    restored, aside = restore(kept, str(place / "spc.db"), aside=True)
    assert restored.lines == 4061
    with Ledger(aside, create=False) as old:
        assert verify(old) == verdict


def test_a_backup_without_room_leaves_nothing(filled, tmp_path):
    filled.close()
    before = as_it_lies(tmp_path)
    done = spc("ledger", "backup", str(tmp_path / "kept.db"), "--ledger", filled.place,
               before=FILE_LIMIT.format(limit=40_000))  # fmt: skip

    assert done.returncode == 4
    assert {name for name in as_it_lies(tmp_path) if not name.startswith("spc.db-")} == set(before)


def test_a_log_left_without_its_ledger_is_not_merged_into_a_backup(filled, left_behind, tmp_path):
    backup(filled.place, tmp_path / "kept.db")
    (left_behind / "spc.db").unlink()

    restored, aside = restore(tmp_path / "kept.db", str(left_behind / "spc.db"))

    assert restored.faults == ()
    assert Path(f"{aside}-wal").stat().st_size > 0


# --- on a server --------------------------------------------------------------------------------


def made(place):
    with psycopg.connect(place) as bare:
        return bare.execute(
            "SELECT relname FROM pg_class WHERE relnamespace = 'public'::regnamespace"
        ).fetchall()


ON_SERVER = [*READING, ("doctor",), ("log", "--plan", "{plan}", "25.001")]


def test_reading_an_empty_database_makes_nothing_in_it(place, plan, tmp_path):
    for words, status, said in spc_each(
        [spelled(w, place, plan.source, tmp_path) for w in ON_SERVER[:-1]]
    ):
        assert status in (2, 3, 4), words
        assert re.search("there is no ledger", said), (words, said)
    assert made(place) == []
    assert not (tmp_path / "kept.db").exists()


def test_a_database_of_somebody_else_is_refused_and_left_alone(place, plan, tmp_path):
    with psycopg.connect(place) as bare:
        bare.execute("CREATE TABLE head (id int, version int)")
    before = made(place)
    for words, status, said in spc_each(
        [spelled(w, place, plan.source, tmp_path) for w in ON_SERVER]
    ):
        assert status in (2, 4), words
        assert "no ledger of this program" in said, (words, said)
    assert made(place) == before


def test_a_mistyped_database_is_named_and_a_reader_cannot_write(place, plan, readings):
    with Ledger(place) as ledger, ledger.writing() as writer:
        writer.begin_run("first", plan)
    with pytest.raises(SpcError, match=r'knows no such name: .*"mistyped" does not exist'):
        Ledger(re.sub(r"@/\w+", "@/mistyped", place), create=False)
    with Ledger(place, create=False) as ledger, ledger.reading() as reader:
        assert verify(ledger).faults == ()
        with pytest.raises(Exception, match="read-only"):
            reader.connection.exec_driver_sql("CREATE TABLE mine (a int)")


def test_a_reader_of_a_file_cannot_write(filled):
    with (
        Ledger(filled.place, create=False) as ledger,
        pytest.raises(SpcError, match="read-only"),
        ledger.writing() as writer,
    ):
        writer.append(1, [])
    assert sqlite3.connect(filled.place).execute("SELECT count(*) FROM entries").fetchone() == (61,)
