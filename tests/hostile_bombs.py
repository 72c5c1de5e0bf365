"""Small files that would fill a machine or keep it busy for hours, read under limits of memory and time.

    python -m tests.hostile_bombs FOLDER        one JSON line for each: its name, what it ended as, seconds

The program limits itself to MEMORY_BYTES of address space and SECONDS of processor time, so that a bomb that goes off
is an error here and no trouble for the machine. Linux and macOS only (`resource`).
"""

from __future__ import annotations

import gzip
import json
import resource
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import zstandard

from generator.intake.logs import read_log
from generator.intake.problems import SeasonProblems
from generator.intake.rig import Rig
from generator.intake.yaml_source import read_yaml
from generator.publication.rendering import ProseRefused, markdown_html

MEMORY_BYTES = 3 * 1024**3  # of address space; the libraries alone reserve a third of it
SECONDS = 120

YAML_BOMBS: dict[str, str] = {
    "brackets": "a: " + "[" * 900_000,
    "braces": "a: " + "{a: " * 300_000,
    "dashes": "- " * 900_000 + "a",
    "question marks": "? " * 900_000 + "a",
    "steps": "\n".join(" " * i + "a:" for i in range(1900)),
    "many values": "a: [" + "a," * 990_000 + "]",
    "many anchors": "".join(f"k{i}: &a{i} x\n" for i in range(100_000)),
    "aliases": "a0: &a0 [x,x,x,x,x,x,x,x,x,x]\n"
    + "".join(f"a{i}: &a{i} [{','.join([f'*a{i - 1}'] * 10)}]\n" for i in range(1, 30)),
    "an alias of itself": "a: &a [*a]",
    "a huge key": "? " + "k" * 1_900_000 + "\n: 1",
}
PROSE_BOMBS: dict[str, str] = {
    "open brackets": "[" * 100_000,
    "links": "[a](" * 40_000,
    "pictures": "![" * 60_000,
    "tags": "<a " * 60_000,
    "sections of data": "<![CDATA[" * 5_000,
    "headings": "a\n=\n" * 30_000,
    "abbreviations": "".join(f"*[a{i}]: b\n" for i in range(10_000)),
    "lists in lists": "1. " * 30_000,
    "quotations": "> " * 90_000,
    "definitions": "a\n: b\n" * 10_000,
    "a long text": "word " * 90_000,
}


def write_log_bombs(folder: Path) -> Iterator[Path]:
    """Logs that open to far more than they are, or hold far more than a log."""

    def text(name: str, content: bytes) -> Path:
        file = folder / name
        file.write_bytes(content)
        return file

    yield text("zeros.gz", gzip.compress(b"\0" * 300_000_000))
    yield text("zeros.zst", zstandard.compress(b"\0" * 300_000_000))
    yield text("members.gz", gzip.compress(b"") * 200_000)
    yield text("one line.csv", b"x" * 50_000_000)
    yield text("one header.csv", b"a," * 20_000_000 + b"\n1,2\n")
    yield text("line ends.csv", b"\n" * 60_000_000)
    yield text("line ends after a table.csv", b"t,n\n0,1\n" + b"\n" * 60_000_000)
    yield text("columns.csv", b"," * 900_000 + b"\n1\n")
    yield text("nothing.csv", b"")
    yield text("a header alone.csv", b"t,n\n")
    file = folder / "texts.parquet"
    column = pa.array(["9" * 200_000] * 2000)
    pq.write_table(pa.table({"t": column, "n": column}), file, compression="zstd")
    yield file
    file = folder / "no rows.parquet"
    pq.write_table(pa.table({"t": pa.array([], pa.float64()), "n": pa.array([], pa.float64())}), file)
    yield file


def _ends(action: Callable[[], str]) -> tuple[str, float]:
    began = time.process_time()
    try:
        said = action()
    except Exception as fault:
        said = f"!{type(fault).__name__}: {fault}"
    return said[:300], time.process_time() - began


def _yaml(file: Path) -> str:
    _, problems = read_yaml(file, file.name)
    return str(problems[0]) if problems else "read"


def _log(file: Path, rig: Rig) -> str:
    try:
        read_log(file, shown=file.name, path=file.name, rig=rig, pole_pairs=7)
    except SeasonProblems as found:
        return str(found.problems[0])
    return "read"


def _prose(text: str) -> str:
    try:
        markdown_html(text)
    except ProseRefused as refused:
        return f"{refused.what} {refused.remedy}"
    return "read"


def main(folder: Path) -> None:
    """Read all of them."""
    channels = {"time": {"column": "t", "unit": "s"}, "speed": {"column": "n", "unit": "rpm"}}
    rig = Rig.model_validate({"id": "stand", "label": "Stand", "channels": channels})
    logs = list(write_log_bombs(folder))
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    resource.setrlimit(resource.RLIMIT_CPU, (SECONDS, SECONDS))
    for kind, bombs, read in (("yaml", YAML_BOMBS, None), ("prose", PROSE_BOMBS, _prose)):
        for name, text in bombs.items():
            file = folder / "bomb.yaml"
            file.write_text(text, encoding="utf-8")
            said, took = _ends(lambda text=text, file=file, read=read: read(text) if read else _yaml(file))
            print(json.dumps({"kind": kind, "name": name, "said": said, "seconds": took}), flush=True)
    for file in logs:
        said, took = _ends(lambda file=file: _log(file, rig))
        print(json.dumps({"kind": "log", "name": file.name, "said": said, "seconds": took}), flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
