"""Where the energy goes: parts of the electrical power, and extra power as heat."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace

from generator.evidence.contrast_statistics import coverage_factor
from generator.evidence.energy_notes import (
    FROM_COEFFICIENTS,
    FROM_TORQUE,
    LABELS,
    REST_WITH_SHAFT,
    SHAFT_UNKNOWN,
    BalanceBasis,
    balance_notes,
    how_found,
)
from generator.evidence.physics_records import EnergyBalance, HeatDifference, LossPart, Measured
from generator.evidence.records import Contrast, ResponseSummary
from generator.evidence.sentences import amount_words, difference_text, short_sentence, signed_interval_phrase
from generator.evidence.summaries import summarise
from generator.evidence.verdicts import LESS, MORE, NOT_SETTLED
from generator.evidence.wording import (
    at_key,
    at_words,
    listed,
    plain,
    sentence_case,
)
from generator.intake.session import Season, Session
from generator.reduction import response_kinds
from generator.reduction.losses import (
    ELECTRICAL,
    PARTS,
    REST,
    SHAFT,
)
from generator.reduction.records import At, ResponseKind, RunReduction

LEVEL = 0.95
# A soak counts as beside a held speed if its own lies this near. Our own choice, no source.
NEAR_SPEED = 0.10

HEAT = replace(
    response_kinds.ELECTRICAL_POWER,
    more="turns {amount} more into heat",
    less="turns {amount} less into heat",
    same="turns the same power into heat",
)
RISES: Mapping[str, ResponseKind] = {
    kind.name: kind
    for kind in (
        response_kinds.TEMPERATURE_RISE,
        response_kinds.MOTOR_TEMPERATURE_RISE,
        response_kinds.CONTROLLER_SOAK_RISE,
        response_kinds.CONTROLLER_TEMPERATURE_RISE,
    )
}
OF_SOAK = (response_kinds.TEMPERATURE_RISE.name, response_kinds.CONTROLLER_SOAK_RISE.name)


def energy_balances(
    runs: Sequence[RunReduction], session: Session, season: Season
) -> tuple[EnergyBalance, ...]:
    """Parts of the electrical power of every treatment at every held speed, in the order of the speeds.

    The losses of a run are treated as responses: the mean over runs, its uncertainty from the scatter between them
    and, signed, from what they share (`summaries.summarise`), with a 95 % interval. A run that gave less than
    others of its treatment (no torque, fewer parts) would mix two meanings of the rest, so it is left out and
    told. The check standard is not shown.
    """
    treatments = session.file.treatments
    order = dict.fromkeys((session.file.baseline, *treatments))
    kept, left_out = alike_runs(runs)
    summaries: dict[tuple[At, str], dict[str, ResponseSummary]] = {}
    for summary in summarise(kept, _KINDS):
        summaries.setdefault((summary.at, summary.treatment), {})[summary.response] = summary
    found = []
    for at in sorted({at for at, _ in summaries}, key=lambda at: [value for _, value in at]):
        for name in order:
            parts = summaries.get((at, name), {})
            if name == session.file.check_standard or not {ELECTRICAL, REST} <= set(parts):
                continue
            told = BalanceBasis(
                runs=parts[ELECTRICAL].runs,
                left_out=left_out.get((at, name), 0),
                motor=season.motor(treatments[name]),
                controller=season.controller(treatments[name]),
                propeller=season.propeller(treatments[name]),
                shaft_from=_shaft_from(parts, runs, name, at),
                case_temperature=_gives(runs, name, at, response_kinds.MOTOR_TEMPERATURE_RISE.name),
            )
            found.append(_balance(name, at, parts, told))
    return tuple(found)


def heat_differences(
    contrasts: Sequence[Contrast], session: Session, season: Season
) -> tuple[HeatDifference, ...]:
    """Extra electrical power at equal propeller and speed, said as heat, beside the rises in temperature.

    The same propeller at the same speed in the same air takes the same shaft power, so what a set-up draws more is
    heat in its motor and controller; in which part of them is not said. Rises are those at the same speed, and,
    where the session soaked at another speed within NEAR_SPEED, those of the soak, told with its speed.
    """
    treatments = session.file.treatments
    labels = {name: treatment.label for name, treatment in treatments.items()}
    found = []
    for contrast in contrasts:
        ours, base = treatments[contrast.treatment], treatments[contrast.baseline]
        if contrast.response != ELECTRICAL or _speed(contrast.at) is None or ours.propeller != base.propeller:
            continue
        rises = _rises(contrasts, contrast)
        found.append(
            HeatDifference(
                treatment=contrast.treatment,
                baseline=contrast.baseline,
                at=contrast.at,
                contrast=contrast.key,
                rises=tuple(rise.key for rise in rises),
                sentence=_heat_sentence(contrast, rises, labels),
            )
        )
    return tuple(found)


def interval_of(summary: ResponseSummary) -> Measured:
    """A summary's value with its 95 % interval, coverage factor from its degrees of freedom (GUM, G.4.1)."""
    half = coverage_factor(LEVEL, summary.dof) * summary.standard_uncertainty
    return Measured(
        value=summary.value,
        standard_uncertainty=summary.standard_uncertainty,
        interval=(summary.value - half, summary.value + half),
    )


# --- balances -----------------------------------------------------------------------------------------------


def _kind(name: str, label: str) -> ResponseKind:
    return ResponseKind(
        name=name, label=label, unit="W", better="neither",
        more="takes {amount} more", less="takes {amount} less", same="takes the same",
        explain="See generator.reduction.losses.",
    )  # fmt: skip


_KINDS = {ELECTRICAL: _kind(ELECTRICAL, "Electrical power")} | {
    name: _kind(name, label) for name, label in LABELS.items()
}


def alike_runs(runs: Sequence[RunReduction]) -> tuple[tuple[RunReduction, ...], dict[tuple[At, str], int]]:
    """Runs with their losses as responses, and how many were not taken, by condition and treatment.

    Taken are those that give as much as any of their treatment: as many parts, and torque if one has it.
    """
    used = [run for run in runs if run.refused is None]
    given = {
        (run.run_id, at): {loss.response for loss in run.losses if loss.at == at}
        | {response_kinds.TORQUE.name for r in run.responses if (r.response, r.at) == (response_kinds.TORQUE.name, at)}
        for run in used
        for at in dict.fromkeys(loss.at for loss in run.losses)
    }  # fmt: skip
    most: dict[tuple[At, str], int] = {}
    for run in used:
        for at in dict.fromkeys(loss.at for loss in run.losses):
            place = (at, run.treatment)
            most[place] = max(most.get(place, 0), len(given[run.run_id, at]))
    left_out: Counter[tuple[At, str]] = Counter()
    kept = []
    for run in used:
        less = [
            at
            for at in dict.fromkeys(loss.at for loss in run.losses)
            if len(given[run.run_id, at]) < most[at, run.treatment]
        ]
        left_out.update((at, run.treatment) for at in less)
        kept.append(replace(run, responses=tuple(loss for loss in run.losses if loss.at not in less)))
    return tuple(kept), dict(left_out)


def _gives(runs: Sequence[RunReduction], treatment: str, at: At, response: str) -> bool:
    """Whether any used run of a treatment gives a response at a condition."""
    return any(
        found.response == response and found.at == at
        for run in runs
        if run.refused is None and run.treatment == treatment
        for found in run.responses
    )


def _shaft_from(
    parts: Mapping[str, ResponseSummary], runs: Sequence[RunReduction], treatment: str, at: At
) -> str:
    if SHAFT not in parts:
        return SHAFT_UNKNOWN
    measured = _gives(runs, treatment, at, response_kinds.TORQUE.name)
    return FROM_TORQUE if measured else FROM_COEFFICIENTS


def _balance(
    treatment: str, at: At, summaries: Mapping[str, ResponseSummary], used: BalanceBasis
) -> EnergyBalance:
    electrical = summaries[ELECTRICAL]
    present = [name for name in PARTS if name in summaries]
    return EnergyBalance(
        key="-".join(part for part in ("energy", at_key(at), treatment) if part),
        treatment=treatment,
        at=at,
        electrical_w=interval_of(electrical),
        parts=tuple(
            LossPart(
                name=name,
                label=REST_WITH_SHAFT if name == REST and SHAFT not in present else LABELS[name],
                power_w=interval_of(summaries[name]),
                share=summaries[name].value / electrical.value,
                how=how_found(name, used),
            )
            for name in present
        ),
        shaft_from=used.shaft_from,
        notes=balance_notes(present, used),
    )


# --- heat ---------------------------------------------------------------------------------------------------


def _speed(at: At) -> float | None:
    return at[0][1] if len(at) == 1 and at[0][0] == "speed_rpm" else None


def _rises(contrasts: Sequence[Contrast], power: Contrast) -> list[Contrast]:
    """Contrasts in temperature rise of the same two treatments, at the same speed or of a soak near it."""
    speed = _speed(power.at)
    assert speed is not None
    pair = [
        c
        for c in contrasts
        if c.response in RISES and (c.treatment, c.baseline) == (power.treatment, power.baseline)
    ]
    powers = [
        own
        for c in contrasts
        if c.response == ELECTRICAL
        and (c.treatment, c.baseline) == (power.treatment, power.baseline)
        and (own := _speed(c.at)) is not None
    ]
    found = [c for c in pair if c.at == power.at]
    for c in pair:
        soaked = _speed(c.at)
        if soaked is None or c.response not in OF_SOAK or soaked in powers:
            continue
        nearest = min(powers, key=lambda own: abs(own - soaked))
        if nearest == speed and abs(soaked / speed - 1.0) <= NEAR_SPEED:
            found.append(c)
    return sorted(found, key=lambda c: list(RISES).index(c.response))


def _heat_sentence(power: Contrast, rises: Sequence[Contrast], labels: Mapping[str, str]) -> str:
    # A percentage would be one of the electrical power and be read as one of the heat; the margin likewise.
    margin = power.margin_text if power.margin is None else plain(power.margin, power.unit, digits=2)
    bare = replace(power, relative=None, relative_interval=None, margin_text=margin)
    text = f"{sentence_case(short_sentence(bare, HEAT, labels))}"
    if power.verdict == NOT_SETTLED:
        text += f"; the difference is {amount_words(bare, HEAT)}"
    else:
        text += "; the same propeller at the same speed takes the same power, so the difference is heat"
    text += "."
    same = [_rise_words(rise) for rise in rises if rise.at == power.at]
    if same:
        text += f" Beside it, at the same speed: {listed(same)}."
    for at in dict.fromkeys(rise.at for rise in rises if rise.at != power.at):
        soaked = [_rise_words(rise) for rise in rises if rise.at == at]
        text += f" Beside it, in the soak {at_words(at)}: {listed(soaked)}."
    if any(name.startswith("same-thrust") for name in power.weakened_by):
        text += (
            " The thrust did not agree at this speed, which weakens this: with another load on the shaft, part of the "
            "difference is no heat."
        )
    elif power.weakened_by:
        text += " A check of the data weakens the comparison of power that this rests on."
    if any(rise.weakened_by for rise in rises):
        text += " A check of the data weakens a comparison of temperature named here."
    return text


def _rise_words(rise: Contrast) -> str:
    """`motor temperature rise +3.3 K (95 % interval +1.2 to +5.4 K)`, and how far that is settled."""
    label = RISES[rise.response].label
    grade = "" if rise.verdict in (MORE, LESS) else f", {_grade(rise)}"
    single = ", indicative" if rise.indicative else ""
    words = f"{label[:1].lower()}{label[1:]} {difference_text(rise)}"
    return f"{words} ({signed_interval_phrase(rise)}{grade}{single})"


def _grade(rise: Contrast) -> str:
    """What the verdict says beside the number: `not settled`, `no difference that matters`, `perhaps too little...`."""
    return rise.verdict.split(", ", 1)[-1]
