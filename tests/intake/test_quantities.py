"""Values with units, against published exact conversions."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from generator.intake.quantities import (
    DIMENSIONS,
    UnreadableQuantity,
    conversion,
    parse_published,
    parse_quantity,
)


# Exact by definition: standard gravity 9.80665 m/s² (3rd CGPM, 1901), inch 25.4 mm and pound 0.45359237 kg
# (international agreement of 1959).
@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("24 V", "voltage", 24.0),
        ("250 gf", "force", 2.4516625),
        ("1 ozf", "force", 0.45359237 / 16 * 9.80665),
        ("5.1 in", "length", 0.12954),
        ("1004 hPa", "pressure", 100400.0),
        ("18.4 degC", "temperature", 291.55),
        ("18.4 °C", "temperature", 291.55),
        ("5 K", "temperature_difference", 5.0),
        ("5 °C", "temperature_difference", 5.0),
        ("2 %", "ratio", 0.02),
        ("1750 rpm/V", "speed_constant", 1750.0),
        ("1300 mAh", "capacity", 1.3),
        ("45 mΩ", "resistance", 0.045),
        ("18 µH", "inductance", 18e-6),
        ("12 mNm", "torque", 0.012),
        ("92 dB(A)", "sound_level", 92.0),
        ("3 m/s²", "acceleration", 3.0),
        ("48kHz", "frequency", 48000.0),
    ],
)
def test_reads_what_people_write(text: str, kind: str, value: float) -> None:
    assert parse_quantity(text, kind) == pytest.approx(value, rel=1e-12)


def test_hertz_of_a_shaft_means_turns_a_second_not_radians() -> None:
    assert parse_quantity("10 Hz", "speed") == pytest.approx(600.0)
    assert parse_quantity("10 rev/s", "speed") == pytest.approx(600.0)
    assert parse_quantity("1 rad/s", "speed") == pytest.approx(60 / (2 * math.pi))


@pytest.mark.parametrize(
    ("found", "kind", "says"),
    [
        (24, "voltage", "has no unit"),
        ("24", "voltage", "has no unit"),
        (True, "voltage", "is not a value with a unit"),
        (None, "voltage", "is not a value with a unit"),
        ("24 A", "voltage", "not a unit of voltage"),
        ("24 blorp", "voltage", "not a known unit"),
        ("about 24 V", "voltage", "does not start with a number"),
        ("2,5 V", "voltage", "is not a unit"),
        ("1e400 V", "voltage", "finite"),
        ("9**9**9 V", "voltage", "is not a unit"),
        ("1 V**99999", "voltage", "is not a unit"),
        ("nan V", "voltage", "does not start with a number"),
    ],
)
def test_refuses_with_what_is_wrong_and_how_to_mend_it(found: object, kind: str, says: str) -> None:
    with pytest.raises(UnreadableQuantity, match=says) as caught:
        parse_quantity(found, kind)
    assert caught.value.remedy.endswith((".", "V"))


def test_a_decimal_comma_is_named_as_such() -> None:
    with pytest.raises(UnreadableQuantity) as caught:
        parse_quantity("2,5 V", "voltage")
    assert "decimal point" in caught.value.remedy


def test_every_example_reads_as_its_own_kind() -> None:
    for kind, dimension in DIMENSIONS.items():
        assert math.isfinite(parse_quantity(dimension.example, kind))


def test_conversion_works_on_arrays() -> None:
    assert np.allclose(conversion("degC", "temperature")(np.array([0.0, 100.0])), [273.15, 373.15])
    assert np.allclose(conversion("g", "force")(np.array([1000.0])), [9.80665])


def test_margins_in_published_units() -> None:
    assert parse_published("10 ms", "ms") == pytest.approx(10.0)
    assert parse_published("0.2 s", "ms") == pytest.approx(200.0)
    assert parse_published("5 gf", "gf") == pytest.approx(5.0)
    assert parse_published("0.1 gf/W", "gf/W") == pytest.approx(0.1)
    assert parse_published("4 K", "K") == pytest.approx(4.0)


@given(st.text(max_size=60), st.sampled_from(sorted(DIMENSIONS)))
def test_any_text_is_a_finite_value_or_a_plain_refusal(text: str, kind: str) -> None:
    told = ""
    try:
        value = parse_quantity(text, kind)
    except UnreadableQuantity as refusal:
        value, told = math.nan, refusal.what and refusal.remedy
    assert math.isfinite(value) != bool(told)


@given(st.floats(-1e6, 1e6).filter(lambda x: x == 0.0 or abs(x) > 1e-9), st.sampled_from(["V", "mV", "kV"]))
def test_numbers_survive_their_unit(number: float, unit: str) -> None:
    scale = {"V": 1.0, "mV": 1e-3, "kV": 1e3}[unit]
    assert parse_quantity(f"{number!r} {unit}", "voltage") == pytest.approx(
        number * scale, rel=1e-12, abs=1e-300
    )
