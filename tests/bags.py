"""Small archives for tests: made once, copied to be broken, and put right again as a deceiver would."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from generator.archiving import archive
from tests.seasons import write_season

RESULTS = "data/results/q/results.json"
PUBLISHED = "data/site/sessions/q/results.json"
Change = Callable[[dict[str, Any]], None]


def without_charts(patch: pytest.MonkeyPatch) -> None:
    """An empty picture in the place of each chart, so that building a site takes no time."""

    def empty(figure_name: str, spec: object, title_text: str) -> str:
        return (
            f'<svg viewBox="0 0 1 1" role="img" aria-labelledby="{figure_name}-title">'
            f'<title id="{figure_name}-title">Empty</title></svg>'
        )

    patch.setattr("generator.publication.figure_blocks.render_svg", empty)


def make_bag(folder: Path, **options: Any) -> Path:
    """The small season of `tests.seasons`, archived in `folder/bag`; options as `archive`."""
    with pytest.MonkeyPatch.context() as patch:
        without_charts(patch)
        return archive(write_season(folder / "season"), folder / "bag", **options).bags[0].path


def copy_of(bag: Path, folder: Path) -> Path:
    """A copy to break."""
    return Path(shutil.copytree(bag, folder / "copy"))


def put_right(bag: Path) -> None:
    """Write manifests and size anew over whatever the folder holds: only figures can now give a change away."""
    payload = sorted(file for file in (bag / "data").rglob("*") if file.is_file())
    for algorithm in ("sha256", "sha512"):
        _manifest(bag, f"manifest-{algorithm}.txt", payload, algorithm)
    info = bag / "bag-info.txt"
    size = sum(file.stat().st_size for file in payload)
    lines = [line for line in info.read_text().splitlines() if not line.startswith("Payload-Oxum")]
    info.write_text("\n".join([*lines, f"Payload-Oxum: {size}.{len(payload)}"]) + "\n")
    tags = sorted(f for f in bag.iterdir() if f.is_file() and not f.name.startswith("tagmanifest"))
    for algorithm in ("sha256", "sha512"):
        _manifest(bag, f"tagmanifest-{algorithm}.txt", tags, algorithm)


def _manifest(bag: Path, name: str, files: list[Path], algorithm: str) -> None:
    lines = [
        f"{hashlib.new(algorithm, file.read_bytes()).hexdigest()}  {file.relative_to(bag).as_posix()}\n"
        for file in files
    ]
    (bag / name).write_text("".join(lines))


def change_results(bag: Path, change: Change) -> None:
    """Change results.json in both places where a bag holds it, and put the manifests right."""
    for name in (RESULTS, PUBLISHED):
        document = json.loads((bag / name).read_text(encoding="utf-8"))
        change(document)
        (bag / name).write_text(json.dumps(document, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")
    put_right(bag)


def change_info(bag: Path, label: str, value: str) -> None:
    """Give a label of bag-info.txt another value, and put the manifests right."""
    info = bag / "bag-info.txt"
    lines = [
        f"{label}: {value}" if line.startswith(f"{label}:") else line
        for line in info.read_text().splitlines()
    ]
    info.write_text("\n".join(lines) + "\n")
    put_right(bag)


def make_older(bag: Path) -> None:
    """Turn a bag into one of an earlier version: fewer keys, other words, no versions of the software."""

    def fewer(document: dict[str, Any]) -> None:
        document["generator"]["version"] = "0.0.9"
        document["headline"] = f"In other words: {document['headline']}"
        for key in ("curve_contrasts", "energy", "heat", "loss_differences", "in_the_air_differences"):
            del document[key]
        for contrast in document["contrasts"]:
            for key in ("jointly", "family", "family_size", "budget", "p_equivalence"):
                del contrast[key]
        for response in document["responses"]:
            del response["budget"]

    (bag / "data/software/versions.json").unlink()
    change_info(bag, "Whirlbook-Version", "0.0.9")
    change_results(bag, fewer)
