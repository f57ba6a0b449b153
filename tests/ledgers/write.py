"""Write a small ledger with something of everything: ``python tests/ledgers/write.py NAME``."""

import shutil
import sys
import tempfile
from pathlib import Path

from spc.ledger.store import Ledger
from spc.live.begin import run_for
from spc.live.files import take_in
from spc.live.session import Session
from spc.plan import load_plan

PLAN = """
[job]
part = "Lock pin"
[[feature]]
name = "seat"
nominal = 25.0
upper = 0.010
lower = -0.010
"""
FILE = "part,time,seat,event,amount_um\n1,2026-11-25 06:00,25.001,,\n2,2026-11-25 06:01,ERR,,\n" \
    ",2026-11-25 06:02,,dress,\n3,2026-11-25 06:03,24.998,,\n"  # fmt: skip
TYPED = ("25.002", "note Ø 25 µm", "offset -3", "undo wrong way", "offset 2", "-1.5", "again", "-1")


def main(name):
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        (place / "pin.toml").write_text(PLAN, encoding="utf-8")
        (place / "pin.csv").write_text(FILE, encoding="utf-8")
        plan = load_plan(place / "pin.toml")
        times = iter(range(1_780_000_000_000_000, 1_790_000_000_000_000, 60_000_000))
        with Ledger(place / "spc.db") as ledger:
            run = run_for(ledger, plan, name="invented")
            list(take_in(ledger, run, plan, [str(place / "pin.csv")]))
            session = Session(ledger, plan, run, who="operator", clock=lambda: next(times))
            for text in TYPED:
                session.enter(text, sure=True)
        shutil.copy(place / "spc.db", Path(__file__).parent / name)


if __name__ == "__main__":
    main(sys.argv[1])
