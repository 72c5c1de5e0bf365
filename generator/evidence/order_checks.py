"""Checks of what the order of the runs did: a trend through the session that all treatments share."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from generator.evidence.check_input import (
    POWER_RESPONSES,
    TEMPERATURE_RESPONSES,
    CheckInput,
    graded,
    run_ids,
    treatments_of,
)
from generator.evidence.contrast_statistics import Estimate, NoScatter, p_value
from generator.evidence.estimates import design_of
from generator.evidence.records import Check
from generator.evidence.wording import at_words, listed, percent, plain
from generator.reduction.records import At, RunReduction

# A trend counts as clear of the scatter at this level, over all trends looked at in one check (Bonferroni).
CLEAR = 0.05
REMOVED_BY = {"blocks": "the comparison within blocks", "drift": "the straight line over run order"}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Trend:
    """Change from the first run of a procedure to the last, all treatments alike, with its p-value."""

    procedure: str
    at: At
    change: float
    p: float
    runs: tuple[RunReduction, ...]


def warm_up(given: CheckInput) -> tuple[Check, ...]:
    """Power and starting temperature do not climb or fall through the session, beyond the scatter between runs.

    One check for electrical power and one for the motor's temperature at the start, where there are enough runs.
    A design that takes such a trend out (blocks, drift) is told so and not weakened; else the check warns, and
    beyond three times its limit it fails.
    Source  least squares of one slope over run order with a mean for each treatment (textbook); the p-value is
            Student's, multiplied by the number of trends looked at (Bonferroni)
    """
    power = "checks.warm_up_power_percent"
    warmth = "checks.warm_up_temperature_k"
    return (
        *_check(given, "power", power, given.thresholds.share(power), _power_trends(given), POWER_RESPONSES),
        *_check(
            given,
            "start",
            warmth,
            given.thresholds.value(warmth),
            _start_trends(given),
            TEMPERATURE_RESPONSES,
        ),
    )


def _check(
    given: CheckInput, what: str, key: str, limit: float, trends: Iterator[_Trend], resting: Sequence[str]
) -> Iterator[Check]:
    found = list(trends)
    if not found:
        return
    clear = [t for t in found if t.p * len(found) < CLEAR and abs(t.change) > limit]
    left = [t for t in clear if design_of(given.session, t.procedure) not in REMOVED_BY]
    worst = max(left or clear or found, key=lambda t: abs(t.change))
    sentence = f"From the first {worst.procedure} run to the last {_what(what, worst)}"
    if left:
        sentence += " in all treatments alike."
    elif clear:
        designs = dict.fromkeys(REMOVED_BY[design_of(given.session, t.procedure)] for t in clear)
        sentence += f" in all treatments alike; {listed(list(designs))} takes that out of the differences."
    elif abs(worst.change) > limit:
        sentence += ", which is not clear of the scatter between runs."
    else:
        sentence += "."
    runs = [run for t in left for run in t.runs]
    yield Check(
        id=f"warm-up-{what}",
        title="No warming through the session"
        if what == "start"
        else "Power does not drift through the session",
        outcome=graded(abs(worst.change), limit, 3.0 * limit) if left else "passed",
        sentence=sentence,
        threshold=f"{given.thresholds.text(key)}, and clear of the scatter between runs",
        reason="Magnets, bearings and windings warm up between the first repeat and the last. A treatment that was "
        "mostly run late then looks different, and the scatter between runs looks larger than it is.",
        source=given.thresholds.source(key),
        treatments=treatments_of(runs),
        runs=run_ids(runs),
        weakens=given.present(resting, runs),
    )


def _what(what: str, trend: _Trend) -> str:
    where = f" {at_words(trend.at)}" if trend.at else ""
    up = trend.change >= 0.0
    if what == "power":
        verb = "rises" if up else "falls"
        return f"the electrical power{where} {verb} by {percent(abs(trend.change))}"
    verb = "warmer" if up else "cooler"
    return f"the motors start {plain(abs(trend.change), 'K', digits=2)} {verb}"


def _power_trends(given: CheckInput) -> Iterator[_Trend]:
    for procedure in dict.fromkeys(run.procedure for run in given.used):
        values: dict[At, list[tuple[RunReduction, float]]] = {}
        for run in given.used:
            if run.procedure != procedure:
                continue
            for response in run.responses:
                if response.response == "electrical_power" and response.value > 0.0:
                    values.setdefault(response.at, []).append((run, response.value))
        for at, found in values.items():
            means = {
                name: math.fsum(own) / len(own)
                for name in dict.fromkeys(run.treatment for run, _ in found)
                for own in [[v for run, v in found if run.treatment == name]]
            }
            yield from _trend(procedure, at, [(run, v / means[run.treatment]) for run, v in found])


def _start_trends(given: CheckInput) -> Iterator[_Trend]:
    for procedure in dict.fromkeys(run.procedure for run in given.used):
        found = [
            (run, run.start_motor_temperature_k)
            for run in given.used
            if run.procedure == procedure and run.start_motor_temperature_k is not None
        ]
        yield from _trend(procedure, (), found)


def _trend(procedure: str, at: At, found: Sequence[tuple[RunReduction, float]]) -> Iterator[_Trend]:
    """The one slope over run order that all treatments share; nothing where the runs leave no scatter to judge by."""
    names = [run.treatment for run, _ in found]
    order = np.array([float(run.order) for run, _ in found])
    values = np.array([value for _, value in found])
    dof = len(found) - len(set(names)) - 1
    if dof < 1 or not bool(np.isfinite(values).all()):
        return
    x, y = order.copy(), values.copy()
    for name in set(names):
        own = np.array([other == name for other in names])
        x[own] -= order[own].mean()
        y[own] -= values[own].mean()
    squares = float(x @ x)
    if squares == 0.0:
        return
    slope = float(x @ y) / squares
    residuals = y - slope * x
    error = math.sqrt(float(residuals @ residuals) / dof / squares)
    try:
        p = p_value(Estimate(difference=slope, standard_error=error, dof=dof))
    except NoScatter:  # the runs lie on the line to the last digit, or do not differ at all
        p = 0.0 if slope != 0.0 else 1.0
    runs = tuple(run for run, _ in found)
    yield _Trend(procedure=procedure, at=at, change=slope * float(np.ptp(order)), p=p, runs=runs)
