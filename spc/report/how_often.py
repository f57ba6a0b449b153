"""How often to dress: cost per part against the dress interval, and how sure that is."""

import math
from collections.abc import Iterator

from spc.dress_interval import DressCosts, DressInterval
from spc.grinding_wheel import wheel_left
from spc.report.lens import Lens
from spc.report.pieces import Chapter, Picture, Table
from spc.report.voice import tame
from spc.report.wheel_figures import interval_figure


def dress_chapter(lens: Lens) -> Chapter | None:
    """What the dress interval costs, or why that cannot be said yet."""
    found = lens.study.dress_costs
    if found is None:
        return None
    say, voice = lens.voice.say, lens.voice
    title = say("wheel.interval_title")
    if found.interval is None:
        why = voice.retell(found.not_enough)
        return Chapter(title, (say("wheel.interval_none", why=why),))
    form = say("wheel.interval_form", names=", ".join(tame(name, 40) for name in found.form))
    notes = [say("wheel.interval_counts", form=form if found.form else "")]
    if "cost" not in lens.study.plan.model_fields_set:
        notes.append(say("wheel.interval_invented"))
    return Chapter(title, (), (interval_picture(lens, found, found.interval),), notes=tuple(notes))


def interval_picture(lens: Lens, found: DressCosts, interval: DressInterval) -> Picture:
    """Cost per part against the dress interval: the best, how flat it is, what the habit costs."""
    say = lens.voice.say
    habit = lens.study.plan.wheel.parts_per_dress
    return Picture(
        key="interval",
        title=say("wheel.interval_picture"),
        caption=say(
            "wheel.interval_open" if interval.open_ended else "wheel.interval_says",
            best=interval.best,
            least=_cost_words(lens, found, interval, interval.best),
        ),
        spec=interval_figure(
            found, interval, habit, tame(lens.study.plan.cost.currency, 12), lens.voice
        ),
        tables=(_interval_table(lens, found, interval, habit),),
        notes=tuple(_interval_notes(lens, found, interval, habit)),
    )


def _interval_notes(
    lens: Lens, found: DressCosts, interval: DressInterval, habit: int | None
) -> Iterator[str]:
    """How sure the best is, how flat the cost about it, the habit, where it ends."""
    say = lens.voice.say
    known, best = len(interval.costs), interval.best
    low, high = found.best_lower, found.best_upper
    if high == known:
        yield say("wheel.interval_sure_open", low=low, high=high, n=found.cycles,
                  share=f"{100 * found.open_share:.0f}")  # fmt: skip
    else:
        yield say("wheel.interval_sure", low=low, high=high, n=found.cycles)
    if interval.flat_from == interval.flat_to:
        yield say("wheel.interval_sharp", known=known)
    else:
        yield say("wheel.interval_near", flat_from=interval.flat_from, flat_to=interval.flat_to)
    if habit is not None and habit > known:
        yield say("wheel.interval_habit_beyond", habit=habit)
    elif habit is not None and habit != best:
        yield _habit_words(lens, found, interval, habit)
    yield say("wheel.interval_beyond", known=known)
    if found.inferred:
        wear = "leaves" if found.resets_size else "stays"
        offsets = "cleared" if found.clears_offsets else "kept"
        yield say("wheel.interval_inferred", wear=say(f"wheel.interval_wear_{wear}"),
                  offsets=say(f"wheel.interval_offsets_{offsets}"))  # fmt: skip


def _habit_words(lens: Lens, found: DressCosts, interval: DressInterval, habit: int) -> str:
    """What the habit costs more than the best, and whether this run settles that."""
    say, voice, digits = lens.voice.say, lens.voice, _digits(interval)
    more, low, high = found.more_at(habit)
    return say(
        "wheel.interval_habit" if low > 0 else "wheel.interval_habit_open",
        habit=habit,
        more=voice.number(more, digits),
        currency=tame(lens.study.plan.cost.currency, 12),
        low=voice.number(low, digits),
        high=voice.number(high, digits),
    )


def _cost_words(lens: Lens, found: DressCosts, interval: DressInterval, parts: int) -> str:
    currency = tame(lens.study.plan.cost.currency, 12)
    cost, low, high = _cost_cells(lens, found, interval, parts)
    return lens.voice.say("wheel.interval_cost", cost=cost, currency=currency, low=low, high=high)


def _cost_cells(
    lens: Lens, found: DressCosts, interval: DressInterval, parts: int
) -> tuple[str, str, str]:
    lower = interval.costs if found.lower is None else found.lower
    upper = interval.costs if found.upper is None else found.upper
    digits = _digits(interval)
    low, cost, high = (
        lens.voice.number(float(line[parts - 1]), digits) for line in (lower, interval.costs, upper)
    )
    return cost, low, high


def _digits(interval: DressInterval) -> int:
    """Digits after the mark for three that count."""
    return max(0, min(4, 2 - math.floor(math.log10(max(interval.least, 1e-9)))))


def _interval_table(
    lens: Lens, found: DressCosts, interval: DressInterval, habit: int | None
) -> Table:
    """The figure's numbers at its marks and at every tenth of its length."""
    say, known = lens.voice.say, len(interval.costs)
    marks = {interval.flat_from, interval.best, interval.flat_to, known}
    marks |= {habit} if habit is not None and habit <= known else set()
    listed = sorted(marks | {math.ceil(known * k / 10) for k in range(1, 11)})
    head = [say("wheel.x_interval"), say("wheel.y_cost", currency=tame(
        lens.study.plan.cost.currency, 12)), say("wheel.table_interval")]  # fmt: skip
    dresses = _dresses_of_a_wheel(lens)
    head += [say("wheel.table_per_wheel")] if dresses else []
    rows = []
    for n in listed:
        cost, low, high = _cost_cells(lens, found, interval, n)
        per_wheel = [str(n * dresses)] if dresses else []
        rows.append((str(n), cost, say("wheel.between", low=low, high=high), *per_wheel))
    return Table(tuple(head), tuple(rows), frozenset(range(len(head))))


def _dresses_of_a_wheel(lens: Lens) -> int | None:
    """Dresses from a new wheel to its scrap diameter, as far as the plan tells."""
    wheel = lens.study.plan.wheel
    if wheel.diameter_mm is None:
        return None
    return wheel_left(
        diameter_mm=wheel.diameter_mm,
        dress_depth_um=wheel.dress_depth_um,
        scrap_diameter_mm=wheel.scrap_diameter_mm,
    ).dresses_left
