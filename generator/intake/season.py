"""A season folder as one validated record, or all of its problems at once."""

from __future__ import annotations

import datetime
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import ConfigDict, create_model

from generator.intake import references
from generator.intake.contracts import Contracts
from generator.intake.parts import PART_MODELS, AnyPart
from generator.intake.problems import Problem, SeasonProblems, suggestion
from generator.intake.quantities import UnreadableQuantity, conversion, parse_published, parse_quantity
from generator.intake.rig import CHANNEL_KINDS, Channel, Channels, Rig
from generator.intake.session import Margin, Season, SeasonFile, Session, SessionFile
from generator.intake.validation import validated
from generator.intake.yaml_source import YamlSource, read_yaml

NOT_SESSIONS = {"rigs", "parts", "content", "layouts", "photos"}
PHOTO_ENDINGS = {".jpg", ".jpeg", ".png", ".webp"}


def session_model(contracts: Contracts) -> type[SessionFile]:
    """`SessionFile` with the registered procedures' plans as the keys under `procedures:`."""
    fields: dict[str, Any] = {name: (contract.plan | None, None) for name, contract in contracts.items()}
    plans = create_model("Procedures", __config__=ConfigDict(frozen=True, extra="forbid"), **fields)
    return create_model("Session", __base__=SessionFile, procedures=(plans, ...))


def load_season(folder: Path, contracts: Contracts) -> Season:
    """Read and check a season.

    folder     the season's folder, as the user named it
    contracts  procedure name -> what intake must know of it
    Raises     SeasonProblems with every error found in one pass; the logs' inside is read later
    """
    season, problems = inspect_season(folder, contracts)
    errors = [problem for problem in problems if problem.severity == "error"]
    if errors or season is None:
        raise SeasonProblems(errors)
    return season


def inspect_season(folder: Path, contracts: Contracts) -> tuple[Season | None, tuple[Problem, ...]]:
    """As `load_season`, but gives what could be read beside all problems, warnings too."""
    problems: list[Problem] = []
    shown = str(folder)
    if not folder.is_dir():
        what = "is not a folder." if folder.exists() else "is not there."
        problems.append(Problem(file=shown, what=what, remedy="Name the folder that holds season.yaml."))
        return None, tuple(problems)
    source, found = read_yaml(folder / "season.yaml", f"{shown}/season.yaml")
    problems += found
    season_file = validated(source, SeasonFile, problems) if source.data else None
    rigs = _read_rigs(folder, shown, problems)
    parts = _read_parts(folder, shown, problems)
    if season_file is not None:
        references.check_aircraft(source, season_file, parts, problems)
    sessions = _read_sessions(folder, shown, contracts, rigs, parts, season_file, problems)
    if season_file is None:
        return None, _in_order(problems)
    good_rigs = {name: rig for name, rig in rigs.items() if rig is not None}
    good_parts = {name: part for name, part in parts.items() if part is not None}
    season = Season.model_construct(
        folder=str(folder), file=season_file, rigs=good_rigs, parts=good_parts, sessions=tuple(sessions)
    )
    return season, _in_order(problems)


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


def _read_rigs(folder: Path, shown: str, problems: list[Problem]) -> dict[str, Rig | None]:
    rigs: dict[str, Rig | None] = {}
    for name, source in _yaml_files(folder / "rigs", f"{shown}/rigs", problems):
        rig = validated(source, Rig, problems, extra={"id": name}) if source.data else None
        rigs[name] = None if rig is None else _channels_in_house_units(rig, source, problems)
    return rigs


def _channels_in_house_units(rig: Rig, source: YamlSource, problems: list[Problem]) -> Rig | None:
    """The rig with the values that carry a channel's own unit turned to house units."""
    before = len(problems)
    made: dict[str, Channel] = {}
    for name, channel in rig.channels.present().items():

        def fault(field: str, what: str, remedy: str, name: str = name) -> None:
            path = ("channels", name, field)
            problems.append(
                Problem(
                    file=source.shown,
                    line=source.line(path),
                    key=f"channels.{name}.{field}",
                    what=what,
                    remedy=remedy,
                )
            )

        kind, _ = CHANNEL_KINDS[name]
        has_ends = channel.idle is not None and channel.full is not None
        if name == "throttle" and has_ends and channel.idle == channel.full:
            fault("full", "is the same as `idle`.", "Give the readings at idle and at full throttle.")
        if channel.unit is None:
            if not (name == "throttle" and has_ends):
                fault(
                    "unit",
                    "is missing.",
                    "Add the unit of the numbers in the log."
                    + (" Or give `idle` and `full`." if name == "throttle" else ""),
                )
        elif not (name == "time" and channel.unit == "clock") and not (name == "throttle" and has_ends):
            try:
                conversion(channel.unit, kind)
            except UnreadableQuantity as error:
                fault("unit", error.what, error.remedy)
        if name != "speed" and (channel.electrical or channel.pulses_per_revolution is not None):
            fault(
                "electrical" if channel.electrical else "pulses_per_revolution",
                "belongs to the speed channel only.",
                "Remove it here.",
            )
        difference = "temperature_difference" if kind == "temperature" else kind

        def house(field: str, value: object, kind: str) -> float | None:
            if value is None:
                return None
            try:
                return parse_quantity(value, kind)
            except UnreadableQuantity as error:
                fault(field, error.what, error.remedy)
                return None

        span = channel.range
        made[name] = channel.model_copy(
            update={
                "offset": house("offset", channel.offset, difference),
                "offset_uncertainty": house("offset_uncertainty", channel.offset_uncertainty, difference),
                "resolution": house("resolution", channel.resolution, difference),
                "range": None
                if span is None
                else (house("range", span[0], kind), house("range", span[1], kind)),
            }
        )
    if len(problems) > before:
        return None
    channels: dict[str, Any] = {**dict.fromkeys(Channels.model_fields), **made}
    return rig.model_copy(update={"channels": Channels.model_construct(None, **channels)})


def _read_sessions(
    folder: Path,
    shown: str,
    contracts: Contracts,
    rigs: Mapping[str, Rig | None],
    parts: Mapping[str, AnyPart | None],
    season_file: SeasonFile | None,
    problems: list[Problem],
) -> list[Session]:
    model = session_model(contracts)
    sessions: list[Session] = []
    names = [
        entry.name
        for entry in sorted(folder.iterdir())
        if entry.is_dir() and entry.name not in NOT_SESSIONS and not entry.name.startswith(".")
    ]
    for name in names:
        place = f"{shown}/{name}"
        if not (folder / name / "session.yaml").exists():
            problems.append(
                Problem(
                    file=place,
                    what="holds no session.yaml.",
                    remedy="Add one, or move the folder out of the season.",
                    severity="warning",
                )
            )
            continue
        if (folder / name).is_symlink():
            problems.append(
                Problem(file=place, what="is a link.", remedy="Put the folder itself into the season.")
            )
            continue
        source, found = read_yaml(folder / name / "session.yaml", f"{place}/session.yaml")
        problems += found
        if not source.data:
            continue
        read = validated(source, model, problems)
        if read is None:
            references.check_logs_of_faulty(source, folder / name, problems)
            continue
        before = len(problems)
        plans = {
            contract: getattr(read.procedures, contract)
            for contract in contracts
            if getattr(read.procedures, contract) is not None
        }
        units = {
            response: unit for plan in plans for response, unit in contracts[plan].response_units.items()
        }
        references.check_session(
            source, read, folder / name, rigs, parts, season_file, contracts, plans, units, problems
        )
        margins = _margins(source, read, units, problems)
        conclusion = _conclusion(folder / name, place, problems)
        rig = rigs.get(read.rig)
        if rig is None or (len(problems) > before and any(p.severity == "error" for p in problems[before:])):
            continue
        photos = tuple(
            sorted(
                p.name for p in (folder / name).iterdir() if p.suffix.lower() in PHOTO_ENDINGS and p.is_file()
            )
        )
        sessions.append(
            Session.model_construct(
                id=name, file=read, plans=plans, margins=margins, rig=rig,
                conclusion=conclusion, conclusion_path=f"{place}/conclusion.md", photos=photos,
            )
        )  # fmt: skip
    if not names:
        problems.append(
            Problem(file=shown, what="holds no session folder.", remedy="Add a folder with a session.yaml.")
        )
    return sorted(sessions, key=lambda session: (session.file.date, session.id))


def _margins(
    source: YamlSource, read: SessionFile, units: Mapping[str, str], problems: list[Problem]
) -> dict[str, Margin]:
    margins: dict[str, Margin] = {}
    for response, text in read.matters.items():
        unit = units.get(response)
        if unit is None:
            continue  # reported as an unknown response
        try:
            if isinstance(text, str) and text.strip().endswith("%") and unit != "%":
                margin = Margin(text=text, relative=parse_quantity(text, "ratio"))
            else:
                margin = Margin(text=str(text), absolute=parse_published(text, unit))
            size = margin.relative if margin.relative is not None else margin.absolute
            if size is None or not size > 0.0:
                raise UnreadableQuantity(
                    f"'{text}' is not above zero.", "Write the smallest difference that would matter."
                )
        except UnreadableQuantity as error:
            path = ("matters", response)
            problems.append(
                Problem(file=source.shown, line=source.line(path), key=f"matters.{response}", what=error.what,
                        remedy=error.remedy if isinstance(text, str) else f"Write the unit with the number: {response}: {text} {unit}")
            )  # fmt: skip
            continue
        margins[response] = margin
    return margins


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
