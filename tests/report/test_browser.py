"""Every kind of page in a real browser: Debian's Chromium, from disk, with the network off."""

import itertools
import re
import shutil
import subprocess

import pytest
import studies

from spc.gauge.study import variance_study
from spc.report.pages import write_board, write_gauge_study, write_report

sync_api = pytest.importorskip(
    "playwright.sync_api", reason="playwright is not installed (pip install -e '.[test]')"
)
axe_core = pytest.importorskip(
    "axe_playwright_python.sync_playwright",
    reason="axe-playwright-python is not installed (pip install -e '.[test]')",
)
CHROMIUM = shutil.which("chromium")
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed (apt install chromium)"),
]
#: No sandbox: tests may run as root. The others keep the browser itself off the network.
SWITCHES = [
    "--no-sandbox", "--disable-quic", "--disable-background-networking", "--disable-sync",
    "--disable-component-update", "--no-first-run",
]  # fmt: skip
#: Millimetres of A4 between its margins, in CSS pixels: (210 - 2 * 11) / 25.4 * 96.
PAPER_WIDTH = 710
WIDE = 1400


@pytest.fixture(scope="module")
def browser():
    with sync_api.sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=SWITCHES)
        yield chromium
        chromium.close()


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """One page of every kind."""
    folder = tmp_path_factory.mktemp("pages")
    study = studies.invented_study()
    write_report(study, folder / "run.html", as_of=studies.AS_OF)
    write_report(study, folder / "alone.html", as_of=studies.AS_OF, single_file=True)
    held = studies.invented_study(
        advice=studies.advice("hold", offset_um=None, amount=None),
        held=[("seat", 85, 90)],
        outside=(87, 90),
    )
    write_report(held, folder / "held.html", as_of=studies.AS_OF)
    write_report(studies.crowded_study(), folder / "crowded.html", as_of=studies.AS_OF)
    write_report(studies.busy_study(), folder / "busy.html", as_of=studies.AS_OF)
    for kind in ("gauge", "statement"):
        write_report(study, folder / f"{kind}.html", kind=kind, as_of=studies.AS_OF)
    # Of a run long enough to say how often to dress.
    longer = studies.invented_study(studies.invented_run(parts=180))
    write_report(longer, folder / "wheel.html", kind="wheel", as_of=studies.AS_OF)
    readings, people, parts = studies.invented_gauge_study()
    write_gauge_study(
        variance_study(readings, tolerance=16.0), readings, folder / "study.html",
        title="Bench gauge", people=people, parts=parts, as_of=studies.AS_OF,
    )  # fmt: skip
    for name, sizes in (("true", (24.99, 25.0, 25.01)), ("one", (25.0,))):
        known = studies.invented_known_parts(sizes=sizes)
        write_gauge_study(
            None, None, folder / f"{name}.html", title="Rings", people=["bench"], parts=["ring"],
            as_of=studies.AS_OF, known=known,
        )  # fmt: skip
    write_board(study, folder, as_of=studies.AS_OF, seconds=600)
    return folder


#: Pages with figures, and those without.
DRAWN = ["run", "alone", "held", "wheel", "statement", "study", "true", "one"]
KINDS = [*DRAWN, "gauge", "index", "board"]


def open_page(browser, path, width=WIDE, **options):
    """A page opened with the network off, which keeps what it says and what it asks for."""
    size = {"width": width, "height": 900}
    page = browser.new_context(viewport=size, offline=True, **options).new_page()
    page.said, page.asked = [], []
    page.on("console", lambda message: page.said.append(message.text))
    page.on("pageerror", lambda error: page.said.append(str(error)))
    page.on("request", lambda request: page.asked.append(request.url))
    page.goto(f"file://{path}")
    if options.get("java_script_enabled", True):
        page.locator("html[data-drawn=yes]").wait_for(state="attached")
    return page


@pytest.fixture(scope="module")
def kept(browser, folder):
    """Each kind opened once: drawing all figures is what takes time."""
    pages = {}

    def keep(kind):
        if kind not in pages:
            pages[kind] = open_page(browser, folder / f"{kind}.html")
        return pages[kind]

    yield keep
    for page in pages.values():
        page.context.close()


@pytest.fixture
def shown(kept):
    """A kept page on a wide light screen."""

    def show(kind, *, width=WIDE, scheme="light"):
        page = kept(kind)
        page.emulate_media(media="null", color_scheme=scheme)
        page.set_viewport_size({"width": width, "height": 900})
        return page

    return show


@pytest.fixture
def opened(browser, folder):
    """A page of its own, for tests that leave traces or need another kind of browser."""
    pages = []

    def open_(kind, **options):
        pages.append(open_page(browser, folder / f"{kind}.html", **options))
        return pages[-1]

    yield open_
    for page in pages:
        page.context.close()


@pytest.mark.parametrize("kind", KINDS)
def test_a_page_opens_without_a_word_and_asks_nothing_outside_its_folder(shown, folder, kind):
    page = shown(kind)

    assert page.said == []
    assert all(url.startswith((f"file://{folder}/", "data:")) for url in page.asked)
    beside = {url.rsplit("/", 1)[1] for url in page.asked if url.startswith("file:")}
    alone = kind in ("alone", "index", "board")
    assert beside == ({f"{kind}.html"} if alone else {f"{kind}.html", "plotly.min.js"})


@pytest.mark.parametrize("kind", KINDS)
def test_a_phone_opens_and_draws_it_without_a_word(opened, kind):
    page = opened(kind, width=390)

    assert page.said == []
    assert page.locator(".plot svg.main-svg").count() >= page.locator(".plot").count()


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(("scheme", "width"), [("light", 1400), ("dark", 390)])
def test_the_checker_of_access_rules_finds_nothing(shown, kind, scheme, width):
    page = shown(kind, width=width, scheme=scheme)
    rules = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}

    found = axe_core.Axe().run(page, options=rules | {"resultTypes": ["violations"]})

    assert [(v["id"], v["nodes"][0]["html"][:120]) for v in found.response["violations"]] == []


@pytest.mark.parametrize("kind", DRAWN)
def test_every_figure_is_drawn_and_has_caption_numbers_and_rows(shown, kind):
    page = shown(kind)

    figures = page.locator("figure").all()
    assert len(figures) >= (1 if kind in ("true", "one") else 2)
    for figure in figures:
        assert figure.locator(".plot svg.main-svg").count() >= 1
        assert len(figure.locator("figcaption").inner_text()) > 20
        assert figure.locator("details table tbody tr").count() >= 1
        link = figure.get_by_role("link", name="All rows")
        assert page.locator(link.get_attribute("href")).count() == 1


def test_the_wheel_of_a_longer_run_shows_how_often_to_dress(shown):
    figure = shown("wheel").locator("figure#interval")

    assert figure.locator("figcaption").inner_text().startswith("The cost per part still falls")
    assert figure.locator(".plot svg.main-svg").count() >= 1


@pytest.mark.parametrize("kind", ["run", "alone", "wheel", "statement", "gauge"])
def test_the_rows_are_there(shown, folder, kind):
    href = shown(kind).locator("#rows .links a").first.get_attribute("href")

    assert href.startswith("data:text/csv") if kind == "alone" else (folder / href).exists()


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("width", [768, 390, 320])
def test_no_width_needs_scrolling_sideways(shown, kind, width):
    page = shown(kind, width=width)

    assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("width", [390, 768, 1440])
def test_labels_of_acts_do_not_touch_each_other(browser, folder, width):
    page = browser.new_page(viewport={"width": width, "height": 900})
    page.goto(f"file://{folder}/crowded.html")
    page.locator("html[data-drawn=yes]").wait_for(state="attached")

    words = page.locator("#size-1 .textpoint text").filter(has_text=re.compile(r"dress|[+−]\d"))
    boxes = sorted((box.bounding_box() for box in words.all()), key=lambda box: box["x"])

    assert len(boxes) >= 2
    for one, other in itertools.pairwise(boxes):
        assert one["x"] + one["width"] < other["x"]
    page.close()


@pytest.mark.parametrize("kind", ["run", "held", "busy"])
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_first_printed_sheet_is_the_handover(shown, tmp_path, kind, paper):
    shown(kind).pdf(path=tmp_path / "page.pdf", format=paper)

    sheets = text_of(tmp_path / "page.pdf").split("\f")
    assert len(sheets) < 30
    assert "Next cut" in sheets[0]
    assert "The next shift should expect first" in sheets[0]
    assert "page made 2026-11-25 08:40 +01:00" in sheets[0]
    assert "Gauge:" in sheets[0], "the sheet ends on the first page"
    assert sheets[1].strip().startswith("The run")
    assert "part, in grinding order" in sheets[1], "text of figures can be selected"


def test_a_printed_gauge_study_carries_the_numbers_of_its_pictures(shown, tmp_path):
    shown("true").pdf(path=tmp_path / "page.pdf", format="A4")

    first = text_of(tmp_path / "page.pdf").split("\f")[0]
    assert "95 % of the line [µm]" in first
    assert "Numbers of this picture" not in first


def text_of(pdf):
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not installed (apt install poppler-utils)")
    command = ["pdftotext", "-layout", str(pdf), "-"]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_figure_is_clipped_on_paper_and_paper_is_light(shown, scheme):
    page = shown("run", width=PAPER_WIDTH, scheme=scheme)
    page.emulate_media(media="print")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")

    for box in page.locator(".plot").all():
        outer = box.bounding_box()
        inner = box.locator("svg.main-svg").first.bounding_box()
        assert inner["x"] + inner["width"] <= outer["x"] + outer["width"] + 1
        assert inner["height"] <= outer["height"] + 1
    fill = page.locator(".plot .xtitle").first.evaluate("e => getComputedStyle(e).fill")
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    assert fill == "rgb(81, 92, 101)"


def test_figures_follow_the_scheme_of_the_screen(shown):
    for scheme, color in (("dark", "rgb(169, 179, 186)"), ("light", "rgb(81, 92, 101)")):
        title = shown("run", scheme=scheme).locator(".plot .xtitle").first
        for _ in range(100):  # redrawn by the page's own listener, a moment later
            if title.evaluate("e => getComputedStyle(e).fill") == color:
                break
            title.page.wait_for_timeout(50)
        else:
            pytest.fail(f"the figures did not turn {scheme}")


@pytest.mark.parametrize("kind", ["run", "statement"])
def test_without_scripts_captions_and_tables_still_tell_everything(opened, kind):
    page = opened(kind, java_script_enabled=False)

    for figure in page.locator("figure").all():
        assert figure.locator("figcaption").is_visible()
        assert "numbers are in the table" in figure.locator(".plot").inner_text()
        figure.locator("summary").click()
        assert figure.locator("details table").first.is_visible()


def test_a_keyboard_reaches_everything_and_sees_where_it_is(opened):
    page = opened("run")

    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    assert page.evaluate("location.hash") == "#next-cut"
    summary = page.locator("summary").first
    summary.focus()
    page.keyboard.press("Enter")
    assert page.locator("details").first.get_attribute("open") is not None
    page.keyboard.press("Tab")
    outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid"


def test_forced_colours_and_reduced_motion_are_respected(opened):
    page = opened("run", forced_colors="active", reduced_motion="reduce")

    assert page.evaluate("getComputedStyle(document.documentElement).scrollBehavior") == "auto"
    assert page.locator(".act .mark").bounding_box()["width"] > 20


def test_what_is_copied_parses_anywhere(browser, tmp_path):
    target = write_report(studies.invented_study(), tmp_path, as_of=studies.AS_OF, locale="de")
    page = open_page(browser, target)
    page.evaluate(
        """() => {
          const range = document.createRange();
          range.selectNodeContents(document.querySelector('.act .do'));
          getSelection().removeAllRanges(); getSelection().addRange(range);
          addEventListener('copy', e => { window.copied = e.clipboardData.getData('text/plain'); });
          document.execCommand('copy');
        }"""
    )

    assert page.evaluate("window.copied") == "-3.0 µm on diameter."
    page.context.close()


def test_names_full_of_markup_do_nothing(browser, tmp_path):
    evil = "</script><img src=x onerror=alert(1)><b>\"'"
    run = studies.invented_run(part_name=lambda n: f"{n}{evil}", note=evil)
    study = studies.invented_study(run, advice=studies.advice(evidence=evil, check_first=evil))
    target = write_report(study, tmp_path / "evil.html", as_of=studies.AS_OF)
    context = browser.new_context(offline=True)
    page = context.new_page()
    alarms = []
    page.on("dialog", lambda dialog: (alarms.append(dialog.message), dialog.dismiss()))
    page.on("pageerror", lambda error: alarms.append(str(error)))
    page.goto(f"file://{target}")
    page.locator("html[data-drawn=yes]").wait_for(state="attached")

    assert alarms == []
    assert page.locator("img").count() == 0
    context.close()


def test_the_index_finds_what_is_typed(opened):
    page = opened("index")

    page.get_by_label("Find").fill("hold")
    shown = page.locator(".shelf li:visible")
    assert page.locator("#found").inner_text().startswith(f"{shown.count()} / ")
    assert all("HOLD" in text for text in shown.all_inner_texts())
    page.get_by_label("Find").fill("no such page")
    assert shown.count() == 0


def test_the_board_shouts_when_its_data_are_old(browser, folder):
    context = browser.new_context(offline=True)
    page = context.new_page()
    page.clock.install(time=studies.AS_OF)
    page.goto(f"file://{folder}/board.html")
    assert page.locator(".stale").is_visible(), "25 minutes without a reading"
    assert "25 min" in page.locator(".stale").inner_text()
    minute, hour = 60_000, 3_600_000
    for more, age in (
        (hour, "1 h 25 min:"), (35 * minute, "2 h:"), (22 * hour, "1 day:"),
        (3 * hour, "1 day 3 h:"), (21 * hour, "2 days:"),
    ):  # fmt: skip
        page.clock.fast_forward(more)
        page.clock.run_for(6_000)
        assert f"No reading for {age}" in page.locator(".stale").inner_text()
    context.close()


@pytest.mark.parametrize(("width", "height"), [(1280, 800), (768, 1024), (390, 844)])
def test_the_strip_of_a_stale_board_is_seen_without_scrolling(browser, folder, width, height):
    page = browser.new_page(viewport={"width": width, "height": height})
    page.goto(f"file://{folder}/board.html")
    assert page.locator(".stale").is_visible()
    strip = page.locator(".strip").bounding_box()

    assert strip["y"] + strip["height"] <= height
    assert strip["height"] >= 100
    page.close()


def test_the_act_on_the_board_is_read_from_two_metres(shown):
    # A capital letter is read at 200 times its height (common practice, no source): 10 mm at two
    # metres, 38 CSS pixels; the word is to be far above that.
    page = shown("board", width=1024)

    assert page.locator(".act .word").bounding_box()["height"] > 120
    assert page.locator(".act .do").evaluate("e => parseFloat(getComputedStyle(e).fontSize)") > 45
