"""Next cut: the one act, how to type it, when to measure, and how far it is to the next act."""

from dataclasses import dataclass
from datetime import datetime

from markupsafe import Markup

from spc.adviser.advice import Advice
from spc.adviser.forecast import FARTHEST, PartsLeft
from spc.advising import with_hold
from spc.report.holds import hold_lines, still_held_lines
from spc.report.lens import FeatureLens, Lens
from spc.report.marks import mark_key
from spc.report.pieces import Term
from spc.report.strip import datum_strip
from spc.report.voice import tame

#: Which cautions go with which action; every page of an act also defers to the manual.
_CAUTIONS = {
    "measure_again": ("measure",),
    "check": ("measure", "hold"),
    "offset": ("offset",),
    "swivel": ("swivel",),
    "dress": ("dress",),
    "let_it_warm": ("warm",),
    "hold": ("hold",),
}
#: How the adviser's sentences carry an uncertainty.
GIVE_OR_TAKE = "give or take"


@dataclass(frozen=True)
class NextCut:
    """The first block of the page."""

    action: str
    mark: str
    word: str
    do: tuple[str, ...]
    terms: tuple[Term, ...]
    evidence: str
    evidence_note: str
    check_first: str
    otherwise: str
    cautions: tuple[str, ...]
    stale: str
    strip: Markup
    strip_words: str


def next_cut(lens: Lens, moment: datetime) -> NextCut:
    """The advice as it stands at the end of the run."""
    advice, say = lens.study.advice, lens.voice.say
    cautions = [say(f"caution.{key}") for key in _CAUTIONS.get(advice.action, ())]
    strip, words = datum_strip(lens)
    return NextCut(
        action=advice.action,
        mark=mark_key(advice.action, advice.offset_um),
        word=say(f"action.{advice.action}"),
        do=tuple(act_lines(lens, advice)),
        terms=tuple(_terms(lens, advice)),
        evidence=lens.with_serials(lens.voice.retell(advice.evidence)),
        evidence_note=say("next.give_or_take") if GIVE_OR_TAKE in advice.evidence else "",
        check_first=lens.voice.retell(advice.check_first or ""),
        otherwise=_otherwise(lens, advice),
        cautions=(*cautions, say("caution.defer")) if cautions else (),
        stale=_stale(lens, moment),
        strip=strip,
        strip_words=words,
    )


# --- the act in words ---------------------------------------------------------------------------


def act_lines(lens: Lens, advice: Advice) -> list[str]:
    """What to do, in short sentences; and which parts stay on hold meanwhile."""
    held = still_held_lines(lens) if advice.action != "hold" else []
    return [*_act_lines(lens, advice), *held]


def _runner_up(lens: Lens, advice: Advice) -> str:
    return lens.voice.texts.get(f"action.{advice.runner_up}", tame(str(advice.runner_up)))


def _act_lines(lens: Lens, advice: Advice) -> list[str]:
    say = lens.voice.say
    match advice.action:
        case "offset":
            return [say("next.amount", amount=move(lens, advice)), *_typed(lens, advice)]
        case "dress":
            after = [say("next.after_dress", amount=move(lens, advice))] if advice.offset_um else []
            return [say("next.dress"), *after, *(_typed(lens, advice) if after else [])]
        case "swivel":
            return [say("next.swivel", amount=_amount(lens, advice))]
        case "let_it_warm":
            return [say("next.warm", amount=_amount(lens, advice))]
        case "check":
            return [say("next.check", subject=subject(lens, advice))]
        case "measure_again":
            return [say("next.measure_again", part=lens.part(lens.study.last_part))]
        case "hold":
            return [*hold_lines(lens), *_before_next(lens, advice)]
        case _:
            return [say("next.leave")]


def _before_next(lens: Lens, advice: Advice) -> list[str]:
    """What goes with a hold."""
    if not with_hold(advice):
        return []
    if with_hold(advice) == "dress":
        return [lens.voice.say("next.dress")]
    return [lens.voice.say("next.before_next", amount=move(lens, advice)), *_typed(lens, advice)]


def move(lens: Lens, advice: Advice) -> str:
    """The offset on diameter, with the digits of the machine's step."""
    step = lens.study.plan.machine.offset_step_um
    digits = 0 if step == round(step) else 1 if step * 10 == round(step * 10) else 2
    return lens.voice.um(advice.offset_um or 0.0, digits, signed=True)


def subject(lens: Lens, advice: Advice) -> str:
    """What to check, in words."""
    key = f"subject.{advice.subject}"
    return lens.voice.texts.get(key) or tame(advice.subject or lens.voice.say("page.unknown"))


def _typed(lens: Lens, advice: Advice) -> list[str]:
    machine, say = lens.study.plan.machine, lens.voice.say
    if advice.amount is None:
        return []
    plus = "plus_bigger" if machine.offset_sign == "+bigger" else "plus_smaller"
    return [
        say(
            "next.typed",
            typed=_amount(lens, advice, signed=True),
            entry=say(f"next.entry_{machine.offset_entry}"),
            where=lens.voice.where_typed(advice.register),
            plus=say(f"next.{plus}"),
        )
    ]


def _amount(lens: Lens, advice: Advice, *, signed: bool = False) -> str:
    return lens.voice.typed(advice.amount or 0.0, advice.amount_unit or "", signed=signed)


# --- the terms beside it ------------------------------------------------------------------------


def _terms(lens: Lens, advice: Advice) -> list[Term]:
    say = lens.voice.say
    terms = [Term(say("next.when_label"), when_words(lens, advice))]
    terms.append(Term(say("next.left_label"), *left_words(lens, advice)))
    since = lens.study.parts_since_dress
    terms.append(
        Term(
            say("next.since_label"),
            say("page.unknown") if since is None else lens.voice.count("next.since", since),
            say("next.since_unknown") if since is None else "",
        )
    )
    if lens.lead is not None and len(lens.lead.of.series):
        terms.append(_last_size(lens, lens.lead))
    return terms


def when_words(lens: Lens, advice: Advice) -> str:
    """When to measure next."""
    ahead, say = advice.measure_after, lens.voice.say
    if ahead <= 0:
        return say("next.when_now")
    part = _number(lens, lens.study.last_part + ahead)
    return (
        say("next.when_next", part=part)
        if ahead == 1
        else say("next.when_later", n=ahead, part=part)
    )


def _number(lens: Lens, part: int) -> str:
    """A part that is not ground yet, with the serial it will carry where those differ."""
    serial = lens.serial(part)
    return f"{part}, {lens.voice.say('handover.serial')} {serial}" if serial else str(part)


def left_words(lens: Lens, advice: Advice) -> tuple[str, str]:
    """Parts left as a headline and its spread; both empty of numbers while they cannot be said."""
    left, say = advice.parts_left, lens.voice.say
    if left is None:
        return say("page.not_enough"), say("next.left_none")
    if left.low >= FARTHEST:
        headline = say("next.left_capped", cap=FARTHEST)
        return headline, f"{say('next.left_means')}; {say('next.left_capped_note')}"
    if left.high == 0:
        return say("next.left_gone"), say("next.left_gone_note")
    spread = f"{_left_spread(lens, left)}, {say('next.left_means')}"
    return _left_headline(lens, left), spread


def left_in_short(lens: Lens, advice: Advice) -> str:
    """Parts left without what they mean, for where that is said beside."""
    left, say = advice.parts_left, lens.voice.say
    if left is None:
        return say("page.not_enough")
    if left.low >= FARTHEST:
        return say("next.left_capped", cap=FARTHEST)
    if left.high == 0:
        return say("next.left_gone")
    return f"{_left_headline(lens, left)}, {_left_spread(lens, left)}"


def _left_headline(lens: Lens, left: PartsLeft) -> str:
    say = lens.voice.say
    return say("next.left", low=left.low) if left.low else say("next.left_zero")


def _left_spread(lens: Lens, left: PartsLeft) -> str:
    more = "left_more_capped" if left.high >= FARTHEST else "left_more"
    more = "left_likely_capped" if left.middle >= FARTHEST else more
    return lens.voice.say(f"next.{more}", middle=left.middle, high=left.high, cap=FARTHEST)


def _last_size(lens: Lens, lead: FeatureLens) -> Term:
    say = lens.voice.say
    series = lead.of.series
    value = float(series.deviation_um[-1])
    clock = lead.clocks([-1])[0]
    part = lens.part(int(series.parts[-1]))
    where = say(
        "next.level_part", part=part, time=say("next.level_time", time=clock) if clock else ""
    )
    return Term(
        f"{say('next.level_label')}, {lead.name}",
        say("next.level", deviation=lead.um(value)),
        f"{lead.size(value)}, {where}",
    )


def _otherwise(lens: Lens, advice: Advice) -> str:
    """The next best act and what it costs more."""
    if not advice.runner_up or advice.cost_difference is None:
        return ""
    currency = tame(lens.study.plan.cost.currency, 12)
    cost = f"{lens.voice.number(advice.cost_difference, 2)} {currency}"
    return lens.voice.say("next.runner_up", action=_runner_up(lens, advice), cost=cost)


def _stale(lens: Lens, moment: datetime) -> str:
    last = lens.last_time
    if last is None:
        return ""
    seconds = (moment - last).total_seconds()
    if seconds < late_after(lens):
        return ""
    return lens.voice.say("next.stale", age=lens.voice.age(seconds))


def late_after(lens: Lens) -> float:
    """Seconds after the last reading from which data are called stale: twice what is usual."""
    usual = 60 * lens.study.plan.job.minutes_per_part * max(5, lens.study.advice.measure_after)
    return max(600.0, 2 * usual)
