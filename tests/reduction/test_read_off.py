"""Read-off: rows of published tables through the reduction, against what their authors computed from them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path

import pandas as pd
import pytest

from generator import pipeline
from generator.reduction.prepare import prepare
from generator.reduction.procedures import PROCEDURES
from generator.reduction.read_off import reduce_read_off
from generator.reduction.records import At, Outcome, Setup
from tests.reduction.synthetic import make_plan, make_rig, make_setup
from tests.seasons import write_season

GF = 9.80665e-3  # standard gravity, 3rd CGPM (1901)

# Repository ctu-mrs/ctu-mrs.github.io, docs/100-hardware/motor_tests.md (commit
# a9c38dd830b36f90c79e7f040e45bca6bafb0684), first table: throttle %, thrust g, rpm, V, A, and the power W and
# efficiency g/W that its authors printed.
TABLE = (
    (50, 401, 5688, 16.66, 3.09, 51.48, 7.79),
    (60, 529, 6508, 16.61, 4.80, 79.73, 6.64),
    (70, 656, 7213, 16.54, 6.72, 111.15, 5.90),
    (80, 787, 7788, 16.48, 9.05, 149.14, 5.28),
    (90, 911, 8608, 16.40, 11.48, 188.27, 4.84),
    (100, 1024, 9068, 16.32, 14.26, 232.72, 4.40),
)
# UIUC Propeller Database, volumes 1 to 3 (Brandt, Deters, Ananda, Dantsker, Selig), static test of a 10 x 7 in slow
# flyer, file apcsf_10x7_static_kt0827: rpm, CT, CP; first, middle and last rows.
COEFFICIENTS = (
    (2283.0, 0.1409, 0.0678),
    (3300.0, 0.1472, 0.0703),
    (4280.0, 0.1523, 0.0735),
    (5987.0, 0.1606, 0.0797),
)


def table_frame(rows: Sequence[Sequence[float]] = TABLE) -> pd.DataFrame:
    throttle, thrust, speed, volts, amps = ([float(row[k]) for row in rows] for k in range(5))
    return pd.DataFrame(
        {
            "time_s": [float(k) for k in range(len(rows))],
            "throttle": [value / 100.0 for value in throttle],
            "speed_rpm": speed,
            "thrust_n": [value * GF for value in thrust],
            "voltage_v": volts,
            "current_a": amps,
        }
    )  # fmt: skip


def reduced(
    frame: pd.DataFrame, plan: Mapping[str, object] | None = None, setup: Setup | None = None
) -> Outcome:
    return reduce_read_off(prepare(frame, setup or make_setup(), make_plan("read-off", plan or {})))


def value(outcome: Outcome, name: str, at: At) -> float:
    (found,) = (r.value for r in outcome.responses if (r.response, r.at) == (name, at))
    return found


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"{row[0]} %")
def test_printed_power_and_efficiency_come_out(row: tuple[float, ...]) -> None:
    outcome = reduced(table_frame())
    at: At = (("throttle_percent", float(row[0])),)
    # the tolerance is the printed rounding
    assert value(outcome, "electrical_power", at) == pytest.approx(row[5], abs=0.005)
    assert value(outcome, "thrust_per_power", at) == pytest.approx(row[6], abs=0.0052)
    assert value(outcome, "speed", at) == row[2]


def test_published_coefficients_come_back() -> None:
    """T and P built from CT and CP at the air of the test, D = 10 in: this holds formulas and units, no measurement."""
    setup = make_setup()
    density, diameter = setup.air.density_kg_m3, 10.0 * 0.0254
    turns = [speed / 60.0 for speed, _, _ in COEFFICIENTS]
    frame = pd.DataFrame(
        {
            "time_s": [float(k) for k in range(len(COEFFICIENTS))],
            "speed_rpm": [speed for speed, _, _ in COEFFICIENTS],
            "thrust_n": [
                ct * density * n**2 * diameter**4 for n, (_, ct, _) in zip(turns, COEFFICIENTS, strict=True)
            ],
            "torque_nm": [
                cp * density * n**3 * diameter**5 / (2.0 * math.pi * n)
                for n, (_, _, cp) in zip(turns, COEFFICIENTS, strict=True)
            ],
        }
    )
    propeller = setup.propeller.model_copy(update={"diameter_m": diameter})
    setup = Setup(**{name: getattr(setup, name) for name in Setup.__slots__} | {"propeller": propeller})
    found = {(c.response, c.at): c.value for c in reduced(frame, setup=setup).constants}
    for speed, ct, cp in COEFFICIENTS:
        at: At = (("speed_rpm", speed),)
        assert found["thrust_coefficient", at] == pytest.approx(ct, rel=1e-9)
        assert found["power_coefficient", at] == pytest.approx(cp, rel=1e-9)


def test_curves_are_read_between_the_rows_and_never_beyond() -> None:
    outcome = reduced(table_frame(), {"compare_at": {"thrust": ["600 gf", "2000 gf"]}})
    power = {r.at: r.value for r in outcome.responses if r.response == "electrical_power"}
    assert 79.73 < power[(("thrust_gf", 600.0),)] < 111.15
    assert (("thrust_gf", 2000.0),) not in power


def test_only_the_errors_of_the_rig_stand_on_a_row() -> None:
    rig = make_rig({"current": {"gain_uncertainty": "1 %"}, "voltage": {"resolution": 0.01}})
    outcome = reduced(table_frame(), setup=make_setup(rig))
    (power,) = (
        r
        for r in outcome.responses
        if (r.response, dict(r.at)) == ("electrical_power", {"throttle_percent": 50.0})
    )
    sources = {part.source: (part.contribution, part.shared) for part in power.components}
    assert sources["current gain"] == (pytest.approx(0.01 * power.value), True)
    # one step of the reading as a rectangular width, JCGM 100:2008, F.2.2.1
    assert sources["resolution"] == (pytest.approx(0.01 / math.sqrt(12.0) * 3.09), False)
    assert "scatter" not in sources


def test_rows_of_one_state_are_averaged_and_an_outlier_stays() -> None:
    """Rows are no samples: the seventh of ten that stands out is no spike, and equal rows are no stuck sensor."""
    rows = [(k, 400.0, 5000.0, 16.0, 3.0) for k in range(50, 60)]
    rows[6] = (56, 900.0, 5000.0, 16.0, 3.0)
    frame = table_frame(rows)
    run = prepare(frame, make_setup(), make_plan("read-off", {}))
    assert {finding.kind for finding in run.findings} <= {"no rest"}
    assert value(reduce_read_off(run), "thrust", (("throttle_percent", 56.0),)) == pytest.approx(900.0)


def test_a_table_without_throttle_stands_for_its_speeds() -> None:
    frame = table_frame().drop(columns=["throttle", "voltage_v", "current_a"])
    found = {r.at: r.value for r in reduced(frame).responses if r.response == "thrust"}
    assert found[(("speed_rpm", 5688.0),)] == pytest.approx(401.0)
    assert len(found) == len(TABLE)


def test_rows_without_any_condition_give_nothing() -> None:
    frame = table_frame()[["time_s", "thrust_n"]]
    assert reduced(frame).responses == ()


def test_samples_are_no_read_off() -> None:
    frame = pd.concat([table_frame()] * 100, ignore_index=True).assign(time_s=lambda f: f.index / 50.0)
    outcome = reduced(frame)
    assert outcome.responses == ()
    (finding,) = outcome.findings
    assert finding.grade == "refused"
    assert "600 rows" in finding.sentence


def test_a_season_of_tables_goes_through(tmp_path: Path) -> None:
    """From the file without a time column to the contrast; one table each is indicative, whatever its digits."""
    season = write_season(tmp_path / "season")
    rig = (season / "rigs" / "stand.yaml").read_text(encoding="utf-8")
    rig = rig.replace("{column: t, unit: s}", "{column: '#0', unit: 1 s}").replace(
        "  motor_temperature", "  # "
    )
    (season / "rigs" / "stand.yaml").write_text(
        rig.replace("idle: 1000, full: 2000", "unit: '%'").replace(
            "gain_uncertainty: 0.4 %", "resolution: 0.01 A"
        ),
        encoding="utf-8",
    )
    session = (season / "q" / "session.yaml").read_text(encoding="utf-8")
    session = session.replace("hold: {speed: [9000 rpm], settle: 0.5 s, window: 1 s}", "read-off: {}")
    session = session.replace("procedure: hold", "procedure: read-off").split("  - {log: logs/03")[0]
    (season / "q" / "session.yaml").write_text(session, encoding="utf-8")
    for name, factor in (("01", 1.0), ("02", 1.1)):
        lines = [f"{t},{n},{f},{u},{i * factor}" for t, f, n, u, i, *_ in TABLE]
        (season / "q" / "logs" / f"{name}.csv").write_text("cmd,n,f,u,i\n" + "\n".join(lines) + "\n", "utf-8")
    (analysis,) = pipeline.analyse_season(season).sessions
    power = [c for c in analysis.contrasts if c.response == "electrical_power"]
    assert len(power) == len(TABLE)
    assert all(c.indicative and c.relative == pytest.approx(0.1, rel=0.02) for c in power)
    assert PROCEDURES["read-off"].needs == ()
