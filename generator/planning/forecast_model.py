"""The bench as far as it is known before the test: constants fitted in earlier sessions, else stated, else assumed."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from generator.evidence.constants import PACK_UNCERTAINTY, coefficients_uncertainty, effective_constants
from generator.evidence.physics_records import EffectiveConstant
from generator.evidence.wording import plain
from generator.intake.parts import Pack, Propeller
from generator.intake.reference_texts import Thresholds
from generator.intake.session import Season, Session, Treatment
from generator.planning.bench_model import RPM, BenchModel, MotorModel, PropellerModel
from generator.planning.coefficient_law import power_law
from generator.planning.forecast_losses import RIPPLE_SHARE, ripple_conductance
from generator.planning.plan_records import Assumption, Basis
from generator.planning.rehearsal_file import Rehearsal
from generator.planning.set_up import ASSUMED_FREE_RUN_SLOPE, Assumptions, RunDraws, bench_model
from generator.reduction.losses import NOMINAL_UNCERTAINTY
from generator.reduction.records import RunReduction
from generator.reduction.stated_coefficients import Coefficient, stated_coefficients

Earlier = Sequence[tuple[Session, Sequence[RunReduction]]]

STATED = Basis(kind="stated", words="from the part files")
ASSUMED = Basis(kind="assumed", words="assumed")
# Relative standard uncertainties of what nothing states. Our own choice, no source.
ASSUMED_UNCERTAINTY: Mapping[str, float] = {
    "resistance": 0.3, "free-run current": 0.4, "thrust coefficient": 0.15, "power coefficient": 0.2,
    "source resistance": 0.5, "loss of ripple": 0.5,
}  # fmt: skip
# Those that a more certain figure replaces, by the words that `set_up` notes them with.
_REPLACED = ("thrust coefficient", "power coefficient", "pitch in m", "state of charge")


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """A treatment's bench before the test.

    model     as it is best known
    variants  the same with one constant moved by its standard uncertainty, for the doubt of whatever is foreseen
    basis     the weakest of motor and propeller
    """

    model: BenchModel
    variants: tuple[BenchModel, ...]
    basis: Basis
    assumptions: tuple[Assumption, ...]


@dataclass(slots=True)
class _Told(Assumptions):
    """Collects assumed values in the words of a plan."""

    told: list[str] = field(default_factory=list)

    def take(self, stated: float | None, assumed: float, words: str) -> float:
        if stated is not None:
            return stated
        note = f"{words}: {assumed:.3g}, assumed"
        if note not in self.told and not any(part in words for part in _REPLACED):
            self.told.append(note)
        return assumed


class FittedConstants:
    """Constants of earlier sessions, the newest first; each session is fitted once."""

    def __init__(self, season: Season, session: Session, earlier: Earlier) -> None:
        others = [(s, runs) for s, runs in earlier if s.id != session.id and s.file.date <= session.file.date]
        self.session = session
        self.sessions = sorted(others, key=lambda pair: (pair[0].file.date, pair[0].id), reverse=True)
        self._constants = [(s, runs, effective_constants(runs, s, season)) for s, runs in self.sessions]

    def of(
        self, part: str, names: Sequence[str], treatment: Treatment
    ) -> tuple[Basis, dict[str, list[EffectiveConstant]]] | None:
        """Constants of a part by name, all from the newest session that fitted the first of `names`.

        Of several treatments the one most like the planned one is taken, then the best known.
        """
        for session, runs, constants in self._constants:
            own = [c for c in constants if c.part == part and c.name in names]
            leading = [c for c in own if c.name == names[0]]
            if not leading:
                continue
            best = min(leading, key=lambda c: self._order(session, c, treatment)).treatment
            found: dict[str, list[EffectiveConstant]] = {}
            for constant in own:
                if constant.treatment == best:
                    found.setdefault(constant.name, []).append(constant)
            simulated = ", simulated" if any(run.simulated for run in runs) else ""
            return Basis(kind="fitted", words=f"fitted in session {session.id}{simulated}"), found
        return None

    @staticmethod
    def _order(session: Session, constant: EffectiveConstant, treatment: Treatment) -> tuple[int, float]:
        other = session.file.treatments[constant.treatment]
        unlike = sum(
            getattr(other, name) != getattr(treatment, name) for name in ("motor", "controller", "propeller")
        )
        return unlike, constant.fitted.standard_uncertainty


def known_bench(
    season: Season, session: Session, treatment_id: str, fitted: FittedConstants, thresholds: Thresholds
) -> Known:
    """The bench of one treatment as it is known before the test. A pack is taken as full.

    Nothing is read from a rehearsal: what it hides is not known before the test either.
    Raises  ValueError where the air of the session is not physical
    """
    treatment = session.file.treatments[treatment_id]
    told = _Told()
    model = bench_model(season, session, treatment_id, Rehearsal(), RunDraws(), told)
    made = [Assumption(part=note.partition(":")[0], words=note, basis=ASSUMED) for note in told.told]
    work = _Work(season=season, treatment=treatment, fitted=fitted, made=made)
    model = replace(model, motor=work.motor(model), propeller=work.propeller(model))
    model = work.source(model, thresholds)
    ripple_u = ASSUMED_UNCERTAINTY["loss of ripple"]
    loss = ripple_conductance(season, treatment, model, fitted.sessions)
    if loss is not None:
        (basis, conductance), ripple_u = loss, RIPPLE_SHARE
        model = replace(model, motor=replace(model.motor, ripple_iron_ohm=1.0 / conductance))
        words = f"loss of the ripple as a resistance of {plain(1.0 / conductance, 'Ω', 3)} at 24 kHz"
        made[:] = [one for one in made if "eddy resistance" not in one.words]
        work.tell(treatment.motor, words, basis)
    work.moves.append(
        lambda m: replace(
            m, motor=replace(m.motor, ripple_iron_ohm=m.motor.ripple_iron_ohm / (1.0 + ripple_u))
        )
    )
    wiring_u = session.rig.wiring.resistance_uncertainty_ohm
    if wiring_u > 0.0:
        work.moves.append(lambda m: replace(m, wiring_ohm=m.wiring_ohm + wiring_u))
    return Known(
        model=model,
        variants=tuple(move(model) for move in work.moves),
        basis=weakest(work.bases),
        assumptions=tuple(dict.fromkeys(made)),
    )


def weakest(bases: Sequence[Basis]) -> Basis:
    """The basis that the rest hangs on; two sessions that fitted alike are both named."""
    order = ("assumed", "stated", "measured", "fitted")
    basis = min(bases, key=lambda b: order.index(b.kind))
    words = dict.fromkeys(b.words for b in bases if b.kind == basis.kind)
    return basis if len(words) == 1 else Basis(kind=basis.kind, words=" and ".join(words))


Move = Callable[[BenchModel], BenchModel]


@dataclass(slots=True, kw_only=True)
class _Work:
    """Puts what is known of each part into the model, and collects what moves it and what was taken from where."""

    season: Season
    treatment: Treatment
    fitted: FittedConstants
    made: list[Assumption]
    moves: list[Move] = field(default_factory=list)
    bases: list[Basis] = field(default_factory=list)

    def tell(self, part: str, words: str, basis: Basis) -> None:
        self.made.append(Assumption(part=part, words=f"{part}: {words}, {basis.words}", basis=basis))

    def motor(self, model: BenchModel) -> MotorModel:
        """KV and resistance from one fit together, free-run current where a session measured it."""
        motor, part = model.motor, self.season.motor(self.treatment)
        share = {
            name: NOMINAL_UNCERTAINTY[name] for name in ("kv", "terminal_resistance", "free_run_current")
        }
        if part.terminal_resistance_ohm is None:
            share["terminal_resistance"] = ASSUMED_UNCERTAINTY["resistance"]
        if part.free_run_current_a is None:
            share["free_run_current"] = ASSUMED_UNCERTAINTY["free-run current"]
        u_kv, u_ohm = share["kv"] * motor.kv_rad_s_v, share["terminal_resistance"] * motor.resistance_ohm
        u_free = share["free_run_current"]
        basis = STATED if part.terminal_resistance_ohm is not None else ASSUMED
        found = self.fitted.of(part.id, ("kv", "winding_resistance"), self.treatment)
        if found is not None:
            basis, constants = found
            kv = constants["kv"][0].fitted
            motor, u_kv = replace(motor, kv_rad_s_v=kv.value * RPM), kv.standard_uncertainty * RPM
            self.tell(part.id, f"KV {plain(kv.value, 'rpm/V')}", basis)
            if "winding_resistance" in constants:  # a free run gives KV alone
                ohm = constants["winding_resistance"][0].fitted
                winding = max(ohm.value - model.controller.resistance_ohm, 0.1 * ohm.value)
                motor, u_ohm = replace(motor, resistance_ohm=winding), ohm.standard_uncertainty
                words = f"resistance of winding and controller {plain(1000.0 * ohm.value, 'mΩ', 3)}"
                self.tell(part.id, words, basis)
        line = _free_run_line(self.fitted, part.id, self.treatment)
        if line is not None:
            free_basis, at_rpm, current, slope, u_current = line
            motor = replace(
                motor, free_run_current_a=current, free_run_speed_rad_s=at_rpm * RPM, free_run_slope=slope
            )
            u_free = u_current / current
            words = f"free-run current {plain(current, 'A', 3)} at {plain(at_rpm, 'rpm')}"
            self.tell(part.id, words, free_basis)
        self.bases.append(basis)
        self.moves += [
            lambda m: replace(m, motor=replace(m.motor, kv_rad_s_v=m.motor.kv_rad_s_v + u_kv)),
            lambda m: replace(m, motor=replace(m.motor, resistance_ohm=m.motor.resistance_ohm + u_ohm)),
            lambda m: replace(
                m, motor=replace(m.motor, free_run_current_a=m.motor.free_run_current_a * (1.0 + u_free))
            ),
        ]
        return motor

    def propeller(self, model: BenchModel) -> PropellerModel:
        """CT and CP as power laws of speed."""
        propeller, part = model.propeller, self.season.propeller(self.treatment)
        laws = {which: self._coefficient(part, which) for which in ("thrust", "power")}
        shares: dict[str, float] = {}
        reference = propeller.reference_rev_s * 60.0
        for which, law in laws.items():
            own = propeller.thrust_coefficient if which == "thrust" else propeller.power_coefficient
            if law is None:
                shares[which] = ASSUMED_UNCERTAINTY[f"{which} coefficient"]
                self.tell(part.id, f"{which} coefficient {plain(own, digits=3)}", ASSUMED)
                self.bases.append(ASSUMED)
                continue
            basis, value, exponent, shares[which] = law(reference)
            self.tell(part.id, f"{which} coefficient {plain(value, digits=4)}", basis)
            self.bases.append(basis)
            if which == "thrust":
                propeller = replace(propeller, thrust_coefficient=value, thrust_exponent=exponent)
            else:
                propeller = replace(propeller, power_coefficient=value, power_exponent=exponent)

        def with_thrust(m: BenchModel) -> BenchModel:
            value = m.propeller.thrust_coefficient * (1.0 + shares["thrust"])
            return replace(m, propeller=replace(m.propeller, thrust_coefficient=value))

        def with_power(m: BenchModel) -> BenchModel:
            value = m.propeller.power_coefficient * (1.0 + shares["power"])
            return replace(m, propeller=replace(m.propeller, power_coefficient=value))

        self.moves += [with_thrust, with_power]
        return propeller

    def _coefficient(self, part: Propeller, which: str) -> Callable[[float], _Law] | None:
        name = f"{which}_coefficient"
        found = self.fitted.of(part.id, (name,), self.treatment)
        if found is not None:
            basis, constants = found
            placed = [
                (dict(c.at)["speed_rpm"], c.fitted) for c in constants[name] if "speed_rpm" in dict(c.at)
            ]
            if placed:
                share = max(value.standard_uncertainty / value.value for _, value in placed)
                points = [(speed, value.value) for speed, value in placed]
                return lambda speed: (basis, *power_law(points, speed), share)
        kind: Coefficient = "thrust" if which == "thrust" else "power"
        stated = stated_coefficients(part, kind)
        if stated:
            return lambda speed: (STATED, *power_law(stated, speed), coefficients_uncertainty(part))
        return None

    def source(self, model: BenchModel, thresholds: Thresholds) -> BenchModel:
        """A supply as set; a pack full, with its resistance where a session measured it."""
        part, source = self.season.source(self.treatment), model.source
        if not isinstance(part, Pack):
            u = ASSUMED_UNCERTAINTY["source resistance"] * source.resistance_ohm
            self.moves.append(
                lambda m: replace(m, source=replace(m.source, resistance_ohm=m.source.resistance_ohm + u))
            )
            return model
        curve = (*source.cell_curve[:-1], (1.0, thresholds.value("cell.full_v")))
        source = replace(source, cell_curve=curve, state_of_charge=1.0)
        share = PACK_UNCERTAINTY["internal_resistance"]
        if part.internal_resistance_ohm is None:
            share = ASSUMED_UNCERTAINTY["source resistance"]
        found = self.fitted.of(part.id, ("internal_resistance",), self.treatment)
        if found is not None:
            basis, constants = found
            value = constants["internal_resistance"][0].fitted
            source = replace(source, resistance_ohm=value.value / 1000.0)
            share = value.standard_uncertainty / value.value
            self.tell(part.id, f"internal resistance {plain(value.value, 'mΩ', 3)}", basis)
        self.moves.append(
            lambda m: replace(
                m, source=replace(m.source, resistance_ohm=m.source.resistance_ohm * (1.0 + share))
            )
        )
        return replace(model, source=source)


_Law = tuple[
    Basis, float, float, float
]  # basis, value at the reference speed, exponent, relative uncertainty


def _free_run_line(
    fitted: FittedConstants, motor: str, treatment: Treatment
) -> tuple[Basis, float, float, float, float] | None:
    """Basis, speed in rpm, current there, share of it that grows with speed, its uncertainty; None if never measured.

    A line measured without a propeller is taken before points measured under load; of those the middle one, with the
    slope that is assumed anyway.
    """
    line = fitted.of(
        motor, ("free_run_current_slope", "free_run_current_standing", "free_run_current"), treatment
    )
    if line is not None and "free_run_current_standing" in line[1]:
        basis, constants = line
        slope_a = constants["free_run_current_slope"][0].fitted.value / 1e6  # mA for 1000 rpm -> A/rpm
        standing = constants["free_run_current_standing"][0].fitted
        own = [dict(c.at).get("speed_rpm") for c in constants.get("free_run_current", [])]
        speeds = [speed for speed in own if speed is not None]
        at_rpm = max(speeds, default=10000.0)
        current = standing.value + slope_a * at_rpm
        if current > 0.0:
            return basis, at_rpm, current, slope_a * at_rpm / current, standing.standard_uncertainty
    points = fitted.of(motor, ("free_run_current",), treatment)
    if points is None:
        return None
    basis, constants = points
    placed = [
        (dict(c.at)["speed_rpm"], c.fitted)
        for c in constants["free_run_current"]
        if "speed_rpm" in dict(c.at)
    ]
    usable = sorted(
        ((speed, value) for speed, value in placed if value.value > 2.0 * value.standard_uncertainty),
        key=lambda pair: pair[0],
    )
    if not usable:
        return None
    speed, value = usable[len(usable) // 2]
    return basis, speed, value.value, ASSUMED_FREE_RUN_SLOPE, value.standard_uncertainty
