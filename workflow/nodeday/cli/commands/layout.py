"""`nodeday layout check`: layouts explained, and held to what a capture measures."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from nodeday.core.errors import CONTRACT, GOOD, ContractError, SettingsError

if TYPE_CHECKING:
    from nodeday.layouts import Layout

HELP = "explain layouts; hold them to what a capture measures"
EXAMPLES = (
    "nodeday layout check config/layouts/ours.yaml captures/S01.bin\n"
    "nodeday layout check config/layouts/ours.yaml config/layouts/theirs.yaml captures/S01.bin"
)
LEAST_SHARE = 0.01
"""Share of a capture's bytes in frames below which the layouts do not fit. Choice of this project."""
LAYOUT_ENDS = (".yaml", ".yml")
WIDTH = 80


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the layouts and the files of a capture."""
    parser.add_argument("what", choices=("check",), help="what to do with it")
    parser.add_argument(
        "files",
        nargs="+",
        type=Path,
        metavar="FILE",
        help="all layout files of a session (.yaml), then the files of a capture in order",
    )


def run(options: argparse.Namespace) -> int:
    """Explain layouts field by field; with a capture, print what it measures against what they declare.

    Returns 3 where they disagree. Raises ContractError where the layouts decode next to nothing.
    """
    from nodeday.layouts import load_layout
    from nodeday.layouts.explain import explain

    captures = [path for path in options.files if path.suffix not in LAYOUT_ENDS]
    files = options.files[: len(options.files) - len(captures)]
    if not files or options.files != [*files, *captures]:
        raise SettingsError(
            "a capture comes first", str(captures[0]), "layout files (.yaml), and then those of a capture"
        )
    layouts = [load_layout(path) for path in files]
    print("\n\n".join(explain(layout) for layout in layouts))
    return _hold_to(captures, layouts) if captures else GOOD


def _hold_to(captures: list[Path], layouts: Sequence[Layout]) -> int:
    """Print what a capture measures; return 3 where a layout declares otherwise."""
    import textwrap

    from nodeday.stages.frames.compare import TOLERANCE, disagreements, tables
    from nodeday.stages.frames.containers import Unpacker
    from nodeday.stages.frames.measure import measure
    from nodeday.stages.frames.survey import survey

    for path in captures:
        if not path.is_file():
            raise SettingsError("no such file", str(path), "a capture")
    decoded = survey(Unpacker(captures).pieces(), *layouts)
    print(f"\n{decoded.text()}")
    if decoded.share < LEAST_SHARE:
        raise ContractError(
            f"{decoded.share:.2%} of the bytes are frames of {_this(layouts)}",
            ", ".join(str(path) for path in captures),
            "most of them",
            "Look at the sync word, the length and the checksum first.",
        )
    measures = measure(Unpacker(captures).pieces(), layouts, decoded.by_address)
    print("\n".join(tables(measures)))
    found = disagreements(measures)
    if not found:
        print(f"\nMeasured and declared agree within {TOLERANCE:.0%}.")
        return GOOD
    print(f"\nMeasured and declared disagree (paces by more than {TOLERANCE:.0%}):")
    for sentence in found:
        print(textwrap.fill(sentence, WIDTH, initial_indent="- ", subsequent_indent="  "))
    return CONTRACT


def _this(layouts: Sequence[Layout]) -> str:
    return "this layout" if len(layouts) == 1 else "these layouts"
