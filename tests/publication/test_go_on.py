"""A stated reason for going on is shown where viewers see it, and only where there is one."""

from __future__ import annotations

from pathlib import Path

from generator import build
from tests.seasons import SESSION, write_season


def test_reason_stands_beside_the_cautions(tmp_path: Path, plain_charts: None) -> None:
    season = write_season(tmp_path / "season")
    reason = "go_on_because: {supply-cannot-absorb: A <pack> stood across it.}\n"
    (season / "q" / "session.yaml").write_text(reason + SESSION, encoding="utf-8")
    build(season, tmp_path / "site")
    html = next((tmp_path / "site").glob("**/q/index.html")).read_text("utf-8")
    cautions = html[html.index('id="cautions"') :]
    assert "Why the tester went on" in cautions
    assert "The supply cannot absorb the energy that braking returns." in cautions
    assert "A &lt;pack&gt; stood across it." in cautions


def test_no_reason_no_heading(tmp_path: Path, plain_charts: None) -> None:
    build(write_season(tmp_path / "season"), tmp_path / "site")
    html = next((tmp_path / "site").glob("**/q/index.html")).read_text("utf-8")
    assert "Why the tester went on" not in html
