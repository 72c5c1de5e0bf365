"""What a laboratory's test report has to tell, gathered at the end of a session's page."""

from __future__ import annotations

import hashlib

from generator.evidence.records import SessionAnalysis
from generator.evidence.wording import counted, listed
from generator.intake.session import Session
from generator.publication import navigation
from generator.publication.facts import Fact, date_text
from generator.publication.navigation import link
from generator.publication.page_frame import Site
from generator.publication.session_blocks import labels_of


def report_facts(site: Site, session: Session, analysis: SessionAnalysis, page: str) -> tuple[Fact, ...]:
    """Identification, items, method, dates, deviations, decision rule, who answers, and for what it holds.

    Source  checklist of ISO/IEC 17025:2017, 7.8.2, in our own words (memory)
    """
    file = session.file
    refused = [run for run in analysis.runs if run.refused is not None]
    told = len(refused) + len(file.corrections)
    items = dict.fromkeys(
        site.season.parts[part].label
        for treatment in file.treatments.values()
        for part in (treatment.motor, treatment.controller, treatment.propeller, treatment.supply)
        if part in site.season.parts
    )
    dates = {
        name: channel.calibrated
        for name, channel in session.rig.channels.present().items()
        if channel.calibrated is not None
    }
    return (
        Fact(name="Identification", value=f"{session.id}, raw data {identity(analysis)}"),
        Fact(name="Made on", value=date_text(file.date)),
        Fact(
            name="Items tested",
            value=f"{listed(list(items))}, in {counted(len(labels_of(session)), 'set-up')}",
            href="#how-found",
        ),
        Fact(
            name="Method",
            value=listed(list(dict.fromkeys(run.procedure for run in analysis.runs))) or "none",
            href=link(page, navigation.METHOD),
        ),
        Fact(
            name="Rig and calibration",
            value=f"{session.rig.label}; "
            + (
                f"last calibrated between {date_text(min(dates.values()))} and {date_text(max(dates.values()))}"
                if len(set(dates.values())) > 1
                else f"calibrated {date_text(min(dates.values()))}"
                if dates
                else "no calibration stated"
            ),
            href=link(page, navigation.rig_page(session.rig.id)),
        ),
        Fact(
            name="Departures from the plan",
            value=f"{counted(told, 'departure')} told on this page" if told else "none told",
            href="#how-sure" if refused else "#corrections" if told else "",
        ),
        Fact(
            name="Rule of decision",
            value="95 % interval of the difference against zero and the margin set before the test",
            href=site.text_link(page, navigation.STATISTICS, "verdicts"),
        ),
        Fact(name="Who answers for it", value=file.tester or site.season.file.author or "not stated"),
        Fact(name="For what it holds", value="for the items tested, as they were on that day, on this rig"),
    )


def identity(analysis: SessionAnalysis) -> str:
    """Sixteen digits that stand for all raw logs of a session: the start of SHA-256 over their own sums, sorted."""
    sums = "\n".join(sorted(run.sha256 for run in analysis.runs))
    return hashlib.sha256(sums.encode()).hexdigest()[:16]
