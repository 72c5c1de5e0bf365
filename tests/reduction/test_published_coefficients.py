"""Static coefficients that others published come back through the reduction and through the part file."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from generator.intake.parts import Propeller
from generator.reduction.measured import nominal
from generator.reduction.motor_fit import least_squares
from generator.reduction.stated_coefficients import stated_coefficient, stated_coefficients
from tests.reduction.motor_runs import DENSITY, constants, setup_of, steps_of

DATA = Path(__file__).parents[1] / "data" / "uiuc_static"


def published(name: str) -> list[tuple[float, float, float]]:
    """(rpm, CT, CP) of a file of the UIUC Propeller Database; see tests/data/uiuc_static/SOURCES.md."""
    lines = (DATA / name).read_text(encoding="ascii").splitlines()[1:]
    return [tuple(float(word) for word in line.split()) for line in lines if line.strip()]  # type: ignore[misc]


# Brandt, Deters, Ananda, Dantsker, Selig: UIUC Propeller Database, volumes 1 to 3. The files hold no raw thrust: it is
# built from CT and CP in air of DENSITY, so this checks formulas and units, not the measurement.
FILES = {
    "static_10x7.txt": "10 in",
    "static_4.2x4.txt": "4.2 in",
    "static_16x8.txt": "16 in",
}


@pytest.mark.parametrize("name", sorted(FILES))
def test_published_static_coefficients_come_back(name: str) -> None:
    rows = published(name)
    propeller = Propeller.model_validate(
        {
            "id": "published", "kind": "propeller", "label": "Published", "diameter": FILES[name], "blades": 2,
            "coefficients": [{"speed": f"{rpm} rpm", "thrust": ct, "power": cp} for rpm, ct, cp in rows],
        }
    )  # fmt: skip
    diameter = propeller.diameter_m
    readings = [
        {
            "speed_rpm": rpm,
            "thrust_n": ct * DENSITY * (rpm / 60.0) ** 2 * diameter**4,
            "torque_nm": cp / (2.0 * math.pi) * DENSITY * (rpm / 60.0) ** 2 * diameter**5,
        }
        for rpm, ct, cp in rows
    ]
    setup = replace(setup_of(without=("voltage", "current", "motor_temperature")), propeller=propeller)
    at = [(("speed_rpm", rpm),) for rpm, _, _ in rows]
    found = constants(steps_of(readings, [0.5] * len(rows), setup, at=at))
    for rpm, ct, cp in rows:
        here = (("speed_rpm", rpm),)
        assert found["thrust_coefficient", here].value == pytest.approx(ct, rel=1e-9)
        assert found["power_coefficient", here].value == pytest.approx(cp, rel=1e-9)
        assert stated_coefficient(propeller, "thrust", rpm) == pytest.approx(ct, rel=1e-12)
        assert stated_coefficient(propeller, "power", rpm) == pytest.approx(cp, rel=1e-12)


def test_the_published_slow_flyer_rises_with_speed() -> None:
    """CT of the 10 x 7 rises from 0.1409 at 2283 rpm to 0.1606 at 5987 rpm, 14 %: exponent 0.136 between the ends."""
    rows = published("static_10x7.txt")
    logs = [math.log(rpm / 4000.0) for rpm, _, _ in rows]
    solved = least_squares([[1.0] * len(rows), logs], [math.log(ct) for _, ct, _ in rows])
    assert solved is not None
    between_ends = math.log(0.1606 / 0.1409) / math.log(5987 / 2283)
    slope = solved.parameters[1]
    assert abs(nominal(slope) - between_ends) < 0.01
    # numpy's own straight line over logarithms, unweighted, as a second way
    assert nominal(slope) == pytest.approx(np.polyfit(logs, np.log([r[1] for r in rows]), 1)[0], rel=1e-9)


def test_stated_coefficients_hold_a_little_beyond_their_speeds() -> None:
    propeller = Propeller.model_validate(
        {
            "id": "leaf", "kind": "propeller", "label": "Leaf", "diameter": "5 in", "blades": 2,
            "coefficients": [
                {"speed": "10000 rpm", "thrust": 0.12}, {"speed": "6000 rpm", "thrust": 0.10, "power": 0.05},
            ],
        }
    )  # fmt: skip
    assert stated_coefficients(propeller, "thrust") == ((6000.0, 0.10), (10000.0, 0.12))
    assert stated_coefficient(propeller, "thrust", 8000.0) == pytest.approx(0.11)
    assert stated_coefficient(propeller, "thrust", 10900.0) == pytest.approx(0.12)
    assert stated_coefficient(propeller, "thrust", 11100.0) is None
    assert stated_coefficient(propeller, "power", 6500.0) == pytest.approx(0.05)
    assert stated_coefficient(propeller, "power", 8000.0) is None
