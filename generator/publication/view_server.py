"""Serves the site on view, to this machine only, with a script that reloads a page once it has changed.

The files of the site stay as they are: what `view` adds is put in as a page is served. Any page of the web can make a
browser ask 127.0.0.1 under a name of its own, so a request that names another host is refused.
"""

from __future__ import annotations

import mimetypes
import socketserver
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from urllib.parse import parse_qs, quote, unquote, urlsplit

from markupsafe import escape

from generator.evidence.wording import counted
from generator.intake.problems import OutputRefused, Problem
from generator.publication import navigation
from generator.publication.view_state import ViewState

HOST = "127.0.0.1"
OWN = "/.view/"  # no path of a site begins with a dot
KEPT = "/last-good/"
BEAT_S = 15.0  # an idle connection is told so, which finds out whether anybody is there
KINDS = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".json": "application/json",
    ".csv": "text/csv; charset=utf-8",
    ".md": "text/plain; charset=utf-8",
    ".txt": "text/plain; charset=utf-8",
    ".svg": "image/svg+xml",
    ".xml": "application/xml",
}
RELOAD_SCRIPT = """\
"use strict";
(() => {
  const address = new URL(document.currentScript.src);
  const news = new EventSource("/.view/news?page=" + encodeURIComponent(location.pathname)
    + "&since=" + address.searchParams.get("since"));
  news.addEventListener("changed", () => { news.close(); location.reload(); });
  addEventListener("pagehide", () => news.close());
})();
"""
STYLE = """\
:root { color-scheme: light dark; }
body { font: 1rem/1.5 "Source Sans 3", "Segoe UI", Roboto, Helvetica, Arial, sans-serif; margin: 2rem auto;
  max-width: 46rem; padding: 0 1rem; }
h1 { font-family: Georgia, "Times New Roman", serif; font-weight: 600; font-size: 1.6rem; }
ol { padding-left: 1.4rem; }
li { margin: 0 0 1.1rem; }
code { font-family: ui-monospace, "DejaVu Sans Mono", Consolas, monospace; font-size: .92em; overflow-wrap: anywhere; }
.remedy { margin: 0; }
"""
POLICY = (
    "default-src 'none'; connect-src 'self'; style-src 'self'; img-src 'self'; script-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)


class ViewServer(socketserver.ThreadingMixIn, HTTPServer):
    """The server; `serve_forever` runs in a thread of its own, `close` ends it.

    state  what is shown
    port   where; 0 for any that is free
    Raises OutputRefused where the port is taken
    """

    daemon_threads = True
    block_on_close = False

    def __init__(self, state: ViewState, port: int) -> None:
        self.state = state
        try:
            super().__init__((HOST, port), _Handler)
        except OSError as error:
            remedy = "Name another, or leave --port out to have a free one chosen."
            raise OutputRefused(f"Port {port} cannot be used: {error.strerror}. {remedy}") from None

    def server_bind(self) -> None:
        """As the standard library's, without asking the network for a name."""
        socketserver.TCPServer.server_bind(self)
        self.server_name, self.server_port = HOST, int(self.server_address[1])

    @property
    def address(self) -> str:
        """Where the site is."""
        return f"http://{HOST}:{self.server_port}/"

    def handle_error(self, request: object, client_address: object) -> None:
        """A browser that went away in the middle is no news."""


class _Handler(BaseHTTPRequestHandler):
    server: ViewServer
    timeout = 60
    server_version, sys_version = "Whirlbook", ""

    def do_GET(self) -> None:
        self._answer(body=True)

    def do_HEAD(self) -> None:
        self._answer(body=False)

    def log_message(self, format: str, *args: object) -> None:
        """Requests are not told."""

    def _answer(self, *, body: bool) -> None:
        port = self.server.server_port
        if self.headers.get_all("Host") not in ([f"{HOST}:{port}"], [f"localhost:{port}"]):
            self._send(HTTPStatus.FORBIDDEN, KINDS[".txt"], b"Only this machine may look here.\n", body)
            return
        parts = urlsplit(self.path)
        path = unquote(parts.path)
        if path.startswith(OWN):
            self._own(path, parse_qs(parts.query), body)
            return
        kept = path.startswith(KEPT)
        inside = path.removeprefix(KEPT if kept else "/")
        file = _file(self.server.state.folder, inside)
        if kept and not self.server.state.problems:  # the last good site is the site again
            self._send_on(f"/{inside}")
            return
        if self.server.state.problems and not kept and _is_page(inside):
            page = problem_page(self.server.state, inside).encode()
            self._send(HTTPStatus.SERVICE_UNAVAILABLE, KINDS[".html"], page, body, policy=True)
        elif file is None:
            self._send(HTTPStatus.NOT_FOUND, KINDS[".txt"], b"There is no such page on this site.\n", body)
        elif file.suffix == ".html":
            page = _followed(file.read_text(encoding="utf-8"), self.server.state, kept=kept).encode()
            self._send(HTTPStatus.OK, KINDS[".html"], page, body)
        else:
            kind = KINDS.get(file.suffix) or mimetypes.guess_type(file.name)[0] or "application/octet-stream"
            self._send(HTTPStatus.OK, kind, file.read_bytes(), body)

    def _send_on(self, path: str) -> None:
        self.send_response(HTTPStatus.FOUND)
        self.send_header("Location", quote(f"/{path.lstrip('/')}"))
        self.send_header("Content-Length", "0")
        self.end_headers()

    def _own(self, path: str, query: dict[str, list[str]], body: bool) -> None:
        """What `view` adds to a site."""
        match path.removeprefix(OWN):
            case "reload.js":
                self._send(HTTPStatus.OK, KINDS[".js"], RELOAD_SCRIPT.encode(), body)
            case "view.css":
                self._send(HTTPStatus.OK, KINDS[".css"], STYLE.encode(), body)
            case "news" if body:
                page, since = query.get("page", ["/"])[0], query.get("since", ["0"])[0]
                self._news(_page(page.removeprefix(KEPT).removeprefix("/")), since)
            case _:
                self._send(HTTPStatus.NOT_FOUND, KINDS[".txt"], b"There is nothing here.\n", body)

    def _news(self, page: str, since: str) -> None:
        """Hold the line until the page has changed. Format: server-sent events, WHATWG HTML 9.2."""
        moment = int(since) if since.isdecimal() else 0
        self.send_response(HTTPStatus.OK)
        self.send_header("Content-Type", "text/event-stream")
        self.send_header("Cache-Control", "no-store")
        self.end_headers()
        self.wfile.write(b": waiting\n\n")
        self.wfile.flush()
        while (changed := self.server.state.wait_for_change(page, moment, BEAT_S)) is not None:
            self.wfile.write(b"event: changed\ndata: \n\n" if changed else b": still waiting\n\n")
            self.wfile.flush()
            if changed:
                return

    def _send(
        self, status: HTTPStatus, kind: str, content: bytes, body: bool, *, policy: bool = False
    ) -> None:
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(content)))
        self.send_header("Cache-Control", "no-store")
        self.send_header("X-Content-Type-Options", "nosniff")
        self.send_header("Cross-Origin-Resource-Policy", "same-origin")
        self.send_header("Referrer-Policy", "no-referrer")
        if policy:
            self.send_header("Content-Security-Policy", POLICY)
        self.end_headers()
        if body:
            self.wfile.write(content)


def _page(path: str) -> str:
    """File of a page: a folder means its index."""
    return f"{path}{navigation.FRONT}" if path in ("",) or path.endswith("/") else path


def _is_page(path: str) -> bool:
    return _page(path).endswith(".html")


def _file(folder: Path, path: str) -> Path | None:
    """A file of the site, or None for anything else, whatever the address tries."""
    path = _page(path)
    parts = path.split("/")
    if "\\" in path or "\0" in path or any(part in ("", ".", "..") for part in parts):
        return None
    try:
        file = (folder / path).resolve()
        return file if file.is_relative_to(folder.resolve()) and file.is_file() else None
    except (OSError, ValueError):
        return None


def _script(state: ViewState) -> str:
    return f'<script src="{OWN}reload.js?since={state.moment}" defer></script>'


def _followed(page: str, state: ViewState, *, kept: bool) -> str:
    """A page that reloads itself; a kept one says that it is old."""
    if "connect-src" not in page.partition("</head>")[0]:  # the script listens to this server
        page = page.replace("default-src 'none';", "default-src 'none'; connect-src 'self';", 1)
    page = page.replace("</head>", f"{_script(state)}\n</head>", 1)
    if kept and state.problems:
        said = f"This is the last good site. The season has {counted(len(state.problems), 'problem')} now: "
        place = page.find(">", page.find("<body")) + 1
        page = f'{page[:place]}\n<p class="notice" role="status">{said}<a href="/">see them</a>.</p>{page[place:]}'
    return page


def problem_page(state: ViewState, path: str) -> str:
    """Every problem with its place and its remedy, and the way to the last good site."""
    items = "\n".join(_problem_item(problem) for problem in state.problems)
    kept = ""
    if state.has_site:
        there = path if _file(state.folder, path) is not None else ""
        kept = f'<p><a href="{escape(KEPT + there)}">Look at the last good site</a></p>'
    many = counted(len(state.problems), "problem")
    return f"""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{many}</title>
<link rel="icon" href="/{navigation.ASSETS}/icon.svg" type="image/svg+xml">
<link rel="stylesheet" href="{OWN}view.css">
{_script(state)}
</head>
<body>
<main>
<h1>The season has {many}</h1>
<p>Mend what stands here; this page turns into the site by itself.</p>
<ol>
{items}
</ol>
{kept}
</main>
</body>
</html>
"""


def _problem_item(problem: Problem) -> str:
    place = problem.file if problem.line is None else f"{problem.file}:{problem.line}"
    key = f" <code>{escape(problem.key)}</code>:" if problem.key else ""
    return (
        f"<li><code>{escape(place)}</code>{key} {escape(problem.what)}"
        f'<p class="remedy">{escape(problem.remedy)}</p></li>'
    )
