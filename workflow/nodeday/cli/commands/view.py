"""`nodeday view`: the day view of a session, served until it is stopped."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from nodeday.cli.arguments import add_study
from nodeday.core.errors import GOOD, SettingsError

if TYPE_CHECKING:
    from nodeday.products.viewer.session import SessionView

HELP = "a session from the whole day to a heartbeat"
EXAMPLES = "nodeday view S01 --at 2026-07-16T08:04"
MARGIN_MS = 5000
"""Shown before and after an instant that the command names."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the session, where to begin, and how the page is served."""
    parser.add_argument("session", metavar="SESSION", help="of the study")
    begin = parser.add_mutually_exclusive_group()
    begin.add_argument(
        "--cell",
        nargs="+",
        metavar=("TABLE", "NAME=VALUE"),
        help="begin at a row of a table, named as `trace` names it",
    )
    begin.add_argument("--at", metavar="INSTANT", help="begin there: local time, or with an offset from UTC")
    parser.add_argument("--port", type=int, default=0, help="of the page, on this machine only (any)")
    parser.add_argument("--no-browser", action="store_true", help="print the address and open nothing")
    add_study(parser)


def run(options: argparse.Namespace) -> int:
    """Serve the day view of a session.

    Raises SettingsError for an instant outside of the session, or a cell that is none.
    """
    import webbrowser

    from nodeday.config.study import Study
    from nodeday.products.viewer.server import serve, url
    from nodeday.products.viewer.session import SessionView

    view = SessionView(Study(options.study), options.session)
    fragment = ""
    if options.at:
        fragment = _at_instant(view, options.at)
    elif options.cell:
        fragment = _at_cell(view, options.cell)
    server = serve(view, options.port)
    address = url(server) + fragment
    print(f"{view.session}: {address}\nOnly this machine can open it. Ctrl-C ends it.", flush=True)
    if not options.no_browser:
        webbrowser.open(address)
    try:
        server.serve_forever()
    except KeyboardInterrupt:
        print()
    finally:
        server.server_close()
    return GOOD


def _at_cell(view: SessionView, words: list[str]) -> str:
    """Return the fragment of the address that begins at a row of a table."""
    from urllib.parse import quote

    from nodeday.products.viewer.cell import span_of

    text = " ".join(word for word in words if not word.startswith("session="))
    span_of(view, text)  # the page does this too; here a wrong key ends the command before a browser opens
    return f"#cell={quote(text)}"


def _at_instant(view: SessionView, text: str) -> str:
    """Return the fragment of the address that begins around an instant."""
    import pandas as pd

    try:
        instant = pd.Timestamp(text)
    except ValueError:
        raise SettingsError(f"{text!r} is no instant", expected="such as 2026-07-14T09:30:15") from None
    zone = view.study.zone_of(view.session)
    if instant.tzinfo is None:
        instant = instant.tz_localize(zone)
    ms = (instant.value - view.start_ns) / 1e6
    if not 0 <= ms <= (view.end_ns - view.start_ns) / 1e6:
        start, end = (pd.Timestamp(ns, tz="UTC").tz_convert(zone) for ns in (view.start_ns, view.end_ns))
        raise SettingsError(f"{text} is outside the session", expected=f"{start} to {end}")
    return f"#from={ms - MARGIN_MS:.0f}&to={ms + MARGIN_MS:.0f}"
