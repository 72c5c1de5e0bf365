"""A plan in words: the sections of the run sheet, values formatted, in the order of the page."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from generator.evidence.contrasts import compared_pairs
from generator.evidence.power import Repeats
from generator.evidence.wording import counted, listed, plain, sentence_case, written
from generator.intake.caution_texts import CautionText
from generator.intake.parts import Supply
from generator.intake.session import Season, Session, Treatment
from generator.planning.design_order import is_bare
from generator.planning.design_records import Alternative, Design, Settling, Totals
from generator.planning.design_repeats import conditions_in_words, of_hundred
from generator.planning.run_sheet_checklist import LOCAL_CODES, after, before, during
from generator.planning.run_sheet_records import (
    Block,
    Cautions,
    Facts,
    RunSheet,
    Section,
    SheetCaution,
    Table,
    Ticks,
    Words,
)
from generator.planning.run_sheet_runs import duration, runs_blocks
from generator.reduction.records import ResponseKind

SEVERITY = ("DANGER", "WARNING", "CAUTION", "NOTICE")
BARE_MOTOR = "bare-motor"  # caution of a plan with runs without a propeller


def run_sheet(
    season: Season,
    session: Session,
    plan: Design,
    *,
    kinds: Mapping[str, ResponseKind],
    texts: Mapping[str, CautionText],
    raised: Sequence[SheetCaution],
    glance: Sequence[tuple[str, str]],
    settings: Sequence[Block],
    expected: Sequence[Block],
    read_back: Sequence[str],
    assumed: Sequence[str],
    warned: Sequence[str],
    version: str,
) -> RunSheet:
    """The run sheet of a design.

    texts     caution id -> text; those always shown are shown
    raised    cautions that this plan raises
    glance    facts of the forecast for the first section
    settings  what to set at the supply and the controller; expected: what each setpoint is expected to show
    read_back lines for the checklist before
    assumed   what the forecast assumed
    warned    why a person goes on although the plan is not safe; what the totals warn of is added
    """
    idle = _not_on_the_bench(season, session)
    always = [_always(texts[name]) for name in texts if texts[name].always_on and name not in idle]
    if any(run.bare for run in plan.runs) and BARE_MOTOR in texts:
        always.append(_always(texts[BARE_MOTOR]))
    cautions = sorted([*raised, *always], key=lambda it: SEVERITY.index(it.signal))
    sections = [
        Section(key="glance", title="At a glance", blocks=tuple(_glance(session, plan, glance))),
        Section(key="asked", title="What is asked", blocks=tuple(_asked(season, session, kinds))),
        Section(key="cautions", title="What could hurt", blocks=(Cautions(items=tuple(cautions)),)),
        Section(
            key="before",
            title="Before the first run",
            blocks=(Ticks(key="before", items=before(season, session, plan, tuple(read_back))),),
        ),
        Section(key="settings", title="What to set", blocks=tuple(settings)),
        Section(key="expected", title="What to expect, and when to stop", blocks=tuple(expected)),
        Section(
            key="during", title="With every run", blocks=(Ticks(key="during", items=during(session, plan)),)
        ),
        Section(key="runs", title="Runs in order", blocks=tuple(runs_blocks(season, session, plan))),
        Section(
            key="after",
            title="After the last run",
            blocks=(Ticks(key="after", items=after(season, session, plan)),),
        ),
        Section(key="repeats", title="Why so many repeats", blocks=tuple(_repeats(session, plan))),
        Section(key="assumed", title="What was assumed", blocks=tuple(_assumptions(plan, assumed))),
    ]
    file = session.file
    return RunSheet(
        language=season.file.language,
        version=version,
        session=session.id,
        title=file.title,
        question=" ".join(file.question.split()),
        notice=" ".join((season.file.notice or "").split()),
        warned=(*warned, *_warnings(plan.totals)),
        meta=tuple(_meta(season, session)),
        sections=tuple(section for section in sections if section.blocks),
        local_codes=LOCAL_CODES,
    )


def _meta(season: Season, session: Session) -> Iterator[str]:
    yield season.file.title
    yield f"{session.file.date.day} {session.file.date:%B %Y}"
    yield session.rig.label
    if session.file.tester:
        yield session.file.tester


def _not_on_the_bench(season: Season, session: Session) -> set[str]:
    """Cautions of what feeds none of the treatments."""
    kinds = {season.source(treatment).kind for treatment in session.file.treatments.values()}
    return {caution for kind, caution in (("pack", "packs"), ("supply", "supply")) if kind not in kinds}


def _always(text: CautionText) -> SheetCaution:
    return SheetCaution(
        signal=text.signal,
        title=text.title,
        hazard=text.hazard,
        consequence=text.consequence,
        avoidance=text.avoidance,
    )


# --- at a glance --------------------------------------------------------------------------------------------


def _glance(session: Session, plan: Design, extra: Sequence[tuple[str, str]]) -> Iterator[Block]:
    totals = plan.totals
    pairs = [
        ("Runs", _runs_words(plan)),
        ("Time at the stand", duration(60.0 * totals.bench_min)),
        *_turning(plan),
        ("Changes of the set-up", str(totals.changes)),
    ]
    pairs += _charge(totals)
    if totals.dose is not None:
        pairs.append(("Noise without protection", f"{dose_words(totals.dose)} of a day's allowance"))
    yield Facts(pairs=(*pairs, *extra))
    yield Words(texts=tuple(_chosen_words(session, plan)))
    if plan.notes:
        yield Words(texts=plan.notes)


def _turning(plan: Design) -> Iterator[tuple[str, str]]:
    if plan.totals.running_min > 0.0 or not any(run.bare for run in plan.runs):
        yield "Propeller turning", duration(60.0 * plan.totals.running_min)
    if plan.totals.bare_min > 0.0:
        yield "Motor turning bare, propeller off", duration(60.0 * plan.totals.bare_min)


def _runs_words(plan: Design) -> str:
    repeats = listed([f"{one.repeats} × {one.procedure}" for one in plan.chosen])
    return f"{plan.totals.runs} ({repeats} for each treatment)" if repeats else str(plan.totals.runs)


def _warnings(totals: Totals) -> Iterator[str]:
    """What of the totals somebody must do something about before the first run."""
    for pack in totals.packs:
        if pack.runs_a_fill == 0:
            usable = plain(pack.usable_share * pack.capacity_ah, "Ah", 3)
            yield (
                f"One run takes more than {pack.label} can give ({usable}): shorten the runs, or take a larger pack."
            )
    if totals.dose is not None and totals.dose > 1.0:
        yield (
            f"Without hearing protection these runs are {dose_words(totals.dose)} of a day's allowance of noise: "
            "everybody in the room wears it, or the runs are spread over several days."
        )


def _charge(totals: Totals) -> list[tuple[str, str]]:
    pairs = []
    for pack in totals.packs:
        usable = f"{plain(100.0 * pack.usable_share, '%', 2)} of {plain(pack.capacity_ah, 'Ah', 3)} used"
        used = "each run empties it to the cut-off" if pack.emptied else usable
        how = f"{plain(pack.charge_ah, 'Ah', 2)}, {counted(pack.fills, 'full charge')} ({used})"
        if pack.runs_a_fill == 0:
            how = "one run takes more than it can give"
        pairs.append((pack.label, how))
    if not pairs and totals.charge_ah is not None and totals.energy_wh is not None:
        pairs.append(
            ("Out of the supply", f"{plain(totals.charge_ah, 'Ah', 2)}, {plain(totals.energy_wh, 'Wh', 2)}")
        )
    return pairs


def _chosen_words(session: Session, plan: Design) -> Iterator[str]:
    for one in plan.chosen:
        yield f"{sentence_case(one.procedure)}: {counted(one.repeats, 'repeat')} of each treatment, because {one.why}."


# --- the question -------------------------------------------------------------------------------------------

_ROWS = ("Motor", "Controller", "Propeller", "Supply or pack", "Cells", "Volts a cell", "Output cap", "About")


def _asked(season: Season, session: Session, kinds: Mapping[str, ResponseKind]) -> Iterator[Block]:
    file = session.file
    names = [name for name in file.treatments if name != file.check_standard]
    cells = {name: _of_treatment(season, file.treatments[name]) for name in names}
    if session.plans and all(is_bare(session, name) for name in session.plans):
        cells = {name: {**own, "Propeller": "none, the motor turns bare"} for name, own in cells.items()}
    differing = [row for row in _ROWS if len({cells[name][row] for name in names}) > 1]
    equal = [row for row in _ROWS if row not in differing and cells[names[0]][row]]
    yield Table(
        caption="What changes",
        head=("What", *(_label(session, name) for name in names)),
        rows=tuple((row, *(cells[name][row] or "–" for name in names)) for row in differing),
        numeric=(False,) * (1 + len(names)),
    )
    if equal:
        same = "; ".join(f"{row.lower()} {cells[names[0]][row]}" for row in equal)
        yield Words(texts=(f"What stays equal: {same}. The stand, the sensors and who runs it, too.",))
    if file.check_standard is not None:
        label = file.treatments[file.check_standard].label
        yield Words(
            texts=(f"Check standard: {label}, run first and last. It is not compared; it watches the rig.",)
        )
    if session.margins:
        yield Facts(
            pairs=tuple(
                (
                    kinds[name].label + (", decided beforehand" if name in file.primary else ""),
                    f"{written(margin.text)} would matter",
                )
                for name, margin in session.margins.items()
                if name in kinds
            )
        )
    for claim in file.claims:
        yield Words(texts=(f"Claim ({claim.by}): {claim.says}",))


def _label(session: Session, name: str) -> str:
    label = session.file.treatments[name].label
    return f"{label} (baseline)" if name == session.file.baseline else label


def _of_treatment(season: Season, treatment: Treatment) -> dict[str, str]:
    source = season.source(treatment)
    return {
        "Motor": season.motor(treatment).label,
        "Controller": season.controller(treatment).label,
        "Propeller": season.propeller(treatment).label,
        "Supply or pack": source.label,
        "Cells": str(treatment.cells) if treatment.cells is not None else "",
        "Volts a cell": plain(treatment.volts_per_cell_v, "V")
        if treatment.volts_per_cell_v and isinstance(source, Supply)
        else "",  # a pack has the voltage it has
        "Output cap": plain(100.0 * treatment.output_cap, "%") if treatment.output_cap < 1.0 else "none",
        "About": treatment.about or "",
    }


# --- repeats ------------------------------------------------------------------------------------------------


def _repeats(session: Session, plan: Design) -> Iterator[Block]:
    pairs = len(compared_pairs(session))
    yield Words(
        texts=(
            "A margin is settled when the verdict is definite whatever is true: none that matters where there is no "
            "difference, its direction where the difference is just the margin, and more or less than the margin "
            "where it is twice that. The numbers say in how many of 100 such sessions that comes out."
            + (f" The {pairs} comparisons of one response hold together." if pairs > 1 else ""),
        )
    )
    repeats = {one.procedure: one.repeats for one in plan.chosen}
    rows = [_settling_row(row, repeats[row.procedure]) for row in plan.settling]
    if rows:
        yield Table(
            caption="Repeats that settle each margin",
            head=("Response", "Margin", "Judged as", "80 of 100", "95 of 100", "Planned", "Settled by them"),
            rows=tuple(rows),
            numeric=(False, True, False, True, True, True, True),
            notes=tuple(
                dict.fromkeys(_scatter_note(row) for row in plan.settling if row.scatter is not None)
            ),
        )
    yield Table(
        caption="What that takes",
        head=("Repeats for", "Repeats", "Runs", "At the stand", "Charge", "Full charges"),
        rows=tuple(_alternative_row(one) for one in plan.alternatives),
        numeric=(False, False, True, True, True, True),
    )


def _settling_row(row: Settling, planned: int) -> tuple[str, ...]:
    name = f"{row.label} {conditions_in_words(row.at)}".strip()
    family = {
        "primary": "decided beforehand",
        "claimed": "claimed",
        "exploratory": "exploratory",
    }[row.family]
    if row.family_size > 1:
        family += f", one of {row.family_size}"
    head = (name, written(row.margin_text), family)
    if row.to_80 is None or row.to_95 is None:
        return (*head, "–", "–", str(planned), f"not known: {row.unknown}")
    settled = "–"
    if row.chosen is not None:
        settled = of_hundred(row.chosen)
    return (*head, _count(row.to_80), _count(row.to_95), str(planned), settled)


def _count(repeats: Repeats) -> str:
    return f"over {repeats.count}" if repeats.capped else str(repeats.count)


def _scatter_note(row: Settling) -> str:
    assert row.scatter is not None
    of = f" (margin and scatter set against {row.taken_of})" if row.taken_of else ""
    return f"Scatter of one run, {row.label.lower()}: {row.scatter.size}, {row.scatter.told}{of}."


def _alternative_row(one: Alternative) -> tuple[str, ...]:
    totals = one.totals
    fills = sum(pack.fills for pack in totals.packs)
    return (
        {"80 %": "80 of 100", "95 %": "95 of 100"}.get(one.name, "this plan"),
        listed([f"{chosen.repeats} × {chosen.procedure}" for chosen in one.chosen]),
        str(totals.runs),
        duration(60.0 * totals.bench_min),
        plain(totals.charge_ah, "Ah", 2) if totals.charge_ah is not None else "–",
        str(fills) if totals.packs else "–",
    )


def _assumptions(plan: Design, assumed: Sequence[str]) -> Iterator[Block]:
    everything = tuple(dict.fromkeys((*assumed, *plan.assumed)))
    if everything:
        yield Words(texts=everything)
    else:
        yield Words(
            texts=("Nothing: everything here comes from the session's own files and from earlier runs.",)
        )


# --- small words --------------------------------------------------------------------------------------------


def dose_words(dose: float) -> str:
    """A noise dose: a percentage, or how many times the whole where it is far above."""
    if dose < 0.01:
        return "under 1\u00a0%"
    return plain(100.0 * dose, "%", 2) if dose < 10.0 else f"{plain(dose, digits=2)} times the whole"
