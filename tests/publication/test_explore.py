"""Charts to explore: the same chart with ranges and series that can change, and what a real browser makes of it.

Browser tests need Chromium, as those of `test_browser` do.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import threading
from collections.abc import Iterator, Mapping
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import altair as alt
import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from generator.evidence.records import SessionAnalysis
from generator.figures.records import Figure
from generator.publication.figure_blocks import figure_files
from generator.publication.interactive import (
    HIDDEN,
    LIBRARY,
    chart_library,
    explorable,
    explore_assets,
    piece,
    piece_path,
)
from generator.publication.session_figures import session_figures
from generator.publication.svg import vega_lite_document
from tests.factories import TREATMENTS, make_analysis
from tests.publication.site_checks import POLICY
from tests.publication.site_season import ROOT, make_season

BROWSER = [
    pytest.mark.browser,
    pytest.mark.skipif(os.environ.get("WHIRLBOOK_CHROMIUM") == "none", reason="WHIRLBOOK_CHROMIUM=none"),
]


@pytest.fixture(scope="module")
def analysis() -> SessionAnalysis:
    return make_analysis(repeats=2)


@pytest.fixture(scope="module")
def figures(tmp_path_factory: pytest.TempPathFactory, analysis: SessionAnalysis) -> dict[str, Figure]:
    """Every figure of an invented session with all procedures."""
    season = make_season(tmp_path_factory.mktemp("season"), small=True).season
    return {figure.name: figure for figure in session_figures(season, season.sessions[0], analysis).all()}


def document_of(figure: Figure) -> dict[str, Any]:
    found = re.fullmatch(r"whirlbookChart\((.*)\);\n", piece(figure), re.DOTALL)
    assert found is not None
    document: dict[str, Any] = json.loads(found.group(1))
    return document


def views_of(spec: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    return spec.get("vconcat", [spec])


def layers_of(spec: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    return [layer for view in views_of(spec) for layer in view.get("layer", [view])]


# --- the form to explore ------------------------------------------------------------------------------------


KINDS = (
    r".*-difference$",
    r"overview-.*",
    r".*-runs$",
    r".*-against-.*",
    r".*-cycles$",
    r".*-trace$",
    r".*-soak$",
)


@pytest.mark.parametrize("kind", KINDS)
def test_the_grammar_takes_it(figures: Mapping[str, Figure], kind: str) -> None:
    """Checked against the schema of Vega-Lite that Altair carries, which is slow: one figure of each kind."""
    figure = next(figure for name, figure in figures.items() if re.fullmatch(kind, name))
    made, _, _ = explorable(figure.spec)
    made["datasets"] = {name: rows[:2] for name, rows in made["datasets"].items()}
    alt.Chart.from_dict(made)


def test_every_figure_is_of_a_kind_that_was_checked(figures: Mapping[str, Figure]) -> None:
    assert len(figures) > 20
    assert [name for name in figures if not any(re.fullmatch(kind, name) for kind in KINDS)] == []


def test_it_draws_the_published_numbers_and_marks(figures: Mapping[str, Figure]) -> None:
    for figure in figures.values():
        document, published = document_of(figure), vega_lite_document(figure)
        for name, rows in published["datasets"].items():
            given = document["datasets"][name]
            assert given["rows"] == len(rows)
            for i, row in enumerate(rows):
                for column, values in given["columns"].items():
                    assert values[i] == row.get(column), (figure.name, name, column)
        ours, theirs = layers_of(document["wide"]), layers_of(published)
        assert len(ours) == len(theirs)
        for mine, other in zip(ours, theirs, strict=True):
            assert mine["mark"]["type"] == other["mark"]["type"]
            assert mine["data"] == other["data"]
            for channel, encoding in other.get("encoding", {}).items():
                if isinstance(encoding, dict):
                    assert mine["encoding"][channel].get("field") == encoding.get("field")


def test_narrow_form_is_the_narrow_chart(figures: Mapping[str, Figure]) -> None:
    seen = 0
    for figure in figures.values():
        document = document_of(figure)
        narrow = {**document["wide"], **document["narrow"]}
        if figure.narrow is not None:
            widths = [view.get("width") for view in views_of(figure.narrow)]
            assert [view.get("width") for view in views_of(narrow)] == widths
            assert "datasets" not in document["narrow"]
            assert narrow["params"] == document["wide"]["params"]
            seen += 1
    assert seen > 10


def test_ranges_begin_as_the_chart_does(figures: Mapping[str, Figure]) -> None:
    figure = figures["electrical_power-against-thrust"]
    domains = {
        channel: next(
            layer["encoding"][channel]["scale"]["domain"]
            for layer in layers_of(figure.spec)
            if "scale" in layer["encoding"].get(channel, {})
        )
        for channel in ("x", "y")
    }
    made, (x, y), _ = explorable(figure.spec)
    assert [x.low, x.high] == pytest.approx(domains["x"])
    assert [y.low, y.high] == pytest.approx(domains["y"])
    assert (x.along, y.along) == ("", x.name)
    values = {param["name"]: param["value"] for param in made["params"]}
    assert values == {
        "hidden": [], "whole": True,
        f"{x.name}_low": x.low, f"{x.name}_high": x.high, f"{y.name}_low": y.low, f"{y.name}_high": y.high,
    }  # fmt: skip
    for layer in layers_of(made):
        scale = layer["encoding"].get("x", {}).get("scale")
        if scale:
            assert scale["domain"] == [{"expr": f"{x.name}_low"}, {"expr": f"{x.name}_high"}]


def test_rows_of_a_trace_share_the_time_axis_and_keep_their_own_ranges(figures: Mapping[str, Figure]) -> None:
    """The two numbers that open a row would be wrong if its range followed the stretch of time that is shown."""
    trace = next(figure for name, figure in figures.items() if name.endswith("-trace"))
    made, axes, treatments = explorable(trace.spec)
    assert [axis.along for axis in axes] == [""]
    lines = [layer for layer in layers_of(made) if layer["mark"]["type"] == "line"]
    assert len(lines) > 3
    for line in lines:
        assert all(isinstance(end, float) for end in line["encoding"]["y"]["scale"]["domain"])
        told = [it["title"] for it in line["encoding"]["tooltip"]]
        assert told == ["Time (s)", line["encoding"]["y"]["title"]]
    assert treatments == ()


def test_rows_of_a_strip_are_no_range(figures: Mapping[str, Figure]) -> None:
    for name in ("electrical_power-16000rpm-five-cell-difference", "overview-five-cell"):
        _, axes, _ = explorable(figures[name].spec)
        assert [axis.along for axis in axes] == [""], name


def test_treatments_can_be_hidden_where_there_are_several(figures: Mapping[str, Figure]) -> None:
    made, _, treatments = explorable(figures["electrical_power-against-thrust"].spec)
    assert treatments == TREATMENTS
    for layer in layers_of(made):
        filters = [step["filter"] for step in layer.get("transform", [])]
        coloured = any(
            isinstance(encoding, dict) and encoding.get("field") == "treatment"
            for encoding in layer["encoding"].values()
        )
        assert (HIDDEN in filters) is coloured
    single = figures["electrical_power-16000rpm-five-cell-difference"]
    made, _, treatments = explorable(single.spec)
    assert treatments == ()
    assert HIDDEN not in json.dumps(made)


def test_every_line_and_point_can_be_read(figures: Mapping[str, Figure]) -> None:
    for figure in figures.values():
        document = document_of(figure)
        for layer in layers_of(document["wide"]):
            if layer["mark"]["type"] in ("line", "bar"):
                told = layer["encoding"]["tooltip"]
                rows = document["datasets"][layer["data"]["name"]]["columns"]
                assert {it["field"] for it in told} <= set(rows), figure.name
                assert all(it["title"] for it in told), figure.name
        assert '"tooltip"' in json.dumps(document["wide"]), figure.name


def test_the_figure_itself_is_left_alone(figures: Mapping[str, Figure]) -> None:
    figure = figures["electrical_power-against-thrust"]
    before = json.dumps(figure.spec, sort_keys=True)
    piece(figure)
    assert json.dumps(figure.spec, sort_keys=True) == before


def test_pieces_stand_beside_their_specifications_in_plain_ascii(figures: Mapping[str, Figure]) -> None:
    sizes: list[int] = []
    for figure in figures.values():
        files = figure_files(figure, "cells")
        path = piece_path("cells", figure.name)
        assert path == f"sessions/cells/figures/{figure.name}.vl.js"
        assert files[path].isascii()
        assert files[path].count(b"\n") == 1
        sizes += (len(files[path]), len(files[path.removesuffix("js") + "json"]))
    assert sum(sizes[::2]) < 0.8 * sum(sizes[1::2])  # both widths in less than the one


def test_chart_library_is_wrapped_and_names_its_licences() -> None:
    text = chart_library().decode()
    assert list(explore_assets()) == [LIBRARY]
    head, _, body = text.partition("*/\n")
    assert "Vega" in head
    assert "Licences: charts-licences.txt" in head
    assert (ROOT / "layouts/assets/charts-licences.txt").is_file()
    assert body.startswith("(function () {\n")
    assert body.endswith("})();\n")
    # nothing is imported from anywhere, and no map of sources is looked for
    assert not re.search(r"(^|[;}\n])\s*(import|export)\s", body)
    assert "sourceMappingURL" not in text
    assert 500_000 < len(text) < 1_100_000


# --- in a browser -------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    path = os.environ.get("WHIRLBOOK_CHROMIUM") or shutil.which("chromium")
    assert path, "no Chromium: name one in WHIRLBOOK_CHROMIUM, or set it to none to leave these tests out"
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=path)
        yield started
        started.close()


class Watched:
    """A page with everything that went wrong on it, and everything it asked for."""

    def __init__(self, browser: Browser, **context: Any) -> None:
        self.context = browser.new_context(**{"viewport": {"width": 1280, "height": 900}, **context})
        self.page: Page = self.context.new_page()
        self.faults: list[str] = []
        self.requests: list[str] = []
        # a breach of the policy is an error on the console
        self.page.on("console", lambda message: self.faults.append(f"{message.type}: {message.text}"))
        self.page.on("pageerror", lambda error: self.faults.append(str(error)))
        self.page.on("request", lambda request: self.requests.append(request.url))

    def __enter__(self) -> Watched:
        return self

    def __exit__(self, *_: object) -> None:
        self.context.close()


SESSION = "sessions/cells/index.html"
CURVES = "#figure-electrical-power-against-thrust"
SOAK = ("sessions/cells/runs/07-soak-four-cell-1.html", "#figure-07-soak-four-cell-1-soak")
TRACE = ("sessions/cells/runs/01-hold-four-cell-1.html", "#figure-01-hold-four-cell-1-trace")


def explored(page: Page, address: str, figure: str) -> None:
    page.goto(address)
    page.click(f"{figure} .explore-button")
    page.wait_for_selector(f"{figure} .explore-chart svg")
    page.wait_for_function(
        f"!document.querySelector('{figure} .explore-reading').textContent.startsWith('Loading')"
    )


def reading(page: Page, figure: str) -> str:
    return page.inner_text(f"{figure} .explore-reading")


def ticks(page: Page, figure: str) -> list[float]:
    """Numbers along the horizontal axis of the explored chart, rising; the library says which axis it is."""
    texts = page.evaluate(
        f"[...document.querySelectorAll('{figure} .explore-chart [aria-label^=X-axis] .role-axis-label text')]"
        ".map(t => t.textContent)"
    )
    return sorted(float(text.replace("\u202f", "").replace("\u2212", "-")) for text in texts)


def height(page: Page, selector: str) -> float:
    return float(page.evaluate(f"document.querySelector('{selector}').getBoundingClientRect().height"))


class TestInTheBrowser:
    pytestmark = BROWSER

    def test_nothing_is_loaded_before_the_tap(self, site: Path, browser: Browser) -> None:
        with Watched(browser) as it:
            it.page.goto(f"{site.as_uri()}/{SESSION}")
            it.page.wait_for_load_state()
            assert it.page.locator(".explore-button:visible").count() > 5
            assert [url for url in it.requests if url.endswith((LIBRARY, ".vl.js", ".vl.json"))] == []
            scripts = [url for url in it.requests if url.endswith(".js")]
            assert (
                sum((site / url.removeprefix(f"{site.as_uri()}/")).stat().st_size for url in scripts) < 25_000
            )

    @pytest.mark.parametrize(("page", "figure"), [(SESSION, CURVES), SOAK, TRACE])
    def test_a_tap_from_disk_loads_two_files_and_breaks_no_rule(
        self, site: Path, browser: Browser, page: str, figure: str
    ) -> None:
        with Watched(browser) as it:
            explored(it.page, f"{site.as_uri()}/{page}", figure)
            start = ["page.js", "explore.js", "units.js"]
            loaded = [
                url for url in it.requests if url.endswith(".js") and url.rsplit("/", 1)[-1] not in start
            ]
            name = f"{figure.removeprefix('#figure-')}.vl.js"
            assert [url.rsplit("/", 1)[-1].replace("_", "-") for url in loaded] == ["charts.js", name]
            it.page.keyboard.press("ArrowRight")
            assert re.search(r"\(\S+\): \S", reading(it.page, figure))
            assert it.faults == []

    def test_under_any_path_of_a_host_with_the_policy_as_a_header(
        self, site: Path, browser: Browser, tmp_path: Path
    ) -> None:
        assert "unsafe" not in POLICY
        (tmp_path / "deep").mkdir()
        (tmp_path / "deep" / "er").symlink_to(site, target_is_directory=True)
        with ThreadingHTTPServer(("127.0.0.1", 0), partial(Strict, directory=str(tmp_path))) as server:
            threading.Thread(target=server.serve_forever, daemon=True).start()
            top = f"http://127.0.0.1:{server.server_address[1]}/deep/er"
            with Watched(browser) as it:
                explored(it.page, f"{top}/{SESSION}", CURVES)
                it.page.keyboard.press("ArrowRight")
                assert "4S; Thrust (gf):" in reading(it.page, CURVES)
                assert it.faults == []
                assert [url for url in it.requests if not url.startswith(f"{top}/")] == []
            server.shutdown()

    @pytest.mark.parametrize("width", [390, 1280])
    def test_nothing_moves_when_the_chart_comes(self, site: Path, browser: Browser, width: int) -> None:
        with Watched(browser, viewport={"width": width, "height": 900}) as it:
            page = it.page
            held: list[Any] = []
            page.route("**/assets/charts.js", lambda route: held.append(route))
            page.goto(f"{site.as_uri()}/{SESSION}")
            picture = f"{CURVES} .picture.{'narrow' if width < 700 else 'wide'}"
            still = height(page, picture)
            page.click(f"{CURVES} .explore-button")
            page.wait_for_timeout(200)
            assert "Loading" in reading(page, CURVES)
            waiting = height(page, CURVES)
            assert height(page, picture) == still
            held[0].continue_()
            page.wait_for_selector(f"{CURVES} .explore-chart svg")
            page.wait_for_timeout(200)
            assert height(page, picture) == pytest.approx(still, abs=1.0)
            assert height(page, CURVES) == pytest.approx(waiting, abs=1.0)
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            assert it.faults == []

    def test_pointing_tells_the_published_values(
        self, site: Path, browser: Browser, analysis: SessionAnalysis
    ) -> None:
        points = [p for p in analysis.curves if p.treatment == "six-cell"]
        with Watched(browser) as it:
            explored(it.page, f"{site.as_uri()}/{SESSION}", CURVES)
            box = it.page.locator(f"{CURVES} .explore-chart svg").bounding_box()
            assert box is not None
            it.page.mouse.move(
                box["x"] + 500, box["y"] + 20
            )  # near the top right end: six cells, full throttle
            told = reading(it.page, CURVES)
            found = re.search(r"Thrust \(gf\): ([\d.\s]+); Electrical power \(W\): ([\d.]+)", told)
            assert found is not None, told
            thrust, power = (float(text.replace("\u202f", "")) for text in found.groups())
            near = min(points, key=lambda point: abs((point.thrust_gf or 0.0) - thrust))
            assert thrust == pytest.approx(near.thrust_gf, abs=0.1)
            assert power == pytest.approx(near.power_w, abs=0.06)
            assert told.startswith("6S capped; ")

    def test_keys_step_zoom_and_come_back(self, site: Path, browser: Browser) -> None:
        with Watched(browser) as it:
            page, figure = it.page, CURVES
            explored(page, f"{site.as_uri()}/{SESSION}", figure)
            assert page.evaluate("document.activeElement.classList.contains('explore-chart')")
            whole = ticks(page, figure)
            page.keyboard.press("ArrowRight")
            assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
            first = reading(page, figure)
            page.keyboard.press("ArrowRight")
            second = reading(page, figure)
            page.keyboard.press("ArrowDown")
            other = reading(page, figure)
            assert len({first, second, other}) == 3
            assert page.get_attribute(f"{figure} .explore-reading", "aria-live") == "polite"
            page.keyboard.press("+")
            page.keyboard.press("+")
            page.wait_for_timeout(150)
            near = ticks(page, figure)
            assert max(near) < max(whole) / 2
            assert reading(page, figure) == other  # the point is kept
            page.keyboard.press("0")
            page.wait_for_timeout(150)
            assert ticks(page, figure) == whole
            page.keyboard.press("Escape")
            assert page.locator(f"{figure} .explore-chart").count() == 0
            assert page.is_visible(f"{figure} .picture.wide svg")
            assert page.evaluate("document.activeElement.className") == "explore-button"
            assert it.faults == []

    def test_buttons_do_what_keys_do(self, site: Path, browser: Browser) -> None:
        with Watched(browser, viewport={"width": 390, "height": 900}, has_touch=True) as it:
            page, (address, figure) = it.page, SOAK
            explored(page, f"{site.as_uri()}/{address}", figure)
            whole = ticks(page, figure)
            page.tap(f"{figure} .explore-bar button >> nth=0")
            page.tap(f"{figure} .explore-bar button >> nth=0")
            page.wait_for_timeout(150)
            middle = ticks(page, figure)
            assert min(middle) > min(whole)
            page.tap(f"{figure} [aria-label='Move to the right']")
            page.wait_for_timeout(150)
            assert min(ticks(page, figure)) > min(middle)
            page.tap(f"{figure} [aria-label^='Whole']")
            page.wait_for_timeout(150)
            assert ticks(page, figure) == whole
            box = page.locator(f"{figure} .explore-chart svg").bounding_box()
            assert box is not None
            page.touchscreen.tap(box["x"] + 0.6 * box["width"], box["y"] + 0.3 * box["height"])
            assert "Rise of the motor above the air (K):" in reading(page, figure)
            small = page.evaluate(
                f"[...document.querySelectorAll('{figure} .explore button, .explore-button')].map(e =>"
                " e.getBoundingClientRect()).filter(r => r.width && (r.height < 24 || r.width < 24)).length"
            )
            assert small == 0  # WCAG 2.2, 2.5.8
            assert it.faults == []

    def test_dragging_shows_that_stretch(self, site: Path, browser: Browser) -> None:
        with Watched(browser) as it:
            page, (address, figure) = it.page, TRACE
            explored(page, f"{site.as_uri()}/{address}", figure)
            page.locator(f"{figure} .explore-chart svg").scroll_into_view_if_needed()
            box = page.locator(f"{figure} .explore-chart svg").bounding_box()
            assert box is not None
            page.mouse.move(box["x"] + 300, box["y"] + 150)
            page.mouse.down()
            page.mouse.move(box["x"] + 400, box["y"] + 150, steps=4)
            page.mouse.up()
            page.wait_for_timeout(200)
            shown = ticks(page, figure)
            assert 4.0 < min(shown) < max(shown) < 14.0
            assert it.faults == []

    def test_series_can_be_taken_away(self, site: Path, browser: Browser) -> None:
        with Watched(browser) as it:
            page = it.page
            explored(page, f"{site.as_uri()}/{SESSION}", CURVES)
            lines = f"[...document.querySelectorAll('{CURVES} .explore-chart .mark-line path')].length"
            before = page.evaluate(lines)
            toggles = page.locator(f"{CURVES} .legend input")
            assert toggles.count() == 3
            assert page.inner_text(f"{CURVES} .legend").split() == ["4S", "5S", "capped", "6S", "capped"]
            toggles.nth(1).uncheck()
            page.wait_for_timeout(150)
            assert page.evaluate(lines) < before
            page.focus(f"{CURVES} .explore-chart")
            seen = set()
            for _ in range(4):
                page.keyboard.press("ArrowDown")
                seen.add(reading(page, CURVES).split(";")[0])
            assert seen == {"4S", "6S capped"}
            toggles.nth(1).check()
            page.wait_for_timeout(150)
            assert page.evaluate(lines) == before
            page.click(f"{CURVES} [aria-label^='Picture']")
            assert page.locator(f"{CURVES} .legend input").count() == 0
            assert it.faults == []

    def test_a_narrower_window_gets_the_narrow_chart(self, site: Path, browser: Browser) -> None:
        with Watched(browser) as it:
            explored(it.page, f"{site.as_uri()}/{SESSION}", CURVES)
            assert it.page.locator(f"{CURVES} .picture.wide .explore-chart").count() == 1
            it.page.set_viewport_size({"width": 390, "height": 900})
            it.page.wait_for_selector(f"{CURVES} .picture.narrow .explore-chart svg")
            assert it.page.locator(f"{CURVES} .explore-chart").count() == 1
            assert it.page.evaluate("document.documentElement.scrollWidth") <= 390
            assert it.faults == []

    def test_dark_pages_get_dark_charts(self, site: Path, browser: Browser) -> None:
        inks = {}
        for scheme in ("light", "dark"):
            with Watched(browser, color_scheme=scheme) as it:
                explored(it.page, f"{site.as_uri()}/{SESSION}", CURVES)
                inks[scheme] = it.page.evaluate(
                    f"getComputedStyle(document.querySelector('{CURVES} .explore-chart .role-axis-title text')).fill"
                )
        assert inks == {"light": "rgb(29, 31, 30)", "dark": "rgb(236, 234, 228)"}  # --ink of the colour table

    def test_a_failure_leaves_the_picture_and_says_so(self, site: Path, browser: Browser) -> None:
        with Watched(browser) as it:
            it.page.route("**/assets/charts.js", lambda route: route.abort())
            it.page.goto(f"{site.as_uri()}/{SESSION}")
            it.page.click(f"{CURVES} .explore-button")
            it.page.wait_for_selector(f"{CURVES} .explore-reading[role=status]")
            assert "could not be loaded" in reading(it.page, CURVES)
            assert it.page.is_visible(f"{CURVES} .picture.wide svg")
            assert it.page.is_enabled(f"{CURVES} .explore-button")
            it.page.unroute("**/assets/charts.js")
            it.page.click(f"{CURVES} .explore-button")
            it.page.wait_for_selector(f"{CURVES} .explore-chart svg")
            assert it.page.locator(f"{CURVES} .explore-reading").count() == 1

    def test_without_scripts_there_is_no_button(self, site: Path, browser: Browser) -> None:
        with Watched(browser, java_script_enabled=False) as it:
            it.page.goto(f"{site.as_uri()}/{SESSION}")
            assert it.page.locator(".explore-button").count() > 5
            assert it.page.locator(".explore-button:visible").count() == 0
            assert it.page.is_visible(f"{CURVES} .picture.wide svg")


class Strict(SimpleHTTPRequestHandler):
    """Serves files under the pages' own policy as a header, and says nothing."""

    def end_headers(self) -> None:
        """The policy, and the end."""
        self.send_header("Content-Security-Policy", POLICY)
        super().end_headers()

    def log_message(self, *_: object) -> None:
        """Nothing."""
