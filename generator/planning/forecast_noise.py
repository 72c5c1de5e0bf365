"""How loud it will be: as an earlier session measured the propeller, else a rough guess that says so."""

from __future__ import annotations

import math
from dataclasses import dataclass

from generator.intake.session import Season, Session
from generator.planning.forecast_model import FittedConstants
from generator.planning.plan_records import Basis, Foretold

# A-weighted level of a small propeller rises with about the fifth to sixth power of its tip speed, so by some 55 dB a
# decade: common practice, no source.
DB_PER_DECADE = 55.0
DB_PER_DECADE_U = 8.0
# Where nothing was measured: so loud at 1 m at a tip speed of 150 m/s, give or take. Our own guess, on the loud side
# since ears depend on it, no source.
GUESS_DB, GUESS_TIP_M_S, GUESS_U_DB = 100.0, 150.0, 8.0
ROOM_U_DB = 2.0  # what another room, microphone and day make of the same propeller; our own choice, no source
DEFAULT_DISTANCE_M = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Loudness:
    """Level of one propeller at one speed and distance, from which others follow."""

    level_db: float
    u_db: float
    speed_rpm: float
    basis: Basis

    def at(self, speed_rpm: float) -> Foretold:
        """Level at a speed, DB_PER_DECADE from the known one."""
        decades = math.log10(max(speed_rpm, 1.0) / self.speed_rpm)
        u = math.hypot(self.u_db, DB_PER_DECADE_U * decades)
        return Foretold(value=self.level_db + DB_PER_DECADE * decades, u=u)


def distance_of(session: Session) -> float:
    """From propeller to whoever stands at the sound level meter [m]."""
    stated = session.rig.sound_distance_m
    return DEFAULT_DISTANCE_M if stated is None else stated


def loudness_of(
    season: Season, session: Session, treatment_id: str, fitted: FittedConstants, near_rpm: float
) -> Loudness:
    """How loud a treatment's propeller is: the newest session that measured it, at the speed nearest to `near_rpm`.

    Another distance counts as in the free field, 20 dB a decade (from memory); a room falls off less.
    """
    treatment, distance = session.file.treatments[treatment_id], distance_of(session)
    for other, runs in fitted.sessions:
        measured_at = other.rig.sound_distance_m
        names = {n for n, one in other.file.treatments.items() if one.propeller == treatment.propeller}
        heard = [
            (dict(r.at)["speed_rpm"], r.value)
            for run in runs if run.treatment in names and run.refused is None
            for r in run.responses if r.response == "sound_level" and "speed_rpm" in dict(r.at)
        ]  # fmt: skip
        if not heard or measured_at is None:
            continue
        speed = min((s for s, _ in heard), key=lambda s: abs(math.log(s / near_rpm)))
        levels = [level for s, level in heard if s == speed]
        level = math.fsum(levels) / len(levels) - 20.0 * math.log10(distance / measured_at)
        simulated = ", simulated" if any(run.simulated for run in runs) else ""
        words = f"measured in session {other.id}{simulated}"
        return Loudness(
            level_db=level, u_db=ROOM_U_DB, speed_rpm=speed, basis=Basis(kind="measured", words=words)
        )
    diameter = season.propeller(treatment).diameter_m
    speed = 60.0 * GUESS_TIP_M_S / (math.pi * diameter)
    return Loudness(
        level_db=GUESS_DB - 20.0 * math.log10(distance),
        u_db=GUESS_U_DB,
        speed_rpm=speed,
        basis=Basis(kind="assumed", words="assumed, common practice, no source"),
    )
