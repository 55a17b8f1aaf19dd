"""Captures opened for products, which may not import the stage that reads them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from nodeday.config.study import Study
    from nodeday.stages.frames.containers import Unpacker


def open_capture(study: Study, session: str, paths: list[Path]) -> Unpacker | None:
    """Return a reader of a capture's bytes; None for a recording that came already decoded."""
    from nodeday.stages.frames.containers import Unpacker
    from nodeday.stages.frames.recorded import columns_of, form_of

    layout = next(iter(study.layouts_of(session).values()))
    return None if form_of(paths[0], columns_of(study.root, layout)) else Unpacker(paths)
