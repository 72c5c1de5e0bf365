"""Values that `start` puts into new files. All of them are invented, and marked so that they are replaced."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from generator.planning.start_files import Invented as New

SEASON: Mapping[str, Any] = {
    "about": New("What is tested here, for whom, and why. One or two sentences."),
    "author": New("Who answers for it"),
    "licence": New("CC BY 4.0"),
    "language": "en",
    "units": {"thrust": "gf", "temperature": "°C"},
}
SEASON_EXAMPLES: Mapping[str, Any] = {
    "notice": "All data here are invented.",
    "base_url": "https://bench.example/",
    "aircraft": {
        "my-aircraft": {"label": "My aircraft", "mass_without_pack": "600 g", "motors": 4, "pack": "my-pack"}
    },
}

RIG: Mapping[str, Any] = {
    "label": New("My stand"),
    "about": New("What the stand is made of, and which logger it has."),
    "channels": {
        "time": New({"column": "t_ms", "unit": "ms"}),
        "throttle": New({"column": "cmd_us", "idle": 1000, "full": 2000}),
        "speed": New({"column": "n_rpm", "unit": "rpm", "gain_uncertainty": "0.1 %", "resolution": "6 rpm"}),
        "thrust": New(
            {"column": "lift_gf", "unit": "gf", "gain_uncertainty": "0.5 %", "offset_uncertainty": "0.3 gf",
             "resolution": "0.1 gf", "lag": "12 ms"}
        ),
        "voltage": New({"column": "tap_V", "unit": "V", "gain_uncertainty": "0.2 %", "resolution": "0.01 V"}),
        "current": New({"column": "feed_A", "unit": "A", "gain_uncertainty": "0.5 %", "resolution": "0.01 A"}),
        "motor_temperature": New(
            {"column": "motor_degC", "unit": "degC", "offset_uncertainty": "0.5 K", "resolution": "0.1 K",
             "lag": "300 ms"}
        ),
    },
    "wiring": New({"resistance": "8 mohm", "resistance_uncertainty": "0.5 mohm"}),
}  # fmt: skip
RIG_EXAMPLES: Mapping[str, Any] = {
    "channels.": {
        "torque": {"column": "torque_mNm", "unit": "mNm", "gain_uncertainty": "0.8 %"},
        "controller_temperature": {"column": "drive_degC", "unit": "degC", "offset_uncertainty": "0.5 K"},
        "air_temperature": {"column": "air_degC", "unit": "degC", "offset_uncertainty": "0.3 K"},
        "sound_level": {"column": "sound_dBA", "unit": "dB(A)", "offset_uncertainty": "0.7 dB"},
        "vibration": {"column": "shake_ms2", "unit": "m/s^2", "gain_uncertainty": "3 %"},
    },
    "log": {"delimiter": ",", "decimal": "."},
    "loggers": {"second-logger": {"time": {"column": "time_s", "unit": "s"}}},
    "torque_arm": "120 mm",
    "sound_distance": "1 m",
    "check_standard": "One motor and propeller kept for this, held at 9000 rpm on 16.0 V in every session.",
    "photo": "stand.jpg",
}

PARTS: Mapping[str, Mapping[str, Any]] = {
    "my-motor": {
        "kind": "motor",
        "label": New("My motor"),
        "kv": New("1750 rpm/V"),
        "pole_pairs": New(7),
        "mass": New("30 g"),
        "terminal_resistance": New("80 mohm"),
        "free_run_current": New("0.8 A"),
        "free_run_voltage": New("10 V"),
        "rated_cells": New(6),
        "continuous_current": New("25 A"),
    },
    "my-controller": {
        "kind": "controller",
        "label": New("My controller"),
        "mass": New("10 g"),
        "rated_cells": New(6),
        "continuous_current": New("35 A"),
        "switching_frequency": New("24 kHz"),
    },
    "my-propeller": {
        "kind": "propeller",
        "label": New("My propeller"),
        "diameter": New("5.1 in"),
        "pitch": New("4 in"),
        "blades": New(3),
        "mass": New("4 g"),
        "speed_limit": New("34000 rpm"),
    },
    "my-supply": {
        "kind": "supply",
        "label": New("My bench supply"),
        "voltage": New("30 V"),
        "current_limit": New("40 A"),
        "absorbs_returned_energy": New(False),
    },
    "my-pack": {
        "kind": "pack",
        "label": New("My pack"),
        "cells": New(4),
        "capacity": New("1500 mAh"),
        "mass": New("180 g"),
        "internal_resistance": New("30 mohm"),
    },
}
PART_EXAMPLES: Mapping[str, Any] = {
    "stator_diameter": "22 mm",
    "stator_height": "7 mm",
    "resistance_temperature": "20 degC",
    "inductance": "20 uH",
    "thermal_class": "F",
    "magnet_grade": "SH",
    "temperature_limit": "100 degC",
    "speed_limit": "36000 rpm",
    "inertia": "25 g*cm^2",
    "timing": "15 deg",
    "resistance": "8 mohm",
    "coefficients": [{"speed": "9000 rpm", "thrust": 0.16, "power": 0.09}],
    "coefficients_uncertainty": "3 %",
    "coefficients_source": "Where they come from.",
    "usable_share": "80 %",
    "volts_per_cell": "3.7 V",
    "continuous_current": "60 A",
    "notes": "Anything a reader should know.",
    "photo": "part.jpg",
}

AIR: Mapping[str, Any] = {
    "temperature": New("20 degC"), "pressure": New("1010 hPa"), "humidity": New("50 %")
}  # fmt: skip
AIR_EXAMPLES: Mapping[str, Any] = {
    "temperature_uncertainty": "0.5 K", "pressure_uncertainty": "1 hPa", "humidity_uncertainty": "5 %"
}  # fmt: skip
TREATMENT_EXAMPLES: Mapping[str, Any] = {
    "output_cap": "80 %", "pack": "my-pack", "about": "What a reader should know about this set-up."
}  # fmt: skip
SESSION_EXAMPLES: Mapping[str, Any] = {
    "pairs": [{"treatment": "third", "against": "second"}],
    "check_standard": "reference",
    "aircraft": ["my-aircraft"],
    "cautions": [{"signal": "CAUTION", "text": "The room was closed. Hearing protection was worn."}],
    "go_on_because": {"id-of-the-hazard": "Why it can be done all the same."},
    "corrections": [{"date": "2031-06-01", "what": "What was changed.", "why": "Why it was changed."}],
    "design": "blocks",
    "tester": "Who made the runs",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ProcedureStart:
    """What a new session says of one procedure.

    does      how it is driven, and what for
    asks      a question that it answers, for want of the tester's own
    plan      its keys in session.yaml
    response  the response it is most often run for; "" where it answers no question
    margin    a first margin for it
    at        condition of the response, as a conclusion names it: `speed_rpm=14000`, or ""
    repeats   runs of each treatment, where nobody says how many
    on_pack   whether it makes sense on a pack only
    """

    does: str
    asks: str
    plan: Mapping[str, Any]
    response: str
    margin: str
    at: str
    repeats: int
    on_pack: bool = False


PROCEDURES: Mapping[str, ProcedureStart] = {
    "hold": ProcedureStart(
        does="Speeds held one after the other: power, thrust, current and temperatures at equal speed.",
        asks="At the same speed, does the second set-up draw more power than the first?",
        plan={"speed": ["9000 rpm", "14000 rpm"], "settle": "1 s", "window": "3 s"},
        response="electrical_power", margin="2 %", at="speed_rpm=14000", repeats=4,
    ),
    "staircase": ProcedureStart(
        does="Throttle raised and lowered in steps: whole curves, read at equal thrust, speed or throttle.",
        asks="At the same thrust, does the second set-up give more thrust per watt than the first?",
        plan={"throttle": ["20 %", "35 %", "50 %", "65 %", "80 %"], "step": "2.5 s", "average": "1 s",
              "compare_at": {"thrust": ["200 gf"]}},
        response="thrust_per_power", margin="3 %", at="thrust_gf=200", repeats=3,
    ),
    "spin-up": ProcedureStart(
        does="Steps from one speed to another, many times: how fast it answers.",
        asks="Does the second set-up spin up faster than the first, between the same speeds?",
        plan={"from": "4000 rpm", "to": ["12000 rpm"], "cycles": 8, "dwell": "0.8 s"},
        response="rise_time", margin="5 ms", at="speed_rpm=12000", repeats=3,
    ),
    "soak": ProcedureStart(
        does="On and off in turns: how warm it gets, and where that would settle.",
        asks="At the same speed, does the second set-up get warmer than the first?",
        plan={"speed": "14000 rpm", "on": "4 s", "off": "4 s", "cycles": 8},
        response="temperature_rise", margin="4 K", at="speed_rpm=14000", repeats=3,
    ),
    "ramp": ProcedureStart(
        does="Throttle climbing and coming down without a stop: whole curves in a short time.",
        asks="At the same thrust, does the second set-up give more thrust per watt than the first?",
        plan={"from": "15 %", "to": "85 %", "up": "20 s", "compare_at": {"thrust": ["200 gf"]}},
        response="thrust_per_power", margin="3 %", at="thrust_gf=200", repeats=3,
    ),
    "free-run": ProcedureStart(
        does="A motor without its propeller, at several speeds: what turning it alone costs.",
        asks="Without a propeller at the same speed, does the second set-up draw more power than the first?",
        plan={"speed": ["8000 rpm", "14000 rpm"], "hold": "3 s", "average": "1.5 s"},
        response="free_run_power", margin="5 %", at="speed_rpm=14000", repeats=3,
    ),
    "drain": ProcedureStart(
        does="A pack run down to a cut-off: its internal resistance, charge, energy and warmth.",
        asks="Under the same load, has the second pack a higher internal resistance than the first?",
        plan={"throttle": ["70 %", "30 %"], "each": "10 s", "cut_off": "3.4 V"},
        response="internal_resistance", margin="10 %", at="", repeats=2, on_pack=True,
    ),
    "zero": ProcedureStart(
        does="Known loads put on the stand at rest: the calibration of a channel, of no treatment.",
        asks="What are the gain and the offset of this channel?",
        plan={"channel": "thrust", "loads": ["0 gf", "100 gf", "300 gf", "600 gf", "300 gf", "100 gf", "0 gf"],
              "load_uncertainty": "0.1 %"},
        response="", margin="", at="", repeats=1,
    ),
}  # fmt: skip
