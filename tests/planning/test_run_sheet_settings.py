"""Limits and settings in words."""

from __future__ import annotations

from generator.planning.run_sheet_settings import NOTHING, read_back, speed_limit_words
from tests.evidence.invented_bench import make_season, make_session, treatment


def test_every_cap_is_read_back() -> None:
    named = {"four-cell": treatment("4S"), "five-cell": treatment("5S capped", output_cap="80 %")}
    assert read_back(make_session(treatments=named)) == (
        "Output cap of 5S capped read back from the controller with the propeller off: 80\u00a0%.",
    )


def test_the_lowest_speed_limit_counts() -> None:
    one = make_session().file.treatments["four-cell"]
    season = make_season(propeller={"speed_limit": "34000 rpm"}, motor={"speed_limit": "50000 rpm"})
    assert speed_limit_words(season, one) == "34\u202f000\u00a0rpm, Tri 5.1"
    assert speed_limit_words(make_season(), one) == NOTHING
