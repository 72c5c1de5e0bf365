"""Cleaning of a rendered chart: what a page needs stays, the renderer's scaffolding goes."""

from __future__ import annotations

import re
from collections.abc import Iterator
from xml.etree import ElementTree

Element = ElementTree.Element
NAMESPACE = "http://www.w3.org/2000/svg"
ALLOWED = frozenset(
    {"svg", "g", "path", "line", "rect", "text", "tspan", "defs", "clipPath", "linearGradient", "stop"}
)
# Set on a group, these reach the shapes inside; the others do not.
INHERITED = (
    "fill", "fill-opacity", "stroke", "stroke-width", "stroke-dasharray", "stroke-opacity", "stroke-linejoin",
    "stroke-linecap", "stroke-miterlimit", "text-anchor", "font-size", "font-weight", "font-style",
)  # fmt: skip
KEPT = frozenset(
    {
        *INHERITED, "id", "d", "transform", "x", "y", "x1", "x2", "y1", "y2", "dx", "dy", "width", "height",
        "viewBox", "clip-path", "opacity", "offset", "stop-color", "stop-opacity", "gradientUnits",
    }
)  # fmt: skip
NUMERIC = frozenset({"d", "transform", "x", "y", "x1", "x2", "y1", "y2", "dx", "dy", "stroke-width"})
_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")
_REFERENCE = re.compile(r"url\(#([^)]+)\)")
_NOTHING = ("none", "transparent")


def clean_svg(svg: str, name: str, title: str) -> str:
    """A chart's SVG made fit for a page.

    svg    as the renderer gives it
    name   prefix of the ids inside
    title  what the chart shows
    Returns one line: a root with role and title, ids counted from 1 under the name, coordinates to 0.1 px,
            no classes, styles, roles or labels of single marks, no shape that draws nothing
    Raises  ValueError for an element that is not among ALLOWED
    """
    root = ElementTree.fromstring(svg)
    _strip(root)
    _prune(root, {"fill": "none", "stroke": "none"})
    _drop_unused_definitions(root)
    for child in root:
        _hoist(child)
    _unwrap(root)
    prefix = re.sub(r"[^A-Za-z0-9_-]+", "-", name).strip("-")
    if not prefix[
        :1
    ].isalpha():  # a name in XML starts with a letter, also where the chart is a file of its own
        prefix = f"chart-{prefix}".rstrip("-")
    _rename_ids(root, prefix)
    return _finish(root, prefix, title)


def _strip(element: Element) -> None:
    """Bare tag names; only attributes that draw something; declarations of `style` as attributes; rounded numbers."""
    tag = element.tag.rsplit("}", 1)[-1]
    if tag not in ALLOWED:
        raise ValueError(f"a chart holds an element <{tag}>, which no page needs")
    element.tag = tag
    attributes = dict(_attributes(element))
    element.attrib.clear()
    for key, value in attributes.items():
        element.set(key, _NUMBER.sub(_rounded, value) if key in NUMERIC else value)
    if element.text is not None and tag not in ("text", "tspan"):
        element.text = None
    for child in element:
        child.tail = None
        _strip(child)


def _attributes(element: Element) -> Iterator[tuple[str, str]]:
    declared = [part.split(":", 1) for part in element.get("style", "").split(";") if ":" in part]
    for key, value in (*element.attrib.items(), *((k.strip(), v.strip()) for k, v in declared)):
        if key == "display" and value == "none":
            yield "opacity", "0"
        elif key in KEPT and not _changes_nothing(key, value):
            yield key, value.removesuffix("px") if key == "font-size" else value


def _changes_nothing(key: str, value: str) -> bool:
    if key == "opacity":
        return float(value) == 1.0
    return key == "transform" and _NUMBER.sub(_rounded, value) == "translate(0,0)"


def _rounded(found: re.Match[str]) -> str:
    text = f"{float(found.group()):.1f}"
    text = text.removesuffix(".0")
    return "0" if text == "-0" else text


def _prune(element: Element, inherited: dict[str, str]) -> None:
    """Shapes that draw nothing go: empty paths, no fill and no stroke, no opacity, labels hidden for lack of room."""
    for child in list(element):
        if child.tag in ("defs", "clipPath"):
            continue
        look = {key: child.get(key, value) for key, value in inherited.items()}
        _prune(child, look)
        if _draws_nothing(child, look):
            element.remove(child)


def _draws_nothing(element: Element, look: dict[str, str]) -> bool:
    if float(element.get("opacity", "1")) == 0.0:
        return True
    if element.tag == "g":
        return len(element) == 0
    if element.tag in ("text", "tspan"):
        return not "".join(element.itertext()).strip()
    if element.tag == "path" and not element.get("d"):
        return True
    filled = look["fill"] not in _NOTHING and element.tag != "line"
    return not filled and look["stroke"] in _NOTHING


def _drop_unused_definitions(root: Element) -> None:
    used = {name for element in root.iter() for value in element.attrib.values() for name in _names(value)}
    for parent in list(root.iter()):
        for child in list(parent):
            if child.get("id") is not None and child.get("id") not in used:
                parent.remove(child)
    for child in list(root):
        if child.tag == "defs" and len(child) == 0:
            root.remove(child)


def _names(value: str) -> list[str]:
    return _REFERENCE.findall(value)


def _hoist(element: Element) -> None:
    """What all children of a group share is written once, on the group."""
    for child in element:
        _hoist(child)
    if element.tag != "g" or len(element) < 2:
        return
    for key in INHERITED:
        value = element[0].get(key)
        if value is not None and all(child.get(key) == value for child in element):
            element.set(key, value)
            for child in element:
                del child.attrib[key]


def _unwrap(element: Element) -> None:
    """Groups without attributes give way to their children."""
    children: list[Element] = []
    for child in element:
        _unwrap(child)
        if child.tag == "g" and not child.attrib:
            children += list(child)
        else:
            children.append(child)
    for child in list(element):
        element.remove(child)
    element.extend(children)


def _rename_ids(root: Element, prefix: str) -> None:
    """Ids in the order in which they are first named, whatever the renderer's own count stood at."""
    new: dict[str, str] = {}
    for element in root.iter():
        for value in (element.get("id"), *_names(" ".join(element.attrib.values()))):
            if value is not None:
                new.setdefault(value, f"{prefix}-{len(new) + 1}")
    for element in root.iter():
        for key, value in list(element.attrib.items()):
            if key == "id":
                element.set(key, new[value])
            elif "url(#" in value:
                element.set(key, _REFERENCE.sub(lambda found: f"url(#{new[found.group(1)]})", value))


def _finish(root: Element, prefix: str, title: str) -> str:
    sizes = {key: value for key in ("width", "height", "viewBox") if (value := root.get(key))}
    root.attrib.clear()
    # width and height give the aspect ratio before any style sheet is read; the page's class makes it fluid
    root.attrib.update(
        {
            "xmlns": NAMESPACE,
            "class": "chart",
            **sizes,
            "role": "img",
            "aria-labelledby": f"{prefix}-title",
        }
    )
    heading = Element("title", {"id": f"{prefix}-title"})
    heading.text = title
    root.insert(0, heading)
    return ElementTree.tostring(root, encoding="unicode")
