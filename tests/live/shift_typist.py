"""
Types what it is given into a run: ``python shift_typist.py PLAN LEDGER``.

Each line of standard input is a moment in microseconds since 1970 UTC, a blank and what is typed
then; each that is stored is confirmed by its moment on standard output.
"""

import sys

from spc.ledger.store import Ledger
from spc.live.begin import run_for
from spc.live.session import Session
from spc.plan import load_plan


def type_in(plan, place):
    now = [0]
    with Ledger(place) as ledger:
        session = Session(ledger, plan, run_for(ledger, plan), clock=lambda: now[0])
        for line in sys.stdin:
            moment, _, text = line.rstrip("\n").partition(" ")
            now[0] = int(moment)
            assert session.enter(text, sure=True).stored
            print(moment, flush=True)


if __name__ == "__main__":
    type_in(load_plan(sys.argv[1]), sys.argv[2])
