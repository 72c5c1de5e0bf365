"""One invented site for all tests that only look at it, and charts that cost nothing for those that do not."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from markupsafe import escape

from tests.publication.reader_sites import CORRECTIONS, quick_site
from tests.publication.site_season import make_season


@pytest.fixture(scope="session")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A built site with two sessions, one of them simulated; nobody writes to it."""
    folder = tmp_path_factory.mktemp("invented")
    # three holds, a spin-up, a soak, a staircase and a refused run; each chart costs time
    make_season(folder / "season", repeats=1, kept=(1, 2, 3, 4, 7, 10, 13)).write(folder / "site")
    return folder / "site"


@pytest.fixture(scope="session")
def plain_site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same site with empty charts and two corrections, for tests that look at neither charts nor runs."""
    return quick_site(tmp_path_factory.mktemp("plain"), session={"corrections": CORRECTIONS})


@pytest.fixture
def plain_charts(monkeypatch: pytest.MonkeyPatch) -> None:
    """An empty picture in the place of each chart, for tests that look at something else."""

    def empty(figure_name: str, spec: Mapping[str, Any], title_text: str) -> str:
        return (
            f'<svg viewBox="0 0 1 1" role="img" aria-labelledby="{figure_name}-title">'
            f'<title id="{figure_name}-title">{escape(title_text)}</title></svg>'
        )

    monkeypatch.setattr("generator.publication.figure_blocks.render_svg", empty)
