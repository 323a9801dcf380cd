"""How people read a table: which of its columns, ids in words, remarks as notes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from workbench.report.numbers import row_names
from workbench.report.table import Column, Table, show
from workbench.report.tables.parts import code_labels, listing
from workbench.study import Study

ROW_NAMES = frozenset(("measure", "scale", "setting", "pair", "label", "item", "round", "code", "test", "factors"))
"""Columns that name a row in a note about it."""


READING: dict[str, tuple[str, ...]] = {
    "instruments": ("id", "title", "n_items", "wording"),
    "headlines": ("label", "standing", "headline"),
    "findings": ("severity", "kind", "where", "found", "remedy"),
    "participants": ("label", "n", "left"),
    "joint_quotes": (
        "construct",
        "side",
        "participant",
        "condition",
        "difference",
        "code",
        "stance",
        "words",
        "translation",
    ),
    "code_exemplars": ("code", "condition", "participants", "interviewed", "exemplar"),
    "side_by_side_numbers": (
        "construct",
        "condition",
        "code",
        "n",
        "missing",
        "median",
        "interviewed",
        "raised",
        "in_favor",
        "against",
        "neither",
    ),
    "links": (
        "construct",
        "code",
        "condition",
        "n_raised",
        "n_not",
        "median_raised",
        "median_not",
        "rank_biserial",
        "p",
        "p_adjusted",
    ),
    "recode": ("unit", "rater", "version", "codes", "changes"),
    "trail": ("seq", "at", "by", "what", "round", "version", "why"),
    "transcripts": ("transcript", "language", "translated", "turns", "words", "units", "quotes"),
    "turns": ("turn", "speaker", "text", "translation"),
    "units": ("unit", "question", "text"),
    "excerpts": ("group", "unit", "code", "about", "stance", "before", "words", "after", "translation"),
    "candidates": ("likelihood", "kind", "phrase", "proposal", "transcript", "turn", "context"),
    "codebook": ("code", "label", "definition", "when_to_use", "when_not_to_use"),
    "missing": ("participant", "setting", "answered", "asked", "skipped", "not_applicable", "excluded"),
    "missing_items": ("instrument", "item", "sessions", "skipped", "share"),
    "reliability": ("scale", "setting", "n_items", "n_used", "n_dropped", "alpha", "omega", "sem", "reason"),
    "reliability_levels": ("scale", "n_participants", "within", "between", "reason"),
    "descriptives": ("label", "condition", "n", "missing", "median", "mean", "sd"),
    "described": ("label", "occasion", "n", "missing", "median", "mean", "sd"),
    "omnibus": (
        "measure",
        "n_used",
        "n_dropped",
        "chi_square",
        "df",
        "p",
        "p_adjusted",
        "kendall_w",
        "shown",
        "planned",
        "reason",
    ),
    "pairs": (
        "measure",
        "planned",
        "family",
        "pair",
        "n_pairs",
        "n_nonzero",
        "hodges_lehmann",
        "rank_biserial",
        "p",
        "p_adjusted",
        "shown",
        "reason",
    ),
    "contrasts": (
        "measure",
        "planned",
        "family",
        "label",
        "n_pairs",
        "n_nonzero",
        "hodges_lehmann",
        "rank_biserial",
        "p",
        "p_adjusted",
        "shown",
        "reason",
    ),
    "factors": (
        "measure",
        "planned",
        "family",
        "factors",
        "label",
        "n_pairs",
        "n_nonzero",
        "hodges_lehmann",
        "rank_biserial",
        "p",
        "p_adjusted",
        "shown",
        "reason",
    ),
    "equivalence": (
        "measure",
        "planned",
        "family",
        "pair",
        "bound_low",
        "bound_high",
        "n_pairs",
        "hodges_lehmann",
        "p",
        "p_adjusted",
        "shown",
        "reason",
    ),
    "anova": (
        "measure",
        "planned",
        "n_used",
        "f",
        "df1",
        "df2",
        "epsilon",
        "p_corrected",
        "mauchly_p",
        "generalized_eta_squared",
        "reason",
    ),
    "order_effects": ("measure", "standing", "early", "late", "n_used", "n_dropped", "hodges_lehmann", "reason"),
    "first_exposure": (
        "measure",
        "planned",
        "pair",
        "n_x",
        "n_y",
        "hodges_lehmann",
        "rank_biserial",
        "p",
        "p_adjusted",
        "reason",
    ),
    "robustness": ("measure", "test", "choice", "n", "estimate", "direction", "p_adjusted", "shown", "same"),
    "robustness_summary": (
        "measure",
        "test",
        "planned",
        "shown",
        "n_choices",
        "same_decision",
        "share",
        "smallest_p",
        "largest_p",
    ),
    "preference_pairs": (
        "pair",
        "planned",
        "n",
        "first_above",
        "second_above",
        "ties",
        "p",
        "p_adjusted",
        "shown",
        "reason",
    ),
    "scales": (
        "scale",
        "n_items",
        "minimum",
        "maximum",
        "n",
        "missing",
        "alpha_least",
        "alpha_most",
        "within",
        "between",
    ),
    "checklist": ("standard", "item", "topic", "state", "answer"),
    "agreement_rounds": (
        "round",
        "kind",
        "codebook_version",
        "raters",
        "n_units",
        "n_double",
        "same_sets",
        "masi_alpha",
        "reason",
    ),
    "agreement": (
        "round",
        "kind",
        "codebook_version",
        "code",
        "n_units",
        "prevalence",
        "percent_agreement",
        "positive",
        "kappa",
        "ac1",
        "against_threshold",
        "reason",
    ),
    "agreement_about": (
        "round",
        "kind",
        "codebook_version",
        "code",
        "n_about",
        "about_same",
        "about_alpha",
        "n_stance",
        "stance_same",
        "stance_alpha",
        "stance_weighted",
    ),
    "agreement_drift": ("round", "kind", "codebook_version", "what", "first", "middle", "last", "change"),
}
"""The columns that a person reads, of tables that have more; CSV and JSON always have all."""


NOT_READ = {"code_by_condition": ("label",)}
"""Columns that people do not need beside others."""


def words_of(study: Study) -> dict[str, str]:
    """Ids that stand in tables, and the words people read for them: labels of measures and of codes."""
    scales = {scale.id: scale.label for one in study.instruments.values() for scale in one.scales}
    trials = {measure.id: measure.label for one in study.declared.trials for measure in one.measures}
    contrasts = {one.id: one.label for one in study.plan.contrasts}
    codes = {code: f"{label} ({code})" for code, label in code_labels(study).items()}
    return scales | trials | contrasts | codes


WORDED = frozenset(("measure", "scale", "code", "test"))
"""Columns of ids that people read in words."""


def for_reading(table: Table, words: Mapping[str, str], *, without: Sequence[str] = ()) -> Table:
    """The table with the columns a person reads, less those in `without`, ids in `words`; remarks on rows become notes."""
    keys = READING.get(table.name, tuple(column.key for column in table.columns))
    empty = {
        key
        for key in ("silent", "spearman_brown", "translation", "question")
        if not any(_given(row.get(key)) for row in table.rows)
    }
    hidden = {*without, *empty, *NOT_READ.get(table.name, ()), "reason"}
    chosen = tuple(next(column for column in table.columns if column.key == key) for key in keys if key not in hidden)
    kept = {key for column in chosen for key in column.keys}
    worded = [{key: _in_words(key, value, words) for key, value in row.items()} for row in table.rows]
    rows = tuple({key: value for key, value in row.items() if key in kept} for row in worded)
    group = tuple(key for key in table.group if key in kept)
    notes = (*table.notes, *_remarks(worded, chosen))
    return Table(table.name, table.title, chosen, rows, notes, group, tuple(row_names(table.name, table.rows)))


def _in_words(key: str, value: object, words: Mapping[str, str]) -> object:
    return words.get(value, value) if key in WORDED and isinstance(value, str) else value


def _given(value: object) -> bool:
    return bool(value) and value == value


def _remarks(table_rows: Sequence[Mapping[str, object]], columns: Sequence[Column]) -> list[str]:
    """Each different `reason`, with the names of the rows it holds for."""
    names = [column for column in columns if column.kind == "text" and column.key in ROW_NAMES]
    rows: dict[str, list[str]] = {}
    for row in table_rows:
        if row.get("reason"):
            rows.setdefault(str(row["reason"]), []).append(" ".join(show(row[column.key], column) for column in names))
    return [
        f"{listing(where)}: {reason.rstrip('.')}." if any(where) else f"{reason.rstrip('.')}."
        for reason, where in rows.items()
    ]
