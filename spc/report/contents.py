"""From a study to a page: everything the template places, already text."""

from dataclasses import dataclass
from datetime import datetime

import spc
from spc.findings import Study
from spc.report import claims, proof, the_gauge, the_run, the_wheel
from spc.report.handover import Handover, handover
from spc.report.lens import Lens
from spc.report.next_cut import NextCut, next_cut
from spc.report.pieces import Chapter, Picture
from spc.report.proof import Provenance
from spc.report.voice import Voice, tame


@dataclass(frozen=True)
class Page:
    """One report. All numbers are text; `pictures` lists every figure of the page in order."""

    title: str
    job: str
    job_details: tuple[str, ...]
    span: str
    made_at: str
    next_cut: NextCut
    handover: Handover
    run: tuple[Chapter, ...]
    wheel: tuple[Chapter, ...]
    gauge: tuple[Chapter, ...]
    proof: tuple[Chapter, ...]
    provenance: Provenance
    version: str

    @property
    def pictures(self) -> tuple[Picture, ...]:
        """Every figure of the page, in order."""
        sections = (self.run, self.wheel, self.gauge, self.proof)
        return tuple(p for section in sections for chapter in section for p in chapter.pictures)


def page(study: Study, voice: Voice, moment: datetime) -> Page:
    """
    The page of a study, as it stood at `moment`.

    Parameters
    ----------
    study : Study
        What was concluded.
    voice : Voice
        Language, decimal mark and local time of what is said.
    moment : datetime
        When the page was made, with its zone.
    """
    lens = Lens(study, voice)
    job, say = study.plan.job, voice.say
    span = _span(lens)
    details = (
        say("page.drawing", drawing=tame(job.drawing)) if job.drawing else "",
        tame(job.operation),
        tame(job.machine),
    )
    return Page(
        title=say("page.title", part=tame(job.part, 80), when=span),
        job=tame(job.part, 120),
        job_details=tuple(filter(None, details)),
        span=span,
        made_at=say("page.made_at", local=voice.day_and_clock(moment), utc=voice.utc(moment)),
        next_cut=next_cut(lens, moment),
        handover=handover(lens),
        run=the_run.chapters(lens),
        wheel=the_wheel.chapters(lens),
        gauge=the_gauge.chapters(lens),
        proof=claims.chapters(lens),
        provenance=proof.provenance(lens, moment),
        version=spc.__version__,
    )


def _span(lens: Lens) -> str:
    study, voice = lens.study, lens.voice
    if study.shift is not None:
        shift = study.shift
        return voice.say(
            "page.shift",
            name=tame(shift.name, 40),
            start=voice.day_and_clock(shift.start),
            end=voice.clock(shift.end),
        )
    words = voice.say("page.whole_run", first=study.first_part, last=study.last_part)
    times = study.run.measurements["time"].dropna()
    if not len(times):
        return f"{words}, {voice.say('page.no_time')}"
    first, last = times.min().to_pydatetime(), times.max().to_pydatetime()
    return voice.say(
        "page.from_to", words=words, start=voice.day_and_clock(first), end=voice.day_and_clock(last)
    )
