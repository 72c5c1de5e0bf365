"""Everything of a session that takes long to make: its figures, their files, the cards of its comparisons."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from generator.evidence.records import SessionAnalysis
from generator.executors import HERE
from generator.figures.records import Figure
from generator.intake.session import Season, Session
from generator.memory import Memory, fingerprint
from generator.progress import counter
from generator.publication.figure_blocks import Drawing, figure_files, legend, rendered
from generator.publication.overlay_data import overlay_files
from generator.publication.page_frame import simulated_sentence
from generator.publication.picture_files import picture_files, surroundings
from generator.publication.session_blocks import labels_of, of_pair, pairs_of
from generator.publication.session_figures import DrawnFigures, session_figures
from generator.publication.share_card import ShareCard, share_card
from generator.publication.svg import prepare_renderer


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionFiles:
    """What the pages of a session need, and what stands beside them.

    figures  its figures, rendered; their specifications are in `files` alone
    cards    (treatment, baseline) -> the card of that comparison
    files    (path, bytes) of everything but pages, logs and photos
    """

    figures: DrawnFigures
    cards: Mapping[tuple[str, str], ShareCard]
    files: tuple[tuple[str, bytes], ...]


def drawn_sessions(
    season: Season,
    sessions: Sequence[tuple[Session, SessionAnalysis]],
    results: Mapping[str, Mapping[str, Any]],
    drawing: Drawing,
) -> Iterator[SessionFiles]:
    """Figures, cards and files of each session, in order.

    results  session id -> its `results.json`
    drawing  how; its memory gives what an earlier build made of the same analysis
    With more sessions to be made than half the workers each session is made whole by one of them, while pages are
    written here; else the pictures of one session are spread. A few sessions a worker are under way or wait to be
    taken, so that memory stays flat. Others begin at once; who asks for the first session later finds it made.
    """
    memory, workers = drawing.memory, drawing.workers
    keys = [
        session.id if memory is None else content_of(season, session, results[session.id])
        for session, _ in sessions
    ]
    fresh = [place for place, key in enumerate(keys) if memory is None or key not in memory.sessions]
    runs = sum(len(sessions[place][0].file.runs) for place in fresh)
    whole = 2 * len(fresh) > workers.count and workers.worth(runs, drawing.runs_worth_workers)
    by = workers if whole else HERE
    elsewhere = memory.elsewhere() if memory is not None and by is not HERE and by.shares else None
    one_drawn = counter(drawing.progress, "drawing sessions", len(fresh))

    def alone(place: int) -> tuple[Season, Session, SessionAnalysis]:
        session, analysis = sessions[place]
        return season.model_copy(update={"sessions": (session,)}), session, analysis

    orders = ((*alone(place), keys[place], elsewhere) for place in fresh)
    coming = by.map(made_alone, orders) if whole else iter(())
    still_fresh = set(fresh)

    def each() -> Iterator[SessionFiles]:
        for place, key in enumerate(keys):
            made = None
            if place in still_fresh and whole:
                one_drawn()
                made = next(coming)
                if memory is not None:
                    keep = memory.sessions.put if elsewhere is None else memory.sessions.count
                    keep(key, made)
            elif place not in still_fresh and memory is not None:
                made = memory.sessions.find(key)
            if made is None:  # nobody else has made it, or what was kept is damaged
                made = _made(*alone(place), drawing)
                if memory is not None:
                    memory.sessions.put(key, made)
            yield made

    return each()


def made_alone(
    season: Season, session: Session, analysis: SessionAnalysis, key: str, memory: Memory | None
) -> SessionFiles:
    """All files of a session, as a task of its own that any process can do.

    key, memory  where another process keeps what it has made
    """
    made = _made(season, session, analysis, Drawing(memory=memory))
    return made if memory is None else memory.sessions.put(key, made)


def make_ready() -> None:
    """Warm the chart engine up, so that the first task of a process does not have to."""
    prepare_renderer()


def content_of(season: Season, session: Session, results: Mapping[str, Any]) -> str:
    """One name for all that goes into the files; the tester's prose does not.

    The results hold all that evidence says, whatever other sessions lent to it, and the checksum of every log; what
    figures show besides follows from the logs, the parts, the rig and the plan.
    """
    fields = [getattr(session, name) for name in type(session).model_fields if name != "conclusion"]
    told = json.dumps(results, sort_keys=True, ensure_ascii=False)
    return fingerprint(told, season.file, dict(season.parts), *fields)


def _made(season: Season, session: Session, analysis: SessionAnalysis, drawing: Drawing) -> SessionFiles:
    made = session_figures(season, session, analysis)
    shown: dict[str, Figure] = {figure.name: figure for figure in made.all()}
    drawn = dict(zip(shown, rendered(drawing, f"drawing {session.id}", shown.values()), strict=True))
    marks = legend(labels_of(session), session.file.baseline)
    figures = DrawnFigures(session_id=session.id, made=made, pictures=drawn, legend=marks)
    cards = {
        pair: share_card(of_pair(analysis, session, *pair)[0], analysis, session, season)
        for pair in pairs_of(analysis, session)
    }
    files: list[tuple[str, bytes]] = []
    for card in cards.values():
        files.append((card.path, card.png))
        files.append((card.path.removesuffix("png") + "svg", f"{card.svg}\n".encode()))
    around = surroundings(season, session, simulated_sentence([analysis.simulated]))
    for figure in made.all():
        files += figure_files(figure, session.id).items()
        files += picture_files(figures, figure, around).items()
    files += overlay_files(session, analysis).items()
    placed = replace(figures, made=made.without_specifications())
    return SessionFiles(figures=placed, cards=cards, files=tuple(files))
