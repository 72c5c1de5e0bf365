"""Units that cannot be right, and what follows from them, as `check` tells it: at the rig's file, and once."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from generator.check_records import CheckRecord
from generator.evidence.bench_advice import Advice
from generator.evidence.bench_advice_units import UnitDoubt
from generator.intake.parts import Pack
from generator.intake.placeholders import PROSE_MARK
from generator.intake.problems import Problem
from generator.intake.session import Season, Session, same_set_ups
from generator.intake.yaml_source import read_yaml
from generator.reduction.records import RunReduction


def not_to_repeat(told: Advice, session: Session) -> Advice:
    """Advice on a run whose rig reads in a wrong unit: what is mended there need not be made again."""
    if told.severity != "repeat":
        return told
    remedy = f"Mend rigs/{session.rig.id}.yaml first, then check again; a repeat would read the same."
    return replace(told, severity="noted", remedy=remedy)


def of_units(
    folder: Path, session: Session, wrong: Sequence[UnitDoubt], known: Sequence[CheckRecord]
) -> list[CheckRecord]:
    """Units that cannot be right, at their line in the rig's file, each once for all sessions of the rig."""
    file = f"{folder}/rigs/{session.rig.id}.yaml"
    source, _ = read_yaml(folder / "rigs" / f"{session.rig.id}.yaml", file)
    made = []
    for doubt in wrong:
        path = ("channels", doubt.channels[0], "unit")
        key = ".".join(path)
        if not any(record.file == file and record.key == key and record.kind == "unit" for record in known):
            made.append(
                CheckRecord(
                    severity="doubtful", kind="unit", file=file, line=source.line(path), key=key,
                    what=doubt.sentence, remedy=f"{doubt.remedy} No run need be made again for that.",
                )
            )  # fmt: skip
    return made


def of_treatments(folder: Path, season: Season, session: Session) -> Iterator[CheckRecord]:
    """Treatments in which nothing differs, and voltages that a pack has no use for."""
    file = f"{folder}/{session.id}/session.yaml"
    source, _ = read_yaml(folder / session.id / "session.yaml", file)
    for one, other in same_set_ups(session):
        yield CheckRecord(
            severity="doubtful", kind="treatments", session=session.id, file=file, key="treatments",
            line=source.line(("treatments",)),
            what=f"nothing differs between {one} and {other}: they have the same parts and settings.",
            remedy="Name other parts or settings for one of them, or say under `about:` what differs.",
        )  # fmt: skip
    for name, treatment in session.file.treatments.items():
        if treatment.volts_per_cell_v is not None and isinstance(season.source(treatment), Pack):
            path = ("treatments", name, "volts_per_cell")
            yield CheckRecord(
                severity="doubtful", kind="treatments", session=session.id, file=file, key=".".join(path),
                line=source.line(path), what="is not used: a pack feeds this set-up, and has the voltage it has.",
                remedy="Take it away, or name a supply.",
            )  # fmt: skip


NOTHING_COMPARED = "Nothing was compared"


def as_it_follows(
    problems: Iterable[Problem], session: Session, runs: Sequence[RunReduction]
) -> Iterator[Problem]:
    """Problems of a conclusion; a model text nobody has touched is no fault where runs were refused.

    Its calls find nothing to take then, and will once the runs can be used.
    """
    untouched = PROSE_MARK in (session.conclusion or "") and any(run.refused for run in runs)
    for problem in problems:
        if untouched and problem.what.startswith(NOTHING_COMPARED):
            remedy = (
                "It follows from the runs that could not be used: mend these first. `build` stops until then."
            )
            yield replace(problem, severity="warning", remedy=remedy)
        else:
            yield problem
