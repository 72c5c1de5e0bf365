"""An invented season with its analyses and logs on disk, for the tests of pages. No number here was measured."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from generator.evidence.records import SessionAnalysis
from generator.intake.parts import PART_MODELS, AnyPart
from generator.intake.rig import Rig
from generator.intake.session import Season, SeasonFile, Session, SessionFile
from generator.publication.site import SiteReport, write_site
from tests.factories import LABELS, TREATMENTS, make_analysis

ROOT = Path(__file__).resolve().parents[2]
NOTICE = "All data are invented. No part, person or number here exists."

CONCLUSION = """\
# What I would do

At the same speed the fifth cell costs {{ difference("electrical_power", "five-cell", speed_rpm=16000) }} power
({{ interval("electrical_power", "five-cell", speed_rpm=16000) }}), that is
{{ relative("electrical_power", "five-cell", speed_rpm=16000) }} than four cells,
which draw {{ value("electrical_power", "four-cell", speed_rpm=16000) }}.[^heat]

## In short

| Question | Verdict |
| --- | --- |
| Power | {{ verdict("electrical_power", "five-cell", speed_rpm=16000) }} |
| Thrust | {{ verdict("thrust", "five-cell", speed_rpm=16000) }} |

{{ sentence("rise_time", "five-cell", speed_rpm=16000) }} See [the runs](#runs-table) or
[the method](../../method.html).

[^heat]: The rise of the motor is {{ verdict("temperature_rise", "five-cell") }}.
"""

PARTS: Mapping[str, Mapping[str, Any]] = {
    "heron": {
        "kind": "motor",
        "label": "Heron 1806",
        "kv": "1750 rpm/V",
        "pole_pairs": 7,
        "mass": "32 g",
        "terminal_resistance": "88 mohm",
        "rated_cells": 4,
        "thermal_class": "F",
        "temperature_limit": "110 degC",
    },
    "drive": {
        "kind": "controller",
        "label": "Drive 35",
        "continuous_current": "35 A",
        "switching_frequency": "48 kHz",
    },
    "tri": {"kind": "propeller", "label": "Tri 5.1", "diameter": "5.1 in", "pitch": "4.2 in", "blades": 3},
    "bench": {"kind": "supply", "label": "Bench supply", "voltage": "30 V", "current_limit": "40 A"},
    "index": {"kind": "pack", "label": "Index pack", "cells": 4, "capacity": "1300 mAh", "notes": "Unused."},
}

RIG: Mapping[str, Any] = {
    "id": "loft",
    "label": "Loft stand",
    "about": "An invented stand.",
    "channels": {
        "time": {"column": "t", "unit": "s"},
        "throttle": {"column": "cmd", "idle": 1000, "full": 2000},
        "speed": {"column": "n", "unit": "rpm", "gain_uncertainty": "0.05 %", "calibrated": "2031-03-14"},
        "thrust": {"column": "F", "unit": "gf", "gain_uncertainty": "0.5 %", "lag": "12 ms"},
        "voltage": {"column": "U", "unit": "V"},
        "current": {"column": "I", "unit": "A"},
    },
    "wiring": {"resistance": "8.5 mohm"},
    "check_standard": "The invented reference set-up.",
}


class HoldPlan(BaseModel):
    """Stands in for a procedure's plan."""

    model_config = ConfigDict(frozen=True)
    speed_rpm: tuple[float, ...] = Field((9000.0, 16000.0), alias="speed")
    settle_s: float = Field(1.0, alias="settle")


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """What `write_site` is given. `season.folder` lies in the test's own folder."""

    season: Season
    analyses: tuple[SessionAnalysis, ...]
    log_files: Mapping[tuple[str, str], Path]

    def write(self, out: Path, **changes: Any) -> SiteReport:
        """Write the site."""
        options: dict[str, Any] = {
            "version": "0.0-test",
            "results": {a.session_id: {"session": a.session_id} for a in self.analyses},
            "log_files": self.log_files,
            "layout_folders": (ROOT / "layouts",),
            "content_folders": (ROOT / "content",),
        }
        return write_site(self.season, self.analyses, out, **{**options, **changes})


def make_session(
    session_id: str, date: str, *, treatments: Sequence[str], conclusion: str | None, **changes: Any
) -> Session:
    """One invented session."""
    file = {
        "title": "Does a fifth cell behind an output cap cost anything?",
        "question": "At the same propeller speed, does it draw more power or run hotter?",
        "date": date,
        "rig": "loft",
        "air": {"temperature": "18.4 degC", "pressure": "1004 hPa", "humidity": "46 %"},
        "baseline": "four-cell",
        "treatments": {
            name: {
                "label": LABELS[name],
                "motor": "heron",
                "controller": "drive",
                "propeller": "tri",
                "supply": "bench",
                "cells": 4 + place,
                "volts_per_cell": "4.0 V",
                "output_cap": f"{100 - 20 * min(place, 1)} %",
            }
            for place, name in enumerate(treatments)
        },
        "primary": ["electrical_power"],
        "matters": {"electrical_power": "2 %"},
        "procedures": {},
        "cautions": [{"signal": "CAUTION", "text": "The room was closed; hearing protection was worn."}],
        "tester": "Invented tester",
        **changes,
    }
    return Session.model_construct(
        id=session_id,
        file=SessionFile.model_validate(file),
        plans={"hold": HoldPlan.model_validate({"speed": (9000.0, 16000.0), "settle": 1.0})},
        margins={},
        rig=Rig.model_validate(RIG),
        conclusion=conclusion,
        conclusion_path=f"season/{session_id}/conclusion.md",
        photos=("stand.png",),
    )


def make_season(
    folder: Path,
    *,
    repeats: int = 2,
    conclusion: str | None = CONCLUSION,
    small: bool = False,
    kept: Collection[int] | None = None,
    session: Mapping[str, Any] | None = None,
    season: Mapping[str, Any] | None = None,
) -> Given:
    """A season with one session (small) or three, and a log for every run.

    kept       places in the order of the runs to keep, so that a test that looks at other things is quick
    session    changes to the first session's file
    season     changes to the season's file
    """
    sessions = [
        make_session("cells", "2031-05-04", treatments=TREATMENTS, conclusion=conclusion, **(session or {}))
    ]
    analyses = [make_analysis(repeats=repeats)]
    if not small:
        sessions.append(
            make_session(
                "rehearsed",
                "2031-04-02",
                treatments=TREATMENTS[:2],
                conclusion=None,
                title="What would a rehearsal say?",
            )
        )
        analyses.append(
            make_analysis(treatments=TREATMENTS[:2], repeats=1, session_id="rehearsed", simulated=True)
        )
    folder.mkdir(parents=True, exist_ok=True)
    logs: dict[tuple[str, str], Path] = {}
    made = []
    for analysis in analyses:
        runs = []
        for run in [run for run in analysis.runs if kept is None or run.order in kept]:
            content = f"# invented log of {analysis.session_id}/{run.run_id}\nt,n\n0,0\n".encode()
            file = folder / analysis.session_id / run.log
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_bytes(content)
            logs[analysis.session_id, run.log] = file
            runs.append(replace(run, sha256=hashlib.sha256(content).hexdigest()))
        made.append(_only(replace(analysis, runs=tuple(runs)), {run.run_id for run in runs}))
    file = SeasonFile.model_validate(
        {
            "title": "An invented season",
            "about": "What cells, caps and propellers cost.",
            "notice": NOTICE,
            "author": "An invented club",
            "licence": "CC BY 4.0",
            **(season or {}),
        }
    )
    parts: dict[str, AnyPart] = {
        name: PART_MODELS[str(part["kind"])].model_validate({"id": name, **part})  # type: ignore[misc]
        for name, part in PARTS.items()
    }
    record = Season.model_construct(
        folder=str(folder),
        file=file,
        rigs={"loft": Rig.model_validate(RIG)},
        parts=parts,
        sessions=tuple(sorted(sessions, key=lambda s: (s.file.date, s.id))),
    )
    return Given(season=record, analyses=tuple(made), log_files=logs)


def _only(analysis: SessionAnalysis, run_ids: set[str]) -> SessionAnalysis:
    """The analysis with values of these runs alone, so that no page points at a run that has none."""
    responses = tuple(
        replace(summary, per_run=tuple(run for run in summary.per_run if run.run_id in run_ids))
        for summary in analysis.responses
    )
    with_steps = any(run.steps for run in analysis.runs)
    return replace(analysis, responses=responses, curves=analysis.curves if with_steps else ())
