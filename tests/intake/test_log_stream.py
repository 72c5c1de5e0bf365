"""A long log read in blocks is the same log as read whole, whatever is the matter with it."""

from __future__ import annotations

import gzip
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from generator.intake import log_bytes, log_stream
from generator.intake.log_records import BenchLog
from generator.intake.problems import SeasonProblems
from tests.intake.log_files import CHANNELS, make_rig, read

NAMES = [CHANNELS[channel]["column"] for channel in CHANNELS]
ROWS = 60


def text(rows: int = ROWS, *, delimiter: str = ",", decimal: str = ".", end: str = "\n") -> list[str]:
    """An invented log, line by line."""
    noise = np.random.default_rng(5)
    cells = [
        [f"{0.01 * row:.2f}", *(f"{value:.3f}" for value in noise.normal(100.0, 1.0, len(NAMES) - 1))]
        for row in range(rows)
    ]
    lines = [delimiter.join(NAMES), *(delimiter.join(row).replace(".", decimal) for row in cells)]
    return [f"{line}{end}" for line in lines]


@pytest.fixture(autouse=True)
def small_blocks() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(log_stream, "BLOCK_BYTES", 500)
        patch.setattr(log_bytes, "_STORED_CHUNK", 100)
        patch.setattr(log_bytes, "_PIECE_BYTES", 10)
        yield


def both(content: bytes, **log: object) -> tuple[BenchLog | list[str], BenchLog | list[str], bool]:
    """What comes of it read whole, and in blocks; and whether the blocks were enough."""
    found: list[BenchLog | list[str]] = []
    streamed: list[bool] = []
    read_streamed = log_stream.read_streamed
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:

        def told(*arguments: object, **options: object) -> object:
            made = read_streamed(*arguments, **options)  # type: ignore[arg-type]
            streamed.append(made is not None)
            return made

        patch.setattr("generator.intake.logs.read_streamed", told)
        for at_least in (1 << 40, 1):
            patch.setattr(log_stream, "STREAMED_FROM", at_least)
            try:
                found.append(read(Path(folder), content, make_rig(**log)))
            except SeasonProblems as refused:
                found.append([str(problem).replace(folder, "") for problem in refused.problems])
    assert streamed[0] is False
    return found[0], found[1], len(streamed) > 1 and streamed[1]


def assert_same(whole: BenchLog | list[str], blocks: BenchLog | list[str]) -> None:
    if isinstance(whole, list) or isinstance(blocks, list):
        assert whole == blocks
        return
    pd.testing.assert_frame_equal(whole.frame, blocks.frame, check_exact=True)
    assert replace(whole, frame=blocks.frame) == blocks


SOUND = {
    "plain": "".join(text()).encode(),
    "line ends of two characters": "".join(text(end="\r\n")).encode(),
    "semicolons and decimal commas": "".join(text(delimiter=";", decimal=",")).encode(),
    "tabs": "".join(text(delimiter="\t")).encode(),
    "gzip": gzip.compress("".join(text()).encode()),
    "comments above": ("# made up\n# of nothing\n" + "".join(text())).encode(),
    "a byte-order mark": "".join(text()).encode("utf-8-sig"),
    "no line end at the end": "".join(text()).removesuffix("\n").encode(),
    "cut in the last line": "".join(text())[:-20].encode(),
    "an empty cell": "".join(text()).replace("0.40,", "0.40,,", 1).replace(",,100", ",,", 1).encode(),
    "hardly two blocks": "".join(text(30)).encode(),
}


@pytest.mark.parametrize("name", SOUND)
def test_a_sound_log_is_read_in_blocks(name: str) -> None:
    whole, blocks, enough = both(SOUND[name])
    assert_same(whole, blocks)
    if name != "an empty cell":  # one cell too many, which needs the other way
        assert enough
        assert isinstance(blocks, BenchLog)
        assert blocks.rows > 10


LINES = text()
DOUBTFUL = {
    "a comment in the middle": "".join([*LINES[:40], "# paused\n", *LINES[40:]]),
    "a blank line": "".join([*LINES[:40], "\n", *LINES[40:]]),
    "a word in a cell": "".join(LINES).replace("0.40,", "0.40,lost ", 1),
    "a line too short": "".join([*LINES[:40], "0.395,1\n", *LINES[40:]]),
    "names a second time": "".join([*LINES[:40], LINES[0], *LINES[40:]]),
    "time that goes back": "".join([*LINES[:40], LINES[20], *LINES[40:]]),
    "letters of another encoding": "".join([*LINES[:40], LINES[40].replace(",", "°,", 1), *LINES[41:]]),
    "zero bytes": "".join([*LINES[:40], "\0" * 30, *LINES[40:]]),
    "notes below": "".join([*LINES, ",mean,100\n"]),
    "infinite": "".join(LINES).replace("0.40,", "0.40,inf", 1),
}


@pytest.mark.parametrize("name", DOUBTFUL)
def test_a_log_with_something_the_matter_is_told_as_when_read_whole(name: str) -> None:
    whole, blocks, _ = both(DOUBTFUL[name].encode())
    assert_same(whole, blocks)


def test_a_stated_encoding_and_comment_mark_are_kept_to() -> None:
    content = ("% Prüfstand\n" + "".join(LINES)).encode("latin-1")
    whole, blocks, enough = both(content, encoding="latin-1", comment="%")
    assert_same(whole, blocks)
    assert enough
    whole, blocks, enough = both("".join(LINES).encode("utf-16"))
    assert_same(whole, blocks)
    assert not enough


@settings(max_examples=120, deadline=None)
@given(
    st.integers(0, len("".join(LINES))), st.integers(0, 60),
    st.text("0123456789.,;-+eE \t\n\r#\"'\0°naifx", max_size=12) | st.sampled_from(["\n\n", ",,,", "\r\n", "# x\n"]),
)  # fmt: skip
def test_a_log_spoilt_anywhere_is_the_same_either_way(at: int, gone: int, put: str) -> None:
    content = "".join(LINES)
    whole, blocks, _ = both(f"{content[:at]}{put}{content[at + gone :]}".encode())
    assert_same(whole, blocks)
