"""Care of the ledger: verify, back up, restore, export; and what may be wrong here."""

from pathlib import Path
from typing import Annotated

import typer

from spc.cli.options import AsJson, LedgerPlace, OutFolder, RunName
from spc.cli.texts import say
from spc.errors import StoreBusy

ledger_app = typer.Typer(no_args_is_help=True, help="Verify, back up, restore, export the ledger.")
PlanBeside = Annotated[
    Path | None, typer.Option("--plan", "-p", help="The plan whose ledger is meant.")
]


def _place(plan: Path | None, ledger: str | None) -> str:
    from spc.ledger.place import FILE_NAME, place_of

    return place_of(plan or FILE_NAME, ledger)


@ledger_app.command("verify")
def verify_command(
    plan: PlanBeside = None,
    ledger: LedgerPlace = None,
    head: Annotated[
        str | None, typer.Option(help="A head printed in a report: is it part of the chain?")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Check the file and the chain, line by line; exit 4 when something is wrong."""
    from dataclasses import asdict

    from spc.ledger.store import Ledger
    from spc.ledger.verify import verify

    with Ledger(_place(plan, ledger), create=False) as store:
        verdict = verify(store, head=head)
    lines = [f"lines\t{verdict.lines}", f"head\t{verdict.head[:32]}"]
    if head is not None:
        known = f"stood after line {verdict.known_at}"
        lines.append(f"asked\t{known if verdict.known_at else 'is not part of this chain'}")
    lines += [f"fault\t{fault}" for fault in verdict.faults] or ["faults\tnone"]
    say({"schema": "spc.verify/1", **asdict(verdict)} if as_json else lines)
    if verdict.faults or (head is not None and not verdict.known_at):
        raise typer.Exit(StoreBusy.exit_status)


@ledger_app.command("backup")
def backup_command(
    target: Annotated[Path, typer.Argument(help="A new file.")],
    plan: PlanBeside = None,
    ledger: LedgerPlace = None,
) -> None:
    """Write a whole copy to a new file, while others may write, and verify it."""
    from spc.ledger.backup import backup

    verdict = backup(_place(plan, ledger), target)
    say([f"{target}\t{verdict.lines} lines\thead {verdict.head[:32]}", *verdict.faults])
    if verdict.faults:
        raise typer.Exit(StoreBusy.exit_status)


@ledger_app.command("restore")
def restore_command(
    backup: Annotated[Path, typer.Argument(help="A backup; it must verify.")],
    plan: PlanBeside = None,
    ledger: LedgerPlace = None,
    aside: Annotated[
        bool, typer.Option("--aside", help="Keep a ledger that is there under a name beside it.")
    ] = False,
) -> None:
    """Put a backup where the ledger was; nothing is lost, and whoever has it open goes on in it."""
    from spc.ledger.backup import restore

    verdict, moved = restore(backup, _place(plan, ledger), aside=aside)
    say([f"restored\t{verdict.lines} lines\thead {verdict.head[:32]}"])
    if moved:
        say([f"the old one\t{moved}"])


@ledger_app.command("export")
def export_command(
    out: OutFolder = Path("reports/ledger"),
    plan: PlanBeside = None,
    ledger: LedgerPlace = None,
    run: RunName = None,
    parquet: Annotated[
        bool, typer.Option("--parquet", help="Parquet instead of CSV (needs the extra parquet).")
    ] = False,
) -> None:
    """Write readings, events, answers and every entry as CSV with sidecars, or as Parquet."""
    from spc.ledger.store import Ledger
    from spc.live.hand_out import hand_out

    with Ledger(_place(plan, ledger), create=False) as store:
        say([str(path) for path in hand_out(store, out, run=run, parquet=parquet)])


def doctor(plan: PlanBeside = None, ledger: LedgerPlace = None, as_json: AsJson = False) -> None:
    """Say what may keep the program from working here.

    Exit status 4 when something does.
    """
    from spc.live.doctor import examine_here

    found = examine_here(_place(plan, ledger), plan)
    if as_json:
        told = [{"subject": f.subject, "state": f.state, "words": f.words} for f in found]
        say({"schema": "spc.doctor/1", "findings": told})
    else:
        say([f"{f.state}\t{f.subject}\t{f.words}" for f in found])
    if any(f.state == "fault" for f in found):
        raise typer.Exit(StoreBusy.exit_status)
