import html
import json
import re
from dataclasses import replace
from datetime import timedelta
from html.parser import HTMLParser

import pytest
import studies

from spc.errors import StoreBusy
from spc.gauge.study import variance_study
from spc.report.folder import name_of, script_path
from spc.report.pages import write_board, write_gauge_study, write_index, write_report
from spc.report.rows import harmless, rows_csv

EVIL = '</script><script>alert(1)</script><img src=x onerror="alert(2)">\u202e"\'&'


class Tags(HTMLParser):
    def __init__(self, text):
        super().__init__()
        self.tags, self.attributes = [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes.append((tag, dict(attrs)))


def block(text, key):
    return json.loads(re.search(rf'id="{key}">(.*?)</script>', text, re.S)[1])


def test_the_page_has_its_six_sections_in_order(report):
    sections = re.findall(r'<section id="([a-z-]+)"', report.read_text("utf-8"))

    assert sections == ["next-cut", "handover", "run", "wheel", "gauge", "proof"]


def test_the_same_study_and_moment_give_the_same_bytes(study, tmp_path):
    first = write_report(study, tmp_path / "a", as_of=studies.AS_OF)
    second = write_report(studies.invented_study(), tmp_path / "b", as_of=studies.AS_OF)

    assert first.name == second.name == "2026-11-25_sluice-gate-pin_pins.html"
    for beside in sorted(first.parent.iterdir()):
        assert beside.read_bytes() == (second.parent / beside.name).read_bytes()


def test_a_folder_holds_one_drawing_script_and_no_scraps(study, tmp_path):
    write_report(study, tmp_path / "one.html", as_of=studies.AS_OF)
    script = tmp_path / "plotly.min.js"
    before = script.stat().st_mtime_ns
    write_report(study, tmp_path / "two.html", as_of=studies.AS_OF)

    assert script.stat().st_mtime_ns == before, "copied once, then left alone"
    assert script.read_bytes() == script_path().read_bytes()
    kinds = (".csv", ".html", ".js")
    assert all(f.suffix in kinds and not f.name.startswith(".") for f in tmp_path.iterdir())


def test_a_single_file_stands_alone(study, tmp_path):
    page = write_report(study, tmp_path, single_file=True, as_of=studies.AS_OF)
    text = page.read_text("utf-8")

    assert [f.name for f in tmp_path.iterdir()] == [page.name]
    assert text.count(script_path().read_text("utf-8")[:400]) == 1
    assert 'src="plotly' not in text
    assert "data:text/csv" in text


def test_the_policy_forbids_the_network_and_eval(report):
    text = report.read_text("utf-8")
    policy = html.unescape(re.search(r'Security-Policy" content="([^"]+)"', text)[1])

    assert "default-src 'none'" in policy
    assert "unsafe-eval" not in policy
    assert not re.search(r"https?://", re.sub(r"<script.*?</script>", "", text, flags=re.S))


def test_numbers_are_on_the_page_with_unit_and_digits_of_the_gauge(report):
    text = html.unescape(report.read_text("utf-8"))

    assert "−3.0 µm on diameter" in text
    assert "type −0.0015 mm (on radius)" in text
    assert "25.0013 mm" in text
    assert not re.search(r"\d\.\d{7,}", re.sub(r"<script.*?</script>", "", text, flags=re.S))


def test_a_comma_locale_shows_commas_and_keeps_points_in_data(study, tmp_path):
    page = write_report(study, tmp_path, as_of=studies.AS_OF, locale="de")
    text = page.read_text("utf-8")

    assert "−3,0 µm on diameter" in text
    assert "25,0013 mm" in text
    figures = block(text, "figures")
    assert figures["size-1"]["layout"]["separators"].startswith(",")
    assert all(isinstance(v, float | None) for v in figures["size-1"]["data"][-1]["y"])
    assert "25.0013" in (tmp_path / f"{page.stem}.rows.csv").read_text("utf-8")


def test_foreign_names_are_inert_everywhere(tmp_path):
    plan = studies.PLAN.replace('"seat"', json.dumps(EVIL)).replace("Sluice gate pin", "</title>")
    run = studies.invented_run(part_name=lambda n: f"=1+{n}{EVIL}", note=EVIL, source=f"{EVIL}.csv")
    run.measurements["feature"] = run.measurements["feature"].replace("seat", EVIL)
    study = studies.invented_study(
        run, plan=plan, advice=studies.advice(evidence=EVIL, check_first=EVIL, subject=EVIL)
    )

    page = write_report(study, tmp_path, as_of=studies.AS_OF)
    text = page.read_text("utf-8")

    tags = Tags(text)
    assert "img" not in tags.tags
    assert tags.tags.count("script") == 5
    assert not [a for _, a in tags.attributes if any(k.startswith("on") for k in a)]
    assert "\u202e" not in text
    assert "<img" not in json.dumps(block(text, "figures"))
    assert page.parent == tmp_path
    rows = (tmp_path / f"{page.stem}.rows.csv").read_text("utf-8")
    assert ",'=1+1" in rows or ",\"'=1+1" in rows
    assert not re.search(r'(^|,)"?=', rows, re.M)


@pytest.mark.parametrize(
    ("source", "name"),
    [
        ("../../etc/passwd", "_passwd"), ("C:\\shop\\con.csv", "_run-con"),
        ("Ø25 Welle.csv", "_25-welle"), ("sluice gate pin.csv", ""), ("-", ""), ("日本.csv", ""),
    ],
)  # fmt: skip
def test_a_report_is_named_after_its_day_part_and_file(source, name):
    study = studies.invented_study(studies.invented_run(source=source))

    assert name_of(study) == f"2026-11-25_sluice-gate-pin{name}"


def test_a_run_of_the_ledger_is_named_as_there():
    run = studies.invented_run()
    named = replace(run, remarks=(*run.remarks, "run 'early 2' of the ledger, whose head is 1 ab"))

    assert name_of(studies.invented_study(named)) == "2026-11-25_sluice-gate-pin_early-2"


def grown_to(run, last):
    return replace(run, measurements=run.measurements[run.measurements["part"] <= last])


def test_a_page_takes_the_place_of_its_own_run_alone(tmp_path):
    run = studies.invented_run()
    other = run.measurements.copy()
    other["deviation_um"] += 0.1
    runs = [grown_to(run, 12), run, replace(run, measurements=other), grown_to(run, 40)]

    names = [
        write_report(studies.invented_study(each), tmp_path, as_of=studies.AS_OF, kind=kind).name
        for each, kind in zip(runs, ["report", "report", "report", "wheel"], strict=True)
    ]

    usual = "2026-11-25_sluice-gate-pin_pins"
    assert names[0] == names[1] == f"{usual}.html"
    assert re.fullmatch(rf"{usual}_[0-9a-f]{{6}}\.html", names[2])
    assert names[3] == f"{usual}_wheel.html"
    assert len(re.findall(r'<a href="2026', (tmp_path / "index.html").read_text("utf-8"))) == 3
    assert "pins.csv" in (tmp_path / "index.html").read_text("utf-8")


def test_a_page_of_no_known_run_is_not_written_over(study, tmp_path):
    old = tmp_path / "2026-11-25_sluice-gate-pin_pins_wheel.html"
    old.write_text("somebody's own")

    page = write_report(study, tmp_path, as_of=studies.AS_OF)

    assert old.read_text() == "somebody's own"
    assert page.name not in (old.name, "2026-11-25_sluice-gate-pin_pins.html")


def test_a_folder_that_cannot_be_written_is_named_and_nothing_is_left(study, tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("not a folder")

    with pytest.raises(StoreBusy, match="choose another folder"):
        write_report(study, blocked / "reports", as_of=studies.AS_OF)


def test_rows_lead_back_to_file_and_line(study):
    lines = rows_csv(study).splitlines()

    assert lines[0] == ("part,serial,time,feature,deviation_um,reading,decimals,repeat,source,row")
    assert lines[1].startswith("1,1,2026-11-25T05:01:30Z,seat,")
    assert lines[1].endswith(",pins.csv,2")
    assert len(lines) == 1 + len(study.run.measurements)


def test_formula_starts_are_prefixed_and_numbers_never():
    assert [harmless(t) for t in ("=A1", "@x", "+1", "-0.004", "-x")] == [
        "'=A1", "'@x", "+1", "-0.004", "'-x",
    ]  # fmt: skip


def test_an_index_stands_newest_first_and_ignores_what_is_no_page(study, tmp_path):
    later = studies.AS_OF + timedelta(hours=8)
    write_report(study, tmp_path / "early.html", as_of=studies.AS_OF)
    write_report(studies.busy_study(), tmp_path / "late.html", as_of=later)
    (tmp_path / "notes.html").write_text("<script type='application/json'>{}</script>")
    (tmp_path / "broken.html").write_bytes(
        b'<script type="application/json" id="about">[1,</script>\xff\xfe'
    )

    text = write_index(tmp_path).read_text("utf-8")

    assert re.findall(r'<a href="([^"]+)">', text) == ["late.html", "early.html"]
    assert "HOLD" in text
    assert "OFFSET" in text


def test_an_index_entry_from_a_foreign_page_is_inert(tmp_path):
    told = {"schema": "spc.page/1", "job": EVIL, "mark": EVIL, "tone": EVIL, "moment": "9"}
    block_ = json.dumps(told).replace("<", "\\u003c")
    (tmp_path / "x.html").write_text(
        f'<script type="application/json" id="about">{block_}</script>', "utf-8"
    )

    tags = Tags(write_index(tmp_path).read_text("utf-8"))

    assert "img" not in tags.tags
    assert [a["href"] for t, a in tags.attributes if t == "a"] == ["x.html"]


def test_a_statement_asks_its_questions_in_order(study, tmp_path):
    page = write_report(study, tmp_path, kind="statement", as_of=studies.AS_OF)
    text = page.read_text("utf-8")

    assert page.name == "2026-11-25_sluice-gate-pin_pins_statement.html"
    first = text[text.index('id="feature-1"') : text.index('id="feature-2"')]
    assert re.findall(r"<h3>([^<]+)</h3>", first) == [
        "How were the parts chosen?", "Was it steady?", "Which time model?", "Which shape?",
        "Which index may be quoted?", "How sure?", "Was the gauge good enough?",
    ]  # fmt: skip
    assert "advice" not in text[: text.index('id="proof"')].lower().split("</style>")[1]


def test_an_unstable_feature_shows_no_capability_index_anywhere(tmp_path):
    study = studies.invented_study(stable=False)

    for kind in ("report", "statement"):
        page = write_report(study, tmp_path, kind=kind, as_of=studies.AS_OF)
        body = page.read_text("utf-8").split("</style>")[1]
        assert not re.search(r"C(pk?|mk?) \d", body), kind


def test_a_page_of_another_kind_is_refused(study, tmp_path):
    with pytest.raises(ValueError, match="one of report"):
        write_report(study, tmp_path, kind="poster")


def test_the_board_says_the_act_and_loads_itself_again(study, tmp_path):
    text = write_board(study, tmp_path, as_of=studies.AS_OF).read_text("utf-8")

    assert 'data-renew="10"' in text
    assert '<noscript><meta http-equiv="refresh" content="10"></noscript>' in text
    assert "OFFSET" in text
    assert "−3.0 µm on diameter" in text
    assert f'data-last="{int((studies.START + timedelta(minutes=135)).timestamp())}"' in text


def test_a_gauge_study_says_where_its_spread_comes_from(tmp_path):
    readings, people, parts = studies.invented_gauge_study()
    found = variance_study(readings, tolerance=16.0)

    page = write_gauge_study(
        found, readings, tmp_path, title="Bore <gauge> 3", people=people, parts=parts,
        as_of=studies.AS_OF,
    )  # fmt: skip
    text = html.unescape(page.read_text("utf-8"))

    assert page.name == "2026-11-25_gauge_bore-gauge-3.html"
    assert f"{found.spread.gauge:.2f} µm" in text
    assert "gauge room" in text
    assert "<gauge>" not in page.read_text("utf-8")
    assert "index.html" in {f.name for f in tmp_path.iterdir()}


def test_the_head_of_the_ledger_stands_in_the_proof(study, tmp_path):
    page = write_report(study, tmp_path, as_of=studies.AS_OF, ledger_head="5f" * 32)

    proof = page.read_text("utf-8").split('id="proof"')[1]
    assert f"Head of the ledger&#39;s chain: {'5f' * 32}" in proof
