"""`verify`: every change to an archive is told by name; every figure that differs is told with both values."""

from __future__ import annotations

import json
import shutil
import zipfile
from pathlib import Path
from typing import Any

import bagit
import pytest

from generator import cli, pipeline
from generator.evidence.results_document import SIGNIFICANT_DIGITS
from generator.publication.bag_source import BagRefused
from generator.verifying import VerifyReport, verify
from tests.bags import (
    PUBLISHED,
    RESULTS,
    change_info,
    change_results,
    copy_of,
    make_bag,
    make_older,
    put_right,
)
from tests.conftest import DEMO


@pytest.fixture(scope="module")
def bag(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An archive of the small season; nobody writes to it."""
    return make_bag(tmp_path_factory.mktemp("verify"))


@pytest.fixture
def copy(bag: Path, tmp_path: Path) -> Path:
    return copy_of(bag, tmp_path)


def faults(report: VerifyReport) -> set[tuple[str, str]]:
    return {(fault.kind, fault.path) for fault in report.state.faults}


def independent_reader_agrees(bag: Path) -> bool:
    return bool(bagit.Bag(str(bag)).is_valid())


def zipped(bag: Path) -> Path:
    """The folder packed by another tool than ours."""
    return Path(shutil.make_archive(str(bag), "zip", bag.parent, bag.name))


# --- sound ------------------------------------------------------------------------------------------------------


def test_a_sound_bag(bag: Path) -> None:
    report = verify(bag)
    assert report.sound
    assert report.state.faults == ()
    assert report.state.algorithms == ("sha256", "sha512")
    assert report.recomputed is not None
    assert report.recomputed.compared > 300
    assert report.recomputed.differing == ()
    assert report.recomputed.versions == ()
    assert report.recomputed.same


def test_nothing_is_written_to_it(copy: Path) -> None:
    before = {(path, path.stat().st_mtime_ns) for path in copy.rglob("*")}
    verify(copy)
    assert {(path, path.stat().st_mtime_ns) for path in copy.rglob("*")} == before


# --- files ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "place", ["data/season/q/logs/02.csv", "data/site/index.html", "data/ro-crate-metadata.json"]
)
def test_one_flipped_bit(copy: Path, place: str) -> None:
    content = bytearray((copy / place).read_bytes())
    content[len(content) // 2] ^= 1
    (copy / place).write_bytes(content)
    report = verify(copy, sums_only=True)
    assert faults(report) == {("altered", place)}
    assert not report.sound
    assert not independent_reader_agrees(copy)


def test_one_flipped_bit_in_a_zip_file(copy: Path) -> None:
    packed = zipped(copy)
    with zipfile.ZipFile(packed) as content:
        entry = content.getinfo("copy/data/season/q/logs/02.csv")
        start = entry.header_offset + 30 + len(entry.filename) + entry.compress_size // 2
    raw = bytearray(packed.read_bytes())
    raw[start] ^= 1
    packed.write_bytes(raw)
    report = verify(packed)
    assert faults(report) == {("altered", "data/season/q/logs/02.csv")}
    assert report.recomputed is not None
    assert "logs/02.csv" in "\n".join(f"{problem}" for problem in report.recomputed.problems)


@pytest.mark.parametrize("place", ["data/season/q/logs/02.csv", "data/site/index.html", "README.txt"])
def test_one_missing_file(copy: Path, place: str) -> None:
    (copy / place).unlink()
    report = verify(copy, sums_only=True)
    assert ("missing", place) in faults(report)
    assert faults(report) <= {
        ("missing", place),
        ("wrong", "bag-info.txt"),
    }  # the count of files tells it too
    assert not report.sound
    assert not independent_reader_agrees(copy)


def test_one_extra_file(copy: Path) -> None:
    (copy / "data" / "season" / "more.txt").write_text("x")
    report = verify(copy, sums_only=True)
    assert faults(report) == {("extra", "data/season/more.txt"), ("wrong", "bag-info.txt")}
    assert not report.sound
    assert not independent_reader_agrees(copy)


def test_an_extra_file_beside_the_payload_is_doubtful(copy: Path) -> None:
    """RFC 8493, 2.2.4 allows tag files that no manifest lists, and file managers leave some."""
    (copy / "Thumbs.db").write_text("x")
    report = verify(copy, sums_only=True)
    assert faults(report) == {("doubtful", "Thumbs.db")}
    assert report.sound
    assert independent_reader_agrees(copy)


def test_a_file_put_into_one_manifest_only(copy: Path) -> None:
    (copy / "data" / "more.txt").write_text("x")
    put_right(copy)
    lines = (copy / "manifest-sha512.txt").read_text().splitlines(keepends=True)
    (copy / "manifest-sha512.txt").write_text("".join(line for line in lines if "data/more.txt" not in line))
    report = verify(copy, sums_only=True)
    assert ("extra", "data/more.txt") in faults(report)
    assert ("altered", "manifest-sha512.txt") in faults(report)


def test_every_algorithm_counts(copy: Path) -> None:
    """A wrong checksum in one manifest alone."""
    lines = (copy / "manifest-sha256.txt").read_text().splitlines(keepends=True)
    lines[0] = f"{'0' * 64}{lines[0][64:]}"
    (copy / "manifest-sha256.txt").write_text("".join(lines))
    assert faults(verify(copy, sums_only=True)) == {
        ("altered", lines[0][66:].rstrip("\n")), ("altered", "manifest-sha256.txt"),
    }  # fmt: skip


@pytest.mark.parametrize(
    ("name", "content", "told"),
    [
        ("bagit.txt", "BagIt-Version: 9.9\nTag-File-Character-Encoding: UTF-8\n", "says BagIt 9.9"),
        ("bagit.txt", "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-16\n", "in UTF-16"),
        ("bagit.txt", "no declaration", "as RFC 8493 wants it"),
        ("manifest-sha256.txt", "00  ../../x\n", "outside the bag"),
    ],
)
def test_a_bag_that_describes_itself_wrongly(copy: Path, name: str, content: str, told: str) -> None:
    (copy / name).write_text(content)
    report = verify(copy, sums_only=True)
    assert any(
        fault.kind == "wrong" and fault.path == name and told in fault.what for fault in report.state.faults
    )


def test_a_bag_of_somebody_else(tmp_path: Path) -> None:
    """Made by the independent tool: sums can be checked, and there is nothing to compute."""
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "a b.txt").write_text("x")
    bagit.make_bag(str(tmp_path / "mine"), checksums=["md5", "sha1", "sha256"])
    assert verify(tmp_path / "mine", sums_only=True).sound
    report = verify(tmp_path / "mine")
    assert report.state.sound
    assert not report.sound
    assert report.recomputed is not None
    assert "not one of Whirlbook's" in report.recomputed.refused[0]
    (tmp_path / "mine" / "data" / "a b.txt").write_text("y")
    assert faults(verify(tmp_path / "mine", sums_only=True)) == {("altered", "data/a b.txt")}


def test_no_manifest_that_can_be_read(copy: Path) -> None:
    for name in ("manifest-sha256.txt", "manifest-sha512.txt"):
        (copy / name).unlink()
    (copy / "manifest-whirlpool.txt").write_text("00  data/x\n")
    report = verify(copy, sums_only=True)
    assert ("missing", "manifest-sha512.txt") in faults(report)
    assert ("doubtful", "manifest-whirlpool.txt") in faults(report)


# --- figures ----------------------------------------------------------------------------------------------------


def one_figure(document: dict[str, Any]) -> None:
    document["contrasts"][0]["difference"] *= 1.00001


def test_one_altered_figure_with_every_checksum_right(copy: Path) -> None:
    before = json.loads((copy / RESULTS).read_text())["contrasts"][0]
    change_results(copy, one_figure)
    assert independent_reader_agrees(copy)
    report = verify(copy)
    assert report.state.sound
    assert not report.sound
    assert report.recomputed is not None
    (change,) = report.recomputed.differing
    assert (change.session, change.part, change.field) == ("q", "contrasts", "difference")
    assert (change.response, change.treatment, change.baseline) == (before["response"], "b", "a")
    assert dict(change.at) == before["at"]
    assert change.after == before["difference"]
    assert change.before == pytest.approx(before["difference"] * 1.00001)


def test_rounding_is_no_difference(copy: Path) -> None:
    def round_off(document: dict[str, Any]) -> None:
        for response in document["responses"]:
            response["value"] = float(f"{response['value']:.{SIGNIFICANT_DIGITS - 2}g}")

    change_results(copy, round_off)
    assert verify(copy).sound


@pytest.mark.parametrize(
    ("part", "key", "value"),
    [("contrasts", "verdict", "less"), ("claims", "outcome", "supported"), ("contrasts", "primary", False),
     ("runs", "refused", "Because."), ("inputs", "sha256", "0" * 64)],
)  # fmt: skip
def test_an_altered_decision(copy: Path, part: str, key: str, value: Any) -> None:
    def change(document: dict[str, Any]) -> None:
        assert document[part][0][key] != value
        document[part][0][key] = value

    change_results(copy, change)
    report = verify(copy)
    assert report.recomputed is not None
    assert [(c.part, c.field, c.before) for c in report.recomputed.differing] == [(part, key, value)]


def test_a_sentence_or_an_entry_that_was_taken_out(copy: Path) -> None:
    def change(document: dict[str, Any]) -> None:
        document["headline"] += " By far."
        document["responses"].pop(0)

    change_results(copy, change)
    report = verify(copy)
    assert report.recomputed is not None
    assert [(c.kind, c.part, c.field) for c in report.recomputed.differing] == [
        ("words", "", "headline"), ("new", "responses", ""),
    ]  # fmt: skip


def test_figures_on_the_site_alone(copy: Path) -> None:
    document = json.loads((copy / PUBLISHED).read_text())
    one_figure(document)
    (copy / PUBLISHED).write_text(json.dumps(document))
    put_right(copy)
    report = verify(copy)
    assert not report.sound
    assert report.recomputed is not None
    assert report.recomputed.differing == ()
    assert "are not the same" in report.recomputed.refused[0]


def test_an_altered_log_shows_in_the_figures(copy: Path) -> None:
    """Sums put right, so that only the computation tells."""
    log = copy / "data/season/q/logs/02.csv"
    log.write_text(log.read_text().replace(",2.6", ",2.7"))
    put_right(copy)
    report = verify(copy)
    assert report.state.sound
    assert report.recomputed is not None
    parts = {(change.part, change.field) for change in report.recomputed.differing}
    assert {("inputs", "sha256"), ("responses", "value"), ("contrasts", "difference")} <= parts


def test_results_that_are_missing_or_no_results(copy: Path) -> None:
    (copy / RESULTS).write_text("{")
    put_right(copy)
    report = verify(copy)
    assert report.recomputed is not None
    assert report.recomputed.refused == ("Results of q: not JSON that can be read.",)
    shutil.rmtree(copy / "data/results")
    put_right(copy)
    report = verify(copy)
    assert report.recomputed is not None
    assert report.recomputed.refused == (f"Results of q: {RESULTS} is missing.",)


def test_a_season_that_cannot_be_read(copy: Path) -> None:
    (copy / "data/season/rigs/stand.yaml").unlink()
    put_right(copy)
    report = verify(copy)
    assert not report.sound
    assert report.recomputed is not None
    assert all(problem.file.startswith(f"{copy}/data/season/") for problem in report.recomputed.problems)
    assert report.recomputed.problems
    packed = zipped(copy)
    report = verify(packed)
    assert report.recomputed is not None
    assert all(problem.file.startswith(f"{packed}/data/season/") for problem in report.recomputed.problems)


# --- other versions ---------------------------------------------------------------------------------------------


def test_a_bag_of_an_earlier_version(copy: Path) -> None:
    make_older(copy)
    report = verify(copy)
    assert report.sound
    assert report.recomputed is not None
    assert not report.recomputed.same
    assert [change.field for change in report.recomputed.reworded] == ["headline"]
    assert report.recomputed.differing == ()
    assert "contrasts.family" in report.recomputed.comparisons[0].added
    assert "responses.budget" in report.recomputed.comparisons[0].added


def test_an_altered_figure_in_a_bag_of_an_earlier_version(copy: Path) -> None:
    make_older(copy)
    change_results(copy, one_figure)
    report = verify(copy)
    assert report.recomputed is not None
    assert [(c.part, c.field) for c in report.recomputed.differing] == [("contrasts", "difference")]


def test_a_number_in_a_sentence_of_an_earlier_version(copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Told as doubtful: a later version may well say another figure in the same sentence."""
    make_older(copy)

    def change(document: dict[str, Any]) -> None:
        document["headline"] = "It costs 99 W."

    change_results(copy, change)
    assert cli.main(["verify", str(copy)]) == cli.DONE
    assert "(doubtful) q: headline: stored “It costs 99 W.”; computed now" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("label", "value", "told"),
    [
        (
            "Whirlbook-Bag-Format",
            "whirlbook-bag/2",
            "made by Whirlbook 0.1.0; this version reads whirlbook-bag/1",
        ),
        ("Whirlbook-Bag-Format", "other-bag/1", "format that is not known"),
    ],
)
def test_formats_of_the_future(copy: Path, label: str, value: str, told: str) -> None:
    change_info(copy, label, value)
    report = verify(copy)
    assert report.state.sound
    assert not report.sound
    assert report.recomputed is not None
    assert told in report.recomputed.refused[0]


def test_results_of_the_future(copy: Path) -> None:
    change_results(copy, lambda document: document.update(format="whirlbook-results/2"))
    report = verify(copy)
    assert report.recomputed is not None
    assert "of a newer Whirlbook" in report.recomputed.refused[0]
    assert report.recomputed.comparisons == ()


def test_versions_that_differ_are_told_and_no_fault(copy: Path) -> None:
    versions = copy / "data/software/versions.json"
    document = json.loads(versions.read_text())
    document["python"] = "3.11.0-then"
    document["packages"]["numpy"] = "0.1"
    del document["packages"]["scipy"]
    versions.write_text(json.dumps(document))
    put_right(copy)
    report = verify(copy)
    assert report.sound
    assert report.recomputed is not None
    told = "; ".join(report.recomputed.versions)
    assert "python 3.11.0-then then" in told
    assert "numpy 0.1 then" in told
    assert "scipy not there then" in told


# --- the command ------------------------------------------------------------------------------------------------


def test_the_command(bag: Path, copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["verify", str(bag)]) == cli.DONE
    out, err = capsys.readouterr()
    assert err == ""
    assert "0 faults" in out
    assert "0 differences" in out
    assert f"{bag}: Nothing is wrong with it." in out
    change_results(copy, one_figure)
    (copy / "data" / "more.txt").write_text("x")
    assert cli.main(["verify", str(copy)]) == cli.PROBLEMS
    out, err = capsys.readouterr()
    assert "data/more.txt: is extra: no manifest lists it." in err
    assert "q: contrasts: " in err
    assert "difference: stored " in err
    assert "computed now " in err
    assert f"{copy}: It is not what it was." in out
    assert cli.main(["verify", str(copy / "data")]) == cli.PROBLEMS
    assert "is no bag" in capsys.readouterr().err


def test_sums_only_does_not_compute(copy: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def computed(*_: object, **__: object) -> None:
        raise AssertionError("computed")

    monkeypatch.setattr(pipeline, "analyse_season", computed)
    assert cli.main(["verify", str(copy), "--sums-only"]) == cli.DONE


def test_help_tells_its_exit_codes(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        cli.main(["verify", "--help"])
    assert "every figure came out the same but for rounding" in capsys.readouterr().out


def test_what_is_no_bag(tmp_path: Path) -> None:
    with pytest.raises(BagRefused):
        verify(tmp_path)


# --- the demo season --------------------------------------------------------------------------------------------


def test_the_demo_season_recomputes_to_the_figures_on_its_site(
    demo: pipeline.Analysed, demo_site: Path
) -> None:
    """The two fixtures are two computations in one process; what verify compares, without the time for a bag."""
    from generator.evidence.results_comparison import compare

    assert DEMO.is_dir()
    compared = []
    for name, document in demo.documents.items():
        stored = json.loads((demo_site / "sessions" / name / "results.json").read_text(encoding="utf-8"))
        found = compare(stored, document)
        assert found.changes == ()
        compared.append(found.compared)
    assert min(compared) > 200  # a session of one calibration
    assert sum(compared) > 28_000
