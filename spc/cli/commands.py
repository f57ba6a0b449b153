"""The program ``spc``: every command under its name."""

import typer

from spc import __version__
from spc.cli import daily, lab, ledger_commands, machine, other_ways, prepare

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
