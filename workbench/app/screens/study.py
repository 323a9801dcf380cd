"""Study: what was planned and collected, what was found, and what comes next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

import streamlit as st

from workbench.app import page
from workbench.app.held import Held
from workbench.errors import Finding

if TYPE_CHECKING:
    from workbench.quality.collection import Collected
    from workbench.study import Study

SIGNS = {"complete": "●", "in part": "◐", "nothing": "○", "left out": "×"}
LEGEND = "● complete   ◐ in part   ○ nothing   × nothing missing but what was left out on purpose"


@dataclass(frozen=True, slots=True)
class Way:
    """Where a finding can be looked into."""

    page: str
    where: dict[str, str]
    words: str


def show(held: Held) -> None:
    from workbench.quality.collection import collection_grid
    from workbench.report.next_step import next_step
    from workbench.report.tables.collection import gaps_table
    from workbench.report.tables.reading import words_of
    from workbench.results.chain import check_tables

    evidence = held.evidence
    study, words = evidence.study, words_of(evidence.study)
    page.heading(study.declared.title)
    if study.declared.note:
        page.paragraph(study.declared.note, "soft")
    step = next_step(study, evidence.measures, evidence.findings)
    page.say(f"<h3>Next</h3><p class='lead'>{page.text(step.what)}</p><p class='soft'>{page.text(step.why)}</p>")
    if step.page != "study" and st.button("Go there"):
        page.go(step.page)

    if study.plan.frozen is None:  # then the date is what comes next
        _show_plan(study)
    page.heading("Findings")
    _show_findings(study, evidence.findings)
    if study.plan.frozen is not None:
        _show_plan(study)
    page.heading("Collected")
    grid = held.once("grid", lambda: collection_grid(study, evidence.measures))
    if grid:
        _show_grid(study, grid)
        gaps = gaps_table(study, grid)
        if gaps.rows and any(one.state != "nothing" for one in grid):
            page.show_markup(gaps)
    else:
        page.empty("No measure is asked per condition yet. Bring in a table of answers on the page Responses.")
    tables = {table.name: table for table in held.once("check", lambda: check_tables(evidence))}
    page.heading("Participants, step by step")
    page.show_table(tables["participants"], words)
    with st.expander("What study.toml can say"):
        page.handbook("study-toml")


def _show_grid(study: Study, grid: Sequence[Collected]) -> None:
    """Participants by conditions; each cell says in a shape and in numbers how many measures have a value."""
    cells = {(one.participant, one.condition): one for one in grid}
    head = "".join(f"<th scope='col'>{page.text(study.condition_labels[one])}</th>" for one in study.conditions)
    rows = "".join(
        f"<tr><th scope='row'>{page.text(participant)}</th>"
        f"<td>{page.text(study.assigned.get(participant, '–'))}</td>"
        + "".join(_cell(cells[participant, condition]) for condition in study.conditions)
        + "</tr>"
        for participant in study.participants
    )
    tall = " tall" if len(study.participants) > page.ROWS_IN_VIEW else ""
    n = grid[0].measures
    page.say(
        f"<p class='soft'>{LEGEND}. The numbers count measures with a value, of {n}.</p>"
        f"<div class='wide{tall}' tabindex='0' role='region' aria-label='What was collected'><table class='grid'>"
        "<caption>Participants and conditions</caption>"
        f"<thead><tr><th scope='col'>Participant</th><th scope='col'>Order</th>{head}</tr></thead><tbody>{rows}</tbody></table></div>"
    )


def _cell(one: Collected) -> str:
    kind = {"complete": "complete", "in part": "part", "nothing": "nothing", "left out": "out"}[one.state]
    number = "all" if one.state == "complete" else f"{one.values} of {one.measures}"
    return f"<td class='{kind}'><span class='sign'>{SIGNS[one.state]}</span> {number}</td>"


def _show_findings(study: Study, findings: Sequence[Finding]) -> None:
    if not findings:
        page.empty("Nothing was found that is worth a look.")
    numbered = list(enumerate(findings, start=1))
    for number, finding in numbered:
        if finding.severity != "note":
            _show_finding(study, number, finding)
    notes = [(number, finding) for number, finding in numbered if finding.severity == "note"]
    if notes:
        with st.expander(f"{len(notes)} note{'s' if len(notes) > 1 else ''}: said, and no more"):
            for number, finding in notes:
                _show_finding(study, number, finding)


def _show_finding(study: Study, number: int, finding: Finding) -> None:
    page.say(page.finding_markup(finding, number))
    way = way_of(study, finding)
    if way and st.button(f"{way.words}: finding {number}", type="tertiary"):
        page.go(way.page, **way.where)


def way_of(study: Study, finding: Finding) -> Way | None:
    """Where a finding can be looked into, None where study.toml or the session notes are the place."""
    if finding.place in study.participants and finding.kind != "order as run":
        return Way("responses", {"view": "Origin", "participant": finding.place}, "See the answers")
    if finding.place.startswith("item "):
        item = finding.place.removeprefix("item ")
        used = next((name for name, one in study.instruments.items() if item in {it.id for it in one.items}), "")
        return Way("responses", {"view": "Distributions", "instrument": used}, "See the item")
    if finding.kind == "incomplete ranking":
        return Way("preferences", {}, "See the preferences")
    if finding.file.startswith("responses/") or finding.kind in ("missing answers", "incomplete participants"):
        return Way("responses", {"view": "Origin"}, "See the answers")
    return None


def _show_plan(study: Study) -> None:
    from workbench.study import freeze_plan, plan_changed

    plan = study.plan
    page.heading("Plan")
    page.paragraph(
        "A plan with a date, fixed before the data are seen, is what makes a test a planned one. Of 119 papers at one venue of "
        "the field more than half tested without a stated hypothesis (Vornhagen et al. 2020).",
        "why",
    )
    if plan.frozen is None:
        page.paragraph("The plan has no date yet.")
        if st.button("Fix the plan with today's date"):
            freeze_plan(study, date.today())
            st.rerun()
        return
    state = "It was changed since then." if plan_changed(plan) else "It is unchanged since then."
    page.paragraph(f"The plan was fixed on {plan.frozen.on.isoformat()}. {state}")
    for one in plan.departures:
        page.paragraph(f"Departure: {one.what} {one.why}")


page.run_page("Study", "What was planned, what was collected, and what is open.", show)
