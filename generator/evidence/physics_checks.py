"""Checks of what physics allows: thrust, power, efficiency, speed."""

from __future__ import annotations

import math

import numpy as np

from generator.evidence.check_input import (
    CheckInput,
    Outcome,
    graded,
    speed_of,
    step_means,
    sustained_highest,
    worst,
)
from generator.evidence.records import Check
from generator.evidence.wording import at_key, at_words, counted, listed, percent, plain, sentence_case
from generator.reduction.measured import GRAVITY_M_S2
from generator.reduction.records import At


def same_thrust(given: CheckInput) -> tuple[Check, ...]:
    """Same propeller, same speed, same air: the thrust must agree between a treatment and the baseline.

    One passed check a treatment, or one check for each speed at which it does not pass. Beyond the limit it
    warns, beyond twice the limit it fails.
    Source  T = C_T rho n^2 D^4 with one propeller in one air
    """
    limit = given.thresholds.share("checks.same_thrust_percent")
    found: list[Check] = []
    for name in given.others:
        if given.treatment(name).propeller != given.treatment(given.baseline).propeller:
            continue
        agreeing: list[tuple[At, float]] = []
        for at in given.conditions(name):
            ours, base = given.thrust_gf(at, name), given.thrust_gf(at, given.baseline)
            if speed_of(at) is None or ours is None or not base or base <= 0.0:
                continue
            gap = ours / base - 1.0
            outcome = graded(abs(gap), limit, 2.0 * limit)
            if outcome == "passed":
                agreeing.append((at, gap))
            else:
                found.append(_thrust_apart(given, name, at, ours, base, outcome))
        if agreeing:
            _, widest = max(agreeing, key=lambda pair: abs(pair[1]))
            base_label = given.label(given.baseline)
            where = (
                at_words(agreeing[0][0])
                if len(agreeing) == 1
                else f"at {counted(len(agreeing), 'speed')}, at most"
            )
            sentence = (
                f"With the same propeller at the same speed the thrust of {given.label(name)} and {base_label} "
                f"differs {where} by {percent(abs(widest))} of {base_label}."
            )
            found.append(_thrust_check(given, f"same-thrust-{name}", name, "passed", sentence, None))
    return tuple(found)


def _thrust_apart(given: CheckInput, name: str, at: At, ours: float, base: float, outcome: Outcome) -> Check:
    measured = given.value("thrust", at, name) is not None
    origin = "" if measured else ", as power times thrust per watt gives it"
    base_label = given.label(given.baseline)
    sentence = (
        f"{sentence_case(at_words(at))} {given.label(name)} shows {plain(ours, 'gf')} and {base_label} "
        f"{plain(base, 'gf')} of thrust{origin}, {percent(ours / base - 1.0, signed=True)} of {base_label}, "
        "with the same propeller at the same speed: speed, thrust or air were not the same."
    )
    return _thrust_check(given, f"same-thrust-{at_key(at)}-{name}", name, outcome, sentence, at)


def _thrust_check(
    given: CheckInput, id_: str, name: str, outcome: Outcome, sentence: str, at: At | None
) -> Check:
    key = "checks.same_thrust_percent"
    return Check(
        id=id_,
        title="Same thrust at the same speed",
        outcome=outcome,
        sentence=sentence,
        threshold=given.thresholds.text(key),
        reason="The same propeller at the same speed in the same air gives the same thrust, so extra power there is "
        "loss; where the thrust differs, part of the difference in power is not loss but error.",
        source=given.thresholds.source(key),
        treatments=(name,),
        weakens=("electrical_power", "thrust_per_power", "thrust", "current"),
        at=at,
    )


def exponents(given: CheckInput) -> tuple[Check, ...]:
    """Thrust rises about with the square of the speed, shaft power with the cube; one check a response.

    Electrical power holds losses that follow other laws, so it has a tolerance of its own. Beyond the tolerance a
    check warns, beyond twice the tolerance it fails.
    Source  similarity of propellers at rest, T = C_T rho n^2 D^4, P = C_P rho n^3 D^5
    """
    thrust, power = "checks.thrust_exponent", "checks.power_exponent"
    wanted = (
        ("thrust", "Thrust", thrust, ("thrust", "thrust_per_power"),
         "Similarity of one propeller at rest: thrust goes with the square of the speed, nearly."),
        ("shaft_power", "Shaft power", power, ("shaft_power", "torque", "system_efficiency"),
         "Similarity of one propeller at rest: shaft power goes with the cube of the speed, nearly."),
        ("electrical_power", "Electrical power", power, ("electrical_power", "thrust_per_power"),
         "Shaft power goes with the cube of the speed. Free-run loss makes electrical power shallower, copper "
         "loss steeper; with half of it lost one way or three quarters the other the exponent is 2.25 or 3.75."),
    )  # fmt: skip
    found = []
    for response, title, key, weakens, reason in wanted:
        allowed = f"checks.{response}_exponent_tolerance"
        middle, tolerance = given.thresholds.value(key), given.thresholds.value(allowed)
        slopes = {
            name: slope
            for name in given.session.file.treatments
            if (slope := exponent(given, response, name)) is not None
        }
        if not slopes:
            continue
        outcomes = {name: graded(abs(s - middle), tolerance, 2.0 * tolerance) for name, s in slopes.items()}
        words = listed([f"{plain(s, digits=3)} ({given.label(name)})" for name, s in slopes.items()])
        found.append(
            Check(
                id=f"{response.replace('_', '-')}-exponent",
                title=f"{title} follows the speed",
                outcome=worst(list(outcomes.values())),
                sentence=f"{title} goes with the speed to the power of {words}.",
                threshold=f"{plain(middle)} ± {plain(tolerance)}",
                reason=reason,
                source=f"{given.thresholds.source(key)}; tolerance: {given.thresholds.source(allowed)}",
                treatments=tuple(name for name, outcome in outcomes.items() if outcome != "passed"),
                weakens=weakens,
            )
        )
    return tuple(found)


def exponent(given: CheckInput, response: str, treatment: str) -> float | None:
    """Slope of log response over log speed, least squares over all speeds; None where the speeds lie too close."""
    points = [
        (speed, value)
        for at in given.conditions(treatment)
        if (speed := speed_of(at)) is not None
        and (value := given.value(response, at, treatment)) is not None
        and value > 0.0
    ]
    if len(points) < 2:
        return None
    speeds, values = np.array(points).T
    if speeds.max() < given.thresholds.value("checks.exponent_speed_ratio") * speeds.min():
        return None
    return float(np.polyfit(np.log(speeds), np.log(values), 1)[0])


def shaft_below_electrical(given: CheckInput) -> tuple[Check, ...]:
    """Shaft power cannot exceed the electrical power that makes it."""
    shares: list[tuple[float, str, At]] = []
    for name in given.session.file.treatments:
        for at in given.conditions(name):
            shaft, electrical = (
                given.value("shaft_power", at, name),
                given.value("electrical_power", at, name),
            )
            if shaft is not None and electrical is not None and electrical > 0.0:
                shares.append((shaft / electrical, name, at))
    if not shares:
        return ()
    share, name, at = max(shares)
    return (
        Check(
            id="shaft-below-electrical",
            title="Shaft power below electrical power",
            outcome="passed" if share < 1.0 else "failed",
            sentence=f"The shaft takes at most {percent(share)} of the electrical power, "
            f"with {given.label(name)} {at_words(at)}.",
            threshold=plain(100.0, "%"),
            reason="Motor and controller lose power; more out than in means that torque, speed, voltage or "
            "current is wrong.",
            source="conservation of energy",
            treatments=tuple(dict.fromkeys(n for s, n, _ in shares if s >= 1.0)),
            weakens=("shaft_power", "torque", "system_efficiency", "electrical_power", "thrust_per_power"),
        ),
    )


def figure_of_merit(given: CheckInput) -> tuple[Check, ...]:
    """No propeller makes its thrust with less than the ideal power of a disc of its size.

    With shaft power the quotient is the figure of merit. Without torque electrical power stands in for it; since
    the shaft takes less than that, the quotient is then a lower bound, and a lower bound of 1 is impossible too.
    Source  momentum theory, P_ideal = T^(3/2) / sqrt(2 rho A)
    """
    limit = given.thresholds.value("propeller.figure_of_merit_max")
    found = merits(given)
    if not found:
        return ()
    merit, name, at, kind = max(found)
    bound = "" if kind == "shaft" else "at least "
    return (
        Check(
            id="figure-of-merit",
            title="Figure of merit below 1",
            outcome="passed" if merit < limit else "failed",
            sentence=f"The highest figure of merit is {bound}{plain(merit, digits=2)}, from {kind} power, "
            f"with {given.label(name)} {at_words(at)}.".replace(" .", "."),
            threshold=given.thresholds.text("propeller.figure_of_merit_max"),
            reason="A disc of this size needs at least the ideal power for its thrust; less means that thrust, "
            "power or the diameter is wrong. Electrical power gives a lower bound, since the shaft takes less.",
            source=given.thresholds.source("propeller.figure_of_merit_max"),
            treatments=tuple(dict.fromkeys(n for m, n, _, _ in found if m >= limit)),
            weakens=("thrust", "thrust_per_power", "electrical_power", "shaft_power", "top_thrust"),
        ),
    )


def merits(given: CheckInput) -> list[tuple[float, str, At, str]]:
    """Ideal power over power at every condition: (quotient, treatment, condition, "shaft" or "electrical")."""
    found: list[tuple[float, str, At, str]] = []
    for name in given.session.file.treatments:
        area = math.pi * given.propeller(name).diameter_m ** 2 / 4.0
        for at in given.conditions(name):
            thrust = given.thrust_gf(at, name)
            shaft = given.value("shaft_power", at, name)
            power = shaft if shaft is not None else given.value("electrical_power", at, name)
            if thrust is None or thrust <= 0.0 or power is None or power <= 0.0:
                continue
            ideal = (thrust * 1e-3 * GRAVITY_M_S2) ** 1.5 / math.sqrt(2.0 * given.air.density_kg_m3 * area)
            found.append((ideal / power, name, at, "shaft" if shaft is not None else "electrical"))
    return found


def speed_below_kv(given: CheckInput) -> tuple[Check, ...]:
    """A loaded motor turns slower than KV times the voltage at its controller."""
    shares: list[tuple[float, str, float, float]] = []
    for name in given.session.file.treatments:
        kv = given.motor(name).kv_rpm_per_v
        points = [(speed_of(at), given.value("voltage", at, name)) for at in given.conditions(name)]
        for run in given.used:
            if run.treatment == name:
                points += zip(step_means(run, "speed_rpm"), step_means(run, "voltage_v"), strict=False)
        shares += [
            (s / (kv * v), name, s, v) for s, v in points if s is not None and v is not None and v > 0.0
        ]
    if not shares:
        return ()
    share, name, speed, volts = max(shares)
    too_fast = tuple(dict.fromkeys(n for s, n, _, _ in shares if s >= 1.0))
    return (
        Check(
            id="speed-below-kv",
            title="Speed below KV times voltage",
            outcome="failed" if too_fast else "passed",
            sentence=f"{sentence_case(given.label(name))} turns at {plain(speed, 'rpm')} on {plain(volts, 'V')}, "
            f"{percent(share)} of KV times voltage.",
            threshold=plain(100.0, "%"),
            reason="Under load the motor's own voltage stays below the supply's; a higher speed means that the "
            "pole pairs, the KV or the voltage is wrong.",
            source="back-EMF of a permanent-magnet motor; field weakening by advanced timing is left out",
            treatments=too_fast,
            weakens=tuple(dict.fromkeys(s.response for s in given.summaries)) if too_fast else (),
        ),
    )


def top_speed_equal(given: CheckInput) -> tuple[Check, ...]:
    """Where a cap should make top speeds equal, they must be.

    A cap is meant so if KV x set voltage x cap of treatment and baseline agree within a few percent
    (cap = wanted KV / actual KV = baseline voltage / treatment voltage; common practice, no source). It shows at full
    throttle alone: where the runs go no further than part of it, there is nothing to check.
    """
    limit = given.thresholds.share("checks.top_speed_equal_percent")
    by_design = given.thresholds.share("checks.top_speed_by_design_percent")
    base_nominal, base_top = _nominal_rpm(given, given.baseline), given.value("top_speed", (), given.baseline)
    found = []
    for name in given.others:
        nominal, top = _nominal_rpm(given, name), given.value("top_speed", (), name)
        capped = min(given.treatment(name).output_cap, given.treatment(given.baseline).output_cap) < 1.0
        if not capped or not nominal or not base_nominal or not top or not base_top:
            continue
        if not all(_full_throttle(given, side, 1.0 - limit) for side in (name, given.baseline)):
            continue
        if abs(nominal / base_nominal - 1.0) > by_design:
            continue
        gap = top / base_top - 1.0
        found.append(
            Check(
                id=f"top-speed-{name}",
                title="Top speed equal under the cap",
                outcome=graded(abs(gap), limit, 5.0 * limit),
                sentence=f"{sentence_case(given.label(name))} reaches {plain(top, 'rpm')} and "
                f"{given.label(given.baseline)} {plain(base_top, 'rpm')}, {percent(gap, signed=True)} of "
                f"{given.label(given.baseline)}; the cap of {percent(given.treatment(name).output_cap)} "
                "should make them equal.",
                threshold=given.thresholds.text("checks.top_speed_equal_percent"),
                reason="A cap of baseline voltage over treatment voltage gives both the same highest mean voltage; "
                "where the top speeds differ, equal throttle is not equal output.",
                source=given.thresholds.source("checks.top_speed_equal_percent"),
                treatments=(name,),
                weakens=("top_speed", "top_thrust"),
            )
        )
    return tuple(found)


def _full_throttle(given: CheckInput, name: str, full: float) -> bool:
    """Whether runs that give a top speed went to full throttle; taken as so where no throttle was logged."""
    found = [
        throttle
        for run in given.used
        if run.treatment == name and any(r.response == "top_speed" for r in run.responses)
        for throttle in (sustained_highest(run.trace, "throttle"), *(step.throttle for step in run.steps))
        if throttle is not None
    ]
    return not found or max(found) >= full


def _nominal_rpm(given: CheckInput, name: str) -> float | None:
    """KV x set voltage x cap; None where the voltage is not stated."""
    treatment = given.treatment(name)
    if treatment.cells is None or treatment.volts_per_cell_v is None:
        return None
    volts = treatment.cells * treatment.volts_per_cell_v
    return given.motor(name).kv_rpm_per_v * volts * treatment.output_cap
