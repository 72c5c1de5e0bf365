"""What `check` tells: records, their document for machines, and its JSON Schema."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

from generator import __version__
from generator.evidence.schema_words import COUNT, FLAG, ID, TEXT, Schema, list_of, object_of, or_null

FORMAT = "whirlbook-check/1"
Severity = Literal["error", "repeat", "doubtful", "noted"]
SEVERITIES: tuple[Severity, ...] = ("error", "repeat", "doubtful", "noted")


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckRecord:
    """One thing that is wrong or doubtful.

    severity  "error": `build` refuses it; "repeat": make this run again while the stand is still set up; "doubtful":
              somebody should look; "noted": handled, or not due yet
    kind      what it is, for machines: kind of a finding, id of a check, "input", "site", "still to come"
    check     id of the check in results.json that tells the same, or ""
    session   id of the session it is in, or ""
    run       id of the run it is about, or ""
    file      path as the user would type it; line is 1-based, or None where the file as a whole is meant
    key       dotted key or house column, or ""
    what      what is wrong
    remedy    what to do
    weakens   keys of the contrasts whose verdicts it weakens, as in results.json
    """

    severity: Severity
    kind: str
    check: str = ""
    session: str = ""
    run: str = ""
    file: str
    line: int | None = None
    key: str = ""
    what: str
    remedy: str
    weakens: tuple[str, ...] = ()

    def __str__(self) -> str:
        place = self.file if self.line is None else f"{self.file}:{self.line}"
        key = f" {self.key}:" if self.key else ""
        return f"{place}:{key} {self.what}\n    {self.remedy}"


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionState:
    """How far a session is. runs, to_come: ids, in the order of the list; judged: whether its verdicts were asked."""

    session: str
    runs: tuple[str, ...]
    to_come: tuple[str, ...]
    judged: bool

    @property
    def begun(self) -> bool:
        """Whether at least one run is there."""
        return len(self.runs) > len(self.to_come)


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckReport:
    """Everything `check` found, sessions and records in the order of the season."""

    season: str
    sessions: tuple[SessionState, ...]
    records: tuple[CheckRecord, ...]

    def count(self, severity: Severity) -> int:
        """How many records are of a severity."""
        return sum(record.severity == severity for record in self.records)

    def to_repeat(self, session: str | None = None) -> tuple[str, ...]:
        """Ids of the runs to repeat, of one session or of all, each once."""
        return tuple(dict.fromkeys(r.run for r in self._repeated() if session in (None, r.session)))

    def places_to_repeat(self) -> int:
        """How many runs are to be repeated; runs of different sessions may have one name."""
        return len({(record.session, record.run) for record in self._repeated()})

    def _repeated(self) -> Iterator[CheckRecord]:
        return (record for record in self.records if record.severity == "repeat")


def document(report: CheckReport, exit_code: int) -> dict[str, Any]:
    """The report for machines; `check_schema` says what is in it."""
    return {
        "format": FORMAT,
        "generator": {"name": "whirlbook", "version": __version__},
        "season": report.season,
        "exit_code": exit_code,
        "counts": {severity: report.count(severity) for severity in SEVERITIES},
        "sessions": [
            {
                "session": state.session,
                "runs": len(state.runs),
                "still_to_come": list(state.to_come),
                "repeat": list(report.to_repeat(state.session)),
                "judged": state.judged,
            }
            for state in report.sessions
        ],
        "records": [
            {
                "severity": record.severity,
                "kind": record.kind,
                "check": record.check or None,
                "session": record.session or None,
                "run": record.run or None,
                "file": record.file,
                "line": record.line,
                "key": record.key or None,
                "what": record.what,
                "remedy": record.remedy,
                "weakens": list(record.weakens),
            }
            for record in report.records
        ],
    }


def check_schema() -> Schema:
    """Schema (draft 2020-12) of what `whirlbook check --json` prints, strict: no key may be missing, none added."""
    session = {
        "session": ID,
        "runs": {**COUNT, "description": "Runs in the list of session.yaml."},
        "still_to_come": {**list_of(ID), "description": "Runs whose logs are not there yet."},
        "repeat": {**list_of(ID), "description": "Runs to make again while the stand is still set up."},
        "judged": {
            **FLAG,
            "description": "True if all runs are there and sound, so that contrasts and conclusion were looked at.",
        },
    }
    record = {
        "severity": {
            "enum": list(SEVERITIES),
            "description": "error: build refuses it. repeat: make this run again. doubtful: somebody should look. "
            "noted: handled, or not due yet.",
        },
        "kind": {**ID, "description": "What it is."},
        "check": {**or_null(ID), "description": "Id of the check in results.json that tells the same."},
        "session": or_null(ID),
        "run": or_null(ID),
        "file": TEXT,
        "line": or_null({"type": "integer", "minimum": 1}),
        "key": {**or_null(ID), "description": "Key of the file, or channel of the log."},
        "what": TEXT,
        "remedy": TEXT,
        "weakens": {**list_of(ID), "description": "Keys of contrasts in results.json."},
    }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "whirlbook check --json",
        "description": "Everything that is wrong or doubtful in a season.",
        **object_of(
            {
                "format": {"const": FORMAT},
                "generator": object_of({"name": TEXT, "version": TEXT}),
                "season": TEXT,
                "exit_code": {
                    "enum": [0, 1, 5],
                    "description": "0: nothing to mend or repeat. 1: errors. 5: no errors, but runs to repeat.",
                },
                "counts": object_of(dict.fromkeys(SEVERITIES, COUNT)),
                "sessions": list_of(object_of(session)),
                "records": list_of(object_of(record)),
            }
        ),
    }
