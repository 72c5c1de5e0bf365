"""Plain data against a record: every fault becomes a Problem with its line and its remedy."""

from __future__ import annotations

import copy
import types
import typing
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, TypeVar, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from generator.intake.problems import Problem, nearest, suggestion
from generator.intake.yaml_source import YamlSource, dotted

M = TypeVar("M", bound=BaseModel)
Loc = tuple[str | int, ...]
PRUNINGS = 6  # a run without its log leaves with the run, a treatment without its motor with the treatment


def validated(
    source: YamlSource,
    model: type[M],
    problems: list[Problem],
    *,
    extra: dict[str, Any] | None = None,
    stand_ins: Mapping[str, Any] = MappingProxyType({}),
) -> M | None:
    """`source.data` as a `model`; faults are added to `problems`.

    extra    values that do not stand in the file, such as the id taken from its name
    stand_ins  values for required keys on which nothing else hangs, used only to check the rest once they
               are at fault
    Returns  the record; with faults, what is left of it when the faulty keys are taken out, so that the rest
             is checked in the same pass; None if nothing usable is left. A caller must not build on a
             record whose file has problems.
    """
    data: dict[str, Any] = copy.deepcopy({**source.data, **(extra or {})})
    for attempt in range(PRUNINGS):
        try:
            return model.model_validate(data)
        except ValidationError as error:
            details = error.errors(include_url=False)
            if attempt == 0:
                problems += [
                    _problem(source, model, detail) for detail in details if not _follows(detail, details)
                ]
            _respell(model, data, details)
            for detail in details:
                root = detail["loc"][0] if detail["loc"] else ""
                if root in stand_ins:
                    data[str(root)] = stand_ins[str(root)]
            details = [detail for detail in details if not detail["loc"] or detail["loc"][0] not in stand_ins]
            places = {place for detail in details if (place := _place_to_prune(data, detail)) is not None}
            # later list items first, so that the places of earlier ones stay true
            for place in sorted(places, key=lambda loc: [str(part).zfill(9) for part in loc], reverse=True):
                if not place or not _prune(data, place):
                    return None
    return None


def _follows(detail: ErrorDetails, details: list[ErrorDetails]) -> bool:
    """Whether a list counts as too short only because items of it are faulty, which is told already."""
    loc = tuple(detail["loc"])
    deeper = (tuple(other["loc"]) for other in details)
    return detail["type"] == "too_short" and any(
        other[: len(loc)] == loc and other != loc for other in deeper
    )


def _place_to_prune(data: Any, detail: ErrorDetails) -> Loc | None:
    """Where the fault is taken out: the value itself, or what lacks a key; None if it has been put right."""
    loc: Loc = tuple(detail["loc"])
    if detail["type"] != "missing":
        return loc
    holder: Any = data
    for part in loc[:-1]:
        holder = holder[part]
    return None if isinstance(holder, dict) and loc[-1] in holder else loc[:-1]


def _respell(model: type[BaseModel], data: Any, details: list[ErrorDetails]) -> None:
    """Read a misspelt key as the key it most likely means, so that what hangs on it is checked as well."""
    for detail in details:
        loc: Loc = tuple(detail["loc"])
        if detail["type"] != "extra_forbidden":
            continue
        holder = data
        for part in loc[:-1]:
            holder = holder[part]
        meant = nearest(str(loc[-1]), known_keys(model, loc[:-1]))
        if meant is not None and meant not in holder:
            holder[meant] = holder[loc[-1]]


def _prune(data: Any, place: Loc) -> bool:
    """Take the value at `place`, or at its nearest existing parent, out of `data`; False if there is none."""
    parents: list[tuple[Any, str | int]] = []
    for part in place:
        inside = isinstance(data, dict) and part in data
        listed = isinstance(data, list) and isinstance(part, int) and part < len(data)
        if not (inside or listed):
            break
        parents.append((data, part))
        data = data[part]
    if not parents:
        return False
    holder, last = parents[-1]
    del holder[last]
    return True


def _problem(source: YamlSource, model: type[BaseModel], detail: ErrorDetails) -> Problem:
    loc: Loc = tuple(detail["loc"])
    what, remedy = _words(model, loc, detail)
    while loc and loc not in source.lines and detail["type"] != "missing":
        loc = loc[:-1]
    line = source.line(loc[:-1] if detail["type"] == "missing" else loc)
    return Problem(file=source.shown, line=line, key=dotted(loc), what=what, remedy=remedy)


def _words(model: type[BaseModel], loc: Loc, detail: ErrorDetails) -> tuple[str, str]:
    kind, context = detail["type"], detail.get("ctx", {})
    found = _short(detail.get("input"))
    match kind:
        case "quantity":
            return str(context["what"]), str(context["remedy"])
        case "extra_forbidden":
            known = known_keys(model, loc[:-1])
            return "no such key here.", suggestion(str(loc[-1]), known)
        case "missing":
            about = description_of(model, loc)
            return "is missing.", f"Add `{loc[-1]}:`." + (f" {about}" if about else "")
        case "literal_error":
            expected = str(context.get("expected", "")).replace("'", "")
            return f"'{found}' is not one of: {expected}.", suggestion(
                str(detail.get("input")), expected.replace(" or ", ", ").split(", ")
            )
        case "string_pattern_mismatch":
            return (
                f"'{found}' cannot be used as a name here.",
                "Use letters, digits, dots, hyphens and underscores, without spaces.",
            )
        case "string_type":
            return f"{found} is not text.", "Put it in quotes if it is meant as text."
        case "model_type" | "dict_type" | "model_attributes_type":
            return f"'{found}' is not a group of keys.", "Write keys and values under it, or inside { }."
        case "tuple_type" | "list_type":
            return f"'{found}' is not a list.", "Write it in square brackets: [first, second]."
        case "value_error":
            return str(context.get("error", detail["msg"])), "Correct the value."
        case "greater_than" | "greater_than_equal" | "less_than" | "less_than_equal":
            limit = next(iter(context.values()), "")
            words = {
                "greater_than": "above",
                "greater_than_equal": "at least",
                "less_than": "below",
                "less_than_equal": "at most",
            }
            return f"'{found}' is out of range.", f"It must be {words[kind]} {limit}."
        case _:
            return f"'{found}' does not fit here: {detail['msg'].rstrip('.').lower()}.", description_of(
                model, loc
            ) or "Correct the value."


def _short(value: object) -> str:
    text = str(value)
    return text if len(text) <= 40 else text[:37] + "..."


def _strip(annotation: Any) -> list[Any]:
    """The types an annotation can hold, unions and Annotated opened."""
    origin = get_origin(annotation)
    if origin in (typing.Union, types.UnionType):
        return [inner for arg in get_args(annotation) for inner in _strip(arg)]
    if hasattr(annotation, "__metadata__"):
        return _strip(get_args(annotation)[0])
    return [annotation]


def _step(annotation: Any, part: str | int) -> Any:
    for kind in _strip(annotation):
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            for name, info in kind.model_fields.items():
                if part in (info.alias, name):
                    return info.annotation
        elif get_origin(kind) in (dict, tuple, list) and get_args(kind):
            arguments = [arg for arg in get_args(kind) if arg is not Ellipsis]
            return arguments[-1]
    return None


def known_keys(model: type[BaseModel], loc: Loc) -> list[str]:
    """YAML keys allowed at `loc`."""
    annotation: Any = model
    for part in loc:
        annotation = _step(annotation, part)
    return [
        info.alias or name
        for kind in _strip(annotation)
        if isinstance(kind, type) and issubclass(kind, BaseModel)
        for name, info in kind.model_fields.items()
        if info.exclude is not True and name != "id"
    ]


def description_of(model: type[BaseModel], loc: Loc) -> str:
    """Help text of the field at `loc`, or an empty string."""
    annotation: Any = model
    for part in loc[:-1]:
        annotation = _step(annotation, part)
    for kind in _strip(annotation):
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            for name, info in kind.model_fields.items():
                if loc and loc[-1] in (info.alias, name):
                    return info.description or ""
    return ""
