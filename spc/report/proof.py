"""Proof: where every number comes from, what was left out, and how the adviser fared."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

import spc
from spc.report.lens import Lens
from spc.report.pieces import Table, Term
from spc.report.record import record_table, summary
from spc.report.voice import file_name, tame

#: Rejects listed on the page; the file beside it holds all.
MOST_LISTED = 60


@dataclass(frozen=True)
class Provenance:
    """Where everything on the page comes from."""

    files: Table
    limits: tuple[str, ...]
    exclusions: tuple[str, ...]
    remarks: tuple[str, ...]
    account: tuple[str, ...]
    rejects: Table | None
    record: str
    calls: Table | None
    self_check: tuple[Term, ...]
    made_with: tuple[str, ...]


def provenance(lens: Lens, moment: datetime, ledger_head: str = "") -> Provenance:
    """Files, plan, limits, exclusions, remarks, rejects, versions, times and the ledger's head."""
    study, voice, say = lens.study, lens.voice, lens.voice.say
    plan = study.plan
    versions = say(
        "proof.versions",
        version=spc.__version__,
        utc=voice.utc(moment),
        local=voice.day_and_clock(moment),
    )
    head = [say("proof.ledger_head", head=tame(ledger_head, 130))] if ledger_head else []
    zone = [] if plan.shifts.zone else [say("page.zone_missing")]
    return Provenance(
        files=_files(lens),
        limits=tuple(dict.fromkeys(_limits(lens))),
        exclusions=tuple(dict.fromkeys(_exclusions(lens))) or (say("proof.no_exclusions"),),
        remarks=tuple(dict.fromkeys(tame(r, 400) for r in study.remarks))
        or (say("proof.no_remarks"),),
        account=tuple(_account(lens)),
        rejects=_rejects(lens),
        record=summary(lens),
        calls=record_table(lens),
        self_check=tuple(
            Term(_check_name(lens, str(key)), _shown(lens, value))
            for key, value in study.self_check.items()
        ),
        made_with=(versions, *zone, *head),
    )


def _check_name(lens: Lens, key: str) -> str:
    return lens.voice.texts.get(f"proof.check_{key}") or tame(key.replace("_", " "), 60)


def _shown(lens: Lens, value: object) -> str:
    if isinstance(value, bool) or value is None:
        return {
            None: lens.voice.say("page.not_enough"),
            True: lens.voice.say("handover.yes"),
            False: lens.voice.say("handover.no"),
        }[value]
    if isinstance(value, int):
        return str(value)
    return lens.voice.number(value, 2) if isinstance(value, float) else tame(str(value), 200)


def _files(lens: Lens) -> Table:
    say, table = lens.voice.say, lens.study.run.measurements
    used = table.groupby("source", observed=True)["row"].agg(["min", "max"])
    rows = []
    for source in lens.study.run.sources:
        spans = used.loc[source.name] if source.name in used.index else None
        shown = "–" if spans is None else f"{int(spans['min'])} … {int(spans['max'])}"
        rows.append((file_name(source.name), shown, str(source.lines), source.sha256))
    plan = lens.study.plan
    rows.append((file_name(plan.source or say("proof.plan")), "–", "–", plan.sha256))
    head = tuple(say(f"proof.{h}") for h in ("file", "rows", "lines", "sha"))
    return Table(head, tuple(rows), frozenset({2}), say("proof.files"))


def _limits(lens: Lens) -> Iterator[str]:
    say, plan = lens.voice.say, lens.study.plan
    file = file_name(plan.source or say("page.none"))
    for f in lens.features:
        fit = f.of.feature.fit
        words = (
            say("proof.limits_fit", fit=tame(fit, 20), file=file)
            if fit
            else say("proof.limits_plan", file=file)
        )
        yield f"{f.name}: {words}, {f.limits}"
        yield say("proof.limits_chart", feature=f.name, base=tame(f.of.base_words, 200))


def _exclusions(lens: Lens) -> Iterator[str]:
    for f in lens.features:
        base = f.of.sloping.base if f.of.sloping is not None else None
        for position, reason in zip(base.excluded, base.reasons, strict=False) if base else ():
            part = lens.part(int(f.of.series.parts[position]))
            yield f"{f.name}, {part}: {tame(reason, 200)}"


def _account(lens: Lens) -> Iterator[str]:
    account, say = lens.study.run.account, lens.voice.say
    names = ("measurements", "rejected", "blank", "identical", "summary")
    slots = {name: account.get(name, 0) for name in names}
    total = sum(slots.values())
    cells = account.get("cells", 0)
    if total == cells:
        yield say("proof.account_adds", cells=cells, **slots)
    else:
        yield say("proof.account_off", cells=cells, sum=total)
    yield say(
        "proof.account_apart",
        events=lens.voice.count("proof.events", account.get("events", 0)),
        skipped=lens.voice.count("proof.skipped", account.get("skipped_lines", 0)),
    )


def _rejects(lens: Lens) -> Table | None:
    say, rejects = lens.voice.say, lens.study.run.rejects
    if not len(rejects):
        return None
    rows = tuple(
        (
            file_name(str(r.source)),
            str(r.row),
            tame(str(r.column), 60) or say("proof.whole_row"),
            tame(str(r.text), 80),
            tame(str(r.reason), 200),
        )
        for r in rejects.head(MOST_LISTED).itertuples()
    )
    head = tuple(say(f"proof.{h}") for h in ("file", "row", "column", "text", "reason"))
    caption = say("proof.rejects")
    if len(rejects) > MOST_LISTED:
        caption = f"{caption}: {say('proof.first_of', n=MOST_LISTED, total=len(rejects))}"
    return Table(head, rows, frozenset({1}), caption)
