"""How far the rounds of coding are: all that anybody sees of a round that is open."""

from __future__ import annotations

from workbench.app import page
from workbench.app.held import Held
from workbench.app.interviews import has_journal, journal_of, material_of, study_of


def show_progress(found: Held) -> None:
    """Each round: units rated by each rater, and who has handed in; no coding."""
    from workbench.coding.rounds import rated_counts, round_states
    from workbench.report.tables.coding import rounds_state_table

    if not has_journal(found):
        page.paragraph("Nothing was coded here yet. A round is begun on the page Rounds, or with the first code.")
        return
    journal = journal_of(found)
    states = list(round_states(journal, study_of(found)).values())
    everything = sum(1 for _ in material_of(found).all_units())
    page.show_table(rounds_state_table(states, rated_counts(journal, states), everything), {})
