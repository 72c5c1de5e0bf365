"""What reads other people's files must not be older than its known holes; and nothing is used that is not asked for."""

from __future__ import annotations

import ast
import sys
import tomllib
from importlib.metadata import packages_distributions, version
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.version import Version

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
ASKED = {one.name: one for one in map(Requirement, PROJECT["dependencies"])}

# Package -> first version without, and what it had. Looked through in November 2026; `DEVELOPERS.md` says how to again.
MENDED = {
    # a template breaks out of the sandbox through the filter `attr`: CVE-2025-27516 (GHSA-cpwx-vrp4-4pq7)
    "jinja2": "3.1.6",
    # markup that ends in an exception: CVE-2025-69534, mended in 3.8.1; a run of backticks that takes hours in 3.10.3:
    # issue 1617 of Python-Markdown
    "markdown": "3.11",
    # photos: writes past its buffer while reading a JPEG, GHSA-8g5g-8vmr-9782; a header that never ends,
    # CVE-2026-96643 (release notes of Pillow 13.0.0)
    "pillow": "13.0.0",
    # logs in Parquet: runs what a file says, CVE-2023-47248 (GHSA-5wvp-7f3h-6wmm)
    "pyarrow": "14.0.1",
}

# Parts of the interface of a package that is asked for, which brings them itself.
BROUGHT = {"pydantic-core": "pydantic", "markupsafe": "jinja2", "dask": "distributed"}


@pytest.mark.parametrize("name", MENDED)
def test_no_version_with_a_known_hole_is_let_in(name: str) -> None:
    mended = Version(MENDED[name])
    floors = [Version(one.version) for one in ASKED[name].specifier if one.operator == ">="]
    assert len(floors) == 1
    assert floors[0] >= mended
    assert Version(version(name)) >= mended


def test_everything_imported_is_asked_for() -> None:
    extras = {Requirement(text).name for texts in PROJECT["optional-dependencies"].values() for text in texts}
    known = {name.lower().replace("_", "-") for name in (*ASKED, *extras)}
    owners = packages_distributions()
    for file in sorted((ROOT / "generator").rglob("*.py")):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            names: list[str] = []
            if isinstance(node, ast.Import):
                names = [one.name for one in node.names]
            elif isinstance(node, ast.ImportFrom) and not node.level and node.module:
                names = [node.module]
            for name in names:
                top = name.partition(".")[0]
                if top == "generator" or top in sys.stdlib_module_names:
                    continue
                found = {
                    BROUGHT.get(owner, owner)
                    for owner in {owner.lower().replace("_", "-") for owner in owners.get(top, ())}
                }
                assert found & known, f"{file.relative_to(ROOT)} imports {name}"
