"""The shape of the house: imports run one way, and computation touches no file, clock or template."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "generator"
# A folder may import those to its left. `planning` stands beside figures: it reads what earlier evidence tells.
ORDER = ("intake", "reduction", "evidence", "figures", "publication")
MAY_IMPORT = {name: set(ORDER[: place + 1]) for place, name in enumerate(ORDER)}
MAY_IMPORT["planning"] = {"intake", "reduction", "evidence", "planning"}
# Commands call the stages, and only the command line calls them.
MAY_IMPORT["commands"] = {*ORDER, "planning", "commands"}
PURE = ("reduction", "evidence", "figures")
FORBIDDEN_MODULES = {
    "os", "io", "pathlib", "shutil", "tempfile", "subprocess", "socket", "urllib", "time", "random", "secrets",
    "jinja2", "markdown", "yaml", "vl_convert", "sys", "glob", "importlib",
}  # fmt: skip
FORBIDDEN_CALLS = {"open", "print", "input", "exec", "eval", "__import__"}
CLOCK_METHODS = {
    "now",
    "today",
    "utcnow",
    "read_csv",
    "read_parquet",
    "to_csv",
    "to_parquet",
    "read_text",
    "write_text",
}

MODULES = sorted(PACKAGE.rglob("*.py"))


def imports(tree: ast.Module) -> list[str]:
    """Every module a file imports when it runs; those only for the type checker too."""
    found: list[str] = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found += [name.name for name in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "write imports from the top of the package"
            found.append(node.module or "")
            found += [f"{node.module}.{name.name}" for name in node.names]
    return found


def folder_of(file: Path) -> str:
    parts = file.relative_to(PACKAGE).parts
    return parts[0] if len(parts) > 1 else ""


@pytest.mark.parametrize("file", MODULES, ids=lambda file: str(file.relative_to(PACKAGE)))
def test_imports_run_one_way(file: Path) -> None:
    here = folder_of(file)
    tree = ast.parse(file.read_text(encoding="utf-8"))
    for name in imports(tree):
        parts = name.split(".")
        if parts[0] != "generator" or len(parts) < 2 or not (PACKAGE / parts[1]).is_dir():
            above = ["cli"] if here == "commands" else ["cli", "pipeline"]
            assert here == "" or len(parts) < 2 or parts[1] not in above, name
            continue
        assert here == "" or parts[1] in MAY_IMPORT[here], f"{here} may not import {name}"


@pytest.mark.parametrize(
    "file", [f for f in MODULES if folder_of(f) in PURE], ids=lambda file: str(file.relative_to(PACKAGE))
)
def test_computation_touches_no_file_clock_or_template(file: Path) -> None:
    tree = ast.parse(file.read_text(encoding="utf-8"))
    for name in imports(tree):
        assert name.split(".")[0] not in FORBIDDEN_MODULES, f"imports {name}"
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        if isinstance(node.func, ast.Name):
            assert node.func.id not in FORBIDDEN_CALLS, f"line {node.lineno}: calls {node.func.id}"
        elif isinstance(node.func, ast.Attribute):
            assert node.func.attr not in CLOCK_METHODS, f"line {node.lineno}: calls .{node.func.attr}"


@pytest.mark.parametrize("folder", [*ORDER, "planning", "commands"])
def test_each_folder_says_what_it_takes_and_gives(folder: str) -> None:
    doc = ast.get_docstring(ast.parse((PACKAGE / folder / "__init__.py").read_text(encoding="utf-8")))
    lines = (doc or "").splitlines()
    assert lines[0].startswith("Takes ")
    assert lines[1].startswith("Gives ")


@pytest.mark.parametrize("file", MODULES, ids=lambda file: str(file.relative_to(PACKAGE)))
def test_no_module_outgrows_one_room(file: Path) -> None:
    assert len(file.read_text(encoding="utf-8").splitlines()) <= 420


def test_templates_do_not_compute() -> None:
    """No arithmetic, rounding or sorting in a layout: values arrive formatted."""
    layouts = PACKAGE.parent / "layouts"
    for file in layouts.rglob("*.html"):
        text = file.read_text(encoding="utf-8")
        for word in ("|round", "| round", "|sort", "| sort", "|sum", "| sum", "|safe", "| safe", "format("):
            assert word not in text, f"{file.name}: {word}"
