"""A real Chromium for the tests of pages: what it logged, what it asked for, and what colours it shows."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-extensions",
    "--hide-scrollbars",
    "--force-color-profile=srgb",
)


@contextmanager
def chromium(profile: Path) -> Iterator[Any]:
    """A driver of Chromium with a profile of its own; the test is skipped where a part is absent."""
    webdriver = pytest.importorskip("selenium.webdriver", reason="selenium is not installed")
    paths = [shutil.which(name) for name in ("chromium", "chromedriver")]
    if None in paths:
        pytest.skip("no Chromium with its driver on this machine")
    options = webdriver.ChromeOptions()
    options.binary_location = paths[0]
    for flag in (*FLAGS, f"--user-data-dir={profile}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options, webdriver.ChromeService(executable_path=paths[1]))
    try:
        driver.set_window_size(1280, 900)
        yield driver
    finally:
        driver.quit()


def requests(driver: Any) -> list[str]:
    """Addresses that the browser asked for since the last call."""
    messages = (json.loads(entry["message"])["message"] for entry in driver.get_log("performance"))
    sent = [each["params"] for each in messages if each["method"] == "Network.requestWillBeSent"]
    return [str(each["request"]["url"]) for each in sent]


def complaints(driver: Any) -> list[str]:
    """What the console reported since the last call."""
    return [str(entry["message"]) for entry in driver.get_log("browser")]


def show(driver: Any, scheme: str = "light", media: str = "") -> None:
    """Make the page believe in a colour scheme and a medium; by itself it takes the one it is shown on."""
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": media, "features": features})


TEXTS = """
const channels = (text) => text.match(/[\\d.]+/g).map(Number);
const ground = (element) => {
  for (let at = element; at; at = at.parentElement) {
    const found = channels(getComputedStyle(at).backgroundColor);
    if (found.length < 4 || found[3] === 1) return found.slice(0, 3);
  }
  return [255, 255, 255];
};
const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT), seen = new Map();
while (walker.nextNode()) {
  const element = walker.currentNode.parentElement, style = getComputedStyle(element);
  const text = walker.currentNode.textContent.trim();
  const silent = ["TITLE", "DESC", "STYLE", "SCRIPT"].includes(element.tagName.toUpperCase());
  if (!text || silent || !element.getClientRects().length) continue;
  let opacity = 1;
  for (let at = element; at; at = at.parentElement) opacity *= Number(getComputedStyle(at).opacity);
  const colour = element instanceof SVGElement ? style.fill : style.color;
  const ink = channels(colour).slice(0, 3), under = ground(element);
  const size = parseFloat(style.fontSize), bold = Number(style.fontWeight) >= 700;
  seen.set([ink, under, opacity, size, bold].join(), [text.slice(0, 40), ink, under, opacity, size, bold]);
}
return [...seen.values()];
"""


def texts(driver: Any) -> list[tuple[str, list[float], list[float], float, bool]]:
    """Each way in which text is shown: an example, its colour and the one under it (as it looks, opacity
    taken in), its size in px, whether it is bold."""
    return [
        (text, [opacity * a + (1 - opacity) * b for a, b in zip(ink, under, strict=True)], under, size, bold)
        for text, ink, under, opacity, size, bold in driver.execute_script(TEXTS)
    ]


def contrast(one: list[float], other: list[float]) -> float:
    """Contrast ratio of two sRGB colours, 0 to 255: (L1 + 0.05) / (L2 + 0.05).

    Source: WCAG 2.2, definitions of contrast ratio and of relative luminance, w3.org/TR/WCAG22; the
    constants from memory.
    """
    light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def _luminance(colour: list[float]) -> float:
    shares = [each / 255 for each in colour]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in shares]
    return sum(w * c for w, c in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def least_contrast(size_px: float, bold: bool) -> float:
    """What SC 1.4.3 asks for: 3 for large text (18 pt, or 14 pt bold), 4.5 for any other."""
    return 3.0 if size_px >= 24 or (bold and size_px >= 18.66) else 4.5
