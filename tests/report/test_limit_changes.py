"""A change of limits is an event on the chart about the wear lines."""

from dataclasses import replace

import studies

from spc.charts.limits import Change
from spc.report.lens import Lens
from spc.report.run_figures import sloping_figure
from spc.report.the_run import about_picture
from spc.report.voice import voice


def changed_at(position):
    lens = Lens(studies.invented_study(studies.invented_run(parts=120)), voice()).lead
    chart = lens.of.sloping
    half = chart.upper - chart.center
    half[position:] = 2 * half[position]
    return lens, replace(
        chart,
        lower=chart.center - half,
        upper=chart.center + half,
        base=None,
        changes=(Change(position, "new diamond"),),
    )


def test_limits_step_where_they_change_and_the_mark_says_why():
    lens, chart = changed_at(40)
    first = int(lens.of.series.parts[40]) - 0.5

    layout = sloping_figure(lens, chart)["layout"]
    shapes = layout["shapes"]

    assert any("new diamond" in note["text"] for note in layout["annotations"])
    assert any(s["x0"] == s["x1"] == first for s in shapes)
    dashed = [s for s in shapes if s["line"].get("dash") == "dash"]
    before = [s for s in dashed if s["x1"] == first]
    after = [s for s in dashed if s["x0"] == first]
    assert len(before) == len(after) == 2
    assert max(s["y0"] for s in after) > 1.5 * max(s["y0"] for s in before)


def test_a_line_below_says_from_which_part_other_limits_hold():
    lens, chart = changed_at(40)

    notes = about_picture(lens, chart).notes

    part = int(lens.of.series.parts[40])
    assert any(f"From part {part} on other limits hold: new diamond" in note for note in notes)
