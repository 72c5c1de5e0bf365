"""What is ticked off before, during and after: the words of the checklists."""

from __future__ import annotations

from generator.intake.parts import Pack
from generator.intake.rig import Rig
from generator.intake.session import Season, Session
from generator.planning.design_records import Design

LOCAL_CODES = (
    "Local codes, the makers' instructions and, where it is asked for, a licensed practitioner come first."
)


TAKE_OFF = (
    "Take the propeller off: cut the power and unplug the pack or the supply first. Nothing loose stays on the shaft "
    "or the bell: no nut, no adapter, no end of tape. The bare motor still spins fast and may exceed its rated speed "
    "unloaded: eye protection on, guard closed, throttle up slowly."
)


def before(season: Season, session: Session, plan: Design, extra: tuple[str, ...] = ()) -> tuple[str, ...]:
    """Before the first run. extra: what this plan asks for besides, such as a setting to read back."""
    bare, turning = _bare(plan)
    packs = _packs(season, session)
    items = [
        "Read the cautions above with everybody who is in the room. Somebody knows how to cut the power and where the "
        "extinguisher and the first-aid box are.",
        f"Guard closed, in the plane of the {turning} and in front of it. Nobody stands in that plane.",
        "Safety glasses on. Hearing protection within reach, and on for every run.",
        "Stand bolted down, motor screws tight. No propeller on the motor, and nothing loose on its shaft or bell."
        if turning == "motor"
        else "Stand bolted down. Propeller free of nicks, its nut tight, the right way round. Nothing loose that the "
        "air could lift.",
        *(
            [
                "The propeller is off for some runs and on for others: the list of runs says before which it comes off."
            ]
            if bare and turning != "motor"
            else []
        ),
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


def during(session: Session, plan: Design) -> tuple[str, ...]:
    """With every run."""
    bare, turning = _bare(plan)
    items = [
        *(
            ["Before the power is connected for a run without a propeller, see that none is on."]
            if bare
            else []
        ),
        f"Eyes and ears on, everybody out of the plane of the {turning}, guard closed. Say aloud that it starts.",
        "Two seconds at rest before and after each run, logger on: they are its zero.",
        "Raise the throttle slowly in the first run of every treatment, and watch speed and current against the table.",
        "A stop limit reached: throttle to zero, power off, then find out why. One run is not worth a motor.",
        f"After each run: throttle zero, wait until the {turning} stands, power off, then touch. Surfaces may be hot.",
        "Write down the start time and the motor's temperature before each run, and anything that was different.",
        "Run whirlbook check between runs while the stand is still set up: it says which run to repeat.",
    ]
    if session.file.check_standard is not None:
        items.append(
            "The check standard is run just as every other run: it shows what the stand itself does."
        )
    return tuple(items)


def after(season: Season, session: Session, plan: Design) -> tuple[str, ...]:
    """After the last run."""
    items = [
        "Power off, supply unplugged, propeller off."
        if _bare(plan)[1] == "propeller"
        else "Power off, supply unplugged.",
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


def _bare(plan: Design) -> tuple[bool, str]:
    """Whether runs are made without a propeller, and what turns: the motor alone where all are."""
    runs = [run for run in plan.runs if run.treatment]
    bare = any(run.bare for run in runs)
    return bare, "motor" if bare and all(run.bare for run in runs) else "propeller"


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
