"""Invented analyses for the tests of figures and pages. No number here was measured.

`make_analysis()` is one whole session: three treatments, contrasts of every verdict, runs of four procedures
with traces, windows and findings, curves, checks, cautions and claims. The same arguments give the same
numbers.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from generator.evidence.records import (
    BudgetRow,
    Caution,
    Check,
    ClaimOutcome,
    Contrast,
    CurvePoint,
    ResponseSummary,
    RunValue,
    SessionAnalysis,
)
from generator.reduction.records import At, ResponseKind, RunReduction, RunResponse
from tests.factory_runs import hold_run, soak_run, spin_up_run, staircase_run

BASELINE = "four-cell"
TREATMENTS = ("four-cell", "five-cell", "six-cell")
LABELS = {"four-cell": "4S", "five-cell": "5S capped", "six-cell": "6S capped"}
SPEEDS = (9000.0, 16000.0)


def make_kinds() -> dict[str, ResponseKind]:
    """Kinds of response, each with an invented but usable way to speak of it."""

    def kind(name: str, label: str, unit: str, better: Any, verb: str, noun: str, *, relative: bool = True):
        return ResponseKind(
            name=name,
            label=label,
            unit=unit,
            better=better,
            more=f"{verb} {{amount}} more {noun}",
            less=f"{verb} {{amount}} less {noun}",
            same=f"{verb} the same {noun}",
            explain=f"{label}: mean over the averaged window of each run.",
            relative=relative,
        )

    table = (
        kind("electrical_power", "Electrical power", "W", "lower", "draws", "electrical power"),
        kind("thrust", "Thrust", "gf", "neither", "gives", "thrust"),
        kind("thrust_per_power", "Thrust per power", "gf/W", "higher", "gives", "thrust per watt"),
        kind("rise_time", "Rise time", "ms", "lower", "takes", "time to spin up"),
        kind("temperature_rise", "Motor temperature rise", "K", "lower", "shows", "heating", relative=False),
        kind("top_speed", "Top speed", "rpm", "neither", "reaches", "top speed"),
    )
    return {k.name: k for k in table}


# response, speed, treatment, baseline value, difference, half width of the interval, margin, its text,
# verdict
_CASES: tuple[tuple[str, float, str, float, float, float, float | None, str | None, str], ...] = (
    ("electrical_power", 16000, "five-cell", 262.4, 7.9, 1.8, 5.248, "2 %", "more"),
    (
        "electrical_power",
        9000,
        "five-cell",
        61.03,
        0.92,
        0.6,
        1.2206,
        "2 %",
        "more, perhaps too little to matter",
    ),
    ("rise_time", 16000, "five-cell", 92.4, -18.3, 6.1, 10.0, "10 ms", "less"),
    ("rise_time", 9000, "five-cell", 61.2, -8.9, 5.7, 10.0, "10 ms", "less, perhaps too little to matter"),
    ("temperature_rise", 16000, "five-cell", 31.2, 3.1, 6.1, 5.0, "5 K", "not settled"),
    ("thrust", 16000, "five-cell", 802.0, 1.6, 5.4, 16.04, "2 %", "no difference that matters"),
    ("thrust", 9000, "five-cell", 251.1, 0.4, 1.9, 5.022, "2 %", "no difference that matters"),
    ("thrust_per_power", 16000, "five-cell", 3.056, -0.085, 0.028, None, None, "less"),
    ("electrical_power", 16000, "six-cell", 262.4, 1.1, 3.1, 5.248, "2 %", "no difference that matters"),
    ("electrical_power", 9000, "six-cell", 61.03, 1.9, 0.5, 1.2206, "2 %", "more"),
    ("rise_time", 16000, "six-cell", 92.4, -29.7, 7.4, 10.0, "10 ms", "less"),
    ("rise_time", 9000, "six-cell", 61.2, -2.2, 9.6, 10.0, "10 ms", "not settled"),
    ("temperature_rise", 16000, "six-cell", 31.2, 9.4, 3.2, 5.0, "5 K", "more"),
    ("thrust", 16000, "six-cell", 802.0, -3.1, 6.0, 16.04, "2 %", "no difference that matters"),
    ("thrust", 9000, "six-cell", 251.1, -0.6, 2.2, 5.022, "2 %", "no difference that matters"),
    ("thrust_per_power", 16000, "six-cell", 3.056, -0.024, 0.041, None, None, "not settled"),
)


def make_contrast(**changes: Any) -> Contrast:
    """One contrast (five-cell against four-cell in power), with whatever fields are to differ."""
    contrast = _contrast(_CASES[0], runs=4)
    return replace(contrast, **changes)


def _contrast(case: tuple[Any, ...], *, runs: int) -> Contrast:
    response, speed, treatment, base, difference, half, margin, margin_text, verdict = case
    kind = make_kinds()[response]
    at: At = (("speed_rpm", float(speed)),)
    interval = (difference - half, difference + half)
    primary = response == "electrical_power"
    relative = difference / base if kind.relative else None
    amount = f"{abs(difference):.3g} {kind.unit}"
    clause = {"m": kind.more, "l": kind.less}.get(verdict[0], kind.same).format(amount=amount)
    if verdict == "not settled":
        clause = "is not settled"
    return Contrast(
        key=f"{response}-{speed:.0f}rpm-{treatment}",
        response=response,
        at=at,
        treatment=treatment,
        baseline=BASELINE,
        baseline_value=base,
        treatment_value=base + difference,
        difference=difference,
        standard_uncertainty=half / 2.45,
        dof=6.0,
        interval=interval,
        unit=kind.unit,
        relative=relative,
        relative_interval=(interval[0] / base, interval[1] / base) if kind.relative else None,
        level=0.95,
        margin=margin,
        margin_text=margin_text,
        verdict=verdict,
        indicative=response == "temperature_rise",
        primary=primary,
        p_value=0.004 if abs(difference) > half else 0.31,
        p_adjusted=None if primary else (0.02 if abs(difference) > half else 0.62),
        p_equivalence=0.011 if verdict == "no difference that matters" else (None if margin is None else 0.4),
        basis="within one run" if response == "temperature_rise" else "between runs",
        method="Welch",
        runs=(1, 1) if response == "temperature_rise" else (runs, runs),
        repeats_to_settle=9 if verdict == "not settled" else None,
        sentence=f"At {speed:,.0f} rpm, {LABELS[treatment]} {clause} "
        f"({interval[0]:.3g} to {interval[1]:.3g} {kind.unit}, 95 %) compared with {LABELS[BASELINE]}.",
        weakened_by=("thrust-agrees",) if treatment == "six-cell" and primary else (),
    )


def _summaries(treatments: tuple[str, ...], repeats: int) -> tuple[ResponseSummary, ...]:
    """One summary a treatment and condition; run values scatter about exactly the value of the contrasts."""
    rng = np.random.default_rng(20310504)
    kinds = make_kinds()
    found: list[ResponseSummary] = []
    for response, speed in dict.fromkeys((case[0], case[1]) for case in _CASES):
        for place, treatment in enumerate(treatments):
            cases = [c for c in _CASES if c[0] == response and c[1] == speed]
            own = [c for c in cases if c[2] == treatment]
            value = cases[0][3] + (own[0][4] if own else 0.0)
            half = own[0][5] if own else cases[0][5]
            runs = 1 if response == "temperature_rise" else repeats
            scatter = rng.normal(0.0, half * math.sqrt(runs) / 3.5, runs)
            values = value + (scatter - scatter.mean() if runs > 1 else np.zeros(1))
            procedure = {"rise_time": "spin-up", "temperature_rise": "soak"}.get(response, "hold")
            start = {"hold": 0, "spin-up": repeats * len(treatments), "soak": 2 * repeats * len(treatments)}[
                procedure
            ]
            per_run = []
            for repeat in range(1, runs + 1):
                order = start + (repeat - 1) * len(treatments) + place + 1
                run_id = f"{order:02d}-{procedure}-{treatment}-{repeat}"
                per_run.append(
                    RunValue(
                        run_id=run_id,
                        log=f"logs/{run_id}.csv",
                        repeat=repeat,
                        block=repeat,
                        order=order,
                        value=float(values[repeat - 1]),
                        within_run_uncertainty=half / 4,
                    )
                )
            found.append(
                ResponseSummary(
                    key=f"{response}-{speed:.0f}rpm-{treatment}",
                    response=response,
                    treatment=treatment,
                    at=(("speed_rpm", float(speed)),),
                    value=value,
                    unit=kinds[response].unit,
                    standard_uncertainty=half / 3,
                    dof=float(max(runs - 1, 1)),
                    per_run=tuple(per_run),
                    budget=(
                        BudgetRow(source="scatter", standard_uncertainty=half / 4, share=0.56, shared=False),
                        BudgetRow(
                            source="voltage gain", standard_uncertainty=half / 5, share=0.36, shared=True
                        ),
                        BudgetRow(
                            source="resolution", standard_uncertainty=half / 12, share=0.08, shared=False
                        ),
                    ),
                )
            )
    return tuple(found)


def _curves(treatments: tuple[str, ...]) -> tuple[CurvePoint, ...]:
    points = []
    for place, treatment in enumerate(treatments):
        for direction, lag in (("up", 0.0), ("down", 0.012)):
            for throttle in range(15, 101, 5) if direction == "up" else range(95, 14, -5):
                output = min(throttle / 100, 1.0)
                speed = 21000 * (1.0 + 0.05 * place) * output ** (0.8 - 0.05 * place) * (1 - lag)
                thrust = 802.0 * (speed / 16000) ** 2
                power = (262.4 + 4 * place) * (speed / 16000) ** 3 * (1 + lag) + 3.0
                points.append(
                    CurvePoint(
                        treatment=treatment,
                        direction=direction,
                        throttle_percent=float(throttle),
                        speed_rpm=speed,
                        thrust_gf=thrust,
                        power_w=power,
                        thrust_per_power_gf_w=thrust / power,
                        runs=2,
                    )
                )
    return tuple(points)


def _runs(
    treatments: tuple[str, ...], repeats: int, summaries: tuple[ResponseSummary, ...]
) -> tuple[RunReduction, ...]:
    """All runs in the order made, their responses those of the summaries."""
    responses: dict[str, list[RunResponse]] = {}
    for summary in summaries:
        for run in summary.per_run:
            responses.setdefault(run.run_id, []).append(
                RunResponse(response=summary.response, at=summary.at, value=run.value)
            )
    runs: list[RunReduction] = []
    order = 0
    for procedure, make, count in (
        ("hold", hold_run, repeats),
        ("spin-up", spin_up_run, repeats),
        ("soak", soak_run, 1),
        ("staircase", staircase_run, 1),
    ):
        for repeat in range(1, count + 1):
            for place, treatment in enumerate(treatments):
                order += 1
                run_id = f"{order:02d}-{procedure}-{treatment}-{repeat}"
                run = make(run_id=run_id, treatment=treatment, place=place, repeat=repeat, order=order)
                runs.append(replace(run, responses=run.responses or tuple(responses.get(run_id, ()))))
    refused = replace(
        runs[0],
        run_id=f"{order + 1:02d}-hold-{BASELINE}-9",
        log=f"logs/{order + 1:02d}-hold-{BASELINE}-9.csv",
        repeat=9,
        order=order + 1,
        refused="speed held only 14 910 rpm of 16 000 rpm asked for",
        responses=(),
        windows=(),
        trace=pd.DataFrame(),
    )
    return (*runs, refused)


CHECKS: tuple[Check, ...] = (
    Check(
        id="thrust-agrees",
        title="Thrust agrees at equal speed",
        outcome="warned",
        sentence="6S capped gave 0.4 % less thrust than 4S at 16 000 rpm.",
        threshold="1 %",
        reason="The same propeller at the same speed in the same air gives the same thrust.",
        source="invented for tests",
        treatments=("six-cell",),
        weakens=("electrical_power",),
    ),
    Check(
        id="zero-drift",
        title="Thrust zero holds",
        outcome="passed",
        sentence="The thrust zero moved by at most 0.6 gf in a run.",
        threshold="2 gf",
        reason="A zero that moves is thrust that never was.",
        source="invented for tests",
    ),
    Check(
        id="setpoint",
        title="Setpoint reached",
        outcome="failed",
        sentence="One hold reached 14 910 rpm of 16 000 rpm and was not used.",
        threshold="2 %",
        reason="A hold at another speed answers another question.",
        source="invented for tests",
        runs=("31-hold-four-cell-9",),
    ),
)


def _caution(
    id_: str, signal: Any, title: str, *, always_on: bool, applies_to: tuple[str, ...] = ()
) -> Caution:
    return Caution(
        id=id_,
        signal=signal,
        title=title,
        hazard=f"{title}: what is dangerous about it.",
        consequence="What it does to a person or to the hardware.",
        avoidance="How to avoid it. Local codes and licensed practice come first.",
        threshold="" if always_on else "more cells than rated",
        source="invented for tests",
        always_on=always_on,
        applies_to=applies_to,
    )


def make_analysis(
    *,
    treatments: tuple[str, ...] = TREATMENTS,
    repeats: int = 4,
    session_id: str = "cells",
    simulated: bool = False,
) -> SessionAnalysis:
    """A whole invented session.

    treatments  two or three of TREATMENTS, baseline first
    repeats     runs a treatment, from 1
    """
    summaries = _summaries(treatments, repeats)
    contrasts = tuple(_contrast(case, runs=repeats) for case in _CASES if case[2] in treatments)
    runs = _runs(treatments, repeats, summaries)
    if simulated:
        runs = tuple(replace(run, simulated="SIMULATED DATA, not measured") for run in runs)
    return SessionAnalysis(
        session_id=session_id,
        runs=runs,
        kinds=make_kinds(),
        responses=summaries,
        contrasts=contrasts,
        claims=(
            ClaimOutcome(
                says="The capped 5S set-up costs no power.",
                by="club forum",
                response="electrical_power",
                treatment="five-cell",
                expects="no difference",
                outcome="contradicted",
                sentence="At 16 000 rpm it drew 7.9 W more (6.1 to 9.7 W, 95 %).",
                contrasts=("electrical_power-16000rpm-five-cell", "electrical_power-9000rpm-five-cell"),
            ),
            ClaimOutcome(
                says="It spins up faster.",
                by="not stated",
                response="rise_time",
                treatment="five-cell",
                expects="less",
                outcome="supported",
                sentence="To 16 000 rpm it took 18 ms less (12 to 24 ms, 95 %).",
                contrasts=("rise_time-16000rpm-five-cell",),
            ),
            ClaimOutcome(
                says="It runs hotter.",
                by="a reader",
                response="temperature_rise",
                treatment="five-cell",
                expects="more",
                outcome="left open",
                sentence="3.1 K more (−3.0 to 9.2 K, 95 %), from one run each.",
                contrasts=("temperature_rise-16000rpm-five-cell",),
            ),
        ),
        checks=CHECKS,
        cautions=(
            _caution("blades", "DANGER", "Turning blades", always_on=True),
            _caution("noise", "WARNING", "Noise", always_on=True),
            _caution(
                "over-rated-cells",
                "WARNING",
                "More cells than rated",
                always_on=False,
                applies_to=("six-cell",),
            ),
            _caution("touch", "CAUTION", "Hot motor", always_on=False),
        ),
        curves=_curves(treatments),
        headline="At 16 000 rpm, 5S capped draws 7.9 W more electrical power than 4S (6.1 to 9.7 W, 95 %).",
        simulated=simulated,
        notes=(f"{runs[-1].log} was not used: {runs[-1].refused}.",),
    )
