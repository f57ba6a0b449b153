from datetime import date

import pytest

from spc.errors import SpcError
from spc.shifts import shift_span, span_of


def test_a_shift_is_found_in_local_time(plan, make_run):
    # 06:00 UTC is 07:00 in Paris in winter: the early shift.
    run = make_run([(part, "seat", 0.0) for part in range(1, 200)], minutes=5)

    span = shift_span(run, plan, "early")

    assert span.start.isoformat() == "2026-11-23T06:00:00+01:00"
    # 07:00 plus 5 minutes a part reaches 14:00 at part 84, which is the next shift's.
    assert span_of(run, span) == (1, 83)


def test_a_night_shift_belongs_to_the_day_it_began(plan, make_run):
    run = make_run([(1, "seat", 0.0), (2, "seat", 0.0)], start="2026-11-23 22:30", minutes=240)

    span = shift_span(run, plan, "night", date(2026, 11, 23))

    assert span.start.isoformat() == "2026-11-23T22:00:00+01:00"
    assert span.end.isoformat() == "2026-11-24T06:00:00+01:00"
    assert span_of(run, span) == (1, 1)


def test_the_night_of_the_clock_change_has_nine_hours(plan, make_run):
    # Paris leaves summer time on 25 October 2026 at 03:00.
    run = make_run([(1, "seat", 0.0)], start="2026-10-25 00:00")

    span = shift_span(run, plan, "night", date(2026, 10, 24))

    hours = (span.end.timestamp() - span.start.timestamp()) / 3600
    assert hours == 9


def test_without_a_date_the_last_such_shift_with_a_part_in_it_is_meant(plan, make_run):
    run = make_run([(1, "seat", 0.0), (2, "seat", 0.0)], start="2026-11-20 08:00", minutes=1440)

    assert shift_span(run, plan, "early").start.date() == date(2026, 11, 22)


def test_an_unknown_shift_lists_those_of_the_plan(plan, make_run):
    with pytest.raises(SpcError, match="no shift 'late'; it has: early, night"):
        shift_span(make_run([(1, "seat", 0.0)]), plan, "late")


def test_an_empty_shift_is_refused(plan, make_run):
    run = make_run([(1, "seat", 0.0)])

    with pytest.raises(SpcError, match="no part was measured"):
        span_of(run, shift_span(run, plan, "early", date(2026, 11, 1)))


def test_a_run_without_times_has_no_shifts(plan, make_run):
    run = make_run([(1, "seat", 0.0)])
    run.measurements["time"] = run.measurements["time"].where([False])

    with pytest.raises(SpcError, match="no times"):
        shift_span(run, plan, "early")
