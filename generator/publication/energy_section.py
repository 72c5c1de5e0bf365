"""Where the energy goes: figures, heat in watts, differences part by part, and what all that rests on."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from generator.evidence.physics_records import EnergyBalance, LossDifference, LossPart, Measured
from generator.evidence.records import SessionAnalysis
from generator.evidence.wording import (
    NBSP,
    at_words,
    decimals_for,
    interval_decimals,
    listed,
    number,
    sentence_case,
    with_unit,
)
from generator.figures.energy_chart import DECIMALS, energy_bars, energy_name
from generator.figures.records import Figure
from generator.intake.session import Session
from generator.publication import navigation
from generator.publication.figure_blocks import FigureBlock
from generator.publication.navigation import Link, anchor, link
from generator.publication.session_blocks import against, labels_of
from generator.publication.tables import Cell, Table, table
from generator.publication.texts import Labels
from generator.reduction.records import At


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatLine:
    """What a difference in power means as heat.

    sentence  with the rises in temperature beside it
    evidence  links to the comparisons it is made from
    """

    sentence: str
    evidence: tuple[Link, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class EnergyAtSpeed:
    """Everything about one held speed.

    heat         differences said as heat
    figure       the bars
    balances     each treatment in a sentence, with intervals
    differences  what differs part by part, or None
    """

    heat: tuple[HeatLine, ...]
    figure: FigureBlock
    balances: tuple[str, ...]
    differences: Table | None


@dataclass(frozen=True, slots=True, kw_only=True)
class EnergySection:
    """The section of a session's page.

    speeds  one block a speed
    found   what was measured, what was estimated, what is left over
    notes   assumptions a reader must know
    """

    speeds: tuple[EnergyAtSpeed, ...]
    found: str
    notes: tuple[str, ...]


def energy_figures(analysis: SessionAnalysis, session: Session) -> tuple[Figure, ...]:
    """One figure for each held speed of which there is a balance, slowest first."""
    labels = labels_of(session)
    found = []
    for at, balances in _by_speed(analysis).items():
        logs = [
            run.log
            for run in analysis.runs
            if run.refused is None and any(loss.at == at for loss in run.losses)
        ]
        figure = energy_bars(balances, labels, sources=logs)
        if figure is not None:
            found.append(figure)
    return tuple(found)


def energy_section(
    analysis: SessionAnalysis, session: Session, page: str, draw: Callable[[str], FigureBlock]
) -> EnergySection | None:
    """The section for the page `page`; None where no balance could be made.

    draw  name of a figure of `energy_figures` -> that figure as this page shows it
    """
    labels = labels_of(session)
    speeds = _by_speed(analysis)
    if not speeds:
        return None
    differences = analysis.loss_differences
    blocks = tuple(
        EnergyAtSpeed(
            heat=_heat(analysis, session, at, page),
            figure=draw(energy_name(at)),
            balances=tuple(_balance_text(balance, labels) for balance in balances),
            differences=_difference_table([d for d in differences if d.at == at], labels, at),
        )
        for at, balances in speeds.items()
    )
    notes = dict.fromkeys(note for balance in analysis.energy for note in balance.notes)
    return EnergySection(speeds=blocks, found=_found_text(analysis.energy), notes=tuple(notes))


def _by_speed(analysis: SessionAnalysis) -> dict[At, list[EnergyBalance]]:
    found: dict[At, list[EnergyBalance]] = {}
    for balance in analysis.energy:
        found.setdefault(balance.at, []).append(balance)
    return found


def _heat(analysis: SessionAnalysis, session: Session, at: At, page: str) -> tuple[HeatLine, ...]:
    contrasts = {contrast.key: contrast for contrast in analysis.contrasts}

    def evidence(key: str) -> Link:
        contrast = contrasts[key]
        kind = analysis.kinds[contrast.response]
        target = navigation.comparison_page(session.id, contrast.treatment, contrast.baseline)
        where = "" if contrast.at == at else f" {at_words(contrast.at)}"
        return Link(text=f"{kind.label}{where}", href=link(page, target, key))

    return tuple(
        HeatLine(
            sentence=heat.sentence,
            evidence=tuple(evidence(key) for key in (heat.contrast, *heat.rises) if key in contrasts),
        )
        for heat in analysis.heat
        if heat.at == at
    )


# --- texts --------------------------------------------------------------------------------------------------


def _with_interval(power: Measured) -> str:
    """`79.0 W (74.3 to 83.6 W)`."""
    places = min(decimals_for(power.standard_uncertainty, largest=power.value), DECIMALS)
    low, high = (number(limit, places) for limit in power.interval)
    return f"{with_unit(number(power.value, places), 'W')} ({with_unit(f'{low} to {high}', 'W')})"


def _balance_text(balance: EnergyBalance, labels: Labels) -> str:
    """`4S takes 101.9 W (…): 79.0 W (…) into the propeller; 13.5 W (…) heat in the windings (copper); …`"""
    parts = "; ".join(f"{_with_interval(part.power_w)} {part.label}" for part in balance.parts)
    who = sentence_case(labels[balance.treatment])
    return f"{who} takes {_with_interval(balance.electrical_w)}: {parts}."


def _found_text(balances: Sequence[EnergyBalance]) -> str:
    """What was measured, estimated and left over, by the words of the parts themselves."""
    parts: dict[str, LossPart] = {}
    for balance in balances:
        for part in balance.parts:
            parts.setdefault(f"{part.label} {part.how.partition(':')[0]}", part)
    measured = ["the electrical power"]
    measured += [part.label for part in parts.values() if part.how.startswith("measured")]
    estimated = [part.label for part in parts.values() if part.how.startswith("estimated")]
    text = f"Measured: {listed(measured)}."
    if estimated:
        text += f" Estimated from the part files: {'; '.join(estimated)}."
    return f"{text} What is left over is whatever the electrical power holds besides."


def _difference_table(found: Sequence[LossDifference], labels: Labels, at: At) -> Table | None:
    if not found:
        return None
    pairs = list(dict.fromkeys((d.treatment, d.baseline) for d in found))
    cells = {(d.name, d.treatment, d.baseline): d for d in found}
    names = {d.name: d.label for d in found}
    rows = [
        [
            Cell(text=sentence_case(label)),
            *(_difference_cell(cells.get((name, *pair))) for pair in pairs),
        ]
        for name, label in names.items()
    ]
    where = at_words(at)
    caption = f"What differs {where}, part by part, with 95{NBSP}% intervals; what both sides share cancels"
    key = anchor("energy-differences", "-".join(f"{value:g}" for _, value in at))
    return table(key, caption, ("Part", *(against(labels, *pair) for pair in pairs)), rows)


def _difference_cell(found: LossDifference | None) -> Cell:
    if found is None:
        return Cell(text="", numeric=True)
    if found.same_estimate:
        return Cell(text="the same estimate", numeric=True)
    difference = found.difference
    places = min(interval_decimals(*difference.interval), DECIMALS)
    low, high = (number(limit, places, signed=True) for limit in difference.interval)
    return Cell(
        text=with_unit(number(difference.value, places, signed=True), "W"),
        numeric=True,
        note=with_unit(f"{low} to {high}", "W"),
    )
