"""Separators, marks, quotes, line ends, encodings, headers: how files are written."""

import io

import pytest

from spc.errors import UnreadableRun
from spc.intake import read_run
from spc.intake.tokens import cut_line

RIGHT = {
    ("1001", "seat A", 0): 3.1, ("1001", "seat B", 0): -5.4,
    ("1004", "seat A", 0): 6.7, ("1004", "seat B", 0): -6.2,
}  # fmt: skip


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_separators_and_line_ends(read, taken, separator, end):
    lines = ["part,seat A,seat B", "1001,25.0031,19.9946", "1004,25.0067,19.9938", ""]

    run = read(end.join(lines).replace(",", separator))

    assert taken(run) == RIGHT
    assert run.measurements["row"].tolist() == [2, 2, 3, 3]
    assert run.measurements["decimals"].tolist() == [4] * 4
    assert run.measurements["part"].tolist() == [1, 1, 4, 4]


@pytest.mark.parametrize("separator", [";", "\t", "|"])
def test_decimal_commas(read, taken, separator):
    lines = "part;seat A;seat B\n1001;25,0031;19,9946\n1004;25,0067;19,9938\n"

    assert taken(read(lines.replace(";", separator))) == RIGHT


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "utf-32"]
)
def test_encodings_keep_the_signs_of_the_header(read, taken, encoding):
    more = '[columns]\n"seat A" = "Ø1 [mm]"\n"seat B" = "Ø2 [mm]"\n'
    text = "Teil-Nr.;Ø1 [mm];Ø2 [mm]\n1001;25,0031;19,9946\n1004;25,0067;19,9938\n"

    assert taken(read(text.encode(encoding), more)) == RIGHT


def test_the_plan_may_name_another_code_page(read, taken):
    more = '[reading]\ncode_page = "cp850"\n[columns]\n"seat A" = "Ø1"\n"seat B" = "Ø2"\n'
    text = "part;Ø1;Ø2\n1001;25,0031;19,9946\n1004;25,0067;19,9938\n"

    assert taken(read(text.encode("cp850"), more)) == RIGHT


def test_quoted_cells_hold_separators_quotes_and_line_breaks(read, taken):
    run = read(
        'part,"seat A\n[mm]",note,seat B\n'
        '1001,"25.0031","wheel ""B"", new\nsecond line",19.9946\n'
        ' "1004" , 25.0067 ,plain,"19.9938"\n'
    )

    assert taken(run) == RIGHT
    assert run.measurements["row"].tolist() == [3, 3, 5, 5]


def test_decimal_commas_in_quotes_may_stand_between_commas(read, taken):
    text = 'part,seat A,seat B\n1001,"25,0031","19,9946"\n1004,"25,0067","19,9938"\n'

    assert taken(read(text)) == RIGHT


def test_a_quote_that_is_never_closed_costs_one_row(read, taken):
    run = read(
        'part,seat A,seat B\n1001,25.0031,19.9946\n1002,"25.0044,19.9950\n1004,25.0067,19.9938\n'
    )

    assert taken(run) == RIGHT
    assert run.rejects[["row", "column"]].values.tolist() == [[3, ""]]
    assert run.account["rejected"] == 2


def test_two_stray_quotes_swallow_no_rows(read, taken):
    run = read(
        "part,seat A,seat B,note\n1001,25.0031,19.9946,\n"
        '1002,25.0040,19.9940,"burn\n1003,25.0040,19.9940,"mark\n1004,25.0067,19.9938,\n'
    )

    assert taken(run) == RIGHT
    assert run.rejects["row"].tolist() == [3, 4]


def test_blank_lines_padding_and_missing_or_extra_empties(read, taken):
    run = read(
        "\n part ,  seat A,seat B  ,note\n\n1001, 25.0031 ,\t19.9946\n;;;\n".replace(";", ",")
        + "1004,25.0067,19.9938,,,\n   \n"
    )

    assert taken(run) == RIGHT
    assert len(run.rejects) == 0
    assert run.measurements["row"].tolist() == [4, 4, 6, 6]


def test_every_row_may_end_in_a_separator_that_the_header_lacks(read, taken):
    assert (
        taken(read("part;seat A;seat B\n1001;25,0031;19,9946;\n1004;25,0067;19,9938;\n")) == RIGHT
    )


def test_headers_in_any_order_case_and_company(read, taken):
    run = read(
        "Seat B,shift,SEAT_A,operator,Part No.\n19.9946,1,25.0031,S,1001\n"
        "19.9938,1,25.0067,R,1004\n"
    )

    assert taken(run) == RIGHT
    assert run.measurements["operator"].tolist() == ["S", "S", "R", "R"]


def test_text_before_the_header_is_skipped(read, taken):
    run = read(
        "Bench gauge export;;\nseat A;25,000;+0,011\nMean;25,0049;x\n\nOperator: shift 2\n"
        "Lfd. Nr.;seat A;seat B\n1001;25,0031;19,9946\n1004;25,0067;19,9938\n"
    )

    assert taken(run) == RIGHT
    assert run.account["skipped_lines"] == 6


def test_a_line_of_units_under_the_header_belongs_to_it(read, taken):
    run = read("part,seat A,seat B\n,in,in\n1001,0.984374,0.787189\n1004,.984516,.787157\n")

    assert taken(run) == pytest.approx(
        {("1001", "seat A", 0): 3.1, ("1001", "seat B", 0): -5.399,
         ("1004", "seat A", 0): 6.706, ("1004", "seat B", 0): -6.212}, abs=0.001
    )  # fmt: skip


def test_a_header_that_comes_again_is_skipped(read, taken):
    run = read(
        "part,seat A,seat B\n1001,25.0031,19.9946\npart,seat A,seat B\n1004,25.0067,19.9938\n"
    )

    assert taken(run) == RIGHT


def test_a_single_column_numbers_the_parts(read, taken):
    run = read("seat A\n24,9987\n25,0013\n\n25,0040\n")

    assert taken(run) == {
        ("1", "seat A", 0): -1.3, ("2", "seat A", 0): 1.3, ("3", "seat A", 0): 4.0
    }  # fmt: skip


def test_a_single_column_without_header_is_told_by_the_nominal(read, taken):
    assert taken(read("20,0013\n19,9987\n19,9940\n")) == {
        ("1", "seat B", 0): 1.3, ("2", "seat B", 0): -1.3, ("3", "seat B", 0): -6.0
    }  # fmt: skip


def test_words_in_a_single_column_keep_the_numbers_of_the_parts(read, taken):
    run = read("Seat A [mm]\n25.0013\nRANGE\n---\n25.0040\nMean 25.0027\n")

    assert taken(run) == {("1", "seat A", 0): 1.3, ("4", "seat A", 0): 4.0}
    assert run.rejects["text"].tolist() == ["RANGE", "---"]
    assert run.account["summary"] == 1


@pytest.mark.parametrize(
    "head",
    [
        "Datum;Uhrzeit;Teil-Nr;seat A;seat B;Bemerkung",
        "Date;Heure;N° pièce;seat A;seat B;Remarque",
        "Date;Time;S/N;seat A;seat B;Comment",
        "Messdatum;Zeit;Lfd. Nr.;seat A;seat B;Prüfer",
        "Datum;Uhrzeit;Teilenummer;Messwert seat A;Istwert seat B;Bemerkung",
        "Datum;Uhrzeit;Werkstück-Nr.;Ø seat A;seat B Durchmesser;Bemerkung",
    ],
)
def test_headers_in_several_languages(read, taken, head):
    run = read(
        f"{head}\n19.11.2026;06:07:30;1001;25,0031;19,9946;\n19.11.2026;06:10:30;1004;25,0067;19,9938;\n"
    )

    assert taken(run) == RIGHT
    assert str(run.measurements["time"].iloc[0]) == "2026-11-19 06:07:30+00:00"


def test_too_many_fields_reject_the_row_and_never_shift_it(read, taken):
    run = read(
        "part,seat A,seat B\n1001,25.0031,19.9946\n1002,25,0044,19.9950\n1003,25,0044,\n"
        "1004,25.0067,19.9938\n"
    )

    assert taken(run) == RIGHT
    assert run.rejects[["row", "column"]].values.tolist() == [[3, ""], [4, ""]]
    assert "too many fields" in run.rejects["reason"].iloc[0]


def test_a_missing_field_never_shifts_values(read, taken):
    run = read(
        "time,part,seat A,seat B\n2026-11-19 06:07,1001,25.0031,19.9946\n"
        "2026-11-19 06:08,1002,19.9944\n1003,25.0044,19.9950\n"
        "2026-11-19 06:09,1004,25.0067,19.9938\n"
        "2026-11-19 06:10,1005,25.0050\n"
    )

    assert taken(run) == RIGHT | {("1005", "seat A", 0): 5.0}
    assert run.rejects["row"].tolist() == [3, 4]
    assert all("too few fields" in reason for reason in run.rejects["reason"])


@pytest.mark.parametrize("last", ["1005,25.0051,19.9", "1005,25.0051", "1005", "Mean,,"])
def test_a_last_line_cut_off_in_writing_is_left_out_and_asked_about(read, taken, last):
    text = f"part,seat A,seat B\n1001,25.0031,19.9946\n1004,25.0067,19.9938\n{last}"

    run = read(text, growing=False)

    assert taken(run) == RIGHT
    assert run.rejects[["row", "column", "text"]].values.tolist() == [[4, "", last]]
    assert "unfinished line" in run.rejects["reason"].iloc[0]
    (asked,) = [r for r in run.remarks if r.startswith("question: ")]
    assert "row 4" in asked
    assert repr(last) in asked


def test_a_complete_last_line_without_its_end_is_taken_and_said(read, taken):
    run = read(
        "part,seat A,seat B\n1001,25.0031,19.9946\n1004,25.0067,19.9938\n1005,25.0190,19.9941",
        growing=False,
    )

    assert taken(run) == RIGHT | {("1005", "seat A", 0): 19.0, ("1005", "seat B", 0): -5.9}
    assert not len(run.rejects)
    assert any("row 4, has no line end; it is complete and taken" in r for r in run.remarks)
    assert not any(r.startswith("question: ") for r in run.remarks)


@pytest.mark.parametrize(
    ("header", "lines", "last", "whole"),
    [
        ("seat A,part", "25.0031,1001\n25.0067,1004\n", "25.0050,1005", True),
        ("seat A,part", "25.0031,1001\n25.0067,1004\n", "25.0050,100", False),
        ("seat A,time", "25.0031,2026-11-19 09:05\n", "25.0050,2026-11-19 10:1", False),
        ("seat A,time", "25.0031,2026-11-19 09:05\n", "25.0050,2026-11-19 10:10", True),
        ("part,seat A,event", "1,25.0031,\n2,25.0031,\n", "3,25.0050,", True),
        ("part,seat A,event", "1,25.0031,\n2,25.0031,\n", "3,25.0050,dress", True),
        ("part,seat A,event", "1,25.0031,\n2,25.0031,\n", "3,25.0050,dre", False),
        ("part,seat A,note", "1,25.0031,a\n2,25.0031,b\n", "3,25.0050,half a wo", True),
        ("part,seat A", '1,25.0031\n2,25.0031\n', '3,"25.0050', False),
        ("part,seat A", "1,25.003\n2,25.0031\n3,25.0044\n", "4,25.006", False),
        ("part,seat A", "1,25.0031 mm\n2,25.0031 mm\n", "3,25.0050 m", False),
        ("part,seat A", "1,25.0031 mm\n2,25.0031 mm\n", "3,25.0050 mm", True),
    ],
)  # fmt: skip
def test_only_the_last_cell_can_be_cut(read, header, lines, last, whole):
    run = read(f"{header}\n{lines}{last}", growing=False)

    assert len(run.rejects) == (not whole)


@pytest.mark.parametrize("last", ["1005,25.0051,19.9", "1005,25.0051,19.9941", "1005", "Mean,,"])
def test_a_file_that_may_still_grow_keeps_its_last_line_for_later(read, taken, last):
    run = read(f"part,seat A,seat B\n1001,25.0031,19.9946\n1004,25.0067,19.9938\n{last}")

    assert taken(run) == RIGHT
    assert run.rejects[["row", "column", "text"]].values.tolist() == [[4, "", last]]
    assert run.rejects["reason"].iloc[0].startswith("unfinished line")


def test_a_character_cut_at_the_end_is_an_unfinished_line(read, taken):
    text = "part,seat A,seat B,note\n1001,25.0031,19.9946,\n1004,25.0067,19.9938,\n1005,25.0,19.9,µ"

    run = read(text.encode()[:-1])

    assert taken(run) == RIGHT
    assert run.rejects["row"].tolist() == [4]


def test_cut_line_keeps_inch_signs():
    assert cut_line('1001,.9843",".9843""",x', ",").fields == ["1001", '.9843"', '.9843"', "x"]


def test_a_dash_reads_standard_input(monkeypatch, seats, taken):
    content = io.BytesIO(b"part;seat A\n1;25,0031\n")
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(content))

    run = read_run("-", seats)

    assert taken(run) == {("1", "seat A", 0): 3.1}
    assert run.sources[0].name == "-"


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        (
            "Nr,D1,D2,event,amount_um\n1,25.0031,19.9946,,\n2,25.0033,19.9946,offset,-3\n",
            'such as [columns] "seat A" = "D1", "seat B" = "D2"',
        ),
        ("no;when;left\n1;06:07;19,9946\n2;06:09;19,9946\n", 'such as [columns] "seat B" = "left"'),
        ("part,event,amount_um\n1,offset,-3\n", "under [columns]"),
    ],
)
def test_a_missing_column_names_those_that_could_hold_the_sizes(read, text, hint):
    with pytest.raises(UnreadableRun, match="no known column") as refused:
        read(text)

    assert str(refused.value).endswith(f"name the columns in the plan, {hint}")
