"""`build --since`: figures that an earlier archive has otherwise are listed, with both values."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import generator
from generator import cli, pipeline
from generator.publication.bag_source import BagRefused
from generator.publication.since_archive import SinceArchive, since_archive
from tests.bags import RESULTS, change_results, copy_of, make_bag, make_older, without_charts
from tests.publication.site_checks import Page
from tests.seasons import write_season


@pytest.fixture(scope="module")
def bag(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An archive of the small season; nobody writes to it."""
    return make_bag(tmp_path_factory.mktemp("since"))


def edited(folder: Path) -> Path:
    """The small season with another resistance of the wiring, a new log and a correction."""
    season = write_season(folder)
    rig = season / "rigs" / "stand.yaml"
    rig.write_text(rig.read_text().replace("8 mohm", "80 mohm"))
    session = season / "q" / "session.yaml"
    session.write_text(
        f"{session.read_text()}corrections: [{{date: 2031-06-01, what: Wiring., why: Measured.}}]\n"
    )
    return season


def since(bag: Path, season: Path) -> SinceArchive:
    found = pipeline.analyse_season(season)
    analyses = {analysis.session_id: analysis for analysis in found.sessions}
    return since_archive(bag, found.season, analyses, found.documents, generator.__version__)


def test_nothing_changed(bag: Path) -> None:
    found = since(bag, bag.parent / "season")
    assert found.changed == {}
    assert (found.date, found.version) == ("2031-05-04", generator.__version__)
    assert found.sessions["q"].told() == ""


def test_changed_figures_with_both_values(bag: Path, tmp_path: Path) -> None:
    season = edited(tmp_path / "season")
    found = since(bag, season).changed["q"]
    then = json.loads((bag / RESULTS).read_text())
    now = next(iter(generator.analyse(season)))
    power = {
        response["treatment"]: (response["value"], new["value"])
        for response, new in zip(then["responses"], now["responses"], strict=True)
        if response["response"] == "electrical_power"
    }
    told = {figure.what.replace("\u202f", " ").replace("\u00a0", " "): figure for figure in found.figures}
    for treatment, label in (("a", "A"), ("b", "B")):
        figure = told[f"Electrical power at 9 000 rpm, {label}"]
        before, after = power[treatment]
        assert (figure.then, figure.now) == (f"{before:.2f}\u00a0W", f"{after:.2f}\u00a0W")
        assert figure.then != figure.now
    assert "Difference in electrical power at 9 000 rpm, B against A" in told
    assert told["Difference in electrical power at 9 000 rpm, B against A"].then.startswith("+")
    assert not [what for what in told if what.startswith("Lower end")], "moves with its difference"
    assert not [what for what in told if "hrust at" in what], "the wiring does not touch it"
    assert found.behind > 10
    assert found.why == ("q/session.yaml has been edited", "rigs/stand.yaml has been edited")


def test_what_may_be_why(bag: Path, tmp_path: Path) -> None:
    season = write_season(tmp_path / "season")
    log = season / "q" / "logs" / "02.csv"
    log.write_text(log.read_text().replace(",2.6", ",2.7"))
    older = copy_of(bag, tmp_path)
    make_older(older)
    assert since(older, season).changed["q"].why == (
        f"Whirlbook 0.0.9 then, {generator.__version__} now",
        "logs/02.csv is another file",
    )


def test_an_older_archive_has_less_and_that_is_no_change(bag: Path, tmp_path: Path) -> None:
    older = copy_of(bag, tmp_path)
    make_older(older)
    assert since(older, bag.parent / "season").changed == {}


def test_a_verdict_that_turned(bag: Path, tmp_path: Path) -> None:
    other = copy_of(bag, tmp_path)
    now = json.loads((bag / RESULTS).read_text())["contrasts"][0]["verdict"]
    change_results(other, lambda document: document["contrasts"][0].update(verdict="less"))
    (figure,) = since(other, bag.parent / "season").changed["q"].figures
    assert figure.what.startswith("Verdict on ")
    assert (figure.then, figure.now) == ("less", now)


def test_archives_that_cannot_be_held_against(bag: Path, tmp_path: Path) -> None:
    other = copy_of(bag, tmp_path)
    (other / RESULTS).write_text((other / RESULTS).read_text().replace("1", "2"))
    with pytest.raises(BagRefused, match="not as its checksum says"):
        since(other, bag.parent / "season")
    season = write_season(tmp_path / "season")
    (season / "q").rename(season / "r")
    with pytest.raises(BagRefused, match="none of this season's sessions"):
        since(bag, season)


def test_pages(bag: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    without_charts(monkeypatch)
    season, site = edited(tmp_path / "season"), tmp_path / "site"
    assert cli.main(["build", str(season), "--out", str(site), "--since", str(bag)]) == cli.DONE
    ledger = Page(site, site / "corrections.html")
    words = ledger.words().replace("\u202f", " ").replace("\u00a0", " ")
    assert "Held against the archive of 4 May 2031, 9 figures changed, in 1 session." in words
    assert "Electrical power at 9 000 rpm, A" in words
    assert "rigs/stand.yaml has been edited." in words
    assert "sessions/q/index.html#changed" in ledger.hrefs()
    session = Page(site, site / "sessions/q/index.html")
    assert session.ids()["changed"] == 1
    assert session.ids()["corrections"] == 1
    assert max(ledger.ids().values()) == max(session.ids().values()) == 1
    assert "These figures are not those of the archive of 4 May 2031." in session.words().replace(
        "\u00a0", " "
    )


def test_pages_when_nothing_changed(bag: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    without_charts(monkeypatch)
    generator.build(bag.parent / "season", tmp_path / "site", since=bag)
    words = Page(tmp_path / "site", tmp_path / "site/corrections.html").words().replace("\u00a0", " ")
    assert "Held against the archive of 4 May 2031, no figure has changed." in words
    assert "changed" not in Page(tmp_path / "site", tmp_path / "site/sessions/q/index.html").ids()


def test_without_an_archive_nothing_is_said(plain_site: Path) -> None:
    assert "Held against" not in Page(plain_site, plain_site / "corrections.html").words()


def test_an_archive_that_is_none_stops_the_build(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    season = write_season(tmp_path / "season")
    code = cli.main(["build", str(season), "--out", str(tmp_path / "site"), "--since", str(tmp_path)])
    assert code == cli.PROBLEMS
    assert "is no bag" in capsys.readouterr().err
    assert not (tmp_path / "site").exists()
