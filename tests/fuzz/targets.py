"""What a fuzzer calls: bytes in; an exception where a property does not hold, else nothing."""

from __future__ import annotations

import functools
import math
import re
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import html5lib
import numpy as np
import yaml
from pydantic import BaseModel

from generator.intake.calibrations import CalibrationRecord
from generator.intake.logs import read_log
from generator.intake.parts import PART_MODELS
from generator.intake.problems import Problem, SeasonProblems
from generator.intake.quantities import DIMENSIONS, UnreadableQuantity, conversion, parse_quantity
from generator.intake.rig import Rig
from generator.intake.rig_units import channels_in_house_units
from generator.intake.season import session_model
from generator.intake.session import SeasonFile
from generator.intake.validation import validated
from generator.intake.yaml_source import read_yaml
from generator.publication.conclusion import conclusion_of
from generator.reduction.procedures import contracts
from tests.publication.site_season import Given, make_season

SLOW_S = 10.0  # of processor time; cases of a fuzzer are small
FORMATS: tuple[dict[str, Any], ...] = (
    {}, {"delimiter": ";", "decimal": ","}, {"no_header": True}, {"header_row": 2}, {"skip_rows": 1}, {"comment": "//"},
    {"encoding": "utf-16"}, {"delimiter": " "},
)  # fmt: skip
UNITS = (("s", "rpm", "gf"), ("clock", "rpm", "N"), ("ms", "Hz", "0.34 gf"))


@functools.cache
def scratch() -> Path:
    """A folder for the files of this process."""
    return Path(tempfile.mkdtemp(prefix="whirlbook-fuzz-"))


def _told(problems: list[Problem] | tuple[Problem, ...], *, some: bool = False) -> None:
    assert problems or not some
    for problem in problems:
        assert problem.what
        assert problem.remedy
        assert len(str(problem)) < 5000
        str(problem).encode("utf-8")


def fuzz_yaml(data: bytes) -> None:
    """A YAML file of each kind: the first byte says which."""
    models: tuple[type[BaseModel], ...] = (
        SeasonFile, session_model(contracts()), Rig, CalibrationRecord, *PART_MODELS.values(),
    )  # fmt: skip
    model = models[data[0] % len(models)] if data else SeasonFile
    file = scratch() / "case.yaml"
    file.write_bytes(data[1:])
    source, problems = read_yaml(file, "case.yaml")
    if source.data:
        needs_id = "id" in model.model_fields
        read = validated(source, model, problems, extra={"id": "x"} if needs_id else None)
        if isinstance(read, Rig) and not problems:
            channels_in_house_units(read, source, problems)
    _told(problems)
    if not problems:
        yaml.safe_dump(source.data, allow_unicode=True).encode("utf-8")


@functools.cache
def _rig(place: int, units: int) -> Rig:
    columns = zip(("time", "speed", "thrust"), ("t", "n", "f"), UNITS[units], strict=True)
    without_names = FORMATS[place].get("no_header", False)
    channels = {
        channel: {"column": f"#{number}" if without_names else name, "unit": unit}
        for number, (channel, name, unit) in enumerate(columns, start=1)
    }
    return Rig.model_validate({"id": "stand", "label": "Stand", "channels": channels, "log": FORMATS[place]})


def fuzz_log(data: bytes) -> None:
    """A log, whatever it is stored as: the first byte says what the rig states of it."""
    first = data[0] if data else 0
    file = scratch() / "case.csv"
    file.write_bytes(data[1:])
    try:
        log = read_log(
            file, shown="case.csv", path="case.csv", rig=_rig(first % len(FORMATS), first // 8 % len(UNITS)),
            pole_pairs=7, max_bytes=20_000_000,
        )  # fmt: skip
    except SeasonProblems as found:
        _told(found.problems, some=True)
        return
    assert log.rows == len(log.frame) > 0
    values = log.frame.to_numpy(dtype=np.float64)
    assert not np.isinf(values).any()
    seconds = log.frame["time_s"].to_numpy()
    assert np.isfinite(seconds).all()
    assert (np.diff(seconds) > 0.0).all()


def fuzz_quantity(data: bytes) -> None:
    """A value with its unit, and a unit alone, as every kind."""
    text = data.decode("utf-8", "replace")
    for kind in DIMENSIONS:
        for ask in (
            lambda kind=kind: parse_quantity(text, kind),
            lambda kind=kind: conversion(text, kind)(1.0),
        ):
            try:
                assert math.isfinite(ask())
            except UnreadableQuantity as refused:
                _told([Problem(file="x", what=refused.what, remedy=refused.remedy)])


@functools.cache
def _given() -> Given:
    return make_season(scratch() / "season", small=True)


ALLOWED = {
    "html", "head", "body", "a", "abbr", "b", "blockquote", "br", "caption", "cite", "code", "dd", "del", "dfn",
    "div", "dl", "dt", "em", "figcaption", "figure", "h1", "h2", "h3", "h4", "h5", "h6", "hr", "i", "img",
    "kbd", "li", "ol", "p", "pre", "q", "s", "small", "span", "strong", "sub", "sup", "table", "tbody", "td",
    "th", "thead", "tr", "ul", "var",
}  # fmt: skip


def fuzz_conclusion(data: bytes) -> None:
    """A conclusion: nothing comes out that acts, whatever was written."""
    given = _given()
    session, analysis = given.season.sessions[0], given.analyses[0]
    text = data.decode("utf-8", "replace")
    made = conclusion_of(session.model_copy(update={"conclusion": text}), analysis)
    _told(made.problems)
    for found in html5lib.parse(str(made.html), namespaceHTMLElements=False).iter():
        assert isinstance(found.tag, str), found.text
        assert found.tag in ALLOWED, found.tag
        for name, value in found.attrib.items():
            assert name in {
                "id", "class", "title", "lang", "href", "src", "alt", "width", "height", "colspan", "rowspan", "scope",
                "start", "loading", "role", "tabindex", "aria-label",
            }, name  # fmt: skip
            if name == "id":
                assert value.startswith("conclusion-"), value
            if name == "href":
                # as a browser reads it: blanks before it, line ends and tabs in it do not count
                plain = re.sub(r"^[\x00-\x20]+|[\t\r\n]", "", value)
                scheme = re.match(r"[a-z][a-z0-9+.-]*:", plain, re.IGNORECASE)
                assert scheme is None or scheme.group().lower() in ("http:", "https:", "mailto:"), value


TARGETS: dict[str, Callable[[bytes], None]] = {
    "yaml": fuzz_yaml,
    "log": fuzz_log,
    "quantity": fuzz_quantity,
    "conclusion": fuzz_conclusion,
}


def bounded(target: Callable[[bytes], None], data: bytes) -> None:
    """One case, which must end soon."""
    began = time.process_time()
    target(data)
    took = time.process_time() - began
    assert took < SLOW_S, f"{took:.1f} s for {len(data)} bytes"
