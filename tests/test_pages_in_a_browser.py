"""The report page opened in headless Chromium: quiet, self-contained, audible, usable.

Skipped where no Chromium with its driver, or no selenium, is installed.
"""

from __future__ import annotations

import base64
import json
import re
import shutil
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest
from test_pages import many_runs

from improv.pages.build import Choices, build

selenium = pytest.importorskip("selenium", reason="selenium is not installed")
CHROMIUM = (
    shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
)
DRIVER = shutil.which("chromedriver")
pytestmark = pytest.mark.skipif(
    CHROMIUM is None or DRIVER is None,
    reason="no Chromium with its driver here (Debian: chromium, chromium-driver)",
)

PAPERS = {"A4": (8.27, 11.69), "Letter": (8.5, 11.0)}


def browser(width: int, height: int, *, scripts: bool = True, dark: bool = False) -> Any:
    """A headless Chromium with a log of its console and its requests."""
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = str(CHROMIUM)
    for argument in (
        "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage",
        "--autoplay-policy=no-user-gesture-required", "--mute-audio",
        f"--window-size={width},{height}",
    ):  # fmt: skip
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    if width < 500:
        metrics = {"width": width, "height": height, "pixelRatio": 2.0}
        options.add_experimental_option("mobileEmulation", {"deviceMetrics": metrics})
    if not scripts:
        options.add_experimental_option(
            "prefs", {"profile.managed_default_content_settings.javascript": 2}
        )
    driver = webdriver.Chrome(options=options, service=Service(DRIVER))
    if dark:
        features = [{"name": "prefers-color-scheme", "value": "dark"}]
        driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})
    return driver


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A page with several passages, as a file."""
    path = tmp_path_factory.mktemp("page") / "take.html"
    path.write_text(build(many_runs(3), Choices()), encoding="utf-8")
    return path.as_uri()


@pytest.fixture(scope="module")
def desk(address: str) -> Iterator[Any]:
    """The page on a desk: a window of 1100 pixels."""
    driver = browser(1100, 900)
    driver.get(address)
    yield driver
    driver.quit()


@pytest.fixture(scope="module")
def phone(address: str) -> Iterator[Any]:
    """The page on a phone 360 pixels wide."""
    driver = browser(360, 740)
    driver.get(address)
    yield driver
    driver.quit()


def test_no_error_and_no_request_to_anywhere(address: str) -> None:
    """The console is silent, and the only thing asked for is the file itself."""
    driver = browser(1100, 900)
    try:
        driver.get(address)
        driver.execute_async_script("setTimeout(arguments[0], 500)")
        assert driver.get_log("browser") == []
        messages = [json.loads(e["message"])["message"] for e in driver.get_log("performance")]
    finally:
        driver.quit()
    asked = [
        m["params"]["request"]["url"]
        for m in messages
        if m["method"] == "Network.requestWillBeSent"
    ]
    assert address in asked
    assert [url for url in asked if not url.startswith(("data:", "file:"))] == []
    assert {url for url in asked if url.startswith("file:")} == {address}


PLAY = """
const done = arguments[arguments.length - 1], player = arguments[0];
player.addEventListener("error", () => done({error: player.error.message}));
player.addEventListener("canplaythrough", async () => {
  try { await player.play(); } catch (error) { done({error: String(error)}); return; }
  setTimeout(() => {
    const at = player.currentTime;
    player.pause();
    done({error: null, length: player.duration, at: at, shown: player.controls});
  }, 400);
}, {once: true});
player.load();
"""


def test_every_player_plays(desk: Any) -> None:
    """Decodes to its end, advances when played, has controls; slow is longer than played."""
    desk.set_script_timeout(20)
    players = desk.find_elements("css selector", "audio")
    assert len(players) >= 6 and len(players) % 3 == 0
    told = [desk.execute_async_script(PLAY, player) for player in players]
    for one in told:
        assert one["error"] is None
        assert one["at"] > 0.05 and one["shown"]
        assert 1.0 < one["length"] < 60.0
    for played, slow, grid in zip(told[::3], told[1::3], told[2::3], strict=True):
        assert slow["length"] > 1.3 * played["length"]
        assert grid["length"] == pytest.approx(played["length"], abs=0.5)
    names = [player.get_attribute("aria-label") for player in players]
    assert len(set(names)) == len(names)


@pytest.mark.parametrize("head", ["Spread, ms", "Subdivision", "Bars"])
def test_tables_sort_up_and_down(desk: Any, head: str) -> None:
    """One press sorts up, the next down; what is not known stays last; readers are told."""
    read = """
    const table = document.querySelector("table"), heads = [...table.tHead.rows[0].cells];
    const column = heads.findIndex((h) => h.textContent.trim() === arguments[0]);
    return {keys: [...table.tBodies[0].rows].map((r) => r.cells[column].dataset.key ?? null),
            sort: heads[column].getAttribute("aria-sort")};
    """
    button = next(
        b for b in desk.find_elements("css selector", "table th button") if b.text.strip() == head
    )
    for direction in ("ascending", "descending"):
        button.send_keys("\ue007")  # the Enter key: sorting needs no mouse
        told = desk.execute_script(read, head)
        assert told["sort"] == direction
        known = [k for k in told["keys"] if k is not None]
        assert told["keys"][: len(known)] == known
        values = known if head == "Subdivision" else [float(k) for k in known]
        assert len(values) >= 3
        assert values == sorted(values, reverse=direction == "descending")


def test_a_phone_never_scrolls_sideways(phone: Any) -> None:
    """360 pixels hold the page, with every part of it open; the narrow chart is the one shown."""
    phone.execute_script("for (const d of document.querySelectorAll('details')) d.open = true")
    root = "document.documentElement"
    wide, room = phone.execute_script(f"return [{root}.scrollWidth, {root}.clientWidth]")
    assert (wide, room) == (360, 360)
    out = phone.execute_script("""
      return [...document.querySelectorAll("main *")].filter((e) => {
        if (e.closest(".scroll") || e.closest("svg") || e.tagName === "svg") return false;
        const box = e.getBoundingClientRect();
        return box.width > 0 && (box.right > 360.5 || box.left < -0.5);
      }).map((e) => e.tagName + "." + e.className);""")
    assert out == []
    shown = "return [...document.querySelectorAll(arguments[0])].map((e) => e.offsetWidth > 0)"
    assert phone.execute_script(shown, ".wide") == [False]
    assert phone.execute_script(shown, ".narrow") == [True]


def test_players_can_be_pressed_with_a_thumb(phone: Any) -> None:
    """Players are at least 40 pixels high and as wide as the phone allows."""
    sizes = phone.execute_script(
        "return [...document.querySelectorAll('audio')].map((a) => [a.offsetWidth, a.offsetHeight])"
    )
    assert sizes and all(width > 250 and height >= 40 for width, height in sizes)


@pytest.mark.parametrize("paper", PAPERS)
def test_it_prints_whole(desk: Any, paper: str) -> None:
    """A few sheets of the paper asked for; words, chart and tables, and no players."""
    width, height = PAPERS[paper]
    printed = desk.execute_cdp_cmd(
        "Page.printToPDF", {"paperWidth": width, "paperHeight": height, "printBackground": False}
    )
    data = base64.b64decode(printed["data"])
    sheets = len(re.findall(rb"/Type\s*/Page\b", data))
    assert 3 <= sheets <= 10
    boxes = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)\s*\]", data)
    assert boxes
    for wide, high in boxes:
        assert float(wide) == pytest.approx(72 * width, abs=2)
        assert float(high) == pytest.approx(72 * height, abs=2)


@pytest.mark.parametrize("paper", PAPERS)
def test_nothing_is_cut_off_in_print(address: str, paper: str) -> None:
    """Laid out at the width between the margins, nothing stands out of it, no sheet of chart
    is higher than the paper, and what is only for screens is gone."""
    width, height = PAPERS[paper]
    room = round(width * 96 - 2 * 14 / 25.4 * 96)
    high = height * 96 - 2 * 14 / 25.4 * 96
    driver = browser(1100, 900)
    try:
        driver.get(address)
        driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
        driver.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride",
            {"width": room, "height": 900, "deviceScaleFactor": 1, "mobile": False},
        )
        told = driver.execute_script("""
          const seen = (s) => [...document.querySelectorAll(s)].some((e) => e.offsetWidth > 0);
          const svgs = [...document.querySelectorAll(".wide svg")];
          return {wide: document.documentElement.scrollWidth, nav: seen("nav"),
                  players: seen("audio"), notes: seen("details"), tables: seen("#figures table"),
                  heads: [...document.querySelectorAll("thead th")].every((h) =>
                    !h.offsetWidth || getComputedStyle(h, "::before").content.length > 2),
                  chart: svgs.map((s) => s.getBoundingClientRect().height)};""")
    finally:
        driver.quit()
    assert told["wide"] <= room
    assert told["tables"] and told["heads"]
    assert not (told["nav"] or told["players"] or told["notes"])
    assert told["chart"] and max(told["chart"]) < high


def test_it_works_with_scripts_off(address: str) -> None:
    """Heads stay words, tables and players are there: only the sorting is missing."""
    driver = browser(1100, 900, scripts=False)
    try:
        driver.get(address)
        assert driver.find_elements("css selector", "th button") == []
        heads = [h.text for h in driver.find_elements("css selector", "#figures thead th")]
        assert "Spread, ms" in heads
        assert driver.find_elements("css selector", "audio[controls]")
        assert driver.find_element("css selector", "svg").size["height"] > 100
    finally:
        driver.quit()


def test_the_keyboard_reaches_everything(desk: Any) -> None:
    """The first Tab offers to skip ahead; links, heads, tables and players follow."""
    from selenium.webdriver import ActionChains

    desk.refresh()
    ActionChains(desk).send_keys("\ue004").perform()
    assert desk.execute_script("return document.activeElement.className") == "skip"
    reach = desk.execute_script("""
      return ["nav a", "audio", "th button", ".scroll", "summary"].map((s) =>
        [...document.querySelectorAll(s)].every((e) => e.tabIndex >= 0));""")
    assert reach == [True] * 5


def axe_source() -> str:
    """The accessibility checker axe-core, as the packages on PyPI carry it; the newest first."""
    for package in ("axe_playwright_python", "axe_core_python"):
        spec = find_spec(package)
        path = Path(spec.origin).with_name("axe.min.js") if spec and spec.origin else None
        if path is not None and path.is_file():
            return path.read_text(encoding="utf-8")
    pytest.skip("axe-core is not installed (PyPI: axe-core-python)")


@pytest.mark.parametrize("where", ["desk", "phone", "dark"])
def test_no_barrier_is_found(address: str, where: str) -> None:
    """axe-core, WCAG 2 A and AA with contrast, in light, in dark and on a phone: no violation."""
    source = axe_source()
    width, height = (360, 740) if where == "phone" else (1100, 900)
    driver = browser(width, height, dark=where == "dark")
    try:
        driver.set_script_timeout(60)
        driver.get(address)
        driver.execute_script("for (const d of document.querySelectorAll('details')) d.open = true")
        if where == "dark":
            body = "return getComputedStyle(document.body).backgroundColor"
            assert driver.execute_script(body) != "rgb(255, 255, 255)"
        driver.execute_script(source)
        told = driver.execute_async_script("""
          const done = arguments[arguments.length - 1];
          axe.run({runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "best-practice"]})
            .then(done, (e) => done({error: String(e)}));""")
    finally:
        driver.quit()
    assert "error" not in told, told
    found = [(v["id"], [n["target"] for n in v["nodes"]][:3]) for v in told["violations"]]
    assert found == []
    assert "color-contrast" in {p["id"] for p in told["passes"]}
