"""Where two sentences of one page could contradict each other, they are one sentence."""

import re
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
import studies

from spc.adviser.forecast import PartsLeft
from spc.charts.signals import Signal
from spc.findings import Stability
from spc.report.claims import answers, claim, distribution_picture
from spc.report.contents import page
from spc.report.handover import verdict_of
from spc.report.lens import Lens
from spc.report.next_cut import left_in_short, left_words, next_cut
from spc.report.pages import write_report
from spc.report.proof import provenance
from spc.report.the_run import about_picture, size_words
from spc.report.the_wheel import chapters
from spc.report.voice import voice
from spc.report.wheel_figures import forecast_figure
from spc.shifts import ShiftSpan

SURE = studies.PLAN.replace("uncertainty_um = 1.0\n", "")


def test_a_feature_that_is_not_steady_has_one_answer_everywhere():
    lead = Lens(studies.invented_study(stable=False), voice()).lead
    told = {term.name: term.text for term in answers(lead, lead.of.capability)}

    allowed, sure = told["Which index may be quoted?"], told["How sure?"]
    assert allowed == sure
    assert sure.startswith("No capability claim: not steady; performance only: Ppk ")
    assert claim(lead) == "none: " + sure.removeprefix("No capability claim: ").rstrip(".")


@pytest.mark.parametrize("steady", [True, False])
def test_what_stands_about_the_wear_line_is_said_by_stability_alone(steady):
    study = studies.invented_study()
    words = f"3 signals about the wear line: {'nothing but' if steady else 'more than'} wear"
    lead = replace(study.features[0], stability=Stability(steady, 3, 0.8, words))
    lens = Lens(replace(study, features=(lead, study.features[1])), voice()).lead

    caption = about_picture(lens, lens.of.sloping).caption

    assert caption == f"With wear taken out, seat shows {words}."


def test_what_a_chart_rests_on_stands_below_it_as_a_list(report):
    text = report.read_text("utf-8")

    figure = re.search(r'<figure id="about-1">.*?</figure>', text, re.S)[0]
    caption = re.search(r"<figcaption[^>]*>(.*?)</figcaption>", figure)[1]
    rests = re.search(r'<ul class="rests"[^>]*>(.*?)</ul>', figure, re.S)[1]
    assert "Limits come from" in rests
    assert "Limits come from" not in caption


def test_the_legend_says_where_dresses_are_drawn():
    few, many = studies.invented_study(), studies.crowded_study()

    said = [dict(about_picture(Lens(s, voice()).lead, s.lead.sloping).legend)["dress"]
            for s in (few, many)]  # fmt: skip

    assert said == ["upright lines: dresses", "marks at the top: dresses"]


def test_limits_that_differ_from_part_to_part_say_which_are_drawn():
    lens = Lens(studies.invented_study(), voice()).lead
    chart = lens.of.sloping
    wide = chart.upper.copy()
    wide[3] = chart.center[3] + 2 * (wide[3] - chart.center[3])

    said = [any("differ from part to part" in note for note in about_picture(lens, each).notes)
            for each in (chart, replace(chart, upper=wide))]  # fmt: skip

    assert said == [False, True]


def test_a_distribution_says_first_whether_parts_lie_inside():
    inside, out = (
        Lens(studies.invented_study(outside=parts), voice()).lead for parts in ((), (66,))
    )

    first, second = (distribution_picture(f, f.of.capability).caption for f in (inside, out))

    assert first.startswith("All 31 parts of seat lie inside −8.0 … +8.0 µm, from ")
    assert second.startswith("1 of 31 parts of seat lie outside")


def test_without_uncertainty_no_limit_is_called_guarded(tmp_path):
    study = studies.invented_study(plan=SURE)

    page = write_report(study, tmp_path, as_of=studies.AS_OF).read_text("utf-8")

    assert "guarded" not in page.split("</style>")[1].replace("guard at each limit", "")
    assert "Dashes: limits −8.00 and +8.00 µm." in page


def test_one_of_something_is_told_in_the_singular():
    told = voice().count

    assert told("next.since", 1) == "1 part"
    assert told("next.since", 2) == "2 parts"
    assert told("proof.skipped", 1) == "1 skipped line"
    assert told("index.count", 1) == "1 page."


def test_a_single_measured_part_is_not_called_parts():
    run = studies.invented_run()
    run = replace(run, measurements=run.measurements[run.measurements["part"] == 1])
    study = studies.invented_study()
    series = replace(
        study.features[0].series,
        **{k: getattr(study.features[0].series, k)[:1] for k in ("parts", "deviation_um")},
    )
    lead = replace(study.features[0], series=series, sloping=None)
    lens = Lens(replace(study, features=(lead,), run=run), voice()).lead

    assert size_words(lens)[0].startswith("The one measured part of seat lies inside")


def test_the_same_remark_is_told_once():
    study = studies.invented_study()
    study = replace(study, remarks=("a", "b", "a"))

    assert provenance(Lens(study, voice()), studies.AS_OF).remarks == ("a", "b")


@pytest.mark.parametrize("left", [(14, 22, 35), (0, 1, 6), (200, 200, 200)])
def test_parts_left_say_until_what(left):
    advice = studies.advice(_count=lambda: PartsLeft(*left))
    lens = Lens(studies.invented_study(advice=advice), voice())

    _, spread = left_words(lens, advice)
    captions = [p.caption for c in chapters(lens) for p in c.pictures if p.key == "forecast"]

    assert "until a single part, not yet the level, may be outside (chance 0.5 %)" in spread
    assert "single part may be outside" in captions[0] or "very next part" in captions[0]


def test_no_part_left_is_said_in_one_word_and_drawn_nowhere():
    advice = studies.advice(_count=lambda: PartsLeft(0, 0, 0))
    lens = Lens(studies.invented_study(advice=advice), voice())

    assert left_words(lens, advice)[0] == left_in_short(lens, advice) == "none"
    assert [p for c in chapters(lens) for p in c.pictures if p.key == "forecast"] == []


def test_the_band_of_single_parts_meets_the_limit_where_the_forecast_says():
    lens = Lens(studies.invented_study(), voice()).lead
    drift = 0.1
    band, course, _, span, mark = forecast_figure(lens, drift, (14, 22, 35))["data"]
    limit = lens.of.feature.guarded_um[1]

    middle = np.array(course["y"])
    assert np.diff(middle) == pytest.approx(drift, abs=2e-3)
    upper = dict(zip(band["x"][:36], band["y"][:36], strict=True))
    assert upper[90 + 22] == pytest.approx(limit, abs=2e-3)
    assert course["y"][22] < limit - 1
    wide = np.array(band["y"][:36]) - middle
    assert np.ptp(wide) < 2e-3, "it does not swell beyond what is reckoned"
    assert (mark["x"], span["x"]) == ([112], [104, 125])


@pytest.mark.parametrize(
    ("n", "words"),
    [
        (0, "nothing seen but wear"),
        (1, "1 signal, no more than chance"),
        (3, "3 signals, no more than"),
    ],
)
def test_a_good_verdict_does_not_deny_the_signals_listed_below_it(n, words):
    study = studies.invented_study()
    signal = Signal("one side", 5, 16, 1, "12 points in a row above the centre", "a source")
    lead, *others = (replace(f, signals=()) for f in study.features)
    study = replace(study, features=(replace(lead, signals=(signal,) * n), *others))

    verdict, _ = verdict_of(Lens(study, voice()))

    assert verdict.startswith("On size and steady: none of 31 measured parts outside")
    assert words in verdict


def test_a_shift_not_clean_still_says_that_it_was_not_steady():
    lens = Lens(studies.invented_study(outside=(66,), stable=False), voice())

    verdict, tone = verdict_of(lens)

    assert verdict == (
        "Not clean: 1 of 31 measured parts outside limits. "
        "Not steady: seat, roundness did more than wear explains."
    )
    assert tone == "hold"


def test_the_next_best_act_is_told_with_what_it_costs():
    told = studies.advice("dress", runner_up="grind_on", cost_difference=1.04,
                          offset_um=None, amount=None)  # fmt: skip
    lens = Lens(studies.invented_study(advice=told), voice())
    shown = next_cut(lens, studies.AS_OF)

    assert shown.otherwise == "GRIND ON costs 1.04 units more by our reckoning."
    assert list(shown.do) == ["Dress the wheel before the next part."]


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(90, "1 min"), (7100, "118 min"), (7300, "2 h"), (170000, "47 h"), (260 * 86400, "260 days")],
)
def test_an_age_is_said_in_words(seconds, said):
    assert voice().age(seconds) == said


@pytest.mark.parametrize(
    ("span", "said"),
    [
        (("early", 0, 8, "shift"), "shift early, 2026-11-25 06:00 +01:00 to 14:00"),
        (("wheel 2", 0, 8, "wheel"), "wheel 2, 2026-11-25 06:00 +01:00 to 14:00"),
        (
            ("wheel 1", 0, 30, "wheel"),
            "wheel 1, 2026-11-25 06:00 +01:00 to 2026-11-26 12:00 +01:00",
        ),
    ],
)
def test_the_heading_calls_a_wheel_a_wheel_and_a_shift_a_shift(span, said):
    name, begin, end, kind = span
    hours = (studies.START + timedelta(hours=h) for h in (begin, end))
    study = replace(studies.invented_study(), shift=ShiftSpan(name, *hours, kind))
    speaker = voice(zone=study.plan.zone)

    assert page(study, speaker, studies.AS_OF).span == said


def test_what_give_or_take_means_stands_beside_it(tmp_path):
    told = studies.advice(evidence="seat sits 1.6 µm above target, give or take 0.5 µm")
    study = studies.invented_study(advice=told)

    note = next_cut(Lens(study, voice()), studies.AS_OF).evidence_note

    assert note == "(Give or take: one standard deviation; ± in the tables is about two.)"
    assert note in write_report(study, tmp_path, as_of=studies.AS_OF).read_text("utf-8")
    plain = studies.invented_study(advice=studies.advice())
    assert next_cut(Lens(plain, voice()), studies.AS_OF).evidence_note == ""
