"""The next act as things stand, with its reasons in one sentence and its move as typed."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

from spc.wheel.act import Advice, uncounted
from spc.wheel.dress_rule import FORM_CHANCE, chance_soon, form_to_read
from spc.wheel.forecast import PartsLeft, outlook, parts_left
from spc.wheel.rules import (
    GUARD,
    Case,
    Habits,
    Move,
    Told,
    after_dress,
    chance_out,
    measure_after,
)
from spc.wheel.settings import MachineSettings, Settings
from spc.wheel.track import Track
from spc.wheel.watch import Watch
from spc.wheel.wording import (
    LOOK,
    SAFE_SIDE,
    UNREAD,
    after_words,
    as_typed,
    as_usual,
    dear_words,
    dress_words,
    drift_words,
    form_words,
    glazed_words,
    level_words,
    limit_words,
    money,
    since_words,
    stale_words,
    um,
)

#: A move beyond this share of the half tolerance is not made on one reading (judgement).
LARGE = 0.5
#: While parts are held and hardly a good one came since, a move has to save this share of its
#: price, or keep the next part inside.
STEERS = 0.3


@dataclass(frozen=True)
class Standing:
    """How things stand when the next act is asked for; deciding changes none of it."""

    settings: Settings
    watch: Watch
    habits: Habits
    track: Track | None  # None when there is no size to steer
    case: Case | None  # what was weighed for that size


def next_act(now: Standing) -> Advice:
    """What comes before steering, if anything does; else what was weighed."""
    case = now.case
    finding = now.watch.verdict(can_steer=case is not None and _brings_back(now, case))
    if finding is not None:
        action, subject, words = finding
        if action == "hold" and now.track is not None and case is not None:
            return _hold(now, now.track, case, subject, words)
        return _say(now, action, subject, words)
    if now.track is None or case is None:
        return _say(now, "grind_on", "", "no diameter or bore to steer; nothing is out")
    return _steer(now, now.track, case)


def _brings_back(now: Standing, case: Case) -> bool:
    """Whether an act matters enough to be said while parts are held."""
    matters = case.chance_out > GUARD or case.move.saving > STEERS * now.settings.cost.offset
    return bool(case.dress.reason) or (case.wise and (matters or now.watch.good_since))


def _hold(now: Standing, track: Track, case: Case, subject: str, words: str) -> Advice:
    """Parts are held; with that goes what brings the size back, where nothing is to be found."""
    if now.watch.check is not None or not _brings_back(now, case):
        return _say(now, "hold", subject, words)
    if case.dress.reason and track.age > 0:
        why = f"{words}; a dress is due before the next part"
        return replace(_say(now, "hold", subject, why), runner_up="dress")
    after = chance_out(track, case.level + case.move.amount, case.sd**2)
    if _rests_on_one_reading(track, case) or after > 0.5:
        return _say(now, "hold", subject, words)
    why = f"{words}; {_where(track, case)}: bring it back before the next part"
    return _say(now, "hold", subject, why, case.move)


def _steer(now: Standing, track: Track, case: Case) -> Advice:
    words = _where(track, case)
    drift = drift_words(case.slope * track.frame.mirror, case.slope_sd)
    if now.settings.machine.in_process_gauge:
        drift = "the gauge at the wheel hides its wear, so no parts left are told"
    if case.dress.reason and track.age > 0:
        told = after_dress(track, now.habits)
        why = _why_dress(now, track, case) + _goes_with_it(track, told)
        return _say(
            now, "dress", "wheel", _also_held(why, now.watch), None if told is None else told.move
        )
    if case.wise:
        move = um(track.frame.mirror * case.move.amount)
        if _rests_on_one_reading(track, case):
            why = f"{words}; a move of {move} would rest on one reading"
            if track.last_read == track.made:
                return _say(now, "measure_again", track.lead.name, f"{why} of this part")
            return _say(now, "grind_on", "", f"{why}, so the next part is read first")
        saves = f"a move of {move} saves {money(case.move.saving)} {now.settings.cost.currency}"
        if track.just_dressed:
            saves = f"a move of {move} belongs to the dress"
        saves += _to_the_safe_side(track, case.level, case.move.amount)
        why = _also_held(f"{words}, {drift}; {saves}", now.watch)
        return _say(now, "offset", track.lead.name, why, case.move)
    if track.made == 0:
        return _say(now, "grind_on", "", "no part was ground yet")
    if now.habits.unread_change:
        what = UNREAD[now.habits.unread_change]
        return _say(now, "grind_on", "", f"{what}, and no part was read since; {words}")
    waits = "is hardly worth it yet" if case.can_wait else "waits for the next reading"
    pays = waits if case.waits else "would not pay"
    return _say(now, "grind_on", "", f"{words}, {drift}; a move {pays}{_also_read(track, case)}")


def _rests_on_one_reading(track: Track, case: Case) -> bool:
    amount = abs(case.move.amount)
    large = amount > LARGE * track.frame.half_width and not track.just_dressed
    return large and track.times == 1 and abs(track.news) > 0.5 * amount


# -- its reasons -------------------------------------------------------------------------------


def _where(track: Track, case: Case) -> str:
    name, place = track.lead.name, track.frame.outward(case.level)
    read = track.last_read == track.made and not track.closed
    if track.frame.aimed_by_limit:
        limit = next(end for end in track.lead.guarded_um if end is not None)
        return limit_words(name, place, case.sd, limit, read=read)
    return level_words(name, place, case.sd, track.frame.target, read=read)


def _also_held(evidence: str, watch: Watch) -> str:
    held = watch.held_words
    return f"{evidence}; {held}" if held else evidence


def _why_dress(now: Standing, track: Track, case: Case) -> str:
    reason, since = case.dress.reason, since_words(track.age, track.begun_by)
    if reason == "limit":
        wheel = now.settings.wheel
        told = "" if wheel.max_parts_per_dress else f", {as_usual(wheel.parts_per_dress)}"
        return f"{since}; the limit is {now.settings.max_parts}{told}"
    if reason == "glazing":
        habit = now.settings.wheel.parts_per_dress or track.age
        return glazed_words(track.glazing(before=True), since, habit, early=track.age < habit)
    if reason != "cost":
        form, chance = track.forms[reason], chance_soon(track, reason)
        words = form_words(reason, form.last, form.limit, chance, since)
        coming, cost = case.dress.coming, now.settings.cost
        dear = chance < FORM_CHANCE and cost.rework * chance > 0.5 * coming
        return words + dear_words(coming, case.dress.average, cost.currency) * dear
    currency, began = now.settings.cost.currency, now.habits.due_since
    return dress_words(since, case.dress.coming, case.dress.average, currency, began)


def _goes_with_it(track: Track, told: Told | None) -> str:
    if told is None or not told.amount or track.frame.aimed_by_limit:
        return ""
    place = track.frame.outward(told.level)
    words = after_words(track.lead.name, place, told.sd, track.frame.target)
    return words + _to_the_safe_side(track, told.level, told.amount)


def _to_the_safe_side(track: Track, level: float, amount: float) -> str:
    """Why a move leads away from target; "" where it does not."""
    away = abs(level + amount) > abs(level) + 0.5 * track.settings.machine.offset_step_um
    return SAFE_SIDE if away and not track.frame.aimed_by_limit else ""


def _also_read(track: Track, case: Case) -> str:
    name = form_to_read(track, case.dress)
    if not name:
        return ""
    form = track.forms[name]
    return stale_words(name, form.last, form.limit, track.age - form.read_at)


# -- put into one piece of advice --------------------------------------------------------------


def _say(
    now: Standing, action: str, subject: str, evidence: str, move: Move | None = None
) -> Advice:
    offset, amount, unit = _typed(now.settings.machine, now.track, move)
    runner, difference = _runner_up(action, now)
    look = LOOK.get(subject if action == "check" else action, "")
    return Advice(
        action=action,
        subject=subject,
        offset_um=offset,
        amount=amount,
        amount_unit=unit,
        measure_after=_read_next(action, now),
        evidence=evidence,
        check_first=look,
        runner_up=runner,
        cost_difference=difference,
        _count=_counter(now),
    )


def _typed(
    machine: MachineSettings, track: Track | None, move: Move | None
) -> tuple[float | None, float | None, str | None]:
    """The move on diameter, and its amount and unit on this control."""
    if track is None or move is None or not move.amount:
        return None, None, None
    step = machine.offset_step_um
    offset = round(round(track.frame.mirror * move.amount / step) * step, 9)
    return offset, *as_typed(machine, offset)


def _read_next(action: str, now: Standing) -> int:
    """Parts until the next reading."""
    if action == "measure_again":
        return 0
    if action == "grind_on" and now.track is not None and now.case is not None:
        if now.case.wise:
            return 1  # it only waits for a reading
        return measure_after(now.track, now.habits, now.case, now.watch.open_question)
    return 1


def _runner_up(action: str, now: Standing) -> tuple[str | None, float | None]:
    case = now.case
    if now.track is None or case is None or now.track.made == 0:
        return None, None
    if action == "offset":
        return "grind_on", round(max(case.move.saving, 0.0), 4)
    ahead = max(case.dress.coming - case.dress.average, 0.0)
    if action == "dress":
        return "grind_on", round(ahead, 4)
    if action != "grind_on" or case.waits:
        return None, None
    dress = max(case.dress.average - case.dress.coming, 0.0)
    move = max(-case.move.saving, 0.0) if case.move.amount and not case.wise else math.inf
    return ("offset", round(move, 4)) if move < dress else ("dress", round(dress, 4))


def _counter(now: Standing) -> Callable[[], PartsLeft | None]:
    """How `Advice.parts_left` is counted when it is read; can be pickled."""
    track = now.track
    if track is None:
        return uncounted
    ahead, sizes = outlook(track), (track.lead.name, *track.companions)
    if now.watch.out_now(sizes) and not now.settings.machine.in_process_gauge:
        return partial(PartsLeft, 0, 0, 0)
    if now.watch.in_doubt(sizes):
        return uncounted
    return partial(parts_left, ahead)
