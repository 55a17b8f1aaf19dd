"""The style sheet and the templates that all pages share, and the way to write a page."""

from __future__ import annotations

from pathlib import Path

import jinja2
from markupsafe import Markup

from nodeday.core import atomic


def style() -> Markup:
    """Return the style sheet, to stand in the page itself: a page asks the network for nothing."""
    return Markup((Path(__file__).parent / "style.css").read_text(encoding="utf-8"))


def templates(package: str) -> jinja2.Environment:
    """Return the templates in the folder of ``package``, which know the style sheet as ``style``.

    A name that a template does not know is an error, and text is escaped.
    """
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader(package, "."),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update(style=style())
    return environment


def write(target: Path, page: str) -> None:
    """Write ``page``; the file appears under its name only when complete."""
    atomic.write_text(target, page)
