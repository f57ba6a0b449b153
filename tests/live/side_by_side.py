"""
One of several programs on a ledger: ``python side_by_side.py write|read PLAN SECONDS``.

A writer logs readings into the shared run and prints the line of each that was confirmed; a
reader verifies the whole ledger over and over.
"""

import sys
import time

from spc.ledger.store import Ledger
from spc.ledger.verify import verify
from spc.live.begin import open_session


def write(plan, until):
    with open_session(plan, who=f"writer {time.time_ns()}") as session:
        while time.monotonic() < until:
            reply = session.enter("0.5", sure=True)
            for entry in reply.stored:
                print(entry.line, flush=True)


def read(plan, until):
    looks = 0
    while time.monotonic() < until:
        with Ledger(plan.replace("pin.toml", "spc.db"), create=False) as ledger:
            faults = verify(ledger).faults
        assert faults == (), faults
        looks += 1
    print(looks)


if __name__ == "__main__":
    job = {"write": write, "read": read}[sys.argv[1]]
    job(sys.argv[2], time.monotonic() + float(sys.argv[3]))
