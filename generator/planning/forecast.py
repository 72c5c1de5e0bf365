"""A planned session -> everything that can be foreseen of it, and what speaks against making it."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

from generator.evidence.bench_extremes import ZERO_CELSIUS_K, motor_limit_k
from generator.evidence.noise import allowed_minutes, duration_words
from generator.evidence.wording import number, plain, with_unit
from generator.intake.parts import Pack
from generator.intake.reference_texts import Thresholds
from generator.intake.session import Season, Session
from generator.planning.bench_model import RPM, BenchModel
from generator.planning.forecast_hazards import Plan, hazards
from generator.planning.forecast_heat import Cooling, Warming, cooling_of, warming
from generator.planning.forecast_model import Earlier, FittedConstants, Known, known_bench, weakest
from generator.planning.forecast_noise import Loudness, distance_of, loudness_of
from generator.planning.forecast_points import (
    Setpoint,
    at_setpoint,
    foretold,
    pattern_of,
    seconds_at,
    setpoints_of,
    top,
    why_not,
    without_propeller,
)  # fmt: skip
from generator.planning.forecast_sampling import peak_current_a, sampling
from generator.planning.forecast_source import treatment_forecast
from generator.planning.forecast_steady import Steady
from generator.planning.plan_records import (
    Assumption,
    Forecast,
    Foretold,
    NoiseForecast,
    SamplingAdvice,
    SetpointForecast,
    TemperatureForecast,
    TreatmentForecast,
)  # fmt: skip
from generator.reduction.air import tip_mach


def forecast(season: Season, session: Session, earlier: Earlier, thresholds: Thresholds) -> Forecast:
    """Everything foreseen of a session.

    earlier     other sessions of the season with their reduced runs; those dated later are not used
    thresholds  limits that raise cautions and checks
    Constants are those fitted in the newest earlier session with the same part, else those of the part files, else
    assumed; `assumptions` tells which.
    Raises      ValueError where the air of the session is not physical
    """
    work = _Work(season, session, earlier, thresholds)
    treatments, points, plans = [], [], []
    temperatures: list[TemperatureForecast] = []
    noise: list[NoiseForecast] = []
    advice: list[SamplingAdvice] = []
    for name in session.file.treatments:
        own = [one for procedure in session.plans for one in work.setpoints(procedure, name)]
        warmed = [
            one for procedure in session.plans if (one := work.temperature(procedure, name)) is not None
        ]
        heard = work.noise(name, own)
        made = work.treatment(name, own)
        plans.append(
            Plan(
                name=name, treatment=session.file.treatments[name], season=season, session=session,
                thresholds=thresholds, forecast=made, setpoints=tuple(own),
                temperatures=tuple(one for one, _ in warmed),
                windings=tuple((one.procedure, course.peak_winding_k) for one, course in warmed), noise=heard,
            )
        )  # fmt: skip
        treatments.append(made)
        points += own
        temperatures += [one for one, _ in warmed]
        noise += [heard] if heard is not None else []
        advice += work.sampling(name)
    return Forecast(
        session=session.id,
        treatments=tuple(treatments),
        setpoints=tuple(points),
        temperatures=tuple(temperatures),
        noise=tuple(noise),
        sampling=tuple(advice),
        hazards=hazards(plans, session),
        assumptions=work.assumptions(),
    )


class _Work:
    """Benches of all treatments, and what each of them is asked."""

    def __init__(self, season: Season, session: Session, earlier: Earlier, thresholds: Thresholds) -> None:
        self.season, self.session, self.thresholds = season, session, thresholds
        self.fitted = FittedConstants(season, session, earlier)
        self._benches: dict[tuple[str, str], Known] = {}
        self.benches = {name: self._bench(session, name) for name in session.file.treatments}
        self.coolings = {
            name: cooling_of(season, session, name, known, self.fitted, self._bench)
            for name, known in self.benches.items()
        }

    def _bench(self, session: Session, name: str) -> Known:
        key = (session.id, name)
        if key not in self._benches:
            # an earlier soak is taken with the constants that are known today
            self._benches[key] = known_bench(self.season, session, name, self.fitted, self.thresholds)
        return self._benches[key]

    def assumptions(self) -> tuple[Assumption, ...]:
        found = [one for known in self.benches.values() for one in known.assumptions]
        for name, cooling in self.coolings.items():
            part = self.session.file.treatments[name].motor
            to_air = plain(cooling.case_to_air_k_w, "K/W", 3)
            if cooling.basis.kind == "measured":
                # it stands in place of the assumed one
                found = [one for one in found if (one.part, "case to air in" in one.words) != (part, True)]
                words = f"{part}: case to air {to_air}, {cooling.basis.words}"
                found.append(Assumption(part=part, words=words, basis=cooling.basis))
        return tuple(dict.fromkeys(found))

    def known(self, procedure: str, name: str) -> Known:
        """The bench of a treatment in a procedure: some are run with the propeller off."""
        known = self.benches[name]
        if not getattr(self.session.plans[procedure], "propeller_off", False):
            return known
        bare = tuple(without_propeller(variant) for variant in known.variants)
        return replace(known, model=without_propeller(known.model), variants=bare)

    def setpoints(self, procedure: str, name: str) -> list[SetpointForecast]:
        plan, known = self.session.plans[procedure], self.known(procedure, name)
        pattern = pattern_of(plan)
        return [
            self._setpoint(procedure, name, known, setpoint, seconds_at(pattern, setpoint))
            for setpoint in setpoints_of(plan)
        ]

    def _setpoint(
        self, procedure: str, name: str, known: Known, setpoint: Setpoint, seconds: float | None
    ) -> SetpointForecast:
        label = self.session.file.treatments[name].label
        found = at_setpoint(known.model, setpoint)
        reachable, why, shown = why_not(known.model, setpoint, found, label)

        def of(value: Callable[[Steady], float]) -> Foretold:
            def figure(model: BenchModel) -> float | None:
                state = at_setpoint(model, setpoint) if reachable else top(model)
                return None if state is None else value(state)

            told = foretold(known, figure) if shown is not None else None
            return Foretold(value=0.0, u=0.0) if told is None else told

        bare = known.model.propeller.power_coefficient == 0.0
        speed = of(lambda s: s.speed_rad_s / RPM)
        duty = of(lambda s: s.duty)
        throttle = duty if setpoint.kind == "speed" else Foretold(value=setpoint.value, u=0.0)
        diameter = self.season.propeller(self.session.file.treatments[name]).diameter_m
        mach = None if bare else tip_mach(diameter, speed.value, self.session.file.air.temperature_k)
        return SetpointForecast(
            procedure=procedure, treatment=name, at=setpoint.at, speed_rpm=speed, throttle=throttle,
            duty=duty.value,
            motor_current_a=of(lambda s: s.motor_current_a),
            supply_current_a=of(lambda s: s.supply_current_a),
            tap_voltage_v=of(lambda s: s.tap_voltage_v),
            electrical_power_w=of(lambda s: s.electrical_power_w),
            shaft_power_w=None if bare else of(lambda s: s.shaft_power_w),
            thrust_n=None if bare else of(lambda s: s.thrust_n),
            tip_mach=mach,
            heat_w=0.0 if shown is None else shown.winding_w + shown.iron_w + shown.controller_w,
            reachable=reachable, why_not=why, seconds=seconds,
            sound_db=None if bare else self.loudness(name, speed.value).at(speed.value).value,
            basis=known.basis,
        )  # fmt: skip

    def loudness(self, name: str, speed_rpm: float) -> Loudness:
        return loudness_of(self.season, self.session, name, self.fitted, max(speed_rpm, 1.0))

    def noise(self, name: str, points: Sequence[SetpointForecast]) -> NoiseForecast | None:
        heard = [point for point in points if point.sound_db is not None and point.speed_rpm.value > 0.0]
        if not heard:
            return None
        loudest = max(heard, key=lambda point: point.sound_db or 0.0)
        known = self.loudness(name, loudest.speed_rpm.value)
        level, distance = known.at(loudest.speed_rpm.value), distance_of(self.session)
        minutes = allowed_minutes(
            level.value,
            criterion_db=self.thresholds.value("sound.level_db"),
            duration_h=self.thresholds.value("sound.duration_h"),
            exchange_rate_db=self.thresholds.value("sound.exchange_rate_db"),
        )
        label = self.session.file.treatments[name].label
        words = (
            f"{label} gives about {number(level.value, 0)} dB at {plain(distance, 'm')} at "
            f"{plain(loudest.speed_rpm.value, 'rpm')} ({known.basis.words}): {duration_words(minutes)} a day without "
            "hearing protection."
        )
        return NoiseForecast(
            treatment=name, speed_rpm=loudest.speed_rpm.value, level_db=level, distance_m=distance,
            minutes=minutes, words=words, basis=known.basis,
        )  # fmt: skip

    def temperature(self, procedure: str, name: str) -> tuple[TemperatureForecast, Warming] | None:
        known, cooling = self.known(procedure, name), self.coolings[name]
        pattern = pattern_of(self.session.plans[procedure])
        model = cooling.into(known.model)
        course = warming(model, pattern, self._lasts(procedure, name, model))
        return None if course is None else (self._warmed(procedure, name, known, cooling, course), course)

    def _lasts(self, procedure: str, name: str, model: BenchModel) -> float:
        """A drain is over when the pack is empty."""
        source = self.season.source(self.session.file.treatments[name])
        if procedure != "drain" or not isinstance(source, Pack):
            return math.inf
        states = [at_setpoint(model, setpoint) for setpoint in setpoints_of(self.session.plans[procedure])]
        currents = [state.supply_current_a for state in states if state is not None]
        if not currents:
            return math.inf
        return 3600.0 * source.capacity_ah / (math.fsum(currents) / len(currents))

    def _warmed(
        self, procedure: str, name: str, known: Known, cooling: Cooling, course: Warming
    ) -> TemperatureForecast:
        treatment, air_k = self.session.file.treatments[name], self.session.file.air.temperature_k
        limit = motor_limit_k(self.season.motor(treatment), self.thresholds)
        settled_k = air_k + course.settled_k
        minutes = None
        if limit is not None and settled_k > limit[0]:
            share = (limit[0] - air_k) / course.settled_k
            minutes = -course.time_constant_s * math.log1p(-share) / 60.0
        words = (
            f"In {procedure} the motor of {treatment.label} gets {plain(course.end_k, 'K', 2)} warmer than the air; "
            f"going on for ever it would settle at {_celsius(settled_k)} ({cooling.basis.words})."
        )
        if minutes is not None and limit is not None:
            words += f" It reaches {_celsius(limit[0])}, {limit[1]}, after {plain(minutes, 'min', 2)}."
        return TemperatureForecast(
            procedure=procedure, treatment=name,
            rise_k=Foretold(value=course.end_k, u=cooling.share * course.end_k),
            settled_rise_k=Foretold(value=course.settled_k, u=cooling.share * course.settled_k),
            settled_k=settled_k,
            limit_k=None if limit is None else limit[0], limit_words="" if limit is None else limit[1],
            minutes_to_limit=minutes, time_constant_s=course.time_constant_s, words=words,
            basis=weakest((known.basis, cooling.basis)),
        )  # fmt: skip

    def sampling(self, name: str) -> list[SamplingAdvice]:
        label = self.session.file.treatments[name].label
        made = [
            sampling(procedure, name, label, plan, self.known(procedure, name), self.thresholds)
            for procedure, plan in self.session.plans.items()
        ]
        return [one for one in made if one is not None]

    def treatment(self, name: str, points: Sequence[SetpointForecast]) -> TreatmentForecast:
        peaks = [
            peak for procedure, plan in self.session.plans.items()
            if (peak := peak_current_a(plan, self.known(procedure, name).model)) is not None
        ]  # fmt: skip
        return treatment_forecast(
            self.season, self.session, name, self.benches, points, max(peaks, default=0.0), self.thresholds
        )


def _celsius(kelvin: float) -> str:
    return with_unit(number(kelvin - ZERO_CELSIUS_K, 0), "°C")
