"""The local server: real HTTP on loopback, to this machine's own names only, and nothing outside the site."""

from __future__ import annotations

import http.client
import json
import re
import socket
import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from generator.intake.problems import OutputRefused, Problem
from generator.publication.view_server import HOST, ViewServer
from generator.publication.view_state import ViewState
from generator.viewing import Viewing, served
from tests.seasons import log_text, write_season

PAGE = "/sessions/q/index.html"


class Browser:
    """Asks the server as a browser would."""

    def __init__(self, server: ViewServer) -> None:
        self.port = server.server_port

    def ask(
        self, path: str, *, host: str | None = None, method: str = "GET"
    ) -> tuple[int, dict[str, str], bytes]:
        with closing(http.client.HTTPConnection(HOST, self.port, timeout=20)) as line:
            line.putrequest(method, path, skip_host=True)
            if host != "":
                line.putheader("Host", host or f"{HOST}:{self.port}")
            line.endheaders()
            answer = line.getresponse()
            return answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read()

    def text(self, path: str) -> str:
        return self.ask(path)[2].decode()


@pytest.fixture(scope="module")
def viewing(tmp_path_factory: pytest.TempPathFactory) -> Viewing:
    """A small season on view; tests put back what they change."""
    folder = tmp_path_factory.mktemp("view")
    made = Viewing(write_season(folder / "season"), folder / "scratch")
    assert "4 runs reduced" in (made.refresh() or "")
    return made


@pytest.fixture
def browser(viewing: Viewing) -> Iterator[Browser]:
    before = {file: file.read_bytes() for file in viewing.folder.rglob("*") if file.is_file()}
    with served(viewing) as server:
        yield Browser(server)
    for file, content in before.items():
        file.write_bytes(content)
    viewing.refresh()
    assert not viewing.state.problems


# --- following the season -----------------------------------------------------------------------------------


def test_new_words_are_served_and_only_their_pages_are_written(viewing: Viewing, browser: Browser) -> None:
    before = {file: file.stat().st_mtime_ns for file in viewing.state.folder.rglob("*") if file.is_file()}
    (viewing.folder / "q" / "conclusion.md").write_text("Quite another conclusion.\n", encoding="utf-8")
    line = viewing.refresh()
    assert line is not None
    assert "0 runs reduced, 0 figures drawn, 1 file changed" in line
    assert "Quite another conclusion." in browser.text(PAGE)
    after = {file: file.stat().st_mtime_ns for file in viewing.state.folder.rglob("*") if file.is_file()}
    rewritten = {file for file in after if after[file] != before.get(file)}
    assert {file.relative_to(viewing.state.folder).as_posix() for file in rewritten} == {
        "sessions/q/index.html"
    }


def test_nothing_changed_is_nothing_built(viewing: Viewing) -> None:
    assert viewing.refresh() is None
    file = viewing.folder / "season.yaml"
    file.write_bytes(file.read_bytes())  # another time, the same content
    assert viewing.refresh() is None
    (viewing.folder / ".hidden").write_text("x", encoding="utf-8")
    (viewing.folder / "q" / "session.yaml~").write_text("x", encoding="utf-8")
    assert viewing.refresh() is None


def test_a_new_log_is_the_only_one_reduced(viewing: Viewing, browser: Browser) -> None:
    log = viewing.folder / "q" / "logs" / "03.csv"
    old = log.read_bytes()
    number = json.loads(browser.text("/sessions/q/results.json"))["contrasts"][0]["difference"]
    log.write_text(log_text(1.10, 3), encoding="utf-8")
    assert "built in" in (line := viewing.refresh() or "")
    assert "1 run reduced" in line
    assert json.loads(browser.text("/sessions/q/results.json"))["contrasts"][0]["difference"] != number
    log.write_bytes(old)
    viewing.refresh()
    assert json.loads(browser.text("/sessions/q/results.json"))["contrasts"][0]["difference"] == number


def test_a_broken_season_shows_every_problem_and_keeps_the_last_good_site(
    viewing: Viewing, browser: Browser
) -> None:
    session = viewing.folder / "q" / "session.yaml"
    old = session.read_text(encoding="utf-8")
    good = browser.text(PAGE)
    session.write_text(
        old.replace("baseline: a", "baseline: zz").replace("[electrical_power]", "[power <b>]"),
        encoding="utf-8",
    )
    assert "2 problems, shown on the page; the last good site is kept" in (viewing.refresh() or "")
    status, headers, page = browser.ask(PAGE)
    assert status == 503
    assert "default-src 'none'" in headers["content-security-policy"]
    text = page.decode()
    assert "q/session.yaml:6" in text
    assert "q/session.yaml:10" in text
    assert "power &lt;b&gt;" in text, "what the file says is text, never markup"
    assert "<b>" not in text
    assert browser.ask("/")[0] == 503

    kept = browser.text(f"/last-good{PAGE}")
    assert "This is the last good site" in kept
    added = r'\n<script src="/\.view[^\n]*|\n<p class="notice" role="status">[^\n]*'
    assert re.sub(added, "", kept) == re.sub(added, "", good)
    assert f'href="/last-good{PAGE}"' in text

    session.write_text("title: [not closed\n", encoding="utf-8")
    viewing.refresh()
    assert "q/session.yaml:" in browser.text(PAGE)

    session.write_text(old, encoding="utf-8")
    assert "built in" in (viewing.refresh() or "")
    assert browser.ask(PAGE)[0] == 200
    status, headers, _ = browser.ask(f"/last-good{PAGE}")
    assert (status, headers["location"]) == (302, PAGE)


def test_a_season_broken_from_the_start_shows_its_problems(tmp_path: Path) -> None:
    season = write_season(tmp_path / "season")
    (season / "season.yaml").write_text("title: Only a title\n", encoding="utf-8")
    viewing = Viewing(season, tmp_path / "scratch")
    assert viewing.refresh() == "2 problems, shown on the page"
    with served(viewing) as server:
        status, _, page = Browser(server).ask("/")
        assert status == 503
        assert b"about" in page
        assert b"last good" not in page
        assert Browser(server).ask("/last-good/")[0] == 404


def test_files_on_disk_are_those_of_a_build(viewing: Viewing, browser: Browser) -> None:
    """What `view` adds is put in as a page is served."""
    on_disk = (viewing.state.folder / "index.html").read_text(encoding="utf-8")
    shown = browser.text("/")
    assert "/.view/" not in on_disk
    assert '<script src="/.view/reload.js?since=' in shown
    assert "connect-src 'self'" in shown
    assert shown.count("connect-src") == 1
    style = next(path for path in viewing.state.folder.rglob("style.css"))
    assert browser.ask("/assets/style.css")[2] == style.read_bytes()


# --- reloading ----------------------------------------------------------------------------------------------


def news(browser: Browser, page: str, since: int) -> str:
    return browser.text(f"/.view/news?page={page}&since={since}")


def test_an_open_page_hears_of_its_own_change_and_no_other(viewing: Viewing, browser: Browser) -> None:
    moment = viewing.state.moment
    heard: list[str] = []
    listener = threading.Thread(target=lambda: heard.append(news(browser, PAGE, moment)))
    listener.start()
    listener.join(0.3)
    assert not heard, "nothing has happened yet"
    (viewing.folder / "q" / "conclusion.md").write_text(f"Words at {moment}.\n", encoding="utf-8")
    viewing.refresh()
    listener.join(10)
    assert heard
    assert "event: changed" in heard[0]
    # a page that loaded in between is told at once; another page is not
    assert "event: changed" in news(browser, PAGE, moment)
    assert viewing.state.wait_for_change("safety.html", moment, 0.05) is False
    viewing.state.show_problems([Problem(file="s", what="is wrong.", remedy="Mend it.")])
    assert viewing.state.wait_for_change("safety.html", moment, 0.05) is True
    viewing._seen = None
    viewing.refresh()


def test_a_page_from_before_a_restart_is_old(tmp_path: Path, viewing: Viewing) -> None:
    assert ViewState(tmp_path / "site").moment > viewing.state.moment - 10_000
    assert ViewState(tmp_path / "site").wait_for_change("index.html", 5, 0.01) is True


# --- to this machine only -----------------------------------------------------------------------------------


def test_other_names_of_this_machine_are_refused(browser: Browser) -> None:
    port = browser.port
    for host in (f"127.0.0.1:{port}", f"localhost:{port}"):
        assert browser.ask("/", host=host)[0] == 200
    for host in ("evil.example", f"evil.example:{port}", "127.0.0.1", f"127.0.0.1:{port + 1}", f"[::1]:{port}",
                 f"127.0.0.1:{port}.evil.example", "", f"127.0.0.2:{port}"):  # fmt: skip
        for path in ("/", "/sessions/q/results.json", "/.view/news?page=/&since=0"):
            status, _, content = browser.ask(path, host=host)
            assert status == 403, host
            assert b"season" not in content


def test_it_listens_on_loopback_only(viewing: Viewing) -> None:
    with served(viewing) as server:
        assert server.socket.getsockname()[0] == "127.0.0.1"


@pytest.mark.parametrize(
    "path",
    [
        "/../season/season.yaml", "/..%2f..%2fseason/season.yaml", "/%2e%2e/%2e%2e/season/season.yaml",
        "/sessions/../../../season/season.yaml", "//etc/passwd", "/..\\season.yaml", "/%5c..%5cseason.yaml",
        "/index.html%00.css", "/.view/../index.html", "/.view/", "/.view/unknown", "/.whirlbook-nothing",
        "/last-good/../../season/season.yaml", "/C:/x", "/" + "a" * 5000, "/sessions", "/no-such-page.html",
    ],
)  # fmt: skip
def test_nothing_outside_the_site_is_served(path: str, browser: Browser) -> None:
    status, _, content = browser.ask(path)
    assert status in (302, 404)
    assert b"Invented for tests" not in content
    assert b"root:" not in content


def test_a_link_that_leads_out_of_the_site_is_not_followed(viewing: Viewing, browser: Browser) -> None:
    link = viewing.state.folder / "out.yaml"
    link.symlink_to(viewing.folder / "season.yaml")
    assert browser.ask("/out.yaml")[0] == 404
    link.unlink()


def test_only_looking_is_possible(browser: Browser) -> None:
    for method in ("POST", "PUT", "DELETE", "OPTIONS"):
        assert browser.ask("/", method=method)[0] == 501
    status, headers, content = browser.ask("/", method="HEAD")
    assert (status, content) == (200, b"")
    assert headers["cache-control"] == "no-store"
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["cross-origin-resource-policy"] == "same-origin"


def test_a_port_that_is_taken_is_told(viewing: Viewing) -> None:
    with closing(socket.socket()) as taken:
        taken.bind((HOST, 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(OutputRefused, match=f"Port {port} cannot be used"), served(viewing, port):
            pass
