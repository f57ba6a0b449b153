"""The page of a gauge study: how much of what is seen comes from the gauge and its people."""

from collections.abc import Sequence
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from spc.gauge.study import VarianceStudy
from spc.report.contents import Page
from spc.report.gauge_bias import bias_chapter, known_rows
from spc.report.gauge_figures import people_figure, sources_figure
from spc.report.known_parts import KnownParts
from spc.report.pieces import Chapter, Picture, Section, Table, Term
from spc.report.voice import Voice, tame

Floats = NDArray[np.float64]


def gauge_study_page(
    found: VarianceStudy | None,
    readings: Floats | None,
    *,
    title: str,
    people: Sequence[str],
    parts: Sequence[str],
    voice: Voice,
    moment: datetime,
    known: KnownParts | None = None,
) -> Page:
    """
    The page of a study of people, parts and trials, of readings of known parts, or of both.

    Parameters
    ----------
    found : VarianceStudy or None
        What the study of people and parts says; lengths in µm.
    readings : array, shape (people, parts, trials), or None
        What was read; None together with `found`. [µm]
    title : str
        What was measured, and with what.
    people, parts : sequence of str
        Their names, in that order.
    voice : Voice
        Language, decimal mark and local time.
    moment : datetime
        When the page was made.
    known : KnownParts, optional
        The same readings beside the true values of the parts, where those are known.
    """
    say = voice.say
    made_at = say("page.made_at", local=voice.day_and_clock(moment), utc=voice.utc(moment))
    name = tame(title, 120)
    chapters = [] if known is None else [bias_chapter(known, voice)]
    tables, span = [], ""
    if known is not None:
        tables.append(known_rows(known, voice))
        key = "bias.span_one" if len(known.sizes_um) == 1 else "bias.span"
        span = say(key, n=len(known.off_um), sizes=len(known.sizes_um))
    if found is not None and readings is not None:
        chapters.append(_spreads(found, readings, people, parts, voice))
        tables = tables or [_readings(readings, people, parts, voice)]
        span = say("gauge.study_span", people=len(people), parts=len(parts),
                   trials=readings.shape[-1])  # fmt: skip
    heading = say("gauge.study_rows" if known is None else "bias.rows")
    rows = Chapter(heading, tables=tuple(tables))
    return Page(
        kind="gauge_study",
        title=say("page.title", part=name, what=say("kinds.gauge_study"), when=made_at),
        part=name,
        heading=say("page.heading", part=name, what=say("kinds.gauge_study")),
        job_details=(),
        span=span,
        made_at=made_at,
        next_cut=None,
        handover=None,
        sections=(
            Section("gauge", say("page.gauge"), tuple(chapters)),
            Section("rows", say("page.readings"), (rows,)),
        ),
        provenance=None,
        anchors=(("gauge", say("page.gauge")), ("rows", say("page.readings"))),
    )


def _spreads(
    found: VarianceStudy, readings: Floats, people: Sequence[str], parts: Sequence[str],
    voice: Voice,
) -> Chapter:  # fmt: skip
    """How much of the spread is the gauge, the people, the parts."""
    pictures = (
        _people(readings, [tame(p, 40) for p in people], [tame(p, 40) for p in parts], voice),
        _sources(found, voice),
    )
    return Chapter(
        voice.say("gauge.study_says"), (_judgement(found, voice),), pictures,
        (_variance(found, voice),), tuple(_terms(found, readings, voice)),
    )  # fmt: skip


def _judgement(found: VarianceStudy, voice: Voice) -> str:
    words = voice.retell(found.spread.words)
    return words[:1].upper() + words[1:]


def _terms(found: VarianceStudy, readings: Floats, voice: Voice) -> list[Term]:
    say, spread = voice.say, found.spread
    if spread.hidden:
        return []
    low, high = (voice.um(v, 2) for v in found.gauge_bounds)
    terms = [
        Term(say("gauge.study_gauge"), voice.um(spread.gauge, 2),
             say("gauge.study_bounds", low=low, high=high)),
        Term(say("gauge.study_total"), voice.share(spread.share_of_total)),
        Term(say("gauge.study_categories"), str(spread.categories)),
    ]  # fmt: skip
    if spread.share_of_tolerance is not None:
        terms.insert(1, Term(say("gauge.study_tolerance"), voice.share(spread.share_of_tolerance)))
    return terms


def _people(readings: Floats, people: list[str], parts: list[str], voice: Voice) -> Picture:
    say = voice.say
    means = readings.mean(axis=(1, 2))
    high, low = int(means.argmax()), int(means.argmin())
    caption = say("gauge.people_says", high=people[high], low=people[low],
                  gap=voice.um(float(means[high] - means[low]), 2))  # fmt: skip
    rows = tuple(
        (part, *(voice.number(float(readings[k, j].mean()), 2) for k in range(len(people))))
        for j, part in enumerate(parts)
    )
    table = Table(
        (say("gauge.x_part"), *people), rows, frozenset(range(1, 1 + len(people))),
        say("gauge.people_means"),
    )  # fmt: skip
    return Picture(
        key="people", title=say("gauge.people_title"), caption=caption,
        spec=people_figure(readings, people, parts, voice), tables=(table,),
    )  # fmt: skip


def _sources(found: VarianceStudy, voice: Voice) -> Picture:
    say, spread = voice.say, found.spread
    shares = {key: spread.contribution(getattr(spread, key))
              for key in ("repeat", "people", "interaction", "part")}  # fmt: skip
    gauge = spread.contribution(spread.gauge)
    rows = tuple(
        (say(f"gauge.{key}"), voice.number(getattr(spread, key), 3), voice.share(share / 100))
        for key, share in shares.items()
    )
    head = (say("gauge.source"), say("gauge.spread_um"), say("gauge.x_share"))
    caption = say("gauge.sources_says", gauge=voice.share(gauge / 100),
                  part=voice.share(shares["part"] / 100))  # fmt: skip
    return Picture(
        key="sources", title=say("gauge.sources_title"), caption=caption,
        spec=sources_figure(spread, voice), tables=(Table(head, rows, frozenset({1, 2})),),
    )  # fmt: skip


def _variance(found: VarianceStudy, voice: Voice) -> Table:
    say, number = voice.say, voice.number

    def shown(value: float | None, digits: int) -> str:
        return "" if value is None else number(value, digits)

    rows = tuple(
        (tame(line.source), number(line.ss, 3), number(line.df, 0), number(line.ms, 3),
         shown(line.f, 2), "" if line.p_value is None else voice.chance(line.p_value))
        for line in found.lines
    )  # fmt: skip
    head = tuple(say(f"gauge.anova_{h}") for h in ("source", "ss", "df", "ms", "f", "p"))
    caption = say("gauge.anova_pooled") if found.pooled else say("gauge.anova")
    return Table(head, rows, frozenset({1, 2, 3, 4, 5}), caption)


def _readings(readings: Floats, people: Sequence[str], parts: Sequence[str], voice: Voice) -> Table:
    rows = tuple(
        (tame(person, 40), tame(part, 40),
         *(voice.number(float(v), 2) for v in readings[k, j]))
        for k, person in enumerate(people) for j, part in enumerate(parts)
    )  # fmt: skip
    say, trials = voice.say, range(readings.shape[-1])
    head = (say("gauge.person"), say("gauge.x_part"),
            *(say("gauge.trial", n=t + 1) for t in trials))  # fmt: skip
    return Table(head, rows, frozenset(2 + t for t in trials), tight=True)
