"""
Parts still on hold, from the last readings in the ledger: what the board says, loaded quickly.

`spc.study.holds_of` says the same of a whole run from tables of pandas, which no prompt waits for.
"""

import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean

from spc.ledger.entry import Stored
from spc.ledger.repeats import reach_um
from spc.ledger.replay import holding
from spc.ledger.store import Ledger, LedgerRun
from spc.plan import Feature, Plan
from spc.report.voice import Voice

#: Parts looked back: more than the strip of the board shows at any usual sampling.
PARTS = 400
#: A value this many tolerance widths from the middle of the limits is a slip of the keyboard or a
#: part never ground, as in `spc.series`.
UNBELIEVABLE_WIDTHS = 20.0
#: A size this share of nominal off says nothing of its part, as in `spc.series`.
IMPOSSIBLE_SHARE = 0.1
#: Spans named in one sentence; the others are counted.
_MOST_SPANS = 2
#: A tag that counts: anything, then a number.
_TAG = re.compile(r"(.*?)(\d{1,15})")


@dataclass(frozen=True)
class Held:
    """Parts of one feature from after the last good check to before the next good one."""

    feature: str
    first: int
    last: int


@dataclass(frozen=True)
class HeldNow:
    """
    What is on hold after the part ground last.

    Attributes
    ----------
    spans : tuple of Held
        Those not cleared.
    serials : dict of str
        Part numbers as written, of the parts that were read; empty when they only repeat the count.
    """

    spans: tuple[Held, ...]
    serials: dict[int, str]

    def parts(self, voice: Voice) -> str:
        """The parts on hold in one breath, those of two features once."""
        spans = sorted({(span.first, span.last) for span in self.spans})
        named = ", ".join(self.tagged(voice, *span) for span in spans[:_MOST_SPANS])
        more = len(spans) - _MOST_SPANS
        return f"{named} {voice.count('handover.more_spans', more)}" if more > 0 else named

    def tagged(self, voice: Voice, first: int, last: int) -> str:
        """A part or a span of parts, with the serials on their tags where those differ."""
        low, high = self._serial(first), self._serial(last)
        if first == last:
            key, tags = ("part.serial", {"serial": low}) if low else ("part.one", {})
            return voice.say(key, n=first, **tags)
        if low and high:
            return voice.say("part.span_serials", first=first, last=last, low=low, high=high)
        inside = [self.serials[part] for part in sorted(self.serials) if first <= part <= last]
        if inside:
            return voice.say(
                "part.span_some", first=first, last=last, serials=", ".join(inside[:6])
            )
        return voice.say("part.span", first=first, last=last)

    def _serial(self, part: int) -> str:
        """As written, or counted on where all tags count with the parts; "" if unknown."""
        tags = {read: _TAG.fullmatch(serial) for read, serial in self.serials.items()}
        counted = {(tag[1], int(tag[2]) - read) for read, tag in tags.items() if tag is not None}
        if part in self.serials or len(counted) != 1 or None in tags.values():
            return self.serials.get(part, "")
        ((before, apart),) = counted
        numbers = [tag[2] for tag in tags.values() if tag is not None]
        padded = any(number.startswith("0") for number in numbers)
        return f"{before}{part + apart:0{max(map(len, numbers)) if padded else 1}d}"


def held_now(ledger: Ledger, run: LedgerRun, plan: Plan, made: int) -> HeldNow:
    """What of the last `PARTS` parts up to part `made` is still on hold."""
    first = max(1, made - PARTS)
    with ledger.reading() as reader:
        told = holding(reader.entries_between(run.id, (first, made)))
    return HeldNow(tuple(held_spans(told, plan, first, made)), _serials(told))


def held_spans(told: Sequence[Stored], plan: Plan, first: int, last: int) -> Iterator[Held]:
    """
    Open holds of a stretch of a run.

    Parameters
    ----------
    told : sequence of Stored
        Its entries that hold, in order.
    plan : Plan
        Limits, guard bands and gauges.
    first, last : int
        The stretch.
    """
    cleared = max((e.part for e in told if e.kind == "event" and e.what == "cleared"), default=-1)
    values = {f.name: _values(told, f) for f in plan.features if not f.between}
    for feature in plan.features:
        own = _difference(values, feature.between) if feature.between else values[feature.name]
        for begin, end in _spans(own, feature, first, last):
            if begin > cleared:
                yield Held(feature.name, begin, end)


def _spans(
    values: Mapping[int, float | None], feature: Feature, first: int, last: int
) -> Iterator[tuple[int, int]]:
    lower, upper = feature.guarded_um
    good, begin = first - 1, None
    for part, value in sorted(values.items()):
        if value is None or not lower <= value <= upper:
            begin = good + 1 if begin is None else begin
            continue
        if begin is not None:
            yield begin, part - 1
        begin, good = None, part
    if begin is not None:
        yield begin, last


def _values(told: Iterable[Stored], feature: Feature) -> dict[int, float | None]:
    """One deviation per measured part; None where it is none a part can have. [µm]"""
    read: dict[int, list[float]] = {}
    for entry in told:
        if entry.kind == "reading" and entry.what == feature.name and entry.value is not None:
            read.setdefault(entry.part, []).append(entry.value)
    # A size that no part can have is a slip of the keyboard: it holds nothing.
    most = math.inf if feature.nominal_mm is None else IMPOSSIBLE_SHARE * 1000 * feature.nominal_mm
    believed = {part: [v for v in values if abs(v) <= most] for part, values in read.items()}
    return {part: _value(values, feature) for part, values in believed.items() if values}


def _value(values: Sequence[float], feature: Feature) -> float | None:
    """The mean of the readings of one part that do not contradict the trusted one."""
    believed = [v for v in values if not _beyond_belief(v, feature)]
    if not believed:
        return None
    n = len(believed)
    trusted = believed[-1] if n == 2 else sorted(believed)[(n - 1) // 2]
    near = [v for v in believed if abs(v - trusted) <= reach_um(feature)]
    return round(fmean(near), 6)


def _beyond_belief(value: float, feature: Feature) -> bool:
    lower, upper = feature.lower_um, feature.upper_um
    if lower is None or upper is None:
        return False
    return abs(value - (lower + upper) / 2) > UNBELIEVABLE_WIDTHS * (upper - lower)


def _difference(
    values: Mapping[str, Mapping[int, float | None]], between: Sequence[str]
) -> dict[int, float | None]:
    head, tail = (
        {part: value for part, value in values[name].items() if value is not None}
        for name in between
    )
    return {part: round(value - tail[part], 6) for part, value in head.items() if part in tail}


def _serials(told: Iterable[Stored]) -> dict[int, str]:
    serials = {e.part: e.serial for e in told if e.kind == "reading"}
    if all(serial in ("", str(part)) for part, serial in serials.items()):
        return {}
    return serials
