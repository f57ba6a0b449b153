"""What the process engineer asks when all is quiet: would another way have cost less?"""

from typing import Annotated

import typer

from spc.cli.daily import run_and_plan
from spc.cli.options import (
    AsJson,
    EventsFile,
    LedgerPlace,
    PlanFile,
    RunOrLedger,
    Sheet,
    Understood,
)
from spc.cli.replay_texts import show_replay
from spc.cli.texts import progress_bar, say

Counts = list[int] | None


def replay(
    plan: PlanFile,
    run: RunOrLedger = None,
    events: EventsFile = None,
    parts_per_dress: Annotated[
        Counts, typer.Option("--parts-per-dress", help="Dress count to try; again for more.")
    ] = None,
    check_every: Annotated[
        Counts, typer.Option("--check-every", help="Check interval to try; again for more.")
    ] = None,
    seeds: Annotated[
        int, typer.Option("--seeds", help="Draws of what the readings leave open; at least 39.")
    ] = 100,
    sheet: Sheet = None,
    understood: Understood = None,
    ledger: LedgerPlace = None,
    as_json: AsJson = False,
) -> None:
    """Say what other ways would have cost on this very run."""
    measured, job = run_and_plan(
        run, plan, events, sheet=sheet, understood=understood, ledger=ledger
    )
    from spc.replay.compare import replay as replayed

    with progress_bar("replaying") as step:
        found = replayed(
            measured,
            job,
            dress_after=parts_per_dress or (),
            every=check_every or (),
            draws=seeds,
            progress=step,
        )
    if as_json:
        say(found.as_dict())
    else:
        show_replay(found)
