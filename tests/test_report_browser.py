"""The report in a real browser: Debian's Chromium, without a window and without a network."""

from __future__ import annotations

import base64
import io
import json
import shutil
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from PIL import Image
from report_job import SHOTS, inspected_job, with_match
from report_tools import contrast
from selenium.webdriver import ActionChains, Chrome, ChromeOptions, Keys
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.webelement import WebElement

from fullhide.report.build import page_of
from fullhide.report.html import report_html
from fullhide.report.kept import known_of_record
from fullhide.report.page import Signature
from fullhide.report.pictures import make_pictures

FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--disable-dev-shm-usage", "--force-device-scale-factor=1",
)  # fmt: skip
PHONES_AND_DESKTOP = [320, 360, 390, 768, 1366]


def _program(*names: str) -> str:
    for name in names:
        if found := shutil.which(name):
            return found
    raise AssertionError(f"{names[0]} is missing: tests/run.sh installs it, or says what to run")


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> str:
    folder = tmp_path_factory.mktemp("browser")
    bolster = replace(SHOTS[-1], regions=tuple(map(with_match, SHOTS[-1].regions)))
    job = inspected_job(folder / "kestrel", (*SHOTS[:-1], bolster))
    despite = Signature(
        by="R. Weaver", when="20 March 2026", despite="the owner <i>waits</i>", seal="ab" * 32
    )
    page = page_of(replace(known_of_record(job), signatures=(despite,)))
    path = folder / "report.html"
    path.write_bytes(report_html(page, make_pictures(page, job.folder)))
    return path.as_uri()


@pytest.fixture(scope="module")
def chrome(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Chrome]:
    options = ChromeOptions()
    options.binary_location = _program("chromium", "chromium-browser", "google-chrome")
    for flag in (*FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('profile')}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"performance": "ALL", "browser": "ALL"})
    driver = Chrome(options=options, service=Service(_program("chromedriver")))
    yield driver
    driver.quit()


@pytest.fixture
def browser(chrome: Chrome, address: str) -> Chrome:
    """The page, newly opened, on a phone."""
    _size(chrome, 390)
    chrome.get(address)
    return chrome


def _size(chrome: Chrome, width: int) -> None:
    metrics = {"width": width, "height": 844, "deviceScaleFactor": 1, "mobile": width < 700}
    chrome.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)


def _all(browser: Chrome, css: str) -> list[WebElement]:
    found = browser.find_elements(By.CSS_SELECTOR, css)
    assert found, css
    return found


def _unfold(browser: Chrome) -> None:
    browser.execute_script(
        "document.querySelectorAll('details').forEach(d => d.open = true);"
        "document.querySelectorAll('.part').forEach(p => p.style.contentVisibility = 'visible');"
    )


#: Photos are read and decoded only once they come into sight: not at once on a busy machine.
_DRAWN = """
const done = arguments[arguments.length - 1];
const pictures = [...arguments[0].querySelectorAll("img")];
pictures.forEach((picture) => { picture.loading = "eager"; });
Promise.all(pictures.map((picture) => picture.decode())).then(
  () => requestAnimationFrame(() => requestAnimationFrame(() => done("drawn"))),
  (error) => done(String(error)));
"""


def _picture(element: WebElement) -> np.ndarray:
    """What is seen of an element, its pictures drawn."""
    assert element.parent.execute_async_script(_DRAWN, element) == "drawn"
    with Image.open(io.BytesIO(element.screenshot_as_png)) as image:
        return np.asarray(image.convert("RGB"), np.int16)


# ---------------------------------------------------------------- offline


def test_it_asks_for_nothing_but_itself_and_shows_every_picture(
    browser: Chrome, address: str
) -> None:
    browser.get_log("performance")
    browser.get(address)
    _unfold(browser)
    browser.execute_script(
        "document.querySelectorAll('img').forEach(i => { i.loading = 'eager'; });"
    )
    shown = browser.execute_async_script(
        "const done = arguments[0];"
        "Promise.all([...document.images].map(i => i.decode().then(() => i.naturalWidth,"
        " () => 0))).then(done);"
    )
    assert len(shown) > 5
    assert min(shown) > 0
    asked = [
        message["params"]["request"]["url"]
        for entry in browser.get_log("performance")
        if (message := json.loads(entry["message"])["message"])["method"]
        == "Network.requestWillBeSent"
    ]
    assert address in asked
    assert [url for url in asked if url != address and not url.startswith("data:")] == []


def test_nothing_is_complained_of(browser: Chrome, address: str) -> None:
    browser.get_log("browser")
    browser.get(address)
    assert browser.get_log("browser") == []


def test_its_own_policy_keeps_a_stranger_script_from_running(browser: Chrome) -> None:
    # What the policy in the page forbids, not what we are careful not to write.
    browser.execute_cdp_cmd("Page.setBypassCSP", {"enabled": False})
    ran = browser.execute_async_script(
        "const done = arguments[0]; const s = document.createElement('script');"
        "s.textContent = 'window.stranger = 1'; document.body.append(s);"
        "const i = new Image(); i.onerror = () => done([window.stranger ?? 0, 'refused']);"
        "i.onload = () => done([1, 'loaded']); i.src = 'http://127.0.0.1:9/x.png';"
    )
    assert ran == [0, "refused"]


# ---------------------------------------------------------------- phone and desktop


@pytest.mark.parametrize("width", PHONES_AND_DESKTOP)
def test_nothing_scrolls_sideways(browser: Chrome, width: int) -> None:
    _size(browser, width)
    _unfold(browser)
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width
    assert browser.execute_script("return innerWidth") == width


def test_what_is_pressed_is_large_enough_for_a_glove(browser: Chrome) -> None:
    # 44 CSS pixels: target size of WCAG 2.2, criterion 2.5.5.
    _unfold(browser)
    for element in _all(browser, "nav a, summary, .tools label, .slide input"):
        assert element.rect["height"] >= 44, element.get_attribute("outerHTML")


# ---------------------------------------------------------------- switches


def _layer_shown(browser: Chrome, layer: str) -> set[bool]:
    return set(
        browser.execute_script(
            "return [...document.querySelectorAll('svg.' + arguments[0])]"
            ".map(s => getComputedStyle(s).display !== 'none')",
            layer,
        )
    )


@pytest.mark.parametrize(("layer", "other"), [("outlines", "marks"), ("marks", "outlines")])
@pytest.mark.parametrize("way", ["click", "keyboard"])
def test_a_switch_takes_its_layer_off_and_puts_it_back(
    browser: Chrome, layer: str, other: str, way: str
) -> None:
    box = browser.find_element(By.CSS_SELECTOR, f'[data-layer="{layer}"]')
    seen = []
    for _ in range(2):
        if way == "click":
            box.click()
        else:
            box.send_keys(Keys.SPACE)
        seen.append(_layer_shown(browser, layer))
        assert _layer_shown(browser, other) == {True}
    assert seen == [{False}, {True}]


def test_a_switch_changes_what_is_seen(browser: Chrome) -> None:
    photo = browser.find_element(By.CSS_SELECTOR, ".part > figure:not(.compare) .photo")
    browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", photo)
    with_lines = _picture(photo)
    for box in _all(browser, ".tools input"):
        browser.execute_script("arguments[0].click()", box)
    without = _picture(photo)
    changed = np.abs(with_lines - without).max(axis=2) > 40
    assert 0.002 < changed.mean() < 0.2


# ---------------------------------------------------------------- before and after


def _at(browser: Chrome, pair: WebElement) -> str:
    script = "return getComputedStyle(arguments[0]).getPropertyValue('--at')"
    return str(browser.execute_script(script, pair))


def _compare(browser: Chrome) -> tuple[WebElement, WebElement]:
    figure = browser.find_element(By.CSS_SELECTOR, ".compare")
    browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", figure)
    pair = figure.find_element(By.CSS_SELECTOR, ".pair")
    return pair, figure.find_element(By.CSS_SELECTOR, "input")


@pytest.mark.parametrize(
    ("key", "at"),
    [(Keys.ARROW_RIGHT, "51%"), (Keys.ARROW_LEFT, "49%"), (Keys.HOME, "0%"), (Keys.END, "100%")],
)
def test_the_slider_goes_by_keyboard_and_says_where_it_is(
    browser: Chrome, key: str, at: str
) -> None:
    pair, slider = _compare(browser)
    slider.send_keys(key)
    assert _at(browser, pair) == at
    assert slider.get_attribute("aria-valuetext").startswith(at.replace("%", " % before"))


def test_the_slider_follows_a_finger_on_the_picture(browser: Chrome) -> None:
    pair, slider = _compare(browser)
    width = pair.rect["width"]
    chain = ActionChains(browser, duration=0).move_to_element(pair).click_and_hold()
    chain.move_by_offset(round(-width / 4), 0).perform()
    assert _at(browser, pair) == "25%"
    ActionChains(browser).release().move_by_offset(40, 0).perform()
    assert _at(browser, pair) == "25%"
    assert slider.get_attribute("value") == "25"


def test_left_of_the_line_is_before_and_right_of_it_is_now(browser: Chrome) -> None:
    pair, slider = _compare(browser)
    for image in pair.find_elements(By.TAG_NAME, "img"):
        browser.execute_async_script("arguments[0].decode().then(arguments[1])", image)
    told = []
    for key in (Keys.HOME, Keys.END):
        slider.send_keys(key)
        picture = _picture(pair)
        middle = picture[picture.shape[0] // 2, 20:-20].mean(axis=0)
        told.append("green" if middle[1] > middle[0] else "brown")
    # Our own job on paper: green before, brown now. At the left end all of it is now.
    assert told == ["brown", "green"]


# ---------------------------------------------------------------- accessible


def test_every_control_is_reached_by_keyboard_and_shows_that_it_is(browser: Chrome) -> None:
    wanted = browser.execute_script(
        "return document.querySelectorAll('a, summary, input, [tabindex]').length"
    )
    _unfold(browser)
    reached = set()
    body = browser.find_element(By.TAG_NAME, "body")
    body.send_keys(Keys.TAB)
    for _ in range(wanted + 2):
        state = browser.execute_script(
            "const e = document.activeElement, s = getComputedStyle(e);"
            "return [[...document.querySelectorAll('*')].indexOf(e), e.tagName,"
            " s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) >= 2];"
        )
        if state[1] == "BODY":
            break
        assert state[2], state
        reached.add(state[0])
        browser.switch_to.active_element.send_keys(Keys.TAB)
    assert len(reached) == wanted


def test_the_first_tab_leads_past_the_head(browser: Chrome) -> None:
    browser.find_element(By.TAG_NAME, "body").send_keys(Keys.TAB)
    skip = browser.switch_to.active_element
    assert skip.get_attribute("href").endswith("#main")
    assert skip.rect["x"] >= 0


def test_every_control_and_picture_has_a_name_of_its_own(browser: Chrome) -> None:
    _unfold(browser)
    tree = browser.execute_cdp_cmd("Accessibility.getFullAXTree", {})["nodes"]
    names: dict[str, list[str]] = {}
    for node in tree:
        if not node.get("ignored"):
            role = node["role"]["value"]
            names.setdefault(role, []).append(node.get("name", {}).get("value", ""))
    for role in ("image", "checkbox", "slider", "link", "heading", "region", "DisclosureTriangle"):
        assert names.get(role), role
        assert all(name.strip() for name in names[role]), (role, names[role])
    for role in ("checkbox", "slider", "DisclosureTriangle"):
        assert len(set(names[role])) == len(names[role]), names[role]
    assert any("place is marked" in name for name in names["image"])


def test_a_matchs_pictures_are_seen_whole_and_have_names(browser: Chrome) -> None:
    for kind, says in (("plane", "off the reference"), ("swatches", "at the left")):
        (picture,) = browser.find_elements(By.CSS_SELECTOR, f"figure.match svg.{kind}")
        assert says in (picture.get_attribute("aria-label") or "")
        box = picture.rect
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= 390
        # Its smallest words are told in the caption too; the marks' names have to be read.
        assert box["width"] >= 300


def test_headings_go_down_one_step_at_a_time(browser: Chrome) -> None:
    levels = browser.execute_script(
        "return [...document.querySelectorAll('h1,h2,h3,h4,h5,h6')].map(h => +h.tagName[1])"
    )
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))
    assert browser.execute_script("return document.documentElement.lang") == "en"


TEXTS = """
const clear = c => c === 'transparent' || /^rgba.*, 0\\)$/.test(c), found = {};
const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
for (let node; node = walk.nextNode();) {
  const e = node.parentElement;
  if (!node.data.trim() || e.closest('svg, script, style')) continue;
  const s = getComputedStyle(e);
  let under = e;
  while (under && clear(getComputedStyle(under).backgroundColor)) under = under.parentElement;
  const large = parseFloat(s.fontSize) >= 24 ||
    (parseFloat(s.fontSize) >= 18.66 && +s.fontWeight >= 700);
  const key = [s.color, under ? getComputedStyle(under).backgroundColor : 'rgb(255, 255, 255)',
               large].join('|');
  found[key] = node.data.trim().slice(0, 40);
}
return found;
"""


def _rgb(text: str) -> tuple[float, ...]:
    return tuple(float(part) for part in text[text.index("(") + 1 : -1].split(",")[:3])


def test_every_text_stands_out_from_what_is_beneath_it(browser: Chrome) -> None:
    # WCAG 2.2, criterion 1.4.3: 4.5 to 1, and 3 to 1 for large text.
    _unfold(browser)
    found: dict[str, Any] = browser.execute_script(TEXTS)
    assert len(found) > 4
    for key, text in found.items():
        ink, paper, large = key.split("|")
        assert contrast(_rgb(ink), _rgb(paper)) >= (3.0 if large == "true" else 4.5), (key, text)


# ---------------------------------------------------------------- on paper


def test_printed_from_the_browser_nothing_is_left_folded(browser: Chrome) -> None:
    browser.execute_script("window.dispatchEvent(new Event('beforeprint'))")
    data = browser.execute_cdp_cmd("Page.printToPDF", {"printBackground": True})["data"]
    assert base64.b64decode(data).startswith(b"%PDF")
    shown = browser.execute_script(
        "return [...document.querySelectorAll('details')].every(d => d.open)"
    )
    assert shown
