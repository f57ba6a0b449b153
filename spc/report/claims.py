"""What may be claimed of each feature, in the order of the questions asked about it."""

import math

import numpy as np

from spc.capability.assessment import Capability
from spc.capability.indices import Index
from spc.report.lens import FeatureLens, Lens
from spc.report.pieces import Chapter, Picture, Table, Term
from spc.report.proof_figures import (
    bars_of,
    budget_figure,
    distribution_figure,
    expected_at,
    expected_in,
    plot_points,
    probability_figure,
)
from spc.report.voice import tame

#: Expected parts per million below this are said as "below 0.1".
_LEAST_PPM = 0.05
#: Points of the probability plot listed in its table.
_LISTED_SHARES = (0.00135, 0.01, 0.05, 0.25, 0.5, 0.75, 0.95, 0.99, 0.99865)


def chapters(lens: Lens) -> tuple[Chapter, ...]:
    """One chapter per feature, then where the tolerance goes."""
    found = [_chapter(f, f.of.capability) for f in lens.features if f.of.capability is not None]
    budgets = [
        (f.name, f.of.capability)
        for f in lens.features
        if f.of.capability is not None and f.of.capability.budget
    ]
    if budgets:
        found.append(_budget(lens, budgets))
    return tuple(found)


def _chapter(lens: FeatureLens, capability: Capability) -> Chapter:
    pictures = [distribution_picture(lens, capability)]
    if lens.shape_drawn is not None:
        pictures.append(probability_picture(lens, capability))
    retell = lens.lens.voice.retell
    return Chapter(
        title=lens.name,
        words=(retell(capability.verdict),),
        pictures=tuple(pictures),
        tables=(portions_table(lens, capability),),
        answers=tuple(answers(lens, capability)),
        notes=notes(lens, capability),
    )


# --- the questions --------------------------------------------------------------------------------


def answers(lens: FeatureLens, capability: Capability) -> list[Term]:
    """The questions an auditor asks, one after the other, each with its answer."""
    say, retell = lens.lens.voice.say, lens.lens.voice.retell
    model = f"{capability.model}: {capability.model_words}" if capability.model else ""
    found = (
        ("stable", retell(lens.of.stability.words)),
        ("model", retell(model) or say("page.not_enough")),
        ("shape", tame(capability.shape) or say("proof.no_shape")),
        ("index", _allowed(lens, capability)),
        ("sure", _performance(lens, "proof.performance_says") or claim(lens)),
    )
    return [Term(say(f"proof.{key}"), text) for key, text in found]


def claim(lens: FeatureLens) -> str:
    """The one index that may be quoted with its bounds, or why there is none."""
    say, capability = lens.lens.voice.say, lens.of.capability
    if lens.of.stability.stable is False:
        return _performance(lens, "proof.performance") or say("proof.not_steady")
    if capability is None:
        return say("page.not_enough")
    for portion in (capability.total, capability.within):
        for index in (portion.cpk, portion.cp):
            if index.value is not None and index.name in capability.allowed:
                return f"{index.name} {index_words(lens, index)}"
    return say("page.not_enough")


def _performance(lens: FeatureLens, key: str) -> str:
    """For a feature that is not steady: that there is no claim, and what it delivered."""
    capability = lens.of.capability
    if lens.of.stability.stable is not False or capability is None:
        return ""
    for index in (capability.total.cpk, capability.total.cp):
        if index.value is not None and index.name in capability.allowed:
            told = f"{index.name} {index_words(lens, index)}"
            return lens.lens.voice.say(key, index=told)
    return ""


def index_words(lens: FeatureLens, index: Index) -> str:
    """An index with its 95 % bounds, or in two words why it is not claimed."""
    voice = lens.lens.voice
    if index.value is None:
        return _withheld(lens, index)
    # Two digits, as the trade writes them; of an index above ten its bounds support one.
    digits = 1 if index.value >= 10 else 2
    shown = voice.number(index.value, digits)
    if index.lower is None:
        return shown
    low = voice.number(index.lower, digits)
    if index.upper is None or not math.isfinite(index.upper):
        return voice.say("proof.one_low", value=shown, low=low)
    return voice.say("proof.interval", value=shown, low=low, high=voice.number(index.upper, digits))


def _withheld(lens: FeatureLens, index: Index) -> str:
    """A reason that begins with its kind, cut down to it: the sentence stands below the table."""
    kind, colon, _ = index.why.partition(":")
    return lens.lens.voice.retell(kind if colon else index.why or "–", 60)


def _allowed(lens: FeatureLens, capability: Capability) -> str:
    performance = _performance(lens, "proof.performance_says")
    if performance:
        return performance
    if capability.allowed:
        return ", ".join(capability.allowed)
    return lens.lens.voice.retell(capability.not_enough or lens.lens.voice.say("page.none"))


# --- three numbers side by side -------------------------------------------------------------------


def portions_table(lens: FeatureLens, capability: Capability) -> Table:
    """Within, as delivered and compensated, side by side."""
    say = lens.lens.voice.say
    portions = (capability.within, capability.total, capability.compensated, capability.corrected)
    head = ("", *(say(f"proof.{k}") for k in ("within", "total", "compensated", "corrected")))
    sigma = tuple(
        "–" if p.sigma is None else lens.lens.voice.number(p.sigma, lens.digits + 1)
        for p in portions
    )
    rows = [(say("proof.sigma"), *sigma)]
    for key in ("cp", "cpk"):
        indices = [getattr(p, key) for p in portions]
        names = " / ".join(dict.fromkeys(i.name for i in indices))
        rows.append((names, *(index_words(lens, i) for i in indices)))
    rows.append((say("proof.ppm"), "", ppm_words(lens, capability.ppm), "", ""))
    words = tuple(lens.lens.voice.retell(p.words) for p in portions)
    return Table(head, (*rows, (say("run.says"), *words)))


def ppm_words(lens: FeatureLens, index: Index) -> str:
    """Expected parts per million outside, with bounds; two words while it cannot be said."""
    say, number = lens.lens.voice.say, lens.lens.voice.number
    if index.value is None:
        return _withheld(lens, index)

    def shown(value: float) -> str:
        if value < _LEAST_PPM:
            return say("proof.below", value=number(0.1, 1))
        # Beyond the second digit an estimate far out in the tail says nothing.
        return number(float(f"{value:.2g}"), 0 if value >= 10 else 1)

    if index.lower is None or index.upper is None:
        return shown(index.value)
    if index.upper < _LEAST_PPM:
        return shown(index.upper)
    low, high = shown(index.lower), shown(index.upper)
    return say("proof.interval", value=shown(index.value), low=low, high=high)


def notes(lens: FeatureLens, capability: Capability) -> tuple[str, ...]:
    """Why indices are withheld, what the drift hides, and what limits the claim; each once."""
    portions = (capability.within, capability.total, capability.compensated)
    withheld = [i for p in portions for i in (p.cp, p.cpk) if i.value is None]
    whys = [index.why for index in (*withheld, capability.ppm) if index.why]
    seen = [capability.drift_seen.words] if capability.drift_seen else []
    sentences = dict.fromkeys([*whys, *seen, *capability.remarks])
    told = (lens.lens.voice.retell(s[:1].upper() + s[1:]) for s in sentences)
    verdict = lens.lens.voice.retell(capability.verdict).rstrip(".")
    return tuple(words for words in told if words.rstrip(".") != verdict)  # said at the top


# --- pictures -------------------------------------------------------------------------------------


def distribution_picture(lens: FeatureLens, capability: Capability) -> Picture:
    """Parts by their value, against the limits and the shape taken."""
    say, voice = lens.lens.voice.say, lens.lens.voice
    edges, counts = bars_of(lens)
    width = float(edges[1] - edges[0])
    expected = expected_in(lens)
    rows = []
    for k, (edge, count) in enumerate(zip(edges.tolist(), counts.tolist(), strict=True)):
        wanted = "–" if expected is None else voice.number(float(expected[k]), 1)
        if count or wanted not in ("–", voice.number(0, 1)):
            ends = (voice.number(v, lens.digits + 1) for v in (edge, edge + width))
            rows.append((*ends, str(count), wanted))
    head = ("bar_from", "bar_to", "distribution_y", "expected")
    y = lens.of.series.deviation_um
    out = int(np.isin(lens.of.series.parts, lens.of.outside).sum())
    return Picture(
        key=f"distribution-{lens.place}",
        title=say("proof.distribution_title"),
        caption=say(
            "proof.distribution_out" if out else "proof.distribution_in",
            feature=lens.name,
            n=len(y),
            out=out,
            limits=lens.limits,
            low=lens.um(float(y.min())),
            high=lens.um(float(y.max())),
        ),
        spec=distribution_figure(lens),
        notes=(say("proof.distribution_shape", shape=tame(capability.shape)),)
        if capability.shape and lens.shape_drawn is not None
        else (),
        tables=(
            Table(tuple(say(f"proof.{h}") for h in head), tuple(rows), frozenset({0, 1, 2, 3})),
        ),
    )


def probability_picture(lens: FeatureLens, capability: Capability) -> Picture:
    """Parts in order of size against the shape taken."""
    say, voice = lens.lens.voice.say, lens.lens.voice
    wanted, seen = plot_points(lens)
    farthest = int(abs(seen - wanted).argmax())
    y = lens.of.series.deviation_um
    rows = []
    by_shape = expected_at(lens, np.array(_LISTED_SHARES)).tolist()
    for share, told in zip(_LISTED_SHARES, by_shape, strict=True):
        # Beyond the outermost parts the readings say nothing.
        inside = 0.5 / len(y) <= share <= 1 - 0.5 / len(y)
        found = lens.bare(float(np.quantile(y, share, method="hazen")), finer=1) if inside else "–"
        rows.append((f"{voice.number(100 * share, 3)} %", lens.bare(told, finer=1), found))
    head = ("share", "by_shape", "by_parts")
    return Picture(
        key=f"shape-{lens.place}",
        title=say("proof.shape_title"),
        caption=say(
            "proof.shape_says",
            shape=tame(capability.shape),
            gap=lens.estimate(abs(float(seen[farthest] - wanted[farthest]))),
            where=lens.um(float(seen[farthest])),
            n=len(y),
        ),
        spec=probability_figure(lens),
        notes=(say("proof.shape_line"),),
        tables=(Table(tuple(say(f"proof.{h}") for h in head), tuple(rows), frozenset({0, 1, 2})),),
    )


def _budget(lens: Lens, budgets: list[tuple[str, Capability]]) -> Chapter:
    say, voice = lens.voice.say, lens.voice
    words, rows = [], []
    for feature, capability in budgets:
        largest = max(capability.budget, key=lambda line: line[2])
        share = voice.share(largest[2])
        words.append(say("proof.budget", feature=feature, name=tame(largest[0]), share=share))
        rows += [
            (feature, tame(name, 60), voice.number(sigma, 2), voice.share(share))
            for name, sigma, share in capability.budget
        ]
    head = tuple(say(f"proof.budget_{h}") for h in ("feature", "name", "sigma", "share"))
    picture = Picture(
        key="budget",
        title=say("proof.budget_picture"),
        caption=" ".join(words),
        spec=budget_figure(budgets, voice),
        tables=(Table(head, tuple(rows), frozenset({2, 3})),),
    )
    return Chapter(say("proof.budget_title"), (), (picture,))
