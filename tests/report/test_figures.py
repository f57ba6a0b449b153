from dataclasses import replace

import numpy as np
import pandas as pd
import plotly.graph_objects as go
import pytest
import studies

from spc.charts.limits import Base
from spc.dress_interval import dress_costs
from spc.plan import read_plan
from spc.report.contents import page
from spc.report.how_often import dress_chapter, interval_picture
from spc.report.lens import Lens
from spc.report.run_figures import size_figure, value_range
from spc.report.steel import MOST_DRAWN, PALETTE, label, spread_labels, thinned
from spc.report.the_gauge import repeat_scatter, repeats, repeats_words
from spc.report.the_run import about_picture, chapters
from spc.report.voice import voice
from spc.study import examine


@pytest.fixture(scope="module")
def lens(study):
    return Lens(study, voice(zone=study.plan.zone))


def test_every_figure_is_one_that_plotly_takes(study):
    pictures = page(study, voice(), studies.AS_OF).pictures

    assert len(pictures) >= 8
    for picture in pictures:
        go.Figure(picture.spec)


def test_every_figure_says_its_conclusion_and_holds_its_numbers(study):
    for picture in page(study, voice(), studies.AS_OF).pictures:
        assert picture.caption.endswith("."), picture.key
        assert picture.tables, picture.key
        assert all(table.rows for table in picture.tables), picture.key


def test_every_colour_of_a_figure_has_a_partner_in_the_dark(study):
    light = {pair[0] for pair in PALETTE.values()} | {"rgba(0,0,0,0)"}

    def colours(value, key=""):
        if isinstance(value, dict):
            for k, v in value.items():
                yield from colours(v, k)
        elif isinstance(value, list):
            for v in value:
                yield from colours(v, key)
        elif key.endswith("color") and isinstance(value, str):
            yield value

    for picture in page(study, voice(), studies.AS_OF).pictures:
        assert set(colours(picture.spec)) <= light, picture.key


def test_thinning_keeps_every_flagged_part_and_both_ends():
    keep = np.zeros(100_000, dtype=bool)
    keep[[7, 5001, 99_998]] = True

    drawn = thinned(keep)

    assert {7, 5001, 99_998, 99_999} <= set(drawn.tolist())
    assert len(drawn) <= MOST_DRAWN + 3


def test_a_misread_part_does_not_flatten_the_others_and_stays_in_the_picture():
    run = studies.invented_run()
    seat = run.measurements.index[run.measurements["feature"] == "seat"]
    run.measurements.loc[seat[10], "deviation_um"] = 150.0
    lens = Lens(studies.invented_study(run, outside=(30,)), voice()).features[0]

    _, high = value_range(lens)
    figure = size_figure(lens, ())

    assert high < 20
    heights = [y for trace in figure["data"] for y in trace["y"] if y is not None]
    assert max(heights) == pytest.approx(high)
    assert "–" in str([t.get("text") for t in figure["data"]]), "the held part has its bar"


def test_event_marks_carry_their_amount(lens):
    figure = size_figure(lens.features[0], lens.study.acts)

    texts = [text for trace in figure["data"] for text in trace.get("text", [])]
    assert texts.count("dress") == 3
    assert "−2.0" in texts


def test_the_datum_runs_to_the_edge_of_the_figure(lens):
    figure = size_figure(lens.features[0], ())

    datum = [s for s in figure["layout"]["shapes"] if s["line"]["color"] == PALETTE["datum"][0]]
    assert [(s["y0"], s["x1"]) for s in datum] == [(0.0, 1.5)]


def test_labels_that_would_cover_each_other_are_moved_apart():
    moved = spread_labels([{"y": 7.2}, {"y": 8.0}], -10, 10)

    assert moved[1]["y"] - moved[0]["y"] >= 20 / 14 - 1e-9


def test_labels_obey_no_markup():
    assert label("<b>A</b> & <a href='x'>") == "&lt;b&gt;A&lt;/b&gt; &amp; &lt;a href='x'&gt;"


def costs_of(*slopes, dress_cost=1.8, parts=40):
    """Part n costs slope times n; the first slope is the best fit, all are its refits."""
    part = np.arange(1, parts + 1)
    totals = [dress_cost + np.cumsum(slope * part) for slope in (slopes[0], *slopes)]
    return dress_costs(np.array(totals), cycles=7)


def words_of_interval(study, found):
    picture = interval_picture(Lens(study, voice()), found, found.interval)
    return " ".join((picture.caption, *picture.notes))


def test_the_cost_picture_names_the_best_interval_and_what_the_habit_costs(study):
    # Part n costs 0.1 n and a dress 1.8: the least is (1.8 + 2.1) / 6 = 0.65 at 6 parts. 5 parts
    # cost 0.66, 8 cost 0.675, both below 1.05 * 0.65 = 0.6825; 4 cost 0.70 and 9 cost 0.70. The
    # habit of 30 costs (1.8 + 46.5) / 30 = 1.61, 0.96 more.
    found = costs_of(*[0.1] * 40)

    picture = interval_picture(Lens(study, voice()), found, found.interval)

    go.Figure(picture.spec)
    assert picture.caption == (
        "Dressing every 6 parts costs least: 0.650 units per part (95 %: 0.650 to 0.650)."
    )
    assert picture.notes == (
        "By what 7 finished cycles leave open, the best lies between 6 and 6 parts (95 %).",
        "From 5 to 8 parts nothing costs over 5 % more.",
        "The habit of 30 parts costs 0.960 units per part more (95 %: 0.960 to 0.960).",
        "Nothing is drawn beyond 40 parts: fewer than three dress cycles were measured farther. "
        "The band is 95 %.",
    )
    assert ("6", "0.650", "0.650 to 0.650") in picture.tables[0].rows
    assert max(picture.spec["data"][1]["x"]) == 40


def test_the_cost_picture_says_what_refits_leave_open(study):
    # The best of a slope s lies near sqrt(2 * 1.8 / s): 6 at 0.1, 8 or 9 at 0.05, 4 or 5 at 0.2.
    words = words_of_interval(study, costs_of(*[0.1] * 20, *[0.05] * 20, *[0.2] * 20))

    assert "the best lies between 4 and 8 parts" in words


def test_a_cost_that_still_falls_at_the_longest_cycle_names_no_best(study):
    # Of slope 0.001 the cost falls all along to 20 parts; of 0.02 it is least at 13.
    words = words_of_interval(study, costs_of(*[0.001] * 30, *[0.02] * 10, parts=20))

    assert "still falls at 20 parts" in words
    assert "costs least" not in words
    assert "the best lies at 13 parts or more (95 %): in 75 % of the draws" in words
    assert "What the habit of 30 parts costs is not known from this run" in words


def test_an_interval_without_equals_is_sharp_as_far_as_it_is_known_and_has_bounds(study):
    # Part n costs 1 n and a dress 1.8: 1.8 + 1 = 2.8, (1.8 + 3) / 2 = 2.4, (1.8 + 6) / 3 = 2.6.
    words = words_of_interval(study, costs_of(*[1.0] * 40, parts=20))

    assert "Any other interval up to 20 parts costs over 5 % more" in words
    assert "the best lies between 2 and 2 parts (95 %)" in words


def test_a_dress_that_the_plan_does_not_describe_is_told_from_the_steps(study):
    found = replace(costs_of(*[0.1] * 40), inferred=True, resets_size=False)

    assert "wear stays in the size, and the control takes back" in words_of_interval(study, found)
    assert "does not say" not in words_of_interval(study, replace(found, inferred=False))


def test_a_habit_that_refits_do_not_tell_from_the_best_is_not_called_dearer(study):
    # At slopes near 0.004 the best lies at 30 of 40; whichever it is, 30 is as good.
    found = costs_of(0.005, *[0.004] * 30, *[0.006] * 30)

    assert "this run does not settle that" in words_of_interval(study, found)


def test_too_few_cycles_say_not_enough_yet_where_the_figure_would_be(study):
    chapter = dress_chapter(Lens(study, voice()))

    assert "not enough yet" in chapter.words[0]
    assert "2 finished dress cycles" in chapter.words[0]
    assert chapter.pictures == ()


def test_the_cost_of_invented_prices_is_not_sold_as_money():
    study = studies.invented_study(studies.invented_run(parts=180))

    notes = dress_chapter(Lens(study, voice())).notes

    assert any("invented ones stand in" in note for note in notes)


def test_repeat_readings_are_drawn_about_the_mean_of_their_part():
    run = studies.invented_run()
    seat = run.measurements[run.measurements["feature"] == "seat"].iloc[:8]
    more = seat.assign(deviation_um=seat["deviation_um"] + 0.4, repeat=1)
    run = replace(run, measurements=pd.concat([run.measurements, more], ignore_index=True))
    lens = Lens(studies.invented_study(run), voice()).lead

    parts, away = repeats(lens)

    assert len(parts) == 16
    assert np.allclose(np.abs(away), 0.2)
    # Each pair differs by 0.4: its variance is 0.4²/2, the spread 0.283.
    assert repeat_scatter(lens) == (pytest.approx(8 * 0.08), 8)
    assert "0.28" in repeats_words(lens)


def test_what_was_only_advised_is_hollow_and_what_was_done_is_filled(lens):
    figure = size_figure(lens.features[0], lens.study.acts)
    paper = PALETTE["paper"][0]

    done = next(t for t in figure["data"] if t.get("marker", {}).get("symbol") == "square")
    advised = next(t for t in figure["data"] if t.get("name") == "OFFSET")

    assert done["marker"]["color"] != paper
    assert (advised["marker"]["color"], advised["textfont"]["color"]) == (paper, PALETTE["act"][0])
    legend = dict(chapters(lens)[0].pictures[0].legend)
    assert legend["offset"] == "at the top: offset, done"
    assert legend["offset_down_advised"] == "advised here: OFFSET, smaller"


def test_a_part_outside_is_never_drawn_hollow_and_hollow_discs_have_a_legend():
    study = studies.invented_study(outside=(30,))
    lead = study.features[0]
    place = int(np.flatnonzero(lead.series.parts == 30)[0])
    base = Base(0, 30, (place, 3), ("too big", "too small"))
    lead = replace(lead, sloping=replace(lead.sloping, base=base))
    lens = Lens(replace(study, features=(lead, study.features[1])), voice()).features[0]

    picture = about_picture(lens, lens.of.sloping)
    drawn = {t["marker"]["symbol"]: t for t in picture.spec["data"] if "marker" in t}

    held = next(t for t in picture.spec["data"] if t.get("text") == ["–"])
    assert held["x"] == [30]
    hollow = [t for t in picture.spec["data"] if t.get("marker", {}).get("size") == 6]
    assert [t["x"] for t in hollow] == [[int(lens.of.series.parts[3])]], drawn
    legend = dict(picture.legend)
    assert legend["hold"] == "outside limits"
    assert legend["excluded"] == "left out of the limits, with its reason under Proof"


def test_a_label_at_the_edge_of_the_picture_stands_inside_it(lens):
    figure = size_figure(lens.features[0], lens.study.acts)
    first = next(t for t in figure["data"] if t.get("marker", {}).get("symbol") == "diamond")

    assert first["x"][0] == 0.5
    assert first["textposition"][0] == "top right"
    assert first["textposition"][1] == "top center"


def test_the_legend_of_the_variance_stands_above_its_bars(study):
    budget = next(p for p in page(study, voice(), studies.AS_OF).pictures if p.key == "budget")

    assert budget.spec["layout"]["legend"]["y"] > 1
    assert budget.spec["layout"]["margin"]["t"] >= 50


def test_a_taper_has_no_more_digits_than_the_gauge_at_its_ends():
    ends = '[[feature]]\nname = "{}"\nnominal = 25.0\nupper = 0.008\nlower = -0.008\n'
    plan = read_plan(
        (
            '[job]\npart = "pin"\n' + ends.format("head") + ends.format("tail")
            + '[[feature]]\nname = "taper"\nkind = "taper"\nupper = 3.0\nlower = -3.0\n'
            'unit = "um"\nbetween = ["head", "tail"]\n'
        ).encode(), source="p.toml",
    )  # fmt: skip
    rows = studies.invented_run().measurements
    seat = rows[rows["feature"] == "seat"]
    head = seat.assign(feature="head", deviation_um=seat["deviation_um"].round())
    tail = head.assign(feature="tail", deviation_um=head["deviation_um"] - 1)
    halves = (head["deviation_um"] - tail["deviation_um"] + 0.25 * (head["part"] % 4)).round(2)
    taper = head.assign(feature="taper", deviation_um=halves)
    run = replace(
        studies.invented_run(), measurements=pd.concat([head, tail, taper], ignore_index=True)
    )
    lens = Lens(examine(run, plan), voice())
    found = {f.name: f for f in lens.features}

    assert found["taper"].digits == found["head"].digits
