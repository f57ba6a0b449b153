from dataclasses import replace

import numpy as np
import pytest
import studies
from scipy.stats import t

from spc.report.handover import feature_table
from spc.report.lens import Lens
from spc.report.level import level_of, level_words
from spc.report.terminal import check_lines
from spc.report.voice import voice


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
