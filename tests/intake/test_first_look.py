"""Previews, saved understandings, drafts of plans, tables for others."""

import csv
import json
import tomllib

import pytest

from spc.errors import PlanError, UnreadableRun
from spc.intake import (
    draft_plan,
    load_understanding,
    preview,
    read_run,
    save_understanding,
    write_rejects,
    write_table,
)
from spc.plan import read_plan

TEXT = (
    "Gauge 7\nDatum;Uhrzeit;Teil-Nr.;Seat A [mm] 1;Seat A [mm] 2;Ø2;Temp. [°C]\n"
    "19.11.2026;06:07:30;1001;25,0031;25,0033;19,9946;20,5\n"
    "19.11.2026;06:08:30;1003;OVER;25,0035;-5,4 µm;20,5\n"
)
SECOND = '[columns]\n"seat B" = "Ø2"\n'


@pytest.fixture
def plan(seats):
    return seats.model_copy(update={"columns": {"seat B": "Ø2"}})


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "run.csv"
    path.write_bytes(TEXT.encode("cp1252"))
    return path


def test_a_preview_says_how_a_file_was_understood(file, plan):
    seen = preview(file, plan)
    one = seen.files[0]

    assert (one.encoding, one.line_end, one.separator, one.decimal_mark) == (
        "cp1252", "LF", "semicolon", "comma"
    )  # fmt: skip
    assert one.header_line == 2
    assert one.dates == "day.month.year"
    meanings = {c.header: (c.meaning, c.unit) for c in one.columns}
    assert meanings["Teil-Nr."] == ("part number", "")
    assert meanings["Seat A [mm] 2"] == ("size of 'seat A', reading 2", "mm")
    assert meanings["Ø2"] == ("deviation or size of 'seat B'", "mm, um")
    assert meanings["Temp. [°C]"][0] == "temperature of the part"
    text = "\n".join(seen.lines())
    assert "6 cells = 5 measurements + 1 rejected + 0 blank + 0 identical + 0 summary" in text
    assert "row 4, Seat A [mm] 1: 'OVER'" in text
    assert seen.first_rows(1) == [
        {"part": 1, "serial": "1001", "time": "2026-11-19 06:07:30+00:00", "feature": "seat A",
         "deviation_um": "+3.1", "reading": "25.0031", "repeat": 0, "row": 3}
    ]  # fmt: skip
    assert "\n0 events; 2 lines besides the data (header, text around it, blank)\n" in text
    assert json.loads(json.dumps(seen.as_dict()))["account"]["rejected"] == 1


def test_a_preview_shows_the_time_of_the_shop_and_a_document_utc(tmp_path, seats):
    path = tmp_path / "run.csv"
    path.write_text(
        "time,part,seat A,event\n2026-11-23 06:01,1,25.0031,\n2026-11-23 06:02,,,dress\n"
    )
    plan = seats.model_copy(
        update={"shifts": seats.shifts.model_copy(update={"zone": "Europe/Paris"})}
    )

    seen = preview(path, plan)

    lines = seen.lines()
    assert "  1\t1\t2026-11-23 06:01:00+01:00\tseat A\t+3.1\t25.0031\t0\t2" in lines
    assert "1 event; 1 line besides the data (header, text around it, blank)" in lines
    assert seen.as_dict()["first_rows"][0]["time"] == "2026-11-23 05:01:00+00:00"


def test_a_preview_of_a_long_file_names_its_form(tmp_path, seats):
    path = tmp_path / "long.csv"
    path.write_text("part,feature,value,unit\n1,seat A,25.0031,mm\n1,seat B,-5.4,um\n")

    one = preview(path, seats).files[0]

    assert one.form.startswith("long")
    assert one.columns[2].meaning == "deviation or size of the feature of the row"


def test_an_understanding_is_saved_and_used_again(tmp_path, file, plan, seats):
    saved = save_understanding(
        preview(file, plan).files[0].understanding, tmp_path / "gauge7.json", of="run.csv"
    )
    resource = json.loads(saved.read_text())
    fields = {field["name"]: field for field in resource["schema"]["fields"]}
    # Property names of Table Dialect and Table Schema, datapackage.org standard version 2.
    assert resource["dialect"]["delimiter"] == ";"
    assert resource["dialect"]["headerRows"] == [2]
    assert fields["Ø2"] | {"type": "number", "decimalChar": ","} == fields["Ø2"]
    assert resource["schema"]["missingValues"] == [""]

    # The plan alone does not know the header Ø2; the descriptor does.
    again = read_run(file, seats, understanding=load_understanding(saved))
    assert again.account == read_run(file, plan).account

    other = tmp_path / "other.csv"
    other.write_text("part;D1\n1;25,0031\n")
    with pytest.raises(UnreadableRun, match="no column header as saved in"):
        read_run(other, seats, understanding=load_understanding(saved))
    stranger = read_plan(
        b'[job]\npart = "x"\n[[feature]]\nname = "x"\nnominal = 1.0\nupper = 0.1\n', source="x"
    )
    with pytest.raises(UnreadableRun, match="which the plan does not have"):
        read_run(file, stranger, understanding=load_understanding(saved))


def test_an_understanding_without_header_is_used_again(tmp_path, seats):
    path = tmp_path / "bare.csv"
    path.write_text("25,0031\n25,0033\n")
    saved = save_understanding(preview(path, seats).files[0].understanding, tmp_path / "bare.json")

    run = read_run(path, seats, understanding=load_understanding(saved))

    assert run.measurements["deviation_um"].tolist() == [3.1, 3.3]


READING = '{"name": "a", "spc:role": "reading"}'


@pytest.mark.parametrize(
    "content",
    ["", "{", "[]", "{}", '{"schema": {"fields": 7}}', '{"schema": {"fields": [{}]}}']
    + [
        f'{{"spc:form": "{form}", "schema": {{"fields": [{field}]}}}}'
        for form, field in [
            ("wide", '{"name": "a", "spc:unit": "kg"}'),
            ("wide", '{"name": "a", "spc:role": "king"}'),
            ("wide", '{"name": "a"}'),
            ("wide", READING),
            ("long", READING),
        ]
    ],
)
def test_what_is_no_descriptor_is_refused(tmp_path, content):
    path = tmp_path / "x.json"
    path.write_text(content)

    with pytest.raises(UnreadableRun, match="no descriptor"):
        load_understanding(path)
    with pytest.raises(UnreadableRun, match="cannot be opened"):
        load_understanding(tmp_path / "none.json")


def test_rejects_are_written_with_a_sidecar(tmp_path, file, plan):
    path = tmp_path / "rejects.csv"

    sidecar = write_rejects(read_run(file, plan), path)

    rows = list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))
    assert list(rows[0]) == ["file", "row", "column", "text", "reason"]
    assert rows[0]["text"] == "OVER"
    # "Metadata Vocabulary for Tabular Data" (W3C, 2015), sections 5.2 and 5.3: file name, context,
    # url, columns with name, titles and datatype.
    said = json.loads(sidecar.read_text())
    assert sidecar.name == "rejects.csv-metadata.json"
    assert said["@context"][0] == "http://www.w3.org/ns/csvw"
    assert said["url"] == "rejects.csv"
    columns = said["tableSchema"]["columns"]
    assert [column["titles"] for column in columns] == list(rows[0])
    assert columns[1]["datatype"] == "integer"


def test_a_table_never_computes_in_a_spreadsheet(tmp_path):
    path = tmp_path / "table.csv"
    columns = {"note": ("string", "free text"), "um": ("double", "deviation")}

    write_table(path, columns, [("=1+1", -3.1), ("@x", None), ("plain", 2)])

    assert path.read_text().split() == ["note,um", "'=1+1,-3.1", "'@x,", "plain,2"]
    with pytest.raises(ValueError, match="datatype"):
        write_table(path, {"um": ("micron", "")}, [])


def test_a_draft_holds_what_the_file_tells_and_asks_for_the_rest(file):
    draft = draft_plan(file)
    plan = tomllib.loads(draft.toml)

    assert [(f["name"], f["nominal"], f["unit"]) for f in plan["feature"]] == [
        ("Seat A", 25.0, "mm"), ("Ø2", 20.0, "mm"),
    ]  # fmt: skip
    asked = " ".join(draft.questions)
    assert "2 columns" in asked
    assert "limits of 'Ø2'" in asked
    # As drafted it is refused for what is missing, with the words of the plan.
    with pytest.raises(PlanError, match="upper and lower are both missing"):
        read_plan(draft.toml.encode(), source="draft.toml")


def test_a_draft_completed_reads_its_file(tmp_path):
    path = tmp_path / "long.csv"
    path.write_text(
        "Teil;Merkmal;Messwert;Einheit;Maschine\n1;bore 1;28,0031;mm;G1\n1;Ra;0,4;µm;G1\n"
        "2;bore 1;28,0044;mm;G2\n2;Ra;0,5;µm;G2\n"
    )

    draft = draft_plan(path)
    text = draft.toml.replace("# upper = ?", "upper = 0.6 #").replace(
        "# split_value = ?", 'split_value = "G2" #'
    )
    run = read_run(path, read_plan(text.encode(), source="draft.toml"))

    assert any("G1, G2" in question for question in draft.questions)
    assert run.measurements["deviation_um"].tolist() == [4.4, 0.5]


@pytest.mark.parametrize("content", ["hello\nworld\n", "time,part\n06:00,1\n06:01,2\n", ""])
def test_a_file_without_numbers_drafts_nothing(tmp_path, content):
    path = tmp_path / "x.csv"
    path.write_text(content)

    with pytest.raises(UnreadableRun):
        draft_plan(path)


@pytest.mark.parametrize(
    "text",
    [
        "[" * 100_000 + "]" * 100_000,
        '{"schema": {"fields": [{"name": "x", "spc:place": 1e400, "spc:role": "reading"}]}}',
    ],
    ids=["nested", "infinite"],
)
def test_a_descriptor_beyond_measure_is_refused_in_one_line(tmp_path, text):
    path = tmp_path / "understood.json"
    path.write_text(text)

    with pytest.raises(UnreadableRun, match="no descriptor of a table") as refusal:
        load_understanding(path)

    assert "\n" not in str(refusal.value)
