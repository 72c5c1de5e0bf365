"""Seasons from somebody who means harm, or that broke on the way: each fault is a plain problem, soon told."""

from __future__ import annotations

import io
import json
import os
import random
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from generator.cli import main
from generator.intake.quantities import DIMENSIONS, UnreadableQuantity, conversion, parse_quantity
from generator.intake.session import DisplayUnits
from generator.intake.yaml_source import read_yaml
from generator.publication.photos import PhotoRefused, published, read_photo
from generator.publication.rendering import markdown_html
from generator.publication.sandbox import POLICY
from generator.publication.units import choice_of, in_units
from tests.hostile_bombs import PROSE_BOMBS, YAML_BOMBS
from tests.seasons import write_season

ROOT = Path(__file__).resolve().parents[1]
Change = Callable[[Path], object]


@pytest.fixture
def season(tmp_path: Path) -> Path:
    return write_season(tmp_path / "season")


def told(season: Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, str]:
    """Exit code of `check` and all it says, which takes no longer than a person waits."""
    began = time.monotonic()
    code = main(["check", str(season)])
    assert time.monotonic() - began < 10.0
    said = "".join(capsys.readouterr())
    assert "Traceback" not in said
    return code, said


def written(file: str, old: str, new: str) -> Change:
    def change(season: Path) -> None:
        text = (season / file).read_text(encoding="utf-8")
        assert old in text
        (season / file).write_text(text.replace(old, new, 1), encoding="utf-8")

    return change


# --- bombs --------------------------------------------------------------------------------------------------


@pytest.mark.skipif(sys.platform == "win32", reason="limits of a process are set by `resource`")
def test_bombs_are_told_within_bounds_of_memory_and_time(tmp_path: Path) -> None:
    """3 GB of address space and 120 s for all of them together, in a process of its own; 5 s for each."""
    command = [sys.executable, "-m", "tests.hostile_bombs", str(tmp_path)]
    run = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr[-2000:]
    ends = [json.loads(line) for line in run.stdout.splitlines()]
    assert len(ends) == len(YAML_BOMBS) + len(PROSE_BOMBS) + 12
    for end in ends:
        assert not end["said"].startswith("!"), end
        assert end["said"] != "read", end
        assert end["seconds"] < 5.0, end


def test_a_text_just_within_its_bounds_takes_seconds() -> None:
    """The dearest we know within the limits of `rendering`: four paragraphs full of brackets that never close."""
    began = time.process_time()
    markdown_html("\n\n".join(["[" * 499 + "word " * 3800] * 4))
    assert time.process_time() - began < 20.0


# --- links, devices, names ----------------------------------------------------------------------------------


def linked(file: str, target: str) -> Change:
    def change(season: Path) -> None:
        (season / file).unlink(missing_ok=True)
        (season / file).parent.mkdir(parents=True, exist_ok=True)
        (season / file).symlink_to(target)

    return change


def made_fifo(file: str) -> Change:
    def change(season: Path) -> None:
        (season / file).unlink(missing_ok=True)
        (season / file).parent.mkdir(parents=True, exist_ok=True)
        os.mkfifo(season / file)

    return change


READ = (
    "season.yaml", "rigs/stand.yaml", "rigs/calibrations/x.yaml", "parts/reed.yaml", "q/session.yaml",
    "q/conclusion.md", "q/logs/02.csv", "layouts/page.html", "layouts/assets/page.js",
    "content/method.md", "content/cautions/guard.md",
    "shared/thresholds.yaml",
)  # fmt: skip


@pytest.mark.skipif(sys.platform == "win32", reason="no such files there")
@pytest.mark.parametrize("file", READ)
@pytest.mark.parametrize(
    "change",
    [
        lambda file: linked(file, "/etc/passwd"),
        lambda file: linked(file, "/dev/zero"),
        lambda file: linked(file, "../../../outside"),
        lambda file: linked(file, Path(file).name),
        made_fifo,
    ],
    ids=["file outside", "device", "nothing outside", "itself", "pipe"],
)
def test_links_out_of_the_season_and_devices_are_told(
    season: Path, capsys: pytest.CaptureFixture[str], file: str, change: Callable[[str], Change]
) -> None:
    change(file)(season)
    code, said = told(season, capsys)
    assert file.split("/")[-1] in said
    assert code == 1 or "is missing" in said  # a conclusion that is not there is only doubtful
    assert "root:" not in said
    assert main(["build", str(season), "--out", str(season.parent / "site")]) == code or code == 0


def test_a_link_inside_the_season_is_followed(season: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (season / "parts" / "reed.yaml").rename(season / "q" / "reed.yaml")
    (season / "parts" / "reed.yaml").symlink_to("../q/reed.yaml")
    assert told(season, capsys)[0] == 0


@pytest.mark.parametrize(
    ("log", "says"),
    [
        ("/etc/passwd", "leads out"),
        ("../q/logs/02.csv", "leads out"),
        ("logs/../../x.csv", "leads out"),
        ("~/x.csv", "leads out"),
        ("file:///etc/passwd", "leads out"),
        ("logs\\x.csv", "leads out"),
        (f"logs/{'a' * 250}.csv", "more than 200 bytes"),
        ('"logs/a\\nb.csv"', "U+000A"),
        ('"logs/a\\0b.csv"', "U+0000"),
        ('"logs/\\u202e02.csv"', "U+202E"),
        ("logs/<b>.csv", "U+003C"),
        ("logs", "not a plain file"),
        (".", "not a plain file"),
    ],
)
def test_a_log_lies_in_its_session(
    season: Path, capsys: pytest.CaptureFixture[str], log: str, says: str
) -> None:
    written("q/session.yaml", "logs/02.csv", log)(season)
    code, said = told(season, capsys)
    assert (code, says in said) == (1, True), said
    assert "session.yaml:16" in said


@pytest.mark.parametrize("name", ["../x.jpg", "/etc/passwd", "a\\0.jpg", "x" * 1900, "..", "a/b.jpg"])
@pytest.mark.parametrize("file", ["parts/reed.yaml", "rigs/stand.yaml"])
def test_a_photo_lies_beside_its_file(
    season: Path, capsys: pytest.CaptureFixture[str], file: str, name: str
) -> None:
    written(file, "label:", f'photo: "{name}"\nlabel:')(season)
    assert main(["build", str(season), "--out", str(season.parent / "site")]) == 1
    said = "".join(capsys.readouterr())
    assert "photo" in said
    assert not (season.parent / "site").exists()


@pytest.mark.skipif(sys.platform != "linux", reason="other systems take fewer names")
@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("<script>", "U+003C"), ('a"b', "U+0022"), ("a\nb", "U+000A"), ("a\u202eb", "U+202E"), ("a\x1b[2Jb", "U+001B"),
        ("a\u200bb", "U+200B"), (os.fsdecode(b"a\xffb"), "U+DCFF"), ("Q", "letters large and small"), ("-x", "hyphen"),
        ("x" * 200, "100 bytes"), ("a:b", "U+003A"),
    ],
)  # fmt: skip
def test_names_of_sessions_hide_nothing(
    season: Path, capsys: pytest.CaptureFixture[str], name: str, says: str
) -> None:
    (season / name).mkdir()
    (season / name / "session.yaml").write_text("title: x\n", encoding="utf-8")
    code, said = told(season, capsys)
    assert (code, says in said) == (1, True), said
    assert not any(mark in said for mark in "\x1b\u202e")


def test_names_that_are_composed_differently_are_one(
    season: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("caf\u00e9", "cafe\u0301"):
        (season / name).mkdir()
        (season / name / "session.yaml").write_text("title: x\n", encoding="utf-8")
    assert "has the same name as" in told(season, capsys)[1]


def test_labels_that_look_the_same_are_told(season: Path, capsys: pytest.CaptureFixture[str]) -> None:
    written("q/session.yaml", "label: A,", 'label: "B\\u200b",')(season)
    code, said = told(season, capsys)
    assert (code, "is also the label of a" in said) == (1, True)


# --- values -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("a: .inf", 1), ("a: .nan", 1), ("a: 1.0e+400", 1), ("x: 1\na: [1, 1.0e+30]", 2), ("a: 1.0e-300", 1),
        ("a: !!binary aGVsbG8=", 1), ("a: !!python/object/apply:os.system ['id']", 1), ("a: !!int [1]", 1),
        ("a: !!python/name:os.system ''", 1), ('x: 1\na: "\\e[2J"', 2), ('"\\u202ea": 1', 1), ("a: 1\na: 2", 2),
    ],
)  # fmt: skip
def test_yaml_values_that_are_none(tmp_path: Path, text: str, line: int) -> None:
    (tmp_path / "x.yaml").write_text(text, encoding="utf-8")
    source, problems = read_yaml(tmp_path / "x.yaml", "x.yaml")
    assert [problem.line for problem in problems] == [line]
    assert not any(mark in repr(source.data) for mark in ("\x1b", "\u202e"))


@pytest.mark.parametrize(
    "value",
    [
        "!!int ''", "!!bool maybe", "!!timestamp soon", "0x" + "f" * 5000, "9" * 5000, "0b" + "1" * 9000, "1:59:59",
        "2001-99-99", "2001-01-01 00:00:00 +99:99", "1" + ":59" * 3000 + ".5",
    ],
)  # fmt: skip
def test_yaml_values_that_python_cannot_make_stay_text(tmp_path: Path, value: str) -> None:
    (tmp_path / "x.yaml").write_text(f"a: {value}\n", encoding="utf-8")
    source, problems = read_yaml(tmp_path / "x.yaml", "x.yaml")
    assert isinstance(source.data["a"], str)
    assert not problems
    str(source.data)


@pytest.mark.parametrize(
    "unit",
    [
        "m**9**9**9",
        "V^9^9^9",
        "V*9**9**9",
        "m**(9**9)",
        "m**99",
        "m**1000000",
        "V**-99",
        "V**2.5",
        "(V**9)**9",
        "V**",
    ],
)
def test_powers_of_units_are_bounded(unit: str) -> None:
    for kind in ("voltage", "inertia"):
        for ask in (
            lambda kind=kind: parse_quantity(f"1 {unit}", kind),
            lambda kind=kind: conversion(unit, kind),
        ):
            began = time.process_time()
            with pytest.raises(UnreadableQuantity):
                ask()
            assert time.process_time() - began < 2.0


@given(
    st.text(st.sampled_from("*^()/. -0123456789eEVmkgsArpµΩ°%·²³"), max_size=40),
    st.sampled_from(sorted(DIMENSIONS)),
)
@settings(deadline=3000, max_examples=200)
def test_any_expression_of_units_is_soon_read_or_refused(unit: str, kind: str) -> None:
    told = ""
    try:
        read = conversion(unit, kind)(1.0)
    except UnreadableQuantity as refusal:
        read, told = 1.0, refusal.what and refusal.remedy
    assert bool(told) or abs(read) < 1e40


@pytest.mark.parametrize(
    ("file", "old", "new", "says"),
    [
        ("q/session.yaml", "20 degC", "1e300 K", "air.temperature"),
        ("q/session.yaml", "20 degC", "400 K", "is 126.85 °C; air at a bench has -50 to 70 °C."),
        ("q/session.yaml", "1004 hPa", "1004 Pa", "is 10.04 hPa; air at a bench has 300 to 1200 hPa."),
        ("q/session.yaml", "window: 1 s", "window: 1e-300 s", "procedures.hold.window"),
        ("q/session.yaml", "[9000 rpm]", "[1e300 rpm]", "procedures.hold.speed"),
        (
            "q/session.yaml",
            "[9000 rpm]",
            f"[{', '.join(f'{n} rpm' for n in range(1000))}]",
            "procedures.hold.speed",
        ),
        ("q/session.yaml", "2 %", "1e300 %", "matters.electrical_power"),
        ("q/session.yaml", "repeat: 1", "repeat: 1000000000", "runs[1].repeat"),
        ("rigs/stand.yaml", "8 mohm", "1e300 ohm", "wiring.resistance"),
        ("rigs/stand.yaml", "0.3 %", "1e300 %", "gain_uncertainty"),
        ("rigs/stand.yaml", "unit: gf", 'unit: "1e-300 gf"', "channels.thrust.unit"),
        ("rigs/stand.yaml", "unit: gf", "unit: gf**9**9**9", "channels.thrust.unit"),
        ("rigs/stand.yaml", "idle: 1000", "idle: .nan", "channels.throttle.idle"),
        ("rigs/stand.yaml", "wiring:", "log: {encoding: punycode}\nwiring:", "encoding 'punycode'"),
        ("parts/reed.yaml", "1750 rpm/V", "1e-300 rpm/V", "kv"),
        ("parts/reed.yaml", "kind: motor", "kind: [motor]", "kind"),
        ("parts/reed.yaml", "pole_pairs: 7", f"pole_pairs: 0x{'f' * 5000}", "pole_pairs"),
        ("parts/leaf.yaml", "5.1 in", "1e300 m", "diameter"),
    ],
)
def test_absurd_values_are_told_with_their_key(
    season: Path, capsys: pytest.CaptureFixture[str], file: str, old: str, new: str, says: str
) -> None:
    written(file, old, new)(season)
    code, said = told(season, capsys)
    assert (code, says in said) == (1, True), said
    assert len(said) < 8000


@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        ("q/session.yaml", "window: 1 s", "window: 1e-12 s"),
        ("q/session.yaml", "window: 1 s", "window: 1e12 s"),
        ("q/session.yaml", "settle: 0.5 s", "settle: 1e12 s"),
        ("q/session.yaml", "[9000 rpm]", "[9000 rpm, 9000.0000001 rpm]"),
        ("q/session.yaml", "2031-05-04", "0001-01-01"),
        ("q/session.yaml", "2031-05-04", "9999-12-31"),
        ("rigs/stand.yaml", "resolution: 0.1 gf", "calibrated: 9999-12-31, calibration_interval: 365 day"),
        ("rigs/stand.yaml", "resolution: 0.1 gf", "calibrated: 2030-01-01, calibration_interval: 1e12 s"),
    ],
)
def test_odd_values_within_reason_end(
    season: Path, capsys: pytest.CaptureFixture[str], file: str, old: str, new: str
) -> None:
    written(file, old, new)(season)
    told(season, capsys)


# --- logs ---------------------------------------------------------------------------------------------------


def with_times(change: Callable[[int, float], float]) -> Change:
    def changed(season: Path) -> None:
        file = season / "q" / "logs" / "02.csv"
        head, *rows = file.read_text(encoding="utf-8").splitlines()
        cells = [row.split(",") for row in rows]
        made = [",".join([repr(change(k, float(row[0]))), *row[1:]]) for k, row in enumerate(cells)]
        file.write_text("\n".join([head, *made, ""]), encoding="utf-8")

    return changed


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda k, t: 1.0, "repeats"),
        (lambda k, t: 8.0 - t, "goes back"),
        (lambda k, t: t * 1e300, "the log lasts"),
        (lambda k, t: t * 1e7, "the log lasts"),
        (lambda k, t: t + 1e18, "repeats"),
        (lambda k, t: t * 1e-300, "a sample every"),
        (lambda k, t: t + (1e12 if k > 200 else 0.0), "the log lasts"),
    ],
    ids=["one instant", "backwards", "ages", "months", "far away", "no time", "a gap of ages"],
)
def test_absurd_times_are_told(
    season: Path, capsys: pytest.CaptureFixture[str], change: Callable[[int, float], float], says: str
) -> None:
    with_times(change)(season)
    code, said = told(season, capsys)
    assert (code, says in said) == (1, True), said


@pytest.mark.parametrize("factor", [1e5, 1e-6])
def test_slow_and_fast_logs_are_read(season: Path, capsys: pytest.CaptureFixture[str], factor: float) -> None:
    with_times(lambda k, t: t * factor)(season)
    assert told(season, capsys)[0] != 1


CELLS = (
    "1e308",
    "1e999",
    "inf",
    "-inf",
    "5e-324",
    "-0.0",
    "1e15",
    "-1e15",
    "nan",
    "",
    "0",
    "1e-15",
    "9" * 400,
)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 399), st.integers(1, 6), st.sampled_from(CELLS), st.integers(1, 400)),
        min_size=1,
        max_size=6,
    )
)
def test_any_numbers_in_a_log_end_as_results_or_problems(
    tmp_path_factory: pytest.TempPathFactory, spoilt: list[tuple[int, int, str, int]]
) -> None:
    season = write_season(tmp_path_factory.mktemp("spoilt") / "season")
    file = season / "q" / "logs" / "02.csv"
    head, *rows = file.read_text(encoding="utf-8").splitlines()
    cells = [row.split(",") for row in rows]
    for first, column, cell, count in spoilt:
        for row in cells[first : first + count]:
            row[column] = cell
    file.write_text("\n".join([head, *map(",".join, cells), ""]), encoding="utf-8")
    assert main(["check", str(season)]) in (0, 1, 5)


SPOILT = (  # (rows, column, cell): each of them once ended in an error of the program
    [((0, 400), 5, "1e-300")],
    [((100, 300), 4, "1e-200"), ((100, 300), 5, "1e-200")],
    [((0, 400), 3, "1e15"), ((0, 400), 5, "1e-15")],
    [((100, 300), 4, "1e-15"), ((100, 300), 5, "1e-15"), ((100, 300), 3, "1e15")],
    [((0, 400), 6, "-1e15")],
    [((0, 400), 2, "0")],
)


@pytest.mark.parametrize("spoilt", SPOILT)
def test_sites_of_absurd_numbers_are_made(
    season: Path, capsys: pytest.CaptureFixture[str], spoilt: list[tuple[tuple[int, int], int, str]]
) -> None:
    for number in range(1, 5):
        file = season / "q" / "logs" / f"0{number}.csv"
        head, *rows = file.read_text(encoding="utf-8").splitlines()
        cells = [row.split(",") for row in rows]
        for (first, last), column, cell in spoilt:
            for row in cells[first:last]:
                row[column] = cell
        file.write_text("\n".join([head, *map(",".join, cells), ""]), encoding="utf-8")
    assert main(["build", str(season), "--out", str(season.parent / "site")]) == 0
    capsys.readouterr()


def test_an_aircraft_with_a_pack_that_is_not_there_is_told(
    season: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    written("season.yaml", "motors: 4, pack: pond-4s", "motors: 4, pack: nothing")(season)
    code, said = told(season, capsys)
    assert (code, "'nothing' is not a pack of parts/" in said) == (1, True)
    assert main(["build", str(season), "--out", str(season.parent / "site")]) == 1


def test_numbers_of_any_length_are_shown_in_other_units() -> None:
    choice = choice_of(DisplayUnits(thrust="N"))
    digits = "1" + "\u202f000" * 40  # thin blanks between thousands, as pages write them
    assert in_units(f"{digits}\u00a0gf", choice).endswith("\u00a0N")


# --- photos -------------------------------------------------------------------------------------------------


def test_damaged_photos_are_refused_and_never_more(tmp_path: Path) -> None:
    """2000 photos with a few bytes changed, cut, or doubled; most of the damage lies in what the camera wrote."""
    draw, sources = random.Random(1), []
    for kind, mode in (("JPEG", "RGB"), ("JPEG", "CMYK"), ("PNG", "RGBA"), ("PNG", "P"), ("WEBP", "RGB")):
        exif, out = Image.Exif(), io.BytesIO()
        exif[0x0112] = 6
        exif[0x8825] = {1: "N", 2: (1.0, 2.0, 3.0)}
        Image.new("RGB", (40, 30), (200, 30, 9)).convert(mode).save(out, kind, exif=exif)
        sources.append(out.getvalue())
    file, refused = tmp_path / "photo.jpg", []
    for _ in range(2000):
        content = bytearray(draw.choice(sources))
        for _ in range(draw.choice((1, 2, 5))):
            content[draw.randrange(len(content))] = draw.randrange(256)
        if draw.random() < 0.2:
            del content[draw.randrange(len(content)) :]
        file.write_bytes(content)
        try:
            made = published(read_photo(file))
        except PhotoRefused as fault:
            refused.append(fault)
        else:
            with Image.open(io.BytesIO(made)) as image:
                assert dict(image.getexif()) == {}
    assert 0 < len(refused) < 2000
    assert all(fault.what and fault.remedy for fault in refused)


# --- layouts of the season's own ----------------------------------------------------------------------------

ESCAPES = (
    "{{ ''.__class__.__mro__ }}", "{{ page.__init__.__globals__ }}", "{{ frame|attr('__class__') }}",
    "{{ self.__init__ }}", "{{ cycler.__init__.__globals__.os }}", "{{ lipsum(n=99999) }}", "{{ namespace().x }}",
    "{{ frame.title.format(1) }}", "{{ 'a' * 99999999 }}", "{{ [0] * 99999999 }}", "{{ 9 ** 9 ** 9 }}",
    "{{ '%999999999d' % 1 }}", "{{ 'a'|center(999999999) }}", "{{ 'a'.ljust(999999999) }}", "{{ range(99999999) }}",
    "{% for a in range(9999) %}{% for b in range(9999) %}{% endfor %}{% endfor %}",
    "{% macro f(n) %}{{ f(n) }}{{ f(n) }}{% endmacro %}{{ f(1) }}", "{% include '../../season.yaml' %}",
    "{% include '/etc/passwd' %}", "{% extends 'nothing.html' %}", "{{ frame.nothing }}", "{{ 1 / 0 }}", "{% for %}",
    "{{ frame.title.encode() }}", "{{ dict.fromkeys([1]).clear() }}", "{{ page.path.replace('a', 'b') }}",
)  # fmt: skip


@pytest.mark.parametrize("escape", ESCAPES)
def test_layouts_of_a_season_see_their_page_and_nothing_else(
    season: Path, capsys: pytest.CaptureFixture[str], escape: str, plain_charts: None
) -> None:
    (season / "layouts").mkdir()
    (season / "layouts" / "text.html").write_text(f"<!doctype html>\n\n{escape}\n", encoding="utf-8")
    began = time.monotonic()
    code = main(["build", str(season), "--out", str(season.parent / "site")])
    assert time.monotonic() - began < 40.0
    said = "".join(capsys.readouterr())
    assert "Traceback" not in said
    assert code == 1
    assert "text.html" in said or "nothing.html" in said or "passwd" in said or "season.yaml" in said
    assert not (season.parent / "site").exists()


def test_pages_of_a_seasons_own_layout_carry_the_policy(
    season: Path, capsys: pytest.CaptureFixture[str], plain_charts: None
) -> None:
    (season / "layouts").mkdir()
    own = "<script>hostile()</script><!doctype html><title>{{ page.title }}</title>{{ page.html }}"
    (season / "layouts" / "text.html").write_text(own, encoding="utf-8")
    assert main(["build", str(season), "--out", str(season.parent / "site")]) == 0
    policy = f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">'
    page = (season.parent / "site" / "method.html").read_text(encoding="utf-8")
    assert page.lstrip().startswith(policy)
    assert page.index(policy) < page.index("<script>")
    front = (season.parent / "site" / "index.html").read_text(encoding="utf-8")
    assert front.startswith("<!doctype html>\n" + policy)
    capsys.readouterr()


def test_a_layout_may_use_what_ours_use(
    season: Path, capsys: pytest.CaptureFixture[str], plain_charts: None
) -> None:
    """All of our own layouts run in the sandbox, with the same pages but for the policy that stands there twice."""
    assert main(["build", str(season), "--out", str(season.parent / "ours")]) == 0
    (season / "layouts").mkdir()
    (season / "layouts" / "unused.html").write_text("x", encoding="utf-8")
    assert main(["build", str(season), "--out", str(season.parent / "theirs")]) == 0
    capsys.readouterr()
    policy = f'\n<meta http-equiv="Content-Security-Policy" content="{POLICY}">'
    pages = sorted((season.parent / "ours").rglob("*.html"))
    assert len(pages) > 20
    for page in pages:
        other = season.parent / "theirs" / page.relative_to(season.parent / "ours")
        assert other.read_text(encoding="utf-8").replace(policy, "", 1) == page.read_text(encoding="utf-8")


@pytest.fixture
def plain_charts(monkeypatch: pytest.MonkeyPatch) -> None:
    """An empty picture in the place of each chart."""

    def empty(name: str, spec: Any, title: str) -> str:
        return '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 1 1"><title>x</title></svg>'

    monkeypatch.setattr("generator.publication.figure_blocks.render_svg", empty)
