"""Tables of the agreement between raters, and of what they disagree about."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from workbench.analysis.agreement import CodeAgreement, RoundAgreement
from workbench.analysis.agreement_attributes import AttributeAgreement
from workbench.analysis.disagreements import Disagreement, HardUnit, typical_words
from workbench.analysis.drift import THIRDS, Trend
from workbench.codebook.model import Change
from workbench.report.agreement_sentences import AGREEMENT_CAUTION as AGREEMENT_CAUTION
from workbench.report.agreement_sentences import (
    FEW_CLUSTERS,
    MOVED_APART,
    against_threshold,
    paper_sentences,
    paradox_sentence,
    sample_sentences,
    threshold_sentences,
)
from workbench.report.table import Column, Kind, Table, show
from workbench.report.tables.parts import SHARE, bounds, estimate, joined, listing
from workbench.study import Study

_BOUNDED = Column("value", "", "bounded")
ROUND = Column("round", "Round")
GROUP = (ROUND, Column("kind", "Kind"), Column("codebook_version", "Codebook"))
UNITS = Column("units", "Units", help="The units concerned.")
ALL_CODES = "all codes"


def agreement_made(
    study: Study, found: Sequence[RoundAgreement], texts: Mapping[str, str] | None = None
) -> list[Table]:
    """Every table on agreement that has something to say; quotes and typical words where `texts` has the words of units."""
    made = [
        rounds_table(found),
        agreement_table(study, found),
        by_round_table(found),
        about_table(found),
        spans_table(found),
        drift_table(found),
        sample_table(found),
        confusions_table(found),
        disagreements_table(found),
        hard_units_table(study, found, texts or {}),
        words_table(found, texts or {}),
    ]
    return [table for table in made if table.rows]


def agreement_in_report(study: Study, found: Sequence[RoundAgreement]) -> list[Table]:
    """The tables that readers of a report need; the lists of what to settle stay in the results folder."""
    to_settle = ("agreement_disagreements", "agreement_hard_units", "agreement_words")
    return [table for table in agreement_made(study, found) if table.name not in to_settle]


def agreement_table(study: Study, rounds: Sequence[RoundAgreement]) -> Table:
    """Agreement per code and round."""
    threshold = study.plan.thresholds.agreement
    raters = list(dict.fromkeys(rater for one in rounds for rater in one.raters))
    shown_threshold = "" if threshold is None else show(threshold, _BOUNDED)
    columns = (
        *GROUP,
        Column("code", "Code"),
        Column("n_units", "Units", "count", help="Units with two ratings or more."),
        Column("n_applied", "With code", "count", help="Units to which any rater applied the code."),
        Column("n_single", "Rated once", "count", help="Units that only one rater saw: left out."),
        Column("n_unusable", "Not usable", "count", help="Units where one rater's codebook did not have the code."),
        Column(
            "prevalence",
            f"Applied by {' / '.join(raters)}",
            help="Share of units to which each rater applied the code.",
        ),
        *(Column(f"prevalence_{rater}", f"Applied by {rater}", "share") for rater in raters),
        *_apart("percent_agreement", "Agreement", "share"),
        *_apart("positive", "On applied", "share", help="Agreement on units to which the code was applied."),
        *_apart("negative", "On not applied", "share"),
        estimate(
            "kappa", "Kappa", help="Corrected for each rater's own prevalence; low and unstable where a code is rare."
        ),
        *_apart(
            "ac1",
            "AC1",
            "bounded",
            help="Corrected for how unsure a rater is; near percent agreement where a code is rare.",
        ),
        *_apart(
            "alpha", "Alpha", "bounded", help="Krippendorff's, corrected for the prevalence of all raters together."
        ),
        Column("against_threshold", f"Kappa and {shown_threshold or 'the plan'}"),
        Column("reason", "Remark"),
    )
    rows = tuple(
        _code_row(one, code, raters, threshold if one.reported else None)
        for one in _reported_first(rounds)
        for code in one.codes
    )
    counted = [one for one in rounds if one.reported]
    notes = [
        "Codings before consensus. Intervals resample participants, since units of one participant hang together; those of "
        "all figures stand in the CSV.",
        *filter(None, map(paradox_sentence, counted)),
        AGREEMENT_CAUTION,
    ]
    notes += [FEW_CLUSTERS] if any(one.few_clusters for one in rounds if one.n_double) else []
    if counted:
        notes += threshold_sentences(threshold, [code for one in counted for code in one.codes])
    group = ("round", "kind", "codebook_version")
    return Table("agreement", "Agreement between raters by code", columns, rows, tuple(notes), group)


def _code_row(
    one: RoundAgreement, code: CodeAgreement, raters: Sequence[str], threshold: float | None
) -> dict[str, object]:
    return {
        **_group(one),
        "code": code.code,
        "n_units": code.n_units,
        "n_applied": code.n_applied,
        "n_single": code.n_single,
        "n_unusable": code.n_unusable,
        "prevalence": " / ".join(show(code.prevalence[rater], SHARE) for rater in one.raters).replace(" % /", " /"),
        **{f"prevalence_{rater}": code.prevalence.get(rater) for rater in raters},
        "percent_agreement": code.percent.value,
        **bounds("percent_agreement", code.percent.interval),
        "positive": code.specific.positive,
        **bounds("positive", code.specific.positive_interval),
        "negative": code.specific.negative,
        **bounds("negative", code.specific.negative_interval),
        "kappa": code.kappa.value,
        **bounds("kappa", code.kappa.bootstrap_interval),
        "ac1": code.ac1.value,
        **bounds("ac1", code.ac1.bootstrap_interval),
        "alpha": code.alpha.value,
        **bounds("alpha", code.alpha.interval),
        "against_threshold": against_threshold(threshold, code),
        "reason": code.reason,
    }


def rounds_table(rounds: Sequence[RoundAgreement]) -> Table:
    """Who coded what in each round, agreement over all codes before consensus, and what became of the rest."""
    raters = list(dict.fromkeys(rater for one in rounds for rater in one.raters))
    outside = sum(one.n_units for one in rounds if one.round.kind != "pilot")
    columns = (
        *GROUP,
        Column("raters", "Raters"),
        Column("participants", "Participants", "count"),
        Column("n_units", "Units", "count"),
        Column("n_double", "Double coded", "count"),
        Column("share_double", "Share", "share", help="Of all units coded outside pilot rounds."),
        Column("n_refused", "From a pilot", "count", help="Units that revised the codebook: left out."),
        *_apart(
            "same_sets", "Same codes", "share", help="Share of double-coded units to which raters gave the same codes."
        ),
        estimate("masi_alpha", "Alpha (MASI)", help="Krippendorff's alpha over sets of codes with MASI distance."),
        Column("n_settled", "Settled", "count", help="Double-coded units for which a consensus stands."),
        Column("as_all", "As all had it", "count"),
        *(Column(f"as_{rater}", f"As {rater} had it", "count") for rater in raters),
        Column("as_other", "Otherwise", "count"),
        Column(
            "same_after",
            "One coding after",
            "share",
            help="Share of double-coded units with one coding after consensus.",
        ),
        Column("reason", "Remark"),
    )
    rows = tuple(
        {
            **_group(one),
            "raters": listing(one.raters),
            "participants": one.participants,
            "n_units": one.n_units,
            "n_double": one.n_double,
            "share_double": one.n_double / outside if one.reported else None,
            "n_refused": one.n_refused,
            "same_sets": one.same_sets.value,
            **bounds("same_sets", one.same_sets.interval),
            "masi_alpha": one.overall.value,
            **bounds("masi_alpha", one.overall.interval),
            **_settled_cells(one, raters),
            "reason": joined(
                one.reason or one.overall.reason,
                "units of a pilot round revised the codebook: not the figure to report"
                if one.round.kind == "pilot"
                else "",
            ),
        }
        for one in _reported_first(rounds)
    )
    notes = (*paper_sentences(rounds), AGREEMENT_CAUTION)
    return Table("agreement_rounds", "Agreement between raters by round", columns, rows, notes)


def _settled_cells(one: RoundAgreement, raters: Sequence[str]) -> dict[str, object]:
    found = one.resolution
    return {
        "n_settled": found.n_settled if found else None,
        "as_all": found.n_as_all if found else None,
        **{f"as_{rater}": found.n_as.get(rater) if found else None for rater in raters},
        "as_other": found.n_other if found else None,
        "same_after": found.share_same if found else None,
    }


def _apart(key: str, label: str, kind: Kind, help: str = "") -> tuple[Column, ...]:
    """A column of a value and two of its interval, so that people may read the value alone."""
    low, high = (Column(f"{key}_{end}", f"{label}, {end}", kind) for end in ("low", "high"))
    return Column(key, label, kind, help=help), low, high


def by_round_table(rounds: Sequence[RoundAgreement]) -> Table:
    """Each code over the rounds, where there were several, with what the codebook changed between."""
    coded = [one for one in rounds if one.n_double]
    columns = (
        Column("code", "Code"),
        Column("change", "Codebook"),
        *(column for one in coded for column in _round_columns(one.round.id)),
    )
    of = {one.round.id: {code.code: code for code in one.codes} for one in coded}
    codes = sorted({code for known in of.values() for code in known})
    rows = tuple(
        {"code": code, "change": _change(code, coded)}
        | {key: value for name, known in of.items() for key, value in _round_cells(name, known.get(code)).items()}
        for code in codes
    )
    told = any(one.changes for one in coded)
    notes = (
        "Rounds stand side by side and are never pooled: a pilot's units revised the codebook.",
        *(() if told else ("A code is new or gone as far as the codings show.",)),
    )
    several = len(coded) > 1
    return Table("agreement_by_round", "Each code over the rounds", columns, rows if several else (), notes)


def _round_columns(name: str) -> tuple[Column, ...]:
    return (
        Column(f"percent_agreement_{name}", f"Agreement, {name}", "share"),
        estimate(f"kappa_{name}", f"Kappa, {name}"),
    )


def _round_cells(name: str, code: CodeAgreement | None) -> dict[str, object]:
    return {
        f"percent_agreement_{name}": code.percent.value if code else None,
        f"kappa_{name}": code.kappa.value if code else None,
        f"kappa_{name}_low": code.kappa.bootstrap_interval.low if code else None,
        f"kappa_{name}_high": code.kappa.bootstrap_interval.high if code else None,
    }


def _change(code: str, coded: Sequence[RoundAgreement]) -> str:
    """What the codebook changed about a code between these rounds; without a codebook, in which versions it is."""
    found = [change for one in coded for change in one.changes if code in (*change.before, *change.after)]
    told = [_change_told(code, change) for change in found if change.kind != "edited"]
    if told or any(one.changes for one in coded):
        return joined(*told)
    held = [one.codebook_version for one in coded if any(known.code == code for known in one.codes)]
    versions = list(dict.fromkeys(one.codebook_version for one in coded))
    return "" if set(held) == set(versions) else f"in version {', '.join(dict.fromkeys(held))} only"


def _change_told(code: str, change: Change) -> str:
    old, new = " and ".join(change.before), " and ".join(change.after)
    outcome = code in change.after
    match change.kind:
        case "split":
            return f"split from {old}" if outcome else f"split into {new}"
        case "merged":
            return f"merged from {old}" if outcome else f"merged into {new}"
        case "renamed":
            return f"was {old}" if outcome else f"now {new}"
        case _:
            return change.kind


def about_table(rounds: Sequence[RoundAgreement]) -> Table:
    """Agreement on condition and stance where raters applied the same code."""
    columns = (
        *GROUP,
        Column("code", "Code"),
        Column("n_about", "Units", "count", help="Units to which two raters applied the code."),
        *_apart("about_same", "Same conditions", "share"),
        estimate("about_alpha", "Alpha, conditions", help="Over sets of conditions, MASI distance."),
        Column("n_stance", "Stances", "count", help="Cases with a stance of two raters about the same condition."),
        *_apart("stance_same", "Same stance", "share"),
        estimate("stance_alpha", "Alpha, stance"),
        *_apart("stance_weighted", "Weighted kappa", "bounded", help="Linear weights, against - mixed - for."),
    )
    rows = tuple(_about_row(one, part) for one in rounds if one.reported for part in one.about)
    notes = (
        "Only units to which two raters applied the code: what a code is about is a question only there.",
        "Undefined where all said the same thing throughout: then no disagreement was possible.",
    )
    group = ("round", "kind", "codebook_version")
    return Table("agreement_about", "Agreement on condition and stance", columns, rows, notes, group)


def _about_row(one: RoundAgreement, part: AttributeAgreement) -> dict[str, object]:
    return {
        **_group(one),
        "code": part.code or ALL_CODES,
        "n_about": part.n_about,
        "about_same": part.about_same.value,
        **bounds("about_same", part.about_same.interval),
        "about_alpha": part.about.value,
        **bounds("about_alpha", part.about.interval),
        "n_stance": part.n_stance,
        "stance_same": part.stance_same.value,
        **bounds("stance_same", part.stance_same.interval),
        "stance_alpha": part.stance.value,
        **bounds("stance_alpha", part.stance.interval),
        "stance_weighted": part.stance_weighted.value,
        **bounds("stance_weighted", part.stance_weighted.bootstrap_interval),
    }


def spans_table(rounds: Sequence[RoundAgreement]) -> Table:
    """Agreement on where coded words begin and end."""
    columns = (
        *GROUP,
        Column("code", "Code"),
        estimate("unitizing_alpha", "Alpha (spans)", help="Krippendorff's alpha for spans in a continuum."),
        estimate("overlap", "Overlap", "share", help="Characters that both marked, of those that either marked."),
    )
    rows, notes = [], []
    for one in _reported_first(rounds):
        if one.spans is None:
            continue
        result = one.spans.result
        for code in ("", *result.by_code):
            alpha = (
                (result.value, result.interval) if not code else (result.by_code[code], result.interval_by_code[code])
            )
            rows.append(
                {
                    **_group(one),
                    "code": code or ALL_CODES,
                    "unitizing_alpha": alpha[0],
                    **bounds("unitizing_alpha", alpha[1]),
                    "overlap": result.overlap[code] if code else None,
                    "overlap_low": result.overlap_interval[code].low if code else None,
                    "overlap_high": result.overlap_interval[code].high if code else None,
                }
            )
        notes.append(_spans_note(one))
    group = ("round", "kind", "codebook_version")
    return Table("agreement_spans", "Agreement on spans", columns, tuple(rows), tuple(notes), group)


def _spans_note(one: RoundAgreement) -> str:
    spans = one.spans
    if spans is None:
        return ""
    told = f"{one.round.id}: {spans.result.n_spans} spans in {spans.n_units} units that all raters coded, {spans.result.n_texts} transcripts."
    if spans.n_unreadable:
        told += f" {spans.n_unreadable} codings were left out: their start and end are no whole numbers in order, or pass the text."
    if spans.n_joined:
        told += f" {spans.n_joined} spans overlapped another of the same rater and code and were joined to it."
    if not spans.lengths_known:
        told += " How long units are was taken from the last coded place, so gaps at their ends are missing and alpha is somewhat low."
    return told


def drift_table(rounds: Sequence[RoundAgreement]) -> Table:
    """Agreement and omissions by thirds of the coding order."""
    columns = (
        *GROUP,
        Column("what", "What"),
        *(Column(third, f"{third.capitalize()} third", "bounded") for third in THIRDS),
        estimate(
            "change",
            "Change, first to last unit",
            help="Of a straight line through all units, with participants resampled.",
        ),
        *(Column(f"n_{third}", f"n, {third} third", "count") for third in THIRDS),
    )
    rows: list[dict[str, object]] = []
    notes = []
    for one in rounds:
        if not one.reported or one.drift is None:
            continue
        alphas = dict(zip(THIRDS, one.drift.alphas, strict=True))
        counts = {f"n_{third}": n for third, n in zip(THIRDS, one.drift.n_units, strict=True)}
        rows.append(_trend_row(one, "Share of units with the same codes", one.drift.same_sets))
        rows.append(
            {
                **_group(one),
                "what": "Alpha over sets of codes",
                **alphas,
                "change": None,
                "change_low": None,
                "change_high": None,
            }
            | counts
        )
        rows += [
            _trend_row(one, f"Left out by {trend.rater}, of what others applied", trend) for trend in one.drift.left_out
        ]
        shown = ", ".join(
            f"{units} units of {people} participant{'s' * (people != 1)}"
            for units, people in zip(one.drift.n_units, one.drift.participants, strict=True)
        )
        notes.append(
            f"{one.round.id}: the thirds hold {shown}. Few participants stand in each, so who they are and when they were coded cannot be told apart."
        )
    notes += [MOVED_APART, "The order is that in which each rater's units stand in the codings."]
    group = ("round", "kind", "codebook_version")
    return Table("agreement_drift", "Agreement over the coding order", columns, tuple(rows), tuple(notes), group)


def _trend_row(one: RoundAgreement, what: str, trend: Trend) -> dict[str, object]:
    return {
        **_group(one),
        "what": what,
        **dict(zip(THIRDS, trend.shares, strict=True)),
        "change": trend.change,
        **bounds("change", trend.interval),
        **{f"n_{third}": n for third, n in zip(THIRDS, trend.counts, strict=True)},
    }


def sample_table(rounds: Sequence[RoundAgreement]) -> Table:
    """What the drawn units can show of each code, and how many more would do."""
    columns = (
        *GROUP,
        Column("code", "Code"),
        Column("n_units", "Units", "count"),
        Column("n_applied", "With code", "count", help="Units to which any rater applied the code."),
        Column("prevalence", "Applied", "share", help="Mean over raters."),
        Column(
            "expected_half_width",
            "Half-width now",
            "bounded",
            help="Of the interval for kappa, simulated for these units.",
        ),
        Column("needed", "Needed", "count", help="Units drawn at random."),
        Column("more", "More", "count"),
        Column(
            "more_targeted", "More, aimed", "count", help="If half of the new units are ones the code is likely in."
        ),
        Column(
            "at_hand", "At hand", "count", help="Units that one rater gave the code to and no second rater has seen."
        ),
        Column("reason", "Remark"),
    )
    planned = [(one, one.sample) for one in rounds if one.sample is not None]
    rows = tuple(
        {
            **_group(one),
            "code": code.code,
            "n_units": code.n_units,
            "n_applied": code.n_applied,
            "prevalence": code.prevalence,
            "expected_half_width": code.expected_half_width,
            "needed": code.needed,
            "more": code.more,
            "more_targeted": code.more_targeted,
            "at_hand": code.at_hand,
            "reason": code.reason,
        }
        for one, plan in planned
        for code in plan.codes
    )
    notes = tuple(dict.fromkeys(note for _, plan in planned for note in sample_sentences(plan)))
    group = ("round", "kind", "codebook_version")
    return Table("agreement_sample", "What the double-coded units can show", columns, rows, notes, group)


def confusions_table(rounds: Sequence[RoundAgreement]) -> Table:
    """Pairs of codes that took each other's place."""
    columns = (
        *GROUP,
        Column("first", "Code"),
        Column("second", "Other code"),
        Column("n", "Units", "count", help="One rater applied the one, another the other, neither both."),
        Column(
            "expected",
            "By chance",
            "number",
            digits=1,
            help="Did disagreements about the two codes fall on units independently.",
        ),
        Column("ways", "Who applied which"),
        UNITS,
    )
    rows = tuple(
        {
            **_group(one),
            "first": pair.first,
            "second": pair.second,
            "n": pair.n,
            "expected": pair.expected,
            "ways": "; ".join(
                f"{a} {pair.first}, {b} {pair.second}: {n}" for (a, b), n in sorted(pair.by_direction.items())
            ),
            "units": listing([unit for _, unit in pair.units]),
        }
        for one in _reported_first(rounds)
        for pair in one.disagreements.confusions
    )
    notes = ("Ordered by how far the count lies above chance. Counts of one or two show little.",)
    group = ("round", "kind", "codebook_version")
    return Table("agreement_confusions", "Codes that were confused", columns, rows, notes, group)


def disagreements_table(rounds: Sequence[RoundAgreement]) -> Table:
    """Sorts of disagreement, the most costly first."""
    columns = (
        *GROUP,
        Column("disagreement", "Kind"),
        Column("codes", "Code"),
        Column("who", "Who"),
        Column("n", "n", "count"),
        Column("cost", "Cost", "share", help="Share of all disagreement that settling these units would remove."),
        Column(
            "alpha_gain", "Alpha gains", "bounded", digits=3, help="What alpha over sets of codes would gain by it."
        ),
        UNITS,
    )
    rows = tuple(
        {
            **_group(one),
            "disagreement": sort.kind,
            "codes": " / ".join(sort.codes),
            "who": _who(sort),
            "n": len(sort.units),
            "cost": sort.cost,
            "alpha_gain": sort.alpha_gain,
            "units": listing([unit for _, unit in sort.units]),
        }
        for one in _reported_first(rounds)
        for sort in one.disagreements.sorts
    )
    notes = (
        "Cost: the share of all disagreement (MASI distance of the raters' sets of codes, summed over units) that would go if these units were settled, each sort alone.",
        "Label: each applied a code that the other did not. Boundary: who did not apply the code did so in the unit before or after. Omission: neither.",
        AGREEMENT_CAUTION,
    )
    group = ("round", "kind", "codebook_version")
    return Table("agreement_disagreements", "What raters disagree about", columns, rows, notes, group)


def _who(sort: Disagreement) -> str:
    first, second = sort.raters
    return f"{first} and {second}" if sort.kind == "label" else f"{first}, not {second}"


def hard_units_table(study: Study, rounds: Sequence[RoundAgreement], texts: Mapping[str, str]) -> Table:
    """Units that all find hard, with their words where those are given and the participant allows quotes."""
    columns = (
        *GROUP,
        Column("unit", "Unit"),
        Column("participant", "Participant"),
        Column("given", "Codes"),
        Column("n_disputed", "In dispute", "count"),
        Column("distance", "Distance", "bounded", help="Mean MASI distance between raters, 1 = nothing in common."),
        *((Column("words", "Words"),) if texts else ()),
    )
    rows = tuple(
        {
            **_group(one),
            "unit": hard.unit[1],
            "participant": hard.participant,
            "given": "; ".join(f"{rater} {', '.join(codes) or 'none'}" for rater, codes in hard.given.items()),
            "n_disputed": hard.n_disputed,
            "distance": hard.distance,
        }
        | ({"words": _quoted(hard, texts)} if texts else {})
        for one in _reported_first(rounds)
        for hard in one.disagreements.hard
    )
    notes = ("Units to which no two raters gave the same codes, with two codes or more in dispute.",)
    group = ("round", "kind", "codebook_version")
    return Table("agreement_hard_units", "Units that all raters find hard", columns, rows, notes, group)


def _quoted(hard: HardUnit, texts: Mapping[str, str]) -> str:
    """The unit's words, where `texts` has them: they are given for those alone who may be quoted."""
    return texts.get(hard.unit[1], "(not quoted)")


def words_table(rounds: Sequence[RoundAgreement], texts: Mapping[str, str]) -> Table:
    """Words that stand in disputed units more often than in others."""
    columns = (
        *GROUP,
        Column("word", "Word"),
        Column("n_disputed", "In disputed units", "count"),
        Column("n_others", "In other units", "count"),
        Column("z", "z", "number", help="Log odds ratio over its standard error."),
    )
    rows = []
    for one in _reported_first(rounds) if texts else []:
        disputed = [unit for _, unit in one.disagreements.disputed]
        others = [unit for _, unit in one.disagreements.alike]
        rows += [
            {**_group(one), "word": word.word, "n_disputed": word.n_disputed, "n_others": word.n_others, "z": word.z}
            for word in typical_words(texts, disputed, others)
        ]
    notes = ("Many words are looked at, so this points to what may be unclear and proves nothing.",)
    group = ("round", "kind", "codebook_version")
    return Table("agreement_words", "Words of disputed units", columns, tuple(rows), notes, group)


def _group(one: RoundAgreement) -> dict[str, object]:
    return {"round": one.round.id, "kind": one.round.kind, "codebook_version": one.codebook_version}


def _reported_first(rounds: Sequence[RoundAgreement]) -> list[RoundAgreement]:
    """The rounds whose figures are reported before those that revised the codebook."""
    return sorted(rounds, key=lambda one: one.round.kind == "pilot")
