"""A season folder as one validated record, or all of its problems at once."""

from __future__ import annotations

import datetime
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ConfigDict, Field, create_model

from generator.intake import references
from generator.intake.calibrations import (
    CalibrationRecord,
    calibrated,
    check_calibrations,
    record_in_house_units,
)
from generator.intake.contracts import Contracts
from generator.intake.margins import margins_of
from generator.intake.outside import is_inside, odd_files, odd_names
from generator.intake.parts import PART_MODELS, AnyPart, Motor, Pack
from generator.intake.placeholders import placeholders
from generator.intake.places import season_fault
from generator.intake.problems import Problem, SeasonProblems, suggestion
from generator.intake.rig import Rig
from generator.intake.rig_units import channels_in_house_units
from generator.intake.run_logs import check_loggers, of_own_log
from generator.intake.session import Season, SeasonFile, Session, SessionFile
from generator.intake.validation import validated
from generator.intake.waiting import begun, nothing_measured, still_to_measure
from generator.intake.yaml_source import YamlSource, read_yaml

NOT_SESSIONS = {"rigs", "parts", "content", "layouts", "shared", "photos"}
SESSION_STAND_INS = {
    "title": "unknown", "question": "unknown", "date": "2000-01-01",
    "air": {"temperature": "20 degC", "pressure": "1013 hPa", "humidity": "50 %"},
}  # fmt: skip
PHOTO_ENDINGS = {".jpg", ".jpeg", ".png", ".webp"}


def session_model(contracts: Contracts) -> type[SessionFile]:
    """`SessionFile` with the registered procedures' plans as the keys under `procedures:`."""
    fields: dict[str, Any] = {name: (contract.plan | None, None) for name, contract in contracts.items()}
    plans = create_model("Procedures", __config__=ConfigDict(frozen=True, extra="forbid"), **fields)
    said = Field(description=SessionFile.model_fields["procedures"].description)
    return create_model("Session", __base__=SessionFile, procedures=(plans, said))


@dataclass(frozen=True, slots=True, kw_only=True)
class LogPlace:
    """A log that is there and can be read, whatever else is wrong with its session."""

    file: Path
    shown: str
    path: str
    rig: Rig
    pole_pairs: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspection:
    """A season as far as it could be read, with all problems of its YAML files.

    season  None if season.yaml cannot be used; sessions with problems are left out of it, and where logs are needed
            also those that have none yet, which a warning of the kind STILL_TO_COME tells
    logs    logs of sessions with problems, so that their inside is checked in the same pass
    """

    season: Season | None
    problems: tuple[Problem, ...]
    logs: tuple[LogPlace, ...] = ()

    @property
    def sound(self) -> bool:
        """Whether nothing worse than a warning was found."""
        return self.season is not None and all(problem.severity != "error" for problem in self.problems)


def load_season(folder: Path, contracts: Contracts, *, logs_needed: bool = True) -> Season:
    """Read and check a season; what is inside the logs is read later.

    folder       the season's folder, as the user named it
    contracts    procedure name -> what intake must know of it
    logs_needed  False before bench day: logs that are not there yet are no error
    Raises       SeasonProblems with every error found in one pass
    """
    found = inspect_season(folder, contracts, logs_needed=logs_needed)
    if not found.sound or found.season is None:
        raise SeasonProblems(problem for problem in found.problems if problem.severity == "error")
    return found.season


def inspect_season(
    folder: Path, contracts: Contracts, *, logs_needed: bool = True, planned: bool = False
) -> Inspection:
    """As `load_season`, but gives what could be read beside all problems, warnings too.

    planned  logs that are not there yet are still to come, and no error
    """
    problems: list[Problem] = []
    shown = str(folder)
    fault = season_fault(folder)
    if fault is not None:
        return Inspection(season=None, problems=(fault,))
    source, found = read_yaml(folder / "season.yaml", f"{shown}/season.yaml")
    problems += found
    season_file = None
    if source.data:
        stand_ins = {"title": "unknown", "about": "unknown"}
        season_file = validated(source, SeasonFile, problems, stand_ins=stand_ins)
    records = _read_calibrations(folder, shown, problems)
    rigs = _read_rigs(folder, shown, records, problems)
    parts = _read_parts(folder, shown, problems)
    if season_file is not None:
        references.check_aircraft(source, season_file, parts, problems)
    reader = _SessionReader(
        folder, shown, contracts, rigs, records, parts, season_file, problems, logs_needed
    )
    reader.planned = planned
    sessions = reader.read_all()
    if reader.waiting and not planned and len(reader.waiting) == reader.count:
        problems.append(nothing_measured(shown, reader.waiting))
    problems += placeholders(folder, shown)
    season = None
    if season_file is not None:
        season = Season.model_construct(
            folder=str(folder),
            file=season_file,
            rigs={name: rig for name, rig in rigs.items() if rig is not None},
            parts={name: part for name, part in parts.items() if part is not None},
            calibrations={name: record for name, record in records.items() if record is not None},
            sessions=tuple(sessions),
        )
    return Inspection(season=season, problems=_in_order(problems), logs=tuple(reader.logs))


def _in_order(problems: list[Problem]) -> tuple[Problem, ...]:
    return tuple(sorted(problems, key=lambda problem: (problem.file, problem.line or 0, problem.key)))


def _yaml_files(folder: Path, shown: str, problems: list[Problem]) -> list[tuple[str, YamlSource]]:
    """Every `*.yaml` of a folder by its id, sorted."""
    sources: list[tuple[str, YamlSource]] = []
    for file in sorted(folder.glob("*.y*ml")) if folder.is_dir() else []:
        if file.suffix == ".yml":
            problems.append(
                Problem(
                    file=f"{shown}/{file.name}",
                    what="ends in .yml.",
                    remedy=f"Rename it to {file.stem}.yaml.",
                )
            )
            continue
        source, found = read_yaml(file, f"{shown}/{file.name}")
        problems += found
        sources.append((file.stem, source))
    return sources


def _read_parts(folder: Path, shown: str, problems: list[Problem]) -> dict[str, AnyPart | None]:
    """Part id -> part, or None where the file has faults, so that nobody reports it as missing too."""
    parts: dict[str, AnyPart | None] = {}
    for name, source in _yaml_files(folder / "parts", f"{shown}/parts", problems):
        parts[name] = None
        if not source.data:
            continue
        kind = source.data.get("kind")
        kind = None if kind is None else str(kind)[:40]
        if kind not in PART_MODELS:
            what = "is missing." if kind is None else f"'{kind}' is not a kind of part."
            remedy = (
                suggestion(str(kind), list(PART_MODELS))
                if kind
                else "Add `kind:` with one of: " + ", ".join(PART_MODELS) + "."
            )
            problems.append(
                Problem(file=source.shown, line=source.line(("kind",)), key="kind", what=what, remedy=remedy)
            )
            continue
        parts[name] = validated(source, PART_MODELS[kind], problems, extra={"id": name})  # type: ignore[assignment]
    return parts


def _read_calibrations(
    folder: Path, shown: str, problems: list[Problem]
) -> dict[str, CalibrationRecord | None]:
    """Record id -> record in house units, or None where the file has faults."""
    records: dict[str, CalibrationRecord | None] = {}
    place = "rigs/calibrations"
    for name, source in _yaml_files(folder / place, f"{shown}/{place}", problems):
        before = len(problems)
        read = validated(source, CalibrationRecord, problems, extra={"id": name}) if source.data else None
        sound = read is not None and len(problems) == before
        records[name] = record_in_house_units(read, source, problems) if read is not None and sound else None
    return records


def _read_rigs(
    folder: Path, shown: str, records: Mapping[str, CalibrationRecord | None], problems: list[Problem]
) -> dict[str, Rig | None]:
    rigs: dict[str, Rig | None] = {}
    for name, source in _yaml_files(folder / "rigs", f"{shown}/rigs", problems):
        rig = validated(source, Rig, problems, extra={"id": name}) if source.data else None
        rigs[name] = house = None if rig is None else channels_in_house_units(rig, source, problems)
        if house is not None:
            check_calibrations(house, source, records, problems)
            check_loggers(house, source, problems)
    return rigs


class _SessionReader:
    """Reads the session folders of a season; holds what all of them are checked against."""

    def __init__(
        self,
        folder: Path,
        shown: str,
        contracts: Contracts,
        rigs: Mapping[str, Rig | None],
        records: Mapping[str, CalibrationRecord | None],
        parts: Mapping[str, AnyPart | None],
        season_file: SeasonFile | None,
        problems: list[Problem],
        logs_needed: bool,
    ) -> None:
        self.folder, self.shown, self.contracts = folder, shown, contracts
        self.rigs, self.parts, self.season_file = rigs, parts, season_file
        self.records = records
        self.problems, self.logs_needed = problems, logs_needed
        self.model = session_model(contracts)
        self.planned = False
        self.logs: list[LogPlace] = []
        self.count = 0
        self.waiting: list[Problem] = []

    def read_all(self) -> list[Session]:
        """Every sound session by date."""
        names = [
            entry.name
            for entry in sorted(self.folder.iterdir())
            if entry.is_dir() and entry.name not in NOT_SESSIONS and not entry.name.startswith(".")
        ]
        if not names:
            self.problems.append(
                Problem(
                    file=self.shown,
                    what="holds no session folder.",
                    remedy="Add a folder with a session.yaml.",
                )
            )
        said = [name for name in names if os.path.lexists(self.folder / name / "session.yaml")]
        self.count = len(said)
        odd = odd_names(said, self.shown)
        self.problems += odd.values()
        self.problems += odd_files(self.folder, self.shown, (name for name in said if name not in odd))
        sound = (name for name in names if name not in odd)
        read = [session for session in map(self._read, sound) if session is not None]
        return sorted(read, key=lambda session: (session.file.date, session.id))

    def _read(self, name: str) -> Session | None:
        place, folder = f"{self.shown}/{name}", self.folder / name
        if folder.is_symlink():
            self.problems.append(
                Problem(file=place, what="is a link.", remedy="Put the folder itself into the season.")
            )
            return None
        if not (folder / "session.yaml").exists():
            remedy = "Add one, or move the folder out of the season."
            self.problems.append(
                Problem(file=place, what="holds no session.yaml.", remedy=remedy, severity="warning")
            )
            return None
        before = len(self.problems)
        source, found = read_yaml(folder / "session.yaml", f"{place}/session.yaml")
        self.problems += found
        read = None
        if source.data:
            read = validated(source, self.model, self.problems, stand_ins=SESSION_STAND_INS)
        if read is None:
            if self.logs_needed:
                references.check_logs_of_faulty(source, folder, self.problems, self.planned)
            return None
        plans = {
            contract: getattr(read.procedures, contract)
            for contract in self.contracts
            if getattr(read.procedures, contract) is not None
        }
        # a plan with faults still says which responses there will be
        written = source.data.get("procedures")
        in_order = list(written) if isinstance(written, dict) else []
        named = [contract for contract in self.contracts if contract in in_order]
        units = {name: unit for plan in named for name, unit in self.contracts[plan].response_units.items()}
        logs = [log for run in read.runs for log in run.logs]
        waited_for = self.logs_needed and not begun(folder, logs)
        references.check_session(
            source, read, folder, self.rigs, self.parts, self.season_file, self.contracts, plans, units,
            self.problems, logs_needed=self.logs_needed and not waited_for, planned=self.planned,
        )  # fmt: skip
        if waited_for:
            told = still_to_measure(source, folder, place, logs, len(read.runs))
            self.problems.append(told)
            self.waiting.append(told)
        margins = margins_of(source, read, units, self.problems)
        conclusion = None
        if not waited_for or (folder / "conclusion.md").exists():  # nothing to conclude before the runs
            conclusion = _conclusion(folder, place, self.problems)
        rig = self.rigs.get(read.rig)
        rig = None if rig is None else calibrated(rig, self.records, read.date)
        faulty = any(problem.severity == "error" for problem in self.problems[before:])
        if faulty or rig is None or self._rests_on_faults(read):
            self._remember_logs(read, rig, folder, place)
            return None
        if waited_for and not self.planned:
            return None
        as_written = {plan: plans[plan] for plan in in_order if plan in plans}
        photos = (p.name for p in folder.iterdir() if p.suffix.lower() in PHOTO_ENDINGS and p.is_file())
        return Session.model_construct(
            id=name, file=_plain(read, as_written), plans=plans, margins=margins, rig=rig, photos=tuple(sorted(photos)),
            conclusion=conclusion, conclusion_path=f"{place}/conclusion.md",
        )  # fmt: skip

    def _rests_on_faults(self, read: SessionFile) -> bool:
        """Whether a part that the session needs has faults or is not there: that is told already."""
        named = {
            name
            for t in read.treatments.values()
            for name in (t.motor, t.controller, t.propeller, t.supply, t.pack)
        }
        known = self.season_file.aircraft if self.season_file is not None else {}
        packs = {known[craft].pack for craft in read.aircraft if craft in known}
        if not all(isinstance(self.parts.get(pack), Pack) for pack in packs):
            return True
        return any(name in self.parts and self.parts[name] is None for name in named if name is not None)

    def _remember_logs(self, read: SessionFile, rig: Rig | None, folder: Path, place: str) -> None:
        """Logs of a session with problems that can still be read."""
        for run in read.runs if rig is not None else ():
            file = folder / run.log
            treatment = read.treatments.get(run.treatment)
            motor = self.parts.get(treatment.motor) if treatment is not None else None
            inside = is_inside(file, folder.resolve())
            if rig is not None and isinstance(motor, Motor) and inside and file.is_file():
                self.logs.append(
                    LogPlace(
                        file=file,
                        shown=f"{place}/{run.log}",
                        path=run.log,
                        rig=of_own_log(rig),
                        pole_pairs=motor.pole_pairs,
                    )
                )


def _plain(read: SessionFile, plans: Mapping[str, Any]) -> SessionFile:
    """The same file without the model made for it at run time, which no other process could know."""
    fields = {name: getattr(read, name) for name in SessionFile.model_fields}
    return SessionFile.model_construct(**{**fields, "procedures": dict(plans)})  # in the order of the file


def _conclusion(folder: Path, place: str, problems: list[Problem]) -> str | None:
    file = folder / "conclusion.md"
    if not file.exists():
        problems.append(
            Problem(
                file=f"{place}/conclusion.md",
                what="is missing.",
                remedy="Write what the session says in your own words.",
                severity="warning",
            )
        )
        return None
    try:
        if file.is_symlink() or not file.is_file() or file.stat().st_size > 500_000:
            raise OSError(0, "it is a link, not a file, or larger than 500 kB")
        return file.read_bytes().decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError:
        problems.append(
            Problem(file=f"{place}/conclusion.md", what="is not UTF-8 text.", remedy="Save it as UTF-8.")
        )
    except OSError as error:
        problems.append(
            Problem(
                file=f"{place}/conclusion.md",
                what=f"cannot be read: {error.strerror}.",
                remedy="Put a plain text file there.",
            )
        )
    return None


def season_date(season: Season) -> datetime.date:
    """Newest session date: the date of the site, so that the same inputs give the same bytes."""
    return max((session.file.date for session in season.sessions), default=datetime.date(1980, 1, 1))


def log_file(season: Season, session_id: str, log: str) -> Path:
    """Where a log of a session is."""
    return Path(os.path.normpath(Path(season.folder) / session_id / log))
