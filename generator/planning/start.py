"""A new season, or a new session in one: folders and files that explain themselves.

Nothing that exists is ever written over. Every value that was invented says `# replace`, and `check` calls it
doubtful until somebody has.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from generator.intake.contracts import Contracts
from generator.intake.parts import PART_MODELS, Pack
from generator.intake.problems import OutputRefused, Problem, SeasonProblems, suggestion
from generator.intake.rig import Rig
from generator.intake.season import inspect_season
from generator.intake.session import Season, SeasonFile
from generator.planning import start_values as begin
from generator.planning.start_files import Invented
from generator.planning.start_session import SCHEMAS, SessionStart, file_text, or_invented, session_files
from generator.reduction.procedures import contracts as known_procedures
from generator.schemas import as_text
from generator.schemas import schemas as known_schemas


def start(folder: Path, session: SessionStart, *, title: str | None = None) -> tuple[Path, ...]:
    """A new season, or a new session where the folder's parent is a season.

    folder   of what is started; for a session its name is the session's id
    session  what is known of the session, or of the season's first one
    title    of the season, or of the session
    Returns  every file written
    Raises   as start_season and start_session
    """
    folder = folder if folder.name not in ("", ".", "..") else folder.resolve()
    contracts = known_procedures()
    schemas = {n: as_text(schema) for n, schema in known_schemas().items() if n != "results.schema.json"}
    if is_season(folder):
        raise OutputRefused(f"{folder} is a season already. Name a session in it: {folder}/NAME.")
    if not folder.parent.is_dir():
        raise OutputRefused(f"There is no folder {folder.parent}. Make it first, or correct the name.")
    if (folder.parent / "session.yaml").exists():
        beside = folder.parent.parent / folder.name
        raise OutputRefused(f"{folder.parent} is a session. A new session goes beside it: {beside}")
    if is_season(folder.parent):
        session = replace(session, id=folder.name, title=title)
        return start_session(folder.parent, session, contracts, schemas)
    return start_season(folder, session, contracts, schemas, title=title)


def is_season(folder: Path) -> bool:
    """Whether a folder holds a season."""
    return (folder / "season.yaml").exists()


def start_season(
    folder: Path,
    session: SessionStart,
    contracts: Contracts,
    schemas: Mapping[str, str],
    *,
    title: str | None = None,
) -> tuple[Path, ...]:
    """A new season with one rig, one part of each kind and a first session.

    folder     must be new or empty
    session    the first session; its `rig` names the rig
    schemas    file name -> JSON Schema, copied beside the season for editors
    title      of the season
    Returns    every file written
    Raises     OutputRefused where the folder is in use; SeasonProblems for answers that cannot be
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise OutputRefused(f"{folder} exists already. Nothing in it was touched; name a new folder.")
    rig = session.rig or "my-stand"
    texts = {
        "season.yaml": file_text(
            "season", ".", "A season: what all of its sessions share.", SeasonFile,
            {"title": or_invented(title, "My bench season"), **begin.SEASON}, begin.SEASON_EXAMPLES,
        ),
        f"rigs/{rig}.yaml": file_text(
            "rig", "..", "A rig: which column of your logger is which quantity, and how well it is known. "
            "Uncertainties are standard uncertainties (k = 1).", Rig, begin.RIG, begin.RIG_EXAMPLES,
        ),
        **{f"{SCHEMAS}/{name}": text for name, text in schemas.items()},
    }  # fmt: skip
    for name, values in begin.PARTS.items():
        model = PART_MODELS[values["kind"]]
        about = f"A {values['kind']}. The file's name is its id. Leave out what you do not know."
        texts[f"parts/{name}.yaml"] = file_text("part", "..", about, model, values, begin.PART_EXAMPLES)
    parts = {values["kind"]: name for name, values in begin.PARTS.items()}
    chosen = {kind: Invented(parts[kind]) for kind in ("motor", "controller", "propeller", "supply")}
    cells = None
    if _on_pack(session):
        chosen["supply"], cells = Invented(parts["pack"]), begin.PARTS[parts["pack"]]["cells"]
    channels = list(begin.RIG["channels"])
    texts |= session_files(session, rig, chosen, cells, channels, contracts)
    return _written(folder, texts, (f"{session.id}/logs",))


def start_session(
    folder: Path, session: SessionStart, contracts: Contracts, schemas: Mapping[str, str]
) -> tuple[Path, ...]:
    """A new session in the season `folder`, with the season's own rig and parts.

    Returns  every file written
    Raises   OutputRefused where the session exists already; SeasonProblems for answers that cannot be, or a
             season that lacks what a session needs
    """
    target = folder / session.id
    if target.exists() or target.is_symlink():
        raise OutputRefused(f"{target} exists already. Nothing in it was touched; name a new session.")
    found = inspect_season(folder, contracts, logs_needed=False)
    season = found.season
    if season is None:
        raise SeasonProblems(problem for problem in found.problems if problem.severity == "error")
    rig, problems = _rig_of(season, session, str(folder))
    chosen, cells, lacking = _parts_of(season, str(folder), on_pack=_on_pack(session))
    problems += lacking
    if problems or rig is None:
        raise SeasonProblems(problems)
    made = session_files(session, rig.id, chosen, cells, list(rig.channels.present()), contracts)
    written = _written(target, {path.partition("/")[2]: text for path, text in made.items()}, ("logs",))
    for name, text in schemas.items():
        place = folder / SCHEMAS / name
        if not place.exists():
            place.parent.mkdir(exist_ok=True)
            place.write_text(text, encoding="utf-8")
    return written


def _rig_of(season: Season, session: SessionStart, shown: str) -> tuple[Rig | None, list[Problem]]:
    rigs = season.rigs
    wanted = session.rig or next(iter(rigs), None)
    if wanted is not None and wanted in rigs:
        return rigs[wanted], []
    if wanted is None:
        return None, [Problem(file=f"{shown}/rigs", what="holds no rig that can be used.", remedy="Add one.")]
    what = f"'{wanted}' is not a rig of this season."
    return None, [Problem(file=f"{shown}/rigs", what=what, remedy=suggestion(wanted, list(rigs)))]


def _on_pack(session: SessionStart) -> bool:
    """Whether the session makes sense on packs only."""
    begun = (begin.PROCEDURES.get(name) for name in session.procedures)
    return any(start.on_pack for start in begun if start is not None)


def _parts_of(
    season: Season, shown: str, *, on_pack: bool
) -> tuple[dict[str, Any], int | None, list[Problem]]:
    """Key of a treatment -> part; invented where there was a choice. The cells of the pack, where one feeds."""
    kinds: dict[str, Sequence[str]] = {
        "motor": ("motor",), "controller": ("controller",), "propeller": ("propeller",),
        "supply": ("pack",) if on_pack else ("supply", "pack"),
    }  # fmt: skip
    chosen: dict[str, Any] = {}
    problems = []
    for key, fitting in kinds.items():
        names = [name for kind in fitting for name, part in sorted(season.parts.items()) if part.kind == kind]
        if names:
            chosen[key] = names[0] if len(names) == 1 else Invented(names[0])
        else:
            what = f"holds no {' or '.join(fitting)} that can be used."
            problems.append(Problem(file=f"{shown}/parts", what=what, remedy="Add one first."))
    source = chosen.get("supply")
    part = season.parts.get(source.value if isinstance(source, Invented) else source) if source else None
    return chosen, part.cells if isinstance(part, Pack) else None, problems


# --- writing ------------------------------------------------------------------------------------------------


def _written(target: Path, texts: Mapping[str, str], folders: Sequence[str]) -> tuple[Path, ...]:
    """All files of a new folder, or none: written beside it, then renamed."""
    parent = Path(os.path.abspath(target)).parent
    parent.mkdir(parents=True, exist_ok=True)
    beside = Path(tempfile.mkdtemp(prefix=f".{target.name}.starting-", dir=parent))
    try:
        beside.chmod(0o755)
        for folder in folders:
            (beside / folder).mkdir(parents=True)
        for path, text in texts.items():
            (beside / path).parent.mkdir(parents=True, exist_ok=True)
            (beside / path).write_text(text, encoding="utf-8")
        if target.is_dir():
            target.rmdir()  # empty, or this fails
        os.rename(beside, target)
    except BaseException:
        shutil.rmtree(beside, ignore_errors=True)
        raise
    return tuple(target / path for path in texts)
