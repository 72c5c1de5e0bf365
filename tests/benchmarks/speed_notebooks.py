"""What people do today: each session as a notebook, executed and exported as a page by nbconvert.

The notebook does by hand what the session's pages show: it reads every log with pandas, takes off zeros and wiring
drop, finds the windows, means with standard errors, rise times, the fit of a soak, curves of staircases, and
contrasts with Welch intervals (`speed_notebook_cells.py`); then it draws each figure with matplotlib and shows each
table. Figures and tables are those of the built site, by name, one for one; `check_page` holds an exported page to it,
and `check_numbers` holds the notebook's means against ours, so that neither side can skip the work.

The same: logs, quantities, figures, the table under every figure, the tables of session page and run pages.
Not the same, and it favours the notebooks: no comparison pages with their budgets and steps, no checks of the data, no
budgets of uncertainty from the rig's channels, no cautions, no figures for phones, cards, chart specifications,
scripts to explore, CSV files or results.json, no part, rig, overlay, search or archive pages, nothing checked for
mistakes in the inputs. Favours us: every notebook starts a Python of its own, as notebooks do, and draws every sample
of a trace where our figures are thinned. Pictures are PNG as notebooks make them where nothing is set; ours are SVG.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import yaml

from generator.intake.season import load_season
from generator.intake.session import Season, Session, Treatment
from generator.reduction.procedures import contracts

CELLS = [Path(__file__).with_name(f"speed_notebook_{part}.py") for part in ("cells", "figures")]
# figure's file name -> call that draws it; the first that fits
FIGURES = (
    (r"(?P<run>\d\d-.+)-trace", "trace({run!r})"),
    (r"(?P<run>\d\d-.+)-rise_time-cycles", "cycles([{run!r}])"),
    (r"all-rise_time-cycles", "cycles(list(CYCLES))"),
    (r"(?P<run>\d\d-.+)-soak", "soak({run!r})"),
    (r"(?P<response>[a-z_]+)-(?P<at>\d+)(?P<unit>rpm|gf)-runs", "by_run({response!r}, ({unit!r}, {at}.0))"),
    (
        r"(?P<response>[a-z_]+)-(?P<at>\d+)(?P<unit>rpm|gf)-(?P<treatment>.+)-difference",
        "difference({response!r}, ({unit!r}, {at}.0), {treatment!r})",
    ),
    (r"energy-(?P<speed>\d+)rpm", "energy({speed})"),
    (r"overview-(?P<treatment>.+)", "overview({treatment!r})"),
    (r"air-(?P<craft>.+)", "air({craft!r})"),
    (r"thrust_coefficient-against-speed", "coefficient_figure()"),
    (r"(?P<response>[a-z_]+)-against-(?P<axis>[a-z_]+)", "curves({response!r}, {axis!r})"),
    (
        r"(?P<response>[a-z_]+)-over-(?P<axis>[a-z]+)-(?P<treatment>.+)-band",
        "band({response!r}, {axis!r}, {treatment!r})",
    ),
)  # fmt: skip
# caption of a further table of the session's page -> call that shows it; {} is what the caption names
TABLES = (
    (r"What differs at (\d+) rpm", "energy_differences({0})"),
    (r"Minutes of hover: what a difference is made of", "hover_differences({craft!r})"),
    (r"(.+): hovering with each treatment", "hovering({craft!r})"),
    (r"Fitted against stated with (.+): ", "fitted({treatment!r})"),
    (r"Means over runs", "means_table()"),
    (r"Treatments", "treatments_table()"),
    (r"Runs in the order made", "runs_table()"),
)
RUN_TABLES = (
    (r"Each response of this run", "responses_table({run!r})"),
    (r"Columns of the log", "columns_table({run!r})"),
)
OF_A_FIGURE = "The numbers of"
# Ours and the notebook's means of the same runs; the notebook corrects less, so a little apart is right.
AGREE = 0.02
HELD_AGAINST = ("electrical_power", "current", "thrust", "thrust_per_power", "rise_time", "fall_time")


class Unknown(Exception):
    """The site shows a figure or a table that the notebooks do not know how to make."""


def write_notebook(season_folder: Path, name: str, site: Path, out: Path) -> tuple[int, int]:
    """Write the notebook of a session; returns how many figures and tables it shows.

    season_folder  the season
    name           id of the session
    site           its built site, for the names of figures and tables
    Raises Unknown where the site shows what the notebooks cannot make
    """
    season = load_season(season_folder, contracts())
    session = next(one for one in season.sessions if one.id == name)
    figures = [_figure_call(figure) for figure in _figure_names(site, name)]
    tables = list(_table_calls(site, season, session))
    cells = [_constants(season, session, season_folder / name), *_opening()]
    cells += [*figures, *tables, "claims()", _means_cell(out.with_suffix(".means.json"))]
    out.write_text(json.dumps(_document(cells)), encoding="utf-8")
    return len(figures), len(figures) + len(tables)  # a table under every figure


def _document(cells: list[str]) -> dict[str, Any]:
    return {
        "nbformat": 4,
        "nbformat_minor": 5,
        "metadata": {"kernelspec": {"name": "python3", "display_name": "Python 3", "language": "python"}},
        "cells": [
            {
                "cell_type": "code",
                "id": f"c{place}",
                "metadata": {},
                "execution_count": None,
                "outputs": [],
                "source": source,
            }
            for place, source in enumerate(cells)
        ],
    }


# --- what the site shows ------------------------------------------------------------------------------------


def _figure_names(site: Path, session: str) -> list[str]:
    folder = site / "sessions" / session / "figures"
    return sorted(file.name.removesuffix(".vl.json") for file in folder.glob("*.vl.json"))


def _figure_call(name: str) -> str:
    for pattern, call in FIGURES:
        if found := re.fullmatch(pattern, name):
            return call.format(**found.groupdict())
    raise Unknown(f"figure {name}: say in speed_notebooks.FIGURES how a notebook draws it")


class _Captions(HTMLParser):
    """Captions of the tables of a page; a table without one counts under its first heading."""

    def __init__(self) -> None:
        super().__init__()
        self.captions: list[str] = []
        self._inside = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "table":
            self.captions.append("")
        self._inside = self._inside or tag == "caption"

    def handle_endtag(self, tag: str) -> None:
        self._inside = self._inside and tag != "caption"

    def handle_data(self, data: str) -> None:
        if self._inside:
            self.captions[-1] = f"{self.captions[-1]}{data}"


def captions(page: Path) -> list[str]:
    """Captions of all tables of a page, in plain spaces."""
    reader = _Captions()
    reader.feed(page.read_text(encoding="utf-8"))
    # str.split knows the no-break space; the thin one stands inside numbers
    return [" ".join(one.replace("\u202f", "").split()) for one in reader.captions]


def _table_calls(site: Path, season: Season, session: Session) -> Iterator[str]:
    folder = site / "sessions" / session.id
    for caption in captions(folder / "index.html"):
        if not caption.startswith(OF_A_FIGURE):
            yield _table_call(caption, TABLES, season, session)
    for page in sorted((folder / "runs").glob("*.html")):
        for caption in captions(page):
            if not caption.startswith(OF_A_FIGURE):
                yield _table_call(caption, RUN_TABLES, season, session, run=page.stem)


def _table_call(
    caption: str, known: tuple[tuple[str, str], ...], season: Season, session: Session, **more: str
) -> str:
    for pattern, call in known:
        if found := re.match(pattern, caption):
            labels = {one.label: name for name, one in session.file.treatments.items()}
            treatment = labels[found.group(1)] if "{treatment" in call else None
            craft = session.file.aircraft[0] if session.file.aircraft else None
            return call.format(*found.groups(), treatment=treatment, craft=craft, **more)
    raise Unknown(f"{session.id}: table '{caption}': say in speed_notebooks.TABLES how a notebook shows it")


# --- what the tester types ----------------------------------------------------------------------------------


def _opening() -> list[str]:
    """The opening cells, without what belongs to the file only."""
    parts = (re.split(r"(?m)^# %% ", file.read_text(encoding="utf-8"))[1:] for file in CELLS)
    return [f"# {part}".rstrip() for of_file in parts for part in of_file]


def _plain(value: Any) -> Any:
    """Numbers of a plan without their units, as a notebook has them."""
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    if isinstance(value, list):
        return [_plain(one) for one in value]
    return float(str(value).split()[0])


def _constants(season: Season, session: Session, folder: Path) -> str:
    file, rig = session.file, session.rig
    raw = yaml.safe_load((folder / "session.yaml").read_text(encoding="utf-8"))
    channels = rig.channels.present()
    throttle = yaml.safe_load((folder.parent / "rigs" / f"{file.rig}.yaml").read_text(encoding="utf-8"))
    ends = throttle["channels"]["throttle"]
    values = {
        "SESSION": {"folder": str(folder.resolve()), "baseline": file.baseline},
        "PLAN": _plain(raw["procedures"]),
        "RUNS": {
            run.id: {
                "log": run.log,
                "procedure": run.procedure,
                "treatment": run.treatment,
                "repeat": run.repeat,
                "block": run.block,
                "order": order,
            }
            for order, run in enumerate(file.runs, start=1)
        },
        "TREATMENTS": {name: _treatment(season, one) for name, one in file.treatments.items()},
        "STAND": {
            "columns": {name: channel.column for name, channel in channels.items()},
            "idle": ends["idle"],
            "full": ends["full"],
            "wiring_ohm": rig.wiring.resistance_ohm,
        },
        "AIR": {
            "temperature": file.air.temperature_k - 273.15,
            "pressure": file.air.pressure_pa / 100,
            "humidity": file.air.humidity * 100,
        },
        "AIRCRAFT": {name: _aircraft(season, name) for name in file.aircraft},
        "MARGINS": {name: (float(text.split()[0]), text.split()[1]) for name, text in raw["matters"].items()},
        "CLAIMS": [
            {"says": one.says, "response": one.response, "treatment": one.treatment, "expects": one.expects}
            for one in file.claims
        ],
    }
    return "\n".join(f"{name} = {value!r}" for name, value in values.items())


def _treatment(season: Season, one: Treatment) -> dict[str, Any]:
    motor, propeller = season.motor(one), season.propeller(one)
    stated = propeller.coefficients
    return {
        "label": one.label,
        "motor": one.motor,
        "controller": one.controller,
        "propeller": one.propeller,
        "supply": one.supply,
        "volts": (one.cells or 1) * (one.volts_per_cell_v or 0.0),
        "kv": motor.kv_rpm_per_v,
        "motor_ohm": motor.terminal_resistance_ohm or 0.0,
        "free_current": motor.free_run_current_a or 0.0,
        "controller_ohm": season.controller(one).resistance_ohm or 0.0,
        "diameter_m": propeller.diameter_m,
        "stated_speed": [row.speed_rpm for row in stated],
        "stated_ct": [row.thrust for row in stated],
        "stated_cp": [row.power for row in stated],
    }


def _aircraft(season: Season, name: str) -> dict[str, Any]:
    craft = season.file.aircraft[name]
    pack: Any = season.parts[craft.pack]
    return {
        "label": craft.label,
        "motors": craft.motors,
        "mass_g": 1000 * (craft.mass_without_pack_kg + (pack.mass_kg or 0.0)),
        "usable_wh": pack.capacity_ah * pack.cells * pack.volts_per_cell_v * pack.usable_share,
    }


# --- holding the notebooks to it ----------------------------------------------------------------------------


def _means_cell(out: Path) -> str:
    return f"""\
import json
means = [
    (response, said(at), treatment, float(np.nanmean([value for value, _ in own.values()])))
    for (response, at), sides in FOUND.items()
    for treatment, own in sides.items()
]
with open({str(out)!r}, "w") as stream:
    json.dump(means, stream)"""


def check_page(page: Path, figures: int, tables: int) -> None:
    """The exported page shows just so many pictures and tables. Raises SystemExit."""
    html = page.read_text(encoding="utf-8")
    found = (html.count('src="data:image/png;base64,'), html.count('class="dataframe"'))
    if found != (figures, tables):
        raise SystemExit(f"{page.name} shows {found} figures and tables, not {(figures, tables)}")


def check_numbers(means: Path, results: Path) -> int:
    """The notebook's means are ours within 2 %; returns how many were held against ours. Raises SystemExit."""
    ours = {}
    for one in json.loads(results.read_text(encoding="utf-8"))["responses"]:
        at = dict(one["at"])
        said = (
            f"{at['speed_rpm']:g} rpm"
            if "speed_rpm" in at
            else f"{at['thrust_gf']:g} gf"
            if "thrust_gf" in at
            else ""
        )
        if len(at) <= 1:
            ours[one["response"], said, one["treatment"]] = one["value"]
    held = 0
    for response, at, treatment, value in json.loads(means.read_text(encoding="utf-8")):
        mine = ours.get((response, at, treatment))
        if response in HELD_AGAINST and mine is not None:
            held += 1
            if not math.isclose(value, mine, rel_tol=AGREE):
                raise SystemExit(
                    f"{means.name}: {response} at {at} with {treatment} is {value:.5g}, ours is {mine:.5g}"
                )
    if not held:
        raise SystemExit(f"{means.name} holds nothing that ours holds too")
    return held
