"""Handover: the shift on one sheet of paper, and what the next one should expect first."""

import re
from dataclasses import dataclass
from operator import itemgetter

from spc.adviser.advice import Advice
from spc.remarks import QUESTION
from spc.report.acts_done import acts_table, contradicted_items, total_words
from spc.report.claims import claim
from spc.report.holds import (
    MOST_BY_THE_ACT,
    cleared_words,
    held_count,
    held_items,
    held_parts,
)
from spc.report.lens import FeatureLens, Lens
from spc.report.level import level_words
from spc.report.next_cut import act_lines, left_in_short, move, subject, when_words
from spc.report.pieces import Table, Term

#: Lines of each table that still fit on the sheet together with everything else.
FEWEST_ACTS, MOST_SIGNALS, MOST_OPEN, MOST_OUTSIDE = 4, 2, 4, 2
#: Lines of features, acts, open items and signals together that the sheet has room for.
SHEET_LINES = 22


@dataclass(frozen=True)
class Handover:
    """The sheet handed over at the end of a shift."""

    verdict: str
    tone: str
    sure: str
    outside: tuple[str, ...]
    cleared: tuple[str, ...]
    counts: tuple[Term, ...]
    features: Table
    signals: tuple[str, ...]
    acts: tuple[Table, ...]
    acts_more: str
    gauge: str
    wheel: str
    open: tuple[str, ...]
    expect: str


def handover(lens: Lens) -> Handover:
    """The sheet of this study."""
    verdict, tone = verdict_of(lens)
    opened, signals = _most(lens, _sheet_items(lens)), _signals(lens)
    room = _room(lens, max(len(opened), len(signals)))
    acts = _acts(lens, room)
    more = len(lens.study.acts) - sum(len(table.rows) for table in acts)
    return Handover(
        verdict=verdict,
        tone=tone,
        sure=sure_words(lens),
        outside=outside_words(lens),
        cleared=cleared_words(lens),
        counts=_counts(lens),
        features=feature_table(lens),
        signals=signals,
        acts=acts,
        acts_more=f"{lens.voice.say('handover.more', n=more)}. {total_words(lens)}" if more else "",
        gauge=" ".join(_gauge(lens)),
        wheel=" ".join(_wheel(lens)),
        open=opened,
        expect=expect(lens, lens.study.advice),
    )


def _room(lens: Lens, beside: int) -> int:
    """Lines of acts that fit on the sheet, with `beside` open items or signals of two lines."""
    advice = lens.study.advice
    spoken = 0 if advice.action == "grind_on" else 2 + len(act_lines(lens, advice))
    taken = len(lens.features) + 2 * beside + spoken
    taken += 2 * (len(lens.held[:1]) + len(lens.study.outside[:1])) + len(cleared_words(lens))
    return max(FEWEST_ACTS, SHEET_LINES - taken)


def _acts(lens: Lens, room: int) -> tuple[Table, ...]:
    """The last acts: one table, or two beside each other where no note makes them wide."""
    acts = list(lens.study.acts)
    if len(acts) <= room or any(act.note for act in acts):
        return (acts_table(lens, acts[-room:]),) if acts else ()
    shown = acts[-2 * room :]
    half = (len(shown) + 1) // 2
    return acts_table(lens, shown[:half]), acts_table(lens, shown[half:])


# --- was it good ----------------------------------------------------------------------------------


def verdict_of(lens: Lens) -> tuple[str, str]:
    """Whether the shift was good, in one sentence, and the colour it is said in."""
    study, say = lens.study, lens.voice.say
    if not study.measured:
        return say("verdict.nothing"), "ask"
    outside, held = len(study.outside), held_count(lens)
    unsteady = [f.name for f in lens.features if f.of.stability.stable is False]
    also = f" {say('verdict.and_unsteady', features=', '.join(unsteady))}" if unsteady else ""
    slots = {"outside": outside, "measured": study.measured, "made": study.made}
    if held:
        key = "verdict.held_one" if held == 1 else "verdict.held"
        return say(key, held=held, **slots) + also, "hold"
    if outside:
        return say("verdict.outside", **slots) + also, "hold"
    doubt = {part for f in study.features for part in f.in_doubt}
    if doubt:
        return say("verdict.doubt", doubt=len(doubt), **slots) + also, "ask"
    if unsteady:
        return say("verdict.unsteady", features=", ".join(unsteady), **slots), "ask"
    alike = [f.name for f in lens.features if f.of.alike]
    if alike:
        return say("verdict.alike", features=", ".join(alike), **slots), "ask"
    if any(f.of.stability.stable is None for f in lens.features if len(f.of.series)):
        return say("verdict.unjudged", **slots), "ink"
    signals = sum(len(f.of.signals) for f in lens.features)
    if signals:
        return say(
            "verdict.good_signals_one" if signals == 1 else "verdict.good_signals",
            signals=signals,
            **slots,
        ), "ink"
    return say("verdict.good", **slots), "ink"


def sure_words(lens: Lens) -> str:
    """What the measured parts prove about all parts."""
    study, voice = lens.study, lens.voice
    n, k = study.measured, len(study.outside)
    if not n or not study.made:
        return ""
    lower, upper = share_outside(k, n)
    bound = (
        voice.say("verdict.bound", n=n, upper=voice.share(upper))
        if k == 0
        else voice.say(
            "verdict.bound_some", k=k, n=n, lower=voice.share(lower), upper=voice.share(upper)
        )
    )
    return voice.say(
        "verdict.sure", measured=n, made=study.made, share=voice.share(n / study.made), bound=bound
    )


def share_outside(k: int, n: int) -> tuple[float, float]:
    """
    Exact 95 % bounds on the share of parts outside, from `k` found in `n` measured.

    One-sided when none was found, two-sided otherwise [1]_.

    References
    ----------
    .. [1] C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404-413.

    Examples
    --------
    >>> [round(bound, 4) for bound in share_outside(0, 100)]  # 1 - 0.05**(1/100)
    [0.0, 0.0295]
    """
    from scipy.special import betaincinv

    if k == 0:
        return 0.0, float(1 - 0.05 ** (1 / n))
    upper = 1.0 if k == n else float(betaincinv(k + 1, n - k, 0.975))
    return float(betaincinv(k, n - k + 1, 0.025)), upper


def _counts(lens: Lens) -> tuple[Term, ...]:
    study, say = lens.study, lens.voice.say
    reground = sum(act.kind == "regrind" for act in study.acts)
    counts = [
        ("made", study.made),
        ("measured", study.measured),
        ("outside", len(study.outside)),
        ("to_hold", held_count(lens)),
        ("reworked", reground),
    ]
    return tuple(Term(say(f"handover.{name}"), str(value)) for name, value in counts)


# --- features -------------------------------------------------------------------------------------


def feature_table(lens: Lens) -> Table:
    """Each feature in one line."""
    say = lens.voice.say
    head = ("feature", "limits", "level", "spread", "out", "steady", "capability")
    rows = [_feature_row(f) for f in lens.features]
    return Table(
        tuple(say(f"handover.{h}") for h in head), tuple(rows), frozenset({2, 3, 4}), tight=True
    )


def _feature_row(lens: FeatureLens) -> tuple[str, ...]:
    study, say = lens.of, lens.lens.voice.say
    n = len(study.series)
    stable = {None: "page.not_enough", True: "handover.yes", False: "handover.no"}
    return (
        lens.name,
        lens.limits,
        level_words(lens) if n else "–",
        lens.estimate(study.sloping.sigma) if study.sloping else say("page.not_enough"),
        f"{len(study.outside)} / {n}",
        say(stable[study.stability.stable]),
        claim(lens),
    )


# --- signals, acts, gauge, wheel ------------------------------------------------------------------


def _signals(lens: Lens) -> tuple[str, ...]:
    found = [(int(f.of.series.parts[s.last]), f, s) for f in lens.features for s in f.of.signals]
    if not found:
        return (lens.voice.say("handover.no_signals"),)
    found.sort(key=itemgetter(0))
    words = [signal_words(feature, signal) for _, feature, signal in found[-MOST_SIGNALS:]]
    more = len(found) - len(words)
    return (*words, lens.voice.say("handover.more", n=more)) if more else tuple(words)


def signal_words(lens: FeatureLens, signal: object) -> str:
    """A signal with its feature and its parts."""
    parts = lens.of.series.parts
    first, last = (int(parts[getattr(signal, k)]) for k in ("first", "last"))
    return lens.lens.voice.say(
        "handover.signal",
        feature=lens.name,
        parts=lens.lens.span(first, last),
        says=lens.lens.voice.retell(getattr(signal, "says", "")),
    )


def _gauge(lens: Lens) -> tuple[str, ...]:
    say = lens.voice.say
    masters = [act for act in lens.study.acts if act.kind == "master"]
    if not masters:
        first = say("handover.gauge_never")
    else:
        key = "handover.gauge_set_one" if len(masters) == 1 else "handover.gauge_set"
        first = say(key, n=len(masters), part=masters[-1].after_part)
    return (first, gauge_words(lens))


def gauge_words(lens: Lens) -> str:
    """Whether the gauge's steps are fine enough, in one sentence; whether it is stuck, first."""
    return " ".join([*alike_items(lens), *_steps_words(lens)])


def alike_items(lens: Lens) -> list[str]:
    """A question for each feature whose readings are all alike; a taper asks with its ends."""
    found = [f for f in lens.features if f.of.alike]
    own = [f for f in found if f.of.feature.between is None] or found
    return [alike_words(f) for f in own]


def alike_words(lens: FeatureLens) -> str:
    """What is asked about a feature whose readings are all alike."""
    return lens.lens.voice.say("gauge.says_alike", feature=lens.name, n=lens.of.alike)


def _steps_words(lens: Lens) -> list[str]:
    judged = [f for f in lens.features if f.of.resolution is not None]
    if not judged:
        few = not any(f.of.alike for f in lens.features)
        return [lens.voice.say("gauge.says_unsure")] if few else []
    coarse = [f.name for f in judged if f.of.resolution and f.of.resolution.misleading]
    if coarse:
        return [lens.voice.say("gauge.says_coarse", features=", ".join(coarse))]
    wide = [f.name for f in judged if f.of.resolution and f.of.resolution.coarse]
    if wide:
        return [lens.voice.say("gauge.says_wide", features=", ".join(wide))]
    return [lens.voice.say("gauge.says_fine")]


def _wheel(lens: Lens) -> tuple[str, ...]:
    say, since = lens.voice.say, lens.study.parts_since_dress
    if since is None:
        first = say("handover.wheel_unknown", why=say("next.since_unknown"))
    else:
        first = say("handover.wheel_since", since=lens.voice.count("next.since", since))
    return first, f"{say('next.left_label')}: {left_in_short(lens, lens.study.advice)}."


# --- what stays open ------------------------------------------------------------------------------


def open_items(lens: Lens) -> tuple[str, ...]:
    """What the next shift takes over undone."""
    say = lens.voice.say
    items = [*held_items(lens), *alike_items(lens), *contradicted_items(lens)]
    for feature in lens.features:
        held = {
            p for s in lens.held if s.feature == feature.of.name for p in range(s.first, s.last + 1)
        }
        doubt = [part for part in feature.of.in_doubt if part not in held]
        if doubt:
            items.append(say("handover.open_doubt", feature=feature.name, parts=lens.parts(doubt)))
    asked = (r for r in lens.study.remarks if r.startswith(QUESTION))
    items += dict.fromkeys(_asked(lens, remark) for remark in asked)
    rejects = len(lens.study.run.rejects)
    if rejects:
        key = "handover.open_rejects_one" if rejects == 1 else "handover.open_rejects"
        items.append(say(key, n=rejects))
    return tuple(items)


def _sheet_items(lens: Lens) -> tuple[str, ...]:
    """The same for the sheet, where the spans named beside a HOLD need not stand twice."""
    items, named = open_items(lens), min(len(lens.held), MOST_BY_THE_ACT)
    if lens.study.advice.action != "hold" or not named:
        return items
    return (lens.voice.count("handover.open_named", named), *items[named:])


def _asked(lens: Lens, remark: str) -> str:
    words = lens.voice.retell(remark.removeprefix(QUESTION), 300)
    ending = "" if words.endswith((".", "?", "!")) else "."
    # The name of a file or a feature begins the question as it is written.
    names = [r"[^\s,:]*\.\w+\b", *(re.escape(feature.name) for feature in lens.features)]
    own = re.match("|".join(names), words)
    return (words if own else words[:1].upper() + words[1:]) + ending


def outside_words(lens: Lens) -> tuple[str, ...]:
    """The parts outside with what they measured, the last ones when they are many."""
    found = [(part, feature) for feature in lens.features for part in feature.of.outside]
    found.sort(key=lambda pair: pair[0])
    words = [
        lens.voice.say(
            "handover.out_part",
            feature=feature.name,
            part=lens.part(part),
            size=feature.told(feature.value_at(part)),
            limits=feature.limits,
        )
        for part, feature in found[-MOST_OUTSIDE:]
    ]
    more = len(found) - len(words)
    return (*words, lens.voice.say("handover.out_more", n=more)) if more else tuple(words)


def _most(lens: Lens, items: tuple[str, ...]) -> tuple[str, ...]:
    """As many as the sheet holds, the others counted; that nothing is open when nothing is."""
    if not items:
        return (lens.voice.say("handover.no_open"),)
    more = len(items) - MOST_OPEN
    return items[:MOST_OPEN] + ((lens.voice.say("handover.more", n=more),) if more > 0 else ())


def expect(lens: Lens, advice: Advice) -> str:
    """What the next shift meets first: parts to hold, then the act."""
    then = _expect_act(lens, advice)
    if not lens.held or advice.action == "hold":
        return then
    return lens.voice.say("handover.expect_holds", parts=held_parts(lens), then=then)


def _expect_act(lens: Lens, advice: Advice) -> str:
    slots = {
        "when": when_words(lens, advice),
        "amount": move(lens, advice) if advice.action == "offset" else _raw_amount(lens, advice),
        "part": lens.part(lens.study.last_part),
        "subject": subject(lens, advice),
    }
    return lens.voice.say(f"handover.expect_{advice.action}", **slots)


def _raw_amount(lens: Lens, advice: Advice) -> str:
    if advice.amount is None:
        return ""
    unit = {"um": "µm"}.get(advice.amount_unit or "", advice.amount_unit or "")
    return f"{lens.voice.number(float(advice.amount), 1)} {unit}"
