"""Forecasts of small invented seasons: what they rest on, limits just met and just missed, reasons for going on."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import pytest

from generator.evidence.noise import allowed_minutes
from generator.intake.hazards import HAZARDS
from generator.intake.problems import SeasonProblems
from generator.intake.reference_texts import Thresholds, load_thresholds
from generator.intake.season import load_season
from generator.intake.session import Season, Session
from generator.pipeline import folders, reduce_session
from generator.planning.bench_model import RPM, Stretch, run_bench
from generator.planning.forecast import forecast
from generator.planning.forecast_heat import warming
from generator.planning.forecast_model import FittedConstants, known_bench, power_law
from generator.planning.forecast_points import settled
from generator.planning.forecast_steady import steady_at_speed
from generator.planning.plan_records import Forecast, Hazard
from generator.reduction.air import tip_mach
from generator.reduction.procedures import contracts
from tests.planning.test_forecast_steady import bench
from tests.seasons import PARTS, SESSION, write_season

DEMO = Path(__file__).parents[2] / "demo_sessions"
RUNS = SESSION[SESSION.index("runs:") : SESSION.index("claims:")]
ABSORBS = PARTS["bench"] + "absorbs_returned_energy: true\n"


def thresholds() -> Thresholds:
    return load_thresholds(folders("shared", DEMO))


def season_of(folder: Path, session: str = SESSION, **parts: str) -> tuple[Season, Session]:
    """A season with one session without runs; parts: texts of part files, by id with `_` for `-`."""
    write_season(folder)
    (folder / "q" / "session.yaml").write_text(session.replace(RUNS, "runs: []\n"), encoding="utf-8")
    for name, text in {"bench": ABSORBS, **{n.replace("_", "-"): t for n, t in parts.items()}}.items():
        (folder / "parts" / f"{name}.yaml").write_text(text, encoding="utf-8")
    season = load_season(folder, contracts(), logs_needed=False)
    return season, season.sessions[0]


def seen(folder: Path, session: str = SESSION, **parts: str) -> Forecast:
    season, one = season_of(folder, session, **parts)
    return forecast(season, one, (), thresholds())


def of(found: Forecast, id_: str) -> list[Hazard]:
    return [hazard for hazard in found.hazards if hazard.id == id_]


# --- figures ------------------------------------------------------------------------------------------------


def test_setpoint_is_the_steady_state_of_the_bench(tmp_path: Path) -> None:
    """The forecast at 9000 rpm is the root of the same equations that the stepped model integrates."""
    season, session = season_of(tmp_path / "s")
    found = forecast(season, session, (), thresholds())
    point = next(p for p in found.setpoints if p.treatment == "a")
    known = known_bench(season, session, "a", FittedConstants(season, session, ()), thresholds())
    trace = run_bench(known.model, (Stretch(kind="speed", value=9000.0 * RPM, duration_s=6.0),))
    assert point.supply_current_a.value == pytest.approx(float(trace.current_a[-1]), rel=2e-3)
    assert point.throttle.value == pytest.approx(float(trace.duty[-1]), rel=2e-3)
    assert point.tip_mach == pytest.approx(tip_mach(0.12954, 9000.0, 293.15), rel=1e-12)
    assert point.basis.kind == "assumed"  # the part files state neither resistance nor coefficients
    assert 0.0 < point.electrical_power_w.u < point.electrical_power_w.value


def test_stated_figures_are_taken_before_assumed_ones(tmp_path: Path) -> None:
    stated = "coefficients:\n  - {speed: 9000 rpm, thrust: 0.2, power: 0.1}\ncoefficients_uncertainty: 3 %\n"
    found = seen(
        tmp_path / "s", leaf=PARTS["leaf"] + stated, reed=PARTS["reed"] + "terminal_resistance: 80 mohm\n"
    )
    point = found.setpoints[0]
    density = point.thrust_n.value / (0.2 * 150.0**2 * 0.12954**4) if point.thrust_n is not None else 0.0
    assert density == pytest.approx(1.19, abs=0.01)  # 20 °C, 1004 hPa: p/(R T) = 1.193 kg/m³ dry
    assert point.shaft_power_w is not None
    assert point.thrust_n is not None
    assert point.shaft_power_w.value == pytest.approx(0.1 * density * 150.0**3 * 0.12954**5, rel=1e-9)
    assert point.thrust_n.u == pytest.approx(0.03 * point.thrust_n.value, rel=1e-9)
    assert point.basis.kind == "stated"
    assert not any("power coefficient" in a.words for a in found.assumptions if a.basis.kind == "assumed")


def test_power_law_goes_through_its_points() -> None:
    points = [(rpm, 0.1 * (rpm / 15000.0) ** -0.05) for rpm in (6000.0, 12000.0, 24000.0)]
    assert power_law(points, 15000.0) == pytest.approx((0.1, -0.05), rel=1e-9)
    assert power_law([(9000.0, 0.1), (9500.0, 0.11)], 9000.0)[1] == 0.0


def test_cap_that_equalises_top_speed_does(tmp_path: Path) -> None:
    five = SESSION.replace("b: {label: B,", "b: {label: B, output_cap: 80 %,").replace(
        "supply: bench, cells: 4, volts_per_cell: 4.0 V}\nprimary",
        "supply: bench, cells: 5, volts_per_cell: 4.0 V}\nprimary",
    )
    first = {t.treatment: t for t in seen(tmp_path / "one", five).treatments}
    cap = first["b"].equalising_cap
    assert cap is not None
    assert cap.u < 0.02
    again = five.replace("output_cap: 80 %", f"output_cap: {100.0 * cap.value:.10f} %")
    capped = {t.treatment: t for t in seen(tmp_path / "two", again).treatments}
    assert capped["b"].top_speed_rpm.value == pytest.approx(capped["a"].top_speed_rpm.value, rel=1e-6)
    lost = capped["b"].uncapped_speed_rpm
    assert lost is not None
    assert lost.value > 1.1 * capped["b"].top_speed_rpm.value
    assert capped["a"].uncapped_speed_rpm is None
    assert capped["a"].equalising_cap is None


def test_warming_is_that_of_the_bench_run_through_the_pattern() -> None:
    """Two nodes by the matrix exponential against the stepped model, both with a constant resistance."""
    model = bench()
    motor = replace(
        model.motor, winding_capacity_j_k=1.5, case_capacity_j_k=9.0, resistance_temperature_k=293.15
    )
    model = replace(model, motor=motor)
    pattern = tuple(
        stretch
        for cycle in range(5)
        for stretch in (
            Stretch(kind="speed", value=14000.0 * RPM, duration_s=4.0, label=f"on {cycle}"),
            Stretch(kind="off", value=0.0, duration_s=4.0, label=f"off {cycle}"),
        )
    )
    found = warming(model, pattern)
    trace = run_bench(model, pattern)
    rows = trace.time_s < 36.0
    assert found is not None
    # copper that warms by tens of kelvins and the spin-ups are left out of the forecast
    assert found.end_k == pytest.approx(float(trace.motor_temperature_k[rows][-1]) - 293.15, rel=0.10)
    state = settled(model, lambda k: steady_at_speed(model, 14000.0 * RPM, k))
    assert state is not None
    assert found.settled_k == pytest.approx(0.5 * (state.winding_w + state.iron_w) * 3.0, rel=1e-9)


def test_noise_and_its_minutes(tmp_path: Path) -> None:
    """NIOSH 98-126: 480 min / 2^((L - 85)/3)."""
    noise = seen(tmp_path / "s").noise[0]
    assert noise.minutes == pytest.approx(480.0 / 2.0 ** ((noise.level_db.value - 85.0) / 3.0), rel=1e-12)
    assert noise.minutes == pytest.approx(allowed_minutes(noise.level_db.value), rel=1e-12)
    assert noise.basis.kind == "assumed"
    assert "no source" in noise.words


def test_sampling_puts_five_samples_into_the_shortest_rise(tmp_path: Path) -> None:
    spins = SESSION.replace("  hold:", "  spin-up: {from: 4000 rpm, to: [9000 rpm], cycles: 2}\n  hold:")
    advice = next(a for a in seen(tmp_path / "s", spins).sampling if a.procedure == "spin-up")
    assert advice.shortest_ms is not None
    assert advice.lag_at_most_ms is not None
    assert advice.at_least_hz >= 5000.0 / advice.shortest_ms
    assert advice.at_least_hz <= 1.1 * 5000.0 / advice.shortest_ms
    assert advice.lag_at_most_ms == pytest.approx(0.33 * advice.shortest_ms / math.log(9.0), rel=1e-9)


def test_every_kind_of_plan_has_its_setpoints(tmp_path: Path) -> None:
    """Ramp by its ends, free run without the propeller, drain until the pack is empty."""
    more = """  ramp: {from: 20 %, to: 60 %, up: 10 s}
  free-run: {throttle: [30 %, 60 %]}
  drain: {throttle: [50 %], cut_off: 3.4 V}
  hold:"""
    text = SESSION.replace("  hold:", more).replace(
        "supply: bench, cells: 4, volts_per_cell: 4.0 V", "supply: pond-4s"
    )
    found = seen(tmp_path / "s", text)
    held = {(p.procedure, p.at[0]) for p in found.setpoints if p.treatment == "a"}
    assert {("ramp", ("throttle_percent", 20.0)), ("ramp", ("throttle_percent", 60.0))} <= held
    bare = [p for p in found.setpoints if p.procedure == "free-run"]
    driven = next(p for p in found.setpoints if p.procedure == "ramp" and p.at[0][1] == 60.0)
    assert all(p.thrust_n is None and p.sound_db is None and p.tip_mach is None for p in bare)
    assert bare[1].speed_rpm.value > driven.speed_rpm.value
    assert bare[1].supply_current_a.value < 0.3 * driven.supply_current_a.value
    minutes = found.treatments[0].pack_minutes
    highest = max(p.supply_current_a.value for p in found.setpoints if p.treatment == "a")
    assert minutes == pytest.approx(60.0 * 1.3 * 0.8 / highest, rel=1e-9)
    assert found.treatments[0].set_current_a is None
    assert {t.procedure for t in found.temperatures} == {"ramp", "free-run", "drain", "hold"}


# --- limits -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("limit", "refused"), [(8999, True), (9001, False)])
def test_speed_limit_of_the_propeller(tmp_path: Path, limit: int, refused: bool) -> None:
    found = seen(tmp_path / "s", leaf=PARTS["leaf"] + f"speed_limit: {limit} rpm\n")
    hit = [h for h in of(found, "speed-over-propeller-limit") if h.severity == "refuse"]
    assert bool(hit) == refused
    assert bool(found.refusals) == refused


@pytest.mark.parametrize(("rated", "refused"), [(3, True), (4, False)])
def test_cells_of_the_controller(tmp_path: Path, rated: int, refused: bool) -> None:
    found = seen(tmp_path / "s", brook=f"kind: controller\nlabel: Brook\nrated_cells: {rated}\n")
    assert bool(of(found, "cells-over-controller")) == refused
    assert {h.id for h in found.refusals} == ({"cells-over-controller"} if refused else set())


@pytest.mark.parametrize(
    ("share", "severity"), [(1.01, None), (0.99, "warn"), (0.84, "warn"), (0.83, "refuse")]
)
def test_current_over_rating(tmp_path: Path, share: float, severity: str | None) -> None:
    """A continuous rating of so much of the current foreseen; refused from 120 % of the rating, 1/1.2 = 0.833."""
    current = seen(tmp_path / "one").setpoints[0].supply_current_a.value
    rated = f"kind: controller\nlabel: Brook\nrated_cells: 4\ncontinuous_current: {share * current:.6f} A\n"
    hit = of(seen(tmp_path / "two", brook=rated), "current-over-rating")
    assert [h.severity for h in hit[:1]] == ([] if severity is None else [severity])


@pytest.mark.parametrize(("share", "refused"), [(0.99, True), (1.01, False)])
def test_supply_that_cannot_give(tmp_path: Path, share: float, refused: bool) -> None:
    current = seen(tmp_path / "one").setpoints[0].supply_current_a.value
    supply = ABSORBS.replace("40 A", f"{share * current:.6f} A")
    found = seen(tmp_path / "two", bench=supply)
    assert bool(of(found, "supply-cannot-give")) == refused
    assert [t.supply_gives for t in found.treatments] == [not refused] * 2


@pytest.mark.parametrize(("volts", "refused"), [("15.9 V", True), ("16.1 V", False)])
def test_voltage_of_the_supply(tmp_path: Path, volts: str, refused: bool) -> None:
    found = seen(tmp_path / "s", bench=ABSORBS.replace("30 V", volts))
    assert bool(of(found, "supply-cannot-give")) == refused


def test_speed_out_of_reach(tmp_path: Path) -> None:
    top = seen(tmp_path / "one").treatments[0].top_speed_rpm.value
    for name, share, reached in (("below", 0.999, True), ("above", 1.001, False)):
        text = SESSION.replace("[9000 rpm]", f"[{share * top:.3f} rpm]")
        found = seen(tmp_path / name, text)
        assert found.setpoints[0].reachable == reached
        assert bool(of(found, "setpoint-not-reached")) != reached


@pytest.mark.parametrize(("share", "refused"), [(0.99, False), (1.01, True)])
def test_tip_mach(tmp_path: Path, share: float, refused: bool) -> None:
    """Mach 0.7 at the tips; a small propeller and a motor with KV enough for it."""
    rpm = share * 0.7 / tip_mach(0.12954, 1.0, 293.15)
    text = SESSION.replace("[9000 rpm]", f"[{rpm:.1f} rpm]")
    motor = PARTS["reed"].replace("1750", "9000")
    assert bool(of(seen(tmp_path / "s", text, reed=motor), "tip-mach")) == refused


@pytest.mark.parametrize(("share", "refused"), [(0.99, True), (1.01, False)])
def test_stated_temperature_limit(tmp_path: Path, share: float, refused: bool) -> None:
    soak = SESSION.replace("  hold:", "  soak: {speed: 9000 rpm, on: 5 s, off: 5 s, cycles: 10}\n  hold:")
    rises = [t.rise_k.value for t in seen(tmp_path / "one", soak).temperatures if t.treatment == "a"]
    limit = PARTS["reed"] + f"temperature_limit: {20.0 + share * max(rises):.4f} degC\n"
    hit = of(seen(tmp_path / "two", soak, reed=limit), "temperature-over-limit")
    assert any(h.severity == "refuse" for h in hit) == refused


@pytest.mark.parametrize(
    ("id_", "key", "motor", "severity"),
    [
        ("winding-class", "thermal_class.Y", "thermal_class: Y\n", "refuse"),
        ("magnet-limit", "magnet_suffix.none", "magnet_grade: none\n", "warn"),
        ("sound-level", "sound.caution_from_db", "", "warn"),
    ],
)
def test_limits_of_the_thresholds_file(tmp_path: Path, id_: str, key: str, motor: str, severity: str) -> None:
    """The limit is set just below and just above what is foreseen; the hazard comes and goes."""
    soak = SESSION.replace("  hold:", "  soak: {speed: 9000 rpm, on: 5 s, off: 5 s, cycles: 10}\n  hold:")
    season, session = season_of(tmp_path / "s", soak, reed=PARTS["reed"] + motor)

    def hit(limit: float) -> list[Hazard]:
        entries = tuple(replace(e, value=limit) if e.key == key else e for e in thresholds().entries)
        return of(forecast(season, session, (), Thresholds(entries=entries)), id_)

    number = max(h.number for h in hit(10.0))
    assert [h.severity for h in hit(number - 0.01)][:1] == [severity]
    assert hit(number + 0.01) == []


def test_returned_energy(tmp_path: Path) -> None:
    spins = SESSION.replace("  hold:", "  spin-up: {from: 4000 rpm, to: [9000 rpm], cycles: 2}\n  hold:")
    refused = seen(tmp_path / "one", spins, bench=PARTS["bench"])
    assert [(h.id, h.treatment) for h in refused.refusals] == [("supply-cannot-absorb", "")]
    assert not of(seen(tmp_path / "two", spins), "supply-cannot-absorb")
    assert not of(seen(tmp_path / "three", bench=PARTS["bench"]), "supply-cannot-absorb")


def test_lost_cap_is_told(tmp_path: Path) -> None:
    capped = SESSION.replace("b: {label: B,", "b: {label: B, output_cap: 60 %,")
    lost = next(t for t in seen(tmp_path / "one", capped).treatments if t.treatment == "b").uncapped_speed_rpm
    assert lost is not None
    for name, share, told in (("over", 0.999, True), ("under", 1.001, False)):
        leaf = PARTS["leaf"] + f"speed_limit: {share * lost.value:.2f} rpm\n"
        assert bool(of(seen(tmp_path / name, capped, leaf=leaf), "cap-lost-overspeed")) == told


# --- going on all the same ----------------------------------------------------------------------------------


def test_a_stated_reason_lets_it_go_on(tmp_path: Path) -> None:
    reason = "go_on_because: {speed-over-propeller-limit: Behind steel in another room.}\n"
    leaf = PARTS["leaf"] + "speed_limit: 8000 rpm\n"
    found = seen(tmp_path / "s", reason + SESSION, leaf=leaf)
    assert found.refusals == ()
    assert {h.go_on for h in of(found, "speed-over-propeller-limit")} == {"Behind steel in another room."}


def test_a_reason_for_nothing_known_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(SeasonProblems) as raised:
        season_of(tmp_path / "s", "go_on_because: {speed-over-propeler-limit: So.}\n" + SESSION)
    said = str(raised.value)
    assert "go_on_because" in said
    assert "speed-over-propeller-limit" in said


def test_every_hazard_can_be_answered() -> None:
    """Ids that the rules give are those that session.yaml may answer."""
    text = (Path(__file__).parents[2] / "generator/planning/forecast_hazards.py").read_text("utf-8")
    ids = set(re.findall(r'"([a-z]+(?:-[a-z]+)+)"', text)) - {"spin-up"}
    assert ids
    assert ids <= set(HAZARDS)
    assert {f"cells-over-{kind}" for kind in ("motor", "controller")} <= set(HAZARDS)
    assert {f"speed-over-{kind}-limit" for kind in ("motor", "propeller")} <= set(HAZARDS)


# --- an earlier session -------------------------------------------------------------------------------------


def test_fitted_constants_of_another_session_foretell_the_measured(tmp_path: Path) -> None:
    """Holds of worn-bearing, foreseen with the constants of matched-motors, against what its logs hold.

    Both are rehearsed: this holds the model and the way of the constants through it, not a real bench.
    """
    season = load_season(DEMO, contracts())
    sessions = {session.id: session for session in season.sessions}
    used = ("matched-motors", "worn-bearing")
    reduced = {name: reduce_session(season, sessions[name], []) for name in used}
    session = sessions["worn-bearing"]
    found = forecast(season, session, [(sessions[used[0]], reduced[used[0]])], thresholds())
    compared = 0
    for point in found.setpoints:
        if point.procedure != "hold" or point.treatment != "fresh":
            continue
        assert point.basis.words == "fitted in session matched-motors, simulated"
        runs = [run for run in reduced["worn-bearing"] if (run.procedure, run.treatment) == ("hold", "fresh")]
        for name, value in (
            ("electrical_power", point.electrical_power_w.value), ("current", point.supply_current_a.value),
            ("throttle", 100.0 * point.throttle.value),
        ):  # fmt: skip
            own = [r.value for run in runs for r in run.responses if r.response == name and r.at == point.at]
            assert value == pytest.approx(math.fsum(own) / len(own), rel=0.02)
            compared += 1
    assert compared == 6
    later = forecast(season, sessions[used[0]], [(session, reduced[used[1]])], thresholds())
    assert all(a.basis.kind != "fitted" for a in later.assumptions)  # what came later was not known then
