"""Sentences made from difference curves. Every number in them is one of the curve's own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from generator.evidence.physics_records import BandPoint, CurveContrast, CurveRange
from generator.evidence.wording import (
    MOST_DIGITS,
    NBSP,
    counted,
    decimals_for,
    difference_unit,
    either_way,
    interval_words,
    number,
    plain,
    same_as,
    sentence_case,
    with_unit,
    written,
)
from generator.reduction.records import ResponseKind

AXIS_UNITS = {"thrust_gf": "gf", "speed_rpm": "rpm", "throttle_percent": "%"}
_WHERE = {"thrust_gf": "gf of thrust", "speed_rpm": "rpm", "throttle_percent": "% throttle"}
Labels = Mapping[str, str]


def curve_sentence(contrast: CurveContrast, kind: ResponseKind, labels: Labels) -> str:
    """What a difference curve says: where it is settled and by how much, where it is not, where curves cross."""
    points = contrast.points
    single = contrast.basis != "between runs"
    if not contrast.ranges:
        text = _nothing_settled(contrast, kind, labels)
    else:
        clauses = [
            _clause(contrast, found, kind, labels, first=place == 0, single=single)
            for place, found in enumerate(contrast.ranges)
        ]
        open_part = _where_open(contrast)
        if open_part:
            clauses.append(f"{open_part} the data do not settle it")
        text = sentence_case("; ".join(clauses))
    if contrast.crossings:
        text += f"; the curves cross {_listed_ranges(contrast)}"
    where = range_words(contrast.axis, points[0].x, points[-1].x, "from")
    held = f"{100.0 * contrast.level:.0f}{NBSP}% band over the whole curve, {where}"
    if single:
        text = f"Indicative, {_runs(contrast)}: {text[:1].lower()}{text[1:]}"
        return f"{text} ({held}, from within the runs; only repeats can tell how far runs differ)."
    return f"{text} ({held}; {_runs(contrast)})."


def range_words(axis: str, low: float, high: float, begin: str = "between") -> str:
    """A range of an axis: `between 200 and 560 gf of thrust`, `from 200 to 560 gf of thrust`, `at 200 gf of thrust`."""
    unit = _WHERE[axis]
    if low == high:
        return f"at {x_text(low)}{NBSP}{unit}"
    to = "and" if begin == "between" else "to"
    return f"{begin} {x_text(low)} {to} {x_text(high)}{NBSP}{unit}"


def x_text(x: float) -> str:
    """A preferred number as written."""
    return plain(x, digits=MOST_DIGITS)


def is_share(points: Sequence[BandPoint], unit: str) -> bool:
    """Whether a curve is told as a share of the baseline."""
    return unit != "%" and all(point.relative is not None for point in points)


def band_of(point: BandPoint, *, share: bool) -> tuple[float, float, float]:
    """Difference, low and high of a point, in per cent of the baseline or in the response's unit."""
    if share and point.relative is not None:
        low = point.relative_low if point.relative_low is not None else point.relative
        high = point.relative_high if point.relative_high is not None else point.relative
        return 100.0 * point.relative, 100.0 * low, 100.0 * high
    return point.difference, point.low, point.high


# --- clauses ------------------------------------------------------------------------------------------------


def _clause(
    contrast: CurveContrast,
    found: CurveRange,
    kind: ResponseKind,
    labels: Labels,
    *,
    first: bool,
    single: bool,
) -> str:
    """What holds in one settled range; who against whom is said once."""
    who, base = (f"{labels[contrast.treatment]} ", labels[contrast.baseline]) if first else ("it ", "")
    where = range_words(contrast.axis, found.low, found.high)
    probably = "probably " if single else ""
    inside = [point for point in contrast.points if found.low <= point.x <= found.high]
    if found.direction == 0:
        same = same_as(kind.same, base or labels[contrast.baseline])
        return f"{where} {who}{probably}{same} to within the {written(contrast.margin_text or '')} that would matter"
    clause = (kind.more if found.direction > 0 else kind.less).format(
        amount=_amount(contrast, inside, found.direction)
    )
    than = f" than {base}" if base else ""
    return f"{where} {who}{probably}{clause}{than}{_against_margin(contrast, inside, found.direction)}"


def _amount(contrast: CurveContrast, inside: Sequence[BandPoint], way: int) -> str:
    """Least and most that the band allows in a range settled one way, without sign: `1.2 to 3.4 %`."""
    share = is_share(contrast.points, contrast.unit)
    bands = [band_of(point, share=share) for point in inside]
    near, far = (1, 2) if way > 0 else (2, 1)
    # the band of a share is made apart from that of the difference and may touch zero by a rounding
    least = max(min(way * band[near] for band in bands), 0.0)
    most = max(way * band[far] for band in bands)
    places = decimals_for((most - least) / 2.0, largest=most)
    unit = "%" if share else difference_unit(contrast.unit)
    if round(least, places) == 0.0:
        return f"up to {with_unit(number(most, places), unit)}"
    return f"{number(least, places)} to {with_unit(number(most, places), unit)}"


def _against_margin(contrast: CurveContrast, inside: Sequence[BandPoint], way: int) -> str:
    """Whether what is settled also matters."""
    if contrast.margin_text is None:
        return ""
    margin = written(contrast.margin_text)
    clear = [
        point.margin is not None and (point.low > point.margin if way > 0 else point.high < -point.margin)
        for point in inside
    ]
    if all(clear):
        return f", everywhere beyond the {margin} that would matter"
    if any(clear):
        return f", in part beyond the {margin} that would matter"
    return f", but perhaps less than the {margin} that would matter"


def _nothing_settled(contrast: CurveContrast, kind: ResponseKind, labels: Labels) -> str:
    share = is_share(contrast.points, contrast.unit)
    bands = [band_of(point, share=share) for point in contrast.points]
    ends = min(low for _, low, _ in bands), max(high for _, _, high in bands)
    unit = "%" if share else difference_unit(contrast.unit)
    low, high = ends
    # a share's unit is no percentage point
    within = interval_words(low, high, "", kind.words, to="and", named=unit)
    return (
        f"The data do not settle anywhere whether {labels[contrast.treatment]} {either_way(kind.more, kind.less)} "
        f"than {labels[contrast.baseline]}; all that can be said is that the difference lies between {within}"
    )


def _where_open(contrast: CurveContrast) -> str:
    """Where along the curve nothing is settled, against the settled ranges: `below that`, `elsewhere`."""
    x = [point.x for point in contrast.points]
    inside = [any(found.low <= place <= found.high for found in contrast.ranges) for place in x]
    if all(inside):
        return ""
    first, last = inside.index(True), len(inside) - 1 - inside[::-1].index(True)
    gaps = not all(inside[first : last + 1])
    below, above = first > 0, last < len(inside) - 1
    if below + above + gaps > 1:
        return "elsewhere"
    return "below that" if below else "above that" if above else "in between"


def _listed_ranges(contrast: CurveContrast) -> str:
    return " and ".join(range_words(contrast.axis, low, high) for low, high in contrast.crossings)


def _runs(contrast: CurveContrast) -> str:
    treatment, baseline = contrast.runs
    if treatment == baseline:
        return "one run each" if treatment == 1 else f"{counted(treatment, 'run')} each"
    return f"{counted(treatment, 'run')} against {baseline}"
