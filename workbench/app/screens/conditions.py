"""Conditions: one measure compared across the conditions, planned and exploratory apart."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import streamlit as st

from workbench.app import page
from workbench.app.held import Held

if TYPE_CHECKING:
    from workbench.analysis.comparison import Comparison
    from workbench.report.table import Table
    from workbench.study import Plan, Study

EXPLORATORY = "Not named by the plan. What shows here suggests questions for a next study."


def show(held: Held) -> None:
    from workbench.report.sentences import headline
    from workbench.report.table import printable

    evidence = held.evidence
    study = evidence.study
    found = held.comparisons
    if not found:
        page.empty(
            "No measure is asked per condition yet. Bring in a table of answers on the page Responses, or declare trials:",
            '[[trials]]\nid = "lifts"\nfiles = ["responses/trials.csv"]\n\n[[trials.measures]]\nid = "error"\n'
            'label = "Error"\ncolumn = "error"\nsummary = "mean"',
        )
        return
    labels = {one.measure.id: f"{one.measure.label} ({'primary' if one.primary else 'exploratory'})" for one in found}
    name = page.chosen("Measure", "measure", list(labels), labels)
    mine = next(one for one in found if one.measure.id == name)
    sentence = headline(study, mine)
    page.heading(mine.measure.label)
    page.paragraph(sentence, "lead")
    page.show_cautions(evidence, mine.measure)
    figures = held.figures(mine)
    page.show_figures(*figures)
    _tests(study, mine)
    _order(held, mine)
    _robustness(held, mine)
    page.heading("For the paper")
    page.paragraph(
        "Every number comes from the result itself; half of the papers of one field held a p that did not fit its "
        "test (Nuijten et al. 2016).",
        "why",
    )
    st.code(printable(sentence), language=None, wrap_lines=True)
    page.take_figures(*figures)


def _tests(study: Study, mine: Comparison) -> None:
    from workbench.report.tables import comparison as tables
    from workbench.report.tables.reading import words_of

    words = words_of(study)
    page.show_table(tables.descriptives_table(study, [mine]), words, without=("measure", "label"))
    _left_out(study, mine)
    made = [
        tables.omnibus_table(study, [mine]),
        tables.pairs_table(study, [mine]),
        tables.contrasts_table(study, [mine]),
        tables.equivalence_table(study, [mine]),
    ]
    if mine.factors:
        from workbench.analysis.factors import layout

        made.insert(3, tables.factors_table(study, [mine], layout(study.declared.conditions)))
    for standing, meaning in {"planned": _planned(study.plan), "exploratory": EXPLORATORY}.items():
        parts = [part for part in (_with_standing(table, standing) for table in made) if part.rows]
        if parts:
            page.heading(standing.capitalize())
            page.paragraph(meaning, "soft")
            for number, part in enumerate(parts):
                page.show_table(part, words, without=("measure", "planned"), notes=number < 2)


def _left_out(study: Study, mine: Comparison) -> None:
    """Whose answers to this measure are left out on purpose, and why: beside the n that it changes."""
    for one in study.declared.exclusions:
        if not one.measures or mine.measure.id in one.measures:
            where = f" in {study.condition_labels[one.condition]}" if one.condition else ""
            page.paragraph(f"Left out: {one.participant}{where}: {one.reason.rstrip('.')}.", "soft")


def _planned(plan: Plan) -> str:
    """What can be said for a test that the plan names."""
    from workbench.study import plan_changed

    if plan.frozen is None:
        return "Named by the plan, which has no date: nothing shows that it was made before the data were seen."
    fixed = f"Named by the plan, which was fixed on {plan.frozen.on.isoformat()}"
    return f"{fixed} and was changed since then." if plan_changed(plan) else f"{fixed}."


def _with_standing(table: Table, standing: str) -> Table:
    """The rows of a table that are planned, or exploratory."""
    return replace(table, rows=tuple(row for row in table.rows if row["planned"] == standing))


def _order(held: Held, mine: Comparison) -> None:
    from workbench.report.sentences import balance_sentences
    from workbench.report.tables.order import order_effects_table
    from workbench.report.tables.reading import words_of

    compared = held.compared
    if not compared.balance:
        return
    page.heading("Order")
    told = balance_sentences(compared.orders, compared.balance)
    page.paragraph(" ".join(told))
    effects = [one for one in compared.order_effects if one.measure.id == mine.measure.id]
    if effects:
        table = order_effects_table(effects, compared.orders)
        table = replace(table, notes=tuple(note for note in table.notes if note not in told))
        page.show_table(table, words_of(held.evidence.study), without=("measure",))


def _robustness(held: Held, mine: Comparison) -> None:
    from workbench.report.tables.reading import words_of
    from workbench.report.tables.robustness import robustness_summary_table, robustness_table

    compared, study = held.compared, held.evidence.study
    ours = [one for one in compared.conclusions if one.question.measure == mine.measure.id]
    if not ours:
        return
    page.heading("Other choices of analysis")
    page.paragraph(
        "One choice of the plan is changed at a time. How many ways agree is no test; it shows whether a conclusion hangs on one choice.",
        "soft",
    )
    summary = [one for one in compared.robustness if one.planned.question.measure == mine.measure.id]
    words = words_of(study)
    page.show_table(robustness_summary_table(study, summary, ours), words, without=("measure",))
    with st.expander("Each choice"):
        page.show_table(robustness_table(study, ours), words, without=("measure",))


page.run_page("Conditions", "One measure at a time, compared across the conditions.", show)
