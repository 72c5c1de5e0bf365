"""What several test folders share: the demo season, analysed and built once a worker."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import settings

from generator import pipeline

ROOT = Path(__file__).resolve().parents[1]
DEMO = ROOT / "demo_sessions"

# An example may be slow because the machine is busy; that says nothing of the code.
settings.register_profile("bench", deadline=None)
settings.load_profile("bench")


@pytest.fixture(autouse=True)
def own_cache(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """Tests share no cache with the person who runs them, nor with each other."""
    monkeypatch.setenv("WHIRLBOOK_CACHE", str(tmp_path_factory.mktemp("cache")))


@pytest.fixture(scope="session")
def demo() -> pipeline.Analysed:
    """The demo season, read, reduced and assessed."""
    return pipeline.analyse_season(DEMO)


@pytest.fixture(scope="session")
def demo_site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo season's site."""
    out = tmp_path_factory.mktemp("demo") / "site"
    pipeline.build(DEMO, out)
    return out
