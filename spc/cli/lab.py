"""What is asked away from the machine: how watchful a chart is, what a policy would cost."""

from pathlib import Path
from typing import Annotated

import typer

from spc.cli.gauge_texts import gauge_answer, gauge_json, gauge_lines
from spc.cli.options import AsJson, OutFolder, PlanFile
from spc.cli.texts import say, scene_lines, score_lines, watch_json


def run_length(
    plan: PlanFile,
    sigma_um: Annotated[
        float | None,
        typer.Option("--sigma", help="Spread of single parts about the wear line, in µm."),
    ] = None,
    feature: Annotated[
        str | None, typer.Option(help="Feature whose sampling counts; else the lead.")
    ] = None,
    pattern: Annotated[
        list[str] | None, typer.Option(help="Watch for this; again for more. Else the plan's.")
    ] = None,
    shift_um: Annotated[
        list[float] | None, typer.Option("--shift", help="Shift to ask about, in µm.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Say how often a chart cries wolf, and what it sees."""
    from spc.plan import load_plan
    from spc.watchfulness import promised

    promise = promised(
        load_plan(plan), sigma_um=sigma_um, feature=feature, patterns=pattern, shifts_um=shift_um
    )
    say(watch_json(promise) if as_json else promise.lines)


def gauge(
    study: Annotated[
        str, typer.Argument(help="CSV with appraiser, part, reading, reference; or -.")
    ],
    unit: Annotated[str, typer.Option(help="Of readings that carry none: mm, in or um.")] = "mm",
    tolerance_um: Annotated[
        float | None, typer.Option("--tolerance", help="Width of the tolerance, in µm.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="Write a page into this folder, too.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Say if a gauge reads true, what spread is its own."""
    found = gauge_answer(study, unit=unit, tolerance_um=tolerance_um, out=out)
    page = [str(found.page)] if found.page else []
    say(gauge_json(found) if as_json else [*gauge_lines(found), *page])


def simulate(
    scene: Annotated[
        str, typer.Argument(help="Invented scene to write; `spc simulate list` names them.")
    ] = "list",
    out: OutFolder = Path("reports"),
    seed: Annotated[int | None, typer.Option(help="Another seed makes another run.")] = None,
    score: Annotated[
        str | None,
        typer.Option("--score", help="Score policies on this process instead, such as S1."),
    ] = None,
    seeds: Annotated[int, typer.Option(help="Runs to score each policy on.", min=2)] = 24,
    parts: Annotated[int | None, typer.Option(help="Parts of each run.", min=1)] = None,
    workers: Annotated[int, typer.Option(help="Processes.", min=1)] = 2,
) -> None:
    """Write an invented run, or score policies on one."""
    if score is not None:
        say(score_lines(score, seeds=seeds, parts=parts, workers=workers))
    elif scene == "list":
        say(scene_lines())
    else:
        from spc.simulate.scenes import write_scene

        written = write_scene(scene, out, seed=seed)
        say([str(path) for path in (written.csv, written.plan, written.events) if path])
