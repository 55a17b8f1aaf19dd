"""Server of one session for a browser on this machine, and for nobody else.

Only the loopback address is listened on. A random token in the path, the host and the origin of
each request are checked, so that no other user's or page's request is answered; the files that
can be asked for are a fixed list in memory.
"""

from __future__ import annotations

import json
import secrets
from collections.abc import Callable, Mapping
from contextlib import suppress
from functools import cache
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from importlib.resources import files
from typing import Any
from urllib.parse import parse_qs, urlsplit

from plotly.offline import get_plotlyjs

from nodeday.core.errors import NodedayError, SettingsError
from nodeday.products.viewer import cell
from nodeday.products.viewer.session import SessionView

LOOPBACK = "127.0.0.1"
MOST_PATH = 2000
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; connect-src 'self'; "
    "img-src 'self' data: blob:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
TYPES = {"html": "text/html", "js": "text/javascript", "css": "text/css", "json": "application/json"}


@cache
def static() -> dict[str, bytes]:
    """Return every file of the page by name, and the plotting library from its own package."""
    package = files("nodeday.products.viewer")
    pages = {name: (package / name).read_bytes() for name in ("page.html", "view.js", "view.css")}
    return pages | {"plot.js": get_plotlyjs().encode()}


def serve(day: SessionView, port: int = 0) -> ThreadingHTTPServer:
    """Return a server that is bound but does not run yet; :func:`url` gives the address of its page.

    Raises SettingsError where the port is taken.
    """
    token = secrets.token_urlsafe(24)
    handler: Any = type("Handler", (_Handler,), {"day": day, "token": token})
    try:
        server = ThreadingHTTPServer((LOOPBACK, port), handler)
    except OSError as error:
        raise SettingsError(
            f"port {port} cannot be had ({error.strerror})", remedy="Choose another one."
        ) from None
    handler.here = frozenset(f"{host}:{server.server_port}" for host in (LOOPBACK, "localhost"))
    server.daemon_threads = True
    return server


def url(server: ThreadingHTTPServer) -> str:
    """Return the address of the page, with the token that every request must carry."""
    handler: Any = server.RequestHandlerClass
    return f"http://{LOOPBACK}:{server.server_port}/{handler.token}/"


class _Handler(BaseHTTPRequestHandler):
    day: SessionView
    token: str
    here: frozenset[str]
    server_version, sys_version = "nodeday", ""
    protocol_version = "HTTP/1.1"
    timeout = 30

    def handle(self) -> None:
        """Answer requests; a browser that leaves in the middle of an answer is no fault."""
        with suppress(ConnectionError):
            super().handle()

    def do_GET(self) -> None:
        parts = urlsplit(self.path)
        given, _, name = parts.path.removeprefix("/").partition("/")
        if not self._from_here() or not secrets.compare_digest(given.encode(), self.token.encode()):
            self._answer(403, "json", b'{"error": "not from here"}')
        elif len(self.path) > MOST_PATH:
            self._answer(414, "json", b'{"error": "too long"}')
        elif name in ("", *static()):
            name = name or "page.html"
            self._answer(200, name.rsplit(".", 1)[1], static()[name])
        else:
            self._data(name, {key: values[0] for key, values in parse_qs(parts.query).items()})

    def _from_here(self) -> bool:
        """True where the request names this server, and comes from its page or from no page."""
        origin = self.headers.get("Origin")
        allowed = origin is None or origin.removeprefix("http://") in self.here
        hosts = self.headers.get_all("Host") or []
        return allowed and len(hosts) == 1 and hosts[0] in self.here

    def _data(self, name: str, asked: Mapping[str, str]) -> None:
        answers: dict[str, Callable[[], Any]] = {
            "session": self.day.description,
            "window": lambda: self.day.window(asked.get("channel", ""), *_window(asked)),
            "cell": lambda: cell.span_of(self.day, asked.get("of", "")),
            "beats": lambda: self.day.beats(*_window(asked)),
        }
        if name not in answers:
            self._answer(404, "json", b'{"error": "no such thing"}')
            return
        try:
            self._answer(200, "json", json.dumps(answers[name](), allow_nan=False).encode())
        except NodedayError as error:
            self._answer(400, "json", json.dumps({"error": str(error)}).encode())

    def _answer(self, status: int, form: str, body: bytes) -> None:
        self.send_response(status)
        for key, value in (
            ("Content-Type", f"{TYPES[form]}; charset=utf-8"),
            ("Content-Length", str(len(body))),
            ("Content-Security-Policy", POLICY),
            ("X-Content-Type-Options", "nosniff"),
            ("Referrer-Policy", "no-referrer"),
            ("Cache-Control", "no-store"),
            ("Cross-Origin-Resource-Policy", "same-origin"),
        ):
            self.send_header(key, value)
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: Any) -> None:
        """Log nothing: the token would stand in the log."""


def _window(asked: Mapping[str, str]) -> tuple[float, float, int]:
    """Start and end in ms after the session's start, and points; SettingsError where one is no number."""
    try:
        start, end = (float(asked.get(name, "")) for name in ("from", "to"))
        points = int(asked.get("points", ""))
    except ValueError:
        raise SettingsError("no window", expected="numbers from, to and points") from None
    return start, end, points
