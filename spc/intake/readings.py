"""The readings of one column: numbers, units, deviations, and the cells that are none."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from spc.errors import BadQuantity
from spc.intake import words
from spc.intake.cells import UM, Convention, Number, deviation_and_size, read_number
from spc.intake.columns import Column
from spc.intake.meaning import Sense, Target, near_nominal, near_zero, sense_of
from spc.intake.table import Table
from spc.intake.times import Column as TextColumn
from spc.intake.whole_column import Digits, deviations_and_sizes, digits
from spc.remarks import QUESTION

TAKEN, BLANK, REFUSED = range(3)
#: How the reason ends of a cell that calls the part bad and gives no size.
SAYS_OUT = "says that the part is out of limits and gives no size"
UNITS = (None, "mm", "in", "um")
#: Stands in place of a unit that is none of these.
UNKNOWN = -1
Ints = NDArray[np.int64]
_LONG_TEXT = 40


@dataclass(eq=False)
class Stream:
    """
    The cells of one feature in one column, in the order of the rows.

    Attributes
    ----------
    column : Column
        Where they stand.
    target : Target
        What the plan says of the feature.
    rows : ndarray of int64, shape (n,)
        Positions in the table.
    deviation_um, size : ndarray of float, shape (n,)
        In µm, and in the plan's unit; NaN where nothing was taken.
    decimals : ndarray of int64, shape (n,)
    state : ndarray of int8, shape (n,)
        TAKEN, BLANK or REFUSED.
    absolute : ndarray of bool, shape (n,)
        Whether the cell holds a size.
    reasons : dict
        Why a cell was refused, by position in the stream.
    senses : dict
        How numbers were taken, by unit as written.
    """

    column: Column
    target: Target
    rows: Ints
    deviation_um: NDArray[np.float64]
    size: NDArray[np.float64]
    decimals: Ints
    state: NDArray[np.int8]
    absolute: NDArray[np.bool_]
    reasons: dict[int, str] = field(default_factory=dict)
    senses: dict[str | None, Sense] = field(default_factory=dict)

    @property
    def believed(self) -> list[Sense]:
        """The senses in which numbers were taken."""
        return [each for each in self.senses.values() if each.elsewhere is None or each.absolute]

    @property
    def of_another_part(self) -> bool:
        """Whether half of the numbers or more are sizes for another nominal."""
        strange = sum(each.cells for each in self.senses.values() if each.elsewhere is not None)
        return 0 < strange >= sum(each.cells for each in self.senses.values()) / 2

    def refuse(self, at: int, reason: str) -> None:
        """Take one cell back."""
        self.state[at] = REFUSED
        self.deviation_um[at] = self.size[at] = np.nan
        self.reasons[at] = reason

    def of_rows(self, wanted: NDArray[np.bool_]) -> "Stream":
        """The cells of some rows of the table only."""
        kept = wanted[self.rows]
        place = np.cumsum(kept) - 1
        return Stream(
            self.column, self.target, self.rows[kept], self.deviation_um[kept], self.size[kept],
            self.decimals[kept], self.state[kept], self.absolute[kept],
            {int(place[at]): why for at, why in self.reasons.items() if kept[at]}, self.senses,
        )  # fmt: skip


def read_stream(
    table: Table,
    column: Column,
    target: Target,
    rows: Ints,
    *,
    convention: Convention,
    units: NDArray[np.int8] | None = None,
    careful: bool = False,
) -> Stream:
    """
    Read the cells of one feature.

    Parameters
    ----------
    table : Table
        The records.
    column : Column
        Where the readings stand.
    target : Target
        Of the feature.
    rows : ndarray of int64, shape (n,)
        Which records.
    convention : Convention
        How numbers are written there.
    units : ndarray of int8, shape (n,), optional
        Units from a unit column, as positions in UNITS; UNKNOWN where it is no unit of length.
    careful : bool
        Take every cell one by one; for tests.
    """
    starts, lengths = table.starts[rows, column.index], table.lengths[rows, column.index]
    n = len(rows)
    buffer = np.frombuffer(table.buffer, dtype=np.uint8)
    if careful or convention.group:
        plain = Digits(np.zeros(n, np.int64), np.zeros(n, np.int64), np.zeros(n, bool))
    else:
        plain = digits(buffer, starts, lengths, convention.mark)
    stream = Stream(
        column, target, rows, np.full(n, np.nan), np.full(n, np.nan), plain.decimals,
        np.where(plain.plain, TAKEN, REFUSED).astype(np.int8), np.ones(n, bool),
    )  # fmt: skip
    stream.state[lengths == 0] = BLANK
    codes = np.zeros(n, np.int8) if units is None else units.copy()
    for at in np.flatnonzero((codes == UNKNOWN) & (stream.state != BLANK)).tolist():
        stream.refuse(at, "the unit beside it is no unit of length here; use mm, in or um")
    if column.unit is not None:
        codes[codes == 0] = UNITS.index(column.unit)
    unread = np.flatnonzero((stream.state == REFUSED) & (codes != UNKNOWN))
    odd = _read_one_by_one(table, stream, unread, convention, codes)
    _into_deviations(table, stream, plain, odd, codes, convention)
    return stream


def _read_one_by_one(
    table: Table, stream: Stream, places: Ints, convention: Convention, codes: NDArray[np.int8]
) -> dict[int, Number]:
    odd: dict[int, Number] = {}
    for at in places.tolist():
        text = table.text(int(stream.rows[at]), stream.column.index)
        if not text:
            stream.state[at] = BLANK
            continue
        try:
            number = read_number(text, convention)
        except BadQuantity as error:
            bad = words.says_out(text, below=not stream.target.feature.zero_bounded)
            stream.reasons[at] = f"{text!r} {SAYS_OUT}" if bad else str(error)
            continue
        odd[at] = number
        stream.state[at] = TAKEN
        stream.decimals[at] = number.decimals
        if number.unit is not None:
            codes[at] = UNITS.index(number.unit)
    return odd


def _into_deviations(
    table: Table,
    stream: Stream,
    plain: Digits,
    odd: dict[int, Number],
    codes: NDArray[np.int8],
    convention: Convention,
) -> None:
    values = plain.value
    for at, number in odd.items():
        values[at] = float(number.value)
    odd_places = np.array(sorted(odd), dtype=np.int64)
    for code in np.flatnonzero(np.bincount(codes[stream.state == TAKEN], minlength=1)):
        own = np.flatnonzero((codes == code) & (stream.state == TAKEN))
        unit = UNITS[code]
        sense = sense_of(
            values[own], unit=unit, kind=stream.column.kind, target=stream.target,
            decimals=stream.decimals[own],
        )  # fmt: skip
        stream.senses[unit] = sense
        stream.absolute[own] = sense.absolute
        fast = own[plain.plain[own]]
        part = Digits(plain.mantissa[fast], plain.decimals[fast], plain.plain[fast])
        deviation, size, exact = deviations_and_sizes(
            part,
            unit=sense.unit,
            absolute=sense.absolute,
            nominal_um=stream.target.nominal_um,
            plan_unit=stream.target.feature.unit,
        )
        stream.deviation_um[fast], stream.size[fast] = deviation, size
        slow = np.concatenate([fast[~exact], odd_places[codes[odd_places] == code]])
        for at in slow.tolist():
            written = odd.get(at) or read_number(
                table.text(int(stream.rows[at]), stream.column.index), convention
            )
            if written.unit is not None:
                stream.absolute[at] = _is_size(written, sense, stream.target)
            stream.deviation_um[at], stream.size[at] = deviation_and_size(
                written,
                unit=sense.unit,
                absolute=bool(stream.absolute[at]),
                nominal_um=stream.target.nominal_um,
                plan_unit=stream.target.feature.unit,
            )
    _refuse_single_strangers(table, stream, codes)


def _refuse_single_strangers(table: Table, stream: Stream, codes: NDArray[np.int8]) -> None:
    """Numbers like sizes of another part, of which the unit leaves no sense but deviations."""
    if stream.of_another_part:
        return  # the whole file is refused
    unit_here = stream.target.feature.unit
    nominal = float(stream.target.nominal_um) / UM[unit_here]
    for unit, sense in stream.senses.items():
        if sense.elsewhere is None or sense.absolute:
            continue
        own = (codes == UNITS.index(unit)) & (stream.state == TAKEN)
        for at in np.flatnonzero(own).tolist():
            text = table.text(int(stream.rows[at]), stream.column.index)
            stream.refuse(
                at,
                f"{QUESTION}{text!r} looks like a size of another part, unlike the cells around"
                f" it; write a size near {nominal:.7g} {unit_here}, or name its unit",
            )


def _is_size(number: Number, sense: Sense, target: Target) -> bool:
    """A cell that names its unit speaks for itself; what fits neither follows its column."""
    value = np.array([float(number.value)])
    if target.sized and near_nominal(value, sense.unit, target)[0]:
        return True
    return sense.absolute and not (target.sized and near_zero(value, sense.unit, target)[0])


def text_column(table: Table, index: int) -> TextColumn:
    """A column of a table, for readers of whole columns."""
    return TextColumn(
        np.frombuffer(table.buffer, dtype=np.uint8),
        table.starts[:, index],
        table.lengths[:, index],
        lambda row: table.text(row, index),
    )


def column_texts(table: Table, index: int) -> list[str]:
    """All fields of a column as text, padding taken off."""
    starts = table.starts[:, index]
    lengths = table.lengths[:, index]
    buffer = np.frombuffer(table.buffer, dtype=np.uint8)
    texts = np.full(len(table), "", dtype=object)
    slow = [np.flatnonzero(lengths >= _LONG_TEXT)]
    counts = np.bincount(np.minimum(lengths, _LONG_TEXT), minlength=_LONG_TEXT)
    for length in np.flatnonzero(counts[1:_LONG_TEXT]) + 1:
        own = np.flatnonzero(lengths == length)
        block = np.empty((len(own), length), dtype=np.uint8)
        for place in range(length):
            block[:, place] = buffer[starts[own] + place]
        # Other bytes may be part of a character, or padding of a kind not taken off yet.
        odd = ((block > 126) | (block < 32)).any(axis=1)
        if odd.any():
            slow.append(own[odd])
            own, block = own[~odd], block[~odd]
        texts[own] = block.view(f"S{length}").ravel().astype(f"U{length}").astype(object)
    for row in np.concatenate(slow).tolist():
        texts[row] = table.text(row, index)
    return texts.tolist()
