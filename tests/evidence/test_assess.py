"""The whole of one session, and its results document."""

from __future__ import annotations

import copy
import json
import math
from typing import Any

import pytest
from jsonschema import Draft202012Validator, ValidationError

from generator.evidence.assess import assess
from generator.evidence.records import SessionAnalysis
from generator.evidence.results_document import FORMAT, results_document, results_schema
from generator.reduction.records import RunReduction
from tests.evidence.invented_bench import (
    AIR,
    BASE,
    KINDS,
    OTHER,
    TEXTS,
    THRESHOLDS,
    at_speed,
    make_run,
    make_season,
    make_session,
    percent_margin,
    response,
    runs_of,
)
from tests.evidence.test_curves_mean import stairs
from tests.evidence.test_sentences import plain_spaces
from tests.factories import make_analysis

VALUES = {BASE: [129.0, 129.6, 128.8, 129.4], OTHER: [132.5, 131.9, 132.6, 132.2]}
PLAN = {
    "primary": ["electrical_power"],
    "margins": {"electrical_power": percent_margin(0.02)},
    "claims": [
        {
            "says": "It costs nothing.",
            "response": "electrical_power",
            "treatment": OTHER,
            "expects": "no difference",
        }
    ],
}


def analysed(reduced: tuple[RunReduction, ...] | None = None, **more: Any) -> SessionAnalysis:
    session = make_session(**{**PLAN, **more})
    return assess(session, make_season(), reduced or runs_of(VALUES), KINDS, TEXTS, THRESHOLDS, AIR)


# --- assess -------------------------------------------------------------------------------------------------


def test_from_runs_to_the_answer() -> None:
    found = analysed()
    (contrast,) = found.contrasts
    assert contrast.verdict == "more, perhaps too little to matter"
    assert plain_spaces(found.headline) == (
        "5S capped draws 3.10 W (2.4 %) more electrical power than 4S at 16 000 rpm, but perhaps too little to "
        "matter (95 % interval 2.51 to 3.69 W more)."
    )
    assert [(c.outcome, c.contrasts) for c in found.claims] == [("left open", (contrast.key,))]
    assert {s.treatment for s in found.responses} == {BASE, OTHER}
    assert len([c for c in found.cautions if c.always_on]) == 6
    assert not found.simulated
    assert found.notes == ()


def test_the_order_in_which_runs_are_handed_over_changes_nothing() -> None:
    runs = runs_of(VALUES)
    straight, turned = analysed(runs), analysed(runs[::-1])
    assert straight.contrasts == turned.contrasts
    assert straight.headline == turned.headline
    assert straight.checks == turned.checks


def test_the_answer_follows_the_declared_order_of_the_primary_responses() -> None:
    runs = tuple(
        make_run(r.treatment, r.order, *r.responses,
                 response("thrust", 500.0 + r.order % 3 + 90.0 * (r.treatment == OTHER), at_speed(16000)))
        for r in runs_of(VALUES)
    )  # fmt: skip
    assert "electrical power" in analysed(runs, primary=["electrical_power", "thrust"]).headline
    assert "thrust" in analysed(runs, primary=["thrust", "electrical_power"]).headline


def test_simulated_logs_are_said_in_the_answer() -> None:
    runs = runs_of(VALUES, simulated="SIMULATED DATA, not measured")
    found = analysed(runs)
    assert found.simulated
    assert found.headline.startswith("Simulated data: 5S capped")


def test_runs_left_out_missing_and_refused_are_told_and_not_used() -> None:
    runs = (*runs_of(VALUES), make_run(BASE, 9, refused="16 000 rpm was not held."))
    logs = [{"log": r.log, "procedure": "hold", "treatment": r.treatment} for r in runs]
    logs[0]["left_out"] = "the door was open"
    logs.append({"log": "logs/gone.csv", "procedure": "hold", "treatment": OTHER})
    found = analysed(runs, runs=logs)
    assert found.contrasts[0].runs == (4, 3)
    assert found.notes == (
        "logs/01-hold-four-cell.csv is not used. Left out by the tester: the door was open.",
        "logs/09-hold-four-cell.csv is not used. 16 000 rpm was not held.",
        "logs/gone.csv is named in the session and could not be read; it is not used.",
    )


def test_what_is_not_there_is_told() -> None:
    only_base = tuple(run for run in runs_of(VALUES) if run.treatment == BASE)
    found = analysed(only_base, primary=["rise_time"])
    assert found.contrasts == ()
    assert found.headline.startswith("No comparison could be made")
    assert "No run of 5S capped is used, so nothing is said about it." in found.notes
    assert "Spin-up time was declared primary and was not measured." in found.notes


def test_a_response_that_two_procedures_give_is_told() -> None:
    extra = [
        make_run(n, 20 + i, response("electrical_power", 150.0, at_speed(16000)), procedure="staircase")
        for i, n in enumerate((BASE, OTHER))
    ]
    found = analysed((*runs_of(VALUES), *extra))
    assert found.contrasts[0].runs == (4, 4)
    assert found.notes == (
        "Electrical power of hold runs is reported; staircase runs give it at the same condition too, in another way, "
        "and are left out of it.",
    )


def test_runs_without_any_scatter_are_told_and_not_compared() -> None:
    same = tuple(make_run(n, i, response("throttle", v, at_speed(16000))) for i, (n, v) in
                 enumerate([(BASE, 50.0), (OTHER, 60.0)] * 2, start=1))  # fmt: skip
    found = analysed(same, primary=[])
    assert found.contrasts == ()
    assert [plain_spaces(note) for note in found.notes] == [
        "Throttle at 16 000 rpm of 5S capped is not compared: the runs agree to the last digit and nothing says how "
        "well one run is known."
    ]


# --- the document -------------------------------------------------------------------------------------------


def document(analysis: SessionAnalysis) -> dict[str, Any]:
    return results_document(analysis, make_session(**PLAN), make_season(), "9.9.9")


def valid(found: dict[str, Any]) -> None:
    schema = results_schema()
    Draft202012Validator.check_schema(schema)
    Draft202012Validator(schema).validate(found)


def test_the_document_of_an_analysis_keeps_its_contract() -> None:
    runs = (*runs_of(VALUES), stairs(BASE, 20), stairs(OTHER, 21), make_run(BASE, 30, refused="No readings."))
    found = document(analysed(runs))
    valid(found)
    assert list(found)[:3] == ["format", "session", "generator"]
    assert found["format"] == FORMAT == "whirlbook-results/1"
    assert found["generator"] == {"name": "Whirlbook", "version": "9.9.9"}
    assert found["inputs"][0] == {"path": runs[0].log, "sha256": runs[0].sha256, "rows": 1000}
    (summary, other) = found["responses"]
    assert summary["at"] == {"speed_rpm": 16000.0}
    assert summary["per_run"] == VALUES[BASE]
    assert (
        summary["from"] == [run.log for run in runs if run.treatment == BASE and run.procedure == "hold"][:4]
    )
    assert other["treatment"] == OTHER
    (contrast,) = found["contrasts"]
    assert contrast["runs"] == {"treatment": 4, "baseline": 4}
    assert contrast["margin_text"] == "2 %"
    assert found["runs"][-1]["refused"] == "No readings."
    assert len(found["curves"]) == 18


def test_the_document_of_the_factories_keeps_its_contract() -> None:
    valid(document(make_analysis()))
    valid(document(make_analysis(repeats=1, simulated=True)))


def test_the_document_is_json_without_nan_and_the_same_every_time() -> None:
    single = analysed(runs_of({BASE: [129.0], OTHER: [132.5]}))
    assert math.isinf(single.contrasts[0].dof)
    found = document(single)
    valid(found)
    assert found["contrasts"][0]["dof"] is None  # infinite
    text = json.dumps(found, allow_nan=False)
    assert text == json.dumps(document(single), allow_nan=False)
    assert json.loads(text) == found


def test_numbers_carry_ten_digits() -> None:
    third = analysed(runs_of({BASE: [1.0, 2.0, 2.0], OTHER: [4.0, 5.0, 6.0]}))
    assert document(third)["responses"][0]["value"] == 1.666666667


@pytest.mark.parametrize(
    "spoil",
    [
        lambda d: d.pop("headline"),
        lambda d: d.update(surprise=1),
        lambda d: d["contrasts"][0].update(verdict="a bit more"),
        lambda d: d["contrasts"][0].update(interval=[1.0]),
        lambda d: d["contrasts"][0].pop("basis"),
        lambda d: d["responses"][0].update(value=None),
        lambda d: d["responses"][0].update(at={"speed": 16000}),
        lambda d: d["inputs"][0].update(sha256="abc"),
        lambda d: d["cautions"][0].update(signal="BEWARE"),
        lambda d: d["claims"][0].update(expects="miracles"),
        lambda d: d.update(format="whirlbook-results/2"),
    ],
)
def test_the_schema_is_strict(spoil: Any) -> None:
    found = document(analysed())
    valid(found)
    spoilt = copy.deepcopy(found)
    spoil(spoilt)
    with pytest.raises(ValidationError):
        valid(spoilt)
