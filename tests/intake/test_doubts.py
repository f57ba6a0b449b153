"""Words in cells, sizes off by a factor, numbers that can be read in two ways, refusals."""

import numpy as np
import pytest
from forty import for_nominal

from spc.errors import SpcError, UnreadableRun
from spc.plan import read_plan

HEAD = "part;seat A;seat B\n"


def rows(*cells):
    return HEAD + "".join(f"{i};{cell};19,9946\n" for i, cell in enumerate(cells, 1))


@pytest.mark.parametrize(
    "word",
    ["---", "OVER", "ERR", "#N/A", "nan", "NaN", "inf", "-inf", "∞", "1e999", "1.#INF", "#DIV/0!",
     "25,0031*", "<25,0", "25,00,31", "25,0031 kg", "O.K.", "?", "-", "25_0031", "TRUE", "25..0",
     "1e9", "0x19", "25,0031 25,0033"],
)  # fmt: skip
def test_what_is_no_number_is_refused_with_its_text(read, word):
    run = read(rows("25,0031", word, "25,0044"))

    assert run.rejects[["row", "column", "text"]].values.tolist() == [[3, "seat A", word]]
    assert run.rejects["reason"].iloc[0]
    assert run.account["measurements"] == 5
    assert run.account["rejected"] == 1


@pytest.mark.parametrize(
    ("cell", "um", "decimals"),
    [("25,0031", 3.1, 4), ("+25,0031", 3.1, 4), ("25,00310", 3.1, 5), (" 25,0031 ", 3.1, 4),
     ("25,003099999999998", 3.1, 15), ("2,50031e1", 3.1, 4), ("25", 0.0, 0), ("25,", 0.0, 0)],
)  # fmt: skip
def test_numbers_keep_the_digits_they_were_written_with(read, cell, um, decimals):
    run = read(rows("25,0031", cell, "25,0044"))
    seat = run.measurements[run.measurements["feature"] == "seat A"].iloc[1]

    assert seat["deviation_um"] == pytest.approx(um, abs=1e-9)
    assert seat["decimals"] == decimals


@pytest.mark.parametrize(
    ("cell", "reason"),
    [
        ("0,98438", "25.4 times too small"),
        ("635,08", "25.4 times too large"),
        ("12,5031", "radius"),
        ("50,0062", "twice"),
        ("2,50031", "10 times too small"),
        ("250,031", "10 times too large"),
        ("25,5031", "thimble turn of 0.5 mm"),
        ("24,5062", "thimble turn of 0.5 mm"),
        ("25,6381", "thimble turn of 0.025 in"),
        ("24,3681", "thimble turn of 0.025 in"),
    ],
)
def test_a_size_off_by_a_known_factor_is_refused(read, cell, reason):
    run = read(rows("25,0031", cell, "25,0044", "25,0050"))

    assert run.rejects[["row", "column", "text"]].values.tolist() == [[3, "seat A", cell]]
    assert reason in run.rejects["reason"].iloc[0]


@pytest.mark.parametrize("cell", ["503,1", "-496,9", "638,1"])
def test_a_deviation_off_by_a_thimble_turn_is_refused(read, cell):
    run = read(f"part;seat A [µm]\n1;3,1\n2;{cell}\n3;4,4\n")

    assert run.rejects["text"].tolist() == [cell]


@pytest.mark.parametrize("cell", ["1,22047", "62", "6,2", "31"])
def test_factors_other_than_a_thimble_turn_do_not_touch_deviations(read, cell):
    run = read(f"part;seat A [µm]\n1;3,1\n2;{cell}\n3;4,4\n")

    assert len(run.rejects) == 0


@pytest.mark.parametrize("cell", ["25,2", "24,8", "27,31", "120", "1,5001", "-25,0031"])
def test_any_other_number_stays_and_is_named(read, cell):
    run = read(rows("25,0031", cell, "25,0044", "25,0050"))

    assert len(run.rejects) == 0
    assert any(f"row 3, seat A: {cell}" in remark for remark in run.remarks)


@pytest.mark.parametrize("factor", [1 / 25.4, 25.4, 2, 0.5, 10, 0.1])
def test_a_whole_column_at_one_factor_refuses_the_file(read, factor):
    cells = [f"{(25.003 + i / 1000) * factor:.6f}".replace(".", ",") for i in range(5)]

    with pytest.raises(UnreadableRun, match=r"column 'seat A'"):
        read(rows(*cells, "ERR"))


# Half a millimetre either way: 1.234 µm and 1,234 µm can both be.
WIDE = for_nominal(25, 0.5, -0.5)


def test_a_comma_that_may_group_or_mark_is_refused(read):
    for head in ("seat A", "seat A [µm]"):
        with pytest.raises(UnreadableRun, match="'1,234' is ambiguous"):
            read(f"part;{head}\n1;1,234\n2;2,105\n", plan=WIDE)
    with pytest.raises(UnreadableRun, match="ambiguous"):
        read("seat A\n1,234\n2,105\n", plan=WIDE)


@pytest.mark.parametrize(
    ("text", "um"),
    [
        ("part;seat A\n1;25,003\n2;25,004\n", [3, 4]),
        ("part;seat A [µm]\n1;25,003\n2;25,004\n", [3, 4]),
        ("part;seat A [µm]\n1;25.003\n2;25.004\n", [3, 4]),
        ("part;seat A [µm]\n1;25.003,1\n2;25.004,2\n", [3.1, 4.2]),
        ("part;seat A [µm]\n1;25 003,1\n2;25 004,2\n", [3.1, 4.2]),
        ("part;seat A [µm]\n1;25'003.1\n2;25'004.2\n", [3.1, 4.2]),
        ("part;seat A [µm]\n1;1,234\n2;0,512\n", [1.234, 0.512]),
        ("part;seat A [µm]\n1;6,711\n2;2,105\n", [6.711, 2.105]),
        ("part;seat A\n1;'6,711\n2;2,105\n", [6.711, 2.105]),
        ("part;seat A [µm]\n1;6.7\n2;5.2\n3;7.003\n4;3.3\n", [6.7, 5.2, 7.003, 3.3]),
        ("part;seat A [µm];Temp\n1;1,234;20,5\n2;2,105;20,5\n", [1.234, 2.105]),
    ],
)
def test_the_nominal_the_limits_or_another_number_prove_the_convention(read, text, um):
    assert read(text).measurements["deviation_um"].tolist() == pytest.approx(um)


def test_the_plan_may_say_the_mark_that_nothing_proves(read):
    wide = WIDE.model_copy(update={"reading": WIDE.reading.model_copy(update={"decimal": ","})})

    run = read("part;seat A [µm]\n1;1,234\n2;2,105\n", plan=wide)

    assert run.measurements["deviation_um"].tolist() == [1.234, 2.105]


def test_columns_may_have_conventions_of_their_own(read, taken):
    run = read("part;seat A;seat B\n1;25,0031;19.9946\n2;25,0044;19.9950\n3;25.0051;19.9946\n")

    assert taken(run) == {
        ("1", "seat A", 0): 3.1, ("2", "seat A", 0): 4.4, ("1", "seat B", 0): -5.4,
        ("2", "seat B", 0): -5.0, ("3", "seat B", 0): -5.4,
    }  # fmt: skip
    assert run.rejects["text"].tolist() == ["25.0051"]


def test_a_comma_that_separates_and_marks_is_refused(read):
    with pytest.raises(UnreadableRun, match="ambiguous"):
        read("part,seat A,seat B\n1,25,0031,19,9946\n2,25,0044,19,9950\n")


REFUSED = {
    "empty": [b"", b"\n\n \n", b"\xef\xbb\xbf", b"\xff\xfe", b"\x00\x00", b" "],
    "no measurements": [
        b"part,seat A,seat B\n", b"part,seat A\n\n\n", b"part,seat A\n1,\n2,\n",
        b"part,seat A\n1,ERR\n2,---\n", b"part,seat A", b"part,seat A\n1,25.0031",
        b"part,seat A,event\n,,dress\n", b"part,seat A\nMean,25.003\n",
    ],
    "column": [
        b"a,b,c\n1,2,3\n", b"hello\nworld\n", b"time;part;D1;D2\n1;2;25,0;20,0\n",
        b"1,2,3\n4,5,6\n",
        b"part,diameter\n1,25.0\n", b"{}", b"\xe9\xe8\n",
    ],
    "not text": [
        b"\x89PNG\r\n\x1a\n123", b"%PDF-1.7 x", bytes(range(256)), b"part,seat A\n1,\x00\x01\x02\n",
        b"\xff\xfe\x00\xd8\x00\xd8", b"\x81\x8d\x8f\x90\x9d",
    ],
    "workbook": [b"PK\x03\x04 ...", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1 ..."],
}  # fmt: skip


@pytest.mark.parametrize(
    ("word", "content"), [(word, content) for word, all_ in REFUSED.items() for content in all_]
)
def test_a_file_is_refused_whole_with_the_word_that_says_why(read, word, content):
    with pytest.raises(UnreadableRun, match=word) as refusal:
        read(content)

    assert refusal.value.exit_status == 3
    assert "run.csv" in str(refusal.value)


def test_an_unknown_header_lists_what_was_seen_and_sought(read):
    with pytest.raises(UnreadableRun) as refusal:
        read("time;Nr;D1;D2\n06:00;1;25,0031;19,9946\n")

    assert all(word in str(refusal.value) for word in ("'D1'", "'seat A'", "[columns]"))


def test_a_file_that_is_not_there(seats):
    from spc.intake import read_run

    with pytest.raises(UnreadableRun, match="cannot be opened"):
        read_run("nowhere/run.csv", seats)
    with pytest.raises(UnreadableRun, match="no file"):
        read_run([], seats)


def test_an_unknown_code_page_is_named(read):
    with pytest.raises(SpcError, match="code_page = 'latin-99'"):
        read(b"part;seat A\n1;25,0031\xb5\n", '[reading]\ncode_page = "latin-99"\n')


# Limits as `limits_of_size` gives them: -40 to -53 and 35 to 44 um, widths away from nominal.
@pytest.mark.parametrize(("fit", "middle", "width"), [("25 e6", -46.5, 13.0), ("25 s5", 39.5, 9.0)])
@pytest.mark.parametrize("written", ["{size:.4f}", "{mm:.4f}", "{um:.1f}"])
def test_good_parts_of_a_fit_far_from_nominal_raise_no_question(read, fit, middle, width, written):
    plan = read_plan(
        f'[job]\npart = "Pin"\n[[feature]]\nname = "seat"\nfit = "{fit}"\n'.encode(),
        source="pin.toml",
    )
    um = [middle + width * (i % 7 - 3) / 8 for i in range(40)]
    far = middle + 5 * width * np.sign(middle)
    cells = [written.format(size=25 + x / 1000, mm=x / 1000, um=x) for x in [*um, far]]

    good = read("part,seat\n" + "".join(f"{i},{c}\n" for i, c in enumerate(cells[:-1])), plan=plan)
    assert not [r for r in good.remarks if r.startswith("question: ")]
    assert np.allclose(good.measurements["deviation_um"], um, atol=0.1)

    run = read("part,seat\n" + "".join(f"{i},{c}\n" for i, c in enumerate(cells)), plan=plan)
    (question,) = [r for r in run.remarks if r.startswith("question: ")]
    assert "row 42, seat" in question
