"""The HTTP door: on loopback unless told otherwise, for whoever was given the address with its key.

A request must name this server in Host (no other name may point here) and, where a browser says from where it comes,
come from this page (Origin, Sec-Fetch-Site). Everything needs the key of the address, which a first visit turns into a
cookie; every POST needs the page's token in a header besides. GET changes nothing. Only the review's own files are
handed out, by name, and nothing that leads out of its folder.
"""

from __future__ import annotations

import json
import re
import secrets
import threading
from collections.abc import Callable
from http import HTTPStatus
from http.cookies import CookieError, SimpleCookie
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from ipaddress import ip_address
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, unquote, urlsplit

from quietcopper.errors import CallError, QuietCopperError
from quietcopper.web.service import SAVED, Service

LARGEST_BODY = 64 * 1024  # bytes of a request
LARGEST_FILE = 512 << 20  # bytes of a file that is handed out
AT_ONCE = 32  # requests
SECONDS = 30  # that a connection may be silent
TOKEN_HEADER = "X-Review-Token"
PLACEHOLDER = '<script type="application/json" id="service">null</script>'
FILES = ("review.pdf", "findings.json", "plan.toml", SAVED)
MARKUP = re.compile(r"markup/[A-Za-z0-9][A-Za-z0-9._-]*")
TYPES = {
    ".pdf": "application/pdf",
    ".json": "application/json",
    ".toml": "text/plain; charset=utf-8",
    ".csv": "text/csv; charset=utf-8",
}
POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; font-src data:; img-src data: blob:;"
    " worker-src blob:; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}


class Refused(Exception):
    """A request that is not answered; the sentence goes into the body."""

    def __init__(self, status: HTTPStatus, sentence: str) -> None:
        super().__init__(sentence)
        self.status = status


def is_loopback(host: str) -> bool:
    """Whether an address to listen on can be reached from this machine only."""
    try:
        return host == "localhost" or ip_address(host).is_loopback
    except ValueError:
        return False


class Server(ThreadingHTTPServer):
    """Serves one review. names : further host names by which it may be called, where it does not listen on loopback.

    Raises OSError where the port cannot be had, CallError for a page that was not made by this version.
    """

    daemon_threads = True
    request_queue_size = 64

    def __init__(self, service: Service, host: str = "127.0.0.1", port: int = 0, names: tuple[str, ...] = ()) -> None:
        self.service = service
        self.key, self.token = secrets.token_urlsafe(18), secrets.token_urlsafe(24)
        self.slots = threading.BoundedSemaphore(AT_ONCE)
        self.page()
        super().__init__((host, port), _Handler)
        self.cookie = f"review-{self.server_port}"
        named = {"127.0.0.1", "localhost", "[::1]"} if is_loopback(host) else {_bracketed(host)}
        self.hosts = {f"{name.lower()}:{self.server_port}" for name in (*named, *names)}
        self.address = f"http://{_bracketed(host)}:{self.server_port}/?key={self.key}"

    def page(self) -> bytes:
        """review.html with what makes it a served page: the token of its requests. Raises CallError."""
        path = self.service.folder / "review.html"
        try:
            text = path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as e:
            raise CallError(f"{path}: cannot be read; run the review again") from e
        if PLACEHOLDER not in text:
            raise CallError(f"{path}: was made by another version of this program; run the review again")
        said = json.dumps({"token": self.token}).replace("<", "\\u003c")
        return text.replace(PLACEHOLDER, PLACEHOLDER.replace("null", said), 1).encode("utf-8")


def _bracketed(host: str) -> str:
    return f"[{host}]" if ":" in host else host


class _Handler(BaseHTTPRequestHandler):
    server: Server
    timeout = SECONDS
    server_version, sys_version = "quietcopper", ""

    def do_GET(self) -> None:
        self._answer(self._get)

    def do_HEAD(self) -> None:
        self._answer(self._get)

    def do_POST(self) -> None:
        self._answer(self._post)

    def _no(self) -> None:
        self._answer(self._other_method)

    do_PUT = do_DELETE = do_PATCH = do_OPTIONS = do_TRACE = do_CONNECT = _no  # http.server's names

    def _other_method(self) -> None:
        raise Refused(HTTPStatus.METHOD_NOT_ALLOWED, "GET and POST are answered here")

    def log_message(self, format: str, *args: Any) -> None:
        """The terminal stays quiet: addresses carry the key."""

    def _answer(self, work: Callable[[], None]) -> None:
        if not self.server.slots.acquire(blocking=False):
            self._send(HTTPStatus.SERVICE_UNAVAILABLE, b"too many requests at once\n", "text/plain")
            return
        try:
            self._known_host()
            work()
        except Refused as e:
            self.close_connection = True  # what was not read of the body is not taken for a request
            self._send(e.status, f"{e}\n".encode(), "text/plain; charset=utf-8")
        except QuietCopperError as e:
            self._json({"problem": str(e)}, HTTPStatus.BAD_REQUEST)
        except (BrokenPipeError, ConnectionResetError, TimeoutError):
            self.close_connection = True
        except OSError as e:
            self._json({"problem": f"{e.filename or ''}: {e.strerror or e}"}, HTTPStatus.INTERNAL_SERVER_ERROR)
        finally:
            self.server.slots.release()

    # ----------------------------------------------------------------------------------------------- who asks
    def _known_host(self) -> None:
        hosts = self.headers.get_all("Host") or []
        if len(hosts) != 1 or hosts[0].strip().lower() not in self.server.hosts:
            raise Refused(HTTPStatus.MISDIRECTED_REQUEST, "this server goes by another name")
        origins = self.headers.get_all("Origin") or []
        if any(origin not in {f"http://{host}" for host in self.server.hosts} for origin in origins):
            raise Refused(HTTPStatus.FORBIDDEN, "asked from another page")

    def _known_caller(self) -> None:
        if self.headers.get("Sec-Fetch-Site", "same-origin") not in {"same-origin", "none"}:
            raise Refused(HTTPStatus.FORBIDDEN, "asked from another page")
        try:
            cookie = SimpleCookie(self.headers.get("Cookie", "")).get(self.server.cookie)
        except CookieError:
            cookie = None
        if cookie is None or not secrets.compare_digest(cookie.value.encode(), self.server.key.encode()):
            raise Refused(HTTPStatus.FORBIDDEN, "open the address with its key, as the terminal shows it")

    def _known_page(self) -> None:
        given = self.headers.get(TOKEN_HEADER, "").encode()
        if not secrets.compare_digest(given, self.server.token.encode()):
            raise Refused(HTTPStatus.FORBIDDEN, "asked from another page")

    # ------------------------------------------------------------------------------------------------ answers
    def _get(self) -> None:
        target = urlsplit(self.path)
        path = unquote(target.path, errors="replace")
        given = parse_qs(target.query).get("key", [""])[0]
        if path == "/" and given and secrets.compare_digest(given.encode(), self.server.key.encode()):
            self._to_the_page()
            return
        self._known_caller()
        if path == "/":
            self._send(HTTPStatus.OK, self.server.page(), "text/html; charset=utf-8")
        elif path == "/api/state":
            self._known_page()
            self._json(self.server.service.state())
        elif re.fullmatch(r"/api/try/\d{1,9}", path):
            self._known_page()
            self._json(self.server.service.trials.outcome(int(path.rpartition("/")[2])))
        else:
            self._file(path.removeprefix("/"))

    def _to_the_page(self) -> None:
        """The key becomes a cookie and leaves the address, so that a mailed address does not carry it."""
        self.send_response(HTTPStatus.SEE_OTHER)
        self.send_header("Set-Cookie", f"{self.server.cookie}={self.server.key}; HttpOnly; SameSite=Strict; Path=/")
        self.send_header("Location", "/")
        self.send_header("Content-Length", "0")
        self._common_headers()
        self.end_headers()

    def _file(self, name: str) -> None:
        if name not in FILES and not MARKUP.fullmatch(name):
            raise Refused(HTTPStatus.NOT_FOUND, "there is no such file in this review")
        folder = self.server.service.folder
        path = (folder / name).resolve()
        if not path.is_relative_to(folder) or not path.is_file() or path.stat().st_size > LARGEST_FILE:
            raise Refused(HTTPStatus.NOT_FOUND, "there is no such file in this review")
        self._send(HTTPStatus.OK, path.read_bytes(), TYPES.get(path.suffix, "application/octet-stream"))

    def _post(self) -> None:
        self._known_caller()
        self._known_page()
        asked = self._body()
        service = self.server.service
        if self.path == "/api/decide":
            self._json(service.decide(asked))
        elif self.path == "/api/comment":
            self._json(service.comment(asked))
        elif self.path == "/api/try":
            self._json({"number": service.trials.ask(service.changes(asked.get("changes")))})
        elif self.path == "/api/plan":
            self._json(service.save(asked.get("changes")))
        else:
            raise Refused(HTTPStatus.NOT_FOUND, "there is nothing of that name")

    def _body(self) -> dict[str, Any]:
        if self.headers.get_content_type() != "application/json":
            raise Refused(HTTPStatus.UNSUPPORTED_MEDIA_TYPE, "expected application/json")
        length = self.headers.get("Content-Length", "")
        if not re.fullmatch(r"\d{1,12}", length) or self.headers.get("Transfer-Encoding"):
            raise Refused(HTTPStatus.LENGTH_REQUIRED, "expected Content-Length")
        if int(length) > LARGEST_BODY:
            raise Refused(HTTPStatus.REQUEST_ENTITY_TOO_LARGE, f"at most {LARGEST_BODY} bytes")
        try:
            asked = json.loads(self.rfile.read(int(length)))
        except (ValueError, RecursionError) as e:
            raise Refused(HTTPStatus.BAD_REQUEST, "expected a JSON object") from e
        if not isinstance(asked, dict):
            raise Refused(HTTPStatus.BAD_REQUEST, "expected a JSON object")
        return asked

    def _json(self, value: Any, status: HTTPStatus = HTTPStatus.OK) -> None:
        text = json.dumps(value, ensure_ascii=False, allow_nan=False)
        self._send(status, text.encode("utf-8", errors="replace"), "application/json")

    def _common_headers(self) -> None:
        for name, value in HEADERS.items():
            self.send_header(name, value)

    def _send(self, status: HTTPStatus, body: bytes, kind: str) -> None:
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(body)))
        self._common_headers()
        self.end_headers()
        if self.command != "HEAD":
            self.wfile.write(body)


def folder_of(path: Path) -> Path | None:
    """The review folder that a path means: itself, or the one that its findings.json or review.html lies in."""
    if path.is_dir():
        return path if (path / "findings.json").is_file() else None
    return path.parent if path.name in {"findings.json", "review.html"} else None
