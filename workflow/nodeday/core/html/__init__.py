"""What every page shares: one style, one way to appear under its name only when whole."""

from __future__ import annotations

from pathlib import Path

from markupsafe import Markup

from nodeday.core import atomic


def style() -> Markup:
    """The style sheet, to stand in the page itself: no page asks the network for anything."""
    return Markup((Path(__file__).parent / "style.css").read_text(encoding="utf-8"))


def write(target: Path, page: str) -> None:
    """Write ``page``; the file appears under its name only when whole."""
    atomic.write_text(target, page)
