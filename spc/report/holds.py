"""Parts to hold, one span at a time: which feature, which parts, why; and the holds cleared."""

from spc.findings import HeldSpan
from spc.report.lens import Lens
from spc.report.voice import tame

#: Spans named one by one beside the act; the others are counted there and named below.
MOST_BY_THE_ACT = 4
#: Spans and cleared holds named in one sentence or under the verdict; the others are counted.
MOST_SPANS = 2


def held_count(lens: Lens) -> int:
    """Parts to hold; a part held for two features counts once."""
    return len({part for s in lens.held for part in range(s.first, s.last + 1)})


def hold_lines(lens: Lens) -> list[str]:
    """What to set aside: one sentence, then a line for each open span with its reason."""
    voice, held = lens.voice, _in_order(lens.held)
    if not held:
        return [voice.say("next.hold_none")]
    if len(held) == 1:
        only = held[0]
        slots = {"feature": tame(only.feature, 60), "why": why_held(lens, only)}
        parts = lens.tagged(only.first, only.last)
        return [voice.say("next.hold", parts=parts), voice.say("next.hold_why", **slots)]
    spans = [voice.say("next.hold_span", **_slots(lens, span)) for span in held[:MOST_BY_THE_ACT]]
    more = len(held) - MOST_BY_THE_ACT
    spans += [voice.count("next.hold_more", more)] if more > 0 else []
    return [voice.say("next.holds", n=len(held)), *spans]


def still_held_lines(lens: Lens) -> list[str]:
    """That parts stay on hold beside an act that is no hold; empty when none do."""
    return [lens.voice.say("next.still_held", parts=held_parts(lens))] if lens.held else []


def held_items(lens: Lens) -> list[str]:
    """Each open span as an item of its own."""
    return [
        lens.voice.count("handover.open_hold", span.count, **_slots(lens, span))
        for span in _in_order(lens.held)
    ]


def cleared_words(lens: Lens) -> tuple[str, ...]:
    """The holds that the record says are over."""
    cleared = _in_order(tuple(span for span in lens.study.held if span.cleared))
    words = [
        lens.voice.say("handover.cleared", **_slots(lens, span)) for span in cleared[-MOST_SPANS:]
    ]
    more = len(cleared) - len(words)
    return (*words, lens.voice.count("handover.cleared_more", more)) if more else tuple(words)


def held_parts(lens: Lens) -> str:
    """The parts to hold in one breath, those of two features once."""
    spans = sorted({(span.first, span.last) for span in lens.held})
    parts = ", ".join(lens.tagged(first, last) for first, last in spans[:MOST_SPANS])
    more = len(spans) - MOST_SPANS
    return f"{parts} {lens.voice.count('handover.more_spans', more)}" if more > 0 else parts


def why_held(lens: Lens, span: HeldSpan) -> str:
    """
    What made the parts of a span suspect, as far as the parts studied show it.

    The reading may have been left out of the charts, or taken in a shift before.
    """
    of = lens.study.feature(span.feature)
    outside, doubt = (
        [part for part in parts if span.first <= part <= span.last]
        for parts in (of.outside, of.in_doubt)
    )
    found = [("hold.outside", outside), ("hold.doubt", doubt)]
    words = [lens.voice.say(key, parts=lens.parts(parts)) for key, parts in found if parts]
    return ", ".join(words) or lens.voice.say("hold.no_good_check")


def _in_order(spans: tuple[HeldSpan, ...]) -> list[HeldSpan]:
    return sorted(spans, key=lambda span: (span.first, span.last))


def _slots(lens: Lens, span: HeldSpan) -> dict[str, str]:
    return {
        "feature": tame(span.feature, 60),
        "parts": lens.tagged(span.first, span.last),
        "why": why_held(lens, span),
    }
