"""What is kept comes back whole or not at all."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from generator.store import MAGIC, Store, cache_folder


def entry(store: Store) -> Path:
    (file,) = store.folder.glob("*/*")
    return file


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=2000))
def test_bytes_come_back(tmp_path: Path, body: bytes) -> None:
    store = Store(tmp_path / "cache")
    store.put("runs", "ab12", body)
    assert store.get("runs", "ab12") == body
    assert Store(tmp_path / "cache").get("runs", "ab12") == body
    assert store.get("runs", "other") is None
    assert store.get("other", "ab12") is None


def test_every_damage_is_noticed(tmp_path: Path) -> None:
    store = Store(tmp_path / "cache")
    store.put("runs", "k", b"some bytes that were kept")
    whole = entry(store).read_bytes()
    damaged = [whole[:n] for n in range(len(whole))] + [whole + b"x", b""]
    damaged += [whole[:n] + bytes([whole[n] ^ 1]) + whole[n + 1 :] for n in range(len(whole))]
    for content in damaged:
        (store.folder / "runs/k").write_bytes(content)
        assert store.get("runs", "k") is None
        assert not (store.folder / "runs/k").exists(), "it will be made again"
    assert whole.startswith(MAGIC)


def test_the_least_used_goes_first(tmp_path: Path) -> None:
    store = Store(tmp_path / "cache")
    for number in range(5):
        store.put("runs", str(number), bytes(1000))
        os.utime(store.folder / "runs" / str(number), (number + 1, number + 1))
    assert store.get("runs", "0") is not None  # used just now, so it stays
    store.tidy(most_bytes=3500)
    assert [number for number in range(5) if store.get("runs", str(number)) is not None] == [0, 3, 4]


@pytest.mark.skipif(sys.platform == "win32", reason="rights of files on POSIX")
def test_a_folder_open_to_others_is_not_used(tmp_path: Path) -> None:
    (tmp_path / "cache").mkdir()
    (tmp_path / "cache").chmod(0o777)
    store = Store(tmp_path / "cache")
    store.put("runs", "k", b"x")
    assert store.get("runs", "k") is None
    assert list((tmp_path / "cache").iterdir()) == []


def test_where_nothing_can_be_kept_nothing_fails(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    store = Store(tmp_path / "file" / "cache")
    store.put("runs", "k", b"x")
    assert store.get("runs", "k") is None
    store.tidy()


def test_where_caches_lie(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("WHIRLBOOK_CACHE", str(tmp_path / "mine"))
    assert cache_folder() == tmp_path / "mine"
    monkeypatch.delenv("WHIRLBOOK_CACHE")
    if sys.platform.startswith("linux"):
        monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
        assert cache_folder() == tmp_path / "whirlbook"
        monkeypatch.setenv("XDG_CACHE_HOME", "relative/is/ignored")
        assert cache_folder().is_absolute()
