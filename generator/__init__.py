"""Whirlbook: season folders of bench tests in, a site of comparisons, conclusions and cautions out.

`analyse` and `build` load the analysis only when called, so that asking for the version stays quick.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from generator.publication.site import SiteReport

__version__ = "0.1.0"
__all__ = ["__version__", "analyse", "build"]


def analyse(season: str | Path) -> Iterator[dict[str, Any]]:
    """The facts of `results.json` of every session, one after the other, without rendering anything.

    season  the season's folder
    Raises  generator.intake.problems.SeasonProblems with everything wrong in the inputs
    """
    from generator.pipeline import analyse as analyse_folder

    yield from analyse_folder(Path(season))


def build(season: str | Path, out: str | Path) -> SiteReport:
    """Analyse a season and write its site.

    season  the season's folder
    out     where the site goes; an earlier site of ours there is replaced at the end, anything else refused
    Raises  SeasonProblems, OutputRefused (both generator.intake.problems.WhirlbookError)
    """
    from generator.pipeline import build as build_folder

    return build_folder(Path(season), Path(out))
