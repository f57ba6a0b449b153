"""What is asked about readings: words for a bad part, and numbers that are hardly a size of it."""

from collections.abc import Sequence

from spc.intake.cells import UM
from spc.intake.meaning import near_nominal
from spc.intake.quarantine import shortened
from spc.intake.readings import SAYS_OUT, Stream
from spc.intake.table import Table

# Cells named one by one where several are told of together. Own choice.
_NAMED = 6


def said_out(table: Table, stream: Stream, name: str) -> list[str]:
    """Cells in which somebody wrote that the part is bad, instead of a size."""
    return [
        f"{_place(table, stream, at, name)} says that the part is out of limits, with no size;"
        " where is that part?"
        for at, reason in sorted(stream.reasons.items())
        if reason.endswith(SAYS_OUT)
    ]


def doubts_of(table: Table, stream: Stream, far: Sequence[int], name: str) -> list[str]:
    """Readings that are kept although they are hardly of this part; impossible ones together."""
    target = stream.target
    if not target.sized:
        below = f"is below zero, which {target.feature.kind} cannot be; kept and flagged"
        return [f"{_place(table, stream, at, name)} {below}" for at in far]
    unit = target.feature.unit
    near = near_nominal(stream.size[list(far)], unit, target)
    impossible = [at for at, close in zip(far, near, strict=True) if not close]
    return _impossible(table, stream, impossible, name) + [
        f"{_place(table, stream, at, name)} lies more than three tolerance widths from nominal;"
        " kept and flagged"
        for at, close in zip(far, near, strict=True)
        if close
    ]


def _impossible(table: Table, stream: Stream, rows: Sequence[int], name: str) -> list[str]:
    feature = stream.target.feature
    nominal = float(stream.target.nominal_um) / UM[feature.unit]
    of_this = f"of this part (nominal {nominal:.7g} {feature.unit}); kept and flagged"
    if len(rows) < 2:
        return [f"{_place(table, stream, at, name)} cannot be a size {of_this}" for at in rows]
    seen = ", ".join(
        f"row {table.line[stream.rows[at]]}: {_text(table, stream, at)}" for at in rows[:_NAMED]
    )
    more = f" and {len(rows) - _NAMED} more" if len(rows) > _NAMED else ""
    return [
        f"{name}, {feature.name}: {len(rows)} readings cannot be sizes {of_this} ({seen}{more})"
    ]


def _place(table: Table, stream: Stream, at: int, name: str) -> str:
    line, feature = table.line[stream.rows[at]], stream.target.feature.name
    return f"{name}, row {line}, {feature}: {_text(table, stream, at)}"


def _text(table: Table, stream: Stream, at: int) -> str:
    return shortened(table.text(int(stream.rows[at]), stream.column.index), 40)
