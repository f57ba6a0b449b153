"""A whole invented shift, typed or dropped and broken off twice, gives the page of its file."""

import csv
import difflib
import html
import os
import re
import shutil
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

import spc
from spc.intake import read_run
from spc.ledger.finding import find_run
from spc.ledger.store import Ledger
from spc.ledger.verify import verify
from spc.live.begin import run_for
from spc.live.drop_folder import DropFolder
from spc.live.session import Session
from spc.plan import load_plan
from spc.report.pages import write_report
from spc.study import examine

SAMPLES = Path(spc.__file__).parents[1] / "sample_runs"
CSV = "capstan_spindle.csv"
AS_OF = datetime(2026, 3, 10, 14, 0, tzinfo=UTC)
#: What a page says of where its rows came from.
PROVENANCE = re.compile(
    r"capstan_spindle\.csv|skipped line|typed at the machine|of the ledger, whose head"
    r"|part numbers count the parts"
)


@pytest.fixture
def plan(monkeypatch):
    # The page names its file as it was given; the folder is to be no part of it.
    monkeypatch.chdir(SAMPLES)
    return load_plan("capstan_spindle.toml")


def typed(row, features):
    """A row of the file as the operator would type it."""
    part = f"#{row['part']} " if row["part"] else ""
    match row["event"]:
        case "":
            return part + " ".join(row[name] for name in features if row[name])
        case "offset":
            return f"{part}offset {row['typed']}mm"
        case "pause":
            return f"{part}pause {row['minutes']}"
        case kind:
            return part + kind


def moments(plan):
    """The shift as moments, in microseconds since 1970 UTC, and what is typed then."""
    names = [feature.name for feature in plan.measured_features]
    for row in csv.DictReader(Path(CSV).read_text(encoding="utf-8").splitlines()):
        local = datetime.fromisoformat(row["time"]).replace(tzinfo=plan.zone)
        yield int(local.astimezone(UTC).timestamp()) * 1_000_000, typed(row, names)


def kept(place):
    with Ledger(place) as ledger, ledger.reading() as reader:
        assert verify(ledger).faults == ()
        return {entry.time for entry in reader.entries(1)}


def lines_of(page):
    text = re.sub(r"<(script|style)\b.*?</\1>", "", page.read_text("utf-8"), flags=re.S)
    text = re.sub(r"<(tr|p|li|h\d|div|dt|caption|figcaption|section|summary)\b[^>]*>", "\n", text)
    return [line.strip() for line in html.unescape(re.sub(r"<[^>]+>", " ", text)).splitlines()]


def without_questions(study):
    """The study as if nobody had been asked for a third reading, and what was asked."""
    asked = [r for r in study.remarks if "no third reading decides" in r]
    left = tuple(r for r in study.remarks if r not in asked)
    run = replace(study.run, remarks=tuple(r for r in study.run.remarks if r not in asked))
    return replace(study, run=run, remarks=left), asked


def is_the_shift_of_its_file(place, plan, folder, *, asked=()):
    """Compare the study and the page of the run in a ledger with those of its file."""
    mine, open_items = without_questions(examine(find_run(place, plan).run, plan))
    assert open_items == list(asked)
    file = examine(read_run(CSV, plan), plan)
    documents = mine.as_dict(), file.as_dict()
    for document in documents:
        # Where the rows came from differs, what follows from them does not.
        document.pop("sources"), document.pop("remarks"), document["account"].pop("skipped_lines")
    assert documents[0] == documents[1]
    pages = [
        lines_of(write_report(study, folder / name, as_of=AS_OF))
        for name, study in (("mine", mine), ("file", file))
    ]
    other = [line for line in difflib.ndiff(*pages) if line[0] in "+-" and line[2:].strip()]
    assert [line for line in other if not PROVENANCE.search(line)] == []
    assert len(pages[0]) > 500
    return mine


def test_a_shift_typed_and_killed_twice_is_the_shift_of_its_file(tmp_path, plan):
    place, shift = str(tmp_path / "spc.db"), list(moments(plan))
    typist = [sys.executable, str(Path(__file__).with_name("shift_typist.py")), plan.source, place]
    at = 0
    for stop in (40, 80, len(shift)):
        program = subprocess.Popen(typist, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        for moment, text in shift[at:stop]:
            print(moment, text, file=program.stdin, flush=True)
            assert program.stdout.readline() == f"{moment}\n"
        if stop < len(shift):
            # Killed while another line is on its way: it is stored whole or not at all.
            print(*shift[stop], file=program.stdin, flush=True)
            program.kill()
        program.communicate()
        at = stop + (stop < len(shift) and shift[stop][0] in kept(place))

    assert {moment for moment, _ in shift} <= kept(place)
    # The prompt asks for a third reading where two disagree; nobody typed one.
    asked = (
        "question: seat head of part 4358 read +16.7 µm, then +5.4 µm, and no third reading "
        "decides between them",
    )
    study = is_the_shift_of_its_file(place, plan, tmp_path, asked=asked)
    with Ledger(place) as ledger:
        session = Session(ledger, plan, run_for(ledger, plan))
        assert session.advice.as_dict() == study.as_dict()["advice"]


def test_a_shift_dropped_in_pieces_with_two_breaks_is_the_shift_of_its_file(tmp_path, plan):
    place, text, pieces = str(tmp_path / "spc.db"), Path(CSV).read_bytes(), 12
    folder, now, stored = tmp_path / "in", [0.0], []
    folder.mkdir()
    with Ledger(place) as ledger:
        for piece in range(1, pieces + 1):
            if piece in (1, 5, 9):
                # Another program, which knows of the one before only what the ledger holds.
                session = Session(ledger, plan, run_for(ledger, plan))
                drop = DropFolder(folder, session, stored.append, clock=lambda: now[0])
            # Cut wherever it falls: most pieces end inside a line.
            (folder / CSV).write_bytes(text[: len(text) * piece // pieces])
            os.utime(folder / CSV, (1e9 + piece, 1e9 + piece))
            for _ in range(2):
                now[0] += 2.0
                drop.look()

    assert sum("stored" in words for words in stored) == pieces
    study = is_the_shift_of_its_file(place, plan, tmp_path)
    assert session.advice.as_dict() == study.as_dict()["advice"]
    shutil.rmtree(folder)
