"""The page in a real browser: it reads, sorts, filters, prints, fits a phone, and asks for nothing."""

import base64
import json
import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from tests.fake_study import Names, make_cluster, make_study
from wearlab.show.report import write_report

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
DRIVER = shutil.which("chromedriver")
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
TRICKS = "\u202egnp.exe\u2066 \x1b[31mred\x07 {{ 7 * 7 }} =cmd()"
HOSTILE = "<img src=x onerror=\"document.title='owned'\"><script>document.title='owned'</script>"

if not (BROWSER and DRIVER) and not os.environ.get("CI"):
    pytest.skip(
        "chromium and chromedriver are not installed (Debian: chromium chromium-driver)", allow_module_level=True
    )


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    names = Names(lot=HOSTILE, caution=TRICKS)
    study = make_study(names, clusters=(make_cluster(names), make_cluster(names, component="joint")))
    return write_report(study, tmp_path_factory.mktemp("report")).page


@pytest.fixture(scope="module")
def chromium(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    assert BROWSER, "chromium is not installed"
    assert DRIVER, "chromedriver is not installed"
    options = Options()
    options.binary_location = BROWSER
    for flag in (*FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('profile')}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(DRIVER))
    yield driver
    driver.quit()


@pytest.fixture
def browser(chromium: webdriver.Chrome, report: Path) -> webdriver.Chrome:
    """The page freshly opened at 1280 px, in light colours."""
    look(chromium, width=1280, dark=False)
    chromium.get(report.as_uri())
    return chromium


def look(driver: webdriver.Chrome, *, width: int, dark: bool) -> None:
    size = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    features = [
        {"name": "prefers-color-scheme", "value": "dark" if dark else "light"},
        {"name": "prefers-reduced-motion", "value": "reduce"},
    ]
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})


def run(driver: webdriver.Chrome, script: str) -> Any:
    return driver.execute_script(script)  # type: ignore[no-untyped-call]


def first_cells(driver: webdriver.Chrome, table: str) -> list[str]:
    rows = driver.find_elements(By.CSS_SELECTOR, f"#table-{table} tbody tr")
    return [row.find_element(By.CSS_SELECTOR, "td").text for row in rows if row.is_displayed()]


def test_every_section_and_picture_is_seen_and_the_console_is_silent(browser: webdriver.Chrome) -> None:
    for name in ("decisions", "regrease", "replacement", "lives", "classes", "forecast", "early", "cluster", "work",
                 "wear", "groups", "methods", "cautions", "basis", "words"):  # fmt: skip
        assert browser.find_element(By.ID, name).is_displayed(), name
    charts = browser.find_elements(By.CSS_SELECTOR, "figure svg.chart")
    assert len(charts) >= 9
    for chart in charts:
        assert chart.size["width"] > 250
        assert chart.size["height"] > 100
    assert browser.get_log("browser") == []  # type: ignore[no-untyped-call]


def test_letters_in_the_charts_take_the_colours_of_the_page(browser: webdriver.Chrome) -> None:
    colour = "return getComputedStyle(document.querySelector('svg.chart text')).fill"
    ground = "return getComputedStyle(document.body).backgroundColor"
    light = (run(browser, colour), run(browser, ground))
    look(browser, width=1280, dark=True)
    dark = (run(browser, colour), run(browser, ground))
    assert light[0] != dark[0]
    assert light[1] != dark[1]


def test_hostile_names_are_letters(browser: webdriver.Chrome) -> None:
    assert browser.title == "Drive-shaft wear report: demo_data"
    assert HOSTILE in browser.find_element(By.ID, "cluster").text


def test_marks_that_turn_text_or_steer_a_terminal_are_seen_as_their_codes(browser: webdriver.Chrome) -> None:
    text = browser.find_element(By.ID, "groups").text
    assert "\\u202egnp.exe\\u2066 \\u001b[31mred\\u0007 {{ 7 * 7 }} =cmd()" in text


def test_the_first_screen_holds_every_decision(browser: webdriver.Chrome) -> None:
    last = browser.find_elements(By.CSS_SELECTOR, ".in-short dd")[-1]
    assert last.rect["y"] + last.rect["height"] < 900
    for link in browser.find_elements(By.CSS_SELECTOR, ".in-short a"):
        name = str(link.get_attribute("href")).partition("#")[2]
        assert browser.find_element(By.ID, name).is_displayed()


def test_a_folded_table_opens_and_sorts(browser: webdriver.Chrome) -> None:
    fold = browser.find_element(By.CSS_SELECTOR, "#backtest details.more")
    assert not fold.find_element(By.CSS_SELECTOR, "table").is_displayed()
    fold.find_element(By.CSS_SELECTOR, "summary").click()
    assert fold.find_element(By.CSS_SELECTOR, "table").is_displayed()
    fold.find_element(By.CSS_SELECTOR, "th:nth-child(4) button").click()
    first = fold.find_element(By.CSS_SELECTOR, "tbody tr td")
    assert first.text == "1"


def test_on_paper_there_is_nothing_to_press(browser: webdriver.Chrome) -> None:
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        for selector in ("nav", ".filter", ".why", ".skip"):
            assert not browser.find_element(By.CSS_SELECTOR, selector).is_displayed(), selector
        ground = run(browser, "return getComputedStyle(document.body).backgroundColor")
        assert ground == "rgba(0, 0, 0, 0)"
    finally:
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})


def test_nothing_is_asked_of_the_network(browser: webdriver.Chrome, report: Path) -> None:
    sent = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]  # type: ignore[no-untyped-call]
    asked = {part["params"]["request"]["url"] for part in sent if part["method"] == "Network.requestWillBeSent"}
    asked = {url for url in asked if not url.startswith(("chrome:", "data:"))}  # the browser's own first page
    assert asked == {report.as_uri()}


def test_a_table_sorts_by_mouse_and_by_keyboard(browser: webdriver.Chrome) -> None:
    heading = browser.find_element(By.CSS_SELECTOR, "#table-classes-classes th:nth-child(4) button")
    run(browser, "document.querySelector('#classes').scrollIntoView()")
    heading.click()
    classes = "#table-classes-classes tbody tr td:nth-child(2)"
    assert [cell.text for cell in browser.find_elements(By.CSS_SELECTOR, classes)] == ["vocational", "line-haul"]
    heading.send_keys(Keys.ENTER)
    assert [cell.text for cell in browser.find_elements(By.CSS_SELECTOR, classes)] == ["line-haul", "vocational"]
    assert browser.find_element(By.CSS_SELECTOR, "#table-classes-classes th:nth-child(4)").get_attribute(
        "aria-sort"
    ) == ("descending")


def test_a_long_table_filters(browser: webdriver.Chrome) -> None:
    box = browser.find_element(By.CSS_SELECTOR, "#early .filter input")
    assert len(first_cells(browser, "early-units")) == 12
    box.send_keys("t017")
    assert first_cells(browser, "early-units") == ["T017"]


def test_details_open_by_keyboard_and_all_open_in_print(browser: webdriver.Chrome) -> None:
    summary = browser.find_element(By.CSS_SELECTOR, "#picture-costs summary")
    summary.send_keys(Keys.ENTER)
    assert "The flat zone runs from 5,000 to 8,000 miles." in browser.find_element(By.ID, "picture-costs").text
    run(browser, "dispatchEvent(new Event('beforeprint'))")
    assert run(browser, "return document.querySelectorAll('details:not([open])').length") == 0
    run(browser, "dispatchEvent(new Event('afterprint'))")
    assert run(browser, "return document.querySelectorAll('details:not([open])').length") > 0


@pytest.mark.parametrize(("width", "height"), [(8.27, 11.69), (8.5, 11.0)])
def test_it_prints_on_a4_and_letter(browser: webdriver.Chrome, width: float, height: float) -> None:
    printed = browser.execute_cdp_cmd("Page.printToPDF", {"paperWidth": width, "paperHeight": height})
    pdf = base64.b64decode(printed["data"])
    assert pdf.startswith(b"%PDF")
    assert 4 <= pdf.count(b"/Type /Page\n") <= 30


@pytest.mark.parametrize("width", [375, 768, 1280])
def test_no_width_needs_sideways_scrolling(browser: webdriver.Chrome, width: int) -> None:
    look(browser, width=width, dark=False)
    assert run(browser, "return document.documentElement.scrollWidth") <= width


def test_it_reads_whole_without_script(browser: webdriver.Chrome, report: Path) -> None:
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        browser.get(report.as_uri())
        assert "T017" in browser.find_element(By.ID, "table-early-units").text
        assert browser.find_elements(By.CSS_SELECTOR, "th button") == []
    finally:
        browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})


@pytest.mark.parametrize("dark", [False, True])
def test_the_accessibility_rules_find_nothing(browser: webdriver.Chrome, dark: bool) -> None:
    """axe-core 4.14.1 (npm), rules of the Web Content Accessibility Guidelines A and AA and its best practices."""
    look(browser, width=1280, dark=dark)
    browser.get(browser.current_url)
    run(browser, (Path(__file__).parent / "data" / "axe.min.js").read_text(encoding="utf-8"))
    run(browser, "document.querySelectorAll('details').forEach(part => { part.open = true })")
    found = browser.execute_async_script("axe.run().then(arguments[0])")  # type: ignore[no-untyped-call]
    faults = [f"{rule['id']}: {rule['nodes'][0]['html'][:120]}" for rule in found["violations"]]
    assert faults == []
