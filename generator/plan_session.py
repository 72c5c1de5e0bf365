"""The order of the stages for a plan: what earlier sessions tell, what is foreseen, the design, the run sheet."""

from __future__ import annotations

import base64
import dataclasses
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from markupsafe import Markup

from generator import __version__
from generator.evidence.noise import allowed_minutes
from generator.intake.caution_texts import CautionText
from generator.intake.parts import Pack
from generator.intake.places import session_folder
from generator.intake.problems import OutputRefused, Problem, SeasonProblems, WhirlbookError
from generator.intake.reference_texts import load_caution_texts, load_thresholds
from generator.intake.season import inspect_season, log_file
from generator.intake.session import Run, Season, Session
from generator.pipeline import folders, reduce_session
from generator.planning.design import DesignOptions, design
from generator.planning.design_demand import run_demand
from generator.planning.design_records import Design, RunDemand
from generator.planning.forecast import forecast
from generator.planning.run_sheet import run_sheet
from generator.planning.run_sheet_foreseen import Foreseen, foreseen
from generator.planning.run_sheet_markdown import markdown
from generator.planning.run_sheet_records import RunSheet
from generator.planning.run_sheet_yaml import MARKER, replace_file, require_no_logs, with_runs
from generator.progress import Progress, counter, quiet
from generator.publication import sandbox
from generator.publication.colours import colours_css
from generator.publication.rendering import environment
from generator.publication.units import Choice, choice_of, in_units
from generator.reduction.procedures import contracts, response_kinds
from generator.reduction.records import RunReduction

SHEET_HTML, SHEET_MARKDOWN = "run-sheet.html", "run-sheet.md"


class PlanRefused(WhirlbookError):
    """The plan could hurt people or parts, and the session does not say why a person goes on.

    reasons  (key for `go_on_because`, what speaks against the plan)
    """

    def __init__(self, session: str, reasons: Sequence[tuple[str, str]]) -> None:
        self.reasons = tuple(reasons)
        lines = "".join(f"\n  {key}: {reason}" for key, reason in self.reasons)
        first = self.reasons[0][0] if self.reasons else "key"
        super().__init__(
            f"{session}: this plan is refused, since it is not safe. Nothing was written.{lines}\n"
            "Change the plan. If you go on all the same, say why in session.yaml, under the same key:\n"
            f'  go_on_because: {{{first}: "your reason"}}'
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """A plan with everything that can be written of it.

    folder        of the session
    html, text    the run sheet as a page and as Markdown
    session_yaml  the new content of session.yaml; doubts tell what of the season could not be used
    """

    season: Season
    session: Session
    design: Design
    sheet: RunSheet
    folder: Path
    html: str
    text: str
    session_yaml: bytes
    doubts: tuple[str, ...]


def plan_session(
    folder: Path,
    options: DesignOptions | None = None,
    *,
    force: bool = False,
    measured_stays: bool = True,
    progress: Progress = quiet,
) -> Planned:
    """Everything of a plan, nothing written.

    folder          of the session, inside its season
    force           replace a list of runs that plan did not write, or whose logs are simulated
    measured_stays  refuse where logs of the list exist; False only to look at a plan
    Raises          SeasonProblems for faults of the session and what it rests on, or a list that is not ours to take;
                    PlanRefused where the plan is not safe and the session does not say why somebody goes on
    """
    folder = session_folder(folder)
    season, session, doubts = _read(folder)
    shown = f"{season.folder}/{session.id}/session.yaml"
    content = (folder / "session.yaml").read_bytes()
    if measured_stays:
        require_no_logs(content, folder, shown, force=force)
    earlier = _earlier(season, session, doubts, progress)
    texts = load_caution_texts([path / "cautions" for path in folders("content", folder.parent)])
    kinds = response_kinds()
    seen = _foreseen(season, session, earlier, texts)
    if seen.refused:
        raise PlanRefused(f"{season.folder}/{session.id}", seen.refused)

    @cache
    def demand(procedure: str, treatment: str) -> RunDemand:
        key = (procedure, treatment)
        source = season.source(session.file.treatments[treatment]) if treatment else None
        return run_demand(
            procedure, session.plans[procedure], seen.points.get(key, ()), seen.rise_k.get(key),
            source.capacity_ah if isinstance(source, Pack) else None,
        )  # fmt: skip

    made = design(
        season, session, earlier, kinds, values=seen.values, demand=demand, cooling=seen.cooling,
        allowed_min=allowed_minutes, options=options or DesignOptions(),
    )  # fmt: skip
    sheet = run_sheet(
        season, session, made, kinds=kinds, texts=texts, raised=seen.raised, glance=seen.glance,
        settings=seen.settings, expected=seen.expected, read_back=seen.read_back, assumed=seen.assumed,
        warned=seen.answered, version=__version__,
    )  # fmt: skip
    sheet = _in_units(sheet, choice_of(season.file.units))
    return Planned(
        season=season,
        session=session,
        design=made,
        sheet=sheet,
        folder=folder,
        html=page_html(sheet, folders("layouts", folder.parent)),
        text=markdown(sheet),
        session_yaml=with_runs(content, made.runs, shown, force=force) if measured_stays else content,
        doubts=tuple(doubts),
    )


def doubt_of_plan(folder: Path, progress: Progress = quiet) -> str | None:
    """One line where a session that is simulated or made has no plan, or one that is refused; else None.

    folder  of the session, inside its season
    Raises  SeasonProblems as plan_session
    """
    folder = session_folder(folder)
    season, session, doubts = _read(folder)
    texts = load_caution_texts([path / "cautions" for path in folders("content", folder.parent)])
    refused = _foreseen(season, session, _earlier(season, session, doubts, progress), texts).refused
    if refused:
        keys = ", ".join(dict.fromkeys(key for key, _ in refused))
        what = f"`plan` refuses this session, since it is not safe ({keys}): it can be simulated, not made"
    elif MARKER.encode() not in (folder / "session.yaml").read_bytes():
        what = (
            "its list of runs is not from a plan, and nothing has been held against the limits of the parts"
        )
    else:
        return None
    return f"{folder}: {what}. To see: whirlbook plan {folder}{' --dry-run' if not refused else ''}"


def _foreseen(
    season: Season,
    session: Session,
    earlier: list[tuple[Session, tuple[RunReduction, ...]]],
    texts: Mapping[str, CautionText],
) -> Foreseen:
    thresholds = load_thresholds(folders("shared", Path(season.folder)))
    return foreseen(season, session, forecast(season, session, earlier, thresholds), texts)


def write_plan(planned: Planned, out: Path | None = None, *, runs: bool = True) -> tuple[Path, ...]:
    """Write the run sheet, and the list of runs into session.yaml; the paths written.

    out   folder of the sheet; the session's own where not given
    runs  whether session.yaml is written too
    Raises OutputRefused for a place that holds something else; OSError where it cannot be written
    """
    place = planned.folder if out is None else out
    files = [(place / SHEET_HTML, planned.html.encode()), (place / SHEET_MARKDOWN, planned.text.encode())]
    for file, _ in files:
        if file.is_symlink() or (file.exists() and not file.is_file()):
            raise OutputRefused(f"{file} is not a plain file. Nothing was written.")
        if file.exists() and OURS not in file.read_bytes():
            raise OutputRefused(f"{file} was not written by whirlbook plan. Nothing was written.")
    session_yaml = planned.folder / "session.yaml"
    if runs and session_yaml.is_symlink():
        raise OutputRefused(f"{session_yaml} is a link. Nothing was written.")
    if runs and session_yaml.read_bytes() != planned.session_yaml:
        files.append((session_yaml, planned.session_yaml))
    for file, content in files:
        replace_file(file, content)
    return tuple(file for file, _ in files)


OURS = b"Made by Whirlbook"


def page_html(sheet: RunSheet, layout_folders: Sequence[Path]) -> str:
    """The run sheet as one page that needs nothing else. layout_folders: shipped first, the season's own after it."""
    folders_first = list(layout_folders)[::-1]  # the season's own layouts win
    css = next(
        (f / "run_sheet.css").read_text("utf-8") for f in folders_first if (f / "run_sheet.css").is_file()
    )
    style = f"\n{colours_css()}{css}".replace("</", "<\\/")  # nothing in it ends the style
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    templates = environment(folders_first, trusted=len(folders_first) == 1)
    source = f"sha256-{digest}"
    # the style is ours, or the season's, and says nothing that a text could have put there
    try:
        html = sandbox.render(
            templates, "run_sheet.html", sheet=sheet, style=Markup(style), style_hash=source
        )
    except sandbox.LayoutFails as fault:
        raise SeasonProblems([fault.problem]) from None
    if isinstance(templates, sandbox.Sandbox):
        html = sandbox.with_policy(html, f"{RUN_SHEET_POLICY}; style-src '{source}'")
    return html


RUN_SHEET_POLICY = "default-src 'none'; base-uri 'none'; form-action 'none'"


def summary(planned: Planned) -> dict[str, Any]:
    """The plan as plain values, for programs: repeats, runs, totals, what was assumed."""
    plan = planned.design
    found: dict[str, Any] = _plain(plan)
    found["session"] = planned.session.id
    found["sheet"] = _plain(planned.sheet)
    return found


# --- reading ------------------------------------------------------------------------------------------------


def _read(folder: Path) -> tuple[Season, Session, list[str]]:
    """The season and its session; faults of other sessions are doubts, faults of this one and of the season are not."""
    found = inspect_season(folder.parent, contracts(), logs_needed=False)
    errors = [problem for problem in found.problems if problem.severity == "error"]
    others = {
        f"{folder.parent}/{entry.name}/" for entry in folder.parent.iterdir() if entry.name != folder.name
    }
    session_folders = {
        place for place in others if (Path(place) / "session.yaml").exists()
    } if found.season is not None else set()  # fmt: skip
    ours = [p for p in errors if not any(p.file.startswith(place) for place in session_folders)]
    if ours or found.season is None:
        raise SeasonProblems(ours or errors)
    session = next((session for session in found.season.sessions if session.id == folder.name), None)
    if session is None:
        what, remedy = "is not a session of this season.", "Name a folder that holds a session.yaml."
        raise SeasonProblems([Problem(file=str(folder), what=what, remedy=remedy)])
    left_out = sorted({p.file for p in errors})
    return found.season, session, [f"{file} has faults and was not used for this plan." for file in left_out]


def _earlier(
    season: Season, session: Session, doubts: list[str], progress: Progress
) -> list[tuple[Session, tuple[RunReduction, ...]]]:
    """Every other session that is not later, reduced as far as its logs are there."""
    made = []
    others = [
        other for other in season.sessions if other.id != session.id and other.file.date <= session.file.date
    ]
    there = [(other, tuple(run for run in other.file.runs if _there(season, other, run))) for other in others]
    one_read = counter(progress, "reading earlier logs", sum(len(runs) for _, runs in there))
    for other, runs in there:
        if not runs:
            continue
        part = other.model_copy(update={"file": other.file.model_copy(update={"runs": runs})})
        problems: list[Problem] = []
        reduced = reduce_session(season, part, problems, one_read=one_read)
        doubts += [f"{problem.file} cannot be read and was not used for this plan." for problem in problems]
        made.append((part, reduced))
    return made


def _there(season: Season, session: Session, run: Run) -> bool:
    return all(log_file(season, session.id, log).is_file() for log in run.logs)


def _in_units(value: Any, choice: Choice) -> Any:
    """Every text of a sheet in the units that the season shows."""
    if isinstance(value, str):
        return in_units(value, choice)
    if isinstance(value, tuple):
        return tuple(_in_units(inner, choice) for inner in value)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return type(value)(
            **{f.name: _in_units(getattr(value, f.name), choice) for f in dataclasses.fields(value)}
        )
    return value


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {str(name): _plain(inner) for name, inner in value.items()}
    if isinstance(value, tuple | list):
        return [_plain(inner) for inner in value]
    if isinstance(value, float):
        return value if value == value and abs(value) != float("inf") else None
    return value
