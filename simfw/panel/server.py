"""The panel's server: on the loopback only, for one page, with nothing taken on trust.

Any page that the browser has open may send requests here, and any program on the machine may. So a
request has to be addressed to this very server (`Host`), come from its own page (`Origin`) and
carry a token that only the address printed at the start holds, in its fragment, which no browser
sends anywhere. Bodies are JSON, short, and have to arrive soon.
"""

from __future__ import annotations

import hmac
import json
import secrets
import threading
import time
from collections.abc import Mapping
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from simfw.errors import SimfwError
from simfw.panel.files import page_file
from simfw.panel.panel import Exists, Panel

__all__ = ["LARGEST_BODY", "SLOWEST_BODY_S", "TOKEN_HEADER", "PanelServer"]

LARGEST_BODY = 64 * 1024
"""Bytes of a request; a longer one is refused unread."""

SLOWEST_BODY_S = 5.0
"""A body has to be there after so long."""

MOST_THREADS = 32
"""Connections at one time; a browser keeps up to six."""

TOKEN_HEADER = "X-Panel-Token"
PAGE_HEADER = "X-Panel-Page"

_FILES = {"/": ("index.html", "text/html; charset=utf-8")} | {
    f"/{name}": (name, kind)
    for name, kind in (
        ("panel.css", "text/css; charset=utf-8"),
        *((f"{script}.js", "text/javascript; charset=utf-8")
          for script in ("panel", "keys", "more", "chart", "face", "words")),
    )
}
_HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
        "img-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cache-Control": "no-store",
}


class _Refused(Exception):
    """A request that is not answered: status (RFC 9110) and what is told."""

    def __init__(self, status: int, text: str) -> None:
        super().__init__(text)
        self.status = status


class PanelServer(ThreadingHTTPServer):
    """Serves the page and what it asks for. `address` is what to open in the browser."""

    daemon_threads = True
    block_on_close = False
    request_queue_size = 2 * MOST_THREADS
    allow_reuse_address = False

    def __init__(self, panel: Panel, port: int = 0) -> None:
        """Port 0 takes a free one. Raises OSError where the port is not free."""
        self.panel = panel
        self.token = secrets.token_urlsafe(24)
        self.lock = threading.Lock()
        self.page = ""  # the one page that is being answered
        self._room = threading.BoundedSemaphore(MOST_THREADS)
        super().__init__(("127.0.0.1", port), _Handler)

    @property
    def hosts(self) -> tuple[str, ...]:
        """What a request may call this server."""
        return f"127.0.0.1:{self.server_port}", f"localhost:{self.server_port}"

    @property
    def address(self) -> str:
        """Where the page is, with the token."""
        return f"http://127.0.0.1:{self.server_port}/#{self.token}"

    def process_request(self, request: Any, client_address: Any) -> None:
        """Answer in a thread of its own, unless there are too many."""
        if not self._room.acquire(blocking=False):
            self.shutdown_request(request)
            return
        super().process_request(request, client_address)

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        """As above, and make room again."""
        try:
            super().process_request_thread(request, client_address)
        finally:
            self._room.release()

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A page that went away in the middle of an answer is nothing to tell of."""

    def ask(self, what: str, page: str, asked: Mapping[str, Any]) -> dict[str, Any]:
        """One thing at a time; the page that asked for the gadget last has it."""
        with self.lock:
            if what == "gadget":
                self.page = page
            elif page != self.page:
                raise _Refused(409, "Another page has this gadget now. Load this one again to "
                                    "take it back.")
            try:
                return self.panel.answer(what, asked)
            except Exists as error:
                raise _Refused(412, str(error)) from error
            except SimfwError as error:
                raise _Refused(422, str(error)) from error
            except KeyError as error:
                raise _Refused(404, "There is no such thing here.") from error


class _Handler(BaseHTTPRequestHandler):
    """Answers one request after the other on a connection."""

    server: PanelServer
    protocol_version = "HTTP/1.1"
    server_version = "simfw"
    sys_version = ""
    timeout = SLOWEST_BODY_S
    disable_nagle_algorithm = True

    def log_message(self, format: str, *args: Any) -> None:  # noqa: A002
        """Nothing: the page tells what goes wrong."""

    def do_GET(self) -> None:
        """One of the page's files."""
        self._answer(self._file)

    def do_HEAD(self) -> None:
        """The same without its text."""
        self._answer(self._file)

    def do_POST(self) -> None:
        """One thing that the page asks for."""
        self._answer(self._asked)

    def _refuse(self) -> None:
        self._answer(lambda: self._no(405, "GET and POST only."))

    do_PUT = do_DELETE = do_PATCH = do_OPTIONS = do_TRACE = do_CONNECT = _refuse  # noqa: N815

    def _no(self, status: int, text: str) -> tuple[bytes, str]:
        raise _Refused(status, text)

    def _answer(self, make: Any) -> None:
        status, kind = 200, ""
        try:
            hosts = self.headers.get_all("Host") or []
            if len(hosts) != 1 or hosts[0].lower() not in self.server.hosts:
                raise _Refused(421, "This is not the server that was meant.")
            body, kind = make()
        except _Refused as refused:
            status, kind = refused.status, "application/json"
            body = json.dumps({"error": str(refused)}).encode()
            self.close_connection = True  # whatever follows in a body is not read
        except (TimeoutError, OSError):
            self.close_connection = True
            return
        except Exception:
            status, kind = 500, "application/json"
            body = b'{"error": "This went wrong inside."}'
            self.close_connection = True
        self.send_response(status)
        for name, value in _HEADERS.items():
            self.send_header(name, value)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(body)))
        if self.close_connection:
            self.send_header("Connection", "close")
        self.end_headers()
        if self.command != "HEAD":
            self.wfile.write(body)

    def _file(self) -> tuple[bytes, str]:
        found = _FILES.get(self.path)
        if found is None:
            raise _Refused(404, "There is no such page here.")
        return page_file(found[0]).encode(), found[1]

    def _asked(self) -> tuple[bytes, str]:
        """Refuse whatever is not from this server's own page, before its body is read."""
        origin = self.headers.get("Origin", "")
        if origin.lower() not in [f"http://{host}" for host in self.server.hosts]:
            raise _Refused(403, "Only the panel's own page is answered.")
        token = self.headers.get(TOKEN_HEADER, "")
        if not hmac.compare_digest(token.encode(), self.server.token.encode()):
            raise _Refused(403, "The token is not that of this panel: open the address that was "
                                "printed.")
        if not self.path.startswith("/do/"):
            raise _Refused(404, "There is no such thing here.")
        kind = self.headers.get("Content-Type", "").partition(";")[0].strip().lower()
        if kind != "application/json":
            raise _Refused(415, "JSON only.")
        asked = _read_json(self._body())
        page = self.headers.get(PAGE_HEADER, "")[:64]
        answer = self.server.ask(self.path.removeprefix("/do/"), page, asked)
        return json.dumps(answer, allow_nan=False).encode(), "application/json"

    def _body(self) -> bytes:
        if "Transfer-Encoding" in self.headers:
            raise _Refused(411, "A body tells its length.")
        length = self.headers.get("Content-Length", "")
        if not (length.isascii() and length.isdigit() and len(length) < 10):
            raise _Refused(411, "A body tells its length.")
        left = int(length)
        if left > LARGEST_BODY:
            raise _Refused(413, f"At most {LARGEST_BODY} bytes.")
        ends = time.monotonic() + SLOWEST_BODY_S
        parts = []
        while left:
            wait = ends - time.monotonic()
            if wait <= 0:
                raise _Refused(408, "The body took too long.")
            self.connection.settimeout(wait)
            try:
                part = self.rfile.read1(left)
            except TimeoutError as error:
                raise _Refused(408, "The body took too long.") from error
            if not part:
                raise _Refused(400, "The body ended too soon.")
            parts.append(part)
            left -= len(part)
        self.connection.settimeout(self.timeout)
        return b"".join(parts)


def _read_json(body: bytes) -> dict[str, Any]:
    try:
        value = json.loads(body, parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        raise _Refused(400, "This is not JSON.") from error
    if not isinstance(value, dict):
        raise _Refused(400, "A request is a table of JSON.")
    return value


def _no_constant(word: str) -> float:
    raise ValueError(word)

