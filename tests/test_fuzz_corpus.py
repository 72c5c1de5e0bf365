"""What fuzzing starts from, and all it has found, read again; and seasons whose YAML files are spoilt at random."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from generator.cli import main
from tests.fuzz import targets
from tests.hostile_season import documents
from tests.seasons import PARTS, RIG, SEASON, SESSION, write_season

CORPUS = Path(__file__).parent / "fuzz" / "corpus"
CASES = sorted(CORPUS.glob("*/*"))


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case.parent.name}-{case.name}")
def test_a_case_of_the_corpus_keeps_the_properties(case: Path) -> None:
    targets.bounded(targets.TARGETS[case.parent.name], case.read_bytes())


def test_every_target_has_cases() -> None:
    assert {case.parent.name for case in CASES} == set(targets.TARGETS)


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=300), st.sampled_from(sorted(targets.TARGETS)))
def test_any_bytes_keep_the_properties(data: bytes, target: str) -> None:
    targets.bounded(targets.TARGETS[target], data)


PROSE = st.sampled_from([
    "{{ ", " }}", 'value("thrust", "four-cell", speed_rpm=16000)', "[a](", "javascript:x)", "<script>",
    "</script>", "<a href=x ", 'onclick="x"', "{: #b onclick=x }", "[^1]", "[^1]: ", "\n", "\n\n", "    ",
    "| a | b |\n|---|---|\n", "> ", "- ", "1. ", "# ", "*", "_", "`", "```\n", "<!--", "-->", "&#106;", "&lt;",
    "![a](stand.png \"t\")", "<img src=stand.png>", "\u202e", "\0", "a", "\ue000", "\ue0000\ue001",
    "<p title='", ">", "\"", "'", "*[a]: b\n", "a\n: b\n", "---\n", "<b>", "</p>", "\x02", "\x03",
])  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(st.lists(PROSE, max_size=25))
def test_pieces_of_markup_in_a_conclusion_do_nothing(pieces: list[str]) -> None:
    targets.bounded(targets.fuzz_conclusion, "".join(pieces).encode("utf-8"))


# --- seasons spoilt -----------------------------------------------------------------------------------------

ODD: tuple[Any, ...] = (
    None, True, 0, -1, 1e-300, 1e300, 10**30, "", " ", "x", "0", "-1", "1e999 V", "1 m**9**9", "\u200b",
    "é" * 300, [], {}, [[]], [None], {"": ""}, {"x": {"y": [1, 2]}}, "<b>", "{{ 1 }}", "../x", "/etc/passwd",
    "2031-02-30", "24 V", "9000 rpm", "5 %", "1e-300 s", "1e12 s", "-5 K", "hold", "stand", "reed", "a", "b",
)  # fmt: skip
FILES = {
    "season.yaml": SEASON, "rigs/stand.yaml": RIG, "q/session.yaml": SESSION,
    **{f"parts/{name}.yaml": text for name, text in PARTS.items()},
}  # fmt: skip


def places(data: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """Path of every value."""
    if path:
        yield path
    children = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for key, inner in children:
        yield from places(inner, (*path, key))


@st.composite
def spoilt(draw: st.DrawFn) -> dict[str, str]:
    """The YAML files of a season, one or two of them with a few values changed, taken out, or put elsewhere."""
    texts = dict(FILES)
    for file in draw(st.lists(st.sampled_from(sorted(FILES)), min_size=1, max_size=2, unique=True)):
        data = yaml.safe_load(FILES[file].replace("14:02", "'14:02'"))
        for _ in range(draw(st.integers(1, 3))):
            known = list(places(data))
            if not known:
                break
            path = draw(st.sampled_from(known))
            holder = data
            for part in path[:-1]:
                holder = holder[part]
            match draw(st.sampled_from(["change", "change", "remove", "key", "copy"])):
                case "change":
                    holder[path[-1]] = copy.deepcopy(draw(st.sampled_from(ODD)))
                case "remove":
                    del holder[path[-1]]
                case "key" if isinstance(holder, dict):
                    holder[draw(st.sampled_from(["x", "labell", "<b>", "id", "kind", "0"]))] = holder.pop(
                        path[-1]
                    )
                case _:
                    other = draw(st.sampled_from(known))
                    found = data
                    try:
                        for part in other:
                            found = found[part]
                    except (KeyError, IndexError, TypeError):
                        continue
                    holder[path[-1]] = copy.deepcopy(found)
        texts[file] = yaml.safe_dump(data, allow_unicode=True, sort_keys=False)
    return texts


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(spoilt())
def test_a_season_with_any_values_ends_as_results_or_problems(
    tmp_path_factory: pytest.TempPathFactory, texts: dict[str, str]
) -> None:
    folder = write_season(tmp_path_factory.mktemp("spoilt") / "season")
    for file, text in texts.items():
        (folder / file).write_text(text, encoding="utf-8")
    assert main(["check", str(folder)]) in (0, 1, 5)


@settings(max_examples=100, deadline=None)
@given(
    st.sampled_from(sorted(documents())),
    st.lists(
        st.tuples(st.integers(0, 10_000), st.text(max_size=4), st.integers(0, 3)), min_size=1, max_size=4
    ),
)
def test_a_yaml_file_with_any_letters_is_read_or_told(file: str, changes: list[tuple[int, str, int]]) -> None:
    text = yaml.safe_dump(documents()[file][1], allow_unicode=True, sort_keys=False)
    for at, new, cut in changes:
        place = at % (len(text) + 1)
        text = text[:place] + new + text[place + cut :]
    kind = sorted(documents()).index(file)
    data = text.encode("utf-8", "surrogatepass")
    for which in {kind, 0, 2}:
        targets.bounded(targets.fuzz_yaml, bytes([which]) + data)
