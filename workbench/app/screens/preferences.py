"""Preferences: how the conditions were ranked or chosen."""

from __future__ import annotations

from workbench.app import page
from workbench.app.held import Held


def show(held: Held) -> None:
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
    page.paragraph(
        "A split preference is a result too: say how it splits. First choices are tested against equal shares, rankings by how "
        "far people agree (Kendall's W), pairs by exact sign tests.",
        "why",
    )
    if found.kind == "ranking" and found.n_used:
        page.show_figures(held.preference_figure(found))
    for table in preference_tables(study, found):
        page.show_table(table, words_of(study))
    if evidence.preferences and evidence.preferences.findings:
        page.heading("Findings")
        page.show_findings(evidence.preferences.findings)


page.run_page("Preferences", "Which condition people liked best, and how far they agree.", show)
