"""Limits and settings of treatments in words, from the parts alone."""

from __future__ import annotations

from generator.evidence.wording import plain
from generator.intake.session import Season, Session, Treatment

NOTHING = "–"


def read_back(session: Session) -> tuple[str, ...]:
    """Lines for the checklist: every cap is read back with the propeller off."""
    capped = [t for t in session.file.treatments.values() if t.output_cap < 1.0]
    return tuple(
        f"Output cap of {t.label} read back from the controller with the propeller off: "
        f"{plain(100.0 * t.output_cap, '%')}."
        for t in capped
    )


def speed_limit_words(season: Season, treatment: Treatment) -> str:
    """The lowest stated speed limit of motor and propeller, and whose it is."""
    limits = [
        (part.speed_limit_rpm, part.label)
        for part in (season.motor(treatment), season.propeller(treatment))
        if part.speed_limit_rpm is not None
    ]
    if not limits:
        return NOTHING
    rpm, label = min(limits)
    return f"{plain(rpm, 'rpm')}, {label}"
