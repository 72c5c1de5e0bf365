"""Runs without a propeller: the run sheet says when it comes off and goes on, and what could hurt meanwhile."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest

from generator.plan_session import Planned, plan_session
from generator.planning.design import DesignOptions
from generator.planning.design_order import STEP_MIN, running_order
from generator.planning.design_records import Chosen
from generator.planning.run_sheet_records import Cautions, Facts, Runs, Ticks
from generator.reduction.free_run import FreeRunPlan
from tests.planning.planned_season import write_planned
from tests.planning.test_design_order import HOLD, SOAK, session

HOLD_BLOCK = "  hold: {speed: [9000 rpm], settle: 1 s, window: 3 s}\n"
FREE_BLOCK = "  free-run: {speed: [9000 rpm], hold: 3 s, average: 1.5 s}\n"


def plan(folder: Path, *, mixed: bool) -> Planned:
    target = write_planned(folder)
    file = target / "session.yaml"
    text = file.read_text("utf-8")
    head, _, rest = text.partition("procedures:\n")
    _, _, tail = rest.partition("runs:")
    head = "".join(
        line
        for line in head.splitlines(keepends=True)
        if mixed or not line.startswith(("primary:", "matters:"))
    )
    tail = tail if mixed else tail.partition("claims:")[0]
    blocks = FREE_BLOCK + (HOLD_BLOCK if mixed else "")
    file.write_text(f"{head}procedures:\n{blocks}runs:{tail}", encoding="utf-8")
    return plan_session(target, DesignOptions(repeats=2))


@pytest.fixture(scope="module")
def mixed(tmp_path_factory: pytest.TempPathFactory) -> Planned:
    return plan(tmp_path_factory.mktemp("mixed") / "s", mixed=True)


@pytest.fixture(scope="module")
def bare(tmp_path_factory: pytest.TempPathFactory) -> Planned:
    return plan(tmp_path_factory.mktemp("bare") / "s", mixed=False)


def runs_of(planned: Planned) -> Runs:
    (block,) = (b for s in planned.sheet.sections for b in s.blocks if isinstance(b, Runs))
    return block


def ticks_of(planned: Planned, key: str) -> str:
    return " ".join(
        item
        for s in planned.sheet.sections
        for b in s.blocks
        if isinstance(b, Ticks) and b.key == key
        for item in b.items
    )


def test_the_propeller_comes_off_before_the_first_and_goes_on_after_the_last(mixed: Planned) -> None:
    sheet = runs_of(mixed).items
    off = [run for run in sheet if any(step.startswith("Take the propeller off: cut") for step in run.before)]
    fit = [run for run in sheet if any(step.startswith("Fit the propeller ") for step in run.before)]
    bare_runs = [run for run in sheet if "free-run" in run.procedure]
    with_one = [run for run in sheet if "hold" in run.procedure]
    assert off == bare_runs[:1], "named first in session.yaml, so made first"
    assert fit == with_one[:1]
    assert "zero read" in " ".join(fit[0].before)
    for text in (mixed.html, mixed.text):
        assert "eye protection on" in text
        assert "may exceed its rated speed" in " ".join(text.split())
    for run in bare_runs:
        assert "no propeller" in run.procedure
        assert "propeller off and on" not in " ".join(run.before)


def test_no_propeller_is_asked_for_where_none_is_run(bare: Planned) -> None:
    before, during = ticks_of(bare, "before"), ticks_of(bare, "during")
    assert "Propeller free of nicks" not in before
    assert "No propeller on the motor" in before
    assert "until the motor stands" in during
    assert "off and on again" not in bare.text
    assert "Fit the propeller" not in bare.text


def test_time_with_a_propeller_turning_counts_its_runs_alone(mixed: Planned, bare: Planned) -> None:
    for planned, lasting in ((mixed, ("Propeller turning", "Motor turning bare, propeller off")),
                             (bare, ("Motor turning bare, propeller off",))):  # fmt: skip
        facts = [n for b in planned.sheet.sections[0].blocks if isinstance(b, Facts) for n, _ in b.pairs]
        assert [name for name in facts if "turning" in name] == list(lasting)
        runs, taken = planned.design.runs, planned.design.totals
        assert taken.running_min == pytest.approx(sum(r.demand.running_s for r in runs if not r.bare) / 60.0)
        assert taken.bare_min == pytest.approx(sum(r.demand.running_s for r in runs if r.bare) / 60.0)
    assert bare.design.totals.running_min == 0.0 < bare.design.totals.bare_min


def test_the_caution_is_on_the_sheet(mixed: Planned) -> None:
    (found,) = (b for s in mixed.sheet.sections for b in s.blocks if isinstance(b, Cautions))
    (one,) = (it for it in found.items if "free-run" in it.title)
    assert one.signal == "WARNING"
    assert "unplug the pack" in one.avoidance


def test_runs_without_a_propeller_stand_together() -> None:
    free = FreeRunPlan.model_validate({"speed": ["9000 rpm"], "hold": "3 s", "average": "1 s"})
    for names in itertools.permutations(("hold", "free-run", "soak")):
        made = session().model_copy(update={"plans": {"hold": HOLD, "free-run": free, "soak": SOAK}})
        chosen = [Chosen(procedure=name, repeats=2, why="") for name in names]
        slots = running_order(made, chosen, "abba", 1, STEP_MIN)
        changes = sum(
            (a.procedure == "free-run") != (b.procedure == "free-run") for a, b in itertools.pairwise(slots)
        )
        assert changes == 1, names
        assert slots[0].procedure == names[0]
