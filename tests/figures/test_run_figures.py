"""Runs in order, curves, raw traces, soaks and spin-up cycles."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from generator.figures.curves_chart import curves
from generator.figures.records import Figure
from generator.figures.runs_chart import run_values
from generator.figures.soak_chart import soak_fit
from generator.figures.spin_up_chart import spin_up_cycles
from generator.figures.trace_chart import run_trace
from generator.figures.trace_panels import POINTS, channels_of, thinned_line
from generator.reduction.records import Finding, RunReduction, Window
from tests.factories import BASELINE, LABELS, make_analysis, make_kinds
from tests.figures.chart_reading import assert_sound, axis_titles, layers, rows_of, texts, views

ANALYSIS = make_analysis()
KINDS = make_kinds()
AT = (("speed_rpm", 16000.0),)
POWER = [s for s in ANALYSIS.responses if s.response == "electrical_power" and s.at == AT]


def run_of(procedure: str) -> RunReduction:
    return next(run for run in ANALYSIS.runs if run.procedure == procedure)


# --- runs in the order made ---------------------------------------------------------------------------------


def test_every_run_is_drawn_at_its_place_in_the_order() -> None:
    figure = run_values(POWER, LABELS, KINDS["electrical_power"], baseline=BASELINE)
    assert figure is not None
    assert_sound(figure)
    dots = {row["run"]: row for row in rows_of(figure.spec, "point", "run")}
    wanted = {run.run_id: run for summary in POWER for run in summary.per_run}
    assert set(dots) == set(wanted)
    for name, run in wanted.items():
        assert dots[name]["order"] == run.order
        assert dots[name]["value"] == pytest.approx(run.value, abs=5e-4)
        assert dots[name]["high"] - dots[name]["low"] == pytest.approx(
            4 * run.within_run_uncertainty, abs=2e-3
        )
    assert axis_titles(figure.spec) == {"Electrical power (W)", "Place in the order made"}
    assert figure.table["Order"].tolist() == list(range(1, 13))


def test_means_and_ranges_are_said() -> None:
    figure = run_values(POWER, LABELS, KINDS["electrical_power"], baseline=BASELINE)
    assert figure is not None
    assert "4S 262.40\u00a0W (4 runs, from 261.56 to 264.08)" in figure.states
    assert "5S capped\n270.30\u00a0W" in texts(figure.spec)


def test_one_run_a_treatment_still_draws() -> None:
    single = make_analysis(repeats=1)
    summaries = [s for s in single.responses if s.response == "electrical_power" and s.at == AT]
    figure = run_values(summaries, LABELS, KINDS["electrical_power"], baseline=BASELINE)
    assert figure is not None
    assert_sound(figure)
    assert "(1 run)" in figure.states


def test_values_that_are_not_finite_are_left_out_and_alone_give_no_figure() -> None:
    gone = [
        dataclasses.replace(
            s, per_run=tuple(dataclasses.replace(r, value=math.nan) for r in s.per_run), value=math.nan
        )
        for s in POWER
    ]
    assert run_values(gone, LABELS, KINDS["electrical_power"], baseline=BASELINE) is None
    figure = run_values([*gone[:1], *POWER[1:]], LABELS, KINDS["electrical_power"], baseline=BASELINE)
    assert figure is not None
    assert len(rows_of(figure.spec, "point", "run")) == 8


def test_runs_of_two_responses_are_not_mixed() -> None:
    with pytest.raises(ValueError, match="one response at one condition"):
        run_values(ANALYSIS.responses, LABELS, KINDS["electrical_power"], baseline=BASELINE)


# --- curves -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("x", "y", "titles"),
    [
        ("thrust_gf", "power_w", {"Thrust (gf)", "Electrical power (W)"}),
        ("thrust_gf", "thrust_per_power_gf_w", {"Thrust (gf)", "Thrust per watt (gf/W)"}),
        ("throttle_percent", "speed_rpm", {"Throttle (%)", "Speed (rpm)"}),
    ],
)
def test_curves_draw_all_points_with_units(x: str, y: str, titles: set[str]) -> None:
    figure = curves(ANALYSIS.curves, LABELS, x=x, y=y, baseline=BASELINE)
    assert figure is not None
    assert_sound(figure)
    assert axis_titles(figure.spec) == titles
    assert len(rows_of(figure.spec, "line", y)) == len(ANALYSIS.curves) == len(figure.table)
    assert {"4S", "5S capped", "6S capped"} <= set(texts(figure.spec))
    assert "coming down" in figure.note


def test_curve_values_are_said_at_the_middle_and_top_of_the_common_range() -> None:
    figure = curves(ANALYSIS.curves, LABELS, x="throttle_percent", y="speed_rpm", baseline=BASELINE)
    assert figure is not None
    # the factory: 21 000 rpm · 1.05 · 1 at full throttle for the second treatment
    assert "at 100\u00a0%: 4S 21\u202f000\u00a0rpm, 5S capped 22\u202f050\u00a0rpm" in figure.states


def test_points_without_thrust_give_no_thrust_curve() -> None:
    bare = [dataclasses.replace(p, thrust_gf=None, thrust_per_power_gf_w=None) for p in ANALYSIS.curves]
    assert curves(bare, LABELS, x="thrust_gf", y="power_w", baseline=BASELINE) is None
    assert curves(bare, LABELS, x="throttle_percent", y="power_w", baseline=BASELINE) is not None


def test_a_fine_curve_keeps_its_points_but_thins_its_markers() -> None:
    template = ANALYSIS.curves[0]
    fine = [
        dataclasses.replace(template, throttle_percent=t, power_w=t * t, direction="up")
        for t in np.linspace(10, 100, 181)
    ]
    figure = curves(fine, LABELS, x="throttle_percent", y="power_w", baseline=BASELINE)
    assert figure is not None
    assert len(rows_of(figure.spec, "line", "power_w")) == 181
    assert len(rows_of(figure.spec, "point", "power_w")) <= 17


def test_a_field_that_is_no_quantity_is_refused() -> None:
    with pytest.raises(KeyError, match="runs"):
        curves(ANALYSIS.curves, LABELS, x="runs", y="power_w", baseline=BASELINE)


# --- raw traces ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("procedure", ["hold", "spin-up", "soak", "staircase"])
def test_a_trace_has_a_row_a_channel_on_its_own_range_and_one_time_axis(procedure: str) -> None:
    run = run_of(procedure)
    figure = run_trace(run)
    assert figure is not None
    assert_sound(figure)
    names = [
        "Throttle",
        "Speed",
        "Current",
        "Voltage",
        "Thrust",
        "Motor temperature",
        "Controller temperature",
    ]
    assert [" ".join(row["text"]) for row in names_of(figure)][-len(names) :] == names
    lines = [layer for layer in layers(figure.spec) if layer["mark"]["type"] == "line"]
    assert len(lines) == len(names)
    scales = [line["encoding"]["y"]["scale"] for line in lines]
    # each row's lowest reading stands under its highest, and the next row begins below it
    ends = [end for scale in scales for end in reversed(scale["range"])]
    assert ends == sorted(ends)
    for title, scale in zip(figure.table.columns[1:], scales, strict=True):
        readings = figure.table[title].dropna()
        assert scale["domain"] == pytest.approx([readings.min(), readings.max()], abs=0.5)
    assert {tuple(line["encoding"]["x"]["scale"]["domain"]) for line in lines} == {
        (float(run.trace["time_s"].iloc[0]), float(run.trace["time_s"].iloc[-1]))
    }


def names_of(figure: Figure) -> list[dict[str, Any]]:
    """Names that open the lines of the strip and the rows, from the top."""
    return [dict(row) for row in rows_of(figure.spec, "text", "text") if isinstance(row["text"], list)]


def levels_drawn(figure: Figure) -> dict[tuple[str, float], float]:
    """Mean of each level line by its channel and start."""
    return {(row["channel"], row["start_s"]): row["mean"] for row in rows_of(figure.spec, "rule", "mean")}


def test_a_row_says_its_lowest_and_highest_reading() -> None:
    time = np.linspace(0.0, 9.0, 10)
    trace = pd.DataFrame(
        {"time_s": time, "speed_rpm": 1000.0 * time, "voltage_v": 15.88 + 0.02 * time, "throttle": 0.5}
    )
    figure = run_trace(dataclasses.replace(run_of("hold"), trace=trace, windows=(), findings=()))
    assert figure is not None
    said = [row["text"] for row in rows_of(figure.spec, "text", "text") if isinstance(row["text"], str)]
    assert said == ["50.0\u00a0%", "0 to 9\u202f000\u00a0rpm", "15.88 to 16.06\u00a0V"]


def test_house_units_are_published_units_in_the_table() -> None:
    run = run_of("hold")
    figure = run_trace(run)
    assert figure is not None
    assert len(figure.table) == len(run.trace)
    at = 700
    # 1 gf = 9.80665 mN (standard gravity, 3rd CGPM 1901); 0 °C = 273.15 K (SI brochure)
    assert figure.table["Thrust (gf)"][at] == pytest.approx(run.trace["thrust_n"][at] / 9.80665e-3, abs=0.05)
    kelvin = run.trace["motor_temperature_k"][at]
    assert figure.table["Motor temperature (°C)"][at] == pytest.approx(kelvin - 273.15, abs=0.05)


def test_averaged_windows_are_drawn_with_edges_down_all_rows() -> None:
    figure = run_trace(run_of("hold"))
    assert figure is not None
    band, bars = [layer for layer in layers(figure.spec) if layer["mark"]["type"] == "rect"]
    assert band["encoding"]["y2"] == {"value": "height"}
    for channel, averaged, rest in (
        (band["encoding"]["stroke"], "var(--zone-edge)", "transparent"),
        (bars["encoding"]["fill"], "var(--ink)", "var(--paper)"),
    ):
        look = dict(zip(channel["scale"]["domain"], channel["scale"]["range"], strict=True))
        assert look == {"averaged": averaged, "rest": rest}
    spans = [
        (row["start_s"], row["stop_s"])
        for row in rows_of(figure.spec, "rect", "kind")
        if row["kind"] == "averaged"
    ]
    assert spans == [(5.0, 8.0), (11.0, 14.0)]
    assert "5.0 to 8.0\u00a0s" in figure.states


def test_level_lines_stand_at_the_means_of_the_readings() -> None:
    run = run_of("hold")
    figure = run_trace(run)
    assert figure is not None
    means = levels_drawn(figure)
    assert len(means) == 2 * 7
    for start, stop in ((5.0, 8.0), (11.0, 14.0)):
        inside = run.trace[run.trace["time_s"].between(start, stop)]
        for title, column in (
            ("Speed (rpm)", "speed_rpm"),
            ("Voltage (V)", "voltage_v"),
            ("Current (A)", "current_a"),
        ):
            assert means[title, start] == pytest.approx(inside[column].mean(), abs=0.06), title
    shown = rows_of(figure.spec, "text", "start_s")
    speeds = {row["text"] for row in shown if len(row["text"]) > 4 and "." not in row["text"]}
    assert {text.replace("\u202f", "") for text in speeds} >= {
        f"{means['Speed (rpm)', 5.0]:.0f}", f"{means['Speed (rpm)', 11.0]:.0f}",
    }  # fmt: skip


def test_a_reading_that_was_left_out_is_left_out_of_the_mean() -> None:
    # the invented spike of 1 448 gf stands at 12.0 s, inside the second hold
    figure = run_trace(run_of("hold"))
    assert figure is not None
    # thrust of the invented run: 802 gf at 16 000 rpm; a spike in the mean of 225 readings would add 2.9 gf
    assert levels_drawn(figure)["Thrust (gf)", 11.0] == pytest.approx(802.0, abs=1.0)
    noisy = run_trace(dataclasses.replace(run_of("hold"), findings=()))
    assert noisy is not None
    assert levels_drawn(noisy)["Thrust (gf)", 11.0] > 804.0


def test_a_number_stands_clear_of_its_trace_and_inside_its_row() -> None:
    run = run_of("hold")
    figure = run_trace(run)
    assert figure is not None
    lines = [layer for layer in layers(figure.spec) if layer["mark"]["type"] == "line"]
    scales = [line["encoding"]["y"]["scale"] for line in lines]
    numbers = [
        row for layer in layers(figure.spec) if layer.get("name") == "numbers"
        for row in figure.spec["datasets"][layer["data"]["name"]]
    ]  # fmt: skip
    assert len(numbers) >= 12
    for row in numbers:
        own = [scale for scale in scales if scale["range"][1] - 15 < row["y"] < scale["range"][0] + 7]
        assert len(own) == 1
        line = lines[scales.index(own[0])]
        (low, high), (low_y, high_y) = own[0]["domain"], own[0]["range"]
        near = [
            low_y - (point["value"] - low) / (high - low) * (low_y - high_y)
            for point in figure.spec["datasets"][line["data"]["name"]]
            if point["value"] is not None and abs(point["start_s"] - row["start_s"]) < 0.5
        ]
        assert max(near) <= row["y"] - 6 or min(near) >= row["y"] + 6


def test_every_few_steps_of_a_staircase_have_numbers_fewer_on_a_phone() -> None:
    stairs = run_of("staircase")
    begin, end = float(stairs.trace["time_s"].iloc[0]), float(stairs.trace["time_s"].iloc[-1])
    span = end - begin
    windows = tuple(
        Window(kind="averaged", label=f"step {i}", start_s=begin + span * i / 14, stop_s=begin + span * (i + 0.5) / 14)
        for i in range(14)
    )  # fmt: skip
    run = dataclasses.replace(stairs, windows=windows)
    figure = run_trace(run)
    assert figure is not None
    assert figure.narrow is not None
    counts = []
    for spec in (figure.spec, figure.narrow):
        texts_in_time = [
            row for layer in layers(spec) if str(layer.get("name")).startswith("numbers")
            for row in spec["datasets"][layer["data"]["name"]]
        ]  # fmt: skip
        counts.append(len(texts_in_time))
        for row in texts_in_time:
            for other in texts_in_time:
                apart = abs(row["start_s"] - other["start_s"]) / span * views(spec)[0]["width"]
                if row is not other and abs(row["y"] - other["y"]) < 12:
                    # 12 px sans serif: 6.6 px a character at most (theme.CHARACTER)
                    assert apart >= (len(row["text"]) + len(other["text"])) / 2 * 6.6
    assert counts[0] > counts[1] > 0
    assert len(levels_drawn(figure)) == 7 * len(windows)


@pytest.mark.parametrize("procedure", ["ramp", "drain"])
def test_what_is_run_through_has_no_level(procedure: str) -> None:
    figure = run_trace(dataclasses.replace(run_of("hold"), procedure=procedure))
    assert figure is not None
    assert levels_drawn(figure) == {}
    assert "thick line" not in figure.note


def test_findings_are_marked_in_the_row_of_their_channel_and_said() -> None:
    figure = run_trace(run_of("hold"))
    assert figure is not None
    tops = {" ".join(row["text"]): row["y"] for row in names_of(figure)}
    marked = {
        row["text"]: row["y"]
        for row in rows_of(figure.spec, "text", "text")
        if row["text"] in ("spike", "dropout")
    }
    for word, name, below in (("spike", "Thrust", "Motor temperature"), ("dropout", "Current", "Voltage")):
        assert tops[name] <= marked[word] < tops[below]
    assert "stands alone and was left out" in figure.states


def test_many_findings_close_together_are_named_once() -> None:
    run = run_of("hold")
    crowd = tuple(
        Finding(kind="spike", channel="thrust_n", start_s=5.0 + i / 10, sentence=f"Spike {i}.")
        for i in range(6)
    )
    figure = run_trace(dataclasses.replace(run, findings=crowd))
    assert figure is not None
    words = [row["text"] for row in rows_of(figure.spec, "text", "text")]
    assert words.count("spike") == 1
    triangles = [layer for layer in layers(figure.spec) if layer["mark"].get("shape") == "triangle-down"]
    assert [len(figure.spec["datasets"][layer["data"]["name"]]) for layer in triangles] == [6]
    assert "2 further findings in the list." in figure.states


def test_a_hole_in_a_channel_breaks_its_line() -> None:
    run = run_of("hold")
    figure = run_trace(run, channels=["current_a"])
    assert figure is not None
    assert axis_titles(figure.spec) == {"Time (s)", "Current (A)"}
    values = [row["value"] for row in rows_of(figure.spec, "line", "value")]
    assert None in values


def test_channels_without_any_reading_have_no_row() -> None:
    run = run_of("hold")
    trace = run.trace.assign(thrust_n=math.nan)
    figure = run_trace(dataclasses.replace(run, trace=trace))
    assert figure is not None
    assert "Thrust (gf)" not in axis_titles(figure.spec)
    assert run_trace(dataclasses.replace(run, trace=pd.DataFrame({"time_s": [0.0, 1.0]}))) is None
    assert run_trace(dataclasses.replace(run, trace=pd.DataFrame())) is None


def test_a_run_without_windows_says_that_nothing_was_averaged() -> None:
    figure = run_trace(dataclasses.replace(run_of("hold"), windows=(), findings=()))
    assert figure is not None
    assert_sound(figure)
    assert "Nothing was averaged." in figure.states


def test_a_temperature_is_named_in_full() -> None:
    found = channels_of(pd.DataFrame({"time_s": [0.0, 1.0], "motor_temperature_k": [300.0, 301.0]}))
    assert [channel.label for channel in found] == ["Motor temperature"]


@given(st.lists(st.floats(-1e6, 1e6) | st.just(math.nan), min_size=1, max_size=1500))
def test_thinning_keeps_extremes_and_order(values: list[float]) -> None:
    value = np.array(values)
    time = np.arange(value.size, dtype=np.float64)
    line = thinned_line(time, value)
    read = [v for _, v in line if v is not None]
    assert len(read) <= max(POINTS, 2)
    assert [t for t, _ in line] == sorted({t for t, _ in line})
    assert all(v is None or v == value[int(t)] for t, v in line)
    if np.isfinite(value).any():
        assert (min(read), max(read)) == (np.nanmin(value), np.nanmax(value))
    assert any(v is None for _, v in line) == bool(np.isnan(value).any())


# --- soak and spin-up ---------------------------------------------------------------------------------------


def test_soak_draws_measured_fitted_and_limit() -> None:
    run = run_of("soak")
    figure = soak_fit(run, air_temperature_k=291.55, limit_k=351.55, limit_label="motor's limit")
    assert figure is not None
    assert_sound(figure)
    assert axis_titles(figure.spec) == {"Rise of the motor above the air (K)", "Time (s)"}
    assert {"measured", "fitted", "motor's limit"} <= set(texts(figure.spec))
    assert rows_of(figure.spec, "rule", "rise_k") == [{"rise_k": 60.0}]
    assert "The motor's limit lies 60.0\u00a0K above the air." in figure.states
    assert "time constant of 45\u00a0s" in figure.states
    row = figure.table.iloc[1000]
    # the factory: 31.2 K · (1 − exp(−t / 45 s)), t from the start at 2 s
    risen = 31.2 * (1 - math.exp(-(row["Time (s)"] - 2) / 45))
    assert row["Fitted rise (K)"] == pytest.approx(risen, abs=0.06)
    assert math.isnan(figure.table["Fitted rise (K)"].iloc[-1])  # the fit ends sooner; it is not drawn on


def test_a_fit_in_rises_and_a_fit_in_temperatures_draw_the_same() -> None:
    run = run_of("soak")
    assert run.fitted is not None
    rises = pd.DataFrame(
        {"time_s": run.fitted["time_s"], "fitted_rise_k": run.fitted["motor_temperature_k"] - 291.55}
    )
    one = soak_fit(run, air_temperature_k=291.55)
    other = soak_fit(dataclasses.replace(run, fitted=rises), air_temperature_k=291.55)
    assert one is not None
    assert other is not None
    assert one.spec == other.spec


def test_a_far_limit_is_told_and_not_drawn() -> None:
    figure = soak_fit(run_of("soak"), air_temperature_k=291.55, limit_k=291.55 + 300)
    assert figure is not None
    assert rows_of(figure.spec, "rule", "rise_k") == []
    assert "lies above the chart, 300\u00a0K over the air" in figure.note


def test_soak_without_fit_or_without_temperature() -> None:
    run = run_of("soak")
    figure = soak_fit(dataclasses.replace(run, fitted=None, fits=()), air_temperature_k=291.55)
    assert figure is not None
    assert_sound(figure)
    assert "No first-order fit was possible." in figure.note
    bare = run.trace.drop(columns="motor_temperature_k")
    assert soak_fit(dataclasses.replace(run, trace=bare), air_temperature_k=291.55) is None


def test_cycles_have_one_panel_a_target_and_every_cycle() -> None:
    figure = spin_up_cycles(ANALYSIS.runs, LABELS, KINDS["rise_time"], baseline=BASELINE)
    assert figure is not None
    assert_sound(figure)
    assert len(views(figure.spec)) == 2
    assert len(rows_of(figure.spec, "point", "cycle")) == 3 * 4 * 2 * 10 == len(figure.table)
    assert axis_titles(figure.spec) == {
        "Cycle", "Rise time (ms), at 9\u202f000\u00a0rpm", "Rise time (ms), at 16\u202f000\u00a0rpm",
    }  # fmt: skip
    assert "(40 cycles)" in figure.states


def test_runs_without_cycles_give_no_figure_and_refused_ones_are_left_out() -> None:
    assert spin_up_cycles([run_of("hold")], LABELS, KINDS["rise_time"], baseline=BASELINE) is None
    refused = dataclasses.replace(run_of("spin-up"), refused="for the test")
    assert spin_up_cycles([refused], LABELS, KINDS["rise_time"], baseline=BASELINE) is None
