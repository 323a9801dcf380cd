"""Tables of reliability: scales by condition, the two levels, items."""

from __future__ import annotations

from collections.abc import Sequence
from math import nan

from workbench.analysis.reliability import ScaleReliability
from workbench.report.sentences import threshold_sentence
from workbench.report.table import Column, Table, show
from workbench.report.tables.parts import SHARE, UNVALIDATED, bounds, estimate, joined, place_name
from workbench.study import Study


def reliability_table(study: Study, reliabilities: Sequence[ScaleReliability]) -> Table:
    """Alpha and omega of each scale in each condition or occasion."""
    columns = (
        Column("scale", "Scale"),
        Column("setting", "Condition or occasion"),
        Column("n_items", "Items", "count"),
        Column("n_used", "n", "count"),
        Column("n_dropped", "Left out", "count", help="Participants with a missing answer."),
        estimate("alpha", "Alpha", help="Cronbach's alpha with Feldt's interval."),
        estimate("omega", "Omega", help="McDonald's omega total, one factor by maximum likelihood, from covariances."),
        Column("spearman_brown", "Spearman-Brown", "bounded", help="For scales of two items."),
        Column(
            "sem", "SEM of the sum", "number", help="Standard error of measurement, in points of the sum of the items."
        ),
        Column("reason", "Remark"),
    )
    rows = []
    for one in reliabilities:
        for setting in one.settings:
            rows.append(
                {
                    "scale": one.measure.id,
                    "setting": place_name(study, setting.setting),
                    "n_items": setting.alpha.n_items,
                    "n_used": setting.alpha.n_used,
                    "n_dropped": setting.alpha.n_dropped,
                    "alpha": setting.alpha.raw,
                    **bounds("alpha", setting.alpha.interval),
                    "omega": setting.omega.value,
                    **bounds("omega", setting.omega.interval),
                    "spearman_brown": setting.spearman_brown.value if setting.spearman_brown else nan,
                    "sem": setting.error.value,
                    "reason": joined(setting.alpha.reason, setting.omega.reason if setting.alpha.n_items > 2 else ""),
                }
            )
    level = show(1 - study.plan.level, SHARE)
    threshold = threshold_sentence(
        study.plan.thresholds.reliability,
        [setting.alpha.interval for one in reliabilities for setting in one.settings],
    )
    notes = [
        f"{level} intervals: Feldt's for alpha, percentiles of resampled participants for omega. Rows of several conditions are not pooled.",
        UNVALIDATED,
    ]
    return Table(
        "reliability",
        "Reliability in each condition",
        columns,
        tuple(rows),
        tuple(notes + ([threshold] if threshold else [])),
        ("scale",),
    )


def levels_table(study: Study, reliabilities: Sequence[ScaleReliability]) -> Table:
    """Alpha within and between participants, for scales asked repeatedly."""
    columns = (
        Column("scale", "Scale"),
        Column("n_participants", "Participants", "count"),
        Column("n_used", "Rows", "count"),
        Column("n_dropped", "Rows left out", "count"),
        estimate(
            "within",
            "Within persons",
            help="Alpha of changes within a participant, condition means taken off: what a comparison of conditions rests on.",
        ),
        estimate("between", "Between persons", help="Alpha of differences between participants."),
        Column("reason", "Remark"),
    )
    rows = tuple(
        {
            "scale": one.measure.id,
            "n_participants": one.levels.n_participants,
            "n_used": one.levels.n_used,
            "n_dropped": one.levels.n_dropped,
            "within": one.levels.within.value,
            **bounds("within", one.levels.within.interval),
            "between": one.levels.between.value,
            **bounds("between", one.levels.between.interval),
            "reason": one.levels.reason,
        }
        for one in reliabilities
        if one.levels is not None
    )
    note = "Conditions are compared within persons, so the first figure is the one that matters for a comparison (Cranford et al. 2006; Geldhof et al. 2014)."
    return Table("reliability_levels", "Reliability within and between persons", columns, rows, (note,))


def items_table(study: Study, reliabilities: Sequence[ScaleReliability]) -> Table:
    """Each item of each scale in each condition."""
    columns = (
        Column("scale", "Scale"),
        Column("setting", "Condition or occasion"),
        Column("item", "Item"),
        Column("n_used", "n", "count"),
        Column("mean", "Mean", "number"),
        Column("sd", "SD", "number"),
        Column("item_rest_correlation", "r with the rest", "bounded"),
        Column("alpha_if_deleted", "Alpha without it", "bounded"),
    )
    rows = tuple(
        {
            "scale": one.measure.id,
            "setting": place_name(study, setting.setting),
            "item": item,
            "n_used": setting.items.n_used,
            "mean": float(setting.items.means[place]),
            "sd": float(setting.items.sds[place]),
            "item_rest_correlation": float(setting.items.item_rest_correlations[place]),
            "alpha_if_deleted": float(setting.items.alpha_if_deleted[place]),
        }
        for one in reliabilities
        for setting in one.settings
        for place, item in enumerate(one.measure.items)
    )
    note = "Reversed items are shown after reversal. Dropping items because of this table, in this sample, makes alpha look better than it is."
    return Table("items", "Items", columns, rows, (note,), ("scale", "setting"))


def scales_table(study: Study, reliabilities: Sequence[ScaleReliability]) -> Table:
    """A row per scale, as a paper shows it: items, range, n, missing scores, and both reliabilities."""
    columns = (
        Column("scale", "Scale"),
        Column("n_items", "Items", "count"),
        Column("minimum", "Lowest", "number", 0, help="The lowest score there can be."),
        Column("maximum", "Highest", "number", 0),
        Column("n", "Scores", "count"),
        Column("missing", "Missing", "count"),
        Column("alpha_least", "Alpha, least", "bounded", help="Over the conditions or occasions."),
        Column("alpha_most", "Alpha, most", "bounded"),
        Column("omega_least", "Omega, least", "bounded"),
        Column("omega_most", "Omega, most", "bounded"),
        estimate("within", "Within persons"),
        estimate("between", "Between persons"),
    )
    rows = []
    for one in reliabilities:
        alphas = [setting.alpha.raw for setting in one.settings if setting.alpha.raw == setting.alpha.raw]
        omegas = [setting.omega.value for setting in one.settings if setting.omega.value == setting.omega.value]
        n = int(one.measure.values["value"].notna().sum())
        row: dict[str, object] = {
            "scale": one.measure.id,
            "n_items": len(one.measure.items),
            "minimum": one.measure.low,
            "maximum": one.measure.high,
            "n": n,
            "missing": len(one.measure.values) - n,
            "alpha_least": min(alphas, default=nan),
            "alpha_most": max(alphas, default=nan),
            "omega_least": min(omegas, default=nan),
            "omega_most": max(omegas, default=nan),
        }
        for level in ("within", "between"):
            found = getattr(one.levels, level) if one.levels else None
            row |= (
                {level: found.value, **bounds(level, found.interval)}
                if found
                else {
                    level: nan,
                    f"{level}_low": nan,
                    f"{level}_high": nan,
                }
            )
        rows.append(row)
    notes = (
        "Alpha and omega within each condition or occasion, from the least to the most; rows of several conditions are not pooled.",
        UNVALIDATED,
    )
    return Table("scales", "Scales and their reliability", columns, tuple(rows), notes)
