import numpy as np
import plotly.graph_objects as go
import pytest
import studies

from spc.report.contents import page
from spc.report.lens import Lens
from spc.report.run_figures import size_figure, value_range
from spc.report.steel import MOST_DRAWN, PALETTE, label, spread_labels, thinned
from spc.report.voice import voice


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
    run.measurements.loc[seat[10], "deviation_um"] = 500.0
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
