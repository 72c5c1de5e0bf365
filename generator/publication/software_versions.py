"""Versions of everything that computes: Python, Whirlbook, and each package that it needs."""

from __future__ import annotations

import importlib.metadata
import json
import platform
import zlib
from collections.abc import Mapping
from typing import Any

from packaging.requirements import InvalidRequirement, Requirement
from packaging.utils import canonicalize_name

DISTRIBUTION = "whirlbook"
FORMAT = "whirlbook-versions/1"
FOR_DEVELOPERS = "test"  # an extra that computes nothing


def installed_versions(version: str) -> dict[str, Any]:
    """What runs here, for `versions.json`. version: of Whirlbook itself.

    Packages are those that Whirlbook requires, and what they require in turn, as far as they are installed; its
    extras are counted in, but for that of its developers.
    """
    packages: dict[str, str] = {}
    waiting = [(DISTRIBUTION, frozenset({""}))]
    seen: set[tuple[str, frozenset[str]]] = set()
    while waiting:
        asked = waiting.pop()
        if asked in seen:
            continue
        seen.add(asked)
        name, extras = asked
        try:
            found = importlib.metadata.distribution(name)
        except importlib.metadata.PackageNotFoundError:
            continue
        if name == DISTRIBUTION:
            offered = set(found.metadata.get_all("Provides-Extra") or ())
            extras = frozenset({"", *offered} - {FOR_DEVELOPERS})
        packages[canonicalize_name(name)] = found.version
        waiting += _needed(found.requires or [], extras)
    packages[DISTRIBUTION] = version
    return {
        "format": FORMAT,
        "python": platform.python_version(),
        "implementation": platform.python_implementation(),
        "platform": f"{platform.system()} {platform.machine()}".strip(),
        "zlib": zlib.ZLIB_RUNTIME_VERSION,
        "packages": dict(sorted(packages.items())),
    }


def _needed(lines: list[str], extras: frozenset[str]) -> list[tuple[str, frozenset[str]]]:
    """Name and extras of each requirement that holds on this machine."""
    found: list[tuple[str, frozenset[str]]] = []
    for line in lines:
        try:
            requirement = Requirement(line)
        except InvalidRequirement:
            continue
        marker = requirement.marker
        if marker is None or any(marker.evaluate({"extra": extra}) for extra in extras):
            found.append((canonicalize_name(requirement.name), frozenset({"", *requirement.extras})))
    return found


def versions_text(versions: Mapping[str, Any]) -> bytes:
    """`versions.json`."""
    return f"{json.dumps(versions, ensure_ascii=False, indent=1)}\n".encode()


def requirements_text(versions: Mapping[str, Any]) -> bytes:
    """The same packages as a list that pip reads."""
    lines = [f"# With {versions['implementation']} {versions['python']} on {versions['platform']}."]
    lines += [f"{name}=={version}" for name, version in versions["packages"].items()]
    return ("\n".join(lines) + "\n").encode()


def version_differences(then: Mapping[str, Any], now: Mapping[str, Any]) -> tuple[str, ...]:
    """What changed from one `versions.json` to another, a clause each: `numpy 2.1.0 then, 2.3.1 now`."""
    told = [
        (name, str(then.get(name, "not stated")), str(now.get(name, "not stated")))
        for name in ("python", "implementation", "platform")
    ]
    before, after = (_mapping(versions.get("packages")) for versions in (then, now))
    told += [
        (name, str(before.get(name, "not there")), str(after.get(name, "not there")))
        for name in sorted({*before, *after}, key=lambda name: (name != DISTRIBUTION, name))
    ]
    return tuple(f"{name} {was} then, {is_} now" for name, was, is_ in told if was != is_)


def _mapping(value: object) -> Mapping[str, object]:
    return value if isinstance(value, Mapping) else {}
