"""The differences that would matter, stated before the test."""

from __future__ import annotations

from collections.abc import Mapping

from generator.intake.problems import Problem
from generator.intake.quantities import UnreadableQuantity, parse_published, parse_quantity
from generator.intake.session import Margin, SessionFile
from generator.intake.yaml_source import YamlSource, dotted


def margins_of(
    source: YamlSource, read: SessionFile, units: Mapping[str, str], problems: list[Problem]
) -> dict[str, Margin]:
    """Response -> the smallest difference that matters, as `matters:` of session.yaml states it; faults to `problems`.

    units  response -> published unit
    """
    margins: dict[str, Margin] = {}
    for response, text in read.matters.items():
        unit = units.get(response)
        if unit is None:
            continue  # reported as an unknown response
        try:
            if isinstance(text, str) and text.strip().endswith("%") and unit != "%":
                margin = Margin(text=text, relative=parse_quantity(text, "ratio"))
            else:
                margin = Margin(text=str(text), absolute=parse_published(text, unit))
            size = margin.relative if margin.relative is not None else margin.absolute
            if size is None or not size > 0.0:
                raise UnreadableQuantity(
                    f"'{text}' is not above zero.", "Write the smallest difference that would matter."
                )
        except UnreadableQuantity as error:
            path = ("matters", response)
            how = f"Write the unit with the number: {response}: {text} {unit}"
            remedy = error.remedy if isinstance(text, str) else how
            problems.append(
                Problem(
                    file=source.shown,
                    line=source.line(path),
                    key=dotted(path),
                    what=error.what,
                    remedy=remedy,
                )
            )
            continue
        margins[response] = margin
    return margins
