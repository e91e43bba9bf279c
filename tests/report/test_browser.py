"""The page in a real browser: no console errors, figures drawn, sorting, keyboard, print."""

import base64
import json
import shutil

import pytest

pytestmark = pytest.mark.browser

selenium = pytest.importorskip("selenium", reason="selenium is in the extra `test`")

from selenium import webdriver  # noqa: E402
from selenium.webdriver.chrome.service import Service  # noqa: E402
from selenium.webdriver.common.by import By  # noqa: E402
from selenium.webdriver.common.keys import Keys  # noqa: E402
from selenium.webdriver.support.ui import WebDriverWait  # noqa: E402

from pipeline.report import write_page  # noqa: E402

HOSTILE = "<script>alert(1)</script>"
BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
DRIVER = shutil.which("chromedriver")
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--window-size=1280,1000",
]
PATIENCE = 90


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    if BROWSER is None or DRIVER is None:
        pytest.skip("no Chromium with chromedriver here (Debian: chromium, chromium-driver)")
    options = webdriver.ChromeOptions()
    options.binary_location = BROWSER
    for flag in [*FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('profile')}"]:
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(DRIVER))
    yield driver
    driver.quit()


@pytest.fixture(scope="module")
def opened(browser, page_path):
    """The page, open and ready."""
    browser.get(page_path.as_uri())
    wait(browser, "return document.documentElement.dataset.ready === 'yes'")
    return browser


def wait(browser, script):
    return WebDriverWait(browser, PATIENCE).until(lambda b: b.execute_script(script))


def first_column(browser):
    return browser.execute_script(
        "return [...document.querySelectorAll('#pumps tbody tr')]"
        ".map(r => r.cells[0].querySelector('a').textContent)"
    )


def heading(browser, words):
    for cell in browser.find_elements(By.CSS_SELECTOR, "#pumps thead th"):
        if words in cell.text:
            return cell
    raise AssertionError(words)


def test_every_figure_is_drawn_when_it_is_reached(opened):
    """Seven figures for each of three pumps, each with something inside its axes."""
    canvases = opened.find_elements(By.CSS_SELECTOR, ".canvas")
    assert len(canvases) == 21
    for canvas in canvases:
        opened.execute_script("arguments[0].scrollIntoView()", canvas)
        WebDriverWait(opened, PATIENCE).until(
            lambda b, c=canvas: b.execute_script(
                "return arguments[0].querySelectorAll("
                "'.scatterlayer .trace path, .barlayer .point path, .heatmaplayer image').length",
                c,
            )
        )
        size = opened.execute_script(
            "const r = arguments[0].querySelector('.main-svg').getBoundingClientRect();"
            "return [r.width, r.height]",
            canvas,
        )
        assert size[0] > 600
        assert size[1] == pytest.approx(float(canvas.get_attribute("data-height")), abs=2)


def test_names_are_shown_and_not_run(opened):
    """The hostile pump appears under its own name, in a heading and in a figure."""
    assert opened.title == "Works <b>& more</b>: pump efficiency"
    assert opened.find_element(By.ID, "pump-2-title").text == HOSTILE
    labels = opened.execute_script(
        "return [...document.querySelectorAll('#pump-2 .ytick text')].map(t => t.textContent)"
    )
    assert f"flow ({HOSTILE}.FLOW)" in labels


def test_sorting_by_money_certainty_and_name(opened):
    """Dearest loss first to begin with; what is not known stays last either way."""
    opened.execute_script("scrollTo(0, 0)")
    assert first_column(opened) == ["P1", "P3 & co", HOSTILE]
    cost = heading(opened, "Loss costs")
    assert cost.get_attribute("aria-sort") == "descending"
    cost.find_element(By.TAG_NAME, "button").click()
    assert cost.get_attribute("aria-sort") == "ascending"
    assert first_column(opened) == ["P3 & co", "P1", HOSTILE]
    sure = heading(opened, "Sure to within")
    sure.find_element(By.TAG_NAME, "button").click()
    assert first_column(opened) == ["P3 & co", HOSTILE, "P1"]
    assert cost.get_attribute("aria-sort") == "none"
    assert sure.get_attribute("aria-sort") == "ascending"
    name = heading(opened, "Pump")
    name.find_element(By.TAG_NAME, "button").click()
    assert first_column(opened)[1:] == ["P1", "P3 & co"]
    spoken = opened.execute_script("return document.getElementById('sorted').textContent")
    assert spoken == "Sorted by Pump, ascending"


def test_sorting_by_keyboard(opened):
    """A heading's button takes the focus and answers to the space bar."""
    button = heading(opened, "Overall efficiency").find_element(By.TAG_NAME, "button")
    opened.execute_script("arguments[0].focus()", button)
    opened.switch_to.active_element.send_keys(Keys.SPACE)
    assert first_column(opened) == ["P1", HOSTILE, "P3 & co"]


def test_tab_reaches_everything_in_reading_order(opened, page_path):
    """From the skip link on, the focus follows the page downwards and never jumps back."""
    opened.get(page_path.as_uri())
    wait(opened, "return document.documentElement.dataset.ready === 'yes'")
    order = []
    body = opened.find_element(By.TAG_NAME, "body")
    body.send_keys(Keys.TAB)
    for _ in range(30):
        order.append(
            opened.execute_script(
                "const all = [...document.querySelectorAll('*')];"
                "const e = document.activeElement;"
                "return [all.indexOf(e), e.className || e.id || e.textContent.trim()]"
            )
        )
        opened.switch_to.active_element.send_keys(Keys.TAB)
    assert order[0][1] == "skip"
    assert order[1][1] == "print"
    places = [place for place, _ in order]
    assert places == sorted(set(places))
    reached = opened.execute_script(
        "return [...document.querySelectorAll('a[href], button, summary, [tabindex]')]"
        ".filter(e => e.tabIndex < 0).map(e => e.outerHTML)"
    )
    assert reached == []


def test_whole_range_shows_the_outliers(opened):
    """The button widens the axis to every point."""
    figure = opened.find_element(By.CSS_SELECTOR, "#pump-1 figure.plot")
    canvas = figure.find_element(By.CSS_SELECTOR, ".canvas")
    opened.execute_script("arguments[0].scrollIntoView()", canvas)
    WebDriverWait(opened, PATIENCE).until(lambda b: canvas.get_attribute("data-drawn"))
    ask = "return arguments[0].layout.yaxis.range.slice()"
    before = opened.execute_script(ask, canvas)
    opened.execute_script("arguments[0].click()", figure.find_element(By.CSS_SELECTOR, ".whole"))
    WebDriverWait(opened, PATIENCE).until(lambda b: b.execute_script(ask, canvas) != before)


@pytest.mark.slow
def test_printing_draws_every_figure_on_paper(browser, opened, page_path):
    """Printed straight after opening: all figures are drawn, none wider than the page."""
    browser.get(page_path.as_uri())
    wait(browser, "return document.documentElement.dataset.ready === 'yes'")
    browser.execute_script(
        "window.printed = [];"
        "addEventListener('beforeprint', () => { window.printed ="
        " [...document.querySelectorAll('.canvas')].map(c => c._fullLayout?.width ?? 0); });"
    )
    printed = browser.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True})
    content = base64.b64decode(printed["data"])
    assert content.startswith(b"%PDF")
    widths = browser.execute_script("return window.printed")
    assert len(widths) == 21
    assert set(widths) == {690}


def test_nothing_went_wrong_and_nothing_was_fetched(opened):
    """Over all of the above: an empty console, and only the file itself and its own parts."""
    assert opened.get_log("browser") == []
    messages = [json.loads(entry["message"])["message"] for entry in opened.get_log("performance")]
    asked = [
        m["params"]["request"]["url"]
        for m in messages
        if m["method"] == "Network.requestWillBeSent"
        and m["params"]["documentURL"].startswith("file:")
    ]
    assert asked
    assert [url for url in asked if not url.startswith(("file:", "data:", "blob:"))] == []


def test_page_of_missing_tables_opens_quietly(browser, bare_tables, plant, tmp_path):
    path = write_page(bare_tables, plant, tmp_path / "page.html")
    browser.get(path.as_uri())
    wait(browser, "return document.readyState === 'complete'")
    assert browser.get_log("browser") == []
    assert browser.find_elements(By.CSS_SELECTOR, ".main-svg") == []


def test_plots_beside_each_other_keep_their_room_in_a_narrow_window(browser, page_path):
    """Their window scrolls, and the page itself does not."""
    browser.get(page_path.as_uri())
    wait(browser, "return document.documentElement.dataset.ready === 'yes'")
    width = {"width": 420, "height": 900, "deviceScaleFactor": 1, "mobile": False}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", width)
    try:
        wait(browser, "return innerWidth === 420")
        for canvas in browser.find_elements(By.CSS_SELECTOR, "#pump-1 .canvas"):
            browser.execute_script("arguments[0].scrollIntoView()", canvas)
            WebDriverWait(browser, PATIENCE).until(
                lambda b, c=canvas: b.execute_script("return Boolean(arguments[0].layout)", c)
            )
        room = browser.execute_script(
            "return [...document.querySelectorAll('#pump-1 .canvas')].map(c => "
            "[Object.keys(c.layout).some(k => /^xaxis/.test(k) && c.layout[k].domain?.[0] > 0),"
            " c.offsetWidth])"
        )
        page = browser.execute_script("return document.documentElement.scrollWidth")
    finally:
        browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    assert {beside for beside, _ in room} == {True, False}
    assert all(px >= 640 if beside else px < 420 for beside, px in room)
    assert page <= 420
