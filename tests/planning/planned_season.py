"""A small season whose second session is to be planned; the first has been measured. All of it is invented."""

from __future__ import annotations

from pathlib import Path

from tests.seasons import SESSION, write_season

QUESTION = "Does <b> draw more *power* than a_b?"


def write_planned(folder: Path, *, runs: str = "runs:\n", **replaced: str) -> Path:
    """Write the season; returns the folder of the session to be planned. replaced: texts of its file, old to new."""
    write_season(folder)
    text = SESSION[: SESSION.index("runs:")] + runs + SESSION[SESSION.index("claims:") :]
    text = text.replace("date: 2031-05-04", "date: 2031-06-01").replace(
        "Does b draw more power than a?", f"'{QUESTION}'"
    )
    for old, new in replaced.items():
        assert old in text, old
        text = text.replace(old, new)
    (folder / "next").mkdir()
    (folder / "next" / "session.yaml").write_text(text, encoding="utf-8")
    return folder / "next"
