from dataclasses import replace

import numpy as np
import pytest
import studies
from scipy.stats import t

from spc.report.handover import feature_table
from spc.report.lens import Lens
from spc.report.level import level_of, level_words
from spc.report.terminal import check_lines
from spc.report.the_run import size_words
from spc.report.voice import voice
from spc.study import examine


def steep_study(**changes):
    """Wear of 0.5 µm per part, every part measured, no scatter to speak of."""
    run = studies.invented_run()
    seat = run.measurements["feature"] == "seat"
    parts = run.measurements.loc[seat, "part"]
    wobble = np.where(np.arange(len(parts)) % 2, 0.1, -0.1)
    run.measurements.loc[seat, "deviation_um"] = -6 + 0.4 * ((parts - 1) % 30) + wobble
    return studies.invented_study(run, **changes)


def test_the_level_is_that_of_the_last_part_and_not_of_the_parts_before_it():
    lead = Lens(steep_study(), voice()).lead

    level = level_of(lead)

    # By hand: -6 + 0.4 * 29 = 5.6 at part 90; the last five measured parts are 78, 81 ... 90.
    assert level.value_um == pytest.approx(5.6, abs=0.2)
    assert lead.of.series.deviation_um[-5:].mean() < 3.5
    assert level.mean_of is None


def test_the_interval_of_the_level_is_that_of_the_fitted_line_by_numpy():
    run = studies.invented_run()
    short = run.measurements[run.measurements["part"] <= 30]
    run = replace(run, measurements=short, events=run.events.iloc[:1])
    lead = Lens(studies.invented_study(run), voice()).lead
    x, y = lead.of.series.since_dress, lead.of.series.deviation_um
    (slope, zero), covariance = np.polyfit(x, y, 1, cov=True)
    at = np.array([x[-1], 1.0])

    level = level_of(lead)

    assert len(y) == 11
    assert level.value_um == pytest.approx(slope * x[-1] + zero)
    error = np.sqrt(at @ covariance @ at)
    assert level.half_um == pytest.approx(t.ppf(0.975, len(y) - 2) * error, rel=0.02)


def test_too_few_parts_for_a_line_give_their_mean_and_say_of_how_many():
    study = studies.invented_study()
    object.__setattr__(study.features[0], "sloping", None)
    lead = Lens(study, voice()).lead

    assert level_of(lead).mean_of == 5
    assert level_words(lead).endswith(" µm, mean of the last 5")


def test_page_and_terminal_name_the_same_level():
    study = steep_study()
    lens = Lens(study, voice())
    table = feature_table(lens)

    assert "level at the last part (95 %)" in table.head
    assert table.rows[0][2] == level_words(lens.lead)
    (line,) = (told for told in check_lines(study) if told.startswith("seat\t"))
    assert f"level at the last part (95 %) {level_words(lens.lead)}" in line


def jumped(plan, make_run, *, last=5, events=(), then=()):
    """Sixty steady parts at +6.4, then some at +15, and what came after."""
    rng = np.random.default_rng(20261201)
    sizes = [*rng.normal(6.4, 0.3, 60), *rng.normal(15.0, 0.3, last), *then]
    readings = [(part, "seat", round(float(y), 1)) for part, y in enumerate(sizes, 1)]
    return examine(make_run(readings, [(0, "dress"), *events]), plan)


def test_parts_that_left_the_wear_line_are_not_given_its_level(plan, make_run):
    study = jumped(plan, make_run)
    lens = Lens(study, voice())

    told = level_words(lens.lead)

    assert told.startswith("not known since part 61: the last 5 parts lie 8.")
    assert told.endswith(" µm above the wear line")
    assert level_of(lens.lead).value_um == pytest.approx(15.0, abs=0.5)
    assert feature_table(lens).rows[0][2] == told
    assert f"Level at the last part: {told}." in size_words(lens.lead)
    (line,) = (each for each in check_lines(study) if each.startswith("seat\t"))
    assert told in line
    known = study.as_dict()["features"][0]["level_not_known"]
    assert (known["since_part"], known["parts"]) == (61, 5)
    assert known["off_wear_line_um"] == pytest.approx(8.6, abs=0.4)


def test_an_offset_after_the_jump_does_not_bring_the_level_back(plan, make_run):
    # The jump of +8.6 was answered by -8; the parts after it are not 8 below their level before.
    study = jumped(
        plan, make_run, events=[(65, "offset", {"um": -8.0})], then=[6.9, 7.2, 6.8, 7.0, 6.8]
    )

    told = level_words(Lens(study, voice()).lead)

    assert told.startswith("not known since part 61: the last 10 parts lie 8.")


def test_a_jump_too_long_ago_to_be_the_exception_has_a_level_again(plan, make_run):
    study = jumped(plan, make_run, events=[(65, "dress")], then=[15.1, 14.8, 15.2, 15.0, 14.9])

    level = level_of(Lens(study, voice()).lead)

    assert level.left is None
    assert level.value_um == pytest.approx(15.0, abs=0.4)
    assert study.as_dict()["features"][0]["level_not_known"] is None


@pytest.mark.parametrize(("size", "side"), [(15.0, "8.6 µm above"), (-1.0, "7.4 µm below")])
def test_one_last_part_far_from_the_level_is_said_beside_it(plan, make_run, size, side):
    study = jumped(plan, make_run, last=0, then=[size])

    told = level_words(Lens(study, voice()).lead)

    # By hand: the level of the sixty parts is +6.4.
    level, apart = told.split("; the last part lies ")
    assert level.startswith("+6.")
    assert " ± 0." in level
    assert float(apart.split()[0]) == pytest.approx(float(side.split()[0]), abs=0.3)
    assert apart.endswith(f"{side.split()[2]} it")


def test_sizes_exactly_on_a_line_have_not_left_it(plan, make_run):
    readings = [(part, "seat", round(0.1 * part, 1)) for part in range(60, 92)]
    study = examine(make_run(readings), plan)

    assert level_words(Lens(study, voice()).lead).startswith("+9.10 ± 0.00 µm")
