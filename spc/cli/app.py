"""The program ``spc``: every command, and how errors become one line and an exit status."""

import typer

app = typer.Typer(no_args_is_help=True, add_completion=False)


@app.callback()
def _root() -> None:
    """Keep ground diameters on size, shift after shift."""


def main() -> None:
    """Run the command line."""
    app()
