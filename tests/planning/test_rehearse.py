"""Rehearsal of a session: seeds, known differences, what is refused, and the analysis held against the truth."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from pydantic import BaseModel

from generator.intake.log_records import BenchLog, LogDialect
from generator.intake.problems import SeasonProblems
from generator.intake.season import load_season
from generator.intake.session import Season, Session
from generator.planning.drive_patterns import NoPattern, drive_pattern
from generator.planning.log_writer import RehearsalRefused
from generator.planning.rehearsal_file import Rehearsal, Scatter, TreatmentTruth, load_rehearsal
from generator.planning.rehearse import (
    SimulatedRun,
    rehearse,
    rehearse_session,
    simulate_session,
    true_responses,
)
from generator.planning.set_up import Assumptions
from generator.reduction.procedures import PROCEDURES, contracts
from generator.reduction.records import RunReduction, Setup
from generator.reduction.run import air_state, reduce_run
from tests.seasons import write_season

ALL_PLANS = """\
procedures:
  hold: {speed: [9000 rpm, 15000 rpm], settle: 0.5 s, window: 1.5 s}
  spin-up: {from: 5000 rpm, to: [12000 rpm], cycles: 4, dwell: 0.8 s}
  soak: {speed: 14000 rpm, on: 2 s, off: 2 s, cycles: 5}
  staircase:
    {throttle: [20 %, 35 %, 50 %, 65 %], step: 1.5 s, average: 0.6 s, compare_at: {thrust: [150 gf], throttle: [50 %]}}
runs:
"""


@pytest.fixture
def holds(tmp_path: Path) -> Season:
    """The test season as it is, four short holds, without its logs."""
    folder = write_season(tmp_path / "s")
    for log in (folder / "q" / "logs").iterdir():
        log.unlink()
    return load_season(folder, contracts(), logs_needed=False)


@pytest.fixture
def season(tmp_path: Path) -> Season:
    """The test season with four procedures, two treatments, two repeats each, and no logs yet."""
    folder = write_season(tmp_path / "s")
    for log in (folder / "q" / "logs").iterdir():
        log.unlink()
    text = (folder / "q" / "session.yaml").read_text(encoding="utf-8")
    head, rest = text.split("procedures:\n")
    tail = rest[rest.index("claims:") :]
    order = [
        (p, t, r)
        for p in ("hold", "spin-up", "soak", "staircase")
        for t, r in (("a", 1), ("b", 1), ("b", 2), ("a", 2))
    ]
    runs = "".join(
        f"  - {{log: logs/{n:02d}-{p}.csv, procedure: {p}, treatment: {t}, repeat: {r}, block: {r}}}\n"
        for n, (p, t, r) in enumerate(order, 1)
    )
    (folder / "q" / "session.yaml").write_text(head + ALL_PLANS + runs + tail, encoding="utf-8")
    return load_season(folder, contracts(), logs_needed=False)


def only(season: Season) -> Session:
    return season.sessions[0]


def reduced(season: Season, simulated: dict[str, SimulatedRun]) -> list[RunReduction]:
    """Every simulated run through the reduction, without the detour over a file."""
    session = only(season)
    made = []
    for order, item in enumerate(simulated.values(), 1):
        treatment = session.file.treatments[item.run.treatment]
        setup = Setup(
            treatment=treatment, motor=season.motor(treatment), controller=season.controller(treatment),
            propeller=season.propeller(treatment), source=season.source(treatment), rig=session.rig,
            air=air_state(session.file.air),
        )  # fmt: skip
        dialect = LogDialect(container="text", encoding="utf-8", delimiter=",", decimal=".", header_line=1)
        log = BenchLog(
            path=item.run.log,
            sha256="",
            frame=item.logged,
            columns=(),
            rows=len(item.logged),
            dialect=dialect,
        )
        procedure = PROCEDURES[item.run.procedure]
        made.append(reduce_run(log, item.run, order, setup, session.plans[item.run.procedure], procedure))
    return made


def with_truth(scatter: Scatter | None = None, **treatments: TreatmentTruth) -> Rehearsal:
    update: dict[str, object] = {"treatments": treatments}
    if scatter is not None:
        update["scatter"] = scatter
    return Rehearsal().model_copy(update=update)


NO_SCATTER = Scatter.model_construct(
    thrust=0.0, shaft_power=0.0, kv=0.0, resistance=0.0, speed=0.0, vibration=0.0, start_temperature_k=0.0
)


def test_the_seed_decides_everything(season):
    runs = ("01-hold", "02-hold")
    first = simulate_session(season, only(season), Rehearsal(), seed=3, runs=runs)
    again = simulate_session(season, only(season), Rehearsal(), seed=3, runs=runs)
    other = simulate_session(season, only(season), Rehearsal(), seed=4, runs=runs)
    alone = simulate_session(season, only(season), Rehearsal(), seed=3, runs=runs[1:])
    for run in runs:
        assert first[run].logged.equals(again[run].logged)
        assert not first[run].logged.equals(other[run].logged)
    assert alone[runs[1]].logged.equals(first[runs[1]].logged)  # whatever else is drawn
    assert not first[runs[0]].logged.equals(first[runs[1]].logged)


def test_a_known_difference_is_in_the_truth(season):
    b = TreatmentTruth.model_construct(electrical_power=1.03, thrust=0.98, inertia=1.5, cooling=2.0)
    values = {
        (r.procedure, r.response, r.at, r.treatment): r.value
        for r in true_responses(season, only(season), with_truth(b=b))
    }
    base = {key[:3]: value for key, value in values.items() if key[3] == "a"}
    ratios = {key[:3]: value / base[key[:3]] for key, value in values.items() if key[3] == "b"}
    for rpm in (9000.0, 15000.0):
        at = (("speed_rpm", rpm),)
        # the factor acts on the power; the controller's extra warmth changes nothing else
        assert ratios["hold", "electrical_power", at] == pytest.approx(1.03, rel=1e-3)
        assert ratios["hold", "thrust", at] == pytest.approx(0.98, rel=1e-3)
    assert ratios["spin-up", "rise_time", (("speed_rpm", 12000.0),)] > 1.02
    assert ratios["soak", "temperature_rise", (("speed_rpm", 14000.0),)] < 0.99
    assert ratios["staircase", "thrust", (("throttle_percent", 50.0),)] == pytest.approx(0.98, rel=2e-3)
    assert ratios["staircase", "electrical_power", (("throttle_percent", 50.0),)] == pytest.approx(
        1.03, rel=2e-3
    )
    assert ratios["staircase", "electrical_power", (("thrust_gf", 150.0),)] > 1.03


def test_without_any_error_every_treatment_is_the_same(season):
    values: dict[object, list[float]] = {}
    for r in true_responses(season, only(season), Rehearsal()):
        values.setdefault((r.procedure, r.response, r.at), []).append(r.value)
    assert len(values) > 8
    for pair in values.values():
        assert pair[0] == pair[1]


# The truth must come back through sensors, logger and reduction. Bounds, at three standard deviations: the rig's own
# gain errors, drawn once a session (0.3 % thrust, 0.2 % voltage, 0.4 % current); spin-up by sampling at 100 Hz, 10 ms
# over √12 in each of two instants, mean of four cycles, of about 80 ms; temperature by its offset of 0.5 K.
BOUNDS = {"electrical_power": 0.015, "thrust": 0.012, "rise_time": 0.08, "fall_time": 0.08, "speed": 0.006}
KELVINS = 1.6


@pytest.mark.parametrize("seed", [1, 2])
def test_the_analysis_finds_the_truth(season, seed):
    rehearsal = with_truth(NO_SCATTER)
    truth = {
        (r.procedure, r.response, r.at, r.treatment): r.value
        for r in true_responses(season, only(season), rehearsal)
    }
    compared = set()
    for run in reduced(season, simulate_session(season, only(season), rehearsal, seed=seed)):
        assert run.refused is None, run.refused
        assert not [f for f in run.findings if f.grade == "refused"]
        for response in run.responses:
            key = (run.procedure, response.response, response.at, run.treatment)
            if key in truth:
                close = (
                    {"abs": KELVINS}
                    if response.response == "temperature_rise"
                    else {"rel": BOUNDS[response.response]}
                )
                assert response.value == pytest.approx(truth[key], **close), key
                compared.add(key)
    # the test rig has no thermometer at the controller
    assert compared == {key for key in truth if key[1] != "controller_rise"}


def test_a_known_difference_comes_back_through_the_analysis(season):
    b = TreatmentTruth.model_construct(electrical_power=1.05)
    runs = [run.id for run in only(season).file.runs if run.procedure == "hold"]
    made = reduced(season, simulate_session(season, only(season), with_truth(NO_SCATTER, b=b), runs=runs))
    at = (("speed_rpm", 15000.0),)
    power = {
        treatment: [
            r.value for run in made if run.treatment == treatment for r in run.responses
            if (r.response, r.at) == ("electrical_power", at)
        ]
        for treatment in ("a", "b")
    }  # fmt: skip
    # gain errors of the rig are shared and cancel, so that the ratio is far better known than either power
    assert np.mean(power["b"]) / np.mean(power["a"]) == pytest.approx(1.05, rel=2e-3)


def test_scatter_between_runs_has_the_stated_size(season):
    scatter = NO_SCATTER.model_copy(update={"thrust": 0.03})
    session = only(season)
    values = []
    for seed in range(60):
        made = simulate_session(
            season, session, with_truth(scatter), seed=seed, runs=("01-hold",), step_s=0.004
        )
        truth = made["01-hold"].truth
        values.append(float(truth["thrust_n"].max() / truth["speed_rpm"].max() ** 2.03))
    assert np.std(values) / np.mean(values) == pytest.approx(0.03, rel=0.25)


def test_rehearsed_logs_say_what_they_are_and_are_the_same_again(holds):
    folder = Path(holds.folder) / "q"
    report = rehearse_session(holds, "q", seed=9)
    assert [path.name for path in report.written] == [run.log.split("/")[1] for run in only(holds).file.runs]
    assert report.seed == 9
    # the test season's parts state next to nothing
    assert any(
        "reed: terminal resistance" in told and "assumed for rehearsal" in told for told in report.assumed
    )
    first = {path: path.read_bytes() for path in report.written}
    assert all(b"SIMULATED DATA, not measured; seed 9" in content for content in first.values())
    with pytest.raises(RehearsalRefused, match="holds a simulated log already"):
        rehearse(holds, "q", seed=9)
    rehearse(holds, "q", seed=9, force=True)
    assert {path: path.read_bytes() for path in report.written} == first
    rehearse(holds, "q", seed=10, force=True)
    assert not any(path.read_bytes() == content for path, content in first.items())
    assert sorted(p.name for p in (folder / "logs").iterdir()) == sorted(p.name for p in first)  # no leavings
    load_season(Path(holds.folder), contracts())


def test_one_measured_log_stops_the_whole_rehearsal(holds):
    logs = Path(holds.folder) / "q" / "logs"
    measured = logs / "03.csv"
    measured.write_text("t,n\n0,0\n", encoding="utf-8")
    with pytest.raises(RehearsalRefused, match=r"03\.csv: holds a log that does not say it is simulated"):
        rehearse(holds, "q", force=True)
    assert [path.name for path in logs.iterdir()] == ["03.csv"]
    assert measured.read_text(encoding="utf-8") == "t,n\n0,0\n"


def test_names_must_mean_something(holds):
    file = Path(holds.folder) / "q" / "rehearsal.yaml"
    for text, words in (
        ("treatments: {c: {thrust: 1.1}}", r"treatments: 'c' is not known here"),
        ("faults: {001: [{kind: dropout, at: 1 s}]}", r"faults: '001' .*\n.*Did you mean '01'"),
        ("sensors: {torque: {noise: 1 mNm}}", r"sensors: 'torque'"),
        ("motors: {brook: {kv: 1800 rpm/V}}", r"motors: 'brook'"),
        ("treatments: {b: {propeller: leef}}", r"treatments\.b\.propeller: 'leef' .*\n.*'leaf'"),
        ("treatments: {b: {gains: {vibration: 1.1}}}", r"treatments\.b\.gains: 'vibration'"),
    ):
        file.write_text(text + "\n", encoding="utf-8")
        with pytest.raises(RehearsalRefused, match=words):
            rehearse(holds, "q")
    with pytest.raises(RehearsalRefused, match=r"no session 'nowhere'.\n.*Known here: q"):
        rehearse(holds, "nowhere")


def test_rehearsal_file_tells_all_its_faults_at_once(tmp_path):
    file = tmp_path / "rehearsal.yaml"
    file.write_text(
        "sensors: {thrust: {noise: 3}}\nfaults: {r: [{kind: spike, at: 1 s, size: 2}]}\n", encoding="utf-8"
    )
    with pytest.raises(SeasonProblems) as found:
        load_rehearsal(file, "q/rehearsal.yaml")
    assert [(p.line, p.key) for p in found.value.problems] == [(1, "sensors.thrust.noise"), (2, "faults.r.0")]
    file.write_text("sede: 3\nsampling: 100\n", encoding="utf-8")
    with pytest.raises(SeasonProblems, match=r"(?s)no such key.*'seed'") as found:
        load_rehearsal(file, "q/rehearsal.yaml")
    assert len(found.value.problems) == 2
    assert load_rehearsal(tmp_path / "none.yaml") == Rehearsal()


def test_rehearsal_file_in_house_units(tmp_path):
    file = tmp_path / "rehearsal.yaml"
    file.write_text(
        "seed: 7\nsampling: 0.2 kHz\nsensors: {thrust: {noise: 2 gf}, motor_temperature: {offset_error: 0.5 K}}\n"
        "faults: {r: [{kind: spike, channel: thrust, at: 2 s, size: 100 gf}]}\n"
        "treatments: {b: {pack_temperature: 4 degC}}\n",
        encoding="utf-8",
    )
    read = load_rehearsal(file)
    assert (read.seed, read.sampling_hz) == (7, pytest.approx(200.0))
    assert read.sensors["thrust"].noise == pytest.approx(0.0196133)
    assert read.sensors["motor_temperature"].offset_error == pytest.approx(0.5)
    assert read.faults["r"][0].size == pytest.approx(0.980665)
    assert read.treatments["b"].pack_temperature_k == pytest.approx(277.15)


def test_every_pattern_rests_before_and_after(season):
    for plan in only(season).plans.values():
        pattern = drive_pattern(plan)
        assert pattern[0].kind == "off"
        assert pattern[0].duration_s >= 1.5
        assert pattern[-1].kind == "still"
        assert pattern[-1].duration_s >= 2.0


def test_a_procedure_without_pattern_is_refused():
    class Unknown(BaseModel):
        pass

    with pytest.raises(NoPattern, match="a rehearsal of Unknown is not provided for"):
        drive_pattern(Unknown())


def test_what_is_assumed_is_told_once(season):
    assumed = Assumptions()
    simulate_session(season, only(season), Rehearsal(), runs=("01-hold", "02-hold"), assumed=assumed)
    assert len(assumed.told) == len(set(assumed.told)) > 5
    assert all("assumed for rehearsal" in told for told in assumed.told)
