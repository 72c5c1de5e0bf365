"""Everything that can be taken away: results, logs and charts' data of each session, and how to check and cite them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from generator.evidence.records import SessionAnalysis
from generator.evidence.wording import NBSP, counted, number
from generator.intake.session import Season, Session
from generator.publication import navigation
from generator.publication.facts import date_text
from generator.publication.front_page import newest_first
from generator.publication.navigation import Link, link
from generator.publication.page_frame import Frame, Site
from generator.publication.sharing import absolute, citation
from generator.publication.tables import Cell, Table, table

LogSizes = Mapping[tuple[str, str], int]  # (session id, log as written in session.yaml) -> bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Citation:
    """How to cite one session: link to the session, and the line as text."""

    session: Link
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DownloadsPage:
    """Everything on the page of downloads.

    tally      how much there is, in words
    sessions   one row a session: results, logs, runs, licence
    schema     link to the schema of results.json
    season     how to cite the season as a whole
    citations  how to cite each session
    example    path of one session's list of checksums, as a command names it, or "" where there is no session
    folder     the folder that the commands are given in, relative to the site, or ""
    method     link to how each number is made
    """

    tally: str
    sessions: Table
    schema: str
    season: str
    citations: tuple[Citation, ...]
    example: str
    folder: str
    method: str


def size_text(size: int) -> str:
    """A size in bytes as people say it: three digits, kB and MB of a thousand each."""
    if size < 1000:
        return f"{size}{NBSP}bytes"
    value, unit = (size / 1e3, "kB") if size < 999_500 else (size / 1e6, "MB")
    return f"{number(value, max(0, 3 - len(str(int(value)))))}{NBSP}{unit}"


def checksum_list(analysis: SessionAnalysis) -> bytes:
    """SHA-256 of every log as copied beside the session's page, in the form that `sha256sum -c` reads.

    A name with a backslash or a line break is escaped and its line begins with a backslash, as that program does.
    """
    lines = set()
    for log in (log for run in analysis.runs for log in run.logs):
        path = navigation.log_copy(analysis.session_id, log.path)
        name = path.removeprefix(f"{navigation.session_folder(analysis.session_id)}/")
        escaped = name.replace("\\", "\\\\").replace("\n", "\\n").replace("\r", "\\r")
        lines.add(f"{'' if escaped == name else chr(92)}{log.sha256}  {escaped}\n")
    return "".join(sorted(lines, key=lambda line: line.split("  ", 1)[1])).encode()


def season_citation(season: Season, version: str) -> str:
    """How to cite the season as a whole."""
    file = season.file
    where = absolute(season, navigation.FRONT)
    parts = [
        f"{file.author.rstrip('.')}: {file.title.rstrip('.')}."
        if file.author
        else f"{file.title.rstrip('.')}.",
        "Bench tests of small electric propulsion.",
        where,
        f"Data: {file.licence}." if file.licence else "",
        f"Made with Whirlbook {version}.",
    ]
    return " ".join(part for part in parts if part)


def downloads_page(
    site: Site, analyses: Mapping[str, SessionAnalysis], sizes: LogSizes
) -> tuple[Frame, DownloadsPage]:
    """Frame and content of the page of downloads. sizes: of every log of these sessions."""
    page = navigation.DOWNLOADS
    sessions = [session for session in newest_first(site.season.sessions) if session.id in analyses]
    logs = {
        (session.id, log.path)
        for session in sessions
        for run in analyses[session.id].runs
        for log in run.logs
    }
    total = size_text(sum(sizes[log] for log in logs))
    tally = f"{counted(len(sessions), 'session')}, {counted(len(logs), 'raw log')}, {total} of logs."
    frame = site.frame(
        page,
        "Downloads",
        f"Results, raw logs and chart data of every session, to check, reuse and cite. {tally}",
        trail=(("Downloads", page),),
        simulated=site.simulated,
    )
    newest = sessions[0].id if sessions else ""
    return frame, DownloadsPage(
        tally=tally,
        sessions=_table(site, sessions, analyses, sizes),
        schema=link(page, navigation.RESULTS_SCHEMA),
        season=season_citation(site.season, site.version),
        citations=tuple(
            Citation(
                session=Link(
                    text=session.file.title, href=link(page, navigation.session_page(session.id), "data")
                ),
                text=citation(
                    session.file.title,
                    navigation.session_page(session.id),
                    session,
                    site.season,
                    site.version,
                ),
            )
            for session in sessions
        ),
        example=navigation.CHECKSUM_NAME if newest else "",
        folder=navigation.session_folder(newest) if newest else "",
        method=link(page, navigation.METHOD),
    )


def _table(
    site: Site, sessions: list[Session], analyses: Mapping[str, SessionAnalysis], sizes: LogSizes
) -> Table:
    page = navigation.DOWNLOADS
    rows = []
    for session in sessions:
        analysis = analyses[session.id]
        logs = {run.log for run in analysis.runs if not run.lost}
        rows.append(
            (
                Cell(
                    text=session.file.title,
                    href=link(page, navigation.session_page(session.id)),
                    note="simulated data" if analysis.simulated else "",
                ),
                Cell(text=date_text(session.file.date)),
                Cell(text=str(len(analysis.runs)), numeric=True),
                Cell(text="results.json", href=link(page, navigation.results_file(session.id))),
                Cell(
                    text=counted(len(logs), "raw log"),
                    href=link(page, navigation.session_page(session.id), "runs-table"),
                    note=size_text(sum(sizes[session.id, log] for log in logs)),
                ),
                Cell(text=navigation.CHECKSUM_NAME, href=link(page, navigation.checksum_file(session.id))),
                Cell(text=site.season.file.licence or "not stated"),
            )
        )
    columns = ("Session", "Date", "Runs", "Results", "Raw logs", "Checksums", "Licence")
    return table("sessions-table", "All sessions, the newest first", columns, rows)
