"""Holds an archive to its word: every file as it was, and every figure as the raw logs in it give it again."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from generator import __version__, pipeline
from generator.evidence.results_comparison import Change, Comparison, compare
from generator.intake.problems import Problem, SeasonProblems
from generator.progress import Progress, quiet
from generator.publication import bag_layout as layout
from generator.publication.bag_check import BagFault, BagState, check_bag
from generator.publication.bag_results import StoredResults, not_ours, published_copy, stored_results
from generator.publication.bag_source import BagSource, opened
from generator.publication.software_versions import installed_versions, version_differences


@dataclass(frozen=True, slots=True, kw_only=True)
class Recomputed:
    """The figures of an archive, computed again.

    comparisons  one for each session that could be compared: before is stored, after is computed now
    refused      why something could not be computed or compared, one sentence each
    problems     what is wrong in the season of the bag, so that nothing could be computed
    versions     what ran then and runs otherwise now, a clause each
    same         whether the Whirlbook that made the bag is the one that runs
    """

    comparisons: tuple[Comparison, ...]
    refused: tuple[str, ...]
    problems: tuple[Problem, ...]
    versions: tuple[str, ...]
    same: bool

    @property
    def differing(self) -> tuple[Change, ...]:
        """Every change that a later version does not explain.

        What a later version adds is no difference, nor is how it words a sentence: the figures behind are compared.
        """
        return tuple(change for change in self._changes() if self.same or change.kind not in ("new", "words"))

    @property
    def reworded(self) -> tuple[Change, ...]:
        """Sentences that a later version words otherwise."""
        return tuple(change for change in self._changes() if not self.same and change.kind == "words")

    def _changes(self) -> tuple[Change, ...]:
        return tuple(change for found in self.comparisons for change in found.changes)

    @property
    def compared(self) -> int:
        """Numbers held against each other."""
        return sum(found.compared for found in self.comparisons)

    @property
    def sound(self) -> bool:
        """Whether every figure came out the same."""
        return not (self.differing or self.refused or self.problems)


@dataclass(frozen=True, slots=True, kw_only=True)
class VerifyReport:
    """What was found.

    bag         the bag as named
    state       files and checksums
    recomputed  figures, or None if only sums were asked for
    seconds     it took
    """

    bag: Path
    state: BagState
    recomputed: Recomputed | None
    seconds: float

    @property
    def sound(self) -> bool:
        """Whether nothing is wrong with it."""
        return self.state.sound and (self.recomputed is None or self.recomputed.sound)


def verify(bag: Path, *, sums_only: bool = False, progress: Progress = quiet) -> VerifyReport:
    """Check a bag, and compute its figures again.

    bag        folder or zip file
    sums_only  stop after files and checksums, which any BagIt bag can be held to
    Raises     BagRefused if it is no bag, or not safe to read
    Nothing is written but a copy of the season of a zip file, which is removed again.
    """
    began = time.perf_counter()
    with opened(bag) as source:
        state = check_bag(source, progress)
        recomputed = None if sums_only else recompute(source, state, progress)
    return VerifyReport(bag=bag, state=state, recomputed=recomputed, seconds=time.perf_counter() - began)


def recompute(source: BagSource, state: BagState, progress: Progress = quiet) -> Recomputed:
    """Every figure of a bag from its raw logs, against what is stored. Raises nothing for what the bag holds."""
    if why := not_ours(state.info):
        return _nothing(f"The figures were not computed again: {source.shown} {why}")
    stored = stored_results(source)
    refused = [f"Results of {name}: {why}." for name, why in stored.refused.items()]
    if not any(path.startswith(f"{layout.SEASON}/") for path in source.files):
        return _nothing(f"The figures were not computed again: {layout.SEASON} is missing.")
    versions = (
        version_differences(stored.versions, installed_versions(__version__)) if stored.versions else ()
    )
    try:
        documents = _documents(source, progress)
    except SeasonProblems as found:
        return Recomputed(
            comparisons=(), refused=tuple(refused), problems=found.problems, versions=versions,
            same=stored.version == __version__,
        )  # fmt: skip
    refused += _unpaired(stored, documents)
    comparisons = []
    for name, document in stored.documents.items():
        if name not in documents:
            continue
        try:
            comparisons.append(compare(document, documents[name]))
        except RecursionError:
            refused.append(f"Results of {name}: nested too deeply to be results of Whirlbook.")
            continue
        published = published_copy(source, name)
        if published is not None and published != document:
            refused.append(
                f"Results of {name}: {layout.results_file(name)} and the copy in {layout.SITE} are not the same."
            )
    return Recomputed(
        comparisons=tuple(comparisons),
        refused=tuple(refused),
        problems=(),
        versions=versions,
        same=stored.version == __version__,
    )


def _nothing(why: str) -> Recomputed:
    return Recomputed(comparisons=(), refused=(why,), problems=(), versions=(), same=False)


def _documents(source: BagSource, progress: Progress) -> Mapping[str, dict[str, Any]]:
    """Results of each session of the season in the bag. Raises SeasonProblems, told by places in the bag."""
    with tempfile.TemporaryDirectory(prefix="whirlbook-verify-") as scratch:
        folder = source.season_folder(Path(scratch))
        try:
            return pipeline.analyse_season(folder, progress=progress).documents
        except SeasonProblems as found:
            raise SeasonProblems(
                replace(problem, file=problem.file.replace(str(folder), f"{source.shown}/{layout.SEASON}"))
                for problem in found.problems
            ) from None


def _unpaired(stored: StoredResults, documents: Mapping[str, Any]) -> list[str]:
    """Sessions with results and no data, or data and no results where there should be some."""
    known = {*stored.documents, *stored.refused}
    told = [
        f"Results of {name}: its session is not in {layout.SEASON}."
        for name in sorted(known - set(documents))
    ]
    kind, _, named = stored.contents.partition(" ")
    wanted = set(documents) if kind == layout.WHOLE_SEASON else {named}
    return told + [
        f"Results of {name}: {layout.results_file(name)} is missing." for name in sorted(wanted - known)
    ]


__all__ = ["BagFault", "Recomputed", "VerifyReport", "recompute", "verify"]
