"""The bars of the energy balance: lengths that add up, every piece named, the rest below zero drawn as such."""

from __future__ import annotations

import itertools
from typing import Any

import pytest

from generator.evidence.energy_notes import LABELS as PART_LABELS
from generator.evidence.energy_notes import REST_WITH_SHAFT
from generator.evidence.physics_records import EnergyBalance, LossPart, Measured
from generator.figures.energy_chart import NAMES, energy_bars
from generator.figures.styles import COLOURS, real_colours
from generator.figures.theme import CHARACTER
from tests.figures.chart_reading import assert_sound, axis_titles, layers, texts

LABELS = {"four-cell": "4S", "five-cell": "5S capped to 80 %", "six-cell": "the six-cell set-up"}
PARTS = {
    "shaft_power": (79.0, 2.4),
    "copper_loss": (13.55, 1.7),
    "free_run_loss": (4.58, 0.65),
    "ripple_loss": (0.92, 0.46),
    "controller_path_loss": (1.243, 0.27),
    "other_loss": (2.58, 3.7),
}
AT = (("speed_rpm", 16000.0),)


def measured(value: float, u: float) -> Measured:
    return Measured(value=value, standard_uncertainty=u, interval=(value - 2 * u, value + 2 * u))


def balance(
    treatment: str = "four-cell", *, at: Any = AT, without: tuple[str, ...] = (), **changes: float
) -> EnergyBalance:
    """A balance with the parts above, single powers changed or left out; invented."""
    powers = {
        name: (changes.get(name, value), u) for name, (value, u) in PARTS.items() if name not in without
    }
    total = sum(value for value, _ in powers.values())
    known = "shaft_power" in powers
    return EnergyBalance(
        key=f"energy-{treatment}",
        treatment=treatment,
        at=at,
        electrical_w=measured(total, 0.6),
        parts=tuple(
            LossPart(
                name=name,
                label=REST_WITH_SHAFT if name == "other_loss" and not known else PART_LABELS[name],
                power_w=measured(value, u),
                share=value / total,
                how="left over: electrical power minus the other parts"
                if name == "other_loss"
                else "estimated: so",
            )
            for name, (value, u) in powers.items()
        ),
        shaft_from="propeller coefficients" if known else "",
        notes=(),
    )


TWO = (balance(), balance("five-cell", ripple_loss=1.39, other_loss=4.7))


def drawn(balances: Any = TWO) -> Any:
    figure = energy_bars(balances, LABELS, sources=("logs/01.csv",))
    assert figure is not None
    return figure


def bars(spec: Any, plot: int) -> list[list[tuple[float, float]]]:
    """(start, stop) of the pieces of each bar of a plot, top bar first."""
    found: dict[float, list[tuple[float, float]]] = {}
    for layer in spec["vconcat"][plot]["layer"]:
        if layer["mark"]["type"] == "rect":
            (row,) = spec["datasets"][layer["data"]["name"]]
            found.setdefault(layer["encoding"]["y"]["value"], []).append((row["start"], row["stop"]))
    return [found[top] for top in sorted(found)]


def test_the_figure_is_sound_and_named_after_its_speed() -> None:
    figure = drawn()
    assert_sound(figure)
    assert figure.name == "energy-16000rpm"
    assert figure.title == "Where the electrical power goes at 16\u202f000\u00a0rpm"
    assert figure.sources == ("logs/01.csv",)
    assert axis_titles(figure.spec) == {"Electrical power (W)", "Of that, heat (W)"}


def test_pieces_follow_each_other_and_end_at_the_whole() -> None:
    spec = drawn().spec
    for plot, wholes in ((0, [101.873, 104.463]), (1, [22.873, 25.463])):
        found = bars(spec, plot)
        assert len(found) == 2
        for pieces, whole in zip(found, wholes, strict=True):
            assert pieces[0][0] == 0.0
            assert all(left[1] == pytest.approx(right[0]) for left, right in itertools.pairwise(pieces))
            assert pieces[-1][1] == pytest.approx(whole, abs=1e-3)


def test_every_piece_is_named_with_its_watts() -> None:
    words = texts(drawn((balance(),)).spec)
    assert words.count("into the propeller") == 1
    for name in ("copper", "free run", "ripple", "controller", "the rest"):
        assert words.count(name) == 1, name
    for watts in ("79.0", "22.9", "13.6", "4.58", "0.92", "1.24", "2.6"):
        assert f"{watts}\u00a0W" in words, watts
    assert "4S: 101.87\u00a0W" in words
    assert "4S: 22.9\u00a0W of heat" in words


def test_headings_begin_with_a_capital() -> None:
    assert "The six-cell set-up: 101.87\u00a0W" in texts(drawn((balance("six-cell"),)).spec)


def label_spans(spec: Any) -> list[list[tuple[float, float]]]:
    """(left, right) of the labels in one line, line by line, in pixels."""
    found: dict[tuple[int, float], list[tuple[float, float]]] = {}
    for plot, view in enumerate(spec["vconcat"]):
        for layer in view["layer"]:
            if str(layer.get("name", "")).startswith(("name ", "value ")):
                half = len(layer["mark"]["text"]) * CHARACTER / 2
                x = layer["mark"]["x"]
                found.setdefault((plot, layer["encoding"]["y"]["value"]), []).append((x - half, x + half))
    return [sorted(line) for line in found.values()]


@pytest.mark.parametrize("width", ["wide", "narrow"])
def test_labels_neither_touch_nor_leave_the_plot(width: str) -> None:
    figure = drawn((*TWO, balance("six-cell", ripple_loss=0.02, controller_path_loss=0.01, other_loss=0.1)))
    spec = figure.spec if width == "wide" else figure.narrow
    room = spec["vconcat"][0]["width"]
    lines = label_spans(spec)
    assert len(lines) == 2 * (3 + 3)
    for line in lines:
        assert line[0][0] >= -6.0
        assert line[-1][1] <= room + 6.0
        assert all(left[1] < right[0] for left, right in itertools.pairwise(line))


def test_leaders_lead_from_the_piece_to_its_label_in_both_widths() -> None:
    figure = drawn()
    for spec in (figure.spec, figure.narrow):
        width = spec["vconcat"][1]["width"]
        by_name = {layer.get("name"): layer for layer in layers(spec)}
        for row, piece in ((0, "copper_loss"), (1, "other_loss")):
            leader = by_name[f"leader 1 {row} {piece}"]["encoding"]
            assert leader["x2"]["value"] == by_name[f"name 1 {row} {piece}"]["mark"]["x"]
            assert 0.0 <= leader["x"]["value"] <= width
        copper = by_name["leader 1 0 copper_loss"]["encoding"]["x"]["value"]
        assert copper == pytest.approx(13.55 / 2 / (25.463 * 1.02) * width, abs=0.1)


def test_neighbours_differ_in_lightness_and_stand_apart() -> None:
    """Told apart without hue: 3:1 (WCAG 1.4.11) between neighbours or an edge of 3:1 against the ground."""
    for dark in (False, True):
        paper = luminance(COLOURS["--paper"][dark])
        for plot in (0, 1):
            spec = drawn((balance(),)).spec
            marks = [
                real_colours(layer["mark"], dark=dark)
                for layer in spec["vconcat"][plot]["layer"]
                if layer["mark"]["type"] == "rect"
            ]
            for left, right in itertools.pairwise(marks):
                assert left["fill"] != right["fill"]
            for mark in marks:
                strongest = max(contrast(luminance(mark[part]), paper) for part in ("fill", "stroke"))
                assert strongest >= 3.0, (dark, mark)


def luminance(colour: str) -> float:
    """Relative luminance of #rrggbb; WCAG 2.1 definition."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(a: float, b: float) -> float:
    return (max(a, b) + 0.05) / (min(a, b) + 0.05)


def test_a_rest_below_zero_stands_left_of_zero_and_is_explained() -> None:
    figure = drawn((balance(other_loss=-3.0), balance("five-cell")))
    assert_sound(figure)
    pieces = bars(figure.spec, 1)[0]
    assert pieces[-1] == (-3.0, 0.0)
    assert pieces[-2][1] == pytest.approx(13.55 + 4.58 + 0.92 + 1.243)
    assert "−3.0\u00a0W" in texts(figure.spec)
    assert "A rest to the left of zero" in figure.note
    assert "left of zero" not in drawn().note


def test_without_the_power_into_the_propeller_there_is_one_plot_of_all_parts() -> None:
    figure = drawn((balance(without=("shaft_power", "ripple_loss"), other_loss=81.0),))
    assert_sound(figure)
    assert len(figure.spec["vconcat"]) == 1
    assert bars(figure.spec, 0)[0][-1] == pytest.approx((19.373, 100.373))
    words = texts(figure.spec)
    assert "propeller and the rest" in words
    assert "the rest" not in words
    assert "Ripple" not in figure.note


def test_the_table_holds_every_interval_and_how_each_part_was_found() -> None:
    table = drawn().table
    assert len(table) == 2 * 7
    assert list(table.columns) == [
        "Treatment", "Part", "Power (W)", "Lower limit (W)", "Upper limit (W)", "Share of the electrical power",
        "How it was found",
    ]  # fmt: skip
    shaft = table.iloc[1]
    assert shaft.tolist()[:5] == ["4S", "into the propeller", 79.0, 74.2, 83.8]
    assert shaft["Share of the electrical power"] == "78\u00a0%"
    assert table.iloc[0]["Part"] == "electrical power"


def test_the_text_alternative_reads_every_part_of_few_treatments() -> None:
    states = drawn().states
    assert (
        "4S takes 101.87\u00a0W: 79.0\u00a0W into the propeller; 13.6\u00a0W heat in the windings (copper);"
        in states
    )
    many = drawn(tuple(balance(name) for name in (*LABELS, "four-cell", "five-cell"))).states
    assert "heat in the windings" not in many
    assert many.count("into the propeller") == 5


def test_nothing_to_draw_and_what_does_not_belong_together() -> None:
    assert energy_bars((), LABELS) is None
    with pytest.raises(ValueError, match="one condition"):
        energy_bars((balance(), balance("five-cell", at=(("speed_rpm", 9000.0),))), LABELS)
    with pytest.raises(KeyError, match="seven-cell"):
        energy_bars((balance("seven-cell"),), LABELS)


def test_every_part_has_a_short_name() -> None:
    assert set(NAMES) == set(PART_LABELS)
