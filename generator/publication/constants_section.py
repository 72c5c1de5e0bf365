"""Fitted constants of motors and propellers beside the stated ones: on the session's page and on each part's."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from generator.evidence.constants import (
    COEFFICIENTS,
    EXPONENTS,
    LIMITS,
    MOTOR,
    PACK,
    PACK_UNCERTAINTY,
    coefficients_uncertainty,
    interval_ends,
    is_rough,
    verdict,
    where,
)
from generator.evidence.physics_records import EffectiveConstant
from generator.evidence.records import SessionAnalysis
from generator.evidence.wording import (
    NBSP,
    counted,
    listed,
    measured,
    percent,
    plain,
    sentence_case,
)
from generator.figures.coefficients_chart import coefficients
from generator.figures.records import Figure
from generator.intake.session import Season, Session
from generator.publication import navigation
from generator.publication.facts import date_text
from generator.publication.figure_blocks import FigureBlock
from generator.publication.navigation import anchor, link
from generator.publication.session_blocks import labels_of
from generator.publication.tables import Cell, Table, table
from generator.reduction.constants import CONSTANT_KINDS
from generator.reduction.losses import NOMINAL_UNCERTAINTY
from generator.reduction.stated_coefficients import stated_coefficients

SHORT = {"kv": "KV", "thrust_coefficient": "CT", "power_coefficient": "CP"}
TOLD_ALWAYS = ("kv", "winding_resistance", *PACK)
COLUMNS = ("Fitted", f"95{NBSP}% interval", "Stated", "Departure", "What that says")


@dataclass(frozen=True, slots=True, kw_only=True)
class ConstantsSection:
    """Constants fitted from a session's own runs, as its page shows them.

    answer     whether anything departs from what is stated, in a sentence or two
    sentences  motor constants, courses over speed, and every coefficient that departs
    tables     fitted against stated, one a treatment
    figures    coefficients against speed
    how        how each constant was fitted and what counts as a departure, a paragraph each
    """

    answer: str
    sentences: tuple[str, ...]
    tables: tuple[Table, ...]
    figures: tuple[FigureBlock, ...]
    how: tuple[str, ...]


def constants_section(
    analysis: SessionAnalysis,
    session: Session,
    season: Season,
    figures: Sequence[FigureBlock] = (),
) -> ConstantsSection | None:
    """The section of a session; None where nothing was fitted.

    figures  those of `coefficient_figures`, rendered
    """
    found = analysis.constants
    if not found:
        return None
    labels = labels_of(session)
    told = [c for c in found if c.name in TOLD_ALWAYS or c.name in EXPONENTS or c.outcome == "departs"]
    tables = tuple(
        _table_of(f"constants-{anchor(treatment)}", label, own, season)
        for treatment, label in labels.items()
        if (own := [c for c in found if c.treatment == treatment and c.name not in EXPONENTS])
    )
    return ConstantsSection(
        answer=_answer(found, labels),
        sentences=tuple(c.sentence for c in told),
        tables=tables,
        figures=tuple(figures),
        how=_how(found),
    )


def coefficient_figures(season: Season, session: Session, analysis: SessionAnalysis) -> tuple[Figure, ...]:
    """CT and CP against speed, as far as they were measured at three speeds or more."""
    labels = labels_of(session)
    logs = tuple(run.log for run in analysis.runs if run.constants and run.refused is None)
    made = []
    for name, which in COEFFICIENTS.items():
        stated = {}
        for treatment in labels:
            propeller = season.propeller(session.file.treatments[treatment])
            share = coefficients_uncertainty(propeller)
            points = stated_coefficients(propeller, which)
            stated[treatment] = tuple((speed, value, share * value) for speed, value in points)
        made.append(
            coefficients(
                analysis.constants,
                labels,
                which=name,
                baseline=session.file.baseline,
                stated=stated,
                sources=logs,
            )
        )
    return tuple(figure for figure in made if figure is not None)


def constants_of_part(
    part_id: str, analyses: Mapping[str, SessionAnalysis], season: Season, page: str
) -> Table | None:
    """Everything fitted for one part in the whole season, newest session first; None where nothing was.

    page  that shows it, for the links to the sessions
    """
    rows: list[tuple[Cell, ...]] = []
    for session in sorted(season.sessions, key=lambda s: (s.file.date, s.id), reverse=True):
        analysis = analyses.get(session.id)
        own = [c for c in analysis.constants if c.part == part_id] if analysis is not None else []
        target = link(page, navigation.session_page(session.id))
        for constant in own:
            label = session.file.treatments[constant.treatment].label
            rows.append(
                (
                    Cell(text=_named(constant), note=f"with {label}"),
                    Cell(text=session.file.title, href=target, note=date_text(session.file.date)),
                    *_cells(constant),
                )
            )
    if not rows:
        return None
    note = (
        "The interval of a departure holds the doubt about the stated value too, so it is wider than that of the "
        "fitted value; a departure below the size from which one counts, or below half its interval, would not show."
    )
    made = table("fitted-constants", "Fitted against stated", ("Constant", "Session", *COLUMNS), rows)
    if any(cell.text == CONSTANT_KINDS["winding_resistance"].label for row in rows for cell in row[:1]):
        note += (
            " The effective resistance holds the controller, the leads and what commutation does while turning; it is "
            "held against the stated terminal resistance, line to line, with the stated resistance of the controller."
        )
    return replace(made, note=note)


def answer_of_part(part_id: str, analyses: Mapping[str, SessionAnalysis], season: Season) -> str:
    """What the season found of a part against what is stated of it, in a sentence or two; "" where nothing was."""
    told: list[str] = []
    compared: list[EffectiveConstant] = []
    for session in sorted(season.sessions, key=lambda s: (s.file.date, s.id), reverse=True):
        analysis = analyses.get(session.id)
        own = [] if analysis is None else [c for c in analysis.constants if c.part == part_id]
        compared += [c for c in own if c.departure is not None]
        names = dict.fromkeys(_lower_named(c) for c in own if c.outcome == "departs")
        if names:
            told.append(f"{listed(list(names))} in “{session.file.title}”")
    if not compared:
        return ""
    many = counted(len(compared), "comparison")
    if told:
        off = sum(c.outcome == "departs" for c in compared)
        return f"Departs from what is stated of it in {off} of {many}: {'; '.join(told)}."
    names = dict.fromkeys(_lower_named(c) for c in compared)
    rough = sum(c.departure is not None and is_rough(c.name, c.departure) for c in compared)
    text = f"What was measured agrees with what is stated: {listed(list(names))}, in {many}"
    doubt = (
        f"; {rough} of them {'is' if rough == 1 else 'are'} too rough to see a small departure"
        if rough
        else ""
    )
    return f"{text}{doubt}."


def _lower_named(constant: EffectiveConstant) -> str:
    label = SHORT.get(constant.name, CONSTANT_KINDS[constant.name].label)
    return label[:1].lower() + label[1:] if label[1:2].islower() else label


def _table_of(key: str, label: str, own: Sequence[EffectiveConstant], season: Season) -> Table:
    parts = listed([season.parts[part].label for part in dict.fromkeys(c.part for c in own)])
    rows = [
        (
            Cell(text=_named(c), key=f"constant-{anchor(c.key)}", note=counted(c.runs, "run")),
            *_cells(c),
        )
        for c in own
    ]
    return table(key, f"Fitted against stated with {label}: {parts}", ("Constant", *COLUMNS), rows)


def _named(constant: EffectiveConstant) -> str:
    """`KV`, `CT at 16 000 rpm`: short, since a table has many of them."""
    return f"{SHORT.get(constant.name, constant.label)} {where(constant.at)}".rstrip()


def _cells(constant: EffectiveConstant) -> tuple[Cell, ...]:
    """Fitted value, interval, stated value, departure with its interval, and what that says."""
    if constant.unit == "Ω":  # in milliohms, as the part files state it
        fitted = constant.fitted
        least, most = fitted.interval
        scaled = replace(
            fitted,
            value=1000.0 * fitted.value,
            standard_uncertainty=1000.0 * fitted.standard_uncertainty,
            interval=(1000.0 * least, 1000.0 * most),
        )
        nominal = None if constant.nominal is None else 1000.0 * constant.nominal
        return _cells(replace(constant, unit="mΩ", fitted=scaled, nominal=nominal))
    fitted, departure = constant.fitted, constant.departure
    low, high = interval_ends(fitted, constant.unit)
    value = Cell(text=measured(fitted.value, constant.unit, fitted.standard_uncertainty), numeric=True)
    interval = Cell(text=f"{low} to {high}", numeric=True)
    if constant.nominal is None or departure is None:
        # an exponent stands for itself; of others nothing is stated that holds here
        says = _course(constant) if constant.name in EXPONENTS else "no stated value holds here"
        return value, interval, Cell(text="", numeric=True), Cell(text="", numeric=True), Cell(text=says)
    ends = [percent(end, departure.interval, signed=True) for end in departure.interval]
    return (
        value,
        interval,
        Cell(text=plain(constant.nominal, constant.unit), numeric=True),
        Cell(
            text=percent(departure.value, departure.interval, signed=True),
            numeric=True,
            note=f"{ends[0].removesuffix(f'{NBSP}%')} to {ends[1]}",
        ),
        Cell(text=verdict(constant.name, departure, constant.outcome)),
    )


def _course(constant: EffectiveConstant) -> str:
    low, high = constant.fitted.interval
    if low <= 0.0 <= high:
        return "no change with speed beyond its noise"
    return "rises with speed" if low > 0.0 else "falls with speed"


def _answer(found: Sequence[EffectiveConstant], labels: Mapping[str, str]) -> str:
    """What departs; that nothing does; or that nothing is stated to depart from."""
    compared = [c for c in found if c.departure is not None]
    departing = [c for c in compared if c.outcome == "departs"]
    if not compared:
        return "The part files state nothing that the fitted constants could be held against."
    if not departing:
        return (
            f"Nothing departs from what the part files state, in {counted(len(compared), 'comparison')} of fitted "
            "constants with stated ones."
        )
    names = dict.fromkeys(
        f"{CONSTANT_KINDS[c.name].label[:1].lower()}{CONSTANT_KINDS[c.name].label[1:]} with {labels[c.treatment]}"
        for c in departing
    )
    return sentence_case(
        f"{listed(list(names))} {'departs' if len(names) == 1 else 'depart'} from the stated value."
    )


def _how(found: Sequence[EffectiveConstant]) -> tuple[str, ...]:
    names = dict.fromkeys(c.name for c in found)
    paragraphs = [f"{CONSTANT_KINDS[name].label}. {CONSTANT_KINDS[name].explain}" for name in names]
    if any(name in MOTOR for name in names):
        paragraphs.append(
            "The winding is taken to rise above the air once to twice as far as the case, where the temperature is "
            "read, and what the model does not follow counts as uncertainty; both come again in every run, so that "
            "repeats do not lessen them."
        )
    limits = [
        f"{percent(LIMITS[name].share)} for {CONSTANT_KINDS[name].label[:1].lower()}{CONSTANT_KINDS[name].label[1:]}"
        for name in names
        if name in LIMITS
    ]
    u = NOMINAL_UNCERTAINTY
    paragraphs.append(
        f"A departure counts where its interval leaves out zero and it is larger than {listed(limits)}. Its interval "
        "holds the doubt about the stated value too; where a part file gives none, the standard uncertainty is taken "
        f"as {percent(u['kv'])} for KV, {percent(u['terminal_resistance'])} for a resistance, "
        f"{percent(u['free_run_current'])} for a free-run current, {percent(u['power_coefficient'])} for a "
        f"coefficient, {percent(PACK_UNCERTAINTY['internal_resistance'])} for a pack's resistance and "
        f"{percent(PACK_UNCERTAINTY['pack_charge'])} for its capacity. All of these shares are our own choice."
    )
    return tuple(paragraphs)
