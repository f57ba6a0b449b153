"""A size written among deviations, or a deviation among sizes: refused with a question."""

import re
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from spc.feature import like_a_size
from spc.intake.cells import UM
from spc.intake.meaning import (
    DIGITS_OF_A_SIZE,
    at_a_factor,
    like_sizes,
    near_nominal,
)
from spc.intake.quarantine import shortened
from spc.intake.readings import TAKEN, Stream
from spc.intake.table import Table
from spc.remarks import QUESTION

# A number, with a sign or without; one with a unit speaks for itself.
_BARE = re.compile(r"^[+−-]?[\d.,]+$")
# Cells named one by one. Own choice.
_NAMED = 6


def ask_of_other_kind(table: Table, stream: Stream, name: str) -> Iterator[str]:
    """
    Refuse cells that are of the other kind than their column, and ask which kind is meant.

    A size is told by the rule for typed readings (`like_a_size`), where it would be a good part and
    as a deviation lies outside the limits, more than a tolerance from every other; a deviation
    where its number is one in the plan's unit or in µm and no size at all.

    Parameters
    ----------
    table : Table
        The records.
    stream : Stream
        Their readings of one column; cells are refused in it.
    name : str
        Of the file.

    Yields
    ------
    str
        One question for the sizes, one for the deviations, as far as there are any.
    """
    if not stream.target.sized:
        return
    taken = stream.state == TAKEN
    sizes, deviations = taken & stream.absolute, taken & ~stream.absolute
    found = {
        "deviation": _like_deviations(table, stream, sizes),
        "size": list(_like_sizes(table, stream, deviations)),
    }
    for kind, cells in found.items():
        others = sizes if kind == "deviation" else deviations
        if not cells or len(cells) == others.sum():
            continue
        among = "sizes" if kind == "deviation" else "deviations"
        shown = ", ".join(
            f"row {table.line[stream.rows[at]]}: {shortened(_text(table, stream, at), 40)}"
            for at in cells[:_NAMED]
        )
        more = f" and {len(cells) - _NAMED} more" if len(cells) > _NAMED else ""
        looks = "1 cell looks" if len(cells) == 1 else f"{len(cells)} cells look"
        yield (
            f"{name}, {stream.target.feature.name}: {looks} like a {kind} among"
            f" {others.sum() - len(cells)} {among} ({shown}{more}); left out: write all cells as"
            " one kind, or a unit beside each"
        )
        for at in cells:
            stream.refuse(
                at,
                f"{QUESTION}{_text(table, stream, at)!r} looks like a {kind} among {among}; write"
                " it as the others are, or a unit beside it",
            )


def _text(table: Table, stream: Stream, at: int) -> str:
    return table.text(int(stream.rows[at]), stream.column.index)


def _numbers(stream: Stream, own: NDArray[np.bool_]) -> NDArray[np.float64]:
    """What is written, a size or a deviation, as a length; NaN for other cells. [µm]"""
    um = stream.deviation_um + np.where(stream.absolute, float(stream.target.nominal_um), 0.0)
    return np.where(own, um, np.nan)


def _like_sizes(table: Table, stream: Stream, own: NDArray[np.bool_]) -> Iterator[int]:
    """Cells among deviations that are written as sizes."""
    if not own.any():
        return
    target = stream.target
    um, other = _numbers(stream, own), np.zeros(len(own), dtype=bool)
    written = dict.fromkeys((sense.unit for sense in stream.believed), 0)
    for unit in written:
        other |= like_sizes(um / UM[unit], unit, target)
    others = np.sort(um[own & ~other])
    if not len(others):
        return
    for at in np.flatnonzero(own & other).tolist():
        text = _text(table, stream, at)
        beside = others[max(np.searchsorted(others, um[at]) - 1, 0) :][:2]
        alone = float(np.abs(beside - um[at]).min()) > target.width_um
        sized = any(
            like_a_size(text, um[at] / UM[unit] * scale, target.feature)
            for unit in written
            for scale in (1.0, UM[unit] / UM[target.feature.unit])
        )
        if alone and sized and _BARE.match(text):
            yield at


def _like_deviations(table: Table, stream: Stream, own: NDArray[np.bool_]) -> list[int]:
    """Cells among sizes whose number is a deviation."""
    if not own.any():
        return []
    target = stream.target
    um = np.nan_to_num(_numbers(stream, own))
    reach = target.reach_um
    found = np.zeros(len(own), dtype=bool)
    for unit in {sense.unit for sense in stream.believed}:
        number = um / UM[unit]
        fits = np.abs(number) * UM[target.feature.unit] <= reach
        # Nobody writes deviations to the nanometre.
        fits |= (np.abs(number) <= reach) & (stream.decimals < DIGITS_OF_A_SIZE)
        far = ~near_nominal(number, unit, target) & ~at_a_factor(number, unit, target)
        found |= fits & far
    hits = np.flatnonzero(own & found).tolist()
    return [at for at in hits if _BARE.match(_text(table, stream, at))]
