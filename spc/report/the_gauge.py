"""The gauge: its steps, its repeats, its guard, and when it was set on its master."""

import numpy as np

from spc.report.gauge_figures import repeats_figure
from spc.report.handover import alike_words, gauge_words
from spc.report.lens import FeatureLens, Lens
from spc.report.pieces import Chapter, Picture, Table
from spc.report.voice import tame

#: Repeats that give the gauge a spread of its own, and those listed on the page.
FEWEST_REPEATS, MOST_LISTED = 3, 40


def chapters(lens: Lens) -> tuple[Chapter, ...]:
    """One table over all features, and the settings on a master."""
    say = lens.voice.say
    words = [gauge_words(lens)]
    misread = sum(len(f.of.series.misread) for f in lens.features)
    if misread:
        words.append(say("gauge.misread", n=misread))
    masters = _masters(lens)
    if masters is None:
        words.append(say("handover.gauge_never"))
    tables = (_table(lens), *([masters] if masters else []))
    pictures = tuple(p for f in lens.features for p in [_repeats(f)] if p is not None)
    return (Chapter(say("gauge.table"), tuple(words), pictures, tables),)


def _table(lens: Lens) -> Table:
    head = ("feature", "step", "plan_step", "sigma", "ratio", "repeats", "guard", "words")
    rows = tuple(_row(f) for f in lens.features)
    return Table(tuple(lens.voice.say(f"gauge.{h}") for h in head), rows, frozenset({1, 2, 3, 4}))


def _row(lens: FeatureLens) -> tuple[str, ...]:
    say, voice, seen = lens.lens.voice.say, lens.lens.voice, lens.of.resolution
    feature = lens.of.feature
    guard = (
        say(
            "gauge.guard_value",
            g=voice.number(0.825 * feature.uncertainty_um, 2),
            u=voice.number(feature.uncertainty_um, 2),
        )
        if feature.uncertainty_um
        else say("gauge.guard_none")
    )
    unsure = say("page.not_enough")
    return (
        lens.name,
        unsure if seen is None or not seen.step else voice.um(seen.step, 2),
        voice.um(feature.gauge_step_um, 2),
        unsure if seen is None else lens.estimate(seen.sigma),
        unsure if seen is None or not seen.ratio else voice.number(seen.ratio, 2),
        repeats_words(lens),
        guard,
        voice.retell(seen.words) if seen else alike_words(lens) if lens.of.alike else unsure,
    )


def repeats_words(lens: FeatureLens) -> str:
    """
    The gauge's own spread from repeat readings, with its 95 % bounds from chi-square.

    Without repeats it is the plan's word.
    """
    say, voice = lens.lens.voice.say, lens.lens.voice
    sums, freedom = repeat_scatter(lens)
    if freedom < FEWEST_REPEATS:
        return say("gauge.repeat_none", sd=voice.number(lens.of.feature.gauge_sd_um, 2))
    from scipy.special import chdtri

    low, high = (float(np.sqrt(sums / chdtri(freedom, p))) for p in (0.025, 0.975))
    sd = voice.number(float(np.sqrt(sums / freedom)), 2)
    return say(
        "gauge.repeat_value", sd=sd, low=voice.number(low, 2), high=voice.number(high, 2), n=freedom
    )


def repeat_scatter(lens: FeatureLens) -> tuple[float, int]:
    """Sum of squares of the readings about their part's mean, and its degrees of freedom."""
    parts, away = repeats(lens)
    return float((away**2).sum()), len(parts) - len(np.unique(parts))


def repeats(lens: FeatureLens) -> tuple[np.ndarray, np.ndarray]:
    """Part of every reading that has a repeat, and its distance from the mean of its part. [µm]"""
    table = lens.lens.study.run.measurements
    kept = np.ones(len(table), dtype=bool)
    kept[lens.of.series.misread] = False
    mine = kept & (table["feature"] == lens.of.name).to_numpy()
    part = table["part"].to_numpy()[mine]
    values = table["deviation_um"].to_numpy()[mine]
    _, group, counts = np.unique(part, return_inverse=True, return_counts=True)
    if not len(values):
        return part, values
    away = values - (np.bincount(group, values) / counts)[group]
    again = counts[group] > 1
    return part[again], away[again]


def _repeats(lens: FeatureLens) -> Picture | None:
    """Repeat readings along the run; None for too few to give a spread."""
    say, voice = lens.lens.voice.say, lens.lens.voice
    sums, freedom = repeat_scatter(lens)
    if freedom < FEWEST_REPEATS or not sums:
        return None
    parts, away = repeats(lens)
    sd = float(np.sqrt(sums / freedom))
    out = int(np.count_nonzero(np.abs(away) > 2 * sd))
    rows = tuple(
        (str(int(part)), voice.number(float(value), lens.digits + 1, signed=True))
        for part, value in list(zip(parts, away, strict=True))[-MOST_LISTED:]
    )
    head = (say("gauge.repeats_part"), say("gauge.repeats_away"))
    return Picture(
        key=f"repeats-{lens.place}",
        title=say("gauge.repeats_title", feature=lens.name),
        caption=say(
            "gauge.repeats_says", n=len(parts), feature=lens.name, sd=voice.um(sd, 2), out=out
        ),
        spec=repeats_figure(lens, parts, away, sd),
        tables=(Table(head, rows, frozenset({0, 1})),),
    )


def _masters(lens: Lens) -> Table | None:
    say = lens.voice.say
    acts = [a for a in lens.study.acts if a.kind == "master"]
    if not acts:
        return None
    rows = tuple(
        (str(a.after_part), lens.voice.clock(a.time) if a.time else "", tame(a.note, 80))
        for a in acts
    )
    head = tuple(say(f"handover.{h}") for h in ("after", "time", "note"))
    return Table(head, rows, caption=say("gauge.masters"))
