"""Preferences: how the conditions were ranked or chosen."""

from __future__ import annotations

import streamlit as st

from workbench.app import page
from workbench.app.held import Held
from workbench.errors import SEVERITIES


def show(held: Held) -> None:
    from workbench.report.sentences import preference_sentence
    from workbench.report.table import printable
    from workbench.report.tables.reading import words_of
    from workbench.results.chain import preference_tables

    evidence = held.evidence
    study = evidence.study
    found = held.preference
    if found is None:
        page.empty(
            "No preference was asked. Where participants ranked or chose conditions at the end, say so in study.toml:",
            '[preference]\nfile = "responses/ranking.csv"\nkind = "ranking"\ncolumns = { '
            + ", ".join(f'{one} = "rank_{one}"' for one in study.conditions)
            + " }",
        )
        return
    sentence = preference_sentence(study, found)
    page.paragraph(sentence, "lead")
    page.paragraph(
        "A split preference is a result too: say how it splits. First choices are tested against equal shares, rankings by how "
        "far people agree (Kendall's W), pairs by exact sign tests.",
        "why",
    )
    figures = [held.preference_figure(found)] if found.kind == "ranking" and found.n_used else []
    page.show_figures(*figures)
    for table in preference_tables(study, found):
        page.show_table(table, words_of(study))
    if evidence.preferences and evidence.preferences.findings:
        page.heading("Findings")
        page.show_findings(sorted(evidence.preferences.findings, key=lambda one: SEVERITIES.index(one.severity)))
    page.heading("For the paper")
    st.code(printable(sentence), language=None, wrap_lines=True)
    page.take_figures(*figures)


page.run_page("Preferences", "Which condition people liked best, and how far they agree.", show)
