"""YAML that explains itself: every key of a model, with its description as a comment above it.

The comments are the descriptions that the JSON Schemas and the error messages carry too, so they never drift.
A key that is not in use stands behind a bare `#`; with that taken away the line is right as it is.
"""

from __future__ import annotations

import json
import textwrap
import types
import typing
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args, get_origin

import yaml
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from generator.intake.parts import Part
from generator.intake.placeholders import MARK
from generator.intake.quantities import DIMENSIONS

WIDTH = 100


@dataclass(frozen=True, slots=True)
class Invented:
    """A value that the tester must replace; its line says so."""

    value: Any


def explained(
    model: type[BaseModel],
    values: Mapping[str, Any],
    examples: Mapping[str, Any],
    *,
    indent: int = 0,
    explain: bool = True,
    spare: bool = True,
    told: set[type[BaseModel]] | None = None,
) -> list[str]:
    """Lines of YAML for one record.

    values    YAML key -> value, for the keys in use: plain, Invented, or, for a group of keys, a mapping or a list
    examples  YAML key -> what an unused key could hold; what its type allows, where no example is given;
              `key.` -> the same for the keys inside it; `key?` -> what else there is to say of it
    explain   whether each key is explained
    spare     whether keys that are not in use are shown
    told      records whose keys have been explained in this file already
    """
    told = set() if told is None else told
    lines: list[str] = []
    margin = " " * indent
    for key, info in keys_of(model).items():
        inner = _model_in(info.annotation)
        if key not in values and not spare:
            continue
        if explain:
            said = [about(model, key, info), examples.get(f"{key}?", "")]
            lines += ["", *comment(" ".join(text for text in said if text), indent)]
        if key not in values:
            example = examples.get(key, _example(info))
            if explain and inner is not None:
                lines += _key_list(inner, indent, told)
            lines += [f"{margin}#{line}" for line in f"{key}: {flow(example)}".splitlines()]
        elif inner is None or not isinstance(_bare(values[key]), Mapping | list):
            lines += [f"{margin}{key}: {_with_mark(values[key])}"]
        else:
            lines += _group(key, info, inner, values[key], examples, indent, explain, told)
    return lines


def _group(
    key: str,
    info: FieldInfo,
    inner: type[BaseModel],
    value: Any,
    examples: Mapping[str, Any],
    indent: int,
    explain: bool,
    told: set[type[BaseModel]],
) -> list[str]:
    """A key that holds a record, records by name, or a list of records."""
    margin, deeper = " " * indent, examples.get(f"{key}.", {})
    if isinstance(value, list):
        head = _key_list(inner, indent, told) if explain else []
        return [*head, f"{margin}{key}:", *(f"{margin}  - {_with_mark(item)}" for item in value)]
    if isinstance(value, Invented):
        head = _key_list(inner, indent, told) if explain else []
        return [*head, f"{margin}{key}: {_with_mark(value)}"]
    if not _holds_many(info.annotation):
        body = explained(inner, value, deeper, indent=indent + 2, explain=explain, told=told)
        return [f"{margin}{key}:", *(body[1:] if body[:1] == [""] else body)]
    lines = [f"{margin}{key}:"]
    for place, (name, record) in enumerate(value.items()):
        first = explain and place == 0
        lines += [] if place == 0 else [""]
        body = explained(inner, record, deeper, indent=indent + 4, explain=first, spare=first, told=told)
        lines += [f"{margin}  {name}:", *(body[1:] if body[:1] == [""] else body)]
    return lines


def keys_of(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """YAML key -> field, in the order of the model; without those that do not stand in the file."""
    return {
        info.alias or name: info
        for name, info in model.model_fields.items()
        if name != "id" and info.exclude is not True
    }


def about(model: type[BaseModel], key: str, info: FieldInfo) -> str:
    """What a key means: its description, and what may be written where the choice is small."""
    said = info.description or _annotated(info.annotation) or ""
    if not said and issubclass(model, Part) and key == "kind":
        said = Part.model_fields["kind"].description or ""
    choices = _choices(info.annotation)
    if len(choices) > 1:
        plain = all(str(choice).strip("-°").isalnum() or " " in str(choice).strip() for choice in choices)
        shown = (str(choice) if plain else json.dumps(choice, ensure_ascii=False) for choice in choices)
        said += f" One of: {', '.join(shown)}."
    return said


def comment(text: str, indent: int = 0) -> list[str]:
    """A text as comment lines; a line break in it is kept, and so is the space that a line begins with."""
    margin = " " * indent + "# "
    lines: list[str] = []
    for line in text.split("\n"):
        lines += textwrap.wrap(
            line, WIDTH, initial_indent=margin, subsequent_indent=margin, break_long_words=False
        )
    return lines


def flow(value: Any) -> str:
    """A value as it stands behind its key, on one line."""
    if isinstance(value, str) and "\n" in value:
        raise ValueError("a value here is one line")
    made: str = yaml.safe_dump(
        _plain(value), default_flow_style=True, sort_keys=False, allow_unicode=True, width=10**9
    )
    # `on` is a word to us, as it is in YAML 1.2
    return made.removesuffix("\n").removesuffix("\n...").replace("'on':", "on:")


def _plain(value: Any) -> Any:
    match value:
        case Invented():
            return _plain(value.value)
        case Mapping():
            return {key: _plain(item) for key, item in value.items()}
        case list() | tuple():
            return [_plain(item) for item in value]
        case _:
            return value


def _bare(value: Any) -> Any:
    return value.value if isinstance(value, Invented) else value


def _with_mark(value: Any) -> str:
    return f"{flow(value)}  {MARK}" if isinstance(value, Invented) else flow(value)


def _key_list(inner: type[BaseModel], indent: int, told: set[type[BaseModel]]) -> list[str]:
    """The keys of a record that is written on one line, explained above the first one of its kind."""
    if inner in told:
        return []
    told.add(inner)
    lines = []
    for key, info in keys_of(inner).items():
        lines += textwrap.wrap(
            f"{key}: {about(inner, key, info)}",
            WIDTH,
            initial_indent=" " * indent + "#   ",
            subsequent_indent=" " * indent + "#     ",
            break_long_words=False,
        )
    return lines


# --- what a field's type says -------------------------------------------------------------------------------


def _opened(annotation: Any) -> list[Any]:
    """The types an annotation can hold, unions and Annotated opened."""
    if get_origin(annotation) in (typing.Union, types.UnionType):
        return [inner for arg in get_args(annotation) for inner in _opened(arg)]
    if hasattr(annotation, "__metadata__"):
        return _opened(get_args(annotation)[0])
    return [annotation]


def _model_in(annotation: Any) -> type[BaseModel] | None:
    """The record a field holds: itself, by name, or in a list."""
    for kind in _opened(annotation):
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            return kind
        if get_origin(kind) in (dict, tuple, list):
            arguments = [argument for argument in get_args(kind) if argument is not Ellipsis]
            inner = _model_in(arguments[-1]) if arguments else None
            if inner is not None:
                return inner
    return None


def _holds_many(annotation: Any) -> bool:
    return any(get_origin(kind) is dict for kind in _opened(annotation))


def _choices(annotation: Any) -> Sequence[Any]:
    return [
        choice for kind in _opened(annotation) if get_origin(kind) is Literal for choice in get_args(kind)
    ]


def _metadata(annotation: Any) -> list[Any]:
    if get_origin(annotation) in (typing.Union, types.UnionType):
        return [item for arg in get_args(annotation) for item in _metadata(arg)]
    if hasattr(annotation, "__metadata__"):
        return [*annotation.__metadata__, *_metadata(get_args(annotation)[0])]
    return _metadata(get_args(annotation)[0]) if get_origin(annotation) is tuple else []


def _annotated(annotation: Any) -> str | None:
    """A description inside the type, as in `Annotated[int, Field(description=...)] | None`."""
    said = (item.description for item in _metadata(annotation) if isinstance(item, FieldInfo))
    return next((text for text in said if text), None)


def _example(info: FieldInfo) -> Any:
    """What an unused key could hold, by its type."""
    choices = _choices(info.annotation)
    if choices:
        return choices[0]
    for item in (*info.metadata, *_metadata(info.annotation)):
        kind = getattr(item, "kind", None)
        if kind in DIMENSIONS:
            many = any(get_origin(found) is tuple for found in _opened(info.annotation))
            return [DIMENSIONS[kind].example] if many else DIMENSIONS[kind].example
    match _opened(info.annotation)[0]:
        case kind if kind is bool:
            return not info.default
        case kind if kind in (int, float):
            return info.default if isinstance(info.default, int | float) else 1
        case kind if kind is str:
            return "in your own words"
        case kind if isinstance(kind, type) and issubclass(kind, BaseModel):
            return _least(kind)
        case kind if get_origin(kind) in (dict, tuple) and (inner := _model_in(kind)) is not None:
            return {"name": _least(inner)} if get_origin(kind) is dict else [_least(inner)]
        case _:
            return None


def _least(model: type[BaseModel]) -> dict[str, Any]:
    """A record with no more than it must have."""
    return {key: _example(info) for key, info in keys_of(model).items() if info.is_required()}
