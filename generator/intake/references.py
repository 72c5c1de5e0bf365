"""Names that must mean something elsewhere: parts, rigs, treatments, procedures, responses, logs."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from generator.intake.contracts import Contracts
from generator.intake.hazards import HAZARDS
from generator.intake.outside import as_it_looks, is_inside
from generator.intake.parts import AnyPart, Pack
from generator.intake.problems import STILL_TO_COME, Problem, suggestion
from generator.intake.rig import Rig
from generator.intake.run_logs import loggers_needed
from generator.intake.session import SeasonFile, SessionFile
from generator.intake.yaml_source import YamlSource, dotted

PartsRead = Mapping[str, AnyPart | None]


class _Reporter:
    """Adds problems of one YAML file by the path of the key."""

    def __init__(self, source: YamlSource, problems: list[Problem]) -> None:
        self.source = source
        self.problems = problems

    def __call__(
        self, path: tuple[str | int, ...], what: str, remedy: str, *, still_to_come: bool = False
    ) -> None:
        self.problems.append(
            Problem(
                file=self.source.shown,
                line=self.source.line(path),
                key=dotted(path),
                what=what,
                remedy=remedy,
                severity="warning" if still_to_come else "error",
                kind=STILL_TO_COME if still_to_come else "",
            )
        )

    def known(self, path: tuple[str | int, ...], name: str, known: Sequence[str], what: str) -> bool:
        if name in known:
            return True
        self(path, f"'{name}' is not {what}.", suggestion(name, list(known)))
        return False


def check_aircraft(source: YamlSource, season: SeasonFile, parts: PartsRead, problems: list[Problem]) -> None:
    """Aircraft name packs that exist."""
    report = _Reporter(source, problems)
    packs = [name for name, part in parts.items() if part is None or isinstance(part, Pack)]
    for name, craft in season.aircraft.items():
        report.known(("aircraft", name, "pack"), craft.pack, packs, "a pack of parts/")


def check_session(
    source: YamlSource,
    read: SessionFile,
    folder: Path,
    rigs: Mapping[str, Rig | None],
    parts: PartsRead,
    season: SeasonFile | None,
    contracts: Contracts,
    plans: Mapping[str, BaseModel],
    units: Mapping[str, str],
    problems: list[Problem],
    *,
    logs_needed: bool,
    planned: bool = False,
) -> None:
    """Everything in a session that names something else.

    logs_needed  whether a log that is not there is told at all
    planned      whether it is then still to come, and no error
    """
    report = _Reporter(source, problems)
    report.known(("rig",), read.rig, list(rigs), "a rig of rigs/")
    _check_treatments(report, read, parts)
    if not plans:
        report(("procedures",), "holds no procedure.", "Known here: " + ", ".join(contracts) + ".")
    responses = list(units)
    for index, name in enumerate(read.primary):
        report.known(("primary", index), name, responses, "a response of these procedures")
    for name in read.matters:
        report.known(("matters", name), name, responses, "a response of these procedures")
    for index, claim in enumerate(read.claims):
        report.known(
            ("claims", index, "response"), claim.response, responses, "a response of these procedures"
        )
        if (
            report.known(
                ("claims", index, "treatment"), claim.treatment, list(read.treatments), "a treatment"
            )
            and claim.treatment == read.baseline
        ):
            report(
                ("claims", index, "treatment"),
                "is the baseline.",
                "A claim is about a treatment held against the baseline.",
            )
    if season is not None:
        for index, craft in enumerate(read.aircraft):
            report.known(("aircraft", index), craft, list(season.aircraft), "an aircraft of season.yaml")
    _check_pairs(report, read)
    for name in read.go_on_because:
        report.known(("go_on_because", name), name, list(HAZARDS), "a hazard that a plan is refused for")
    rig = rigs.get(read.rig)
    if rig is not None:
        _check_channels(report, read, rig, contracts, plans)
    _check_runs(report, read, folder, plans, contracts, logs_needed, planned)
    if rig is not None:
        _check_further_logs(report, read, rig, folder, logs_needed, planned)


def _check_pairs(report: _Reporter, read: SessionFile) -> None:
    """Pairs name two treatments that are compared, each pair once; the check standard is not the baseline."""
    standard = read.check_standard
    if standard is not None:
        known = report.known(("check_standard",), standard, list(read.treatments), "a treatment")
        if known and standard == read.baseline:
            report(("check_standard",), "is the baseline.", "Give the check standard a treatment of its own.")
    compared = [name for name in read.treatments if name != standard]
    seen: set[tuple[str, str]] = set()
    for index, pair in enumerate(read.pairs):
        sides = (("treatment", pair.treatment), ("against", pair.against))
        # a list, so that both sides are told
        both = [report.known(("pairs", index, field), side, compared, "a treatment") for field, side in sides]
        if not all(both):
            continue
        if pair.treatment == pair.against:
            report(("pairs", index), "names one treatment twice.", "Name two different treatments.")
        elif read.baseline in (pair.treatment, pair.against):
            report(
                ("pairs", index),
                f"holds the baseline '{read.baseline}'.",
                "Every treatment is compared with the baseline already; leave this pair out.",
            )
        elif (pair.treatment, pair.against) in seen or (pair.against, pair.treatment) in seen:
            report(("pairs", index), "is asked for twice.", "Leave one of them out.")
        seen.add((pair.treatment, pair.against))


def _check_treatments(report: _Reporter, read: SessionFile, parts: PartsRead) -> None:
    report.known(("baseline",), read.baseline, list(read.treatments), "a treatment")
    wanted = {
        "motor": ("motor",),
        "controller": ("controller",),
        "propeller": ("propeller",),
        "supply": ("supply", "pack"),
    }
    for name, treatment in read.treatments.items():
        for field, kinds in wanted.items():
            part = parts.get(getattr(treatment, field))
            fitting = [key for key, found in parts.items() if found is None or found.kind in kinds]
            if getattr(treatment, field) in parts and part is not None and part.kind not in kinds:
                report(
                    ("treatments", name, field),
                    f"'{part.id}' is a {part.kind}, not a {field}.",
                    "Known here: " + ", ".join(fitting) + ".",
                )
            else:
                report.known(
                    ("treatments", name, field), getattr(treatment, field), fitting, f"a {field} of parts/"
                )
        if treatment.pack is not None:
            packs = [key for key, found in parts.items() if found is None or found.kind == "pack"]
            report.known(("treatments", name, "pack"), treatment.pack, packs, "a pack of parts/")
        source = parts.get(treatment.supply)
        if (
            source is not None
            and source.kind == "supply"
            and (treatment.cells is None or treatment.volts_per_cell_v is None)
        ):
            report(
                ("treatments", name),
                "runs on a supply but does not say at which voltage.",
                "Add `cells: 4` and `volts_per_cell: 4.0 V`.",
            )
    labels: dict[str, str] = {}
    for name, treatment in read.treatments.items():
        looks = as_it_looks(treatment.label)
        if looks in labels:
            report(
                ("treatments", name, "label"),
                f"'{treatment.label}' is also the label of {labels[looks]}.",
                "Give each treatment its own label.",
            )
        labels[looks] = name


def _check_channels(
    report: _Reporter, read: SessionFile, rig: Rig, contracts: Contracts, plans: Mapping[str, BaseModel]
) -> None:
    have = set(rig.channels.present())
    for name in plans:
        needed = (*contracts[name].needs, *getattr(plans[name], "channels_needed", ()))
        lacking = [channel for channel in needed if channel not in have]
        if lacking:
            report(
                ("procedures", name),
                f"needs {', '.join(lacking)}, which rig '{rig.id}' does not have.",
                f"Add it under `channels:` in rigs/{rig.id}.yaml, or leave this procedure out.",
            )


def _check_runs(
    report: _Reporter,
    read: SessionFile,
    folder: Path,
    plans: Mapping[str, BaseModel],
    contracts: Contracts,
    logs_needed: bool,
    planned: bool,
) -> None:
    ids: dict[str, int] = {}
    places: dict[tuple[str, str, int], int] = {}
    for index, run in enumerate(read.runs):
        of_rig = run.procedure in contracts and contracts[run.procedure].of_rig
        if run.treatment:
            report.known(("runs", index, "treatment"), run.treatment, list(read.treatments), "a treatment")
        elif not of_rig:
            remedy = f"Add `treatment:` with one of: {', '.join(read.treatments)}."
            report(("runs", index, "treatment"), "is missing.", remedy)
        if run.procedure in contracts and run.procedure not in plans:
            report(
                ("runs", index, "procedure"),
                f"'{run.procedure}' has no plan.",
                f"Add `{run.procedure}:` under `procedures:`.",
            )
        else:
            report.known(("runs", index, "procedure"), run.procedure, list(plans), "a procedure")
        if run.id in ids:
            report(
                ("runs", index, "log"),
                f"gives the same run name '{run.id}' as run {ids[run.id] + 1}.",
                "Give each log its own file name, and list it once.",
            )
        ids.setdefault(run.id, index)
        place = (run.procedure, run.treatment, run.repeat)
        if place in places:
            report(
                ("runs", index, "repeat"),
                f"repeat {run.repeat} of {run.procedure}{f' with {run.treatment}' if run.treatment else ''} also "
                f"stands at run {places[place] + 1}.",
                "Number the repeats of each treatment 1, 2, 3, ...",
            )
        places.setdefault(place, index)
        needed = logs_needed and run.left_out is None  # the log of a run that is left out may be lost
        _check_log(report, ("runs", index, "log"), run.log, folder, needed, planned, _logs(read))


def _check_further_logs(
    report: _Reporter, read: SessionFile, rig: Rig, folder: Path, logs_needed: bool, planned: bool
) -> None:
    """Each run has a log of every logger that records a channel of the rig, and each such log a name of its own."""
    names = {run.log.rsplit("/", 1)[-1] for run in read.runs}
    wanted = loggers_needed(rig)
    for index, run in enumerate(read.runs):
        lacking = [name for name in wanted if name not in run.further_logs]
        if lacking and run.left_out is None:
            report(
                ("runs", index),
                f"has no log of {', '.join(lacking)}, which records channels of rig '{rig.id}'.",
                f"Add `further_logs: {{{lacking[0]}: {{log: logs/...}}}}`, or say why the run is `left_out`.",
            )
        for name, further in run.further_logs.items():
            path = ("runs", index, "further_logs", name)
            report.known(path, name, list(rig.loggers), f"a logger of rig '{rig.id}'")
            last = further.log.rsplit("/", 1)[-1]
            if last in names:
                report((*path, "log"), f"'{last}' is also the name of another log.", "Rename one of them.")
            names.add(last)
            needed = logs_needed and run.left_out is None
            _check_log(report, (*path, "log"), further.log, folder, needed, planned, _logs(read))


def _logs(read: SessionFile) -> set[str]:
    return {log for run in read.runs for log in run.logs}


LOST = " If it is lost, say why under `left_out:` of this run."


def _check_log(
    report: _Reporter,
    path: tuple[str | int, ...],
    log: str,
    folder: Path,
    logs_needed: bool = True,
    planned: bool = False,
    named: Collection[str] = (),
) -> None:
    """A log that a run names is a plain file inside the session. named: what runs name, none of which is suggested."""
    if log.startswith(("/", "~")) or "\\" in log or ":" in log or ".." in log.split("/"):
        report(
            path,
            f"'{log}' leads out of the session folder.",
            "Write a path inside it, such as logs/01-hold.csv.",
        )
        return
    file = folder / log
    try:
        inside = is_inside(file, folder.resolve())
        if not file.exists() and not file.is_symlink():
            if not logs_needed:
                return
            if planned:
                report(path, f"'{log}' is not there yet.", "Make the run.", still_to_come=True)
                return
            there = (
                sorted({f"logs/{entry.name}" for entry in (folder / "logs").iterdir()} - set(named))
                if (folder / "logs").is_dir()
                else []
            )
            report(
                path,
                f"'{log}' is not there.",
                suggestion(log, there) if there else f"Put the log there, or correct the name.{LOST}",
            )
        elif not inside:
            report(
                path,
                f"'{log}' is a link that leads out of the session folder.",
                "Copy the log itself into logs/.",
            )
        elif not file.is_file():
            report(path, f"'{log}' is not a plain file.", "Name a log file.")
    except (OSError, ValueError) as error:
        report(path, f"'{log}' cannot be read: {error}.", "Check the name and the permissions.")


def check_logs_of_faulty(
    source: YamlSource, folder: Path, problems: list[Problem], planned: bool = False
) -> None:
    """Missing logs of a session whose YAML has other faults, so that one pass tells those as well."""
    report = _Reporter(source, problems)
    runs: Any = source.data.get("runs")
    listed = runs if isinstance(runs, list) else []
    named = {str(run["log"]) for run in listed if isinstance(run, dict) and "log" in run}
    for index, run in enumerate(listed):
        if isinstance(run, dict) and isinstance(run.get("log"), str):
            _check_log(report, ("runs", index, "log"), run["log"], folder, planned=planned, named=named)
