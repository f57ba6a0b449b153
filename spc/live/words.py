"""What the prompt says: the act, how to type it, when to measure, how far the next act is."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

from spc.adviser.advice import Advice
from spc.adviser.forecast import FARTHEST
from spc.advising import with_hold
from spc.ledger.entry import Stored
from spc.live.held import HeldNow
from spc.live.session import Session
from spc.report.voice import Voice, tame, with_tags

#: The shape of each action as a character, for terminals.
GLYPHS = {
    "grind_on": "●", "measure_again": "▲", "check": "▲", "offset": "■", "swivel": "■",
    "dress": "◆", "let_it_warm": "○", "hold": "⊟",
}  # fmt: skip
_CAUTIONS = {
    "measure_again": "measure", "check": "measure", "offset": "offset", "swivel": "swivel",
    "dress": "dress", "let_it_warm": "warm", "hold": "hold",
}  # fmt: skip


@dataclass(frozen=True)
class Answer:
    """One advice in words, for the screen of a terminal."""

    action: str
    word: str
    do: tuple[str, ...]
    terms: tuple[tuple[str, str], ...]
    caution: str

    def lines(self) -> list[str]:
        """Tab-separated, one fact a line."""
        terms = [f"{name}\t{text}" for name, text in self.terms]
        return [f"{self.word}\t{' '.join(self.do)}", *terms, *([self.caution] * bool(self.caution))]


def answer_of(session: Session, voice: Voice) -> Answer:
    """What the session advises now."""
    advice, say = session.advice, voice.say
    caution = _CAUTIONS.get(advice.action)
    held = session.held
    why = with_tags(voice.retell(advice.evidence, 500), partial(held.tagged, voice))
    terms = [(say("next.why"), why)]
    if advice.check_first:
        terms.append((say("next.check_first"), voice.retell(advice.check_first)))
    terms.append((say("next.when_label"), _when(session, advice, voice)))
    terms.append((say("next.left_label"), _left(advice, voice)))
    return Answer(
        advice.action,
        say(f"action.{advice.action}"),
        tuple(_do(session, advice, held, voice)),
        tuple(terms),
        f"{say(f'caution.{caution}')} {say('caution.defer')}" if caution else "",
    )


def echo_lines(session: Session, voice: Voice, stored: Sequence[Stored]) -> list[str]:
    """What was stored, as it was understood."""
    lines = []
    for entry in stored:
        where = f"part {session.serial(entry.part)}"
        if entry.kind == "reading" and entry.value is not None:
            feature = session.plan.feature(entry.what)
            size = voice.size(feature, entry.value, feature.gauge_step_um)
            shown = f" · {voice.um(entry.value, 1, signed=True)}" if feature.is_size else ""
            again = " · again" if entry.repeat else ""
            lines.append(f"stored: {where} · {tame(entry.what, 40)} {size}{shown}{again}")
        elif entry.kind == "event":
            amount = "" if entry.value is None else f" {voice.um(entry.value, 1, signed=True)}"
            minutes = "" if entry.minutes is None else f" {voice.number(entry.minutes, 0)} min"
            named = voice.texts.get(f"event.{entry.what}", entry.what)
            lines.append(f"stored: {named}{amount}{minutes} after {where}")
        elif entry.kind == "part":
            lines.append(f"stored: ground up to {where}")
        elif entry.kind == "answer":
            named = voice.say(f"action.{entry.what}")
            lines.append(f"stored: {named} {entry.text}{': ' * bool(entry.note)}{tame(entry.note)}")
    return lines


def _do(session: Session, advice: Advice, held: HeldNow, voice: Voice) -> list[str]:
    """What to do, and which parts stay on hold meanwhile: the same as on the board."""
    parts = held.parts(voice) if held.spans else ""
    if parts and advice.action == "hold":
        return [voice.say("next.hold", parts=parts), *_before_next(session, advice, voice)]
    told = _act(session, advice, voice)
    return [*told, voice.say("next.still_held", parts=parts)] if parts else told


def _act(session: Session, advice: Advice, voice: Voice) -> list[str]:
    say, made = voice.say, session.progress.made
    match advice.action:
        case "offset":
            return [say("next.amount", amount=_move(session, advice, voice)),
                    _typed(session, advice, voice)]  # fmt: skip
        case "dress" if advice.offset_um:
            after = say("next.after_dress", amount=_move(session, advice, voice))
            return [say("next.dress"), after, _typed(session, advice, voice)]
        case "dress":
            return [say("next.dress")]
        case "swivel":
            return [say("next.swivel", amount=_amount(advice, voice))]
        case "let_it_warm":
            return [say("next.warm", amount=_amount(advice, voice))]
        case "check":
            named = voice.texts.get(f"subject.{advice.subject}") or tame(advice.subject)
            return [say("next.check", subject=named)]
        case "measure_again":
            return [say("next.measure_again", part=f"part {session.serial(made)}")]
        case "hold":
            return [say("next.hold_none"), *_before_next(session, advice, voice)]
        case _:
            return [say("next.leave")]


def _before_next(session: Session, advice: Advice, voice: Voice) -> list[str]:
    """What goes with a hold, once the other features of the part were read."""
    if not session.whole or not with_hold(advice):
        return []
    if with_hold(advice) == "dress":
        return [voice.say("next.dress")]
    move = voice.say("next.before_next", amount=_move(session, advice, voice))
    return [move, _typed(session, advice, voice)]


def _move(session: Session, advice: Advice, voice: Voice) -> str:
    step = session.plan.machine.offset_step_um
    digits = 0 if step == round(step) else 1 if step * 10 == round(step * 10) else 2
    return voice.um(advice.offset_um or 0.0, digits, signed=True)


def _typed(session: Session, advice: Advice, voice: Voice) -> str:
    machine, say = session.plan.machine, voice.say
    plus = "plus_bigger" if machine.offset_sign == "+bigger" else "plus_smaller"
    return say(
        "next.typed",
        typed=_amount(advice, voice, signed=True),
        entry=say(f"next.entry_{machine.offset_entry}"),
        where=voice.where_typed(advice.register),
        plus=say(f"next.{plus}"),
    )


def _amount(advice: Advice, voice: Voice, *, signed: bool = False) -> str:
    return voice.typed(advice.amount or 0.0, advice.amount_unit or "", signed=signed)


def _when(session: Session, advice: Advice, voice: Voice) -> str:
    say, made = voice.say, session.progress.made
    if advice.measure_after <= 0:
        return say("next.when_now")
    part = session.serial(made + advice.measure_after)
    if advice.measure_after == 1:
        return say("next.when_next", part=part)
    return say("next.when_later", n=advice.measure_after, part=part)


def _left(advice: Advice, voice: Voice) -> str:
    left, say = advice.parts_left, voice.say
    if left is None:
        return say("page.not_enough")
    if left.low >= FARTHEST:
        return say("next.left_capped", cap=FARTHEST)
    if left.high == 0:
        return say("next.left_gone")
    low = say("next.left", low=left.low) if left.low else say("next.left_zero")
    more = "left_likely_capped" if left.middle >= FARTHEST else "left_more"
    return f"{low} · {say(f'next.{more}', middle=left.middle, high=left.high, cap=FARTHEST)}"
