"""Commands as typed, in the process of the test: output, exit status, what is written."""

import json
import re
from pathlib import Path

import pytest
from short_pin import PLAN

import spc

ROOT = Path(spc.__file__).parents[1]


def test_check_answers_in_at_most_ten_lines(spc_says, good_csv):
    status, out, err = spc_says("check", good_csv, "--plan", "pin.toml")

    assert (status, err) == (0, "")
    assert 3 <= len(out.splitlines()) <= 10
    assert "Lock pin" in out


def test_json_is_one_document_on_standard_output(spc_says, good_csv):
    for command, schema in (("check", "spc.study/1"), ("advise", "spc.advice/2")):
        status, out, _ = spc_says(command, good_csv, "--plan", "pin.toml", "--json")

        assert status == 0
        assert json.loads(out)["schema"] == schema


def test_an_act_is_the_exit_status_only_when_asked(spc_says):
    rows = [f"{part},25.{part:04d}" for part in range(60, 92)]
    Path("high.csv").write_text("part,seat\n" + "\n".join(rows) + "\n")

    assert spc_says("advise", "high.csv", "--plan", "pin.toml")[0] == 0
    assert spc_says("advise", "high.csv", "--plan", "pin.toml", "--check")[0] == 1
    assert spc_says("check", "high.csv", "--plan", "pin.toml", "--check")[0] == 1


def test_report_writes_the_page_and_names_it(spc_says, good_csv):
    status, out, _ = spc_says("report", good_csv, "--plan", "pin.toml", "--out", "pages")

    page = Path(out.strip())
    assert status == 0
    assert page.parent == Path("pages")
    assert "<!doctype html>" in page.read_text(encoding="utf-8").lower()[:200]


def test_the_same_input_and_moment_give_the_same_bytes(spc_says, good_csv):
    words = ("report", good_csv, "--plan", "pin.toml", "--as-of", "2026-11-25T14:00:00Z")
    pages = [
        Path(spc_says(*words, "--out", folder)[1].strip()).read_bytes() for folder in ("a", "b")
    ]

    assert pages[0] == pages[1]


@pytest.mark.parametrize(
    ("csv", "plan", "status", "says"),
    [
        ("part,seat\n1,25.001\n", PLAN.replace("part =", "prat ="), 2, "prat: unknown key"),
        ("part,seat\n1,25.001\n", PLAN.replace("-0.010", "0.020"), 2, "not below upper"),
        ("a,b\n1,2\n", PLAN, 3, "no known column"),
        ("", PLAN, 3, "empty"),
        ("part,seat\n", PLAN, 3, "no measurements"),
        ("part,seat,event,amount_um\n1,25.0,,\n,,offset,\n", PLAN, 3, "offset without an amount"),
        ("part,seat\n1,\x00\x01\x02\n", PLAN, 3, "not text"),
    ],
)
def test_bad_input_is_one_line_with_place_and_cure_and_nothing_is_written(
    spc_says, csv, plan, status, says
):
    Path("run.csv").write_text(csv)
    Path("plan.toml").write_text(plan)

    code, out, err = spc_says("report", "run.csv", "--plan", "plan.toml", "--out", "pages")

    assert code == status
    assert out == ""
    assert len(err.splitlines()) == 1
    assert says in err
    assert ("plan.toml" if status == 2 else "run.csv") in err
    assert not Path("pages").exists()


def test_a_cell_that_is_no_number_is_a_reject_and_the_rest_is_used(spc_says):
    Path("run.csv").write_text("part,seat\n1,25.001\n2,nan\n3,25.002\n")

    status, out, _ = spc_says("check", "run.csv", "--plan", "pin.toml", "--json")

    document = json.loads(out)
    assert status == 0
    assert document["account"]["rejected"] == 1
    assert document["measured"] == 2


def test_missing_files_are_named(spc_says, good_csv):
    assert "none.csv" in spc_says("check", "none.csv", "--plan", "pin.toml")[2]
    assert "none.toml" in spc_says("check", good_csv, "--plan", "none.toml")[2]


def test_wrong_usage_is_status_2(spc_says, good_csv):
    assert spc_says("check", good_csv)[0] == 2
    assert spc_says("grind")[0] == 2
    assert spc_says("report", good_csv, "--plan", "pin.toml", "--as-of", "noon")[0] == 2
    assert spc_says("report", good_csv, "--plan", "pin.toml", "--shift", "early")[0] == 2


def test_a_fault_of_the_program_is_status_5(spc_says, good_csv, monkeypatch):
    def broken(*_args, **_details):
        raise RuntimeError("made to fail")

    monkeypatch.setattr("spc.study.examine", broken)

    status, _, err = spc_says("check", good_csv, "--plan", "pin.toml")

    assert status == 5
    assert "not of your data" in err


def test_fit_prints_limits_and_the_spread_they_allow(spc_says):
    status, out, _ = spc_says("fit", "25 k5")

    assert status == 0
    assert "+2 to +11 µm" in out
    # 9 / (6 x 1.33) = 1.1278, rounded down.
    assert "1.127 µm" in out
    assert json.loads(spc_says("fit", "25 k5", "--json")[1])["width_um"] == 9.0
    assert spc_says("fit", "25 cd5")[0] == 2


def test_plan_show_says_where_every_value_comes_from(spc_says):
    status, out, _ = spc_says("plan", "show", "pin.toml")

    rows = dict(line.split("\t", 1) for line in out.splitlines())
    assert status == 0
    assert rows["job.part"] == "Lock pin\tplan"
    assert rows["machine.offset_step_um"].endswith("default")
    assert rows["feature 'seat'.upper_um"] == "10\tworked out from plan"
    assert rows["machine.in_process_gauge"] == "false\tdefault"


def test_the_readme_names_every_command(spc_says):
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    help_text = spc_says("--help")[1]
    commands = re.findall(r"^  (\w[\w-]*) +\S", help_text.split("Commands:")[1], re.MULTILINE)

    assert len(commands) >= 5
    for command in commands:
        assert f"`spc {command}" in readme, f"{command} is not in the README"


def test_import_shows_how_a_file_is_understood_and_writes_rejects(spc_says):
    Path("run.csv").write_text("part;seat\n1;25,001\n2;---\n3;25,002\n")

    status, out, _ = spc_says(
        "import", "run.csv", "--plan", "pin.toml", "--dry-run", "--rejects", "rejects.csv"
    )

    assert status == 0
    assert "semicolon" in out
    assert "decimal comma" in out
    assert "3 cells = 2 measurements + 1 rejected" in out
    # Text that a spreadsheet would compute gets an apostrophe in front.
    assert "run.csv,3,seat,'---" in Path("rejects.csv").read_text()


def test_an_understanding_is_saved_and_used_again(spc_says):
    Path("run.csv").write_text("part;seat\n1;25,001\n2;25,003\n3;25,002\n")
    words = ("import", "run.csv", "--plan", "pin.toml", "--dry-run")
    spc_says(*words, "--save-understood", "form.json")

    again = spc_says(
        "check", "run.csv", "--plan", "pin.toml", "--understood", "form.json", "--json"
    )

    assert json.loads(Path("form.json").read_text())["dialect"]["delimiter"] == ";"
    assert json.loads(again[1])["measured"] == 3


def test_a_drafted_plan_asks_for_what_the_file_cannot_tell(spc_says):
    Path("run.csv").write_text("part,seat\n1,25.001\n2,25.003\n3,25.002\n")

    status, out, err = spc_says("plan", "new", "run.csv")

    assert status == 0
    assert 'name = "seat"' in out
    assert "limits" in err


def test_frozen_limits_are_a_block_that_the_plan_takes(spc_says, good_csv):
    words = ("plan", "freeze", good_csv, "--plan", "pin.toml", "--who", "engineer", "--why", "base")
    block = spc_says(*words)[1]
    with Path("pin.toml").open("a") as plan:
        plan.write(block)

    status, out, _ = spc_says("check", good_csv, "--plan", "pin.toml", "--json")

    assert status == 0
    assert "the plan, where they are frozen" in json.loads(out)["features"][0]["base"]


def test_run_length_answers_in_parts_and_minutes(spc_says):
    status, out, _ = spc_says("run-length", "--plan", "pin.toml", "--sigma", "1.0")

    assert status == 0
    assert "false alarm after 217 points" in out
    assert spc_says("run-length", "--plan", "pin.toml")[0] == 2
    wrong = spc_says("run-length", "--plan", "pin.toml", "--sigma", "1", "--pattern", "dance")
    assert wrong[0] == 2
    assert "there is no pattern 'dance'" in wrong[2]


def test_simulate_names_its_scenes_and_writes_one(spc_says):
    assert "hinge_pin" in spc_says("simulate")[1]

    status, out, _ = spc_says("simulate", "hinge_pin", "--out", "made")

    assert status == 0
    assert [Path(line).name for line in out.splitlines()] == ["hinge_pin.csv", "hinge_pin.toml"]
    assert spc_says("simulate", "nothing_such")[0] == 2


def test_the_demo_writes_a_shift_and_its_page(spc_says):
    status, out, _ = spc_says("demo", "--out", "shift")

    assert status == 0
    assert Path(out.splitlines()[-1].removeprefix("The page: ")).exists()


def test_gauge_splits_a_study_into_gauge_people_and_parts(spc_says):
    # AIAG, Measurement Systems Analysis, 4th ed. 2010, 10 parts x 3 appraisers x 3 trials (values
    # from memory): by analysis of variance 27.9 % of the total spread.
    study = ROOT / "tests" / "published" / "aiag_grr.csv"

    status, out, _ = spc_says("gauge", str(study), "--unit", "um", "--out", "pages")
    document = json.loads(spc_says("gauge", str(study), "--unit", "um", "--json")[1])

    assert status == 0
    assert "27.9 % of the total spread" in out
    assert document["gauge_um"] == pytest.approx(0.302373, abs=3e-6)
    assert Path(out.splitlines()[-1]).exists()


def test_a_gauge_study_by_one_person_is_refused(spc_says):
    Path("study.csv").write_text("part,reading\n1,3\n1,4\n2,5\n2,6\n")

    status, _, err = spc_says("gauge", "study.csv")

    assert status == 3
    assert "only one person" in err


def test_a_study_whose_readings_are_all_alike_is_refused_with_the_cure(spc_says):
    rows = [(who, part) for who in "AB" for part in (1, 2) for _ in range(2)]
    Path("study.csv").write_text(
        "appraiser,part,reading\n" + "".join(f"{who},{part},25.0003\n" for who, part in rows)
    )

    status, _, err = spc_says("gauge", "study.csv")

    assert status == 3
    assert "study.csv: all readings are alike; the gauge's step is too coarse" in err


def test_a_study_whose_repeats_never_differ_claims_no_good_gauge(spc_says):
    rows = [(who, part) for who in "AB" for part in (1, 2) for _ in range(2)]
    Path("study.csv").write_text(
        "appraiser,part,reading\n" + "".join(f"{who},{part},25.000{part}\n" for who, part in rows)
    )

    status, out, _ = spc_says("gauge", "study.csv", "--out", "pages")

    assert status == 0
    assert out.startswith("Readings of the same part never differ: the gauge's steps hide")
    assert "(95 %)" not in out
    page = Path(out.splitlines()[-1]).read_text("utf-8")
    assert "steps hide its own spread" in page
    assert "groups of parts" not in page.lower()


def test_a_refusal_shows_the_marks_in_names_and_obeys_none(spc_says):
    turned = "A" + chr(0x202E) + "x" * 300
    Path("study.csv").write_text(
        f"appraiser,part,reading\nB,1,20\nB,1,20\n{turned},1,20\n", encoding="utf-8"
    )

    status, _, err = spc_says("gauge", "study.csv")

    assert status == 3
    assert "A⟨U+202E⟩xxx" in err
    assert chr(0x202E) not in err
    assert "the same number of trials" in err
    assert "x" * 40 not in err


def test_known_parts_tell_whether_the_gauge_reads_true(spc_says):
    # Measurement Systems Analysis, 3rd ed. 2002, chapter III (from memory): 15 readings of a
    # reference of 6.00 with a mean of 6.0067; the bias is not proven.
    with (ROOT / "tests" / "published" / "aiag_bias.csv").open() as file:
        values = [line.split(",")[1].strip() for line in list(file)[1:]]
    Path("known.csv").write_text("part,reference,reading\n" + "".join(
        f"master,6.0,{value}\n" for value in values
    ))  # fmt: skip

    status, out, _ = spc_says("gauge", "known.csv", "--unit", "um", "--out", "pages")
    document = json.loads(spc_says("gauge", "known.csv", "--unit", "um", "--json")[1])

    assert status == 0
    assert out.startswith("No error of the gauge is proven: 15 readings of 6.0 µm")
    assert Path(out.splitlines()[-1]).exists()
    assert document["gauge_um"] is None
    assert document["bias"]["line"] is None
    assert document["bias"]["sizes"][0]["mean_um"] == pytest.approx(0.0067, abs=5e-5)


def test_people_who_read_known_parts_get_both_answers(spc_says):
    rows = [(who, part, true, true + off + 0.1 * k) for who, off in (("A", 0.2), ("B", 0.3))
            for part, true in (("a", 10.0), ("b", 20.0)) for k in range(2)]  # fmt: skip
    text = "".join(f"{who},{part},{true},{read:.1f}\n" for who, part, true, read in rows)
    Path("known.csv").write_text(f"appraiser,part,reference,reading\n{text}")

    document = json.loads(spc_says("gauge", "known.csv", "--unit", "um", "--json")[1])

    # Offsets 0.2, 0.3, 0.3, 0.4 at either size.
    assert document["bias"]["line"]["slope"] == pytest.approx(0, abs=1e-9)
    assert document["bias"]["line"]["intercept_um"] == pytest.approx(0.3)
    assert document["repeat_um"] > 0


def test_errors_that_leave_the_line_are_told_alike_in_words_and_json(spc_says):
    rows = [(true, true + off + step) for true, off in ((20000, -0.5), (25000, 1.0), (30000, -0.5))
            for step in (-0.2, 0.0, 0.2) * 4]  # fmt: skip
    text = "".join(f"ring {true},{true},{read:.1f}\n" for true, read in rows)
    Path("known.csv").write_text(f"part,reference,reading\n{text}")

    out = spc_says("gauge", "known.csv", "--unit", "um")[1]
    line = json.loads(spc_says("gauge", "known.csv", "--unit", "um", "--json")[1])["bias"]["line"]

    assert out.startswith("The gauge does not read true: at 25.0000 mm it reads 1.00 µm too much")
    assert line["true_everywhere"] is False
    assert line["judged_by"] == "sizes"
    assert line["p_line"] < 1e-6


@pytest.mark.parametrize("kind", ["wheel", "gauge", "statement"])
def test_a_part_of_the_report_has_its_own_page(spc_says, good_csv, kind):
    words = ("report", good_csv, "--plan", "pin.toml", "--out", "pages", "--locale", "de")

    status, out, _ = spc_says(*words, "--page", kind)

    assert status == 0
    assert kind in Path(out.strip()).name


def test_replay_compares_other_ways_with_what_was_done(spc_says):
    sample = ROOT / "sample_runs" / "idler_bore"
    words = ("replay", f"{sample}.csv", "--plan", f"{sample}.toml", "--seeds", "39")

    status, out, err = spc_says(*words, "--parts-per-dress", "20", "--parts-per-dress", "50")

    rows = [line.split("\t") for line in out.splitlines() if "\t" in line]
    assert (status, err) == (0, "")
    assert [row[0] for row in rows[:3]] == [
        "way", "what was done", "this adviser, dressing at 30 parts at the latest",
    ]  # fmt: skip
    assert any(row[1].startswith("not known from this run: fewer than 3") for row in rows)
    assert "95 %" in rows[0]
    assert {len(row) for row in rows} == {len(rows[0])}


def test_replay_says_not_enough_yet_and_refuses_counts_that_cannot_be(spc_says):
    sample = ROOT / "sample_runs" / "hinge_pin"
    words = ("replay", f"{sample}.csv", "--plan", f"{sample}.toml")

    status, out, _ = spc_says(*words)
    document = json.loads(spc_says(*words, "--json")[1])

    assert status == 0
    assert "not enough yet" in out
    assert document["schema"] == "spc.replay/1"
    assert document["ways"] == []
    status, _, err = spc_says(*words, "--parts-per-dress", "0")
    assert status == 2
    assert "--parts-per-dress 0" in err
