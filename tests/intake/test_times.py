"""Forms of times, zones, the hour that comes twice, day numbers of spreadsheets."""

import pytest

from spc.errors import UnreadableRun

PARIS = '[shifts]\nzone = "Europe/Paris"\n'


def times(run):
    return [None if str(t) == "NaT" else str(t)[:19] for t in run.measurements["time"]]


def column(*cells, head="time"):
    rows = "".join(f'"{cell}";{i};25,0031\n' for i, cell in enumerate(cells, 1))
    return f"{head};part;seat A\n{rows}"


@pytest.mark.parametrize(
    ("cell", "right"),
    [
        ("2026-11-19 06:07:30", "2026-11-19 06:07:30"),
        ("2026-11-19T06:07:30", "2026-11-19 06:07:30"),
        ("2026-11-19T06:07:30.250Z", "2026-11-19 06:07:30"),
        ("2026-11-19T06:07:30+01:00", "2026-11-19 05:07:30"),
        ("2026-11-19 06:07:30 -0500", "2026-11-19 11:07:30"),
        ("2026/11/19 6:07", "2026-11-19 06:07:00"),
        ("2026.11.19 06:07", "2026-11-19 06:07:00"),
        ("20261119T060730", "2026-11-19 06:07:30"),
        ("20261119 0607", "2026-11-19 06:07:00"),
        ("19.11.2026 06:07:30", "2026-11-19 06:07:30"),
        ("19.11.26 06:07", "2026-11-19 06:07:00"),
        ("05.04.2026, 6:07 Uhr", "2026-04-05 06:07:00"),
        ("19/11/2026 06h07", "2026-11-19 06:07:00"),
        ("11/19/2026 6:07:30 PM", "2026-11-19 18:07:30"),
        ("11/19/2026 12:07 AM", "2026-11-19 00:07:00"),
        ("11/19/2026 12:07 p.m.", "2026-11-19 12:07:00"),
        ("19-Nov-2026 06:07", "2026-11-19 06:07:00"),
        ("19. Dez. 2026 06:07:30", "2026-12-19 06:07:30"),
        ("19 févr. 2026 06:07", "2026-02-19 06:07:00"),
        ("Nov 19, 2026 6:07 PM", "2026-11-19 18:07:00"),
        ("Thu, 19 Nov 2026 06:07:30", "2026-11-19 06:07:30"),
        ("2026-11-19", "2026-11-19 00:00:00"),
        ("46345,25521", "2026-11-19 06:07:30"),
        ("46345.25521", "2026-11-19 06:07:30"),
        ("1795068450", "2026-11-19 06:07:30"),
    ],
)
def test_forms_of_times(read, cell, right):
    run = read(column(cell, cell))

    assert times(run)[0] == right
    assert str(run.measurements["time"].dt.tz) == "UTC"


@pytest.mark.parametrize(
    "cell",
    ["2026-02-30 06:07", "31/11/2026 06:07", "2026-11-19 24:01", "2026-11-19 06:60", "soon",
     "13/13/2026", "19 Brr 2026", "25:61", "99999999", "2026-11-19 13:07 PM", "1805-01-01 06:00"],
)  # fmt: skip
def test_what_is_no_time_is_left_out_and_named(read, cell):
    run = read(column("2026-11-19 06:07:30", cell))

    assert times(run) == ["2026-11-19 06:07:30", None]
    assert any("1 times cannot be read" in r and "row 3" in r for r in run.remarks)


def test_the_column_proves_the_order_of_day_and_month(read):
    assert times(read(column("03/04/2026 06:00", "13/04/2026 06:00"))) == [
        "2026-04-03 06:00:00", "2026-04-13 06:00:00",
    ]  # fmt: skip
    assert times(read(column("03/04/2026 06:00", "03/14/2026 06:00"))) == [
        "2026-03-04 06:00:00", "2026-03-14 06:00:00",
    ]  # fmt: skip


def test_an_order_that_nothing_proves_is_refused_unless_the_plan_says_it(read):
    text = column("03/04/2026 06:00", "03/04/2026 06:05 PM")
    with pytest.raises(UnreadableRun, match=r"'03/04/2026 06:00' is ambiguous.*day_first"):
        read(text)

    assert times(read(text, "[reading]\nday_first = true\n"))[0] == "2026-04-03 06:00:00"
    assert times(read(text, "[reading]\nday_first = false\n"))[1] == "2026-03-04 18:05:00"


def test_a_column_that_proves_both_orders_is_ambiguous(read):
    with pytest.raises(UnreadableRun, match="ambiguous"):
        read(column("13/04/2026 06:00", "04/14/2026 06:05"))


@pytest.mark.parametrize(
    ("date", "clock"),
    [
        ("19.11.2026", "06:07:30"),
        ("11/19/2026", "6:07:30 AM"),
        ("2026-11-19", "060730"),
        ("2026-11-19 00:00:00", "06:07:30"),
        ("46345", "0,25521"),
        ("2026-11-19", "1899-12-30 06:07:30"),
    ],
)
@pytest.mark.parametrize("heads", ["Datum;Uhrzeit", "date;time", "Date;Heure"])
def test_date_and_clock_in_two_columns(read, heads, date, clock):
    run = read(f"{heads};part;seat A\n{date};{clock};1;25,0031\n{date};;2;25,0031\n")

    assert times(run) == ["2026-11-19 06:07:30", None]


def test_clocks_without_dates_are_left_out(read):
    run = read(column("06:07:30", "06:08:30"))

    assert times(run) == [None, None]
    assert any("no date" in remark for remark in run.remarks)


def test_day_numbers_from_1904(read):
    run = read(column("44883.25521"), "[reading]\ndate_system = 1904\n")

    assert times(run) == ["2026-11-19 06:07:30"]


def test_local_time_becomes_utc_by_the_zone_of_the_plan(read):
    run = read(column("2026-07-01 06:00", "2026-11-19 06:00", "2026-11-19 06:00Z"), PARIS)

    assert times(run) == ["2026-07-01 04:00:00", "2026-11-19 05:00:00", "2026-11-19 06:00:00"]


def test_a_header_may_say_utc(read):
    assert times(read(column("2026-11-19 06:00", head="Time (UTC)"), PARIS)) == [
        "2026-11-19 06:00:00"
    ]


def test_the_hour_that_comes_twice_goes_by_the_order_of_the_file(read):
    # Europe/Paris fell back from 03:00 to 02:00 on 25 October 2026 (tz database).
    run = read(
        column("2026-10-25 01:50", "2026-10-25 02:10", "2026-10-25 02:50", "2026-10-25 02:05",
               "2026-10-25 02:55", "2026-10-25 03:05"), PARIS)  # fmt: skip

    assert times(run) == [
        "2026-10-24 23:50:00", "2026-10-25 00:10:00", "2026-10-25 00:50:00",
        "2026-10-25 01:05:00", "2026-10-25 01:55:00", "2026-10-25 02:05:00",
    ]  # fmt: skip
    assert any("comes twice" in remark for remark in run.remarks)
    assert not any("step back" in remark for remark in run.remarks)


def test_a_falling_file_across_the_hour_that_comes_twice(read):
    run = read(
        column("2026-10-25 03:05", "2026-10-25 02:05", "2026-10-25 02:50", "2026-10-25 01:50"),
        PARIS,
    )

    assert times(run) == [
        "2026-10-24 23:50:00", "2026-10-25 00:50:00", "2026-10-25 01:05:00", "2026-10-25 02:05:00",
    ]  # fmt: skip


def test_an_hour_that_never_was_moves_on(read):
    # Europe/Paris went from 02:00 to 03:00 on 29 March 2026 (tz database).
    run = read(column("2026-03-29 01:59", "2026-03-29 02:30", "2026-03-29 03:10"), PARIS)

    assert run.measurements["time"].is_monotonic_increasing
    assert times(run)[1] == "2026-03-29 01:00:00"


def test_mixed_forms_in_one_column(read):
    run = read(column("2026-11-19 06:07:30", "19.11.2026 06:08", "20261119T060900", ""))

    assert times(run) == [
        "2026-11-19 06:07:30", "2026-11-19 06:08:00", "2026-11-19 06:09:00", None
    ]  # fmt: skip
    assert run.measurements["time"].isna().sum() == 1
