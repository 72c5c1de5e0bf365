"""Whether the propeller on the stand is the one that a run says: its static coefficients know."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from statistics import median

from generator.evidence.bench_advice_records import Advice, AdviceSeverity, advice, alike, near
from generator.evidence.check_input import CheckInput
from generator.evidence.constants import LIMITS
from generator.evidence.wording import counted, percent
from generator.intake.parts import Propeller
from generator.reduction.losses import NOMINAL_UNCERTAINTY
from generator.reduction.records import RunReduction
from generator.reduction.stated_coefficients import COEFFICIENT_REACH, Coefficient, stated_coefficient

NAMES: dict[Coefficient, str] = {"thrust": "thrust_coefficient", "power": "power_coefficient"}
# the load cell is the likelier to be knocked, so the torque is heard first
ORDER: tuple[Coefficient, ...] = ("power", "thrust")
CHANNELS: dict[Coefficient, str] = {"thrust": "thrust_n", "power": "torque_nm"}
SYMBOLS: dict[Coefficient, str] = {"thrust": "CT", "power": "CP"}
REMEDY = "Look at the propeller on the stand, and repeat it with the right one."
CELL: dict[AdviceSeverity, str] = {
    "repeat": "CP agrees, so it is the thrust rather than the propeller: see to the load cell, and repeat it.",
    "doubtful": "CP agrees, so it is the thrust rather than the propeller: see to the load cell, or correct CT in the "
    "part file.",
}
COVERAGE = 2.0  # standard uncertainties of an interval of about 95 % (JCGM 100, 6.2.1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Fitted:
    """CT or CP of one run: (speed in rpm, value, relative standard uncertainty), in the order of speed."""

    run: RunReduction
    propeller: Propeller
    points: tuple[tuple[float, float, float], ...]


def wrong_propellers(given: CheckInput) -> Iterator[Advice]:
    """Runs whose CT or CP is not that of the other runs with the propeller, or not what its part file states.

    The limit is that of the session's check of constants. Of runs that disagree, those that the part file bears out are
    right, else those that most agree with. Where only the part file disagrees, the run is to be
    repeated if another propeller of the season would give what was measured; else the file may be wrong, or the gain.
    Source  T = CT ρ n² D⁴ and P = CP ρ n³ D⁵ of a propeller at rest: the coefficients belong to it alone
    """
    told: set[str] = set()
    with_torque: set[str] = set()
    for which in ORDER:
        fitted = [found for run in given.used for found in _fitted(given, run, which)]
        for propeller in dict.fromkeys(one.propeller.id for one in fitted):
            own = [one for one in fitted if one.propeller.id == propeller]
            others = [one for one in fitted if one.propeller.id != propeller]
            for found in (
                *_unlike_others(given, which, own, others),
                *_unlike_stated(given, which, own, others),
            ):
                if found.run_id not in told:
                    told.add(found.run_id)
                    cell = which == "thrust" and found.run_id in with_torque
                    yield replace(found, kind="thrust off", remedy=CELL[found.severity]) if cell else found
        with_torque = {one.run.run_id for one in fitted}


def _fitted(given: CheckInput, run: RunReduction, which: Coefficient) -> Iterator[_Fitted]:
    doubtful = {finding.channel for finding in run.findings if finding.grade == "doubtful"}
    if run.treatment not in given.session.file.treatments or doubtful & {CHANNELS[which], "speed_rpm", ""}:
        return  # a channel that is stuck says nothing of a propeller, and is told by itself
    speeds = {c.at: c.value for c in run.constants if c.response == "speed"}
    points = []
    for constant in run.constants:
        speed = dict(constant.at).get("speed_rpm", speeds.get(constant.at))
        if constant.response == NAMES[which] and speed is not None and constant.value > 0.0:
            size = math.sqrt(sum(part.contribution**2 for part in constant.components))
            points.append((speed, constant.value, size / constant.value))
    if points:
        yield _Fitted(run=run, propeller=given.propeller(run.treatment), points=tuple(sorted(points)))


def _ratio(one: _Fitted, other: _Fitted) -> float | None:
    """Median of one over the other at speeds near each other; None where there are none."""
    ratios = [
        value / nearest[1]
        for speed, value, _ in one.points
        for nearest in [min(other.points, key=lambda point: abs(point[0] - speed))]
        if abs(nearest[0] / speed - 1.0) <= COEFFICIENT_REACH
    ]
    return median(ratios) if ratios else None


def _unlike_others(
    given: CheckInput, which: Coefficient, own: Sequence[_Fitted], others: Sequence[_Fitted]
) -> Iterator[Advice]:
    share = LIMITS[NAMES[which]].share

    def agree(one: _Fitted, other: _Fitted) -> bool:
        ratio = _ratio(other, one)
        return ratio is not None and near(ratio, 1.0, share)

    # the runs that the part file bears out are right, however many others there are; else most of them are
    borne_out = [one for one in own if (d := _departure(one, which)) is not None and abs(d) <= share]
    group = borne_out or [own[place] for place in alike(own, agree)]
    for one in own:
        ratios = [] if one in group else [r for other in group if (r := _ratio(one, other)) is not None]
        if not ratios or abs(median(ratios) - 1.0) <= share:
            continue
        with_it = f"{counted(len(ratios), 'other run')} with {one.propeller.label}"
        sentence = (
            f"{SYMBOLS[which]} is {_apart(median(ratios) - 1.0)} that of {with_it}"
            f"{_also(given, which, one, others)}."
        )
        yield advice(one.run, "repeat", "wrong propeller", sentence, REMEDY, check=_check(which, one))


def _unlike_stated(
    given: CheckInput, which: Coefficient, own: Sequence[_Fitted], others: Sequence[_Fitted]
) -> Iterator[Advice]:
    limit = LIMITS[NAMES[which]].share
    for one in own:
        departure = _departure(one, which)
        if departure is None:
            continue
        doubt = one.propeller.coefficients_uncertainty
        stated_u = NOMINAL_UNCERTAINTY[NAMES[which]] if doubt is None else doubt
        u = math.hypot(median(u for _, _, u in one.points), stated_u)
        if abs(departure) <= limit or abs(departure) <= COVERAGE * u:
            continue
        like = _also(given, which, one, others)
        sentence = f"{SYMBOLS[which]} is {_apart(departure)} what parts/{one.propeller.id}.yaml states{like}."
        remedy = REMEDY if like else (
            "Look at the propeller on the stand, its diameter and the gain of the load cell; if they are right, "
            "correct the part file."
        )  # fmt: skip
        yield advice(
            one.run,
            "repeat" if like else "doubtful",
            "wrong propeller",
            sentence,
            remedy,
            check=_check(which, one),
        )


def _departure(one: _Fitted, which: Coefficient) -> float | None:
    """Median share by which a run departs from its propeller's part file; None where that states nothing near."""
    shares = [
        value / nominal - 1.0
        for speed, value, _ in one.points
        if (nominal := stated_coefficient(one.propeller, which, speed)) is not None
    ]
    return median(shares) if shares else None


def _also(given: CheckInput, which: Coefficient, one: _Fitted, others: Sequence[_Fitted]) -> str:
    """Other propellers of the season that would give what was measured, in words; "" where none is known."""
    power = 4 if which == "thrust" else 5
    limit = LIMITS[NAMES[which]].share
    like: dict[str, float] = {}
    for part in given.season.parts.values():
        if not isinstance(part, Propeller) or part.id == one.propeller.id:
            continue
        scale = (one.propeller.diameter_m / part.diameter_m) ** power
        measured = [r * scale for other in others if other.propeller.id == part.id
                    if (r := _ratio(one, other)) is not None]  # fmt: skip
        stated = [
            value * scale / nominal
            for speed, value, _ in one.points
            if (nominal := stated_coefficient(part, which, speed)) is not None
        ]
        known = measured or stated
        if known and abs(median(known) - 1.0) <= limit:
            like[part.label] = abs(median(known) - 1.0)
    return f", as {' or '.join(sorted(like, key=lambda name: like[name]))} would give" if like else ""


def _apart(share: float) -> str:
    return f"{percent(abs(share))} {'above' if share > 0.0 else 'below'}"


def _check(which: Coefficient, one: _Fitted) -> str:
    return f"{NAMES[which].replace('_', '-')}-as-stated-{one.run.treatment}"
