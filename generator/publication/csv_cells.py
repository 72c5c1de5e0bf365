"""Texts in comma-separated files: harmless in a spreadsheet too."""

from __future__ import annotations

# With one of these first, a spreadsheet calculates a cell instead of showing it (common practice, as in the guidance on
# "CSV injection" of the OWASP Foundation; from memory).
CALCULATED = ("=", "+", "-", "@", "\t", "\r")


def text_cell(text: str) -> str:
    """A text, with an apostrophe before one that a spreadsheet would calculate; a number is not for this function."""
    return f"'{text}" if text.startswith(CALCULATED) else text
