"""One session from reduced runs to everything that is said about it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from generator.evidence.aircraft import in_the_air
from generator.evidence.cautions import cautions
from generator.evidence.checks import checks, weakened
from generator.evidence.claims import claims
from generator.evidence.constants import effective_constants
from generator.evidence.contrasts import contrasts, uncomputable
from generator.evidence.curve_contrasts import curve_contrasts
from generator.evidence.curves_mean import mean_curves
from generator.evidence.data_checks import LEFT_OUT
from generator.evidence.energy import energy_balances, heat_differences
from generator.evidence.energy_differences import loss_differences
from generator.evidence.headline import calibration_headline, headline
from generator.evidence.records import Contrast, ResponseSummary, SessionAnalysis
from generator.evidence.repeatability import History
from generator.evidence.rig_history import RigHistory
from generator.evidence.summaries import gather, several_procedures, summarise_gathered
from generator.evidence.wording import at_words, listed
from generator.intake.caution_texts import CautionText
from generator.intake.reference_texts import Thresholds
from generator.intake.session import Season, Session
from generator.reduction.records import AirState, ResponseKind, RunReduction


def assess(
    session: Session,
    season: Season,
    runs: Sequence[RunReduction],
    kinds: Mapping[str, ResponseKind],
    texts: Mapping[str, CautionText],
    thresholds: Thresholds,
    air: AirState,
    history: History | None = None,
    rig_history: RigHistory | None = None,
) -> SessionAnalysis:
    """The analysis of one session, from its reduced runs alone.

    runs        every run of the session, refused ones with their reason
    kinds       response name -> kind
    texts       caution id -> text
    thresholds  limits of checks and cautions
    air         the session's air
    history     scatter of single runs of the rig, from the check standard's runs in this and earlier sessions
    rig_history control charts of the rig; what is after the session is not used

    Runs that the tester left out are not used, also where their reduction does not know of it; they are told.
    """
    left_out = {run.log: run.left_out for run in session.file.runs if run.left_out is not None}
    told = tuple(
        replace(run, refused=f"{LEFT_OUT}: {left_out[run.log]}")
        if run.refused is None and run.log in left_out
        else run
        for run in runs
    )
    gathered = gather(told)
    summaries = summarise_gathered(gathered, kinds)
    balances = energy_balances(told, session, season)
    constants = effective_constants(told, session, season)
    found_checks = checks(told, summaries, season, session, thresholds, air, balances, constants, rig_history)
    compared = weakened(contrasts(summaries, told, session, kinds, history, gathered), found_checks)
    labels = {name: treatment.label for name, treatment in session.file.treatments.items()}
    simulated = any(run.simulated is not None for run in told)
    flights, flight_differences = in_the_air(told, session, season, history)
    calibrates = calibration_headline(told) if not compared else None
    answer = calibrates or headline(
        compared, kinds, labels, session.file.primary, found_checks, session.file.title
    )
    return SessionAnalysis(
        session_id=session.id,
        runs=told,
        kinds=dict(kinds),
        responses=summaries,
        contrasts=compared,
        claims=claims(session, compared, kinds, found_checks),
        checks=found_checks,
        cautions=cautions(told, season, session, texts, thresholds),
        curves=mean_curves(told),
        headline=f"Simulated data: {answer}" if simulated else answer,
        simulated=simulated,
        curve_contrasts=curve_contrasts(told, session, kinds),
        energy=balances,
        heat=heat_differences(compared, session, season),
        loss_differences=loss_differences(told, session),
        constants=constants,
        in_the_air=flights,
        in_the_air_differences=flight_differences,
        notes=_notes(session, told, summaries, compared, kinds, labels),
    )


def _planned(session: Session, treatment: str) -> bool:
    """Whether a session has runs of a treatment at all, or compares it: a calibration only names what was mounted."""
    compares = len(session.file.treatments) - (session.file.check_standard is not None) > 1
    return compares or any(run.treatment == treatment for run in session.file.runs)


def _notes(
    session: Session,
    runs: Sequence[RunReduction],
    summaries: Sequence[ResponseSummary],
    compared: Sequence[Contrast],
    kinds: Mapping[str, ResponseKind],
    labels: Mapping[str, str],
) -> tuple[str, ...]:
    """What a reader must be told of what is missing, refused, left out or taken from one procedure of several."""
    notes = [f"{run.log} is not used. {run.refused.rstrip('.')}." for run in runs if run.refused is not None]
    reduced = {run.log for run in runs}
    notes += [
        f"{run.log} is named in the session and could not be read; it is not used."
        for run in session.file.runs
        if run.log not in reduced
    ]
    used = {run.treatment for run in runs if run.refused is None}
    notes += [
        f"No run of {treatment.label} is used, so nothing is said about it."
        for name, treatment in session.file.treatments.items()
        if name not in used and any(run.treatment for run in runs) and _planned(session, name)
    ]
    notes += [
        f"{kinds[response].label} of {taken} runs is reported; {listed(others)} runs give it at the same condition "
        "too, in another way, and are left out of it."
        for response, taken, others in several_procedures(runs)
    ]
    notes += [
        f"{' '.join(filter(None, (kinds[response].label, at_words(at))))} of {labels[treatment]} is not compared: the "
        "runs agree to the last digit and nothing says how well one run is known."
        for response, at, treatment in uncomputable(summaries, compared, session)
    ]
    measured = {summary.response for summary in summaries}
    notes += [
        f"{kinds[response].label if response in kinds else response} was declared primary and was not measured."
        for response in session.file.primary
        if response not in measured
    ]
    return tuple(notes)
