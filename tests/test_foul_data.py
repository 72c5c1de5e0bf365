"""Two foul data sets that would fool a careless analysis; the built pages say the right thing for both.

The careless analyses are computed here as well, to show that they would have been fooled. All data are invented
in `foul_sessions`, where the truth stands.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from markupsafe import escape
from scipy import stats

from generator import pipeline
from tests import foul_sessions as foul
from tests.publication.site_checks import Page

ONE_HOLD = "one-hold-01"
NORMAL_95 = 1.96  # coverage factor for 95 % of a normal distribution (JCGM 100:2008, table G.1)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The site of all three foul sessions; only the charts are left empty, since no test here looks at them."""
    folder = tmp_path_factory.mktemp("foul")
    season = foul.write_season(folder / "season")
    foul.write_gain_cancels(season)
    foul.write_gain_stays(season)
    foul.write_one_hold(season, [1])

    def empty(figure_name: str, spec: Mapping[str, Any], title_text: str) -> str:
        return f'<svg viewBox="0 0 1 1" role="img"><title>{escape(title_text)}</title></svg>'

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("generator.publication.figure_blocks.render_svg", empty)
        pipeline.build(season, folder / "site")
    return folder / "site"


def comparison(site: Path, session: str) -> Page:
    return Page(site, site / "sessions" / session / "b-against-a.html")


def session_page(site: Path, session: str) -> Page:
    return Page(site, site / "sessions" / session / "index.html")


def document(site: Path, session: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((site / "sessions" / session / "results.json").read_text("utf-8"))
    return found


def power(site: Path, session: str) -> tuple[dict[str, Any], dict[str, Any], dict[str, Any]]:
    """The contrast in electrical power of a session, and the means of A and of B, as published."""
    found = document(site, session)
    (contrast,) = (c for c in found["contrasts"] if c["response"] == "electrical_power")
    means = {r["treatment"]: r for r in found["responses"] if r["response"] == "electrical_power"}
    return contrast, means["a"], means["b"]


def text_of(element: Any) -> str:
    return " ".join("".join(element.itertext()).split())


def budget(page: Page, of: str) -> dict[str, tuple[str, str, str]]:
    """The uncertainty budget of electrical power on a page: source -> uncertainty, share, in all runs alike."""
    for tag, element in page.elements:
        caption = next(
            (text_of(e) for e in element.iter() if str(e.tag).endswith("caption")), ""
        ) if tag == "table" else ""  # fmt: skip
        if caption.startswith(f"Uncertainty budget of {of}") and caption.endswith(": electrical power"):
            rows = [e for e in element.iter() if str(e.tag).endswith("}tr")][1:]
            cells = [[text_of(cell) for cell in row] for row in rows]
            return {row[0]: (row[1], row[2], row[3]) for row in cells}
    raise AssertionError(f"{page.name} has no uncertainty budget of {of}")


def alone(of: str, text: str) -> list[str]:
    """Every sentence-like stretch of a text that holds the words `of`."""
    return [part for part in text.replace(";", ".").split(". ") if of in part]


# --- a gain error, where it cancels ------------------------------------------------------------------------


def test_sensors_taken_as_independent_would_hide_a_difference_that_is_there(site: Path) -> None:
    """The careless analysis: each mean has 3 % of gain uncertainty, so 1 % cannot be seen."""
    _, a, b = power(site, "gain-cancels")
    difference = b["value"] - a["value"]
    careless = NORMAL_95 * math.hypot(a["standard_uncertainty"], b["standard_uncertainty"])
    assert a["standard_uncertainty"] == pytest.approx(foul.GAIN_U * a["value"], rel=0.01)
    assert difference - careless < 0.0 < difference + careless
    assert careless > 5.0 * difference


def test_the_page_gives_the_difference_with_the_gain_cancelled(site: Path) -> None:
    contrast, _, _ = power(site, "gain-cancels")
    assert contrast["verdict"] == "more"
    low, high = contrast["relative_interval"]
    assert low < foul.SHARE < high
    # nothing of the 3 % is left in the percentage: it is as narrow as the scatter between runs allows
    assert high - low < 0.2 * foul.GAIN_U
    words = comparison(site, "gain-cancels").words()
    assert "B draws 1.08 W (1.0 %) more electrical power than A at 9 000 rpm" in words
    assert "+1.0 % of A (+0.9 to +1.2 %)" in words
    assert "Electrical power at 9 000 rpm more +1.08 W" in words
    claims = {claim["says"]: claim["outcome"] for claim in document(site, "gain-cancels")["claims"]}
    assert claims == {"B takes more power.": "supported", "B takes no more power.": "contradicted"}


def test_the_page_keeps_the_gain_in_the_power_itself_and_says_so(site: Path) -> None:
    """The meter reads 4 % too much: the stated 3 % has to be on the mean, or the mean is a false statement."""
    _, a, _ = power(site, "gain-cancels")
    assert a["value"] == pytest.approx((1.0 + foul.GAIN_ERROR) * foul.SMALL_W, rel=0.002)
    assert abs(a["value"] - foul.SMALL_W) < NORMAL_95 * a["standard_uncertainty"]
    scatter = np.std(a["per_run"], ddof=1) / math.sqrt(len(a["per_run"]))
    assert abs(a["value"] - foul.SMALL_W) > 50.0 * scatter  # what the runs alone would have claimed
    page = comparison(site, "gain-cancels")
    assert "104.0 ± 3.1 W (± is one standard uncertainty) from 4 runs" in page.words()
    own = budget(page, "the mean of A")
    assert own["current gain"] == ("3.1 W", "100 %", "yes")
    left = budget(page, "the difference, after what cancels")
    # of 3 % of 104 W, 3 % of the difference of 1.08 W is left
    assert left["current gain"][::2] == ("0.032 W", "yes")
    assert next(iter(left)) == "scatter between runs"


# --- a gain error, where it does not cancel -----------------------------------------------------------------


def test_a_gain_taken_as_cancelled_would_claim_a_difference_that_is_not_there(site: Path) -> None:
    """The other careless analysis: one meter for both, so only the scatter between runs counts."""
    _, a, b = power(site, "gain-stays")
    careless = stats.ttest_ind(b["per_run"], a["per_run"], equal_var=False).confidence_interval(0.95)
    truth = foul.LARGE_W - foul.SMALL_W
    assert truth < foul.SPARE_W < careless.low
    assert truth < careless.low  # the interval leaves out the truth


def test_the_page_keeps_the_gain_in_a_difference_of_unlike_powers(site: Path) -> None:
    contrast, _, _ = power(site, "gain-stays")
    low, high = contrast["interval"]
    truth = foul.LARGE_W - foul.SMALL_W
    assert low < truth < high
    assert low < foul.SPARE_W < high
    assert contrast["verdict"] == "more, perhaps too little to matter"
    assert contrast["standard_uncertainty"] == pytest.approx(foul.GAIN_U * contrast["difference"], rel=0.01)
    page = comparison(site, "gain-stays")
    assert "B draws 208 W (200 %) more electrical power than A at 9 000 rpm" in page.words()
    assert "95 % interval +196 to +220 W" in page.words()
    left = budget(page, "the difference, after what cancels")
    assert left["current gain"] == ("6.2 W", "100 %", "yes")
    claims = {claim["outcome"] for claim in document(site, "gain-stays")["claims"]}
    assert claims == {"left open"}
    # the same gain has no part in the ratio of the two, which is known to a few tenths of a percent
    low, high = contrast["relative_interval"]
    assert low < foul.LARGE_W / foul.SMALL_W - 1.0 < high
    assert high - low < 0.02


# --- fifty samples of a single hold -------------------------------------------------------------------------

SEEDS = range(1, 25)


@pytest.fixture(scope="module")
def single_holds(tmp_path_factory: pytest.TempPathFactory) -> pipeline.Analysed:
    """The same foul session with 24 seeds."""
    season = foul.write_season(tmp_path_factory.mktemp("holds") / "season")
    foul.write_one_hold(season, SEEDS)
    return pipeline.analyse_season(season)


def samples(run: Any) -> Any:
    """The samples of power in the window that was averaged, as they were logged."""
    (window,) = (w for w in run.windows if w.kind == "averaged")
    trace = run.trace
    inside = (trace["time_s"] >= window.start_s) & (trace["time_s"] <= window.stop_s)
    return (trace["voltage_v"] * trace["current_a"])[inside].to_numpy()


def test_samples_taken_as_repeats_would_find_a_difference_nearly_always(
    single_holds: pipeline.Analysed,
) -> None:
    """The careless analysis: Welch's test over the 50 samples of each hold. There is no difference at all."""
    found = 0
    for session in single_holds.sessions:
        a, b = (samples(run) for run in session.runs)
        assert 49 <= a.size <= 51
        found += stats.ttest_ind(a, b, equal_var=False).pvalue < 0.05
    # 5 % of 24 would be one; a difference of run means of 2.1 W against a standard error of 0.06 W
    assert found >= 22


def test_no_single_hold_settles_anything(single_holds: pipeline.Analysed) -> None:
    clear = 0
    for session in single_holds.sessions:
        (contrast,) = (c for c in session.contrasts if c.response == "electrical_power")
        assert contrast.indicative
        assert contrast.basis == "within one run"
        assert contrast.sentence.startswith("Indicative, one run each: ")
        plain_words = contrast.sentence.replace("B probably draws ", "").replace(
            "do not settle whether B draws ", ""
        )
        assert " draws " not in plain_words
        assert session.headline.startswith("Indicative, one run each: ")
        assert {claim.outcome for claim in session.claims} == {"left open"}
        (repeats,) = (check for check in session.checks if check.id == "repeats")
        assert repeats.outcome == "warned"
        assert "electrical_power" in repeats.weakens
        assert "repeats" in contrast.weakened_by
        clear += contrast.verdict in ("more", "less")
    # Within one run the difference is clear, so it is the word "indicative" alone that stands between it and
    # a proof.
    assert clear >= 18


def test_repeats_tell_that_there_is_nothing(tmp_path: Path) -> None:
    """The same bench with four runs each: intervals from between the runs hold zero as often as they promise."""
    season = foul.write_season(tmp_path / "season")
    sd = foul.ONE_HOLD_RUN_SD_W
    for seed in range(12):
        foul.write_session(
            season / f"four-{seed:02d}", title="Is B better?", question="Does B take more power?", margin="0.1 W",
            truth_w={"a": foul.ONE_HOLD_W, "b": foul.ONE_HOLD_W}, order="abbaabba", seed=100 + seed,
            run_sd_w={"a": sd, "b": sd},
        )  # fmt: skip
    found = [
        next(c for c in session.contrasts if c.response == "electrical_power")
        for session in pipeline.analyse_season(season).sessions
    ]
    assert all(contrast.basis == "between runs" for contrast in found)
    wrong = sum(not c.interval[0] <= 0.0 <= c.interval[1] for c in found)
    # at 5 % more than two of 12 turn up once in 50 (binomial)
    assert wrong <= 2


def test_the_pages_call_a_single_hold_indicative(site: Path) -> None:
    contrast, _, _ = power(site, ONE_HOLD)
    assert contrast["basis"] == "within one run"
    assert contrast["verdict"] in ("more", "less")
    for page in (comparison(site, ONE_HOLD), session_page(site, ONE_HOLD)):
        words = page.words()
        assert "Indicative, one run each: B probably draws " in words
        assert "from within the runs" in words
        assert "1 run of B, 1 run of A, from the scatter within one run" in words
        # every word of the verdict stands beside the word that takes it back
        labels = [
            (element, place)
            for place, (tag, element) in enumerate(page.elements)
            if tag == "span" and element.attrib.get("class", "").startswith("verdict ")
        ]
        assert labels
        for _, place in labels:
            following = [text_of(e) for tag, e in page.elements[place + 1 : place + 3] if tag == "span"]
            assert "indicative only" in following
        for part in alone("electrical power than A", words):
            assert "ndicative" in part or "do not settle" in part, part


def test_the_pages_say_beside_the_answer_that_there_is_one_run_each(site: Path) -> None:
    for page in (comparison(site, ONE_HOLD), session_page(site, ONE_HOLD)):
        words = page.words()
        assert (
            "Weakened by a check There is one run on a side only: There is only one run each of: hold (A and B) "
            "(check: more than one run, warns)." in words
        )
        assert "warns There is one run on a side only." in words
        # the warning stands with the answer, before any chart or table
        assert "Doubt: There is one run on a side only" in words
        assert page.text.index("<b>Doubt:</b>") < page.text.index('class="on-this-page"')


def test_the_pages_leave_the_claims_open(site: Path) -> None:
    session, ledger = session_page(site, ONE_HOLD), Page(site, site / "claims.html")
    for page in (session, ledger):
        found = re.findall(
            r'<p class="found"><b>The runs leave it open</b>: indicative, one run each: .*?class="outcome ([^"]*)"',
            page.text,
            re.DOTALL,
        )
        assert found == ["outcome-left-open"] * 2
    for outcome in ("outcome-supported", "outcome-contradicted"):
        assert f'class="outcome {outcome}' not in session.text
        # such a label looks like this where there is one
        assert f'class="outcome {outcome}' in session_page(site, "gain-cancels").text


def test_the_runs_of_a_single_hold_are_not_counted_as_more(site: Path) -> None:
    contrast, a, b = power(site, ONE_HOLD)
    assert (a["runs"], b["runs"]) == (1, 1)
    assert contrast["p_adjusted"] is None or contrast["p_adjusted"] >= contrast["p_value"]
    assert "4 runs" not in comparison(site, ONE_HOLD).words()


def test_no_number_of_the_working_passes_for_a_proof(site: Path) -> None:
    """The p-value of a single hold compares samples: the page says what it leaves out, in figures too."""
    words = comparison(site, ONE_HOLD).words()
    after = words.split(" p-value ", 1)[1]
    assert after.split(":")[1].startswith(
        " how often a difference this large would turn up if there were none and runs differed no more than the "
        "samples within one; they do, so this proves nothing"
    )
    assert "One run each: indicative only." in words
    found = json.dumps(document(site, ONE_HOLD))
    for text in (*(file.read_text("utf-8") for file in (site / "sessions" / ONE_HOLD).glob("*.html")), found):
        for part in text.split("Verdict: ")[1:]:
            assert part.split(".")[0].endswith(", indicative only")
