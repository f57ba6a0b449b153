"""What was done to the machine and what it did to the size, one act a line."""

from collections import Counter

from spc.findings import Act
from spc.report.lens import Lens
from spc.report.marks import mark_key
from spc.report.pieces import Table
from spc.report.voice import tame


def acts_table(lens: Lens, acts: list[Act]) -> Table:
    """What was done to the machine and what it did to the size."""
    say = lens.voice.say
    timed = any(act.time for act in acts)
    noted = any(act.note for act in acts)
    serials = ["serial"] if lens.serials else []
    head = ["after", *serials, *(["time"] if timed else []), "act", "amount", "effect"]
    head += ["note"] if noted else []
    rows = []
    for act in acts:
        row = [str(act.after_part) if act.after_part else say("handover.start")]
        row += [lens.serial(act.after_part) for _ in serials]
        if timed:
            row.append(lens.voice.clock(act.time) if act.time else "")
        row += [say(f"event.{act.kind}"), _act_amount(lens, act), effect_words(lens, act)]
        rows.append(tuple([*row, tame(act.note, 60)] if noted else row))
    first = 2 + timed + len(serials)
    marks = tuple(
        mark_key(act.kind, act.amount_um) if act.kind in ("dress", "offset", "swivel") else ""
        for act in acts
    )
    return Table(
        tuple(say(f"handover.{h}") for h in head),
        tuple(rows),
        frozenset({0, first, first + 1}),
        marks=marks,
        tight=True,
    )


def contradicted_items(lens: Lens) -> list[str]:
    """The last offset that the parts contradict, as a question; those before it counted."""
    found = [act for act in lens.study.acts if act.contradicted]
    if not found:
        return []
    last = found[-1]
    asked = lens.voice.say(
        "handover.open_offset",
        part=lens.part(last.after_part),
        amount=_act_amount(lens, last),
        effect=effect_words(lens, last),
    )
    before = len(found) - 1
    return [asked, *([lens.voice.count("handover.open_offset_more", before)] if before else [])]


def total_words(lens: Lens) -> str:
    """How often each kind of act was done, in the order of the first of its kind."""
    counts = Counter(act.kind for act in lens.study.acts)
    kinds = ", ".join(lens.voice.count(f"event_count.{kind}", n) for kind, n in counts.items())
    return lens.voice.say("handover.acts_total", kinds=kinds)


def _act_amount(lens: Lens, act: Act) -> str:
    if act.amount_um is not None:
        return lens.voice.um(act.amount_um, 1, signed=True)
    if act.minutes is not None:
        return f"{lens.voice.number(act.minutes, 0)} min"
    return ""


def effect_words(lens: Lens, act: Act) -> str:
    """What an act did to the lead feature, with twice its standard error."""
    if act.effect_um is None or lens.lead is None:
        return ""
    digits = lens.lead.digits
    effect = lens.voice.number(act.effect_um, digits, signed=True)
    if act.effect_se_um is None:
        return f"{effect} µm"
    half = lens.voice.um(2 * act.effect_se_um, digits)
    return lens.voice.say("handover.effect_value", effect=effect, u=half)
