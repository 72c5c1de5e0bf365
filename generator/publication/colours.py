"""The colour table of the figures as a style sheet, so that charts and pages never part."""

from __future__ import annotations

from generator.figures.styles import COLOURS


def colours_css() -> str:
    """Custom properties for a light and a dark ground. Print is always light."""

    def block(place: int, indent: str) -> str:
        return "".join(f"{indent}{name}: {pair[place]};\n" for name, pair in COLOURS.items())

    return (
        "/* Made from the colour table of the figures. */\n"
        f":root {{\n{block(0, '  ')}}}\n"
        f"@media screen and (prefers-color-scheme: dark) {{\n  :root {{\n{block(1, '    ')}  }}\n}}\n"
    )
