"""Check of the energy balance: what was found of the electrical power cannot be more than all of it."""

from __future__ import annotations

from generator.evidence.check_input import OWN_CHOICE, CheckInput, Outcome, graded
from generator.evidence.energy import energy_balances
from generator.evidence.energy_notes import FROM_TORQUE, SHAFT_UNKNOWN
from generator.evidence.physics_records import EnergyBalance, Measured
from generator.evidence.records import Check
from generator.evidence.wording import (
    at_key,
    at_words,
    decimals_for,
    interval_text,
    measured,
    number,
    with_unit,
)
from generator.reduction.losses import REST

# The rest may lie below zero by so many half-widths of its 95 % interval before the check warns, and fails.
WARNS, FAILS = 1.0, 2.0


def energy_balance(given: CheckInput) -> tuple[Check, ...]:
    """The parts known must not come to more than the electrical power: the rest is not clearly below zero.

    It warns where the whole 95 % interval of the rest lies below zero, and fails where the rest is twice as far
    below. The interval holds the doubt about nominal part figures, so a part that is merely not quite as its
    maker says does not trip it. One passed check, or one for each treatment and speed that does not pass.
    Balances without a power into the propeller are not asked: their rest is nearly everything.
    Source  conservation of energy
    """
    found = given.balances
    if found is None:
        found = energy_balances(given.runs, given.session, given.season)
    balances = [
        (balance, rest)
        for balance in found
        if balance.shaft_from != SHAFT_UNKNOWN
        for rest in [next(part.power_w for part in balance.parts if part.name == REST)]
    ]
    if not balances:
        return ()
    apart = [(b, rest) for b, rest in balances if _outcome(rest) != "passed"]
    if apart:
        return tuple(_exceeded(given, balance, rest) for balance, rest in apart)
    balance, rest = min(balances, key=lambda pair: pair[1].value / pair[0].electrical_w.value)
    sentence = (
        f"The parts found leave a rest that is not clearly below zero. The smallest, of "
        f"{given.label(balance.treatment)} {at_words(balance.at)}, is "
        f"{_amount(rest)} (95\u00a0% interval {interval_text(*rest.interval, 'W')}) of "
        f"{measured(balance.electrical_w.value, 'W', balance.electrical_w.standard_uncertainty)}."
    )
    return (_check(given, "energy-balance", sentence, balance.shaft_from, rest),)


def _outcome(rest: Measured) -> Outcome:
    half = (rest.interval[1] - rest.interval[0]) / 2.0
    return graded(-rest.value, WARNS * half, FAILS * half)


def _amount(rest: Measured) -> str:
    return with_unit(number(rest.value, decimals_for(rest.standard_uncertainty, largest=rest.value)), "W")


def _exceeded(given: CheckInput, balance: EnergyBalance, rest: Measured) -> Check:
    known = balance.electrical_w.value - rest.value
    sentence = (
        f"The parts found for {given.label(balance.treatment)} {at_words(balance.at)} come to "
        f"{measured(known, 'W', rest.standard_uncertainty)}, more than the "
        f"{measured(balance.electrical_w.value, 'W', balance.electrical_w.standard_uncertainty)} of electrical power: "
        f"the rest is {_amount(rest)} (95\u00a0% interval {interval_text(*rest.interval, 'W')}). Current or voltage "
        f"reads too low, or {_suspect(balance)} too high."
    )
    id_ = f"energy-balance-{at_key(balance.at)}-{balance.treatment}"
    return _check(given, id_, sentence, balance.shaft_from, rest, balance)


def _suspect(balance: EnergyBalance) -> str:
    if balance.shaft_from == FROM_TORQUE:
        return "torque or a figure of the motor’s part file is"
    return "the propeller’s coefficient or a figure of the motor’s part file is"


def _check(
    given: CheckInput,
    id_: str,
    sentence: str,
    shaft_from: str,
    rest: Measured,
    balance: EnergyBalance | None = None,
) -> Check:
    electrical = ("electrical_power", "thrust_per_power", "current")
    shaft = ("shaft_power", "torque", "system_efficiency")
    return Check(
        id=id_,
        title="The parts add up to no more than the electrical power",
        outcome=_outcome(rest),
        sentence=sentence,
        threshold="warns where the whole 95\u00a0% interval of the rest lies below zero, fails at twice that",
        reason="Power into the propeller and heat all come out of the electrical power. Parts that exceed it mean that "
        "the electrical power reads too low or a part too high, beyond what their uncertainties allow.",
        source=f"conservation of energy; the limits are {OWN_CHOICE}",
        treatments=() if balance is None else (balance.treatment,),
        weakens=(*electrical, *shaft) if shaft_from == FROM_TORQUE else electrical,
        at=None if balance is None else balance.at,
    )
