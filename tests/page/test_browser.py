"""The page in a real browser. Not part of CI: skipped where Playwright or a Chromium is missing (docs/page.md)."""

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.page.served_page import Lost, ServedPage, served_page
from tests.page.states import NOW_NS, alarm, recovery

playwright = pytest.importorskip("playwright.sync_api", reason="needs Playwright: pip install playwright")
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="needs a Chromium on the search path")

SIZES = {"phone": (360, 740), "desktop": (1280, 800)}
PICTURES = os.environ.get("RIMELOG_PICTURES")  # a folder: what was seen is kept there, to be looked at
SMALLEST_PX = 56
TARGETS = """() => [...document.querySelectorAll("button, summary, a, input, select, textarea")]
    .filter(e => e.checkVisibility() && !e.closest(".skip, nav") && !e.matches(".skip"))
    .map(e => [e.textContent || e.name, Math.round(e.getBoundingClientRect().height)])"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with playwright.sync_playwright() as running:
        made = running.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield made
        made.close()


@pytest.fixture
def served() -> Iterator[ServedPage]:
    with served_page() as page:
        page.daemon.rows = [
            {"t_ns": NOW_NS + (i - 60) * 10**9, "end_ns": NOW_NS + (i - 59) * 10**9, "unit_shown": "lb",
             "low_shown": 100.0 + i, "high_shown": 101.0 + i} for i in range(60)
        ]  # fmt: skip
        page.daemon.items.put(recovery(alarms=[alarm()]))
        yield page


class Opened:
    """A page of its own in the browser. said: what its console holds, policy violations included."""

    def __init__(self, browser: Any, served: ServedPage, size: str = "phone", light: str = "light") -> None:
        width, height = SIZES[size]
        self.context = browser.new_context(viewport={"width": width, "height": height}, color_scheme=light)
        self.context.set_default_timeout(20_000)
        self.tab = self.context.new_page()
        self.said: list[str] = []
        self.tab.on("console", lambda message: self.said.append(message.text))
        self.tab.on("pageerror", lambda error: self.said.append(str(error)))
        self.tab.goto(f"http://127.0.0.1:{served.port}/#{served.new_code()}")
        self.shows("#num", "9.9")

    def shows(self, where: str, text: str) -> None:
        playwright.expect(self.tab.locator(where)).to_have_text(text)

    def tap(self, name: str, exact: bool = True) -> None:
        self.tab.get_by_role("button", name=name, exact=exact).locator("visible=true").last.click()

    def keep_picture(self, name: str) -> None:
        if PICTURES:
            self.tab.screenshot(path=Path(PICTURES) / f"{name}.png")


@pytest.mark.parametrize("light", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
def test_it_opens_whole_and_says_nothing_on_the_console(
    browser: Any, served: ServedPage, size: str, light: str
) -> None:
    page = Opened(browser, served, size, light)
    page.shows("#lbl", "Room left in A")
    page.shows("#al-name", "CYLINDER NEARLY FULL")
    playwright.expect(page.tab).to_have_title("(!) CYLINDER NEARLY FULL · Recovery · Rimelog")
    playwright.expect(page.tab.locator("#ch-title")).to_contain_text("Scale (gross), lb, whole stage")
    assert page.tab.url == f"http://127.0.0.1:{served.port}/"  # the code is not left in the address
    assert page.tab.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert [one for one in page.tab.evaluate(TARGETS) if one[1] < SMALLEST_PX and size == "phone"] == []
    page.keep_picture(f"{size}-{light}")
    served.daemon.items.put(recovery(alarms=[alarm(priority="low"), alarm(key="other")]))  # its button beside its name
    page.shows("#al-more", "and 1 more")
    page.tab.evaluate("document.documentElement.style.fontSize = '36px'")  # text at 200 %
    assert page.tab.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert page.said == []


def test_a_stage_is_ended_and_begun_by_taps(browser: Any, served: ServedPage) -> None:
    page = Opened(browser, served)
    page.tap("End stage")
    playwright.expect(page.tab.get_by_role("button", name="No, go back")).to_be_focused()
    page.tap("End recovery")
    page.shows("#said", "stage-end done.")
    page.tab.keyboard.press("b")
    page.tap("Evacuation")
    page.tab.get_by_text("Settings", exact=True).click()
    page.tab.get_by_label("target vacuum").fill("500 microns")
    page.keep_picture("begin")
    page.tap("Begin evacuation")
    page.shows("#said", "stage-begin done.")
    assert [(action, body.get("kind")) for action, body in served.daemon.acts] == [
        ("stage-end", None), ("stage-begin", "evacuation"),
    ]  # fmt: skip
    assert page.said == []


def test_cylinder_mark_note_and_alarm_by_taps(browser: Any, served: ServedPage) -> None:
    page = Opened(browser, served)
    page.tap("Swap cylinder")
    page.tap("spare")
    page.tap("Yes, spare is on the scale")
    page.shows("#said", "cylinder done.")
    page.tap("Mark")
    page.tap("machine started")
    page.shows("#said", "mark done.")
    page.tab.keyboard.press("n")
    page.tab.get_by_label("A note for the record").fill("filter-drier changed")
    page.tap("Write it")
    page.shows("#said", "note done.")
    page.tap("Acknowledge")
    page.shows("#said", "acknowledge done.")
    assert [action for action, _ in served.daemon.acts] == ["cylinder", "mark", "note", "acknowledge"]
    assert page.said == []


def test_what_is_refused_says_why_and_a_question_is_asked_once(browser: Any, served: ServedPage) -> None:
    page = Opened(browser, served)
    served.daemon.refuses = Lost("no stage is running", "stage.none_running")
    page.tap("End stage")
    page.tap("End recovery")
    page.shows("#dw", "No stage is running")
    page.tap("Close")
    served.daemon.refuses = Lost("the decay test is not done. Begin charging all the same?", "stage.not_done")
    page.tab.keyboard.press("b")
    page.tap("Charging")
    page.tap("Begin charging")
    page.shows("#dq", "The decay test is not done. Begin charging all the same?")
    served.daemon.refuses = None
    page.tap("Yes, do it")
    page.shows("#said", "stage-begin done.")
    assert served.daemon.acts[-1][1]["anyway"] is True


def test_an_old_number_is_taken_away(browser: Any, served: ServedPage) -> None:
    page = Opened(browser, served)
    served.daemon.items.put(Lost("the logger does not answer"))
    page.shows("#lost-why", "The logger does not answer.")
    for gone in ("#num", "#bar", "#alarm", "#tape"):
        playwright.expect(page.tab.locator(gone)).to_be_hidden()
    playwright.expect(page.tab).to_have_title("NOT CURRENT · Rimelog")
    page.keep_picture("not-current")
    served.daemon.items.put(recovery())
    playwright.expect(page.tab.locator("#num")).to_be_visible()
    assert page.said == []


def test_ten_seconds_without_a_state_are_not_current(browser: Any, served: ServedPage) -> None:
    page = Opened(browser, served)
    page.tab.clock.install()
    page.tab.reload()
    playwright.expect(page.tab.locator("#num")).to_be_visible()
    page.tab.clock.fast_forward(12_000)
    playwright.expect(page.tab.locator("#num")).to_be_hidden()
    playwright.expect(page.tab).to_have_title("NOT CURRENT · Rimelog")


def test_a_browser_without_the_code_is_told_how_to_get_one(browser: Any, served: ServedPage) -> None:
    page = Opened(browser, served)
    page.context.clear_cookies()
    page.tab.reload()
    playwright.expect(page.tab.get_by_role("heading", name="This browser is not connected")).to_be_visible()
    playwright.expect(page.tab.locator("#num")).to_be_hidden()
    page.keep_picture("not-connected")


def test_a_spike_and_a_gap_are_read_from_the_chart_by_keys(browser: Any, served: ServedPage) -> None:
    page = Opened(browser, served)
    page.tab.locator("#ch").focus()
    page.tab.keyboard.press("ArrowLeft")
    playwright.expect(page.tab.locator("#ch-read")).to_contain_text("lb")
    page.tab.keyboard.press("+")
    page.tab.keyboard.press("0")
    assert page.said == []
