"""The style sheet that all pages share, and the way to write a page."""

from __future__ import annotations

from pathlib import Path

from markupsafe import Markup

from nodeday.core import atomic


def style() -> Markup:
    """Return the style sheet, to stand in the page itself: a page asks the network for nothing."""
    return Markup((Path(__file__).parent / "style.css").read_text(encoding="utf-8"))


def write(target: Path, page: str) -> None:
    """Write ``page``; the file appears under its name only when complete."""
    atomic.write_text(target, page)
