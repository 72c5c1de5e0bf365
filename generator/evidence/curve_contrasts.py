"""Whole curves of a treatment against those of another, with a band that holds everywhere at once."""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median

from scipy import special

from generator.evidence.contrast_statistics import coverage_factor
from generator.evidence.contrasts import LEVEL, absolute_margin, compared_pairs
from generator.evidence.curve_band import FEWEST_DOF, UNKNOWN, crossings, simultaneous_factor, turning
from generator.evidence.curve_sentences import AXIS_UNITS, curve_sentence
from generator.evidence.estimates import Design, Estimated, Observations, design_of, estimate
from generator.evidence.physics_records import BandPoint, CurveContrast, CurveRange
from generator.evidence.ratio import at_level
from generator.evidence.summaries import gather
from generator.evidence.verdicts import ALPHA, NO_DIFFERENCE, Interval, direction, verdict
from generator.evidence.wording import number
from generator.intake.session import Session
from generator.reduction.readings import is_preferred
from generator.reduction.records import ResponseKind, RunReduction

FEWEST_POINTS = 3  # fewer points are no curve; our own choice
HIGHEST_LEVEL = 1.0 - 1e-12  # of an interval; nearer to one a double tells no factor from another
# What is compared, in the order in which it is told: (response, axis). Power at equal thrust comes first.
COMPARED = (
    ("electrical_power", "thrust_gf"),
    ("thrust_per_power", "thrust_gf"),
    ("speed", "thrust_gf"),
    ("electrical_power", "speed_rpm"),
    ("thrust", "speed_rpm"),
    ("thrust_per_power", "speed_rpm"),
    ("thrust", "throttle_percent"),
    ("electrical_power", "throttle_percent"),
    ("speed", "throttle_percent"),
    ("thrust_per_power", "throttle_percent"),
)
AXIS_WORDS = {"thrust_gf": "thrust", "speed_rpm": "speed", "throttle_percent": "throttle"}
Curve = dict[float, dict[str, Observations]]  # x -> treatment -> observations, x rising


@dataclass(frozen=True, slots=True, kw_only=True)
class _Knot:
    """A contrast at one x."""

    x: float
    by_treatment: Mapping[str, Observations]
    found: Estimated


def curve_contrasts(
    runs: Sequence[RunReduction], session: Session, kinds: Mapping[str, ResponseKind]
) -> tuple[CurveContrast, ...]:
    """Difference curves of every treatment against the baseline and of the pairs asked for.

    runs   reduced runs; only staircases, or ramps where there are none, have curves, read at preferred numbers
           (`reduction.readings`)
    kinds  response name -> kind

    At each x the runs are compared as at a single condition. The band holds at all x together with 95 %
    (`curve_band`); between two of them the difference is taken to lie between theirs, as it does on a line in the
    logarithm of x. They are 12 % apart, or where each is paid for in full (Bonferroni) about as many as the
    staircases have steps, since the curves carry no more than those. What this costs: the band is 1.5 to 3 times
    as wide as single intervals, and wider than it need be, since its level is a lower bound.
    Where several comparisons are made of a primary response, their bands hold together too, each at 1 - 5 %/k. Each
    other curve holds for itself and is exploratory.
    Where a share of the baseline has a meaning the curve is judged in it, since what multiplies both sides alike, such
    as a gain, cancels there; else, and where the margin has a unit, in the response's unit.
    Compared is the range that every run of both treatments covers, never beyond. Below three x there is no curve.
    """
    procedure = curve_procedure(runs)
    curves = _curves([run for run in runs if run.procedure == procedure])
    pairs = compared_pairs(session)
    design = design_of(session, procedure)
    knots = {
        (pair, response, axis): own
        for pair in pairs
        for response, axis in COMPARED
        if response in kinds
        and len(
            own := _knots(
                curves.get((response, axis), {}), pair, design, _told_as_share(kinds[response], session)
            )
        )
        >= FEWEST_POINTS
    }
    together = Counter((response, axis) for _, response, axis in knots)
    return tuple(
        _contrast(
            own,
            kinds[response],
            axis,
            pair,
            session,
            together[response, axis] if response in session.file.primary else 1,
        )
        for (pair, response, axis), own in knots.items()
    )


def curve_procedure(runs: Sequence[RunReduction]) -> str:
    """The procedure whose curves are compared: staircases, since each step stood still; ramps where there are none."""
    made = {run.procedure for run in runs if run.steps and run.refused is None}
    return "ramp" if "ramp" in made and "staircase" not in made else "staircase"


def _curves(runs: Sequence[RunReduction]) -> dict[tuple[str, str], Curve]:
    """Readings of all staircases at preferred numbers, by response and axis."""
    used = [run for run in runs if run.steps and run.refused is None]
    # all runs are read at the same places, and whether one is preferred takes some reckoning
    places = {reading.at for run in used for reading in run.readings if len(reading.at) == 1}
    preferred = {((axis, x),) for ((axis, x),) in places if is_preferred(axis, x)}
    staircases = [
        replace(run, responses=tuple(reading for reading in run.readings if reading.at in preferred))
        for run in used
    ]
    curves: dict[tuple[str, str], Curve] = {}
    for (response, ((axis, x),)), by_treatment in gather(staircases).items():
        curves.setdefault((response, axis), {})[x] = dict(by_treatment)
    return {place: dict(sorted(curve.items())) for place, curve in curves.items()}


def _knots(curve: Curve, pair: tuple[str, str], design: Design, share: bool) -> list[_Knot]:
    """Contrasts at every x that all runs of both sides cover; x at which nothing scatters are left out."""
    everyone = {
        name: {o.run.run_id for by_treatment in curve.values() for o in by_treatment.get(name, ())}
        for name in pair
    }
    knots = []
    for x, by_treatment in curve.items():
        there = {name: {o.run.run_id for o in by_treatment.get(name, ())} for name in everyone}
        if there != everyone or not all(everyone.values()):
            continue
        found = estimate(by_treatment, *pair, design, relative=share)
        if found is not None:
            knots.append(_Knot(x=x, by_treatment=by_treatment, found=found))
    return knots


def _angles(knots: Sequence[_Knot], treatment: str, baseline: str, design: Design) -> list[float]:
    """Angle between neighbouring knots; all unknown where single runs or too few of them leave any unknown."""
    dof = min(min(_residual_dof(knot, treatment, baseline), knot.found.difference.dof) for knot in knots)
    if dof < FEWEST_DOF:
        return [UNKNOWN] * (len(knots) - 1)
    found = []
    for here, there in itertools.pairwise(knots):
        errors = here.found.difference.standard_error, there.found.difference.standard_error
        found.append(turning(here.by_treatment, there.by_treatment, errors, treatment, baseline, design))
    return found


def _residual_dof(knot: _Knot, treatment: str, baseline: str) -> int:
    """Dimensions in which the runs of a contrast scatter; none for a single run."""
    if knot.found.basis != "between runs":
        return 0
    if knot.found.paired:
        blocks = ({o.run.block for o in knot.by_treatment[name]} for name in (treatment, baseline))
        return len(set.intersection(*blocks)) - 1
    return sum(knot.found.runs) - 2


def _contrast(
    knots: Sequence[_Knot],
    kind: ResponseKind,
    axis: str,
    pair: tuple[str, str],
    session: Session,
    jointly: int,
) -> CurveContrast:
    treatment, baseline = pair
    design = design_of(session, knots[0].by_treatment[treatment][0].run.procedure)
    angles = _angles(knots, treatment, baseline, design)
    if UNKNOWN in angles:
        # Each point is then paid for in full, so there are no more of them than the staircases have steps.
        knots = _thinned(knots, _steps(knots, pair))
        angles = [UNKNOWN] * (len(knots) - 1)
    # The fewest of any point: by chance a point seems better known than it is, and one of many such would miss.
    dof = min(min(knot.found.difference.dof, _share_dof(knot)) for knot in knots)
    margin = session.margins.get(kind.name)
    factor = simultaneous_factor(angles, dof, (1.0 - LEVEL) / jointly)
    # for two one-sided tests, at all points together; without a margin there are none
    inner_factor = factor if margin is None else simultaneous_factor(angles, dof, 2.0 * ALPHA / jointly)
    factors = (factor, inner_factor)
    points, settled, sides = [], [], []
    shares = _shares(knots, factors) if _told_as_share(kind, session) else None
    for place, knot in enumerate(knots):
        found = knot.found
        size = absolute_margin(margin, found.baseline_value)
        band, inner = (_interval(found, size_of) for size_of in factors)
        point = BandPoint(
            x=knot.x,
            treatment_value=found.treatment_value,
            baseline_value=found.baseline_value,
            difference=found.difference.difference,
            low=band[0],
            high=band[1],
            margin=size,
        )
        if shares is None:
            judged = verdict(band, inner, size)
        else:
            share, band, inner = shares[place]
            point = replace(point, relative=share, relative_low=band[0], relative_high=band[1])
            judged = verdict(band, inner, None if size is None or margin is None else margin.relative)
        points.append(point)
        settled.append(direction(judged) or (0 if judged == NO_DIFFERENCE else None))
        sides.append(1 if band[0] > 0.0 else -1 if band[1] < 0.0 else 0)
    x = [knot.x for knot in knots]
    first = knots[0].found
    contrast = CurveContrast(
        key=_key(kind.name, axis, pair, session),
        response=kind.name,
        axis=axis,
        treatment=treatment,
        baseline=baseline,
        unit=kind.unit,
        axis_unit=AXIS_UNITS[axis],
        points=tuple(points),
        level=LEVEL,
        margin=margin.absolute if margin is not None and margin.relative is None else None,
        margin_text=margin.text if margin is not None and points[0].margin is not None else None,
        method=_method(knots, angles, factor, jointly),
        basis=first.basis,
        runs=first.runs,
        ranges=_ranges(x, settled),
        crossings=crossings(x, sides),
        sentence="",
        primary=kind.name in session.file.primary,
    )
    labels = {name: found.label for name, found in session.file.treatments.items()}
    return replace(contrast, sentence=curve_sentence(contrast, kind, labels))


def _interval(found: Estimated, factor: float) -> Interval:
    half = factor * found.difference.standard_error
    return found.difference.difference - half, found.difference.difference + half


def _told_as_share(kind: ResponseKind, session: Session) -> bool:
    """Whether a curve is told and judged in per cent of the baseline, as its margin then is too."""
    margin = session.margins.get(kind.name)
    return kind.relative and kind.unit != "%" and (margin is None or margin.relative is not None)


def _share_dof(knot: _Knot) -> float:
    """Degrees of freedom of a contrast as a share of the baseline; infinite where it is none."""
    return knot.found.relative.dof if knot.found.relative is not None else math.inf


def _shares(
    knots: Sequence[_Knot], factors: tuple[float, float]
) -> list[tuple[float, Interval, Interval]] | None:
    """Share of the baseline with its two intervals at every knot; None where one of them has no bounds."""
    made = []
    for knot in knots:
        share = knot.found.relative
        if share is None:
            return None
        band, inner = (at_level(share, _level(factor, share.dof)).interval for factor in factors)
        if band is None or inner is None:
            return None
        made.append((share.relative, band, inner))
    return made


def _level(factor: float, dof: float) -> float:
    """Level of an interval of so many standard errors to either side.

    Held below one by what a double can still tell from it: with two runs a side a factor may be in the hundreds.
    """
    return min(float(1.0 - 2.0 * special.stdtr(dof, -factor)), HIGHEST_LEVEL)


def _steps(knots: Sequence[_Knot], pair: tuple[str, str]) -> int:
    """Fewest different steps that any staircase of the two sides has."""
    runs = (o.run for name in pair for o in knots[0].by_treatment[name])
    return min(len({round(step.throttle, 4) for step in run.steps}) for run in runs)


def _thinned(knots: Sequence[_Knot], count: int) -> list[_Knot]:
    """So many of the knots, evenly spread, the first and the last among them."""
    wanted = min(max(count, FEWEST_POINTS), len(knots))
    places = (round(place * (len(knots) - 1) / (wanted - 1)) for place in range(wanted))
    return [knots[place] for place in places]


def _ranges(x: Sequence[float], settled: Sequence[int | None]) -> tuple[CurveRange, ...]:
    """Neighbouring points that are settled alike."""
    found = []
    for way, group in itertools.groupby(zip(x, settled, strict=True), key=lambda item: item[1]):
        places = [place for place, _ in group]
        if way is not None:
            found.append(CurveRange(low=places[0], high=places[-1], direction=way))
    return tuple(found)


def _key(response: str, axis: str, pair: tuple[str, str], session: Session) -> str:
    """Stable id, such as `electrical_power-over-thrust-five-cell`; a pair names its other side too."""
    key = f"{response}-over-{AXIS_WORDS[axis]}-{pair[0]}"
    return key if pair[1] == session.file.baseline else f"{key}-against-{pair[1]}"


def _method(knots: Sequence[_Knot], angles: Sequence[float], factor: float, jointly: int) -> str:
    """How the band is made and what it promises, in plain words."""
    times = number(median(factor / coverage_factor(LEVEL, knot.found.difference.dof) for knot in knots), 1)
    paid = (
        "counting how far neighbouring points move together from run to run"
        if all(math.isfinite(angle) for angle in angles)
        else "as if no two points moved together, since the runs are too few to tell (Bonferroni)"
    )
    several = f", and for all {jointly} comparisons of this response together" if jointly > 1 else ""
    source = " The scatter is that within the runs." if knots[0].found.basis != "between runs" else ""
    return (
        f"The curves are compared at {len(knots)} preferred numbers, each as a single condition is "
        f"({knots[0].found.method}). The band is {times} times as wide as the 95 % interval of a single point, {paid}, "
        f"so that it holds at all points at once with at least {100.0 * LEVEL:.0f} %{several}; between two points the "
        f"difference is taken to lie between theirs.{source}"
    )
