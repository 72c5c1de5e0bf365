"""A simulated propeller follows the coefficients of its part file, unless rehearsal.yaml hides another truth."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest

from generator.intake.reference_texts import load_thresholds
from generator.intake.season import load_season
from generator.pipeline import folders
from generator.planning.bench_model import RPM, thrust_of, torque_of
from generator.planning.forecast_model import FittedConstants, known_bench
from generator.planning.rehearsal_file import PropellerTruth, Rehearsal
from generator.planning.rehearse import rehearse_session, simulate_session
from generator.planning.set_up import Assumptions, RunDraws, bench_model
from generator.reduction.procedures import contracts
from tests.seasons import write_season

# Invented, on exact power laws: CT = 0.15 (n/9000)^0.04, CP = 0.08 (n/9000)^-0.03
STATED = [(n, 0.15 * (n / 9000.0) ** 0.04, 0.08 * (n / 9000.0) ** -0.03) for n in (6000.0, 9000.0, 18000.0)]


def rows(points: list[tuple[float, float, float]] = STATED) -> str:
    listed = (f"  - {{speed: {n:.0f} rpm, thrust: {ct!r}, power: {cp!r}}}\n" for n, ct, cp in points)
    return "coefficients:\n" + "".join(listed)


def season_of(folder: Path, propeller: str = "", rehearsal: str = "") -> Path:
    write_season(folder)
    for log in (folder / "q" / "logs").iterdir():
        log.unlink()
    with (folder / "parts" / "leaf.yaml").open("a", encoding="utf-8") as part:
        part.write(propeller)
    if rehearsal:
        (folder / "q" / "rehearsal.yaml").write_text(rehearsal, encoding="utf-8")
    return folder


def propeller_of(folder: Path, hidden: Rehearsal | None = None):
    season = load_season(folder, contracts(), logs_needed=False)
    told = Assumptions()
    model = bench_model(season, season.sessions[0], "a", hidden or Rehearsal(), RunDraws(), told)
    return model.propeller, [note for note in told.told if note.startswith("leaf")]


@pytest.mark.parametrize(("rpm", "ct", "cp"), STATED)
def test_thrust_and_torque_are_those_of_the_stated_coefficients(
    tmp_path: Path, rpm: float, ct: float, cp: float
) -> None:
    propeller, told = propeller_of(season_of(tmp_path / "s", rows()))
    n, d, rho = rpm / 60.0, 5.1 * 0.0254, 1.2
    speed = np.array([rpm * RPM])
    assert thrust_of(propeller, rho, speed)[0] == pytest.approx(ct * rho * n**2 * d**4, rel=1e-9)
    assert torque_of(propeller, rho, speed)[0] == pytest.approx(
        cp * rho * n**2 * d**5 / (2.0 * np.pi), rel=1e-9
    )
    assert not [note for note in told if "coefficient" in note or "pitch" in note], (
        "nothing had to be assumed"
    )


def test_plan_and_rehearsal_have_the_same_propeller(tmp_path: Path) -> None:
    folder = season_of(tmp_path / "s", rows())
    season = load_season(folder, contracts(), logs_needed=False)
    session = season.sessions[0]
    thresholds = load_thresholds(folders("shared", folder))
    planned = known_bench(season, session, "a", FittedConstants(season, session, ()), thresholds).model
    assert planned.propeller == propeller_of(folder)[0]


def test_one_coefficient_alone_is_followed_and_the_other_assumed_from_it(tmp_path: Path) -> None:
    folder = season_of(tmp_path / "s", "coefficients: [{speed: 9000 rpm, thrust: 0.15}]\n")
    propeller, told = propeller_of(folder)
    assert (propeller.thrust_coefficient, propeller.thrust_exponent) == (pytest.approx(0.15), 0.0)
    assert any("power coefficient assumed" in note for note in told)
    assert not any("thrust coefficient" in note for note in told)


def test_a_hidden_truth_goes_before_what_the_part_file_says(tmp_path: Path) -> None:
    hidden = Rehearsal(propellers={"leaf": PropellerTruth(thrust_coefficient=0.13, power_coefficient=0.07)})
    stated, _ = propeller_of(season_of(tmp_path / "stated", rows()), hidden)
    silent, _ = propeller_of(season_of(tmp_path / "silent"), hidden)
    assert stated == silent
    part, _ = propeller_of(
        tmp_path / "stated", Rehearsal(propellers={"leaf": PropellerTruth(thrust_exponent=0.1)})
    )
    assert part.thrust_exponent == 0.1
    assert part.power_exponent == pytest.approx(-0.03)


def test_the_logs_are_the_same_bytes_where_the_truth_is_stated(tmp_path: Path) -> None:
    """Before, a part's coefficients had no say at all; with the truth stated they still have none."""
    truth = "propellers:\n  leaf: {thrust_coefficient: 0.13, power_coefficient: 0.07}\n"
    sums = []
    for name, propeller in (("silent", ""), ("stated", rows())):
        season = load_season(season_of(tmp_path / name, propeller, truth), contracts(), logs_needed=False)
        written = rehearse_session(season, "q").written
        sums.append([hashlib.sha256(log.read_bytes()).hexdigest() for log in written])
    assert len(sums[0]) == 4
    assert sums[0] == sums[1]


def test_without_a_truth_the_logs_follow_the_part_file(tmp_path: Path) -> None:
    """The mean thrust of a hold, back from the simulated run, gives the stated CT within what runs scatter."""
    season = load_season(season_of(tmp_path / "s", rows()), contracts(), logs_needed=False)
    session = season.sessions[0]
    truth = simulate_session(season, session, Rehearsal(), runs=["01"])["01"].truth
    held = truth[(truth["speed_rpm"] > 8900.0) & (truth["time_s"] < truth["time_s"].max() / 2.0)]
    n = held["speed_rpm"] / 60.0
    density = bench_model(season, session, "a", Rehearsal(), RunDraws(), Assumptions()).air_density_kg_m3
    ct = float((held["thrust_n"] / (density * n**2 * (5.1 * 0.0254) ** 4)).mean())
    # 0.3 % is the scatter between rehearsed runs where rehearsal.yaml states none
    assert ct == pytest.approx(0.15, rel=4 * 0.003)
