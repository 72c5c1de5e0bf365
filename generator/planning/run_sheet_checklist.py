"""What is ticked off before, during and after: the words of the checklists."""

from __future__ import annotations

from generator.intake.parts import Pack
from generator.intake.rig import Rig
from generator.intake.session import Season, Session

LOCAL_CODES = (
    "Local codes, the makers' instructions and, where it is asked for, a licensed practitioner come first."
)


def before(season: Season, session: Session, extra: tuple[str, ...] = ()) -> tuple[str, ...]:
    """Before the first run. extra: what this plan asks for besides, such as a setting to read back."""
    packs = _packs(season, session)
    items = [
        "Read the cautions above with everybody who is in the room. Somebody knows how to cut the power and where the "
        "extinguisher and the first-aid box are.",
        "Guard closed, in the plane of the propeller and in front of it. Nobody stands in that plane.",
        "Safety glasses on. Hearing protection within reach, and on for every run.",
        "Stand bolted down. Propeller free of nicks, its nut tight, the right way round. Nothing loose that the air "
        "could lift.",
        "Power off and propeller off while anything is set or read back.",
        *extra,
        *_rig_items(session.rig),
        "Air temperature, pressure and humidity read and written into session.yaml.",
        "Logger clock right, room for all logs. A short recording at rest reads zero thrust and room temperature.",
    ]
    if packs:
        items.insert(
            5,
            "Packs whole, not swollen, at room temperature unless the treatment says otherwise; a fireproof place "
            "ready for them. They are charged elsewhere, watched.",
        )
    return tuple(items)


def during(session: Session) -> tuple[str, ...]:
    """With every run."""
    items = [
        "Eyes and ears on, everybody out of the plane of the propeller, guard closed. Say aloud that it starts.",
        "Two seconds at rest before and after each run, logger on: they are its zero.",
        "Raise the throttle slowly in the first run of every treatment, and watch speed and current against the table.",
        "A stop limit reached: throttle to zero, power off, then find out why. One run is not worth a motor.",
        "After each run: throttle zero, wait until the propeller stands, power off, then touch. Surfaces may be hot.",
        "Write down the start time and the motor's temperature before each run, and anything that was different.",
        "Run whirlbook check between runs while the stand is still set up: it says which run to repeat.",
    ]
    if session.file.check_standard is not None:
        items.append(
            "The check standard is run just as every other run: it shows what the stand itself does."
        )
    return tuple(items)


def after(season: Season, session: Session) -> tuple[str, ...]:
    """After the last run."""
    items = [
        "Power off, supply unplugged, propeller off.",
        "Zero read once more; it has not moved by more than the check allows.",
        "Logs copied off the logger under the names of this sheet, into logs/. Raw logs are never edited.",
        "Start times, notes and the reason for every run left out written into session.yaml.",
        "Everything checked with whirlbook check before the stand is taken down.",
    ]
    if _packs(season, session):
        items.insert(
            1,
            "Packs off the stand, cooled, brought to storage voltage, watched, and put away where they may burn.",
        )
    return tuple(items)


def _packs(season: Season, session: Session) -> bool:
    return any(isinstance(season.source(t), Pack) for t in session.file.treatments.values())


def _rig_items(rig: Rig) -> list[str]:
    have = rig.channels.present()
    items = []
    if "thrust" in have:
        items.append("Thrust checked with a known mass, sign and size right.")
    temperatures = [name for name in ("motor_temperature", "controller_temperature") if name in have]
    if temperatures:
        items.append("Temperature sensors sit where they sat last time and touch what they measure.")
    if "sound_level" in have:
        items.append("Sound level meter at its place, A-weighted, its distance as in the rig file.")
    return items
