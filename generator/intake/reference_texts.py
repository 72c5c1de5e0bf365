"""Built-in words and numbers: caution texts, thresholds, content pages; a season's own replace them.

Every `folders` runs from the built-in folder to the season's own; what stands in a later one wins.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, field_validator

from generator.intake.caution_texts import CAUTION_PLACES, CautionText, SignalWord, read_caution
from generator.intake.parts import Record, Text
from generator.intake.problems import Problem, SeasonProblems, suggestion
from generator.intake.validation import validated
from generator.intake.yaml_source import YamlSource, dotted, read_yaml

__all__ = [
    "CAUTION_PLACES",
    "CONTENT_PAGES",
    "PROVENANCES",
    "CautionText",
    "SignalWord",
    "Threshold",
    "Thresholds",
    "load_caution_texts",
    "load_content_page",
    "load_thresholds",
]

ThresholdUnit = Literal["dB", "h", "d", "degC", "K", "V", "%", "1"]
# How well a number's source is known; shared/thresholds.yaml says what each means.
PROVENANCES = (
    "read",
    "transcribed",
    "memory",
    "derived",
    "common practice, no source",
    "own choice, no source",
)
CONTENT_PAGES = ("method", "statistics", "safety", "glossary")
MAX_TEXT_BYTES = 500_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Threshold:
    """One limit of shared/thresholds.yaml; value is in `unit`, with temperatures in °C."""

    key: str
    value: float
    unit: ThresholdUnit
    source: str
    provenance: str
    note: str | None = None


@dataclass(frozen=True, slots=True)
class Thresholds:
    """All limits, found by their dotted key such as `sound.level_db`. Every lookup raises KeyError with the
    nearest key if there is no such limit."""

    entries: tuple[Threshold, ...]

    def entry(self, key: str) -> Threshold:
        """The whole entry."""
        for entry in self.entries:
            if entry.key == key:
                return entry
        raise KeyError(f"no threshold '{key}'. {suggestion(key, self.keys())}")

    def keys(self) -> tuple[str, ...]:
        """All keys, in the order of the file."""
        return tuple(entry.key for entry in self.entries)

    def value(self, key: str) -> float:
        """The number, in the unit that stands beside it in the file."""
        return self.entry(key).value

    def share(self, key: str) -> float:
        """A limit in percent as a share (0.02 for 2 %). Raises ValueError for any other unit."""
        entry = self.entry(key)
        if entry.unit != "%":
            raise ValueError(f"threshold '{key}' is in {entry.unit}, not in percent")
        return entry.value / 100.0

    def text(self, key: str) -> str:
        """The number with its unit, for people: `85 dB`, `48 °C`, `2 %`, `0.7`."""
        entry = self.entry(key)
        unit = {"degC": "°C", "1": ""}.get(entry.unit, entry.unit)
        return f"{entry.value:g} {unit}".rstrip()

    def source(self, key: str) -> str:
        """Where the number comes from and how well that is known: `IEC 60085:2007, Table 1 (transcribed)`."""
        entry = self.entry(key)
        return f"{entry.source} ({entry.provenance})"


class _ThresholdEntry(Record):
    value: Annotated[float, Field(strict=True, allow_inf_nan=False, description="A number in `unit`.")]
    unit: ThresholdUnit = Field(description="Its unit.")
    source: Text = Field(description="Where the number comes from.")
    provenance: Text = Field(description="How well the source is known.")
    note: Text | None = None

    @field_validator("provenance")
    @classmethod
    def _known(cls, found: str) -> str:
        if found not in PROVENANCES:
            raise ValueError(f"'{found}' is not one of: " + "; ".join(PROVENANCES) + ".")
        return found


class _ThresholdsFile(Record):
    thresholds: dict[str, dict[str, _ThresholdEntry]] = Field(description="Groups of limits.")


# --- caution texts ------------------------------------------------------------------------------------------


def load_caution_texts(folders: Sequence[Path]) -> dict[str, CautionText]:
    """Caution id -> text, from `ID.md` in each folder of cautions.

    folders  `content/cautions` folders, the built-in one first; one that does not exist is passed over
    Raises   SeasonProblems with every fault of every file, and if one of CAUTION_PLACES has no text
    """
    problems: list[Problem] = []
    texts: dict[str, CautionText] = {}
    for folder in folders:
        for file in sorted(folder.glob("*.md")):
            text = _read_text(file, problems)
            caution = read_caution(file.stem, text, str(file), problems) if text is not None else None
            if caution is not None:
                texts[caution.id] = caution
    missing = [name for name in CAUTION_PLACES if name not in texts]
    if missing and not problems:
        what = "These cautions have no text: " + ", ".join(missing) + "."
        problems.append(Problem(file="cautions", what=what, remedy="Reinstall the program's content folder."))
    _raise(problems)
    return dict(sorted(texts.items()))


# --- thresholds and pages -----------------------------------------------------------------------------------


def load_thresholds(folders: Sequence[Path]) -> Thresholds:
    """All limits from `thresholds.yaml` in each folder; a later file may replace entries of the first found.

    folders  folders that may hold the file, the built-in one first; one without it is passed over
    Raises   SeasonProblems with every fault of every file, or if there is no such file
    """
    problems: list[Problem] = []
    entries: dict[str, Threshold] = {}
    files = [file for folder in folders if (file := folder / "thresholds.yaml").exists()]
    if not files:
        what = "no thresholds.yaml was found in: " + ", ".join(str(folder) for folder in folders)
        remedy = "Reinstall the program's shared folder."
        problems.append(Problem(file="thresholds.yaml", what=what, remedy=remedy))
    for place, file in enumerate(files):
        source, faults = read_yaml(file, str(file))
        problems.extend(faults)
        read = validated(source, _ThresholdsFile, problems) if source.data else None
        for group, members in (read.thresholds if read else {}).items():
            for name, entry in members.items():
                path = ("thresholds", group, name)
                made = Threshold(key=f"{group}.{name}", **entry.model_dump(by_alias=False))
                if place > 0 and not _replaces(made, entries, source, path, problems):
                    continue
                entries[made.key] = made
    _raise(problems)
    return Thresholds(tuple(entries.values()))


def _replaces(
    made: Threshold,
    entries: Mapping[str, Threshold],
    source: YamlSource,
    path: tuple[str | int, ...],
    problems: list[Problem],
) -> bool:
    earlier = entries.get(made.key)
    if earlier is not None and earlier.unit == made.unit:
        return True
    if earlier is None:
        what, remedy = f"There is no threshold '{made.key}' to replace.", suggestion(made.key, list(entries))
    else:
        what, remedy = (
            f"'{made.key}' is in {earlier.unit}, not in {made.unit}.",
            f"Write unit: {earlier.unit}.",
        )
    problems.append(
        Problem(file=source.shown, line=source.line(path), key=dotted(path), what=what, remedy=remedy)
    )
    return False


def load_content_page(name: str, folders: Sequence[Path]) -> str:
    """Markdown of a built-in page, `NAME.md`, from the last content folder that has it.

    name     one of CONTENT_PAGES
    folders  content folders, the built-in one first
    Raises   SeasonProblems if no folder has it or it is not readable; ValueError for any other name
    """
    if name not in CONTENT_PAGES:
        raise ValueError(f"no built-in page '{name}'. {suggestion(name, CONTENT_PAGES)}")
    problems: list[Problem] = []
    files = [file for folder in folders if (file := folder / f"{name}.md").exists()]
    text = _read_text(files[-1], problems) if files else None
    if not files:
        what = "no such page was found in: " + ", ".join(str(folder) for folder in folders)
        remedy = "Reinstall the program's content folder."
        problems.append(Problem(file=f"{name}.md", what=what, remedy=remedy))
    elif text is not None and not text.strip():
        remedy = "Fill it in, or remove it to have the built-in page."
        problems.append(Problem(file=str(files[-1]), what="is empty.", remedy=remedy))
    _raise(problems)
    return text or ""


def _read_text(file: Path, problems: list[Problem]) -> str | None:
    def fault(what: str, remedy: str, line: int | None = None) -> None:
        problems.append(Problem(file=str(file), line=line, what=what, remedy=remedy))

    try:
        if not file.is_file() or file.stat().st_size > MAX_TEXT_BYTES:
            fault("is not a text file of at most 500 kB.", "Put a plain text file there.")
            return None
        raw = file.read_bytes()
    except OSError as error:
        fault(f"cannot be read: {error.strerror}.", "Check that the file may be read.")
        return None
    try:
        return raw.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        fault("is not UTF-8 text.", "Save it as UTF-8.", raw[: error.start].count(b"\n") + 1)
        return None


def _raise(problems: Sequence[Problem]) -> None:
    if problems:
        raise SeasonProblems(problems)
