"""Whole columns and cell by cell give the same; no file brings anything but an SpcError."""

import time

import pandas as pd
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from spc.errors import SpcError
from spc.intake.csv_file import read_sheet_text
from spc.intake.decoding import text_of
from spc.intake.reading import run_of
from spc.plan import read_plan

PLAN = read_plan(
    b"""
[job]
part = "Bilge pump shaft"
machine = "Grinder 2"
[[feature]]
name = "seat A"
nominal = 25.0
upper = 0.011
lower = 0.002
expansion_per_kelvin = 11.5e-6
[[feature]]
name = "seat B"
nominal = 20.0
upper = 0.0
lower = -0.013
[shifts]
zone = "Europe/Paris"
""",
    source="plan.toml",
)
WORDS = st.sampled_from(
    ["", "---", "OVER", "#N/A", "nan", "inf", "1e999", "25,0031", "0.98438", "12.5031", "25.5031",
     "27.3", "250.04", "Mean", "s", '"', '""', '"x', "25.0031 mm", '.98438"', "+3.1 µm", "−3.1",
     " 25.0031 ", "=1+1", "25.003100000000001", "999999999999999999999", "\t", "\u00a0", "µ", "é",
     "25'003.1", "25 003,1", "1.234,5", ".", "-", "+", "e5", "00025.0031", "2.50031e1",
     "1e308"]
)  # fmt: skip
SIZE_A = st.integers(249_900, 250_150).map(lambda n: f"{n / 10_000:.4f}")
SIZE_B = st.integers(199_800, 200_100).map(lambda n: f"{n / 10_000:.4f}")
TIMES = st.one_of(
    st.integers(0, 10**6).map(
        lambda n: f"2026-11-{1 + n % 30:02} {n % 24:02}:{n % 60:02}:{n % 59:02}"
    ),
    st.integers(1, 28).map(lambda n: f"{n:02}.11.2026 06:{n:02}"),
    st.sampled_from(
        ["", "soon", "46345.25", "2026-11-19T06:07:30Z", "19/11/2026 6:07 PM", "06:07"]
    ),
)
SERIALS = st.one_of(
    st.integers(1, 60).map(str), st.sampled_from(["", "SN-7", "7.0", "Mean", "s", "007", "7 8"])
)
EVENTS = st.sampled_from(["", "", "", "", "dress", "offset", "belt", "regrind", "-"])
AMOUNTS = st.sampled_from(["", "-3", "2,5", "0.003 mm", "x"])
HEADERS = {
    "time": TIMES,
    "part": SERIALS,
    "seat A": SIZE_A,
    "seat A 2": SIZE_A,
    "seat B": SIZE_B,
    "event": EVENTS,
    "amount_um": AMOUNTS,
    "note": st.sampled_from(["", "burn", 'a "b"', "x;y", "line\nbreak"]),
    "feature": st.sampled_from(["seat A", "seat B", "Seat a", "runout", ""]),
    "value": st.one_of(SIZE_A, SIZE_B),
    "unit": st.sampled_from(["mm", "", "in", "µm", "kg"]),
    "Temp": st.sampled_from(["20.5", "", "x"]),
    "machine": st.sampled_from(["Grinder 2", "Grinder 3", ""]),
    "operator": st.sampled_from(["S", "R", ""]),
    "other": WORDS,
}


def quoted(cell, separator):
    if any(sign in cell for sign in (separator, '"', "\n")):
        return '"' + cell.replace('"', '""') + '"'
    return cell


def damages(line, separator):
    return [
        line + separator + "7",
        line.rpartition(separator)[0],
        "",
        line + '"',
        '"' + line,
        line + separator * 2,
        "Mean" + separator + "25.0",
        line[:7],
        line.replace(".", ","),
        line.upper(),
        "--- end ---",
        line + "\r",
    ]


@st.composite
def files(draw):
    """Text of a file that may be valid, or nearly so."""
    names = draw(st.permutations(sorted(HEADERS)))[: draw(st.integers(1, 8))]
    if not {"seat A", "seat B"} & set(names) and not {"feature", "value"} <= set(names):
        names = ["seat A", *names[:-1]]
    separator = draw(st.sampled_from(",;\t|"))
    rows = [list(names)]
    for _ in range(draw(st.integers(0, 14))):
        row = [draw(HEADERS[name]) for name in names]
        if draw(st.integers(0, 5)) == 0:
            row[draw(st.integers(0, len(row) - 1))] = draw(WORDS)
        rows.append(row)
        if draw(st.integers(0, 9)) == 0:
            rows.append(list(row))
    lines = [separator.join(quoted(cell, separator) for cell in row) for row in rows]
    for _ in range(draw(st.integers(0, 3))):
        at = draw(st.integers(0, len(lines) - 1))
        lines[at] = draw(st.sampled_from(damages(lines[at], separator)))
    text = draw(st.sampled_from(["\n", "\n", "\r\n", "\r"])).join(lines)
    return text + draw(st.sampled_from(["\n", "\n", "\n", "", "\n\n"]))


def run_in(content, plan=PLAN, *, careful=False):
    """The run in the bytes of a file, or the words of its refusal."""
    try:
        text = text_of("run.csv", content, code_page="cp1252")
        run = run_of([read_sheet_text(text, plan, careful=careful)], plan)
    except SpcError as refusal:
        return str(refusal)
    account = run.account
    ends = ("measurements", "rejected", "blank", "identical", "summary")
    assert account["cells"] == sum(account[end] for end in ends)
    assert all(count >= 0 for count in account.values())
    assert account["measurements"] == len(run.measurements) > 0
    assert account["events"] == len(run.events)
    assert run.measurements["deviation_um"].notna().all()
    assert (run.measurements["part"] >= 1).all()
    assert (run.rejects["reason"] != "").all()
    lines = content.count(b"\n") + content.count(b"\r") + 1
    assert run.measurements["row"].between(1, lines).all()
    return run


def assert_same(one, two):
    if isinstance(one, str) or isinstance(two, str):
        assert one == two
        return
    pd.testing.assert_frame_equal(one.measurements, two.measurements, check_exact=True)
    pd.testing.assert_frame_equal(one.events, two.events)
    pd.testing.assert_frame_equal(one.rejects, two.rejects)
    assert one.account == two.account
    assert one.remarks == two.remarks


@settings(max_examples=120, deadline=None, derandomize=True)
@given(files())
@example("part;seat A\n1;25,003099999999998\n2;25,0031\n")
@example(
    "time,part,seat A,unit\n\xa0,1,25.0031\xa0,µm\n\u2009x,2,\xa0,mm\u3000\n\x0b,3,25.0031\x1f,\n"
)
@example("seat A,unit\n\xa0,mm\n\xa0,mm\n")
def test_whole_columns_give_what_cell_by_cell_gives(text):
    content = text.encode()

    assert_same(run_in(content), run_in(content, careful=True))


@settings(max_examples=100, deadline=None, derandomize=True)
@given(
    st.lists(st.decimals("-999", "999", places=7), min_size=1, max_size=20),
    st.sampled_from(["mm", "in", "um"]),
)
def test_numbers_are_rounded_once_whichever_way_they_are_read(numbers, unit):
    content = "".join(f"{i};{n}\n" for i, n in enumerate(numbers, 1))
    content = f"part;seat A [{unit}]\n{content}".encode()

    assert_same(run_in(content), run_in(content, careful=True))


@settings(max_examples=150, deadline=None, derandomize=True)
@given(st.binary(max_size=300))
@example(b"\xa0")
def test_any_bytes_are_read_or_refused(content):
    run_in(content)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(
    files(),
    st.lists(st.tuples(st.integers(0, 10**6), st.integers(0, 255)), max_size=6),
    st.integers(0, 3),
)
@example("Temp,feature,value\n", [], 0)
def test_damaged_files_are_read_or_refused(text, damage, kind):
    content = bytearray(text.encode(["utf-8", "cp1252", "utf-16", "utf-8-sig"][kind], "replace"))
    for place, byte in damage:
        if content:
            content[place % len(content)] = byte
    run_in(bytes(content))


@settings(max_examples=120, deadline=None, derandomize=True)
@given(st.text(alphabet='0123456789.,;\t|"\n\r-+ seatAB partime\u00b5', max_size=200))
def test_text_of_the_right_signs_is_read_or_refused(text):
    run_in(("part;seat A\n" + text).encode())
    run_in(("seat A\n" + text).encode())


@pytest.mark.slow
@settings(max_examples=2500, deadline=None, derandomize=True)
@given(files())
def test_whole_columns_give_what_cell_by_cell_gives_at_length(text):
    content = text.encode()

    assert_same(run_in(content), run_in(content, careful=True))


@pytest.mark.parametrize("unit", ['"', "''", '\n"', ',"', ";\n", "\n,", "\x00", "25,", '"\n"'])
def test_long_monotonous_damage_does_not_hang(unit):
    run_in(b"part,seat A\n1,25.0031\n" + unit.encode() * 60_000)


@pytest.mark.parametrize("sign", ["a", " ", "-", "1", "(", '"', "_", "seat A", "25 ", "µ", "1a"])
def test_one_enormous_cell_does_not_hang(sign):
    cell = sign.encode() * 60_000
    run_in(b"time;part;seat A\nx;1;25,0031\n" + cell + b"1;2;" + cell + b"1\n")
    run_in(b"time;part;seat A" + cell + b"\nx;1;25,0031\n")
    run_in(b"part;feature;value\n1;seat A" + cell + b"1;25,0031\n")


def seconds(content):
    began = time.process_time()
    run_in(content)
    return time.process_time() - began


@pytest.mark.parametrize("cell", ["1e308", "-1e308", "1e400", "9" * 300, "nan"])
@pytest.mark.parametrize("unit", ["", " [mm]", " [in]", " [µm]"])
def test_numbers_beyond_measure_are_refused_without_a_warning(cell, unit):
    rows = "1;25,0031\n2;25,0033\n3;25,0035\n" if not unit else "1;3,1\n2;3,3\n3;3,5\n"

    run = run_in(f"part;seat A{unit}\n{rows}4;{cell}\n".encode())
    alone = run_in(f"part;seat A{unit}\n1;{cell}\n".encode())

    assert isinstance(run, str) or run.rejects["text"].tolist() == [cell]
    assert "no measurements" in alone


WIDE = {
    "one header many times": lambda n: b"part" + b",seat A" * n + b"\n1" + b",25.0031" * n + b"\n",
    "readings side by side": lambda n: (
        "part," + ",".join(f"seat A {i}" for i in range(n)) + "\n1" + ",25.0031" * n + "\n"
    ).encode(),
    "unknown headers": lambda n: (
        "part,seat A," + ",".join(f"c{i}" for i in range(n)) + "\n1,25.0031" + ",1" * n + "\n"
    ).encode(),
}
LONG = {
    "a line of commas": lambda n: b"part,seat A\n1,25.0031\n" + b"," * n + b"\n",
    "commas behind every row": lambda n: b"part,seat A\n" + b"1,25.0031" + b"," * n + b"\n",
    "a quoted cell of line ends": lambda n: b'part,seat A\n1,25.0031\n2,"' + b"\n" * n + b'"\n',
}


@pytest.mark.parametrize(("make", "count"), [
    *((make, 600) for make in WIDE.values()), *((make, 400_000) for make in LONG.values())
], ids=[*WIDE, *LONG])  # fmt: skip
def test_time_grows_with_the_size_of_a_file_and_not_with_its_square(make, count):
    seconds(make(count))
    once = min(seconds(make(count)) for _ in range(2))
    more = min(seconds(make(4 * count)) for _ in range(2))

    # Four times as much takes four times as long; sixteen times were the square.
    assert more < max(8 * once, 0.5)


@pytest.mark.parametrize("make", WIDE.values(), ids=WIDE)
def test_more_columns_than_any_file_has_are_refused(make):
    assert "more columns than any file of measurements has (2,500)" in run_in(make(8000))


def test_blank_lines_are_counted_inside_and_outside_of_quotes():
    text = b'part,seat A,note\n\n1,25.0031,"a\n\nb"\n\n\n2,25.0031,\n3,25.0031,"\n\n'

    run = run_in(text)

    assert run.measurements["row"].tolist() == [3, 8]
    # The header and the blank lines that belong to no cell.
    assert run.account["skipped_lines"] == 1 + 1 + 2 + 1
