"""Everything of a session that takes long to make: its figures, their files, the cards of its comparisons."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from generator.evidence.records import SessionAnalysis
from generator.figures.records import Figure
from generator.intake.session import Season, Session
from generator.memory import Memory, fingerprint
from generator.publication.figure_blocks import Picture, figure_files, legend
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


def session_files(
    season: Season,
    session: Session,
    analysis: SessionAnalysis,
    results: Mapping[str, Any],
    render: Render,
    memory: Memory | None,
) -> SessionFiles:
    """Figures, cards and files of a session.

    results its `results.json`
    render  draws figures
    memory  gives what an earlier build of this process made of the same analysis
    """
    if memory is None:
        return _made(season, session, analysis, render)
    key = _content(season, session, results)
    if key not in memory.sessions:
        memory.sessions.put(key, _made(season, session, analysis, render))
    return memory.sessions.get(key)


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
