"""What is done before a run: plans, limits of size, a look at how a file is understood."""

from pathlib import Path
from typing import Annotated

import typer

from spc.cli.options import AsJson
from spc.cli.texts import fit_json, fit_lines, plan_json, plan_lines, say

plan_app = typer.Typer(no_args_is_help=True, help="Show a plan with every default.")


def fit(
    tolerance_class: Annotated[
        str, typer.Argument(metavar="FIT", help='Size, letter and grade, such as "25 k5".')
    ],
    as_json: AsJson = False,
) -> None:
    """Say the limits of an ISO 286 class and its spread."""
    from spc.fits import limits_of_size

    limits = limits_of_size(tolerance_class)
    say(fit_json(limits) if as_json else fit_lines(limits))


@plan_app.command("show")
def show(
    plan: Annotated[Path, typer.Argument(help="The plan (TOML).")], as_json: AsJson = False
) -> None:
    """Show every key of a plan with its value and where that came from."""
    from spc.plan import load_plan

    job = load_plan(plan)
    say(plan_json(job) if as_json else plan_lines(job))
