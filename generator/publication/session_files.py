"""Everything of a session that takes long to make: its figures, their files, the cards of its comparisons."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass
from itertools import islice
from multiprocessing import get_context
from typing import Any

from generator.evidence.records import SessionAnalysis
from generator.figures.records import Figure
from generator.intake.session import Season, Session, SessionFile
from generator.memory import Memory, Shelf, fingerprint
from generator.progress import counter
from generator.publication.figure_blocks import Drawing, Picture, figure_files, legend, renderer
from generator.publication.overlay_data import overlay_files
from generator.publication.page_frame import simulated_sentence
from generator.publication.picture_files import picture_files, surroundings
from generator.publication.session_blocks import labels_of, of_pair, pairs_of
from generator.publication.session_figures import DrawnFigures, session_figures
from generator.publication.share_card import ShareCard, share_card

Render = Callable[[str, Iterable[Figure]], list[Picture]]


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionFiles:
    """What the pages of a session need, and what stands beside them.

    figures  its figures, rendered
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
    With more sessions to be made than processes each session is made whole in one of them, while pages are written
    here; else the pictures of one session are spread. At most two sessions a process are under way or wait to be
    taken, so that memory stays flat.
    """
    memory = drawing.memory
    shelf: Shelf[SessionFiles] = Shelf() if memory is None else memory.sessions
    keys = [
        session.id if memory is None else _content(season, session, results[session.id])
        for session, _ in sessions
    ]
    fresh = [place for place, key in enumerate(keys) if key not in shelf]
    if drawing.workers < 2 or len(fresh) <= drawing.workers:
        with renderer(drawing) as render:
            for (session, analysis), key in zip(sessions, keys, strict=True):
                yield (
                    shelf.get(key)
                    if key in shelf
                    else _kept(memory, key, _made(season, session, analysis, render))
                )
        return
    waiting, one_drawn = iter(fresh), counter(drawing.progress, "drawing sessions", len(fresh))
    elsewhere = None if memory is None else memory.elsewhere()
    # as for single pictures, started afresh: a fork of a process that has rendered hangs
    with ProcessPoolExecutor(max_workers=drawing.workers, mp_context=get_context("spawn")) as pool:

        def ordered(place: int) -> Future[SessionFiles]:
            session, analysis = sessions[place]
            session = _sendable(session)
            alone = season.model_copy(update={"sessions": (session,)})
            return pool.submit(_made_alone, alone, session, analysis, elsewhere)

        under_way = {place: ordered(place) for place in islice(waiting, 2 * drawing.workers)}
        try:
            for place, key in enumerate(keys):
                if place not in under_way:
                    yield shelf.get(key)
                    continue
                one_drawn()
                made = under_way.pop(place).result()
                under_way |= {after: ordered(after) for after in islice(waiting, 1)}
                yield _kept(memory, key, made)
        finally:
            for future in under_way.values():
                future.cancel()


def _kept(memory: Memory | None, key: str, made: SessionFiles) -> SessionFiles:
    return made if memory is None else memory.sessions.put(key, made)


def _sendable(session: Session) -> Session:
    """The session for another process: what its file is an instance of was made while reading, and cannot travel.

    Its plans, checked, stand in `session.plans`.
    """
    told = {name: getattr(session.file, name) for name in SessionFile.model_fields}
    file = SessionFile.model_construct(**{**told, "procedures": None})
    return session.model_copy(update={"file": file})


def _made_alone(
    season: Season, session: Session, analysis: SessionAnalysis, memory: Memory | None
) -> SessionFiles:
    """All files of a session, made in one process."""
    with renderer(Drawing(memory=memory)) as render:
        return _made(season, session, analysis, render)


def _content(season: Season, session: Session, results: Mapping[str, Any]) -> str:
    """One name for all that goes into the files; the tester's prose does not.

    The results hold all that evidence says, whatever other sessions lent to it, and the checksum of every log; what
    figures show besides follows from the logs, the parts, the rig and the plan.
    """
    fields = [getattr(session, name) for name in type(session).model_fields if name != "conclusion"]
    told = json.dumps(results, sort_keys=True, ensure_ascii=False)
    return fingerprint(told, season.file, dict(season.parts), *fields)


def _made(season: Season, session: Session, analysis: SessionAnalysis, render: Render) -> SessionFiles:
    made = session_figures(season, session, analysis)
    shown: dict[str, Figure] = {figure.name: figure for figure in made.all()}
    drawn = dict(zip(shown, render(f"drawing {session.id}", shown.values()), strict=True))
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
    return SessionFiles(figures=figures, cards=cards, files=tuple(files))
