"""The pages in real Chromium: silent, self-contained, readable in both themes and in print, by keyboard."""

from __future__ import annotations

import base64
import io
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browser import chromium, complaints, contrast, least_contrast, requests, show, texts
from nodeday.schemas import TABLES
from test_study import Made, make_study, write_config

from nodeday.stages.report import stage
from nodeday.stages.study import stage as study_stage
from nodeday.storage import tables

A4_MM, MARGIN_MM, PX_PER_MM = (210.0, 297.0), 14.0, 96 / 25.4
PAGES = ("session", "index")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    root = tmp_path_factory.mktemp("pages")
    write_config(root, "S02-lossy\trest\t2026-07-14T07:00:00\t\nS02-lossy\tharvest\t2026-07-14T07:02:00\t\n")
    made = make_study(root)
    bursts = {"node": ["heart"], "stream": ["ecg"], "length": [2], "count": [9]}
    pairs = {
        "node": ["trunk"],
        "other": ["wrist"],
        "moments": np.array([3], np.int32),
        "offset_ms": [0.2],
        "uncertainty_ms": [1.4],
        "clock_ms": [0.9],
        "verdict": ["agrees"],
    }
    for name, columns in (("bursts", bursts), ("agreement", pairs)):
        tables.write(
            tables.path(made.study.results, name, made.session),
            TABLES[name],
            tables.build(TABLES[name], columns),
        )
    study_stage.run(made.study, [made.session])
    stage.run(made.study, made.session)
    failed = made.study.results / "failed" / "S03-mess.txt"
    failed.parent.mkdir()
    failed.write_text("its capture is empty", encoding="utf-8")
    stage.index(made.study, [made.session])
    return made


@pytest.fixture(scope="module")
def files(made: Made) -> dict[str, Path]:
    folder = made.study.results / "report"
    return {"session": folder / f"{made.session}.html", "index": folder / "index.html"}


@pytest.fixture(scope="module")
def driver(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    with chromium(tmp_path_factory.mktemp("profile")) as one:
        yield one


@pytest.fixture
def browser(driver: Any) -> Any:
    show(driver)
    driver.set_window_size(1280, 900)
    requests(driver), complaints(driver)
    return driver


@pytest.mark.parametrize("page", PAGES)
def test_a_page_asks_for_nothing_and_logs_nothing(browser: Any, files: dict[str, Path], page: str) -> None:
    browser.get(files[page].as_uri())
    assert set(requests(browser)) == {files[page].as_uri()}
    assert complaints(browser) == []
    assert files[page].stat().st_size < 3_000_000


def test_the_contrast_of_black_and_white_is_21() -> None:
    assert contrast([0, 0, 0], [255, 255, 255]) == pytest.approx(21)
    # The grey that is known as the lightest to pass on white, #767676: 4.54. Value from memory.
    assert contrast([0x76] * 3, [255] * 3) == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("page", PAGES)
@pytest.mark.parametrize(("scheme", "media"), [("light", "screen"), ("dark", "screen"), ("dark", "print")])
def test_text_and_marks_can_be_read(
    browser: Any, files: dict[str, Path], page: str, scheme: str, media: str
) -> None:
    """SC 1.4.3 for text, SC 1.4.11 (3 to 1) for the ink and the accent of figures."""
    browser.get(files[page].as_uri())
    show(browser, scheme, media)
    found = texts(browser)
    assert len(found) > 10
    faint = [
        (text, round(contrast(ink, under), 2))
        for text, ink, under, size, bold in found
        if contrast(ink, under) < least_contrast(size, bold)
    ]
    assert faint == []
    marks = browser.execute_script(
        "const style = getComputedStyle(document.documentElement);"
        "return ['paper', 'data', 'loss'].map((name) => style.getPropertyValue('--' + name).trim())"
    )
    paper, *rest = ([int(each[k : k + 2], 16) for k in (1, 3, 5)] for each in map(_six, marks))
    assert min(contrast(colour, paper) for colour in rest) >= 3
    dark = sum(paper) < 384
    assert dark == (scheme == "dark" and media == "screen")


def _six(colour: str) -> str:
    return colour if len(colour) == 7 else "#" + "".join(2 * each for each in colour[1:])


FOCUSABLE = "return [...document.querySelectorAll('a[href], [tabindex=\"0\"]')].length"
FOCUSED = """
const at = document.activeElement, all = [...document.querySelectorAll('a[href], [tabindex="0"]')];
const style = getComputedStyle(at.tagName === 'a' ? at.firstElementChild : at);
return [all.indexOf(at), style.outlineStyle, parseFloat(style.outlineWidth)];
"""


@pytest.mark.parametrize("page", PAGES)
def test_tab_reaches_every_link_and_region_in_order_and_shows_where_it_is(
    browser: Any, files: dict[str, Path], page: str
) -> None:
    keys = pytest.importorskip("selenium.webdriver.common.keys").Keys
    browser.get(files[page].as_uri())
    total = browser.execute_script(FOCUSABLE)
    assert total > 5
    seen = []
    for _ in range(total):
        browser.switch_to.active_element.send_keys(keys.TAB)
        index, style, width = browser.execute_script(FOCUSED)
        seen.append(index)
        assert style == "solid", index
        assert width >= 2, index
    assert seen == list(range(total))


def test_a_link_of_the_advice_leads_to_its_figure(browser: Any, files: dict[str, Path]) -> None:
    keys = pytest.importorskip("selenium.webdriver.common.keys").Keys
    browser.get(files["session"].as_uri())
    link = browser.find_element("css selector", ".advice a")
    target = link.get_attribute("href").partition("#")[2]
    link.send_keys(keys.ENTER)
    section = browser.find_element("id", target)
    top = browser.execute_script("return arguments[0].getBoundingClientRect().top", section)
    assert -1 <= top < 300


OVERFLOW = """
const edge = document.body.getBoundingClientRect().right + 1;
const out = [...document.querySelectorAll('svg[role=img], svg[role=img] text, table, h2, p, dl, li')].filter(
  (each) => each.getClientRects().length && each.getBoundingClientRect().right > edge);
return out.map((each) => `${each.tagName} ${each.textContent.slice(0, 40)}`);
"""


@pytest.mark.parametrize("page", PAGES)
def test_nothing_is_cut_off_on_paper(browser: Any, files: dict[str, Path], page: str) -> None:
    """Laid out for print at the width of an A4 sheet less its margins, everything ends inside it."""
    browser.get(files[page].as_uri())
    width = round((A4_MM[0] - 2 * MARGIN_MM) * PX_PER_MM)
    size = {"width": width, "height": 1000, "deviceScaleFactor": 1, "mobile": False}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    show(browser, media="print")
    out = browser.execute_script(OVERFLOW)
    browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    assert out == []


FIGURES = """
const sections = [...document.querySelectorAll('section')].filter((each) => each.querySelector('figure'));
return sections.map((each) => [
  each.querySelector('h2').textContent, each.querySelector('svg[role=img] text').textContent,
  each.querySelector('figcaption p').textContent.slice(0, 25)]);
"""


@pytest.mark.parametrize("page", PAGES)
def test_the_print_has_every_figure_with_its_heading(browser: Any, files: dict[str, Path], page: str) -> None:
    pypdf = pytest.importorskip("pypdf", reason="pypdf is not installed")
    browser.get(files[page].as_uri())
    inch = 25.4
    printed = browser.execute_cdp_cmd(
        "Page.printToPDF",
        {
            "paperWidth": A4_MM[0] / inch,
            "paperHeight": A4_MM[1] / inch,
            "printBackground": True,
            "preferCSSPageSize": True,
        },
    )
    sheets = [
        _plain(sheet.extract_text())
        for sheet in pypdf.PdfReader(io.BytesIO(base64.b64decode(printed["data"]))).pages
    ]
    figures = browser.execute_script(FIGURES)
    assert len(figures) >= 4
    apart = [
        parts[0]
        for parts in figures
        if not any(all(_plain(part) in sheet for part in parts) for sheet in sheets)
    ]
    assert apart == []
    assert all(sheets), "an empty sheet"


def _plain(text: str) -> str:
    return re.sub(r"\W+", "", text)


@pytest.mark.parametrize("page", PAGES)
def test_a_narrow_screen_scrolls_only_downwards(browser: Any, files: dict[str, Path], page: str) -> None:
    size = {"width": 420, "height": 800, "deviceScaleFactor": 1, "mobile": False}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    browser.get(files[page].as_uri())
    wide = browser.execute_script(
        "return [document.documentElement.scrollWidth, document.documentElement.clientWidth]"
    )
    browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    assert wide[0] <= wide[1]


NAMELESS = """
const named = (id) => document.getElementById(id).textContent.trim();
return [...document.querySelectorAll('[role=img]')].filter((each) => !each.getAttribute('aria-label')
  && !each.getAttribute('aria-labelledby').split(' ').every(named)).length;
"""


@pytest.mark.parametrize("page", PAGES)
def test_every_picture_has_a_name_and_words_for_it(browser: Any, files: dict[str, Path], page: str) -> None:
    browser.get(files[page].as_uri())
    assert browser.execute_script(NAMELESS) == 0
