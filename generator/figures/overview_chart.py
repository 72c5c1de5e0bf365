"""Several contrasts as shares of the baseline, one row each, every row against its own margin."""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt
import pandas as pd

from generator.evidence.records import Contrast
from generator.evidence.wording import at_words, listed, percent
from generator.figures.numbers import lower_first, rounded
from generator.figures.records import Figure
from generator.figures.theme import (
    INK,
    NARROW,
    PAPER,
    WIDE,
    ZONE,
    ZONE_EDGE,
    Sheet,
    extent,
    narrowed,
    scales,
    title_lines,
    y2_at,
    y_at,
)
from generator.reduction.records import ResponseKind

STEP, NARROW_STEP = 46, 64  # height of a row, wide and on a phone [px]
OUTLIER = 8.0  # a row reaching this many times further than the median row does not set the axis
SAID = 6  # rows that the text alternative reads out
DRAWN = 3  # decimals of a percentage as drawn
PUBLISHED = 2  # the most a percentage is published with
ROW_LABEL: Mapping[str, Any] = {"align": "left", "x": 0, "dy": -12, "limit": WIDE - 170}
ROW_READING: Mapping[str, Any] = {"align": "right", "x": "width", "dy": -12, "fontWeight": "bold"}
X = alt.X("difference:Q")


def difference_overview(
    contrasts: Sequence[Contrast],
    labels: Mapping[str, str],
    kinds: Mapping[str, ResponseKind],
    *,
    name: str = "overview",
    sources: Sequence[str] = (),
) -> Figure | None:
    """Relative differences of several responses or conditions, stacked; None where no contrast has one.

    contrasts  all against the same baseline; those without a relative value are left out, and the note says so
    labels     treatment id -> label, all treatments in the order of the session
    kinds      response name -> kind
    """
    shown = [c for c in contrasts if _relative(c) is not None]
    if not shown:
        return None
    baseline = labels[shown[0].baseline]
    several = len({contrast.treatment for contrast in shown}) > 1
    limit = _limit(shown)
    rows = [_row(i, c, labels, kinds, several, limit) for i, c in enumerate(shown)]
    reach = [0.0]
    for row in rows:
        reach += [row["low"], row["high"], row["difference"]]
        reach += [-row["margin"], row["margin"]] if row["margin"] <= limit else []
    title = f"Difference from {baseline} (% of {baseline})"
    axis = alt.X(
        "difference:Q",
        title=title_lines(title, WIDE),
        scale=alt.Scale(domain=list(extent(reach)), nice=False, zero=False, clamp=True),
        axis=alt.Axis(tickCount=5),
    )
    sheet = Sheet()
    spec = sheet.finished(
        sheet.view(
            _layers(sheet, rows, axis, labels, shown[0].baseline, baseline),
            width=WIDE,
            height=STEP * len(rows),
        )
    )
    narrow = narrowed(
        spec,
        height=NARROW_STEP * len(rows),
        titles={title: title_lines(title, NARROW)},
        layers={
            **{f"row label{halo}": {"dy": -24, "limit": NARROW} for halo in ("", " halo")},
            **{f"row reading{halo}": {"dy": -8, "x": 0, "align": "left"} for halo in ("", " halo")},
            **{part: {"yOffset": 13} for part in ("interval", "caps", "estimate", "beyond")},
        },
    )
    left_out = [lower_first(kinds[c.response].label) for c in contrasts if _relative(c) is None]
    return Figure(
        name=name,
        title=f"All differences from {baseline} at a glance",
        states=_states(shown, rows, baseline),
        note=_note(shown, rows, list(dict.fromkeys(left_out))),
        spec=spec,
        narrow=narrow,
        table=_table(shown, labels, kinds, baseline),
        sources=tuple(sources),
    )


def _relative(contrast: Contrast) -> tuple[float, float, float] | None:
    """Difference and interval as percentages of the baseline, None where one of them has no value."""
    if contrast.relative is None or contrast.relative_interval is None:
        return None
    values = (100 * contrast.relative, *(100 * limit for limit in contrast.relative_interval))
    return values if all(math.isfinite(value) for value in values) else None  # type: ignore[return-value]


def _margin(contrast: Contrast) -> float:
    """The margin as a percentage of the baseline; infinite where none was set."""
    if contrast.margin is None or contrast.baseline_value == 0:
        return math.inf
    return abs(100 * contrast.margin / contrast.baseline_value)


def _limit(contrasts: Sequence[Contrast]) -> float:
    """How far the axis may reach from zero, so that one very wide interval does not flatten the others."""
    relatives = [relative for contrast in contrasts if (relative := _relative(contrast)) is not None]
    reach = [max(abs(value) for value in relative) for relative in relatives]
    if max(reach) <= OUTLIER * statistics.median(reach):
        return math.inf
    limit = max(3 * statistics.median(reach), 1.5 * max(abs(relative[0]) for relative in relatives))
    return limit if max(reach) > 1.5 * limit else math.inf


def _reading(contrast: Contrast) -> str:
    """Share and interval: "+3.01 % (+2.32 to +3.70 %)"."""
    assert contrast.relative is not None
    interval = contrast.relative_interval
    assert interval is not None
    low, high = (percent(share, interval, signed=True) for share in interval)
    return f"{percent(contrast.relative, interval, signed=True)} ({low.removesuffix('%').rstrip()} to {high})"


def _row(
    place: int,
    contrast: Contrast,
    labels: Mapping[str, str],
    kinds: Mapping[str, ResponseKind],
    several: bool,
    limit: float,
) -> dict[str, Any]:
    relative = _relative(contrast)
    assert relative is not None
    difference, low, high = relative
    label = f"{kinds[contrast.response].label} {at_words(contrast.at)}".rstrip()
    return {
        "treatment": contrast.treatment,
        "label": f"{label}, {labels[contrast.treatment]}" if several else label,
        "reading": _reading(contrast),
        "row": place + 0.5,
        "difference": round(difference, DRAWN),
        "low": round(max(low, -limit), DRAWN),
        "high": round(min(high, limit), DRAWN),
        "margin": _margin(contrast),
        "cut_low": low < -limit,
        "cut_high": high > limit,
    }


def _layers(
    sheet: Sheet,
    rows: Sequence[dict[str, Any]],
    axis: alt.X,
    labels: Mapping[str, str],
    baseline_id: str,
    baseline: str,
) -> list[alt.Chart]:
    look = scales(tuple(labels), baseline_id)
    y = alt.Y("row:Q", axis=None, scale=alt.Scale(domain=[len(rows), 0], nice=False))
    zones = [
        {"low": -row["margin"], "high": row["margin"], "row": row["row"] + 0.02, "row_end": row["row"] + 0.4}
        for row in rows
        if math.isfinite(row["margin"])
    ]
    edges = [{**zone, "difference": zone[end]} for zone in zones for end in ("low", "high")]
    caps = [
        {"treatment": row["treatment"], "row": row["row"], "difference": row[end]}
        for row in rows
        for end in ("low", "high")
        if not row[f"cut_{end}"]
    ]
    beyond = [
        {"treatment": row["treatment"], "row": row["row"], "difference": row[end], "angle": angle}
        for row in rows
        for end, angle in (("low", -90), ("high", 90))
        if row[f"cut_{end}"]
    ]
    plain = [
        {name: row[name] for name in ("treatment", "label", "reading", "row", "difference", "low", "high")}
        for row in rows
    ]
    line = sheet.rows(plain)
    layers = [
        sheet.rows(zones)
        .mark_rect(fill=ZONE)
        .encode(x=alt.X("low:Q"), x2=alt.X2("high"), y=y, y2=alt.Y2("row_end")),
        sheet.rows(edges).mark_rule(color=ZONE_EDGE).encode(x=X, y=y, y2=alt.Y2("row_end")),
        sheet.at(difference=0.0).mark_rule(color=INK).encode(x=X, y=y_at(-4), y2=y2_at("height")),
        sheet.at(difference=0.0)
        .mark_text(text=f"same as {baseline}", baseline="bottom")
        .encode(x=X, y=y_at(-8)),
        *_row_text(
            line,
            y,
            "row label",
            {"align": "left", "x": 0, "dy": -12, "limit": WIDE - 170},
            alt.Text("label:N"),
        ),
        *_row_text(line, y, "row reading", ROW_READING, alt.Text("reading:N")),
    ]
    layers += [
        line.mark_rule(strokeWidth=5, yOffset=9)
        .encode(x=alt.X("low:Q"), x2=alt.X2("high"), y=y, color=look.colour)
        .properties(name="interval"),
        sheet.rows(caps)
        .mark_tick(orient="vertical", size=13, thickness=2, yOffset=9, opacity=1)
        .encode(x=X, y=y, color=look.colour)
        .properties(name="caps"),
        line.mark_point(size=75, fill=PAPER, strokeWidth=2.5, yOffset=9, opacity=1)
        .encode(x=axis, y=y, stroke=look.stroke, shape=look.shape)
        .properties(name="estimate"),
    ]
    if beyond:
        layers.append(
            sheet.rows(beyond)
            .mark_point(shape="triangle", size=90, filled=True, yOffset=9, opacity=1)
            .encode(x=X, y=y, color=look.colour, angle=alt.Angle("angle:Q", scale=None))
            .properties(name="beyond")
        )
    return layers


def _row_text(
    line: alt.Chart, y: alt.Y, name: str, look: Mapping[str, Any], text: alt.Text
) -> list[alt.Chart]:
    """Text of every row, with a halo where the zero line crosses it."""
    return [
        line.mark_text(**look, stroke=PAPER, strokeWidth=5, strokeJoin="round")
        .encode(y=y, text=text)
        .properties(name=f"{name} halo"),
        line.mark_text(**look).encode(y=y, text=text).properties(name=name),
    ]


def _states(shown: Sequence[Contrast], rows: Sequence[dict[str, Any]], baseline: str) -> str:
    """Every row where there are few; else how many there are of each verdict, and the primary or largest ones."""
    text = f"Differences as a share of {baseline}, with {100 * shown[0].level:.0f} % intervals."
    pairs = list(zip(shown, rows, strict=True))
    if len(pairs) > SAID:
        counts = Counter(contrast.verdict for contrast in shown)
        tally = "; ".join(f"{count} {verdict}" for verdict, count in counts.items())
        text += f" Of {len(pairs)}: {tally}."
        primary = [pair for pair in pairs if pair[0].primary]
        pairs = (primary or sorted(pairs, key=lambda pair: -abs(pair[1]["difference"])))[:SAID]
    parts = [f"{row['label']}: {row['reading']}, {contrast.verdict}" for contrast, row in pairs]
    return f"{text} {'; '.join(parts)}."


def _note(shown: Sequence[Contrast], rows: Sequence[dict[str, Any]], left_out: list[str]) -> str:
    parts = [f"Each line is the {100 * shown[0].level:.0f} % interval of the mean difference."]
    if any(math.isfinite(row["margin"]) for row in rows):
        parts.append("The shaded zone of a row is its own margin, set before the test.")
    if any(row["cut_low"] or row["cut_high"] for row in rows):
        parts.append("An arrow marks an interval that reaches beyond the axis; its numbers stand in the row.")
    if left_out:
        parts.append(f"A percentage has no meaning for {listed(left_out)}, so it is not drawn here.")
    return " ".join(parts)


def _table(
    shown: Sequence[Contrast], labels: Mapping[str, str], kinds: Mapping[str, ResponseKind], baseline: str
) -> pd.DataFrame:
    rows = []
    for contrast in shown:
        relative = _relative(contrast)
        assert relative is not None
        difference, low, high = relative
        margin = _margin(contrast)
        rows.append(
            {
                "Response": kinds[contrast.response].label,
                "Condition": at_words(contrast.at),
                "Treatment": labels[contrast.treatment],
                f"Difference (% of {baseline})": rounded(difference, PUBLISHED),
                f"Lower limit (% of {baseline})": rounded(low, PUBLISHED),
                f"Upper limit (% of {baseline})": rounded(high, PUBLISHED),
                f"Margin (% of {baseline})": rounded(margin, PUBLISHED),
                "Verdict": contrast.verdict,
            }
        )
    return pd.DataFrame(rows)
