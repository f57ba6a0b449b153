"""Proof: capability in the order of the questions asked, and where every number comes from."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

import spc
from spc.capability.assessment import Capability
from spc.report.handover import capability_words, index_words
from spc.report.lens import FeatureLens, Lens
from spc.report.pieces import Chapter, Picture, Table, Term
from spc.report.proof_figures import bars_of, budget_figure, distribution_figure
from spc.report.voice import tame

#: Rejects and prompts listed on the page; the files beside it hold all rejects.
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
    prompts: Table | None
    self_check: tuple[Term, ...]
    made_with: tuple[str, ...]


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


# --- capability -----------------------------------------------------------------------------------


def _chapter(lens: FeatureLens, capability: Capability) -> Chapter:
    say = lens.lens.voice.say
    return Chapter(
        lens.name,
        (tame(capability.verdict, 400),),
        (_distribution(lens, capability),),
        (_portions(lens, capability),),
        tuple(
            Term(say(f"proof.{key}"), text)
            for key, text in (
                ("stable", tame(lens.of.stability.words, 300)),
                ("model", tame(f"{capability.model}: {capability.model_words}", 300)),
                ("shape", tame(str(capability.shape), 200)),
                ("index", _allowed(lens, capability)),
                ("sure", capability_words(lens)),
            )
        ),
    )


def _allowed(lens: FeatureLens, capability: Capability) -> str:
    if capability.allowed:
        return ", ".join(capability.allowed)
    return tame(capability.not_enough or lens.lens.voice.say("page.none"), 300)


def _portions(lens: FeatureLens, capability: Capability) -> Table:
    """Within, total and compensated side by side."""
    say = lens.lens.voice.say
    head = ("", *(say(f"proof.{k}") for k in ("within", "total", "compensated")))
    portions = (capability.within, capability.total, capability.compensated)
    sigma = tuple(
        lens.lens.voice.number(p.sigma, lens.digits + 1) if p and p.sigma is not None else "–"
        for p in portions
    )
    rows = [(say("proof.sigma"), *sigma)]
    for key in ("cp", "cpk"):
        indices = [getattr(p, key) if p else None for p in portions]
        names = dict.fromkeys(i.name for i in indices if i is not None)
        cells = tuple("–" if i is None else index_words(lens, i) for i in indices)
        rows.append((" / ".join(names) or key, *cells))
    rows.append((say("proof.ppm"), "", _ppm(lens, capability), ""))
    words = tuple(tame(p.words, 200) if p else "" for p in portions)
    return Table(head, (*rows, (say("run.says"), *words)))


def _ppm(lens: FeatureLens, capability: Capability) -> str:
    index, number = capability.ppm, lens.lens.voice.number
    if index is None or index.value is None:
        return tame(getattr(index, "why", "") or lens.lens.voice.say("page.not_enough"), 160)
    say = lens.lens.voice.say

    def shown(value: float) -> str:
        if value < 0.05:
            return say("proof.below", value=number(0.1, 1))
        return number(value, 0 if value >= 10 else 1)

    if index.lower is None or index.upper is None:
        return shown(index.value)
    if index.upper < 0.05:
        return shown(index.upper)
    return say(
        "proof.interval", value=shown(index.value), low=shown(index.lower), high=shown(index.upper)
    )


def _distribution(lens: FeatureLens, capability: Capability) -> Picture:
    say, voice = lens.lens.voice.say, lens.lens.voice
    edges, counts = bars_of(lens)
    width = float(edges[1] - edges[0])
    rows = tuple(
        (
            voice.number(float(e), lens.digits + 1),
            voice.number(float(e) + width, lens.digits + 1),
            str(int(c)),
        )
        for e, c in zip(edges, counts, strict=True)
        if c
    )
    head = (say("proof.bar_from"), say("proof.bar_to"), say("proof.distribution_y"))
    return Picture(
        key=f"distribution-{[f.name for f in lens.lens.study.features].index(lens.of.name) + 1}",
        title=say("proof.distribution_title", feature=lens.name),
        caption=say(
            "proof.distribution",
            feature=lens.name,
            n=len(lens.of.series),
            limits=lens.limits,
            low=lens.um(float(lens.of.series.deviation_um.min())),
            high=lens.um(float(lens.of.series.deviation_um.max())),
            shape=tame(capability.shape),
        ),
        spec=distribution_figure(lens),
        tables=(Table(head, rows, frozenset({0, 1, 2})),),
    )


def _budget(lens: Lens, budgets: list[tuple[str, Capability]]) -> Chapter:
    say, voice = lens.voice.say, lens.voice
    words = []
    rows = []
    for feature, capability in budgets:
        largest = max(capability.budget, key=lambda line: line[2])
        words.append(
            say(
                "proof.budget",
                feature=feature,
                name=tame(largest[0], 60),
                share=voice.share(largest[2]),
            )
        )
        rows += [
            (feature, tame(name, 60), voice.number(sigma, 2), voice.share(share))
            for name, sigma, share in capability.budget
        ]
    head = tuple(say(f"proof.budget_{h}") for h in ("feature", "name", "sigma", "share"))
    picture = Picture(
        key="budget",
        title=say("proof.budget_title"),
        caption=" ".join(words),
        spec=budget_figure(budgets, voice),
        tables=(Table(head, tuple(rows), frozenset({2, 3})),),
    )
    return Chapter(say("proof.budget_title"), (), (picture,))


# --- provenance -----------------------------------------------------------------------------------


def provenance(lens: Lens, moment: datetime) -> Provenance:
    """Files, plan, limits, exclusions, remarks, rejects, versions and times."""
    study, voice, say = lens.study, lens.voice, lens.voice.say
    plan = study.plan
    versions = say(
        "proof.versions",
        version=spc.__version__,
        utc=voice.utc(moment),
        local=voice.day_and_clock(moment),
    )
    zone = [] if plan.shifts.zone else [say("page.zone_missing")]
    return Provenance(
        files=_files(lens),
        limits=tuple(_limits(lens)),
        exclusions=tuple(_exclusions(lens)) or (say("proof.no_exclusions"),),
        remarks=tuple(tame(r, 400) for r in study.remarks) or (say("proof.no_remarks"),),
        account=tuple(_account(lens)),
        rejects=_rejects(lens),
        prompts=_prompts(lens),
        self_check=tuple(
            Term(tame(str(key).replace("_", " "), 60), _shown(lens, value))
            for key, value in study.self_check.items()
        ),
        made_with=(versions, *zone),
    )


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
        rows.append((tame(source.name, 120), shown, str(source.lines), source.sha256))
    plan = lens.study.plan
    rows.append((tame(plan.source or say("proof.plan"), 120), "–", "–", plan.sha256))
    head = tuple(say(f"proof.{h}") for h in ("file", "rows", "lines", "sha"))
    return Table(head, tuple(rows), frozenset({2}), say("proof.files"))


def _limits(lens: Lens) -> Iterator[str]:
    say, plan = lens.voice.say, lens.study.plan
    file = tame(plan.source or say("page.none"), 120)
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
        events=account.get("events", 0),
        skipped=account.get("skipped_lines", 0),
    )


def _rejects(lens: Lens) -> Table | None:
    say, rejects = lens.voice.say, lens.study.run.rejects
    if not len(rejects):
        return None
    rows = tuple(
        (
            tame(str(r.source), 80),
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


def _prompts(lens: Lens) -> Table | None:
    say, prompts = lens.voice.say, lens.study.prompts
    if not prompts:
        return None
    shown = prompts[-MOST_LISTED:]
    rows = tuple(
        (
            str(p.part),
            lens.voice.clock(p.time) if p.time else "",
            say(f"action.{p.advice.action}"),
            "" if p.advice.offset_um is None else lens.voice.um(p.advice.offset_um, 1, signed=True),
            tame(p.advice.evidence, 300),
        )
        for p in shown
    )
    head = tuple(say(f"proof.prompt_{h}") for h in ("part", "time", "act", "amount", "evidence"))
    caption = say("proof.advice_record")
    if len(prompts) > len(shown):
        caption = f"{caption}: {say('proof.last_of', n=len(shown), total=len(prompts))}"
    marks = tuple(p.advice.action for p in shown)
    return Table(head, rows, frozenset({0, 3}), caption, marks)
