"""What `spc replay` prints: each way, its cost per part, and the difference to what was done."""

import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from spc.replay.compare import Replay, Span, Way

_HEAD = (
    "way", "cost per part", "95 %", "against what was done", "95 %", "out of limits", "dresses",
    "offsets", "readings",
)  # fmt: skip


#: Width that the table needs at least. [characters]
_NARROWEST = 79


def show_replay(found: "Replay") -> None:
    """Print it: a table with rules on a terminal, tab-separated in a pipe."""
    before, rows, after = _lines(found)
    typer.echo("\n".join(before))
    if rows and sys.stdout.isatty():
        _table(found)
    elif rows:
        typer.echo("\n".join("\t".join(row) for row in rows))
    if after:
        typer.echo("\n".join(after))


def _table(found: "Replay") -> None:
    from rich.box import SIMPLE_HEAD
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(box=SIMPLE_HEAD, show_edge=False, padding=(0, 1, 0, 0), leading=1)
    heads = ("way", "cost per part\n95 %", "against what was\ndone, 95 %", "out of\nlimits")
    for place, head in enumerate((*heads, "dresses /\noffsets /\nreadings")):
        table.add_column(head, justify="right" if place else "left", no_wrap=bool(place))
    for way in found.ways:
        if not way.not_known:
            name, cost, cost_span, more, more_span, out, *acts = _row(way)
            both = f"{cost}\n{cost_span}", f"{more}\n{more_span}".strip()
            cells = (name, *both, out, " / ".join(acts))
            table.add_row(*(Text(cell) for cell in cells))
    # Cut numbers would be wrong numbers: a narrow terminal breaks lines instead.
    console = Console()
    Console(width=max(console.width, _NARROWEST)).print(table)
    for way in found.ways:
        if way.not_known:
            typer.echo(f"{way_words(way)}: {way.not_known}")


def _lines(found: "Replay") -> tuple[list[str], list[tuple[str, ...]], list[str]]:
    if found.not_enough:
        return [f"{found.part}: not enough yet to replay this run: {found.not_enough}"], [], []
    last = found.first_part + found.parts - 1
    before = [
        f"{found.part}, parts {found.first_part} to {last}: {found.cycles} finished dress cycles, "
        f"known up to {found.known_to} parts from a dress. Costs in {found.currency} per part.",
    ]
    rows = [_HEAD, *(_row(way) for way in found.ways)]
    return before, rows, ["", *_verdicts(found), *_notes(found)]


def way_words(way: "Way") -> str:
    """A way by name."""
    if way.kind == "done":
        return "what was done"
    if way.kind == "adviser":
        held = f", dressing at {way.held_at} parts at the latest" if way.held_at else ""
        return f"this adviser{held}"
    return f"dress every {way.dress_after}, check every {way.every}"


def _row(way: "Way") -> tuple[str, ...]:
    if way.cost is None or way.out is None:
        return (way_words(way), way.not_known, *("" for _ in _HEAD[2:]))
    more = ("", "") if way.more is None else (f"{way.more.middle:+.3f}", _span(way.more, "+.3f"))
    acts = (
        f"{number:.0f}" for number in (way.dresses, way.offsets, way.readings) if number is not None
    )
    return (
        way_words(way), f"{way.cost.middle:.3f}", _span(way.cost, ".3f"), *more,
        f"{100 * way.out.middle:.1f} %", *acts,
    )  # fmt: skip


def _span(span: "Span", form: str) -> str:
    return f"{span.low:{form}} to {span.high:{form}}"


def _verdicts(found: "Replay") -> Iterator[str]:
    """What the table says, in a sentence or two."""
    told = [way for way in found.ways if way.more is not None]
    for way in told:
        if way.kind == "adviser" and way.more is not None:
            yield _judged(way, way.more, found)
    rules = [way for way in found.ways if way.among is not None]
    best = min(rules, key=lambda way: way.among.middle if way.among else 0.0, default=None)
    if best is not None and best.among is not None and best.among.high < 0:
        many = f"the best of {len(rules)} counts tried" if len(rules) > 1 else ""
        yield _judged(best, best.among, found, many)
    elif rules:
        yield "No fixed count tried here would surely have cost less than what was done."


def _judged(way: "Way", more: "Span", found: "Replay", picked: str = "") -> str:
    name = _capital(way_words(way)) + (f", {picked}," if picked else "")
    bounds = "95 %, for all of them at once" if picked else "95 %"
    if more.low <= 0 <= more.high:
        return (
            f"{name}: this run does not settle whether it would have cost less "
            f"({_span(more, '+.3f')} per part)."
        )
    low, high = sorted((abs(more.low), abs(more.high)))
    return (
        f"{name} would have cost {'less' if more.high < 0 else 'more'}: {abs(more.middle):.3f} per "
        f"part ({bounds}: {low:.3f} to {high:.3f}), {abs(more.middle) * found.parts:.3g} "
        f"{found.currency} on this run ({low * found.parts:.3g} to {high * found.parts:.3g})."
    )


def _notes(found: "Replay") -> Iterator[str]:
    yield (
        f"The 95 % are of one run of this length: {found.draws} draws, each with the process "
        "fitted anew to the dress cycles weighed at random."
    )
    if found.beyond_um is not None and any(way.kind == "rule" for way in found.ways):
        yield (
            f"A fixed count corrects the whole distance beyond {found.beyond_um:.1f} µm from "
            "target, as this run was corrected."
        )
    if any(way.held_at or way.forced for way in found.ways):
        yield (
            f"How a wheel cuts beyond {found.known_to} parts is not known from this run: fewer "
            "than three dress cycles were measured farther, so nothing here grinds on past that."
        )
    for way in found.ways:
        if way.forced >= 0.005:
            yield (
                f"{_capital(way_words(way))}: {100 * way.forced:.0f} % of its dresses were made "
                "for that alone."
            )
    for way in found.ways:
        if way.minutes is not None and way.minutes >= 0.5:
            yield (
                f"{_capital(way_words(way))}: charged with {way.minutes:.0f} minutes of stops and "
                "warming up; what was done is charged with none, as recorded pauses do not say "
                "what they were for."
            )
    yield (
        "One run cannot tell other wheels, materials or days; burn and cracks do not show in sizes."
    )
    yield from (f"{_capital(remark)}." for remark in found.remarks)


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]
