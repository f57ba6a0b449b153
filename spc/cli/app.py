"""The program ``spc``: every command, and how errors become one line and an exit status."""

import atexit
import contextlib
import gc
import os
import signal
import sys
import traceback

import typer

from spc import __version__
from spc.cli import daily, lab, ledger_commands, machine, other_ways, prepare
from spc.cli.late import load_late
from spc.errors import SpcError

#: Exit status of a fault of the program itself; 1 is kept for "act now".
FAULT = 5

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)
app.command()(daily.demo)
app.command()(daily.check)
app.command()(daily.advise)
app.command()(daily.report)
app.command()(other_ways.replay)
app.command("import")(prepare.import_files)
# A reading such as -2 is no option.
app.command(context_settings={"ignore_unknown_options": True})(machine.log)
app.command()(machine.watch)
app.command()(prepare.fit)
app.command()(lab.gauge)
app.command("run-length")(lab.run_length)
app.command()(lab.simulate)
app.command()(ledger_commands.doctor)
app.add_typer(prepare.plan_app, name="plan")
app.add_typer(ledger_commands.ledger_app, name="ledger")


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"spc {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: bool = typer.Option(
        False, "--version", callback=_version, is_eager=True, help="Say the version."
    ),
) -> None:
    """Keep ground diameters on size, shift after shift."""


def main() -> None:
    """
    Run the command line.

    Exit status: 0 done, 1 act now (with ``--check`` only), 2 wrong usage or plan, 3 a file
    refused whole, 4 store busy or read-only, 5 a fault of the program, 130 interrupted.
    """
    # Loading libraries makes many objects and no garbage: looking for some, on the way in and at
    # the end, took a quarter of one entry at the machine.
    gc.set_threshold(200_000)
    # Matrices here are small: threads for them cost a tenth of a report and bring nothing.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # Nor do plugins for pydantic: looking for some reads the papers of every installed package.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    atexit.register(gc.freeze)
    load_late()
    # A reader that goes away (such as `| head`) ends the program the usual way, not with 1.
    with contextlib.suppress(AttributeError, ValueError):
        signal.signal(signal.SIGPIPE, signal.SIG_DFL)
    try:
        app()
    except SpcError as error:
        typer.echo(f"spc: {error}", err=True)
        sys.exit(error.exit_status)
    except OSError as error:
        place = error.filename or "standard output"
        typer.echo(f"spc: {place}: cannot be used ({error.strerror or error})", err=True)
        sys.exit(4)
    except Exception:
        traceback.print_exc()
        typer.echo(
            "spc: a fault of the program, not of your data; what was confirmed is stored", err=True
        )
        sys.exit(FAULT)
