"""Reliability: each scale in each condition, within and between persons, and its items."""

from __future__ import annotations

from dataclasses import replace

from workbench.app import page
from workbench.app.held import Held


def show(held: Held) -> None:
    from workbench.report.tables.reading import words_of
    from workbench.report.tables.reliability import items_table, levels_table, reliability_table

    evidence = held.evidence
    study, words = evidence.study, words_of(evidence.study)
    found = sorted(held.reliabilities, key=lambda one: one.measure.id not in study.plan.primary)
    if not found:
        page.empty(
            "No scale of two items or more has answers yet. Name an instrument and its file on the page Responses; "
            "how a scale is put together stands in the instrument's file, under [[scales]]."
        )
        return
    levels = levels_table(study, found)
    if levels.rows:
        page.heading("Within and between persons")
        page.paragraph(
            "Conditions are compared within persons, so “within” is the level that a comparison rests on. Rows of several "
            "conditions are never pooled: that mixes people with conditions (Geldhof et al. 2014; Cranford et al. 2006).",
            "why",
        )
        page.show_table(replace(levels, title="All scales"), words)
    page.heading("One scale")
    labels = {one.measure.id: one.measure.label for one in found}
    name = page.chosen("Scale", "scale", list(labels), labels)
    mine = [one for one in found if one.measure.id == name]
    page.show_cautions(evidence, mine[0].measure)
    if any(setting.alpha.interval.defined for setting in mine[0].settings):
        page.show_figures(held.reliability_figure(mine[0]))
    page.show_table(reliability_table(study, mine), words)
    page.heading("Its items")
    page.paragraph(
        "Don't fish for items. An item that looks weak in one small sample may do so by chance; leaving out what lowers alpha in "
        "these data makes alpha look better than it will be in the next. Keep the scale as published and as planned; say what "
        "you saw, and drop an item only for a reason that does not come from this table (4 items, n = 24, alpha .80: the 95 % "
        "interval runs from .63 to .90, by Feldt's method).",
        "why",
    )
    page.show_table(items_table(study, mine), words, notes=False)
    page.paragraph(
        "Items that were reversed are shown after reversal. Reliability is not validity: it does not show that a scale "
        "measures what it is named after.",
        "soft",
    )


page.run_page("Reliability", "How consistently the scales measured, in each condition and within persons.", show)
