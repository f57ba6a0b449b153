import random
from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from spc.adviser.advice import Advice
from spc.advising import advisor_for
from spc.errors import SpcError, StoreBusy
from spc.ledger.as_run import run_of
from spc.ledger.entry import Entry
from spc.ledger.replay import Progress, holding
from spc.ledger.store import Ledger, Writer
from spc.ledger.verify import verify
from spc.live import doubts
from spc.live.answers import Clerk
from spc.live.begin import run_for
from spc.live.session import Session
from spc.live.typed import Line, NotUnderstood
from spc.run import Source

NARROW = """
[job]
part = "Lock pin"
[[feature]]
name = "seat"
nominal = 25.0
upper = 0.011
lower = 0.002
"""


def stored(session):
    with session.ledger.reading() as reader:
        return holding(reader.entries(session.run.id))


def told(session):
    return [(e.kind, e.part, e.what, e.value, e.text) for e in stored(session) if e.kind != "run"]


def readings(session):
    return [(e.part, e.what, e.value) for e in stored(session) if e.kind == "reading"]


def test_a_cleared_hold_wants_no_answer_while_good_parts_prove_it(session):
    for text in ("0.4", "0.6", "-13", "-13", "cleared burr on the centre"):
        session.enter(text, sure=True)
    for text in ("0.3", "0.2"):
        assert session.advice.action == "hold"
        session.enter(text, sure=True)

    assert session.advice.action != "hold"
    assert [e[4] for e in told(session) if e[0] == "answer"] == []
