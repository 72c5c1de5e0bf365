"""A season from somebody who means harm: every text field of every YAML file holds markup. All of it is invented.

The fields are found by walking the models, so that a new one is filled as well.
"""

from __future__ import annotations

import types
import typing
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, get_args, get_origin

import yaml
from annotated_types import MaxLen
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from generator.intake.calibrations import CalibrationRecord
from generator.intake.parts import PART_MODELS
from generator.intake.rig import Rig
from generator.intake.season import session_model
from generator.intake.session import SeasonFile
from generator.reduction.procedures import contracts
from tests.seasons import PARTS, RIG, SEASON, SESSION, log_text

PRODUCT = str(8191 * 8191)  # what a template would make of the sum below
MARKUP = (
    "<script>hostile()</script><img src=hostile.png onerror=hostile()><a href=javascript:hostile()>x</a>"
    "\"'><svg onload=hostile()></svg></title></style></textarea><!-- {{ 8191*8191 }} {% raw %} {# ]]> &lt;b&gt; \\ `x`"
)
# How a spreadsheet is made to calculate; a label begins with it.
FORMULA = '=HYPERLINK("hostile.example")'

# Text fields that are not free: they name a thing of the season or of the program.
NAMES = {
    "Rig.photo", "Motor.photo", "Controller.photo", "Propeller.photo", "Pack.photo", "Supply.photo",
    "Run.procedure", "Claim.response", "Session.primary", "Run.log", "FurtherLog.log", "CalibrationLog.log",
    "Channel.unit", "AlignedBy.channel", "AlignedBy.column",
    "AlignedBy.unit", "ReadAs.unit", "LogFormat.encoding", "LogFormat.comment",
    "Part.kind",
}  # fmt: skip

MORE_SESSION = """
pairs: [{treatment: b, against: c}]
corrections: [{date: 2031-06-01, what: x, why: x}]
cautions: [{signal: CAUTION, text: x}]
go_on_because: {temperature-over-limit: x}
"""
RECORD = """
rig: stand
channel: current
date: 2031-05-01
session: q
logs: [{log: logs/01.csv, sha256: "%s"}]
read_as: {column: i, unit: A}
loads: [x, y]
at: 2 A
offset: 0 A
gain: 1
from_scatter: {offset: 0.001 A, gain: 0.001, correlation: 0}
from_loads: {offset: 0.001 A, gain: 0.001, correlation: 0}
residual_standard_deviation: 0.001 A
degrees_of_freedom: 4
points:
  - {load: 0 A, reading: 0 A, way: up}
  - {load: 2 A, reading: 2 A, way: up}
  - {load: 4 A, reading: 4 A, way: up}
""" % ("0" * 64)


def documents() -> dict[str, tuple[type[BaseModel], dict[str, Any]]]:
    """Path of each YAML file of the season -> its model and its data, harmless so far."""
    session: dict[str, Any] = yaml.safe_load(SESSION)
    session["treatments"]["c"] = {**session["treatments"]["b"], "label": "C"}
    session |= yaml.safe_load(MORE_SESSION)
    session["runs"][0]["started"] = "14:02"  # plain YAML 1.1 makes a number of it
    session["runs"] += [
        {"log": "logs/05.csv", "procedure": "hold", "treatment": "c", "repeat": 1, "left_out": "x"},
        {"log": "logs/06.csv", "procedure": "hold", "treatment": "c", "repeat": 2},
        {"log": "logs/07.csv", "procedure": "hold", "treatment": "c", "repeat": 3},
    ]
    season: dict[str, Any] = yaml.safe_load(SEASON) | {"base_url": "https://bench.example/s"}
    rig: dict[str, Any] = yaml.safe_load(RIG)
    rig["channels"]["current"]["calibration"] = "ammeter"
    made: dict[str, tuple[type[BaseModel], dict[str, Any]]] = {
        "season.yaml": (SeasonFile, season),
        "q/session.yaml": (session_model(contracts()), session),
        "rigs/stand.yaml": (Rig, rig),
        "rigs/calibrations/ammeter.yaml": (CalibrationRecord, yaml.safe_load(RECORD)),
    }
    for name, text in PARTS.items():
        data: dict[str, Any] = yaml.safe_load(text)
        made[f"parts/{name}.yaml"] = (PART_MODELS[data["kind"]], data)
    return made


def _kinds(annotation: Any) -> Iterator[Any]:
    """The types an annotation can hold."""
    origin = get_origin(annotation)
    if origin in (typing.Union, types.UnionType):
        for inner in get_args(annotation):
            yield from _kinds(inner)
    elif hasattr(annotation, "__metadata__"):
        yield from _kinds(get_args(annotation)[0])
    elif origin in (tuple, list, dict):
        yield from _kinds([arg for arg in get_args(annotation) if arg is not Ellipsis][-1])
    else:
        yield annotation


def _free(info: FieldInfo) -> bool:
    """Whether a field takes any text: it may be a string, and no pattern limits it."""
    told = str(info.annotation) + str(info.metadata)
    return any(kind is str for kind in _kinds(info.annotation)) and "pattern=" not in told.replace(
        "pattern=None", ""
    )


def _longest(info: FieldInfo) -> int:
    """Most characters the field takes."""
    limits = [part.max_length for part in info.metadata if isinstance(part, MaxLen)]
    for kind in (info.annotation, *get_args(info.annotation)):
        for part in getattr(kind, "__metadata__", ()):
            limits += [m.max_length for m in getattr(part, "metadata", (part,)) if isinstance(m, MaxLen)]
    return min(limits, default=2000)


def models_of(model: type[BaseModel]) -> Iterator[type[BaseModel]]:
    """A model and all within it."""
    yield model
    for info in model.model_fields.values():
        for kind in _kinds(info.annotation):
            if isinstance(kind, type) and issubclass(kind, BaseModel):
                yield from models_of(kind)


def free_fields(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """YAML key -> field of a model that takes any text and names nothing."""
    return {
        info.alias or name: info
        for name, info in model.model_fields.items()
        if name not in ("id", "kind") and f"{model.__name__}.{name}" not in NAMES and _free(info)
    }


def poisoned(model: type[BaseModel], data: Mapping[str, Any], path: str, filled: set[str]) -> dict[str, Any]:
    """The data with markup in every free text field, also in those that were left out; `filled` gets their names."""
    made = dict(data)
    for key, info in free_fields(model).items():
        # what makes it unique comes first, since labels may not be the same, and long ones are cut in charts
        start = FORMULA if key == "label" else ""
        text = f"{start}{path.replace('/', '.')}.{key} {MARKUP}"[: _longest(info)]
        count = len(made[key]) if isinstance(made.get(key), list) else 0
        if isinstance(made.get(key), dict):
            made[key] = dict.fromkeys(made[key], text)
        else:
            made[key] = [text] * count if count else text
        filled.add(f"{model.__name__}.{key}")
    for name, info in model.model_fields.items():
        key = info.alias or name
        inner = next(
            (k for k in _kinds(info.annotation) if isinstance(k, type) and issubclass(k, BaseModel)), None
        )
        found = made.get(key)
        if inner is None or found is None:
            continue
        if isinstance(found, list):
            made[key] = [poisoned(inner, item, f"{path}.{key}{i}", filled) for i, item in enumerate(found)]
        elif key in ("treatments", "aircraft", "loggers", "further_logs"):
            made[key] = {
                name: poisoned(inner, item, f"{path}.{name}", filled) for name, item in found.items()
            }
        else:
            made[key] = poisoned(inner, found, f"{path}.{key}", filled)
    return made


# References and photos that are not there are refused with their line, which other tests hold.
PROSE = MARKUP.replace("{{ 8191*8191 }}", "").replace("<img", "<video")
CONCLUSION = f"""\
# Heading {PROSE}

{PROSE}

<p onclick="hostile()" style="background:url(hostile.png)">p</p>
[link](javascript:hostile()) [data](data:text/html,hostile) <javascript:hostile()> [v](vbscript:hostile)
[mixed](JaVa&#9;Script:hostile()) [ref]

[ref]: javascript:hostile() "title {FORMULA}"

A paragraph.
{{: onclick="hostile()" style="color:red" class="skip" id="content" }}

> quote
{{: onmouseover=hostile() }}

*[A]: <hostile onload=x>

Note.[^n]

[^n]: <iframe src="https://hostile.example/"></iframe><base href="https://hostile.example/">

<form action="https://hostile.example/"><input name=x><button formaction="javascript:hostile()">b</button></form>
<math><mtext></mtext><mglyph><style><video src=x onerror=hostile()></style></mglyph></math>
<object data="hostile.swf"></object><embed src="hostile.swf"><link rel=stylesheet href=hostile.css>
<meta http-equiv=refresh content="0;url=https://hostile.example/">

```
{PROSE}
```
"""


def write_hostile_season(folder: Path) -> tuple[Path, set[str]]:
    """Write the season; returns its folder and the names of the fields that hold markup."""
    filled: set[str] = set()
    for path, (model, data) in documents().items():
        file = folder / path
        file.parent.mkdir(parents=True, exist_ok=True)
        text = poisoned(model, data, path.removesuffix(".yaml"), filled)
        if path == "rigs/stand.yaml":
            # logs have these columns, whatever their names are
            names = {
                "time": "t",
                "throttle": "cmd",
                "speed": "n",
                "thrust": "f",
                "voltage": "u",
                "current": "i",
            }
            for place, channel in enumerate((*names, "motor_temperature")):
                text["channels"][channel]["column"] = (
                    f"{channel} {MARKUP}"[:150].replace(",", "") if place else "t"
                )
        if path == "rigs/calibrations/ammeter.yaml":
            text["read_as"]["column"] = f"current {MARKUP}"[:150].replace(",", "")
        file.write_text(
            yaml.safe_dump(text, allow_unicode=True, sort_keys=False, width=10**6), encoding="utf-8"
        )
    (folder / "q" / "logs").mkdir()
    (folder / "q" / "conclusion.md").write_text(CONCLUSION, encoding="utf-8")
    channels = yaml.safe_load((folder / "rigs" / "stand.yaml").read_text(encoding="utf-8"))["channels"]
    order = ("time", "throttle", "speed", "thrust", "voltage", "current", "motor_temperature")
    head = ",".join('"' + channels[name]["column"].replace('"', '""') + '"' for name in order)
    for number in range(1, 8):
        body = log_text(1.03 if number in (2, 3) else 1.0, number).partition("\n")[2]
        text = f"# {MARKUP}\n{head}\n{body}"
        (folder / "q" / "logs" / f"0{number}.csv").write_text(text, encoding="utf-8")
    return folder, filled
