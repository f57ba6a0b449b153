"""The store goes away while a line is stored: what stands is never said to be missing."""

import re
import sqlite3
import threading
import time

import psycopg
import pytest

from spc.errors import StoreBusy
from spc.ledger import store
from spc.ledger.refusal import NotKnown
from spc.ledger.store import Ledger
from spc.ledger.verify import verify
from spc.live.begin import run_for
from spc.live.session import Session


@pytest.fixture(params=["file", "server"])
def session(request, job, tmp_path, clock):
    """A session with a reading, on a file and on a server."""
    plan = job()
    if request.param == "file":
        where = str(tmp_path / "spc.db")
    else:
        where = request.getfixturevalue("place")
    with Ledger(where) as ledger:
        session = Session(ledger, plan, run_for(ledger, plan), clock=clock)
        session.enter("25.001")
        yield session


@pytest.fixture
def lose(session, monkeypatch):
    """The next commit gets no answer, whether it was done or not; looks may fail, too."""
    dialect = session.ledger.engine.dialect
    commit, look = type(dialect).do_commit, Ledger.stands

    def lose(*, done, away=0):
        left = [away]

        def unanswered(connection):
            monkeypatch.setattr(dialect, "do_commit", lambda c: commit(dialect, c))
            if done:
                commit(dialect, connection)
            if dialect.name == "sqlite":
                raise sqlite3.OperationalError("disk I/O error")
            connection.dbapi_connection.close()
            raise psycopg.OperationalError("server closed the connection unexpectedly")

        def stands(ledger, end):
            if left[0]:
                left[0] -= 1
                raise StoreBusy("the database server does not answer")
            return look(ledger, end)

        monkeypatch.setattr(store, "LOOKS_S", (0.01, 0.02))
        monkeypatch.setattr(Ledger, "stands", stands)
        monkeypatch.setattr(dialect, "do_commit", unanswered)

    return lose


def stored(session):
    with session.ledger.reading() as reader:
        return [(e.part, e.text) for e in reader.entries(1) if e.kind in ("reading", "event")]


def test_a_line_that_stands_is_said_to_stand_whatever_the_commit_said(session, lose):
    lose(done=True)
    reply = session.enter("25.0002")

    assert [e.text for e in reply.stored][-1] == "25.0002"
    assert [text for _, text in stored(session)] == ["25.001", "25.0002"]
    assert session.enter("25.0003").stored


def test_a_line_that_does_not_stand_is_said_not_to(session, lose):
    session.clock.step = 1000
    lose(done=False)
    with pytest.raises(StoreBusy, match="nothing of this entry was stored") as caught:
        session.enter("25.0002")

    assert not isinstance(caught.value, NotKnown)
    assert [text for _, text in stored(session)] == ["25.001"]
    # Nor is it a key that bounced when it is typed again at once.
    assert session.enter("25.0002").stored


@pytest.mark.parametrize("done", [True, False])
def test_a_line_of_which_it_is_not_known_is_stored_once_when_it_is_typed_again(session, lose, done):
    lose(done=done, away=3)
    with pytest.raises(NotKnown, match="whether the entry is stored is not known yet"):
        session.enter("25.0002")
    reply = session.enter(" 25.0002")

    assert [text for _, text in stored(session)] == ["25.001", "25.0002"]
    if done:
        assert not reply.stored
        assert "'25.0002' was stored: seat 25.0002 of part" in reply.said
        assert "not stored a second time" in reply.said
    else:
        assert reply.before == "'25.0002' was not stored"
    # Once it is known, the same line is another reading.
    assert session.enter("25.0002").stored
    assert verify(session.ledger).faults == ()


@pytest.mark.parametrize("done", [True, False])
def test_a_yes_that_was_not_answered_stores_the_line_in_question_once(session, lose, done):
    assert session.enter("26").question
    lose(done=done, away=3)
    with pytest.raises(NotKnown):
        session.enter("yes")
    reply = session.enter("yes")

    assert bool(reply.stored) is not done
    assert [text for _, text in stored(session)] == ["25.001", "26"]
    assert session.enter("25.0003").before == ""


@pytest.mark.parametrize(("done", "says"), [(True, "was stored: seat"), (False, "was not stored")])
def test_another_line_hears_what_became_of_the_one_before(session, lose, done, says):
    lose(done=done, away=4)
    with pytest.raises(NotKnown):
        session.enter("25.0002")
    with pytest.raises(StoreBusy, match=r"Whether '25\.0002' was stored is not known yet"):
        session.enter("25.0003")
    reply = session.enter("25.0004")

    assert says in reply.before
    assert [text for _, text in stored(session)] == ["25.001", *["25.0002"] * done, "25.0004"]


def test_while_it_is_not_known_the_part_that_is_due_stays_the_same(session, lose, monkeypatch):
    def away(_ledger):
        raise StoreBusy("the database server does not answer")

    due, advice = session.due, session.advice
    with monkeypatch.context() as gone:
        lose(done=False, away=3)
        gone.setattr(Ledger, "reading", away)
        with pytest.raises(NotKnown):
            session.enter("25.0002", sure=True)
        assert (session.due, session.advice) == (due, advice)
    session.enter("25.0002")

    assert [text for _, text in stored(session)] == ["25.001", "25.0002"]
    assert session.due != due


def test_an_undo_that_was_not_answered_takes_back_one_line(session, lose):
    session.enter("25.0002")
    lose(done=True, away=3)
    with pytest.raises(NotKnown):
        session.enter("undo")
    assert "undo after part" in session.enter("undo").said
    with session.ledger.reading() as reader:
        taken = [e for e in reader.entries(1) if e.kind == "withdrawn"]
    assert len({e.stored for e in taken}) == 1


def test_a_session_that_ends_unsure_looks_once_more(session, lose):
    lose(done=True, away=4)
    with pytest.raises(NotKnown):
        session.enter("25.0002")
    assert session.enter("quit").leave
    assert "not known yet" in session.last_words()
    assert "'25.0002' was stored: seat" in session.last_words()
    assert session.last_words().startswith("everything is stored")


@pytest.mark.parametrize("text", ["25.0002", "offset -1", "ground 2", "undo"])
def test_a_new_start_asks_when_its_first_line_says_what_the_last_one_said(session, text, clock):
    session.enter("25.0001")
    session.enter(text, sure=True)
    again = Session(session.ledger, session.plan, session.run, clock=clock, attended=True)
    before = len(stored(session))

    assert re.search(r"part \d+, stored 2\d{3}-\d\d-\d\d \d\d:\d\d:\d\d$", again.last_line)
    assert "the last line of the run says the same" in again.enter(text).question
    assert len(stored(session)) == before
    assert again.enter("yes").stored
    other = Session(session.ledger, session.plan, session.run, clock=clock, attended=True)
    assert not other.enter("25.0007").question


@pytest.mark.parametrize(
    ("last", "first", "same"),
    [
        ("ground 3", "ground 5", False),
        ("ground 3", "ground 2", False),
        ("ground", "ground 1", True),
        ("ground 3", "ground 3", True),
        ("ground 5", "ground 5", True),
        ("undo", "undo wrong part", False),
        ("undo wrong part", "undo", False),
        ("undo wrong part", "undo wrong part", True),
        ("undo #2", "undo", False),
        ("undo #2", "undo #2", True),
        ("undo", "undo #1", False),
        ("note tea", "note coffee", False),
        ("seat 25.0003", "seat 25.0003", True),
    ],
)
def test_the_same_line_says_the_same_of_as_many_parts_and_of_the_same_one(
    session, clock, last, first, same
):
    for text in ("#1 25.0001", "#2 25.0002", "ground 4", "undo", last):
        session.enter(text, sure=True)
    again = Session(session.ledger, session.plan, session.run, clock=clock, attended=True)

    assert ("says the same" in again.enter(first).question) is same


def test_a_reading_of_another_feature_is_not_the_same_line(seats_session, clock):
    seats_session.enter("25.001")
    again = Session(
        seats_session.ledger, seats_session.plan, seats_session.run, clock=clock, attended=True
    )

    assert again.enter("seat tail 25.001").stored


@pytest.mark.parametrize("first", ["?", "", "part 3", "again", "26"])
def test_a_line_that_stores_nothing_is_no_first_line(session, first, clock):
    again = Session(session.ledger, session.plan, session.run, clock=clock, attended=True)
    again.enter(first)
    if first == "26":
        again.enter("no")

    assert "the last line of the run says the same" in again.enter("25.001").question
    assert again.enter("no").said == "nothing was stored"
    # Who has answered is not asked a second time.
    assert again.enter("25.001").stored


def test_a_pipe_is_asked_only_when_the_server_was_started_since(session, server, clock):
    on_server = session.ledger.engine.dialect.name == "postgresql"
    again = Session(session.ledger, session.plan, session.run, clock=clock)

    assert bool(again.enter("25.001").question) is False
    if on_server:
        time.sleep(0.01)
        server.crash()
        later = Session(session.ledger, session.plan, session.run, clock=clock)
        assert later.enter("25.001").question


def test_a_server_that_crashes_loses_doubles_and_denies_no_line(place, server, job):
    plan = job()
    with Ledger(place) as ledger:
        run = run_for(ledger, plan, name="one")
    stop = threading.Event()
    confirmed, denied, unknown, failed = [], [], [], []

    def write(who):
        number = 0
        ledger = Ledger(place)
        session = Session(ledger, plan, run)
        while not stop.is_set():
            number += 1
            text = f"25.000{who}{number:04d}"
            for _ in range(200):
                try:
                    session.enter(text, sure=True)
                except NotKnown:
                    unknown.append(text)
                except StoreBusy as error:
                    if session.unsure is None:
                        if text not in unknown:
                            denied.append(text)
                        break
                    if "not known yet" not in str(error):
                        failed.append(error)
                    time.sleep(0.05)
                except Exception as error:
                    failed.append(error)
                    return
                else:
                    confirmed.append(text)
                    break
        ledger.close()

    writers = [threading.Thread(target=write, args=(who,)) for who in range(1, 5)]
    for writer in writers:
        writer.start()
    try:
        for _ in range(4):
            time.sleep(1.0)
            server.crash()
        time.sleep(1.0)
    finally:
        stop.set()
        for writer in writers:
            writer.join()

    assert failed == []
    with Ledger(place) as ledger:
        assert verify(ledger).faults == ()
        with ledger.reading() as reader:
            there = [e.text for e in reader.entries(run.id) if e.kind == "reading"]
    assert len(there) == len(set(there))
    assert set(confirmed) <= set(there)
    assert not set(denied) & set(there)
    assert len(confirmed) > 40
    assert denied or unknown
    print(len(confirmed), "confirmed", len(denied), "denied", len(unknown), "not known at first")
