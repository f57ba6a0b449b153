"""What commands print that is no study: limits of size, plans, how a file was understood."""

import json
import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict
from datetime import date
from typing import TYPE_CHECKING, Any

import typer

from spc.errors import SpcError

if TYPE_CHECKING:
    from spc.charts.watchfulness import Watchfulness
    from spc.findings import Study
    from spc.fits import LimitsOfSize
    from spc.plan import Plan


def say(answer: Mapping[str, Any] | Iterable[str]) -> None:
    """Print a JSON document or lines of text on standard output."""
    if isinstance(answer, Mapping):
        typer.echo(json.dumps(answer, ensure_ascii=False, allow_nan=False, indent=1))
    else:
        typer.echo("\n".join(answer))


def fit_lines(limits: "LimitsOfSize") -> list[str]:
    """Limits of one tolerance class, and the spread a centred process may have."""
    name = f"{limits.nominal_mm:g} {limits.letter}{limits.grade}"
    return [
        f"{name}\tISO 286-1:2010 (tables from memory, held against the generating formulas)",
        f"limits\t{limits.lower_um:+g} to {limits.upper_um:+g} µm",
        f"sizes\t{limits.least_mm:.4f} to {limits.greatest_mm:.4f} mm",
        f"IT{limits.grade}\t{limits.width_um:g} µm",
        *(
            f"Cpk {cpk:g} needs\tsigma at most {_rounded_down(limits.sigma_for(cpk))} µm, centred"
            for cpk in (1.33, 1.67)
        ),
    ]


def _rounded_down(sigma: float) -> str:
    """So that the printed spread still gives the index."""
    return f"{math.floor(sigma * 1000) / 1000:.3f}"


def fit_json(limits: "LimitsOfSize") -> dict[str, Any]:
    """The same as one JSON document."""
    return {
        "schema": "spc.fit/1",
        "nominal_mm": limits.nominal_mm,
        "letter": limits.letter,
        "grade": limits.grade,
        "lower_um": limits.lower_um,
        "upper_um": limits.upper_um,
        "least_mm": limits.least_mm,
        "greatest_mm": limits.greatest_mm,
        "width_um": limits.width_um,
        "sigma_um": {str(cpk): round(limits.sigma_for(cpk), 6) for cpk in (1.33, 1.67)},
    }


def plan_lines(plan: "Plan") -> list[str]:
    """Every key of a plan: key, value, where the value came from; tab-separated."""
    return ["\t".join(row) for row in [("key", "value", "from"), *_plan_rows(plan)]]


def plan_json(plan: "Plan") -> dict[str, Any]:
    """The same as one JSON document."""
    rows = [dict(zip(("key", "value", "from"), row, strict=True)) for row in _plan_rows(plan)]
    return {"schema": "spc.plan/1", "source": plan.source, "sha256": plan.sha256, "keys": rows}


def _plan_rows(plan: "Plan") -> Iterable[tuple[str, str, str]]:
    for section in ("job", "machine", "wheel", "cost", "reading", "charts"):
        yield from _table_rows(section, getattr(plan, section))
    yield ("shifts.zone", plan.shifts.zone or "UTC", "plan" if plan.shifts.zone else "default")
    for name in plan.shifts.names:
        yield (f"shifts.{name}", str((plan.shifts.model_extra or {})[name]), "plan")
    for name, header in plan.columns.items():
        yield (f"columns.{name}", header, "plan")
    for feature in plan.features:
        where = f"feature {feature.name!r}"
        yield from _table_rows(where, feature)
        origin = f"fit {feature.fit}" if feature.fit else "plan"
        for key in ("nominal_mm", "lower_um", "upper_um", "target_um"):
            value = getattr(feature, key)
            if value is not None:
                yield (f"{where}.{key}", f"{value:g}", f"worked out from {origin}")


def _table_rows(section: str, table: Any) -> Iterable[tuple[str, str, str]]:
    for key in type(table).model_fields:
        value = getattr(table, key)
        origin = "plan" if key in table.model_fields_set else "default"
        if key == "limits" and value:
            for number, kept in enumerate(value, 1):
                yield from _table_rows(f"{section}.limits {number}", kept)
            continue
        yield (f"{section}.{key}", "not given" if value is None else _as_in_toml(value), origin)


def _as_in_toml(value: Any) -> str:
    """A value as the plan would write it, words without their quotes."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, tuple):
        return f"[{', '.join(_as_in_toml(each) for each in value)}]"
    return str(value)


def day_of(text: str | None, *, option: str) -> date | None:
    """
    The day written behind an option.

    Raises
    ------
    SpcError
        When it is no day.
    """
    try:
        return date.fromisoformat(text) if text else None
    except ValueError:
        raise SpcError(f"{option} {text!r} is not a day; write it such as 2026-11-25") from None


def limits_lines(study: "Study", *, who: str, why: str, when: date, from_part: int) -> list[str]:
    """Limits of every charted feature as TOML, to be put at the end of the plan."""
    lines: list[str] = []
    for feature in study.features:
        if feature.sloping is None:
            lines += [f"# {feature.name}: not enough yet to freeze limits", ""]
            continue
        drift = getattr(feature.sloping, "slope", None)
        lines += [
            "[[charts.limits]]",
            f"feature = {_toml(feature.name)}",
            f"from_part = {from_part}",
            f"sigma_um = {feature.sloping.sigma:.4g}    # from {feature.base_words}",
            *([] if drift is None else [f"drift_um = {drift:.4g}"]),
            f"who = {_toml(who)}",
            f"when = {_toml(when.isoformat())}",
            f"why = {_toml(why)}",
            "",
        ]
    return lines[:-1]


def _toml(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def watch_json(promise: "Watchfulness") -> dict[str, Any]:
    """Run lengths as one JSON document."""
    told = asdict(promise)
    told["in_control"].pop("sd")
    return {"schema": "spc.run_length/1", **told}


def scene_lines() -> list[str]:
    """The invented scenes and what each shows, then the processes that can be scored."""
    from spc.simulate.scenes import STORIES
    from spc.simulate.settings import PRESETS

    return [
        *(f"{name}\t{story.words}" for name, story in STORIES.items()),
        f"processes for --score\t{', '.join(PRESETS)}",
    ]


def score_lines(preset: str, *, seeds: int, parts: int | None, workers: int) -> list[str]:
    """The table of policies on one process, tab-separated, with how much of the gap was closed."""
    from spc.simulate.score import JUDGING_SEEDS, score
    from spc.simulate.settings import PRESETS

    if preset not in PRESETS:
        raise SpcError(f"there is no process {preset!r}; there are: {', '.join(PRESETS)}")
    with progress_bar("playing") as step:
        table = score(
            preset, seeds=JUDGING_SEEDS[:seeds], parts=parts, workers=workers, progress=step
        )
    return [
        *("\t".join(row) for row in table.rows()),
        f"of the gap between the best rule of thumb and full knowledge, closed\t"
        f"{table.gap_closed:.0%}",
    ]


@contextmanager
def progress_bar(words: str) -> Iterator[Callable[[int, int], None]]:
    """A bar on standard error, on a terminal only."""
    from rich.console import Console
    from rich.progress import Progress

    console = Console(stderr=True)
    with Progress(console=console, disable=not console.is_terminal) as bar:
        task = bar.add_task(words, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)
