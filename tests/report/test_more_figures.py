from dataclasses import replace

import numpy as np
import plotly.graph_objects as go
import pytest
import studies

from spc.charts.limits import Change
from spc.findings import FeatureStudy
from spc.more_charts.catalogue import more_charts
from spc.plan import MORE_CHARTS, read_plan
from spc.report.contents import page
from spc.report.lens import Lens
from spc.report.more_figures import caption, more_figure, more_pictures, not_drawn
from spc.report.run_figures import MOST_JOINED
from spc.report.steel import PALETTE
from spc.report.voice import voice

PLAN = studies.PLAN + f"\n[charts]\nalso = {list(MORE_CHARTS)}\ngroup = 3\n".replace("'", '"')


def with_more(run=None, plan=PLAN):
    study = studies.invented_study(run, plan=plan)
    job = read_plan(plan.encode(), source="pins.toml")

    def found(of: FeatureStudy) -> FeatureStudy:
        return replace(of, more=more_charts(
            job, of.feature, of.series, sloping=of.sloping, individuals=of.individuals,
            run=study.run,
        ))  # fmt: skip

    return replace(study, features=tuple(found(of) for of in study.features))


@pytest.fixture(scope="module")
def lens():
    return Lens(with_more(), voice()).features[0]


def test_every_chart_asked_for_is_a_picture_under_its_feature(lens):
    pictures = page(lens.lens.study, voice(), studies.AS_OF).pictures
    keys = [picture.key for picture in pictures]

    drawn = [name for name in MORE_CHARTS if name != "between_within"]
    wanted = [f"{name.replace('_', '-')}-1" for name in drawn]
    assert [key for key in keys if key in wanted] == wanted
    # Each part was read once: that is said instead of drawn.
    assert list(not_drawn(lens)) == [
        "Between parts and within parts is not drawn: not enough yet: 0 parts with several "
        "readings; limits need 2 in the base span."
    ]
    assert len(keys) == len(set(keys))


def test_every_picture_is_one_that_plotly_takes_and_both_themes_know_its_colours(lens):
    light = {pair[0] for pair in PALETTE.values()} | {"rgba(0,0,0,0)"}

    for picture in more_pictures(lens):
        drawn = go.Figure(picture.spec)
        assert {trace.line.color for trace in drawn.data if trace.line.color} <= light
        assert all(table.rows for table in picture.tables)
        assert picture.caption.endswith(".")


def test_nothing_is_drawn_unasked():
    lens = Lens(studies.invented_study(), voice()).features[0]

    assert not list(more_pictures(lens))
    assert not list(not_drawn(lens))


def test_limits_and_centre_are_labelled_at_the_right_and_the_base_is_marked(lens):
    more = next(each for each in lens.of.more if each.name == "means_ranges")
    layout = more_figure(lens, more)["layout"]

    texts = [note["text"] for note in layout["annotations"] if note.get("xanchor") == "left"]
    for chart in more.charts:
        for value in (chart.upper[-1], chart.center[-1]):
            assert voice().number(value, lens.digits + 1) in texts
    band = next(shape for shape in layout["shapes"] if shape["type"] == "rect")
    base = more.charts[0].base
    assert (band["x0"], band["x1"]) == (
        more.firsts[base.first] - 0.5, more.parts[base.last] + 0.5,
    )  # fmt: skip
    assert "base span" in texts


def test_acts_stand_as_upright_lines(lens):
    data = more_figure(lens, lens.of.more[0])["data"]

    uprights = {
        trace["line"]["dash"]: [x for x in trace["x"] if x is not None]
        for trace in data
        if trace.get("mode") == "lines" and trace.get("yaxis") == "y2"
    }
    assert sorted(set(uprights["solid"])) == [0.5, 30.5, 60.5]
    assert set(uprights["dot"]) == {15.5}


def test_the_conclusion_comes_first_and_counts_points_beyond(lens):
    chart = lens.of.more[0].charts[0]
    one = replace(chart, values=np.where(np.arange(len(chart.values)) == 20, 9.0, chart.values))

    quiet = caption(lens, replace(lens.of.more[0], charts=(replace(chart, values=0 * one.values),)))
    loud = caption(lens, replace(lens.of.more[0], charts=(one,)))

    assert quiet[0] == f"None of {len(chart.values)} weighted means passes a limit."
    part = lens.of.more[0].parts[20]
    assert loud[0] == f"1 of {len(chart.values)} weighted means passes a limit: part {part}."
    assert any("in-control run length 366 points" in words for words in loud)


def test_a_long_chart_is_thinned_visibly_and_keeps_every_flagged_point():
    lens = Lens(with_more(studies.invented_run(parts=6000)), voice()).features[0]
    more = lens.of.more[0]
    values = more.charts[0].values.copy()
    values[[777, 1234]] = 30.0
    more = replace(more, charts=(replace(more.charts[0], values=values),))

    data = more_figure(lens, more)["data"]

    joined = next(trace for trace in data if trace.get("mode") == "lines+markers")
    assert len(joined["x"]) <= MOST_JOINED
    kept = {x for trace in data for x in trace["x"]}
    assert {int(more.parts[777]), int(more.parts[1234])} <= kept
    assert any(
        words.startswith(f"The line joins {len(joined['x'])} of {len(values)} points")
        for words in caption(lens, more)
    )


def test_a_change_of_limits_is_marked_and_said(lens):
    more = lens.of.more[0]
    chart = replace(more.charts[0], changes=(Change(12, "new <b>diamond</b>"),))
    more = replace(more, charts=(chart,))

    layout = more_figure(lens, more)["layout"]

    at = more.firsts[12] - 0.5
    assert [s["x0"] for s in layout["shapes"] if s["line"].get("dash") == "dashdot"] == [at]
    assert any("new limits: new &lt;b&gt;" in note["text"] for note in layout["annotations"])
    assert any(
        f"From part {more.firsts[12]} on other limits hold" in w for w in caption(lens, more)
    )
