"""From a study to a page: everything the template places, already text."""

from dataclasses import dataclass
from datetime import datetime

from spc.findings import Study
from spc.report import claims, proof, statement, the_gauge, the_run, the_wheel
from spc.report.handover import Handover, handover
from spc.report.lens import Lens
from spc.report.next_cut import NextCut, next_cut
from spc.report.pieces import Picture, Section
from spc.report.proof import Provenance
from spc.report.voice import Voice, tame

#: Kinds of page made from one study.
KINDS = ("report", "wheel", "gauge", "statement")


@dataclass(frozen=True)
class Page:
    """One page. All numbers are text; `pictures` lists every figure of the page in order."""

    kind: str
    title: str
    part: str
    heading: str
    job_details: tuple[str, ...]
    span: str
    made_at: str
    next_cut: NextCut | None
    handover: Handover | None
    sections: tuple[Section, ...]
    provenance: Provenance | None
    anchors: tuple[tuple[str, str], ...]
    signatures: tuple[str, ...] = ()

    @property
    def pictures(self) -> tuple[Picture, ...]:
        """Every figure of the page, in order."""
        return tuple(p for s in self.sections for chapter in s.chapters for p in chapter.pictures)


def page(
    study: Study, voice: Voice, moment: datetime, kind: str = "report", ledger_head: str = ""
) -> Page:
    """
    A page of a study, as it stood at `moment`.

    Parameters
    ----------
    study : Study
        What was concluded.
    voice : Voice
        Language, decimal mark and local time of what is said.
    moment : datetime
        When the page was made, with its zone.
    kind : str
        One of `KINDS`: the whole report; the wheel or the gauge alone; the capability statement.
    ledger_head : str
        Head of the hash chain of the ledger that the run came from; empty for plain files.
    """
    lens = Lens(study, voice)
    say, job = voice.say, study.plan.job
    whole = kind == "report"
    sections = _sections(lens, kind)
    front = [("next-cut", say("page.next_cut")), ("handover", say("page.handover"))]
    part = tame(job.part, 120)
    return Page(
        kind=kind,
        title=say("page.title", part=part, what=say(f"kinds.{kind}"), when=span_words(lens)),
        part=part,
        heading=part if whole else say("page.heading", part=part, what=say(f"kinds.{kind}")),
        job_details=job_details(lens),
        span=span_words(lens),
        made_at=say("page.made_at", local=voice.day_and_clock(moment), utc=voice.utc(moment)),
        next_cut=next_cut(lens, moment) if whole else None,
        handover=handover(lens) if whole else None,
        sections=sections,
        provenance=proof.provenance(lens, moment, ledger_head),
        anchors=(*(front if whole else ()), *((s.key, s.title) for s in sections)),
        signatures=statement.signatures(lens) if kind == "statement" else (),
    )


def _sections(lens: Lens, kind: str) -> tuple[Section, ...]:
    say = lens.voice.say
    run = Section("run", say("page.run"), the_run.chapters(lens), (say("page.zoom"),))
    wheel = Section("wheel", say("page.wheel"), the_wheel.chapters(lens))
    gauge = Section("gauge", say("page.gauge"), the_gauge.chapters(lens))
    source = Section("proof", say("page.proof"), ())
    if kind == "report":
        claimed = Section("proof", say("page.proof"), claims.chapters(lens), (say("proof.order"),))
        return run, wheel, gauge, claimed
    if kind == "statement":
        return (*statement.sections(lens), source)
    return {"wheel": wheel, "gauge": gauge}[kind], source


def job_details(lens: Lens) -> tuple[str, ...]:
    """Drawing, operation and machine, as far as the plan names them."""
    job = lens.study.plan.job
    drawing = lens.voice.say("page.drawing", drawing=tame(job.drawing)) if job.drawing else ""
    return tuple(filter(None, (drawing, tame(job.operation), tame(job.machine))))


def span_words(lens: Lens) -> str:
    """Which parts a page is about, and when they were made."""
    study, voice = lens.study, lens.voice
    if study.shift is not None:
        shift = study.shift
        start, end = voice.day_and_clock(shift.start), voice.clock(shift.end)
        if shift.kind == "wheel":  # a wheel may last for days, a shift does not
            end = (
                end if _same_day(shift.start, shift.end, voice) else voice.day_and_clock(shift.end)
            )
        key = f"page.span_{shift.kind}"
        return voice.say(key, name=tame(shift.name, 40), start=start, end=end)
    words = voice.say("page.whole_run", first=study.first_part, last=study.last_part)
    times = study.run.measurements["time"].dropna()
    if not len(times):
        return f"{words}, {voice.say('page.no_time')}"
    first, last = (
        t.tz_convert(study.plan.zone).to_pydatetime() for t in (times.min(), times.max())
    )
    end = voice.clock(last) if _same_day(first, last, voice) else voice.day_and_clock(last)
    return voice.say("page.from_to", words=words, start=voice.day_and_clock(first), end=end)


def _same_day(first: datetime, last: datetime, voice: Voice) -> bool:
    """Whether two moments share the date and the offset of the shop."""
    begin, end = first.astimezone(voice.zone), last.astimezone(voice.zone)
    return begin.date() == end.date() and begin.utcoffset() == end.utcoffset()
