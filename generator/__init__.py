"""Whirlbook: season folders of bench tests in, a site of comparisons, conclusions and cautions out.

`analyse` and `build` load the analysis only when called, so that asking for the version stays quick.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from generator.archiving import ArchiveReport
    from generator.check_records import CheckRecord
    from generator.publication.site import SiteReport
    from generator.verifying import VerifyReport

__version__ = "0.1.0"
__all__ = [
    "__version__",
    "analyse",
    "archive",
    "build",
    "calibrate",
    "check",
    "plan",
    "rehearse",
    "start",
    "verify",
    "view",
]


def analyse(season: str | Path) -> Iterator[dict[str, Any]]:
    """The facts of `results.json` of every session, one after the other, without rendering anything.

    season  the season's folder; its sessions that have no log yet are left out
    Raises  generator.intake.problems.SeasonProblems with everything wrong in the inputs
    """
    from generator.pipeline import analyse as analyse_folder

    yield from analyse_folder(Path(season))


def start(
    name: str | Path,
    *,
    title: str | None = None,
    question: str | None = None,
    session: str = "first-question",
    rig: str | None = None,
    treatments: Mapping[str, str] | None = None,
    procedures: Sequence[str] = (),
    repeats: int | None = None,
) -> tuple[Path, ...]:
    """Start a new season, or a new session where the folder above `name` is a season. Nothing is ever replaced.

    name        folder of what is started
    title       of the season, or of the session
    question    what the session asks
    session     folder of a new season's first session
    rig         name of the rig: a new one, or for a session one of the season's
    treatments  id -> label of each set-up to compare, the baseline first
    procedures  such as `hold`, `soak`
    repeats     runs of each set-up in each procedure
    Returns     every file written; values to be replaced are marked in them
    Raises      SeasonProblems, OutputRefused
    """
    import datetime

    from generator.planning.start import start as start_folder
    from generator.planning.start_session import SessionStart

    begun = SessionStart(
        id=session,
        date=datetime.date.today(),
        question=question,
        rig=rig,
        treatments=tuple((treatments or {}).items()),
        procedures=tuple(procedures),
        repeats=repeats,
    )
    return start_folder(Path(name), begun, title=title)


def plan(
    session: str | Path,
    out: str | Path | None = None,
    *,
    repeats: int | None = None,
    power: Literal[80, 95] = 80,
    order: Literal["abba", "random"] = "abba",
    seed: int = 1,
    change_minutes: float | None = None,
    write: bool = True,
    force: bool = False,
) -> dict[str, Any]:
    """Plan a session to be made: write its run sheet, and the list of its runs into session.yaml.

    session         the session's folder, inside a season
    out             folder of the run sheet; the session's own where not given
    repeats         of each treatment; else the margins decide
    power           of 100 such sessions, how many are to settle the margins
    order, seed     blocks that run there and back, or drawn by lot with this seed
    change_minutes  how long any change of the set-up takes; else assumed for each part
    write           False to look at a plan, also of a session that has been measured
    force           replace a list of runs that was typed, or whose logs are simulated; never one with measured logs
    Returns         the plan as plain values: `runs`, `chosen` and `settling` repeats, `totals`, `assumed`, `sheet` in
                    words, and under `written` every file written
    Raises          SeasonProblems, OutputRefused, generator.plan_session.PlanRefused
    """
    from generator.plan_session import plan_session, summary, write_plan
    from generator.planning.design import DesignOptions

    options = DesignOptions(
        repeats=repeats, level=power, order=order, seed=seed, change_minutes=change_minutes
    )
    planned = plan_session(Path(session), options, force=force, measured_stays=write)
    written = write_plan(planned, None if out is None else Path(out)) if write else ()
    return {**summary(planned), "written": [str(file) for file in written]}


def rehearse(session: str | Path, *, seed: int | None = None, force: bool = False) -> tuple[str, ...]:
    """Write simulated logs for a planned session.

    session  the session's folder, inside a season
    seed     another draw of scatter and noise
    force    replace simulated logs; measured logs are never replaced
    Returns  one line for each log, and what had to be assumed
    Raises   SeasonProblems
    """
    from generator.pipeline import rehearse as rehearse_folder

    return tuple(rehearse_folder(Path(session), seed=seed, force=force))


def check(season: str | Path, *, session: str | None = None) -> tuple[CheckRecord, ...]:
    """Everything wrong or doubtful in a season's inputs and data, and the runs to repeat; nothing is written.

    season   the season's folder
    session  look at this session alone
    Returns  records of four severities: error, repeat, doubtful, noted (`generator.check_records`)
    """
    from generator.checking import check as check_folder

    return check_folder(Path(season), session=session).records


def view(season: str | Path, *, port: int = 0, open_browser: bool = False) -> None:
    """Serve a season's pages to this machine and follow changes, until interrupted.

    season        the season's folder
    port          0 for any that is free
    open_browser  open the pages once they are there
    Raises        SeasonProblems where there is no such folder, OutputRefused where the port is taken
    """
    from generator.viewing import view as view_folder

    view_folder(Path(season), port=port, open_browser=open_browser)


def build(
    season: str | Path,
    out: str | Path,
    *,
    since: str | Path | None = None,
    workers: int = 1,
    executor: Executor | None = None,
) -> SiteReport:
    """Analyse a season and write its site.

    season    the season's folder
    out       where the site goes; an earlier site of ours there is replaced at the end, anything else refused
    since     an earlier archive of the season; the site tells which figures have changed since
    workers   processes that do the work; above one only from a program that keeps its own work under
              `if __name__ == "__main__"`
    executor  whose workers do it instead: any of `concurrent.futures`, also that of a cluster, if they have this very
              program and find the season in the same place. It is not shut down
    Raises    SeasonProblems, OutputRefused, generator.executors.NoWorkers (all of them
              generator.intake.problems.WhirlbookError); the site that was there is then as it was
    """
    from generator.pipeline import build as build_folder

    by = workers if executor is None else executor
    return build_folder(Path(season), Path(out), workers=by, since=None if since is None else Path(since))


def calibrate(session: str | Path, *, force: bool = False) -> tuple[str, ...]:
    """Write the calibration records of a session's `zero` runs.

    session  the session's folder, inside a season
    force    replace a record of the same name that says something else
    Returns  one line for each record, and how the rig file refers to it
    Raises   SeasonProblems
    """
    from generator.pipeline import calibrate as calibrate_session

    return tuple(calibrate_session(Path(session), force=force))


def archive(
    season: str | Path, out: str | Path, *, sessions: bool = False, zipped: bool = False
) -> ArchiveReport:
    """Put a season away to be kept: raw logs, results, pages, versions and checksums, as a BagIt bag.

    season    the season's folder
    out       the bag, or with `sessions` the folder that gets a bag for each session; nothing there is replaced
    sessions  a bag for each session, with all that it rests on
    zipped    zip files and not folders
    Raises    SeasonProblems, OutputRefused
    """
    from generator.archiving import archive as archive_folder

    return archive_folder(Path(season), Path(out), sessions=sessions, zipped=zipped)


def verify(bag: str | Path, *, sums_only: bool = False) -> VerifyReport:
    """Check an archive's files and checksums, and compute its figures again from its raw logs.

    bag        the archive's folder, or its zip file
    sums_only  files and checksums alone
    Raises     generator.publication.bag_source.BagRefused if it is no bag, or not safe to read
    """
    from generator.verifying import verify as verify_bag

    return verify_bag(Path(bag), sums_only=sums_only)
