"""`nodeday view`: serve a session in the viewer until it is stopped."""

from __future__ import annotations

import argparse
import webbrowser
from urllib.parse import quote

import pandas as pd

from nodeday.config.study import Study
from nodeday.core.errors import GOOD, SettingsError
from nodeday.products.viewer.cell import span_of
from nodeday.products.viewer.server import serve, url
from nodeday.products.viewer.session import SessionView

AROUND_MS = 5000


def view(options: argparse.Namespace) -> int:
    """Open the viewer on a session.

    Raises SettingsError for an instant outside of the session, and for a cell that is no row of it.
    """
    day = SessionView(Study(options.study), options.session)
    begin = _at(day, options.at) if options.at else _cell(day, options.cell) if options.cell else ""
    server = serve(day, options.port)
    where = url(server) + begin
    print(f"{day.session}: {where}\nOnly this machine can open it. Ctrl-C ends it.", flush=True)
    if not options.no_browser:
        webbrowser.open(where)
    try:
        server.serve_forever()
    except KeyboardInterrupt:
        print()
    finally:
        server.server_close()
    return GOOD


def _cell(day: SessionView, words: list[str]) -> str:
    """Part of the address that begins at a cell; a wrong key is refused before a browser opens."""
    text = " ".join(word for word in words if not word.startswith("session="))
    span_of(day, text)
    return f"#cell={quote(text)}"


def _at(day: SessionView, text: str) -> str:
    """Part of the address that begins at an instant."""
    try:
        at = pd.Timestamp(text)
    except ValueError:
        raise SettingsError(f"{text!r} is no instant", expected="such as 2026-07-14T09:30:15") from None
    zone = day.study.zone_of(day.session)
    ms = ((at.tz_localize(zone) if at.tzinfo is None else at).value - day.start_ns) / 1e6
    if not 0 <= ms <= (day.end_ns - day.start_ns) / 1e6:
        start, end = (pd.Timestamp(end, tz="UTC").tz_convert(zone) for end in (day.start_ns, day.end_ns))
        raise SettingsError(f"{text} is outside the session", expected=f"{start} to {end}")
    return f"#from={ms - AROUND_MS:.0f}&to={ms + AROUND_MS:.0f}"
