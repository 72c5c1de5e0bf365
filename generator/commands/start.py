"""`whirlbook start`: a new season, or a new session in one."""

from __future__ import annotations

import argparse
import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from generator.commands.exit_codes import DONE, NOT_WRITTEN
from generator.console import ask, note, say, watched

if TYPE_CHECKING:
    from generator.planning.start_session import SessionStart

NAME = "start"
DOES = "start a new season, or a new session in one"
EXAMPLES = (
    "whirlbook start my-season --yes",
    "whirlbook start my-season/blades --yes --treatment two='Two blades' --treatment three='Three blades'",
    "whirlbook start my-season/heat --yes --procedures hold,soak --repeats 3",
    "whirlbook start my-season/load-cell --yes --procedures zero",
)
FIRST_SESSION = "first-question"


def _treatment(text: str) -> tuple[str, str]:
    """`ID=LABEL`, or `ID` alone, which is then its own label."""
    name, _, label = text.partition("=")
    return name.strip(), label.strip() or name.strip()


def _list(text: str) -> tuple[str, ...]:
    return tuple(word.strip() for word in text.split(",") if word.strip())


def _count(text: str) -> int:
    if not (text.isdecimal() and 1 <= int(text) <= 100):
        raise argparse.ArgumentTypeError(f"'{text}' is not a whole number from 1 to 100")
    return int(text)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Options of this command."""
    parser.add_argument(
        "name",
        type=Path,
        metavar="NAME",
        help="folder of the new season; SEASON/NAME for a new session in a season",
    )
    parser.add_argument("--title", help="title of the season, or of the session")
    parser.add_argument("--question", help="what the session asks")
    parser.add_argument("--session", metavar="ID", help="folder of a new season's first session")
    parser.add_argument(
        "--rig", metavar="ID", help="the rig: a new one, or for a session one of the season's"
    )
    parser.add_argument(
        "--treatment",
        action="append",
        type=_treatment,
        metavar="ID=LABEL",
        default=[],
        help="a set-up to compare; once for each, the baseline first",
    )
    parser.add_argument(
        "--procedures", type=_list, metavar="LIST", default=(), help="such as hold,soak; hold if not given"
    )
    parser.add_argument("--repeats", type=_count, metavar="NUMBER", help="runs of each set-up")
    parser.add_argument("--yes", action="store_true", help="ask nothing; take what is usual")


def run(options: argparse.Namespace) -> int:
    """Ask what is not said, write the files, tell what comes next."""
    from generator.planning.start import is_season, start
    from generator.planning.start_session import SessionStart

    inside = is_season(options.name.parent) and options.name.name not in ("", ".", "..")
    title = options.title
    session = SessionStart(
        id=options.session or FIRST_SESSION,
        date=datetime.date.today(),
        question=options.question,
        rig=options.rig,
        treatments=tuple(options.treatment),
        procedures=options.procedures,
        repeats=options.repeats,
    )
    if not options.yes and watched():
        try:
            title, session = _asked(options, session, inside)
        except KeyboardInterrupt:
            note("Stopped. Nothing was written.")
            return NOT_WRITTEN
    written = start(options.name, session, title=title)
    say(f"{options.name}: {len(written)} files written.")
    season = options.name.parent if inside else options.name
    folder = options.name if inside else options.name / session.id
    say("Every line that ends in `# replace` holds an invented value: put your own there. Then, or before:")
    say(f"  whirlbook plan {folder}    run sheet and list of runs; says what is not safe")
    say(f"  whirlbook rehearse {folder}    simulated logs, to try the whole way")
    say(f"  whirlbook check {season}    what is wrong or doubtful")
    say(f"  whirlbook view {season}    the pages, as you write")
    return DONE


def _asked(
    options: argparse.Namespace, session: SessionStart, inside: bool
) -> tuple[str | None, SessionStart]:
    """The answers of the person at the terminal to whatever no option said."""
    from dataclasses import replace

    from generator.planning.start_session import DEFAULT_TREATMENTS
    from generator.planning.start_values import PROCEDURES

    note("An empty answer takes what stands in brackets. Everything can be changed in the files afterwards.")
    usual = options.name.name.replace("-", " ").capitalize()
    title = options.title or ask(f"Title of the {'session' if inside else 'season'}?", usual)
    if not inside and options.session is None:
        session = replace(session, id=_asked_name("Folder of the first session?", FIRST_SESSION))
    if session.question is None:
        usual = PROCEDURES["hold"].asks
        said = ask(
            "What does the session ask? Say what changes, what stays equal, and which response.", usual
        )
        session = replace(session, question=None if said == usual else said)
    if not inside and session.rig is None:
        session = replace(session, rig=_asked_name("Short name of your rig?", "my-stand"))
    if not session.treatments:
        usual = ", ".join(f"{name}={label}" for name, label in DEFAULT_TREATMENTS)
        while True:
            said = ask("Which set-ups are compared? As ID=LABEL, ID=LABEL; the baseline first.", usual)
            given = tuple(_treatment(text) for text in _list(said))
            if len(given) >= 2:
                break
            note("Name at least two.")
        session = replace(session, treatments=() if said == usual else given)
    if not session.procedures:
        for name, begun in PROCEDURES.items():
            note(f"  {name}: {begun.does}")
        while True:
            chosen = _list(ask("Which procedures?", "hold"))
            unknown = [name for name in chosen if name not in PROCEDURES]
            if chosen and not unknown:
                break
            note(f"Not known here: {', '.join(unknown)}." if unknown else "Name at least one.")
        session = replace(session, procedures=chosen)
    return title, session


def _asked_name(question: str, usual: str) -> str:
    from generator.planning.start_session import ID

    while not ID.match(said := ask(f"{question} Letters, digits, dots, hyphens, underscores.", usual)):
        note(f"'{said}' cannot be used as a name.")
    return said
