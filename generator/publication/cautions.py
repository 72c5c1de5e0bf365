"""Cautions as panels: signal word, hazard, consequence, avoidance."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from generator.evidence.records import Caution, SignalWord
from generator.evidence.wording import sentence_case
from generator.intake.hazards import HAZARDS
from generator.intake.session import Session
from generator.publication import texts
from generator.publication.navigation import anchor
from generator.publication.texts import Labels

# Order of severity of ANSI Z535.6; NOTICE is about property and carries no safety alert symbol.
SEVERITY: tuple[SignalWord, ...] = ("DANGER", "WARNING", "CAUTION", "NOTICE")


@dataclass(frozen=True, slots=True, kw_only=True)
class CautionPanel:
    """One caution.

    key           id on the page
    signal        signal word
    signal_class  class of its colours
    alert         whether the safety alert symbol stands before the word
    title         what it is about
    hazard        what is dangerous
    consequence   what it does, or "" where the tester states a caution in their own words
    avoidance     how to avoid it, or ""
    threshold     from when on it is raised, or ""
    source        where that comes from, or ""
    applies_to    labels of the treatments it is about, or () for all
    """

    key: str
    signal: str
    signal_class: str
    alert: bool
    title: str
    hazard: str
    consequence: str
    avoidance: str
    threshold: str
    source: str
    applies_to: tuple[str, ...]


def panel(caution: Caution, labels: Labels) -> CautionPanel:
    """A caution as a panel."""
    return CautionPanel(
        key=anchor("caution", caution.id),
        signal=caution.signal,
        signal_class=caution.signal.lower(),
        alert=caution.signal != "NOTICE",
        title=caution.title,
        hazard=caution.hazard,
        consequence=caution.consequence,
        avoidance=caution.avoidance,
        threshold=texts.closed(caution.threshold),
        source=texts.closed(caution.source),
        applies_to=tuple(labels.get(name, name) for name in caution.applies_to),
    )


def panels(
    cautions: Iterable[Caution], labels: Labels, *, always_on: bool, treatment: str = ""
) -> tuple[CautionPanel, ...]:
    """The cautions that always hold, or those raised by the session; the gravest first.

    treatment  keep only those that are about this treatment or about all; "" keeps every one
    """
    wanted = [
        caution
        for caution in cautions
        if caution.always_on is always_on
        and (not treatment or not caution.applies_to or treatment in caution.applies_to)
    ]
    wanted.sort(key=lambda caution: SEVERITY.index(caution.signal))
    return tuple(panel(caution, labels) for caution in wanted)


def went_on(session: Session) -> tuple[tuple[str, str], ...]:
    """What a plan is refused for, and the reason stated in session.yaml to make it all the same."""
    reasons = session.file.go_on_because.items()
    return tuple((sentence_case(HAZARDS[name]), why) for name, why in reasons)
