"""Checks of the bench against the task: a supply that holds, sampling and sensors faster than what they show."""

from __future__ import annotations

import math
from collections.abc import Iterator

from generator.evidence.check_input import (
    POWER_RESPONSES,
    TIME_RESPONSES,
    CheckInput,
    graded,
    run_ids,
    step_means,
    sustained_highest,
    sustained_lowest,
    treatments_of,
)
from generator.evidence.records import Check
from generator.evidence.wording import percent, plain, sentence_case
from generator.intake.parts import Supply
from generator.reduction.records import RunReduction

ON_THE_SUPPLY = (
    *POWER_RESPONSES,
    "voltage",
    "current",
    "peak_current",
    "top_speed",
    "top_thrust",
    "rise_time",
)
# A first-order lag tau alone takes ln 9 · tau from 10 to 90 % (closed form).
LAG_DURATION = math.log(9.0)


# --- supply -------------------------------------------------------------------------------------------------


def supply_limit(given: CheckInput) -> tuple[Check, ...]:
    """A supply at its current limit gives less voltage than set, and the test becomes one of the supply."""
    warns, fails = "checks.supply_current_warns_percent", "checks.supply_current_fails_percent"
    shares: list[tuple[float, float, str, Supply]] = []
    for name, treatment in given.session.file.treatments.items():
        source = given.season.source(treatment)
        current = highest_current(given, name)
        if isinstance(source, Supply) and current is not None:
            shares.append((current / source.current_limit_a, current, name, source))
    if not shares:
        return ()
    share, current, name, source = max(shares, key=lambda item: item[0])
    off = tuple(n for s, _, n, _ in shares if s > given.thresholds.share(warns))
    return (
        Check(
            id="supply-limit",
            title="Supply below its current limit",
            outcome=graded(share, given.thresholds.share(warns), given.thresholds.share(fails)),
            sentence=f"{sentence_case(given.label(name))} drew up to {plain(current, 'A', digits=3)}; "
            f"{source.label} gives at most {plain(source.current_limit_a, 'A')}.",
            threshold=given.thresholds.text(warns),
            reason="At its limit a supply lowers the voltage, so the treatment is no longer the one that was meant.",
            source=given.thresholds.source(warns),
            treatments=off,
            weakens=ON_THE_SUPPLY if off else (),
        ),
    )


def highest_current(given: CheckInput, treatment: str) -> float | None:
    """Highest sustained or peak current of a treatment [A], None if it was not measured."""
    found: list[float] = []
    for run in given.used:
        if run.treatment != treatment:
            continue
        found += [r.value for r in run.responses if r.response in ("current", "peak_current")]
        found += step_means(run, "current_a")
        sustained = sustained_highest(run.trace, "current_a")
        found += [] if sustained is None else [sustained]
    return max((value for value in found if math.isfinite(value)), default=None)


def supply_voltage(given: CheckInput) -> tuple[Check, ...]:
    """The voltage at the tap stays at what the supply was set to; where it falls, the limit was hit.

    The wiring lies behind the tap, so its drop is not in what is judged. Packs are not judged: their voltage falls
    by nature.
    """
    warns, fails = "checks.supply_voltage_warns_percent", "checks.supply_voltage_fails_percent"
    limit = given.thresholds.share(warns)
    found: list[tuple[float, float, float, RunReduction]] = []
    for run in given.used:
        treatment = given.session.file.treatments.get(run.treatment)
        if treatment is None or treatment.cells is None or treatment.volts_per_cell_v is None:
            continue
        lowest = sustained_lowest(run.trace, "voltage_v")
        if lowest is not None and isinstance(given.season.source(treatment), Supply):
            set_v = treatment.cells * treatment.volts_per_cell_v
            found.append((1.0 - lowest / set_v, lowest, set_v, run))
    if not found:
        return ()
    share, lowest, set_v, run = max(found, key=lambda item: item[0])
    off = [r for s, _, _, r in found if s > limit]
    fall = f"{percent(share)} below" if share > 0.0 else "not below"
    return (
        Check(
            id="supply-voltage",
            title="Supply holds its voltage",
            outcome=graded(share, limit, given.thresholds.share(fails)),
            sentence=f"The lowest voltage at the tap was {plain(lowest, 'V')}, {fall} the {plain(set_v, 'V')} "
            f"set for {given.label(run.treatment)}, in {run.log}.",
            threshold=given.thresholds.text(warns),
            reason="The wiring behind the tap cannot lower the voltage there. Where it falls, the supply has reached "
            "its limit or its leads are poor, and the treatment is no longer the one that was meant.",
            source=given.thresholds.source(warns),
            treatments=treatments_of(off),
            runs=run_ids(off),
            weakens=given.present(ON_THE_SUPPLY, off),
        ),
    )


# --- speed of the sensors -----------------------------------------------------------------------------------


def sampling(given: CheckInput) -> tuple[Check, ...]:
    """Samples must come often enough to see a spin-up."""
    warns, fails = "checks.sampling_warns_percent", "checks.sampling_fails_percent"
    limit = given.thresholds.share(warns)
    shares: list[tuple[float, float, float, RunReduction]] = []
    for run, shortest in _shortest_transitions(given):
        if run.sampling_hz:
            interval_ms = 1000.0 / run.sampling_hz
            shares.append((interval_ms / shortest, interval_ms, shortest, run))
    if not shares:
        return ()
    share, interval_ms, shortest, _ = max(shares, key=lambda item: item[0])
    off = [run for s, _, _, run in shares if s > limit]
    return (
        Check(
            id="sampling-interval",
            title="Sampling fast enough for the spin-up",
            outcome=graded(share, limit, given.thresholds.share(fails)),
            sentence=f"The longest sampling interval is {plain(interval_ms, 'ms', digits=2)}, {percent(share)} "
            f"of the shortest transition ({plain(shortest, 'ms', digits=3)}).",
            threshold=given.thresholds.text(warns),
            reason="Crossings are interpolated between samples; with fewer than five samples in a transition the shape "
            "between them decides the time.",
            source=given.thresholds.source(warns),
            treatments=treatments_of(off),
            runs=run_ids(off),
            weakens=given.present(TIME_RESPONSES, off),
        ),
    )


def sensor_lag(given: CheckInput) -> tuple[Check, ...]:
    """A sensor must be faster than the transition it shows: what its lag alone would last against the shortest.

    One check for the speed and one for the current, where the rig states their lag.
    Source  first-order lag of tau: ln 9 · tau from 10 to 90 %
    """
    warns, fails = "checks.lag_warns_percent", "checks.lag_fails_percent"
    limit = given.thresholds.share(warns)
    made = []
    for name, resting in (("speed", TIME_RESPONSES), ("current", ("peak_current",))):
        channel = given.session.rig.channels.present().get(name)
        if channel is None or channel.lag_s <= 0.0:
            continue
        own_ms = 1000.0 * LAG_DURATION * channel.lag_s
        shares = [
            (own_ms / shortest, shortest, run)
            for run, shortest in _shortest_transitions(given)
            if given.present(resting, [run])
        ]
        if not shares:
            continue
        share, shortest, _ = max(shares, key=lambda item: item[0])
        off = [run for s, _, run in shares if s > limit]
        made.append(
            Check(
                id=f"{name}-lag",
                title=f"The {name} sensor is faster than the spin-up",
                outcome=graded(share, limit, given.thresholds.share(fails)),
                sentence=f"With a lag of {plain(1000.0 * channel.lag_s, 'ms', digits=2)} the {name} reading takes "
                f"{plain(own_ms, 'ms', digits=2)} for a step by itself, {percent(share)} of the shortest transition "
                f"({plain(shortest, 'ms', digits=3)}).",
                threshold=given.thresholds.text(warns),
                reason="What the sensor takes by itself is taken out of a time as well as can be; the more that is, "
                "the more the time rests on the stated lag. Peaks are lost behind a lag and not brought back.",
                source=given.thresholds.source(warns),
                treatments=treatments_of(off),
                runs=run_ids(off),
                weakens=given.present(resting, off),
            )
        )
    return tuple(made)


def _shortest_transitions(given: CheckInput) -> Iterator[tuple[RunReduction, float]]:
    """Used runs that have transitions, with the shortest of each [ms]."""
    for run in given.used:
        times = [r.value for r in run.responses if r.response in ("rise_time", "fall_time") and r.value > 0.0]
        if times:
            yield run, min(times)
