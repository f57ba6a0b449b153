"""The same conclusions for a terminal: ten lines at most, and the one next act."""

from datetime import UTC, datetime

from spc.findings import Study
from spc.report.claims import claim
from spc.report.handover import (
    MOST_OPEN,
    gauge_words,
    open_items,
    outside_words,
    verdict_of,
)
from spc.report.holds import cleared_words
from spc.report.lens import Lens
from spc.report.level import level_words
from spc.report.next_cut import act_lines, next_cut
from spc.report.voice import tame, voice

#: Lines of a check; features named on their own line, the others are on the page.
MOST_LINES, MOST_FEATURES = 10, 4


def check_lines(study: Study, *, locale: str | None = None) -> list[str]:
    """How the run stands, in at most ten tab-separated lines."""
    lens = Lens(study, voice(locale=locale, zone=study.plan.zone))
    say, advice = lens.voice.say, study.advice
    verdict, _ = verdict_of(lens)
    shown = [f for f in lens.features if len(f.of.series)][:MOST_FEATURES]
    told = " ".join([verdict, *outside_words(lens), *cleared_words(lens)])
    lines = [f"{tame(study.plan.job.part, 60)}\t{told}"]
    for feature in shown:
        stable = {None: "page.not_enough", True: "handover.yes", False: "handover.no"}
        lines.append(
            "\t".join(
                (
                    feature.name,
                    f"{say('handover.level')} {level_words(feature)}",
                    f"{say('handover.out')} {len(feature.of.outside)} / {len(feature.of.series)}",
                    f"{say('handover.steady')}: {say(stable[feature.of.stability.stable])}",
                    f"{say('handover.capability')}: {claim(feature)}",
                )
            )
        )
    lines.append(f"{say('page.gauge')}\t{gauge_words(lens)}")
    last = [
        f"{say('page.next_cut')}\t{say(f'action.{advice.action}')}: "
        f"{' '.join(act_lines(lens, advice))}",
        f"{say('next.why')}\t{lens.with_serials(lens.voice.retell(advice.evidence, 500))}",
    ]
    return [*lines, *_still_open(lens, MOST_LINES - len(lines) - len(last)), *last]


def _still_open(lens: Lens, room: int) -> list[str]:
    """Open items on as many lines as there is room for, the last line taking what is left."""
    say, items = lens.voice.say, list(open_items(lens)) or [lens.voice.say("handover.no_open")]
    more = len(items) - MOST_OPEN
    items = items[:MOST_OPEN] + ([say("handover.more_page", n=more)] if more > 0 else [])
    told = [*items[: room - 1], " ".join(items[room - 1 :])]
    return [f"{say('handover.open')}\t{item}" for item in told if item]


def advise_lines(study: Study, *, locale: str | None = None) -> list[str]:
    """The one next act: what, how to type it, why, what to look at first, when to measure."""
    lens = Lens(study, voice(locale=locale, zone=study.plan.zone))
    say = lens.voice.say
    # Age of the data is the page's matter; a terminal shows what was just read.
    told = next_cut(lens, lens.last_time or datetime.now(UTC))
    lines = [f"{told.word}\t{' '.join(told.do)}", f"{say('next.why')}\t{told.evidence}"]
    if told.check_first:
        lines.append(f"{say('next.check_first')}\t{told.check_first}")
    measure, left = told.terms[0], told.terms[1]
    lines.append(f"{measure.name}\t{measure.text}")
    lines.append(f"{left.name}\t{' · '.join(filter(None, (left.text, left.note)))}")
    if told.cautions:
        lines.append(" ".join(told.cautions))
    return lines
