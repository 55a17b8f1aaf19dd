"""`nodeday layout check`: layouts explained, and held to what a capture measures."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from nodeday.core.errors import CONTRACT, GOOD, ContractError, SettingsError

if TYPE_CHECKING:
    from nodeday.layouts import Layout
    from nodeday.stages.frames.scan import ScannedBlock

HELP = "explain layouts; hold them to what a capture measures"
EXAMPLES = (
    "nodeday layout check config/layouts/ours.yaml captures/S01.bin\n"
    "nodeday layout check config/layouts/ours.yaml config/layouts/theirs.yaml captures/S01.bin"
)
LEAST_SHARE = 0.01
"""Share of a capture's bytes in frames below which nothing can be measured. Choice of this project."""
MOST = 0.5
"""Share of a capture's bytes that have to be in frames for its layouts to fit. Choice of this project."""
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

    Returns 3 where they disagree, or most bytes are in no frame. Raises ContractError where the layouts
    decode next to nothing.
    """
    from nodeday.layouts import load_layout
    from nodeday.layouts.explain import explain
    from nodeday.layouts.explain_recording import explain_recording
    from nodeday.layouts.recording import RecordedLayout, load_format

    captures = [path for path in options.files if path.suffix not in LAYOUT_ENDS]
    files = options.files[: len(options.files) - len(captures)]
    if not files or options.files != [*files, *captures]:
        raise SettingsError(
            "a capture comes first", str(captures[0]), "layout files (.yaml), and then those of a capture"
        )
    layouts = [load_format(path).layout if _is_format(path) else load_layout(path) for path in files]
    print(
        "\n\n".join(
            explain_recording(each.recording) if isinstance(each, RecordedLayout) else explain(each)
            for each in layouts
        )
    )
    return _hold_to(captures, layouts, files[0].resolve().parents[2]) if captures else GOOD


def _is_format(path: Path) -> bool:
    """Return whether a file describes decoded recordings: its key ``recording`` tells."""
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        return False
    return any(line.startswith("recording:") for line in lines)


def _hold_to(captures: list[Path], layouts: Sequence[Layout], root: Path) -> int:
    """Print what a capture measures; return 3 where a layout declares otherwise."""
    import textwrap

    from nodeday.core.percent import percent
    from nodeday.layouts.recording import RecordedLayout
    from nodeday.stages.frames.compare import TOLERANCE, disagreements, tables
    from nodeday.stages.frames.measure import measure
    from nodeday.stages.frames.survey import survey_blocks

    for path in captures:
        if not path.is_file():
            raise SettingsError("no such file", str(path), "a capture")
    blocks = _opened(captures, layouts, root)
    decoded = survey_blocks(blocks(), *layouts)
    if not isinstance(layouts[0], RecordedLayout):
        print(f"\n{decoded.text()}")
    if decoded.share < LEAST_SHARE:
        raise ContractError(
            f"{percent(decoded.share, 2)} of the bytes are frames of {_this(layouts)}",
            ", ".join(str(path) for path in captures),
            "most of them",
            "Look at the sync word, the length and the checksum first.",
        )
    measures = measure(blocks(), layouts, decoded.by_address)
    print("\n".join(tables(measures)))
    few = decoded.share < MOST
    if few:
        print(
            f"\nOnly {percent(decoded.share)} of the bytes are in frames of {_this(layouts)}; expected most "
            "of them.\nLook at the reasons above: a checksum that is not this one, a kind that no layout has."
        )
    found = disagreements(measures)
    if not found:
        print(f"\nMeasured and declared agree within {TOLERANCE:.0%}.")
        return CONTRACT if few else GOOD
    print(f"\nMeasured and declared disagree (paces by more than {TOLERANCE:.0%}):")
    for sentence in found:
        print(textwrap.fill(sentence, WIDTH, initial_indent="- ", subsequent_indent="  "))
    return CONTRACT


def _opened(
    captures: list[Path], layouts: Sequence[Layout], root: Path
) -> Callable[[], Iterator[ScannedBlock]]:
    """Return what reads the capture from its beginning each time it is called."""
    from nodeday.stages.frames.containers import Unpacker
    from nodeday.stages.frames.reading import reading_of
    from nodeday.stages.frames.recorded import DecodedRecording, form_of, nodes_in
    from nodeday.stages.frames.survey import open_blocks

    reading = reading_of(root, layouts[0])
    if not reading.optional or form_of(captures[0], reading):
        names = nodes_in(captures, reading)
        for address, text in names.items():
            if text != str(address):
                print(f"Node {text} is address {address} here.")
        return lambda: DecodedRecording(captures, reading, list(layouts), names).blocks()
    return lambda: open_blocks(Unpacker(captures).pieces(), *layouts)


def _this(layouts: Sequence[Layout]) -> str:
    return "this layout" if len(layouts) == 1 else "these layouts"
