"""Colours against their grounds, and marks that stay with their treatment."""

from __future__ import annotations

import pytest

from generator.figures.styles import BASELINE_MARK, COLOURS, TREATMENT_MARKS, marks, real_colours

DRAWN = ["--ink", "--zone-edge", "--baseline", *(f"--treatment-{i}" for i in range(1, 5))]
WRITTEN = ["--ink", "--quiet", "--baseline", *(f"--treatment-{i}" for i in range(1, 5))]
SCHEMES = {"light": 0, "dark": 1}


def luminance(colour: tuple[float, float, float]) -> float:
    """Relative luminance of an sRGB colour, WCAG 2.2, definition of "relative luminance"."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in colour]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def rgb(text: str) -> tuple[float, float, float]:
    red, green, blue = (int(text[place : place + 2], 16) / 255 for place in (1, 3, 5))
    return (red, green, blue)


def blend(over: str, under: str, opacity: float) -> tuple[float, float, float]:
    red, green, blue = (opacity * a + (1 - opacity) * b for a, b in zip(rgb(over), rgb(under), strict=True))
    return (red, green, blue)


def contrast(a: tuple[float, float, float], b: tuple[float, float, float]) -> float:
    """Contrast ratio, WCAG 2.2, definition of "contrast ratio"."""
    light, dark = sorted((luminance(a), luminance(b)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_formula_gives_the_ends_that_the_standard_states() -> None:
    # WCAG 2.2, definition of "contrast ratio": "Contrast ratios can range from 1 to 21"
    assert contrast(rgb("#ffffff"), rgb("#000000")) == pytest.approx(21.0)
    assert contrast(rgb("#808080"), rgb("#808080")) == pytest.approx(1.0)


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("name", DRAWN)
def test_what_is_drawn_stands_out_from_the_paper(name: str, scheme: str) -> None:
    # WCAG 2.2, 1.4.11 non-text contrast: at least 3:1
    place = SCHEMES[scheme]
    assert contrast(rgb(COLOURS[name][place]), rgb(COLOURS["--paper"][place])) >= 3.0


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("name", WRITTEN)
def test_what_is_written_is_readable_on_the_paper(name: str, scheme: str) -> None:
    # WCAG 2.2, 1.4.3 contrast (minimum): at least 4.5:1 for text of this size
    place = SCHEMES[scheme]
    assert contrast(rgb(COLOURS[name][place]), rgb(COLOURS["--paper"][place])) >= 4.5


@pytest.mark.parametrize("scheme", SCHEMES)
def test_marks_stand_out_from_the_margin_zone_too(scheme: str) -> None:
    place = SCHEMES[scheme]
    zone = rgb(COLOURS["--zone"][place])
    for name in ("--ink", "--baseline", *(f"--treatment-{i}" for i in range(1, 5))):
        assert contrast(rgb(COLOURS[name][place]), zone) >= 3.0, name
    for name in ("--ink", "--quiet"):
        assert contrast(rgb(COLOURS[name][place]), zone) >= 4.5, name


@pytest.mark.parametrize("scheme", SCHEMES)
def test_the_fitted_line_stands_out_from_the_faint_shading_of_a_soak(scheme: str) -> None:
    place = SCHEMES[scheme]
    shading = blend(COLOURS["--zone"][place], COLOURS["--paper"][place], 0.6)
    assert contrast(rgb(COLOURS["--zone-edge"][place]), shading) >= 3.0


def test_treatments_differ_in_more_than_colour() -> None:
    looks = [BASELINE_MARK, *TREATMENT_MARKS]
    assert len({mark.shape for mark in looks}) == len(looks)
    assert len({mark.dash for mark in looks}) == len(looks)
    assert len({mark.colour for mark in looks}) == len(looks)


def test_a_treatment_keeps_its_mark_when_another_is_not_shown() -> None:
    table = marks(("a", "base", "b"), "base")
    assert table["base"] == BASELINE_MARK
    assert (table["a"], table["b"]) == TREATMENT_MARKS[:2]


def test_real_colours_leave_no_variable_and_change_nothing_else() -> None:
    spec = {"config": {"a": "var(--ink)", "n": 3}, "layer": [{"mark": {"fill": "var(--zone)"}}, "plain"]}
    assert real_colours(spec) == {
        "config": {"a": "#1d1f1e", "n": 3},
        "layer": [{"mark": {"fill": "#e9e5d8"}}, "plain"],
    }
    assert real_colours(spec, dark=True)["config"]["a"] == "#eceae4"


def test_an_unknown_colour_name_is_refused() -> None:
    with pytest.raises(KeyError, match="--plaid"):
        real_colours({"fill": "var(--plaid)"})
