"""
The three pictures of the README, drawn anew: ``python tests/report/pictures_by_hand.py``.

Not a test. Needs the extra ``test``, Debian's chromium, poppler-utils and imagemagick; look at the
pictures before committing them.
"""

import shutil
import subprocess
import tempfile
from datetime import timedelta
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright

from spc.intake import read_run
from spc.plan import load_plan
from spc.report.pages import write_report
from spc.study import examine

ROOT = Path(__file__).parents[2]
RUN = ROOT / "sample_runs" / "capstan_spindle"
PICTURES = ROOT / "reports"
SWITCHES = ["--no-sandbox", "--disable-background-networking", "--disable-sync", "--no-first-run"]


def main() -> None:
    """Write one report of the sample run, and three pictures of it."""
    plan = load_plan(RUN.with_suffix(".toml"))
    study = examine(read_run(RUN.with_suffix(".csv"), plan), plan)
    assert study.ended is not None, "the sample run carries times"
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        as_of = study.ended + timedelta(minutes=5)
        page = write_report(study, Path(folder) / "run.html", as_of=as_of)
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=SWITCHES
        )
        _first_screen(browser, page)
        _figure_in_the_dark(browser, page)
        _first_sheet(browser, page)
        browser.close()


def _first_screen(browser: Browser, page: Path) -> None:
    shot = page.with_name("page.png")
    opened = _opened(browser, page, width=1200, height=900)
    words = opened.locator(".edge + p").bounding_box()
    assert words is not None, "the words below the strip are the last of the picture"
    opened.set_viewport_size({"width": 1200, "height": int(words["y"] + words["height"]) + 16})
    opened.screenshot(path=shot)
    _small(shot)


def _figure_in_the_dark(browser: Browser, page: Path) -> None:
    shot = page.with_name("dark.png")
    opened = _opened(browser, page, width=1100, height=900, scheme="dark")
    opened.locator("figure#size-1").screenshot(path=shot)
    _small(shot)


def _first_sheet(browser: Browser, page: Path) -> None:
    paper, sheet = page.with_name("run.pdf"), page.with_name("sheet.png")
    _opened(browser, page, width=1200, height=760).pdf(path=paper, format="A4")
    words = ["pdftoppm", "-png", "-singlefile", "-r", "70", str(paper), str(sheet.with_suffix(""))]
    subprocess.run(words, check=True)
    _small(sheet)


def _opened(
    browser: Browser, page: Path, *, width: int, height: int, scheme: str = "light"
) -> Page:
    size = {"width": width, "height": height}
    opened = browser.new_context(viewport=size, offline=True, color_scheme=scheme).new_page()
    opened.goto(page.as_uri())
    opened.locator("html[data-drawn=yes]").wait_for(state="attached")
    return opened


def _small(shot: Path) -> None:
    """A few colours are enough for a page, and keep the repository light."""
    kept = PICTURES / shot.name
    subprocess.run(["convert", str(shot), "-strip", "-colors", "48", f"PNG8:{kept}"], check=True)


if __name__ == "__main__":
    main()
