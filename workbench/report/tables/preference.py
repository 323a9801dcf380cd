"""Tables of the preference."""

from __future__ import annotations

from math import nan

from workbench.analysis.preference import Preference
from workbench.report.sentences import FIRST_CHOICES
from workbench.report.table import Column, Table
from workbench.report.tables.parts import TEST_COLUMNS, bounds, estimate, test_fields
from workbench.study import Study


def preference_table(study: Study, preference: Preference) -> Table:
    """How often each condition was ranked where."""
    ranks = range(1, len(study.conditions) + 1) if preference.kind == "ranking" else range(0)
    columns = [Column("condition", "Condition"), Column("first_choices", "First choices", "count")]
    if preference.kind == "ranking":
        columns += [Column(f"rank_{rank}", f"Rank {rank}", "count") for rank in ranks]
        columns += [Column("shared", "Shared ranks", "count"), Column("mean_rank", "Mean rank", "number")]
    rows = []
    for one in preference.conditions:
        row: dict[str, object] = {
            "condition": study.condition_labels[one.condition],
            "first_choices": one.first_choices,
        }
        if preference.kind == "ranking":
            row |= {f"rank_{rank}": one.counts[rank - 1] if one.counts else 0 for rank in ranks} | {
                "shared": one.shared,
                "mean_rank": one.mean_rank,
            }
        rows.append(row)
    return Table(
        "preference",
        "Preference",
        tuple(columns),
        tuple(rows),
        (f"n = {preference.n_used}; {preference.n_dropped} without a complete answer. Rank 1 = liked best.",),
    )


def preference_tests_table(preference: Preference) -> Table:
    """Tests on the preference."""
    columns = (
        Column("test", "Test"),
        Column("n", "n", "count"),
        Column("statistic", "Statistic"),
        Column("value", "Value", "number"),
        Column("df", "df", "count"),
        Column("w", "W", "bounded"),
        Column("p", "p", "p"),
        Column("p_kind", "Kind of p"),
        Column("reason", "Remark"),
    )
    rows = []
    if preference.first is not None:
        first = preference.first
        rows.append(
            {
                "test": FIRST_CHOICES,
                "n": sum(one.first_choices for one in preference.conditions),
                "statistic": "chi-square",
                "value": first.chi_square,
                "df": len(preference.conditions) - 1,
                "w": nan,
                "p": first.p_exact,
                "p_kind": "exact",
                "reason": first.reason,
            }
        )
    if preference.agreement is not None:
        agreed = preference.agreement
        rows.append(
            {
                "test": "Do the participants' rankings agree?",
                "n": preference.n_used,
                "statistic": "chi-square",
                "value": agreed.chi_square,
                "df": agreed.df,
                "w": agreed.w,
                "p": agreed.p_asymptotic,
                "p_kind": "asymptotic",
                "reason": agreed.reason,
            }
        )
    return Table(
        "preference_tests",
        "Tests on the preference",
        columns,
        tuple(rows),
        ("A split preference is a result too: look at the counts.",),
    )


def preference_pairs_table(study: Study, preference: Preference) -> Table:
    """How many ranked one condition above another, with exact sign tests."""
    labels = study.condition_labels
    columns = (
        Column("first", "First"),
        Column("second", "Second"),
        Column("pair", "Pair"),
        Column("n", "n", "count"),
        Column("first_above", "First above", "count", help="Participants who ranked the first above the second."),
        Column("second_above", "Second above", "count"),
        Column("ties", "Same rank", "count", help="Left out of the test."),
        *TEST_COLUMNS,
        Column("shown", "Shown", help="Whether the adjusted p is at or below the level."),
        Column("reason", "Remark"),
    )
    rows = tuple(
        {
            "first": labels[pair.first],
            "second": labels[pair.second],
            "pair": f"{labels[pair.first]} − {labels[pair.second]}",
            "n": pair.result.n_pairs,
            "first_above": pair.result.b,
            "second_above": pair.result.c,
            "ties": pair.ties,
            **test_fields(pair.test),
            "shown": "yes" if pair.test.below(study.plan.level) else "no",
            "reason": pair.result.reason,
        }
        for pair in preference.pairs
    )
    notes = (
        f"Exact sign tests over the {preference.n_used} participants with a complete ranking. Exploratory: no family of the plan can name them.",
        "Ranks of one person hang together, so a condition that loses one pair tends to lose others.",
    )
    return Table("preference_pairs", "Pairs in the rankings", columns, rows, notes)


def preference_worth_table(study: Study, preference: Preference) -> Table:
    """Plackett-Luce abilities of the conditions."""
    columns = (
        Column("condition", "Condition"),
        Column("n_used", "n", "count"),
        Column("n_shared", "Shared ranks", "count", help="Participants left out because they shared ranks."),
        estimate("ability", "Ability", "number", help="Log odds; abilities add up to 0."),
        Column("worth", "Chance of rank 1", "share", help="By the model; the chances add up to 1."),
        Column("reason", "Remark"),
    )
    worth = preference.worth
    rows = tuple(
        {
            "condition": study.condition_labels[one.condition],
            "n_used": worth.fit.n_used,
            "n_shared": worth.n_shared,
            "ability": float(worth.fit.abilities[place]),
            **bounds("ability", worth.fit.intervals[place]),
            "worth": float(worth.shares[place]),
            "reason": worth.fit.reason,
        }
        for place, one in enumerate(preference.conditions if worth else ())
        if worth
    )
    notes = (
        f"Plackett-Luce model of the rankings without shared ranks; {round(100 * (1 - study.plan.level))} % intervals by resampling participants. "
        "The difference of two abilities is the log odds of being ranked above.",
        "The model takes everybody to draw from the same preferences. Where people split, it shows the average of the camps: look at the counts.",
    )
    return Table("preference_worth", "Worth of the conditions in the rankings", columns, rows, notes)
