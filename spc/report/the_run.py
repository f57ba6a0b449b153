"""The run: each feature's way through the shift, its chart, its signals, its flagged parts."""

from itertools import groupby, islice

import numpy as np

from spc.charts.limits import Chart
from spc.report.acts_done import acts_table
from spc.report.handover import alike_words, open_items
from spc.report.lens import FeatureLens, Lens
from spc.report.level import level_of, level_words
from spc.report.limit_changes import change_words
from spc.report.more_figures import more_pictures, not_drawn, sentence
from spc.report.pieces import Chapter, Picture, Table
from spc.report.run_figures import (
    MOST_JOINED,
    beyond_picture,
    crowded,
    individuals_figure,
    size_figure,
    sloping_figure,
    unit_words,
)
from spc.report.steel import MOST_DRAWN, evenly, thinned
from spc.report.voice import tame

#: Flagged parts listed in a table on the page; the rows beside it hold all.
MOST_LISTED = 40
#: Acts listed on the page; the events beside it hold all.
MOST_ACTS = 80
#: A chart is drawn from this many measured parts on; the study uses the same number.
FEWEST = 8
#: Share of the limit by which limits of single parts may differ before the page says so.
UNEQUAL = 0.1


def chapters(lens: Lens) -> tuple[Chapter, ...]:
    """One chapter per feature, the lead first; then every act, and all that is still open."""
    return (*(_chapter(feature) for feature in lens.features), *_acts(lens), *_still_open(lens))


def _acts(lens: Lens) -> list[Chapter]:
    acts = list(lens.study.acts)
    if not acts:
        return []
    shown = acts[-MOST_ACTS:]
    words = []
    if len(acts) > len(shown):
        words.append(lens.voice.say("run.acts_last", n=len(shown), total=len(acts)))
    table = acts_table(lens, shown)
    return [Chapter(lens.voice.say("handover.acts"), tuple(words), tables=(table,))]


def _still_open(lens: Lens) -> list[Chapter]:
    items = open_items(lens)
    return [Chapter(lens.voice.say("handover.open"), notes=items)] if items else []


def _chapter(lens: FeatureLens) -> Chapter:
    count, series = lens.lens.voice.count, lens.of.series
    if not len(series):
        return Chapter(lens.name, (count("run.few", 0, feature=lens.name, need=FEWEST),))
    pictures = [_size(lens)]
    if lens.of.sloping is not None:
        pictures.append(about_picture(lens, lens.of.sloping))
    if lens.of.individuals is not None:
        pictures.append(_individuals(lens))
    pictures.extend(more_pictures(lens))
    words = []
    if lens.of.alike:
        words.append(alike_words(lens))
    elif lens.of.sloping is None:
        words.append(count("run.few", len(series), feature=lens.name, need=FEWEST))
    notes = tuple(not_drawn(lens))
    return Chapter(lens.name, tuple(words), tuple(pictures), _tables(lens), notes=notes)


# --- size -----------------------------------------------------------------------------------------


def _size(lens: FeatureLens) -> Picture:
    say = lens.lens.voice.say
    return Picture(
        key=f"size-{lens.place}",
        title=say("run.size_title", feature=lens.name),
        caption=" ".join(size_words(lens)),
        spec=size_figure(lens, lens.lens.study.acts),
        tables=(_levels_table(lens),),
        legend=_legend(lens),
        notes=tuple(_drawing_notes(lens)),
    )


def _chart_legend(lens: FeatureLens, chart: Chart) -> tuple[tuple[str, str], ...]:
    say = lens.lens.voice.say
    dressed = any(act.kind in ("dress", "wheel") for act in lens.lens.study.acts)
    beyond = bool(np.any(chart.beyond))
    upright = say("more.dresses_top" if crowded(lens) else "run.upright")
    marks = [("dress", upright)] if dressed else []
    marks += [("check", say("flag.beyond"))] if beyond else []
    marks += [("hold", say("flag.outside"))] if lens.of.outside else []
    left_out = chart.base is not None and len(chart.base.excluded) > 0
    return (*marks, *([("excluded", say("flag.excluded"))] if left_out else []))


def _legend(lens: FeatureLens) -> tuple[tuple[str, str], ...]:
    """The marks in the picture, each with what it stands for, once."""
    words: dict[str, str] = {}
    for kinds, key in ((("offset",), "offset"), (("dress", "wheel"), "dress")):
        if any(act.kind in kinds for act in lens.lens.study.acts):
            words[key] = lens.lens.voice.say("run.done", act=lens.lens.voice.say(f"event.{key}"))
    for part, mark in lens.flags.items():
        if mark not in words:
            words[mark] = lens.why_flagged(part)
    return tuple(words.items())


def size_words(lens: FeatureLens) -> list[str]:
    """What the size picture shows, in sentences."""
    say, of = lens.lens.voice.say, lens.of
    y, feature = of.series.deviation_um, of.feature
    n = len(y)
    words = []
    if of.outside:
        words.append(
            say(
                "run.size_out",
                out=len(of.outside),
                n=n,
                feature=lens.name,
                limits=lens.limits,
                parts=lens.lens.parts(of.outside),
            )
        )
    else:
        slots = {"feature": lens.name, "limits": lens.limits}
        words.append(lens.lens.voice.count("run.size_in", n, **slots))
    if feature.upper_um is not None and feature.lower_um is not None and not of.outside:
        share = float(np.ptp(y)) / (feature.upper_um - feature.lower_um)
        words.append(say("run.size_used", share=lens.lens.voice.share(share)))
    if of.in_doubt:
        words.append(say("run.size_doubt", parts=lens.lens.parts(of.in_doubt)))
    slots = {"level": level_words(lens)}
    level = level_of(lens)
    if level.left is not None:
        return [*words, say("run.size_left", **slots)]
    by_mean = level.mean_of is not None
    if feature.target_um is None or feature.zero_bounded:
        return [*words, say("run.size_mean_free" if by_mean else "run.size_level_free", **slots)]
    slots["target"] = lens.um(feature.target_um)
    return [*words, say("run.size_mean" if by_mean else "run.size_level", **slots)]


def _drawing_notes(lens: FeatureLens) -> list[str]:
    say, n = lens.lens.voice.say, len(lens.of.series)
    notes = []
    off = beyond_picture(lens)
    if off:
        notes.append(say("page.off_scale", n=off))
    if n > MOST_DRAWN:
        flagged = np.isin(lens.of.series.parts, list(lens.flags))
        notes.append(say("page.thinned", drawn=len(thinned(flagged)), total=n))
    return notes


def _levels_table(lens: FeatureLens) -> Table:
    """Limits, target and what the parts did against them."""
    say, of = lens.lens.voice.say, lens.of
    y, feature, guarded = of.series.deviation_um, of.feature, lens.guarded
    lines: list[tuple[str, float | None]] = [
        (say("run.upper"), feature.upper_um),
        (f"{say('run.guarded')}, {say('run.upper')}", feature.guarded_um[1] if guarded else None),
        (say("run.target"), feature.target_um),
        (f"{say('run.guarded')}, {say('run.lower')}", feature.guarded_um[0] if guarded else None),
        (say("run.lower"), feature.lower_um),
        (say("run.largest"), float(y.max())),
        (say("run.mean"), float(y.mean())),
        (say("run.smallest"), float(y.min())),
    ]
    sized = ["size"] if feature.nominal_mm is not None else []
    rows = tuple(
        (name, lens.bare(value, finer=1), *(lens.size(value) for _ in sized))
        for name, value in lines
        if value is not None and np.isfinite(value)
    )
    head = (say("run.line"), unit_words(lens), *(say(f"run.{h}") for h in sized))
    return Table(head, rows, frozenset({1, 2}))


# --- charts ---------------------------------------------------------------------------------------


def about_picture(lens: FeatureLens, chart: Chart) -> Picture:
    """Single parts about their wear line, and the signals found there."""
    say, stability = lens.lens.voice.say, lens.of.stability
    key = "run.sloping_unjudged" if stability.stable is None else "run.sloping_judged"
    says = say(key, feature=lens.name, words=lens.lens.voice.retell(stability.words))
    rests = [
        *_honest(lens),
        *change_words(lens, chart, lens.of.series.parts),
        _base_sentence(lens),
        *_unequal(lens, chart),
        *_thinned_note(lens),
    ]
    reach = (float(chart.lower[-1] - chart.center[-1]), float(chart.upper[-1] - chart.center[-1]))
    rows = (
        (say("run.upper"), lens.bare(reach[1], finer=1)),
        (say("run.centre"), lens.bare(0.0, finer=1)),
        (say("run.lower"), lens.bare(reach[0], finer=1)),
        (say("handover.spread"), lens.lens.voice.number(chart.sigma, lens.digits + 2)),
    )
    signals = _listed(lens)
    if len(signals) == MOST_LISTED:
        rests.append(say("run.signals_listed", n=MOST_LISTED))
    tables = [Table((say("run.line"), say("run.y_bare")), rows, frozenset({1}))]
    if signals:
        head = tuple(say(f"run.{k}") for k in ("signal", "parts", "says", "source"))
        tables.append(Table(head, signals))
    return Picture(
        key=f"about-{lens.place}",
        title=say("run.sloping_title", feature=lens.name),
        caption=says,
        spec=sloping_figure(lens, chart),
        tables=tuple(tables),
        legend=_chart_legend(lens, chart),
        notes=tuple(rests),
    )


def _unequal(lens: FeatureLens, chart: Chart) -> list[str]:
    """That the limits drawn are those of the last part, where others lie clearly elsewhere."""
    first = chart.changes[-1].position if chart.changes else 0
    reach = np.asarray(chart.upper - chart.center, dtype=float)[first:]
    low, high = (lens.bare(float(v), finer=1) for v in (reach.min(), reach.max()))
    if np.ptp(reach) <= UNEQUAL * reach[-1]:
        return []
    return [lens.lens.voice.say("run.unequal", low=low, high=high)]


def _listed(lens: FeatureLens) -> tuple[tuple[str, ...], ...]:
    """The signals as rows; single points that signal one after another share one."""
    alike = groupby(
        enumerate(lens.of.signals),
        key=lambda each: (
            each[1].pattern, each[1].side,
            each[1].first - each[0] if each[1].first == each[1].last else each[0],
        ),
    )  # fmt: skip
    rows = []
    for (pattern, _, _), group in islice(alike, MOST_LISTED):
        run = [signal for _, signal in group]
        first, last = (int(lens.of.series.parts[at]) for at in (run[0].first, run[-1].last))
        says = lens.lens.voice.retell(run[0].says)
        if len(run) > 1:
            says = lens.lens.voice.say("run.each", count=len(run), says=says)
        rows.append(
            (pattern.replace("_", " "), lens.lens.span(first, last), says, tame(run[0].source))
        )
    return tuple(rows)


def _honest(lens: FeatureLens) -> list[str]:
    """How often the chart cries wolf by chance, and everything that speaks against it."""
    voice, words = lens.lens.voice, []
    if lens.of.false_alarms:
        words.append(voice.say("run.false_alarms", words=voice.retell(lens.of.false_alarms)))
    return [*words, *(sentence(voice.retell(doubt.says)) for doubt in lens.of.doubts)]


def _base_sentence(lens: FeatureLens) -> str:
    return lens.lens.voice.say("run.chart_base", base=tame(lens.of.base_words))


def _individuals(lens: FeatureLens) -> Picture:
    say, pair = lens.lens.voice.say, lens.of.individuals
    if pair is None:
        raise ValueError(f"{lens.name} has no chart of single parts")
    beyond = lens.of.series.parts[np.asarray(pair.location.beyond, dtype=bool)].tolist()
    low, high = (
        lens.bare(float(v[-1]), finer=1) for v in (pair.location.lower, pair.location.upper)
    )
    key = "run.chart_loud" if beyond else "run.chart_quiet"
    words = [
        say(
            key,
            feature=lens.name,
            lower=low,
            upper=high,
            n=len(beyond),
            total=len(lens.of.series),
            parts=lens.lens.parts(beyond) if beyond else "",
        )
    ]
    steps = int(np.count_nonzero(np.asarray(pair.spread.beyond, dtype=bool)))
    limit = lens.lens.voice.number(float(pair.spread.upper[-1]), lens.digits + 1)
    if steps:
        words.append(say("run.chart_steps", n=steps, limit=limit))
    rests = [say("run.chart_trend")] if beyond and lens.of.feature.is_size else []
    rests += [_base_sentence(lens), *_thinned_note(lens)]
    return Picture(
        key=f"single-{lens.place}",
        title=say("run.chart_title", feature=lens.name),
        caption=" ".join(words),
        spec=individuals_figure(lens, pair),
        tables=(_chart_table(lens),),
        legend=_chart_legend(lens, pair.location),
        notes=tuple(rests),
    )


def _chart_table(lens: FeatureLens) -> Table:
    say, pair = lens.lens.voice.say, lens.of.individuals
    rows = []
    for chart, name in ((pair.location, "run.single"), (pair.spread, "run.steps")) if pair else ():
        rows.append(
            (
                say(name),
                *(
                    lens.lens.voice.number(float(v[-1]), lens.digits + 1)
                    for v in (chart.lower, chart.center, chart.upper)
                ),
            )
        )
    head = tuple(say(f"run.{h}") for h in ("what_um", "lower", "centre", "upper"))
    return Table(head, tuple(rows), frozenset({1, 2, 3}))


def _thinned_note(lens: FeatureLens) -> list[str]:
    n = len(lens.of.series)
    if n <= MOST_JOINED:
        return []
    return [lens.lens.voice.say("page.joined", drawn=len(evenly(n, MOST_JOINED)), total=n)]


# --- tables ---------------------------------------------------------------------------------------


def _tables(lens: FeatureLens) -> tuple[Table, ...]:
    say = lens.lens.voice.say
    flags = sorted(lens.flags)
    if not flags:
        return ()
    at = {int(p): i for i, p in enumerate(lens.of.series.parts.tolist())}
    shown = flags[-MOST_LISTED:]
    serials = lens.lens.serials
    # A part whose only value is beyond belief is flagged, but stands in no chart.
    told = lens.clocks([at[part] for part in shown if part in at])
    clock_of = dict(zip((part for part in shown if part in at), told, strict=True))
    clocks = [clock_of.get(part, "") for part in shown]
    sized = ["size"] if lens.of.feature.nominal_mm is not None else []
    named, timed = (["serial"] if serials else []), (["time"] if any(clocks) else [])
    rows = []
    for part, clock in zip(shown, clocks, strict=True):
        value = lens.value_at(part)
        row = [str(part), *(serials.get(part, "") for _ in named), *(clock for _ in timed)]
        row += [lens.bare(value), *(lens.size(value) for _ in sized), lens.why_flagged(part)]
        rows.append(tuple(row))
    head = [*(say(f"run.{h}") for h in ("part", *named, *timed)), unit_words(lens)]
    head += [say(f"run.{h}") for h in (*sized, "flag")]
    first = 1 + len(named) + len(timed)
    caption = say("run.flagged_title", feature=lens.name)
    if len(flags) > MOST_LISTED:
        caption = f"{caption}: {say('run.flagged_last', n=MOST_LISTED, total=len(flags))}"
    return (
        Table(
            tuple(head),
            tuple(rows),
            frozenset({0, first, *(first + 1 for _ in sized)}),
            caption,
            tuple(lens.flags[p] for p in shown),
        ),
    )
