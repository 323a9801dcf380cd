"""Tables of the agreement between raters."""

from __future__ import annotations

from collections.abc import Sequence

from workbench.analysis.agreement import RoundAgreement
from workbench.report.sentences import threshold_sentence
from workbench.report.table import Column, Table, show
from workbench.report.tables.parts import SHARE, bounds, estimate, joined
from workbench.study import Study

AGREEMENT_CAUTION = "Agreement is not validity, and no coefficient rates a rater."


FEW_CLUSTERS = "With fewer than 15 participants the resampled intervals are too narrow (known from simulation)."


def agreement_table(study: Study, rounds: Sequence[RoundAgreement]) -> Table:
    """Agreement per code and round."""
    columns = (
        Column("round", "Round"),
        Column("kind", "Kind"),
        Column("codebook_version", "Codebook"),
        Column("code", "Code"),
        Column("n_units", "Units", "count", help="Units with two ratings or more."),
        Column("n_single", "Rated once", "count", help="Units that only one rater saw: left out."),
        Column("prevalence", "Prevalence by rater"),
        Column("percent_agreement", "Agreement", "share"),
        Column("positive", "On applied", "share", help="Agreement on units to which the code was applied."),
        Column("negative", "On not applied", "share"),
        estimate("kappa", "Kappa"),
        estimate("ac1", "AC1"),
        estimate("alpha", "Alpha"),
        Column("reason", "Remark"),
    )
    rows = []
    for one in _reported_first(rounds):
        for code in one.codes:
            rows.append(
                {
                    "round": one.round.id,
                    "kind": one.round.kind,
                    "codebook_version": one.codebook_version,
                    "code": code.code,
                    "n_units": code.n_units,
                    "n_single": code.n_single,
                    "prevalence": ", ".join(
                        f"{rater} {show(share, SHARE)}" for rater, share in code.prevalence.items()
                    ),
                    "percent_agreement": code.percent.value,
                    "positive": code.specific.positive,
                    "negative": code.specific.negative,
                    "kappa": code.kappa.value,
                    **bounds("kappa", code.kappa.bootstrap_interval),
                    "ac1": code.ac1.value,
                    **bounds("ac1", code.ac1.bootstrap_interval),
                    "alpha": code.alpha.value,
                    **bounds("alpha", code.alpha.interval),
                    "reason": code.kappa.reason,
                }
            )
    notes = [
        "Codings before consensus. Intervals resample participants, since units of one participant hang together.",
        "Kappa falls where a code is rare although raters agree on most units; AC1 stands beside it, not instead of it.",
        AGREEMENT_CAUTION,
    ]
    notes += [FEW_CLUSTERS] if any(one.few_clusters for one in rounds) else []
    threshold = threshold_sentence(
        study.plan.thresholds.agreement,
        [code.kappa.bootstrap_interval for one in rounds if one.round.kind != "pilot" for code in one.codes],
        what="kappa",
    )
    return Table(
        "agreement",
        "Agreement between raters by code",
        columns,
        tuple(rows),
        tuple(notes + ([threshold] if threshold else [])),
        ("round", "kind", "codebook_version"),
    )


def rounds_table(rounds: Sequence[RoundAgreement]) -> Table:
    """Agreement over all codes, by round."""
    columns = (
        Column("round", "Round"),
        Column("kind", "Kind"),
        Column("codebook_version", "Codebook"),
        Column("raters", "Raters"),
        Column("participants", "Participants", "count"),
        Column("n_units", "Units", "count"),
        Column("n_double", "Double coded", "count"),
        estimate("masi_alpha", "Alpha (MASI)", help="Krippendorff's alpha over sets of codes with MASI distance."),
        Column("reason", "Remark"),
    )
    rows = tuple(
        {
            "round": one.round.id,
            "kind": one.round.kind,
            "codebook_version": one.codebook_version,
            "raters": ", ".join(one.raters),
            "participants": one.participants,
            "n_units": one.n_units,
            "n_double": one.n_double,
            "masi_alpha": one.overall.value,
            **bounds("masi_alpha", one.overall.interval),
            "reason": joined(
                one.overall.reason,
                "units of a pilot round revised the codebook: not the figure to report"
                if one.round.kind == "pilot"
                else "",
            ),
        }
        for one in _reported_first(rounds)
    )
    return Table("agreement_rounds", "Agreement between raters by round", columns, rows, (AGREEMENT_CAUTION,))


def _reported_first(rounds: Sequence[RoundAgreement]) -> list[RoundAgreement]:
    """The rounds whose figures are reported before those that revised the codebook."""
    return sorted(rounds, key=lambda one: one.round.kind == "pilot")
