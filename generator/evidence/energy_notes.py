"""What is said of an energy balance: labels of its parts, how each was found, what a reader must know."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from generator.evidence.wording import counted, listed, plain
from generator.intake.parts import Controller, Motor, Propeller
from generator.reduction.losses import (
    COPPER,
    FREE_RUN,
    FREE_RUN_POINT_UNKNOWN,
    NOMINAL_UNCERTAINTY,
    PATH,
    REST,
    RIPPLE,
    SHAFT,
)

LABELS: Mapping[str, str] = {
    SHAFT: "into the propeller",
    COPPER: "heat in the windings (copper)",
    FREE_RUN: "turning the motor itself (free running)",
    RIPPLE: "switching ripple, in copper",
    PATH: "heat in the controller’s conductors",
    REST: "the rest: controller, iron, and what the estimates miss",
}
REST_WITH_SHAFT = "into the propeller, the controller and iron, and what the estimates miss"
FROM_TORQUE, FROM_COEFFICIENTS, SHAFT_UNKNOWN = "torque", "propeller coefficients", ""


@dataclass(frozen=True, slots=True, kw_only=True)
class BalanceBasis:
    """What a balance rests on: its runs, the parts of its set-up, what was measured.

    runs      number of runs behind it
    left_out  number of runs in which less was measured or fewer parts could be worked out
    """

    runs: int
    left_out: int
    motor: Motor
    controller: Controller
    propeller: Propeller
    shaft_from: str
    case_temperature: bool


def how_found(name: str, used: BalanceBasis) -> str:
    """How a part was found: measured, estimated or left over."""
    if name == SHAFT and used.shaft_from == FROM_TORQUE:
        return "measured: torque times speed"
    where = "of the motor’s case" if used.case_temperature else "of the air"
    return {
        SHAFT: "estimated: the propeller’s own power coefficient at this speed, in this air",
        COPPER: f"estimated: motor current squared times the winding’s resistance at the temperature {where}",
        FREE_RUN: "estimated: free-run current, moved to this speed, times the motor’s own voltage",
        RIPPLE: "estimated: from inductance, switching frequency and duty",
        PATH: "estimated: motor current squared times the controller’s stated resistance",
        REST: "left over: electrical power minus the other parts",
    }[name]


def balance_notes(present: Sequence[str], used: BalanceBasis) -> tuple[str, ...]:
    """Assumptions that a reader must know, one sentence each. present: names of the parts given."""
    return tuple(_notes(present, used))


def _notes(present: Sequence[str], used: BalanceBasis) -> Iterator[str]:
    motor, controller, propeller = used.motor, used.controller, used.propeller
    stated = propeller.coefficients_uncertainty
    share = _percent(NOMINAL_UNCERTAINTY["power_coefficient"] if stated is None else stated)
    if used.shaft_from == FROM_COEFFICIENTS:
        source = (propeller.coefficients_source or "not stated").rstrip(".")
        own = " by our own choice, none being stated" if stated is None else ""
        yield (
            f"Torque was not measured. The power into the propeller is what the power coefficient of "
            f"{propeller.label} gives at this speed in this air, with a standard uncertainty of {share}{own}. "
            f"Source of the coefficient: {source}."
        )
    elif used.shaft_from == SHAFT_UNKNOWN:
        yield (
            f"Torque was not measured, and no power coefficient of {propeller.label} is stated near this speed: "
            "the power into the propeller is in the rest."
        )
    if COPPER in present:
        if SHAFT in present and FREE_RUN in present:
            yield (
                "The motor’s current was not measured: it follows from the power into the propeller over the "
                "motor’s own voltage, speed divided by KV, plus the free-run current."
            )
        else:
            yield (
                "The motor’s current was not measured: all of the electrical power is taken to pass through the "
                "winding, so the copper loss comes out rather high."
            )
        yield (
            "The winding is hotter than the case, where its temperature is read, so the copper loss is rather low; "
            "the uncertainty of its resistance allows for some 25 K."
            if used.case_temperature
            else "The motor’s temperature was not measured: the winding is taken at that of the air, so the copper "
            "loss comes out low."
        )
    if FREE_RUN in present:
        yield (
            "The free-run current is taken to grow with the speed by half of itself, anything from not at all to "
            "in proportion being allowed for."
            if motor.free_run_voltage_v is not None
            else "The voltage of the free-run current is not stated, so it is taken as it stands, with a standard "
            f"uncertainty of {_percent(FREE_RUN_POINT_UNKNOWN)}."
        )
    if RIPPLE in present:
        yield (
            "The ripple is estimated in copper alone, with one to three times the resistance to direct current; "
            "what it loses in iron is in the rest."
        )
    yield from _nominal(present, motor, controller)
    missing = list(_missing(present, motor, controller))
    if missing:
        yield f"Left in the rest: {listed(missing)}."
    if used.left_out:
        runs = counted(used.left_out, "run")
        yield f"{runs} that gave less than the others {_is(used.left_out)} left out here."
    if used.runs == 1:
        yield "One run: its intervals hold the scatter within the run only."


def _percent(share: float) -> str:
    return plain(100.0 * share, "%")


def _is(count: int) -> str:
    return "is" if count == 1 else "are"


def _nominal(present: Sequence[str], motor: Motor, controller: Controller) -> Iterator[str]:
    """What was taken for the uncertainty of figures that carry none."""
    u = NOMINAL_UNCERTAINTY
    taken = []
    if {COPPER, FREE_RUN} & set(present):
        taken.append(f"{_percent(u['kv'])} of KV")
    if COPPER in present:
        taken.append(f"{_percent(u['terminal_resistance'])} of the winding’s resistance")
    if FREE_RUN in present and motor.free_run_voltage_v is not None:
        taken.append(f"{_percent(u['free_run_current'])} of the free-run current")
    if RIPPLE in present:
        taken.append(f"{_percent(u['inductance'])} of the inductance")
    if PATH in present:
        taken.append(f"{_percent(u['controller_resistance'])} of the controller’s resistance")
    if taken:
        yield (
            f"The part files of {motor.label} and {controller.label} state their figures without uncertainty. Taken "
            f"as standard uncertainties, by our own choice: {listed(taken)}."
        )


def _missing(present: Sequence[str], motor: Motor, controller: Controller) -> Iterator[str]:
    """Parts that could not be worked out, each with what is not stated."""
    if COPPER not in present:
        yield f"copper loss (no resistance of {motor.label} is stated)"
    if FREE_RUN not in present:
        yield f"free-run loss (no free-run current of {motor.label} is stated)"
    if RIPPLE not in present:
        lacks = [
            words
            for words, value in (
                ("resistance", motor.terminal_resistance_ohm),
                ("inductance", motor.inductance_h),
                ("switching frequency", controller.switching_frequency_hz),
            )
            if value is None
        ]
        yield f"switching ripple (no {' and no '.join(lacks) or 'duty'} is stated)"
