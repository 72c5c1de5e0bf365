"""The working behind one contrast: every step from the runs to the verdict, with the door to each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from generator.evidence.budget_words import improve_first
from generator.evidence.records import BudgetRow, Contrast, Family, ResponseSummary, SessionAnalysis
from generator.evidence.wording import counted, difference_unit, percent, plain
from generator.publication import navigation, texts
from generator.publication.navigation import Link, link
from generator.publication.page_frame import Site
from generator.publication.tables import Cell, Table, table
from generator.publication.texts import Labels

ALPHA = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkingLine:
    """One step of the working.

    name   what is stated
    text   the statement, with its numbers
    href   where the step is explained, or ""
    items  links to the single values behind it
    """

    name: str
    text: str
    href: str = ""
    items: tuple[Link, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Working:
    """The whole working of a contrast.

    lines    steps in order
    budgets  uncertainty budgets of the two means, where they are known
    """

    lines: tuple[WorkingLine, ...]
    budgets: tuple[Table, ...]


def summary_of(analysis: SessionAnalysis, contrast: Contrast, treatment: str) -> ResponseSummary | None:
    """The mean of one side of a contrast."""
    return next(
        (
            summary
            for summary in analysis.responses
            if (summary.response, summary.at, summary.treatment)
            == (contrast.response, contrast.at, treatment)
        ),
        None,
    )


_FAMILY_WORDS: Mapping[Family, str] = {
    "primary": "{} primary contrasts",
    "claimed": "{} contrasts that claims are about",
    "exploratory": "{} exploratory contrasts",
}


def rule_text(contrast: Contrast) -> str:
    """Why the verdict is this one."""
    interval = f"The {texts.level_text(contrast)} interval, {texts.interval_text(contrast)},"
    unit = difference_unit(contrast.unit)
    margin = "" if contrast.margin is None else plain(contrast.margin, unit, digits=3)
    match contrast.verdict:
        case "more" if margin:
            return f"{interval} lies wholly above the margin of +{margin}."
        case "less" if margin:
            return f"{interval} lies wholly below the margin of −{margin}."
        case "more":
            return f"{interval} lies wholly above zero. No margin was set."
        case "less":
            return f"{interval} lies wholly below zero. No margin was set."
        case "more, perhaps too little to matter":
            return f"{interval} lies above zero and reaches below the margin of +{margin}."
        case "less, perhaps too little to matter":
            return f"{interval} lies below zero and reaches above the margin of −{margin}."
        case "no difference that matters":
            return f"Two one-sided tests, each at 5 %, place the difference between −{margin} and +{margin}."
    low, high = contrast.interval
    if low <= 0.0 <= high:
        tail = f" and the tests do not place it inside ±{margin}" if margin else ""
        return f"{interval} holds zero{tail}."
    if not contrast.primary and contrast.p_adjusted is not None and contrast.p_adjusted >= ALPHA:
        return (
            f"{interval} leaves out zero, but among {_FAMILY_WORDS[contrast.family].format(contrast.family_size)} "
            "the adjusted p-value, "
            f"{texts.p_value_text(contrast.p_adjusted)}, is not below {percent(ALPHA)}."
        )
    return f"{interval} allows neither a direction nor the absence of a difference that matters."


def working(contrast: Contrast, analysis: SessionAnalysis, labels: Labels, site: Site, page: str) -> Working:
    """The working of a contrast, for the page `page`."""
    kind = analysis.kinds[contrast.response]
    procedure = _procedure(analysis, contrast)
    statistics = navigation.STATISTICS

    def told(*anchors: str) -> str:
        return site.text_link(page, statistics, *anchors)

    lines = [
        WorkingLine(
            name=kind.label,
            text=kind.explain,
            href=site.text_link(page, navigation.METHOD, _method_anchor(procedure), "reading"),
        )
    ]
    budgets: list[Table] = []
    for treatment in (contrast.treatment, contrast.baseline):
        summary = summary_of(analysis, contrast, treatment)
        if summary is None:
            continue
        label = labels[treatment]
        lines.append(
            WorkingLine(
                name=f"Mean of {label}",
                text=f"{texts.mean_with_uncertainty(summary)} (± is one standard uncertainty) "
                f"from {counted(summary.runs, 'run')}:",
                href=told("mean"),
                items=tuple(
                    Link(
                        text=f"{texts.run_value_text(run, summary)} in run {run.run_id}",
                        href=link(page, navigation.run_page(analysis.session_id, run.run_id)),
                    )
                    for run in summary.per_run
                ),
            )
        )
        if summary.budget:
            budgets.append(budget_table(summary.key, label, kind.label, summary.unit, summary.budget))
    unit = contrast.unit
    lines += [
        WorkingLine(
            name="Difference",
            text=f"{texts.difference_text(contrast)}, {labels[contrast.treatment]} minus {labels[contrast.baseline]}",
            href=told("interval"),
        ),
        WorkingLine(
            name="Method",
            text=f"{contrast.method}; {texts.basis_text(contrast)}",
            href=told("one-run" if contrast.indicative else "interval"),
        ),
        WorkingLine(
            name="Standard uncertainty",
            text=f"{texts.uncertainty_text(contrast.standard_uncertainty, unit)} of the difference, "
            f"with {texts.dof_text(contrast.dof)} degrees of freedom",
            href=site.text_link(page, navigation.METHOD, "uncertainty"),
        ),
        WorkingLine(
            name="Interval",
            text=f"{texts.interval_text(contrast)} at {texts.level_text(contrast)}. "
            f"{texts.jointly_text(contrast)}".strip(". ")
            + ".",
            href=told("several") if contrast.jointly > 1 else told("interval"),
        ),
    ]
    if contrast.budget:
        lines.append(
            WorkingLine(
                name="To improve first",
                text=improve_first(contrast.budget),
                href=site.text_link(page, navigation.METHOD, "uncertainty"),
            )
        )
        budgets.append(budget_table(contrast.key, None, kind.label, unit, contrast.budget))
    relative = texts.relative_text(contrast, labels)
    if relative:
        lines.append(WorkingLine(name="As a share", text=relative, href=told("percentages")))
    lines += [
        WorkingLine(name="Margin", text=texts.margin_text(contrast), href=told("margin")),
        WorkingLine(
            name="Rule applied",
            text=rule_text(contrast) + (" One run each: indicative only." if contrast.indicative else ""),
            href=told("verdicts"),
        ),
    ]
    lines += _probabilities(contrast, told("holm"), told("two-one-sided"), told("interval"))
    return Working(lines=tuple(lines), budgets=tuple(budgets))


def _probabilities(contrast: Contrast, holm: str, equivalence: str, interval: str) -> list[WorkingLine]:
    lines = []
    if p := texts.p_value_text(contrast.p_value):
        text = f"{p}: how often a difference this large would turn up if there were none"
        if contrast.indicative:
            text += " and runs differed no more than the samples within one; they do, so this proves nothing"
        lines.append(WorkingLine(name="p-value", text=text, href=interval))
    if p := texts.p_value_text(contrast.p_adjusted):
        text = (
            f"{p}, raised by Holm's method over {_FAMILY_WORDS[contrast.family].format(contrast.family_size)}"
        )
        lines.append(WorkingLine(name="Adjusted p-value", text=text, href=holm))
    if p := texts.p_value_text(contrast.p_equivalence):
        text = f"{p}: the larger p-value of the two one-sided tests against the margin"
        lines.append(WorkingLine(name="p-value of no difference that matters", text=text, href=equivalence))
    return lines


def _procedure(analysis: SessionAnalysis, contrast: Contrast) -> str:
    """The procedure that the contrast's runs followed."""
    summary = summary_of(analysis, contrast, contrast.treatment)
    ids = {run.run_id for run in summary.per_run} if summary is not None else set()
    return next((run.procedure for run in analysis.runs if run.run_id in ids), "")


def _method_anchor(procedure: str) -> str:
    return "curves" if procedure in {"staircase", "ramp"} else procedure


def budget_table(key: str, label: str | None, response: str, unit: str, budget: Sequence[BudgetRow]) -> Table:
    """An uncertainty budget, largest share first as it comes. label: of the treatment, None for the difference."""
    of = f"of the mean of {label}" if label is not None else "of the difference, after what cancels"
    return table(
        f"budget-{key}" if label is not None else f"budget-difference-{key}",
        f"Uncertainty budget {of}: {response.lower()}",
        ("Source", "Standard uncertainty", "Share of the variance", "In all runs alike"),
        [
            (
                Cell(text=row.source),
                Cell(text=texts.uncertainty_text(row.standard_uncertainty, unit), numeric=True),
                Cell(text=percent(row.share, (row.share - 0.01, row.share + 0.01)), numeric=True),
                Cell(text="yes" if row.shared else "no"),
            )
            for row in budget
        ],
    )
