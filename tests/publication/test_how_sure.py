"""The line under *The answer* that says how sure it is: the grades of the verdicts, and nothing else."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from generator.evidence.records import Check, Contrast
from generator.publication.how_sure import calibration_sure, how_sure
from generator.reduction.records import At
from tests.evidence.invented_bench import KINDS, make_session, treatment
from tests.factories import make_analysis, make_contrast

LABELS = {"four-cell": "4S", "five-cell": "48 kHz", "six-cell": "96 kHz"}
SESSION = make_session(treatments={name: treatment(label) for name, label in LABELS.items()})

PERHAPS = "more, perhaps too little to matter"


def at(speed_rpm: float) -> At:
    return (("speed_rpm", speed_rpm),)


def contrast(**changes: Any) -> Contrast:
    made = make_contrast(**{"primary": True, **changes})
    return replace(made, key=f"{made.response}-{made.at}-{made.treatment}-{made.baseline}")


def line(*contrasts: Contrast, checks: Sequence[Check] = ()) -> str:
    analysis = replace(make_analysis(), kinds=KINDS, checks=tuple(checks))
    return how_sure(contrasts, analysis, SESSION).replace("\u00a0", " ").replace("\u202f", " ")


def failed() -> Check:
    return Check(
        id="same-thrust", title="Thrust", outcome="failed", sentence="", threshold="", reason="", source=""
    )


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, "clear"),
        ({"verdict": PERHAPS}, "open"),
        ({"verdict": "not settled"}, "open"),
        ({"indicative": True}, "indicative, one run on a side"),
    ],
)
def test_one_word_for_all(changes: dict[str, Any], said: str) -> None:
    assert line(contrast(at=at(9000), **changes), contrast(at=at(16000), **changes)) == said


def test_a_check_is_told_with_its_word() -> None:
    weak = contrast(weakened_by=("same-thrust",))
    assert line(weak, checks=[failed()]) == "weak, a check failed"
    assert line(weak, checks=[replace(failed(), outcome="warned")]) == "with care, a check warns"


def test_words_are_told_by_what_parts_them() -> None:
    speeds = [contrast(at=at(9000)), contrast(at=at(12500)), contrast(at=at(16000), verdict=PERHAPS)]
    assert line(*speeds) == "clear at 9 000 and 12 500 rpm; open at 16 000 rpm"
    weak = contrast(at=at(9000), treatment="six-cell", weakened_by=("same-thrust",))
    assert (
        line(speeds[0], speeds[1], weak, checks=[failed()])
        == "on 48 kHz the answer is clear; on 96 kHz weak, a check failed"
    )
    times = [contrast(response="rise_time", at=()), *speeds]
    assert line(*times).endswith("electrical power clear at 9 000 and 12 500 rpm, open at 16 000 rpm")
    assert "spin-up time clear" in line(*times)


def test_a_lead_that_the_title_asks_about_but_nobody_decided_on_is_told() -> None:
    heat = contrast(response="motor_temperature_rise", primary=False, family="claimed", at=at(9000))
    watts = contrast(at=at(9000), verdict=PERHAPS)
    analysis = replace(make_analysis(), kinds=KINDS)
    cooler = SESSION.model_copy(
        update={"file": SESSION.file.model_copy(update={"title": "Does it run cooler?"})}
    )
    told = how_sure([watts, heat], analysis, cooler)
    assert told == "electrical power open; motor temperature above the air exploratory only"
    assert "exploratory" not in how_sure([watts, heat], analysis, SESSION)


def test_what_no_line_can_hold_is_counted() -> None:
    many = [
        contrast(response=response, treatment=treatment, at=at(1000.0 * place),
                 verdict="more" if (place + odd) % 2 else PERHAPS)
        for odd, response, treatment in (
            (0, "electrical_power", "five-cell"),
            (1, "electrical_power", "six-cell"),
            (1, "rise_time", "five-cell"),
        )
        for place in range(4, 9)
    ]  # fmt: skip
    clear = sum(c.verdict == "more" for c in many)
    assert set(line(*many).split(", ")) in (
        {f"clear in {clear} of {len(many)} comparisons", f"open in {len(many) - clear}"},
        {f"open in {len(many) - clear} of {len(many)} comparisons", f"clear in {clear}"},
    )


def test_of_the_exploratory_only_what_leads_counts_and_nothing_gives_no_line() -> None:
    lead = contrast(primary=False, verdict="more", at=at(9000))
    other = contrast(primary=False, verdict="not settled", at=at(16000), difference=0.01, relative=0.0001)
    assert line(lead, other) == "clear"
    assert line() == ""


@pytest.mark.parametrize(
    ("outcome", "gone_off", "said"),
    [
        (None, False, "clear, every check passed"),
        (None, True, "clear for its day, every check passed; the stand has changed since"),
        ("warned", False, "with care, a check warns"),
        ("failed", True, "weak for its day, a check failed; the stand has changed since"),
    ],
)
def test_a_calibration_is_as_sure_as_its_checks(outcome: Any, gone_off: bool, said: str) -> None:
    made = make_analysis()
    runs = (replace(made.runs[0], calibration=SimpleNamespace()), *made.runs[1:])
    checks = (replace(failed(), outcome=outcome or "passed"),)
    calibrated = replace(made, contrasts=(), runs=runs, checks=checks)
    assert calibration_sure(calibrated, gone_off=gone_off) == said
    assert calibration_sure(replace(made, contrasts=()), gone_off=gone_off) == "", "nothing was calibrated"
    unchecked = calibration_sure(replace(calibrated, checks=()), gone_off=False)
    assert unchecked == "open, no check could be made"
