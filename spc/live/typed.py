"""What a typed line means: readings, events, answers; and what makes one doubtful."""

import re
from dataclasses import dataclass, replace
from decimal import Decimal

from spc.errors import BadQuantity, SpcError
from spc.feature import like_a_size
from spc.intake import words
from spc.ledger.entry import whole
from spc.plan import SIZES, Feature, Plan
from spc.units import UM_PER_UNIT, Quantity, read_quantity

#: A number this many tolerance widths from nominal is no deviation in that unit, and a slip until
#: said otherwise where there is one limit only; the same reach as for files.
REACH_WIDTHS = 3.0
#: So many tolerance widths beyond a limit a reading is asked about. Own choice: it lets the first
#: parts of a set-up pass and stops a 27 that was to be a 7.
BEYOND_WIDTHS = 1.5
#: Width taken for a feature with one limit or none. [µm]
WIDTH_WITHOUT_LIMITS = 50.0
#: More parts than this are never ground between two lines typed: a slip of the number.
MOST_AHEAD = 10_000
_UNDONE = re.compile(r"^(?:#\s*|part\s+)(\d+)(?=[\s:]|$):?", re.IGNORECASE)
_PART = re.compile(r"^(?:#\s*(\S+?):?|(\S+):)\s+(?=\S)")

#: What may be typed.
HELP = """\
24.998 24,998 -2 -0.004   a reading: size, or deviation in µm or in the plan's unit
24.998 25.001             the features of a part in turn; Enter leaves one out
#118 24.998, #118 dress   of or after part 118; `part 118` says so beforehand
seat 24.998               a reading of the feature named
again                     the next reading is of this part once more
ground 4                  four parts were ground and not measured
done                      what was advised is done
no <why>                  what was advised is not done, and why
offset -3, offset -3 X2   a move on diameter in µm, plus makes parts bigger; its register
dress, wheel, swivel, pause 20, master, batch, coolant, regrind, cleared, note ...
undo <why>                takes the last line back
undo #118 <why>           takes the readings typed for part 118 back
quit                      ends; the next start goes on from here"""


class NotUnderstood(SpcError):
    """A typed line that says nothing the program knows."""


@dataclass(frozen=True)
class Value:
    """One reading as understood: deviation, size, digits as written; `doubt` when it looks odd."""

    text: str
    deviation_um: float
    size: float
    decimals: int
    doubt: str = ""


@dataclass(frozen=True)
class Line:
    """
    One typed line.

    Attributes
    ----------
    verb : str
        ``reading``, a kind of event, ``ground``, ``part``, ``again``, ``undo``, ``done``, ``no``,
        ``skip``, ``help``, ``quit``.
    numbers : tuple of str
        Readings as typed.
    feature : str
        Feature named in the line; empty: whichever is due.
    part : str
        Part number named in the line; empty: the next one.
    amount : float or None
        µm on diameter for offset and swivel, minutes for pause, a count for ground.
    note : str
        The rest of the line.
    meant : tuple of str
        Questions about it that were answered with yes.
    text : str
        As typed, where it may have to be called so.
    """

    verb: str
    numbers: tuple[str, ...] = ()
    feature: str = ""
    part: str = ""
    amount: float | None = None
    note: str = ""
    meant: tuple[str, ...] = ()
    text: str = ""


def understand(text: str, plan: Plan) -> Line:
    """
    The meaning of one typed line.

    Raises
    ------
    NotUnderstood
        With what may be typed instead.
    """
    plain = text.strip()
    if not plain:
        return Line("skip")
    numbered = _PART.match(plain)
    if numbered:
        said = understand(plain[numbered.end() :], plan)
        if said.verb in ("skip", "help", *_VERBS.values()):
            raise NotUnderstood(f"{plain!r}: a part number stands before readings and events")
        return replace(said, part=numbered[1] or numbered[2])
    for feature in sorted(plan.measured_features, key=lambda f: -len(f.name)):
        if plain.casefold().startswith(f"{feature.name} ".casefold()):
            return Line("reading", _numbers(plain[len(feature.name) :]), feature.name)
    first, _, rest = plain.partition(" ")
    verb = _VERBS.get(first.casefold())
    if verb is not None:
        return _said(verb, rest.strip(), plain)
    kind = words.event_kind(first)
    if kind is not None:
        return _event(kind, rest.strip(), plain)
    return Line("reading", _numbers(plain))


_VERBS = {
    "ground": "ground", "part": "part", "again": "again", "undo": "undo", "done": "done",
    "yes": "yes", "y": "yes", "no": "no", "n": "no", "skip": "skip", "help": "help", "?": "help",
    "quit": "quit", "exit": "quit", "other": "other",
}  # fmt: skip


def _said(verb: str, rest: str, plain: str) -> Line:
    if verb == "ground":
        count = _count(rest or "1", plain)
        return Line(verb, amount=count)
    if verb == "part":
        if not rest:
            raise NotUnderstood("part: write its number, such as `part 118`")
        return Line(verb, part=rest)
    if verb == "other":
        return _event("offset", rest, plain)
    if verb == "undo":
        return _undo(rest, plain)
    return Line(verb, note=rest)


def _undo(rest: str, plain: str) -> Line:
    named = _UNDONE.match(rest)
    if named:
        return Line("undo", part=named[1], note=rest[named.end() :].strip())
    if rest[:1].isdigit() or rest.startswith("#") or rest.split(" ")[0].casefold() == "part":
        raise NotUnderstood(
            f"{plain!r}: undo takes the last line back, `undo #118` the readings typed for part 118"
        )
    return Line("undo", note=rest)


def _count(text: str, plain: str) -> float:
    count = whole(text)
    if count is None or not 1 <= count <= MOST_AHEAD:
        raise NotUnderstood(
            f"{plain!r}: write how many parts were ground, up to {MOST_AHEAD:,}, such as `ground 4`"
        )
    return float(count)


def _event(kind: str, rest: str, plain: str) -> Line:
    if kind not in ("offset", "swivel", "pause"):
        return Line(kind, note=rest)
    amount, note = _leading_quantity(rest)
    if kind == "pause":
        if amount is None:
            return Line(kind, note=rest)
        return Line(kind, amount=float(amount.value), note=note)
    if amount is None:
        if kind == "offset":
            raise NotUnderstood(
                f"{plain!r}: write the move in µm on diameter, plus makes parts bigger, such as "
                "`offset -3` or `offset -0.003mm`"
            )
        return Line(kind, note=rest)
    if amount.unit is None and amount.decimals > 2:
        raise NotUnderstood(
            f"{plain!r}: without a unit the move is in µm; write `offset -3` or `offset -0.003mm`"
        )
    um = amount.um("um") + 0.0
    if kind == "offset" and not um:
        raise NotUnderstood(
            f"{plain!r}: nothing was moved; write the move as it was entered, such as `offset -3`"
        )
    return Line(kind, amount=um, note=note)


def _leading_quantity(rest: str) -> tuple[Quantity | None, str]:
    """The quantity a text begins with, its unit attached or standing apart, and what follows."""
    tokens = rest.split()
    for used in (2, 1):
        if len(tokens) >= used:
            joined = " ".join(tokens[:used])
            minutes = re.sub(r"\s*(min|minutes?|minuten)$", "", joined, flags=re.IGNORECASE)
            try:
                return read_quantity(minutes), " ".join(tokens[used:])
            except BadQuantity:
                continue
    return None, rest


def _numbers(text: str) -> tuple[str, ...]:
    """Readings as typed; a unit may stand apart from its number."""
    found: list[str] = []
    for token in text.split():
        if found and not any(c.isdigit() for c in token):
            found[-1] += f" {token}"
        else:
            found.append(token)
    for number in found:
        try:
            read_quantity(number)
        except BadQuantity as error:
            raise NotUnderstood(
                f"{error}; or an event such as dress, offset -3; ? lists all"
            ) from None
    if not found:
        raise NotUnderstood(f"{text.strip()!r} holds no number; ? lists what may be typed")
    return tuple(found)


def value_of(text: str, feature: Feature) -> Value:
    """
    A typed reading as deviation and size.

    A number near the nominal is a size, one near zero a deviation: in µm, or in the plan's unit
    when it has more digits than µm of this gauge can have. A unit behind it settles its own.

    Raises
    ------
    NotUnderstood
        When both would fit.

    Examples
    --------
    >>> seat = Feature(name="seat", nominal=25.0, upper=0.01, lower=-0.01)
    >>> [value_of(t, seat).deviation_um for t in ("24,998", "-2", "-0.004", '.9843"', "-4um")]
    [-2.0, -2.0, -4.0, 1.22, -4.0]
    """
    quantity = read_quantity(text)
    nominal = _nominal_um(feature)
    if feature.kind not in SIZES or nominal is None:
        um = quantity.value * UM_PER_UNIT[quantity.unit or feature.unit]
        return _value(text, quantity, um, Decimal(0), feature)
    reach = Decimal(REACH_WIDTHS) * _width(feature)
    readings = [_as_size(quantity, nominal, feature)]
    if quantity.unit or not like_a_size(text, float(quantity.value), feature):
        units = _deviation_units(quantity, feature)
        readings += [quantity.value * UM_PER_UNIT[unit] for unit in units]
    near = [um for um in dict.fromkeys(readings) if abs(um) <= reach]
    if len(near) > 1:
        raise NotUnderstood(f"{text.strip()!r} may mean two sizes here; write its unit, such as um")
    chosen = near[0] if near else min(readings, key=abs)
    return _value(text, quantity, chosen, nominal, feature)


def _as_size(quantity: Quantity, nominal_um: Decimal, feature: Feature) -> Decimal:
    return quantity.value * UM_PER_UNIT[quantity.unit or feature.unit] - nominal_um


def _deviation_units(quantity: Quantity, feature: Feature) -> list[str]:
    if quantity.unit is not None:
        return [quantity.unit]
    # Nobody writes 0.03 for 0.03 µm on a gauge with steps of 0.1 µm: those are millimetres.
    shown = max(1, -Decimal(repr(feature.gauge_step_um)).normalize().as_tuple().exponent)  # type: ignore[operator]
    in_um = ["um"] if quantity.decimals <= shown else []
    return in_um + ([feature.unit] if quantity.decimals >= 2 and feature.unit != "um" else [])


def _nominal_um(feature: Feature) -> Decimal | None:
    if feature.nominal_mm is None:
        return None
    return Decimal(repr(feature.nominal_mm)) * 1000


def _width(feature: Feature) -> Decimal:
    if feature.upper_um is None or feature.lower_um is None:
        one = feature.upper_um if feature.lower_um is None else feature.lower_um
        return Decimal(repr(abs(one or 0.0) or WIDTH_WITHOUT_LIMITS))
    return Decimal(repr(feature.upper_um - feature.lower_um))


def _value(
    text: str, quantity: Quantity, um: Decimal, nominal_um: Decimal, feature: Feature
) -> Value:
    doubt = _far_off(text.strip(), um, feature)
    if not doubt and feature.zero_bounded and um < 0:
        doubt = f"{text.strip()} is below zero, which {feature.name} cannot be"
    size = (nominal_um + um) / UM_PER_UNIT[feature.unit]
    return Value(text.strip(), float(um) + 0.0, float(size), quantity.decimals, doubt)


def _far_off(text: str, um: Decimal, feature: Feature) -> str:
    """What is said of a value too far out to be taken unasked; empty when it is not."""
    width = _width(feature)
    if feature.lower_um is None or feature.upper_um is None:
        far = abs(um) if abs(um) > Decimal(REACH_WIDTHS) * width else Decimal(0)
        where = f"from {'zero' if feature.nominal_mm is None else 'nominal'}"
    else:
        lower, upper = Decimal(repr(feature.lower_um)), Decimal(repr(feature.upper_um))
        beyond = max(lower - um, um - upper)
        far = beyond if beyond > Decimal(BEYOND_WIDTHS) * width else Decimal(0)
        where = "beyond the limits"
    if not far:
        return ""
    return f"{text} is {far:,.0f} µm {where} of {feature.name}, {far / width:,.1f} tolerance widths"
