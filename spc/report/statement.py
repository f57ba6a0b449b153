"""The capability statement: what a customer may rely on, one question after the other."""

import numpy as np

from spc.capability.assessment import Capability
from spc.report.claims import (
    answers,
    distribution_picture,
    notes,
    portions_table,
    probability_picture,
)
from spc.report.lens import FeatureLens, Lens
from spc.report.pieces import Chapter, Section, Table, Term
from spc.report.the_gauge import repeats_words
from spc.report.the_run import about_picture
from spc.report.voice import tame


def sections(lens: Lens) -> tuple[Section, ...]:
    """One section per feature that capability was asked of."""
    return tuple(
        Section(f"feature-{f.place}", f.name, tuple(_chapters(f, f.of.capability)))
        for f in lens.features
        if f.of.capability is not None
    )


def signatures(lens: Lens) -> tuple[str, ...]:
    """Lines to be filled in by hand."""
    return tuple(lens.voice.say(f"statement.{key}") for key in ("issued", "date", "signature"))


def _chapters(lens: FeatureLens, capability: Capability) -> list[Chapter]:
    """Sampling, then the questions in their order: each answer rests on the one before."""
    say, retell = lens.lens.voice.say, lens.lens.voice.retell
    steady, model, shape, index, sure = answers(lens, capability)
    figures = {
        "stable": [about_picture(lens, lens.of.sloping)] if lens.of.sloping is not None else [],
        "shape": [distribution_picture(lens, capability)],
    }
    if lens.shape_drawn is not None:
        figures["shape"].append(probability_picture(lens, capability))
    asked = Table(
        (say("statement.asked"), "p", say("statement.answer")),
        tuple((tame(q), lens.lens.voice.chance(p), tame(a)) for q, p, a in capability.asked),
        frozenset({1}),
    )
    return [
        Chapter(say("statement.sampling"), (), terms=tuple(_sampling(lens))),
        # The caption of the picture is the answer.
        Chapter(
            say("proof.stable"),
            () if figures["stable"] else (steady.text,),
            tuple(figures["stable"]),
        ),
        Chapter(say("proof.model"), (model.text,), tables=(asked,) if asked.rows else ()),
        Chapter(say("proof.shape"), (shape.text,), tuple(figures["shape"])),
        Chapter(say("proof.index"), (index.text,), tables=(portions_table(lens, capability),)),
        Chapter(
            say("proof.sure"),
            (sure.text, retell(capability.verdict)),
            notes=notes(lens, capability),
        ),
        Chapter(say("statement.gauge"), (_gauge(lens),)),
    ]


def _sampling(lens: FeatureLens) -> list[Term]:
    """How the parts behind the claim were chosen."""
    say, study, parts = lens.lens.voice.say, lens.lens.study, lens.of.series.parts
    every = float(np.diff(parts).mean()) if len(parts) > 1 else 0.0
    return [
        Term(say("statement.limits"), lens.limits),
        Term(say("statement.parts"), say("statement.of", n=len(parts), made=study.made)),
        Term(
            say("statement.every"),
            say("statement.mean_gap", n=lens.lens.voice.number(every, 1))
            if every
            else say("page.unknown"),
        ),
        Term(say("statement.cycles"), str(len(study.cycles))),
        Term(say("statement.base"), tame(lens.of.base_words)),
    ]


def _gauge(lens: FeatureLens) -> str:
    seen = lens.of.resolution
    words = lens.lens.voice.say("page.not_enough") if seen is None else seen.words
    return f"{lens.lens.voice.retell(words)} {lens.lens.voice.say('statement.repeats')}: " + (
        f"{repeats_words(lens)}."
    )
