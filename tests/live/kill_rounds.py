"""
Kill a process that logs readings, again and again; nothing it confirmed may be missing.

Run as ``python kill_rounds.py PLAN ROUNDS SEED``: loads everything once and forks a child per
round, so that a round takes as long as the logging it interrupts. Prints what it found.
"""

import os
import random
import signal
import sys
import time

from spc.ledger.store import Ledger
from spc.ledger.verify import verify
from spc.live.begin import open_session


def log_until_killed(plan, out, seed):
    rng = random.Random(seed)
    with open_session(plan) as session, os.fdopen(out, "w", buffering=1) as told:
        print("ready", session.progress.made, file=told)
        while True:
            typed = rng.choice([f"{rng.gauss(0.5, 1.0):.1f}"] * 6 + ["dress", "offset -1", "undo"])
            try:
                reply = session.enter(typed, sure=True)
            except ValueError:
                raise
            except Exception as error:
                if "undo" not in str(error):
                    print("error", error, file=told)
                continue
            # Only what is printed counts as confirmed.
            for entry in reply.stored:
                word = "taken" if typed == "undo" else "stored"
                print(word, entry.line, entry.kind, entry.what, entry.value, file=told)


def one_round(plan, rng):
    """Fork, let it log for a random time, kill it; what it confirmed."""
    inlet, outlet = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(inlet)
        try:
            log_until_killed(plan, outlet, rng.random())
        finally:
            os._exit(9)
    os.close(outlet)
    heard = ""
    if rng.random() < 0.9:
        # Most rounds are killed while logging, the others while starting.
        heard = os.read(inlet, 65536).decode()
    time.sleep(rng.uniform(0.0, 0.12))
    os.kill(child, signal.SIGKILL)
    with os.fdopen(inlet) as told:
        lines = (heard + told.read()).split("\n")
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status), "the child ended by itself"
    # A line cut by the kill was not confirmed.
    return lines[:-1]


def main(plan, rounds, seed):
    rng = random.Random(seed)
    place = os.path.join(os.path.dirname(plan), "spc.db")
    with open_session(plan) as session:
        # Everything is loaded by this, once for all rounds.
        session.enter("0.5")
    confirmed = restarted = 0
    for number in range(rounds):
        told = one_round(plan, rng)
        restarted += any(line.startswith("ready") for line in told)
        errors = [line for line in told if line.startswith("error")]
        assert not errors, errors[0]
        with Ledger(place, create=False) as ledger:
            verdict = verify(ledger)
            assert verdict.faults == (), (number, verdict.faults)
            with ledger.reading() as reader:
                there = {e.line: e for e in reader.entries(1)}
        for line in told:
            word, *fields = line.split(" ")
            if word in ("stored", "taken"):
                entry = there[int(fields[0])]
                assert [entry.kind, entry.what, str(entry.value)] == fields[1:], line
                confirmed += 1
    with open_session(plan) as session:
        made = session.progress.made
    print(f"{rounds} kills, {restarted} prompts had started, {confirmed} confirmed entries, "
          f"all there; {verdict.lines} lines verify; {made} parts")  # fmt: skip
    assert confirmed > 0
    assert restarted > 0


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
