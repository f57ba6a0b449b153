import re
from datetime import UTC, datetime

import pytest

from spc.intake import read_run
from spc.ledger.as_run import run_of
from spc.live.board import renew_board
from spc.live.files import take_in
from spc.live.words import answer_of
from spc.report.pages import render_board
from spc.report.voice import voice
from spc.study import examine


def without_discs(page):
    return re.sub(r'<circle class="disc.*?</svg></div>', "", page, flags=re.DOTALL)


def test_the_board_shows_the_act_the_session_advises(session, tmp_path):
    for _ in range(12):
        session.enter("7.5")
        if session.advice.action == "offset":
            break
    page = renew_board(session, tmp_path / "board.html").read_text(encoding="utf-8")

    assert "OFFSET" in page
    assert "radius" in page
    assert 'http-equiv="refresh"' in page
    assert f"part {session.progress.made + session.advice.measure_after}" in page


def test_old_data_are_called_stale(session, tmp_path):
    session.clock.now = 1_600_000_000_000_000
    session.enter("25.001")
    page = renew_board(session, tmp_path / "b.html", now=datetime(2026, 1, 1, tzinfo=UTC))

    text = page.read_text(encoding="utf-8")
    stale = text[text.index('class="stale"') : text.index('class="stale"') + 200]
    assert "hidden" not in stale


def test_a_board_is_never_met_half_written(session, tmp_path):
    session.enter("25.001")
    renew_board(session, tmp_path / "board.html")

    assert [p.name for p in tmp_path.glob("*board*")] == ["board.html"]


def test_names_that_look_like_markup_stay_text(begin, tmp_path):
    text = "[job]\npart = '<script>alert(1)</script>'\n[[feature]]\nname = '<b>seat'\n"
    session = begin(text + "nominal = 25.0\nupper = 0.01\nlower = -0.01\n")
    session.enter("25.001")
    page = renew_board(session, tmp_path / "board.html").read_text(encoding="utf-8")

    assert "<script>alert" not in page
    assert "<b>seat" not in page


@pytest.mark.parametrize("dressed", [True, False])
def test_the_board_of_a_short_run_is_the_board_of_its_study(session, tmp_path, dressed):
    lines = ["part,time,seat,event"]
    for part in range(1, 60):
        size = f"25.00{part % 4}{part * 7 % 10}"
        lines.append(f"{part},2026-11-25 {6 + part // 60:02d}:{part % 60:02d},{size},")
        if dressed and part == 30:
            lines.append(",2026-11-25 06:30,,dress")
    (tmp_path / "a.csv").write_text("\n".join(lines) + "\n")
    list(take_in(session.ledger, session.run, session.plan, [str(tmp_path / "a.csv")]))
    session.refresh()
    now = datetime(2026, 11, 25, 7, 10, tzinfo=UTC)

    board = renew_board(session, tmp_path / "board.html", now=now).read_text(encoding="utf-8")

    study = examine(read_run(tmp_path / "a.csv", session.plan), session.plan)
    whole = render_board(study, voice(zone=session.plan.zone), now, 10)
    # The board follows no advice of the past, so its strip marks none.
    assert without_discs(board) == without_discs(whole)
    with session.ledger.reading() as reader:
        assert len(run_of(reader, session.run).measurements) == 59


def test_the_board_says_the_serials_the_operator_writes(session, tmp_path):
    for text in ("#4511 0.2", "#4512 0.2", "#4513 -13", "-13"):
        session.enter(text)
    page = renew_board(session, tmp_path / "board.html").read_text(encoding="utf-8")
    answer = answer_of(session, voice())

    assert "seat of part 3 (serial 4513) read" in page
    assert "part 3 (serial 4513)" in dict(answer.terms)["Why"]
    assert dict(answer.terms)["Measure next"] == "the very next part (part 4514)"
    assert "the very next part (part 4, serial 4514)" in page
