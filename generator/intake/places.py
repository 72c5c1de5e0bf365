"""Which folder was meant: a season where a session was named, a session where a season was, or none of them."""

from __future__ import annotations

from pathlib import Path

from generator.intake.problems import Problem, SeasonProblems, suggestion

SEASON_FILE, SESSION_FILE = "season.yaml", "session.yaml"
UNNAMED = ("", ".", "..")


def season_fault(folder: Path) -> Problem | None:
    """Why a folder cannot be taken as a season at all, and which argument is meant; None where it may be one."""
    shown = str(folder)
    remedy = f"Name the folder that holds {SEASON_FILE}."
    if folder.is_file():
        if folder.name == SEASON_FILE:
            remedy = f"Name the folder it is in: {folder.parent}"
        return Problem(file=shown, what="is a file, not a season's folder.", remedy=remedy)
    if not folder.is_dir():
        what = "is not a folder." if folder.exists() else "is not there."
        return Problem(file=shown, what=what, remedy=remedy)
    if (folder / SEASON_FILE).exists() or not (folder / SESSION_FILE).exists():
        return None
    above, name = _above(folder)
    if (above / SEASON_FILE).exists():
        remedy = (
            f"Name its season: {above}. To check this session alone: whirlbook check {above} --session {name}"
        )
    return Problem(file=shown, what="is a session, and a season is wanted here.", remedy=remedy)


def session_folder(folder: Path) -> Path:
    """The folder of a session, with a name of its own. Raises SeasonProblems where it is none, saying what is meant."""
    if folder.name in UNNAMED:
        folder = folder.resolve()
    shown, above = str(folder), folder.parent
    wanted = f"Name the folder that holds a {SESSION_FILE}, inside its season."
    if (folder / SESSION_FILE).exists():
        if (above / SEASON_FILE).exists():
            return folder
        raise _fault(shown, "is not inside a season.", f"Put it into a folder that holds {SEASON_FILE}.")
    if (folder / SEASON_FILE).exists():
        sessions = session_names(folder)
        one = f"{folder}/{sessions[0]}" if len(sessions) == 1 else f"{folder}/NAME"
        known = f" with one of: {', '.join(sessions)}" if len(sessions) > 1 else ""
        remedy = f"Name a session in it: {one}{known}"
        raise _fault(shown, "is a season, and a session is wanted here.", remedy)
    if folder.is_file():
        remedy = f"Name the folder it is in: {above}" if folder.name == SESSION_FILE else wanted
        raise _fault(shown, "is a file, not a session's folder.", remedy)
    if (above / SEASON_FILE).exists():
        what = "is not a session of this season." if not folder.exists() else f"holds no {SESSION_FILE}."
        raise _fault(shown, what, suggestion(folder.name, session_names(above)))
    raise _fault(shown, f"is not {'a session' if folder.exists() else 'there'}.", wanted)


def session_names(season: Path) -> list[str]:
    """Names of the folders of a season that hold a session."""
    return sorted(file.parent.name for file in season.glob(f"*/{SESSION_FILE}") if file.parent.name[0] != ".")


def _above(folder: Path) -> tuple[Path, str]:
    """The folder above, as the user would type it, and the folder's own name."""
    if folder.name in UNNAMED:
        return folder / "..", folder.resolve().name
    return folder.parent, folder.name


def _fault(shown: str, what: str, remedy: str) -> SeasonProblems:
    return SeasonProblems([Problem(file=shown, what=what, remedy=remedy)])
