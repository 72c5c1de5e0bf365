"""Invented staircases read at preferred numbers, with scatter from run to run of a known kind. Not measured."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from generator.reduction.readings import preferred_numbers
from generator.reduction.records import Component, RunReduction, RunResponse, StepRow
from tests.evidence.invented_bench import make_run

Array = NDArray[np.float64]
STEPS = tuple(
    StepRow(direction="up", throttle=level, start_s=0.0, stop_s=1.0, means=())
    for level in (0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8)
)
THRUSTS = preferred_numbers(63.0, 710.0)


def stairs(
    treatment: str,
    order: int,
    values: Sequence[float],
    *,
    x: Sequence[float] = THRUSTS,
    axis: str = "thrust_gf",
    response: str = "electrical_power",
    shared: Mapping[str, float] | None = None,
    scatter: float = 0.005,
    block: int = 0,
) -> RunReduction:
    """One staircase with its readings; shared: source -> share of each value."""
    readings = tuple(
        RunResponse(
            response=response,
            at=((axis, place),),
            value=float(value),
            components=(
                Component(source="scatter", contribution=scatter * float(value), shared=False),
                *(
                    Component(source=source, contribution=share * float(value), shared=True)
                    for source, share in (shared or {}).items()
                ),
            ),
        )
        for place, value in zip(x, values, strict=True)
    )
    return make_run(treatment, order, procedure="staircase", block=block, readings=readings, steps=STEPS)


def campaign(
    curves: Mapping[str, Callable[[Array], Array]],
    runs: int,
    *,
    seed: int = 1,
    level: float = 0.003,
    bend: float = 0.001,
    blocks: bool = False,
    reach: Mapping[int, float] | None = None,
    **more: object,
) -> tuple[RunReduction, ...]:
    """Staircases that take turns: each true curve times (1 + a shift of the run + a bend over log thrust + noise).

    level, bend  standard deviations of shift and bend, shares
    reach        place in the order made -> highest thrust that run reaches
    """
    rng = np.random.default_rng(seed)
    x = np.array(THRUSTS)
    along = np.log(x / x[0]) / np.log(x[-1] / x[0]) - 0.5
    made: list[RunReduction] = []
    for repeat in range(runs):
        for treatment, curve in curves.items():
            order = len(made) + 1
            factor = 1.0 + level * rng.normal() + 2.0 * bend * rng.normal() * along
            factor = factor + 1e-4 * rng.normal(size=x.size)
            kept = x <= (reach or {}).get(order, np.inf)
            values = curve(x) * factor
            made.append(
                stairs(
                    treatment,
                    order,
                    list(values[kept]),
                    x=[float(place) for place in x[kept]],
                    block=repeat + 1 if blocks else 0,
                    **more,  # type: ignore[arg-type]
                )
            )
    return tuple(made)
