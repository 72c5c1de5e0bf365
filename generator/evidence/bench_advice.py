"""What to do about each run while the stand is still set up: repeat it, look at it, or leave it.

Works on the runs that are there, however few; needs no contrasts. What one run tells by itself comes from the findings
of its reduction and from the checks asked of it alone (`bench_advice_findings`); what takes the other runs or the plan
is in `bench_advice_propeller` and `bench_advice_set_up`. Limits are those of the checks, in `shared/thresholds.yaml`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from generator.evidence import bench_advice_set_up as set_up
from generator.evidence.bench_advice_findings import of_checks, of_findings, only
from generator.evidence.bench_advice_propeller import wrong_propellers
from generator.evidence.bench_advice_records import Advice, AdviceSeverity
from generator.evidence.check_input import CheckInput
from generator.evidence.summaries import summarise
from generator.intake.reference_texts import Thresholds
from generator.intake.session import Season, Session
from generator.reduction.records import AirState, ResponseKind, RunReduction

__all__ = ["Advice", "AdviceSeverity", "bench_advice"]

GRAVITY: tuple[AdviceSeverity, ...] = ("repeat", "doubtful", "noted")


def bench_advice(
    runs: Sequence[RunReduction],
    session: Session,
    season: Season,
    kinds: Mapping[str, ResponseKind],
    thresholds: Thresholds,
    air: AirState,
    *,
    to_come: Sequence[str] = (),
    written_s: Mapping[str, float] | None = None,
) -> tuple[Advice, ...]:
    """Advice on the runs of a session that are there, in the order of the runs, the gravest of each run first.

    runs       reduced runs, refused ones too
    kinds      response name -> kind
    to_come    ids of runs whose logs are not there yet
    written_s  log -> when its file was last written, in seconds from any instant; None where that tells nothing
    """
    given = CheckInput(
        runs=tuple(runs), summaries=(), session=session, season=season, thresholds=thresholds, air=air
    )
    found: list[Advice] = []
    for run in runs:
        alone = only(given, run, summaries=summarise([run], kinds))
        found += of_findings(run, alone)
        found += of_checks(run, alone)
    found += wrong_propellers(given)
    found += set_up.set_voltages(given)
    found += set_up.packs(given)
    found += set_up.caps(given, kinds)
    found += set_up.start_temperatures(given)
    found += set_up.air(given)
    found += set_up.order(given, to_come, written_s)
    place = {run.run_id: (run.order, index) for index, run in enumerate(runs)}
    return tuple(sorted(found, key=lambda one: (place[one.run_id], GRAVITY.index(one.severity))))
