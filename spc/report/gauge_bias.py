"""Does the gauge read true? Readings of parts whose true value is known, in words and a picture."""

import numpy as np

from spc.gauge.accuracy import Linearity
from spc.report.gauge_figures import bias_figure, linearity_figure
from spc.report.known_parts import KnownParts
from spc.report.pieces import Chapter, Picture, Table
from spc.report.voice import Voice, tame

#: Readings of a reference below which its bounds are wide: common practice, no source.
FEWEST = 10


def bias_chapter(known: KnownParts, voice: Voice) -> Chapter:
    """Whether the gauge reads true: the answer, the picture with its numbers, what limits it."""
    say = voice.say
    if known.line is not None:
        spec, title = linearity_figure(known, voice), say("bias.line_picture")
    else:
        spec, title = bias_figure(known, voice), say("bias.order_picture")
    picture = Picture(
        key="bias", title=title, caption=" ".join(bias_words(known, voice)), spec=spec,
        tables=(bias_table(known, voice),), notes=bias_notes(known, voice),
    )  # fmt: skip
    return Chapter(say("bias.title"), pictures=(picture,))


def bias_words(known: KnownParts, voice: Voice) -> list[str]:
    """The answer, then how it changes with size."""
    if known.line is None:
        return [_one_size(known, voice)]
    changes = _ends if known.line.bent else _change
    return [_all_sizes(known, known.line, voice), changes(known, known.line, voice)]


def _all_sizes(known: KnownParts, line: Linearity, voice: Voice) -> str:
    """The answer for all sizes together, by the line or, where the means leave it, by each size."""
    digits = known.digits + 1
    lower, upper = line.judged
    if line.true_everywhere is None:
        return voice.say("bias.line_open")
    if line.true_everywhere:
        reach = float(np.abs([lower, upper]).max())
        return voice.say(
            "bias.line_true", reach=voice.um(reach, digits), n=len(line.references)
        )  # fmt: skip
    told = line.biases if line.bent else line.line(line.references)
    k = int(np.where(line.proven, np.abs(told), -1).argmax())
    low, high = (voice.um(float(v[k]), digits, signed=True) for v in (lower, upper))
    return voice.say(
        "bias.line_more" if told[k] > 0 else "bias.line_less",
        value=voice.um(abs(float(told[k])), digits),
        where=size_words(line.references[k], known, voice), low=low, high=high,
    )  # fmt: skip


def _change(known: KnownParts, line: Linearity, voice: Voice) -> str:
    """What the error gains from the smallest size to the largest, by the line."""
    digits, span = known.digits + 1, float(np.ptp(line.references))
    low, high = (span * slope for slope in line.slope_bounds)
    key = "bias.line_level" if low <= 0 <= high else "bias.line_slope"
    change, low_um, high_um = (
        voice.um(v, digits, signed=True) for v in (span * line.slope, low, high)
    )
    first, last = (size_words(s, known, voice) for s in (line.references[0], line.references[-1]))
    return voice.say(key, change=change, low=low_um, high=high_um, first=first, last=last)


def _ends(known: KnownParts, line: Linearity, voice: Voice) -> str:
    """The least and the greatest mean, where no line leads from one to the other."""
    slots: dict[str, object] = {}
    for name, k in (("least", int(line.biases.argmin())), ("most", int(line.biases.argmax()))):
        slots[name] = voice.um(float(line.biases[k]), known.digits + 1, signed=True)
        slots[f"at_{name}"] = size_words(line.references[k], known, voice)
    return voice.say("bias.line_ends", **slots)


def _one_size(known: KnownParts, voice: Voice) -> str:
    found = known.at(float(known.sizes_um[0])) if len(known.sizes_um) == 1 else None
    if found is None:
        return voice.say("bias.few")
    digits = known.digits + 1
    key = "bias.one_true"
    if found.proven:
        key = "bias.one_more" if found.bias > 0 else "bias.one_less"
    bounds = (voice.um(v, digits, signed=True) for v in (found.lower, found.upper))
    return voice.say(
        key, n=found.n, ref=size_words(float(known.sizes_um[0]), known, voice),
        value=voice.um(abs(found.bias), digits),
        signed=voice.um(found.bias, digits, signed=True),
        **dict(zip(("low", "high"), bounds, strict=True)),
    )  # fmt: skip


def bias_notes(known: KnownParts, voice: Voice) -> tuple[str, ...]:
    """What limits the answer."""
    say, notes = voice.say, []
    line = known.line
    if line is not None and line.bent:
        notes.append(say("bias.bent", p=voice.chance(line.p_line)))
    elif line is not None:
        notes += _only_own(known, line, voice)
    if any(own is not None and own.repeat == 0 for own in map(known.at, known.sizes_um.tolist())):
        notes.append(say("bias.alike"))
    counts = [int((known.references_um == size).sum()) for size in known.sizes_um]
    if min(counts) < FEWEST:
        notes.append(say("bias.thin", n=min(counts), need=FEWEST))
    people = len(set(known.people))
    if people > 1:
        notes.append(say("bias.people", n=people))
    return (*notes, say("bias.not_counted"))


def _only_own(known: KnownParts, line: Linearity, voice: Voice) -> list[str]:
    """Sizes whose own readings prove an error that the line does not."""
    alone = ((line.own_lower > 0) | (line.own_upper < 0)) & ~line.proven
    return [
        voice.say(
            "bias.only_own", where=size_words(line.references[k], known, voice),
            **{name: voice.um(float(ends[k]), known.digits + 1, signed=True)
               for name, ends in (("low", line.own_lower), ("high", line.own_upper))},
        )
        for k in np.flatnonzero(alone).tolist()
    ]  # fmt: skip


def size_words(um: float, known: KnownParts, voice: Voice) -> str:
    """A reference value in millimetres, to the digit its neighbours differ in; small ones in µm."""
    if float(np.abs(known.sizes_um).max()) < 1000:
        return voice.um(um, known.digits)
    return f"{voice.number(um / 1000, known.digits + 3)} mm"


def bias_table(known: KnownParts, voice: Voice) -> Table:
    """Each reference value with its mean, the bounds of its own readings, and the line."""
    say, digits, line = voice.say, known.digits + 1, known.line

    def signed(value: float) -> str:
        return voice.number(float(value), digits, signed=True)

    rows = []
    for size in known.sizes_um.tolist():
        own = known.at(size)
        mine = known.off_um[known.references_um == size]
        row = [size_words(size, known, voice), str(len(mine)), signed(mine.mean()),
               "–" if own is None else say("wheel.between", low=signed(own.lower),
                                           high=signed(own.upper))]  # fmt: skip
        if line is not None:
            low, high = line.bounds(size)
            # Bounds of a line that the means do not follow would say nothing.
            band = "–" if line.bent else say("wheel.between", low=signed(float(low)),
                                             high=signed(float(high)))  # fmt: skip
            row += [signed(float(line.line(size))), band]
        rows.append(tuple(row))
    head = ["reference", "readings", "mean", "own", *(["by_line", "band"] if line else [])]
    return Table(
        tuple(say(f"bias.{h}") for h in head), tuple(rows), frozenset(range(len(head))),
        say("bias.sizes" if line is None else "bias.sizes_together"),
    )  # fmt: skip


def known_rows(known: KnownParts, voice: Voice) -> Table:
    """Every reading beside its reference value, in the order of the rows."""
    say, digits = voice.say, known.digits
    rows = tuple(
        (tame(person, 40), tame(part, 40), size_words(true, known, voice),
         size_words(read, known, voice),
         voice.number(read - true, digits, signed=True))
        for person, part, true, read in zip(
            known.people, known.parts, known.references_um.tolist(), known.readings_um.tolist(),
            strict=True,
        )
    )  # fmt: skip
    head = ("gauge.person", "gauge.x_part", "bias.reference", "bias.reading", "bias.y")
    return Table(tuple(say(h) for h in head), rows, frozenset({2, 3, 4}), tight=True)
