"""Checks of fitted constants against the part files: a departure means that something is not what it is said to be."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from generator.evidence.check_input import OWN_CHOICE, CheckInput
from generator.evidence.constants import LIMITS, effective_constants
from generator.evidence.physics_records import EffectiveConstant
from generator.evidence.records import Check
from generator.evidence.wording import NBSP, counted, plain

TITLES = {
    "kv": "KV as stated",
    "thrust_coefficient": "Thrust coefficient as stated",
    "power_coefficient": "Power coefficient as stated",
}
REASONS = {
    "kv": "A motor's KV does not change on the bench. Where the fitted one departs, it is another motor or winding, "
    "the pole pairs are wrong, the voltage is off, or the throttle is not the share of the voltage that reaches the "
    "motor, as under a cap that scales instead of clipping.",
    "thrust_coefficient": "The coefficients belong to the propeller alone. Where the fitted one departs, another "
    "propeller or diameter was mounted than stated, the load cell's gain is off, the air is not as given, or something "
    "stands in the slipstream.",
    "power_coefficient": "The coefficients belong to the propeller alone. Where the fitted one departs, another "
    "propeller or diameter was mounted than stated, the torque cell's gain or the bearing of the stand is off, or the "
    "air is not as given.",
}
WEAKENS = {
    "kv": ("electrical_power", "thrust_per_power", "thrust", "speed", "top_speed", "voltage", "system_efficiency"),
    "thrust_coefficient": ("thrust", "thrust_per_power", "top_thrust", "electrical_power"),
    "power_coefficient": ("shaft_power", "torque", "system_efficiency", "electrical_power"),
}  # fmt: skip


def constants_agree(given: CheckInput) -> tuple[Check, ...]:
    """Fitted KV, CT and CP against the part files; one check a treatment and constant, never worse than a warning.

    A constant that was not fitted, or of which nothing is stated, gives no check. Resistance and free-run current are
    not checked: what is fitted there is not quite what is stated.
    """
    found = given.constants
    if found is None:
        found = effective_constants(given.runs, given.session, given.season)
    made = []
    for treatment in given.session.file.treatments:
        for name in TITLES:
            own = [
                c for c in found if c.treatment == treatment and c.name == name and c.departure is not None
            ]
            if own:
                made.append(_check(given, treatment, name, own))
    return tuple(made)


def _check(given: CheckInput, treatment: str, name: str, own: Sequence[EffectiveConstant]) -> Check:
    departing = [c for c in own if c.outcome == "departs"]
    worst = max(departing or own, key=_size)
    sentence = worst.sentence
    if len(own) > 1:
        head = sentence.removesuffix(".")
        many = (
            f"{len(departing)} of {counted(len(own), 'condition')} depart, this one most"
            if departing
            else f"this is the largest difference of {counted(len(own), 'condition')}"
        )
        sentence = f"{head}; {many}."
    if departing:
        sentence = " ".join((sentence, *_hints(given, worst)))
    limit = LIMITS[name]
    return Check(
        id=f"{name.replace('_', '-')}-as-stated-{treatment}",
        title=TITLES[name],
        outcome="warned" if departing else "passed",
        sentence=sentence,
        threshold=f"{plain(100.0 * limit.share, '%')} of the stated value, and the 95{NBSP}% interval must leave out "
        "zero",
        reason=f"{REASONS[name]} {limit.reason}",
        source=OWN_CHOICE,
        treatments=(treatment,),
        weakens=WEAKENS[name],
    )


def _size(constant: EffectiveConstant) -> float:
    return 0.0 if constant.departure is None else abs(constant.departure.value)


def _hints(given: CheckInput, constant: EffectiveConstant) -> Iterator[str]:
    """Mistakes of the set-up that would make just this departure."""
    if constant.name != "kv" or constant.departure is None:
        return
    low, high = (1.0 + end for end in constant.departure.interval)
    motor, treatment = given.motor(constant.treatment), given.treatment(constant.treatment)
    channel = given.session.rig.channels.speed
    if channel is not None and channel.electrical:
        # speed shown = electrical speed over stated pairs, so the ratio is true pairs over stated ones
        true_pairs = round(motor.pole_pairs * (1.0 + constant.departure.value))
        if true_pairs != motor.pole_pairs and low <= true_pairs / motor.pole_pairs <= high:
            yield (
                f"It is what {counted(true_pairs, 'pole pair')} would make where {motor.pole_pairs} are stated."
            )
    if treatment.output_cap < 1.0 and low <= treatment.output_cap <= high:
        yield (
            f"It is what a cap of {plain(100.0 * treatment.output_cap, '%')} would make that scales the throttle "
            "instead of clipping it."
        )
