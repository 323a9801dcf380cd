"""Tables of both strands: by condition, quotes and exemplars, participants by themes, links between what was said and scored."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import replace
from math import isnan, nan

from workbench.analysis.links import LEAST_IN_GROUP, CodeAcross, CodeAndScore
from workbench.declared import nearest
from workbench.errors import UsageError
from workbench.joint_display import (
    EXEMPLAR_RULE,
    QUOTE_RULE,
    CodeStances,
    ConditionSides,
    Exemplar,
    Exemplars,
    JointRow,
    Quote,
)
from workbench.report.numbers import cell
from workbench.report.sentences import omnibus_evidence
from workbench.report.table import Column, Table, show
from workbench.report.tables.interviews import NOT_MENTIONED, VERDICTS
from workbench.report.tables.parts import TEST_COLUMNS, bounds, code_labels, estimate, listing, test_fields
from workbench.study import JOINT_KINDS, JointKind, Study

FEW_INTERVIEWED = "Exploratory, from the few who were interviewed: no link is shown to be absent, and none says what brought about what."

EACH_ONCE = "For, against, neither: each participant is counted once. Neither: mixed, both for and against, or without a stance."
ALONE = (
    "The interval is that of each condition's median alone. The same people are in all conditions, so whether these differ is told by the "
    "tests, not by intervals that overlap or do not."
)
REFLEXIVE = "The analysis is reflexive: counts say where a code was used, not how much a theme weighs, and claim nothing beyond these people."
ANYTHING = "anything"
_COUNT = Column("n", "n", "count")
_NUMBER = Column("value", "Value", "number")

KINDS: Mapping[JointKind, tuple[str, ...]] = {
    "statistics by themes": ("joint", "joint_quotes", "links"),
    "side by side": ("side_by_side", "side_by_side_numbers", "joint_quotes"),
    "participants by themes": ("participants_by_theme", "participants_by_code"),
    "condition by code": ("code_by_condition", "code_exemplars", "code_stances", "codes_across"),
}
"""The tables of each kind of joint display; the numbers of a table that is not among them have no id."""


def kinds_of(words: Sequence[str]) -> list[JointKind]:
    """The kinds named; UsageError for one that there is not."""
    unknown = [one for one in words if one not in JOINT_KINDS]
    if unknown:
        raise UsageError(f"--kind is “{unknown[0]}”, which there is not. {nearest(unknown[0], JOINT_KINDS)}")
    return [kind for kind in JOINT_KINDS if kind in words]


def of_kinds(tables: Sequence[Table], kinds: Sequence[JointKind]) -> list[Table]:
    """The tables that belong to the kinds wanted, kind by kind in their own order, those that say something."""
    by_name = {table.name: table for table in tables if table.rows}
    wanted = dict.fromkeys(name for kind in JOINT_KINDS if kind in kinds for name in KINDS[kind])
    return [by_name[name] for name in wanted if name in by_name]


# ----------------------------------------------------------------------------------- by condition


def side_by_side_numbers_table(study: Study, rows: Sequence[JointRow]) -> Table:
    """A row per construct, condition and code: scores in that condition, and those interviewed who raised the code about it."""
    columns = (
        Column("construct", "Construct"),
        Column("measure", "Measure"),
        Column("condition", "Condition"),
        Column("code", "Code"),
        Column("n", "n", "count", help="Participants with a value."),
        Column("missing", "Missing", "count"),
        Column("median", "Mdn", "number", low="median_low", high="median_high"),
        Column("level", "Level reached", "share", help="Of the interval of the median, made of order statistics."),
        Column("interviewed", "Interviewed", "count"),
        Column("raised", "Raised it", "count", help="About that condition, of those interviewed."),
        Column("in_favor", "For", "count"),
        Column("against", "Against", "count"),
        Column("neither", "Neither", "count", help="Mixed, both for and against, or without a stance."),
    )
    told = tuple(
        {"construct": row.construct.label, "measure": row.construct.measure, "condition": condition, **scores}
        | {key: getattr(code, key) for key in ("code", "interviewed", "raised", "in_favor", "against", "neither")}
        for row in rows
        for condition, scores, codes in (
            *((study.condition_labels[side.condition], _scores_of(side), side.codes) for side in row.sides),
            (ANYTHING, dict.fromkeys(_SCORES, nan), row.anything),
        )
        for code in codes
    )
    notes = (NOT_MENTIONED, EACH_ONCE, ALONE)
    title = "Scores and interviews by condition, in numbers"
    return Table("side_by_side_numbers", title, columns, told, notes, ("construct",))


_SCORES = ("n", "missing", "median", "median_low", "median_high", "level")


def _scores_of(side: ConditionSides) -> dict[str, float]:
    interval = side.interval
    reached = interval.level if interval.defined else nan
    told = (len(side.values), side.missing, side.median, interval.low, interval.high, reached)
    return dict(zip(_SCORES, told, strict=True))


def side_by_side_table(study: Study, rows: Sequence[JointRow]) -> Table:
    """Per construct both strands by condition, then across conditions, in two people's words, and in the researcher's verdict."""
    columns = (
        Column("construct", "Construct"),
        Column("row", "Condition"),
        Column("scores", "Scores"),
        Column("interviews", "Interviews"),
    )
    told = tuple(
        {"construct": one.construct.label, "row": name, "scores": scores, "interviews": interviews}
        for one in rows
        if one.sides and one.codes
        for name, scores, interviews in _side_by_side_rows(study, one)
    )
    few = _few_interviewed(study, rows)
    notes = (NOT_MENTIONED, EACH_ONCE, ALONE, *few, QUOTE_RULE, VERDICTS, *reflexive_note(study))
    return Table("side_by_side", "Scores and interviews by condition", columns, told, notes, ("construct",))


def apart(table: Table) -> list[Table]:
    """A table of both strands by condition as one table per construct, which a page has room for; others as they are."""
    if table.name != "side_by_side":
        return [table]
    kept = tuple(column for column in table.columns if column.key != "construct")
    return [
        replace(
            table,
            name=f"{table.name}_{number}",
            title=f"{heading}: scores and interviews by condition",
            columns=kept,
            rows=tuple({column.key: table.rows[place][column.key] for column in kept} for place in places),
            group=(),
        )
        for number, (heading, places) in enumerate(table.groups(), start=1)
    ]


def reflexive_note(study: Study) -> tuple[str, ...]:
    """What counts do not say in a reflexive analysis."""
    interviews = study.declared.interviews
    return (REFLEXIVE,) if interviews is not None and interviews.mode == "reflexive" else ()


def _few_interviewed(study: Study, rows: Sequence[JointRow]) -> list[str]:
    """How few were interviewed, where anybody was."""
    asked = next((code.interviewed for row in rows for side in row.sides for code in side.codes), 0)
    if not asked:
        return []
    n = cell("participants", ["interviewed"], "n", show(asked, _COUNT))
    everybody = show(len(study.participants), _COUNT)
    return [
        f"{n} of {everybody} participants were interviewed: where counts differ by a few people, that may be chance."
    ]


def _side_by_side_rows(study: Study, row: JointRow) -> Iterator[tuple[str, str, str]]:
    """(what, scores, interviews) of a construct."""
    names = code_labels(study)
    measured = row.comparison.measure if row.comparison else None
    codes = "\n".join(f"{code}: {names[code]}" if names.get(code) else code for code in row.codes)
    yield "Measure and codes", measured.label if measured else row.construct.measure, codes
    for side in row.sides:
        label = study.condition_labels[side.condition]
        raised = [_stances_told(row, label, code) for code in side.codes]
        yield label, _scores_told(row, label, side), "\n".join(raised)
    yield "Across conditions", _tested(row), _about_anything(row)
    if row.highest:
        label = study.condition_labels[row.highest]
        follow, contradict = show(row.follow, _COUNT), show(row.contradict, _COUNT)
        told = f"{follow} score {label} above the mean of their other conditions, {contradict} below.{_not_shown(row)}"
        yield "Those interviewed", told, ""
    for quote in row.quotes:
        yield _SIDES[quote.side], _own_difference(study, row, quote), quoted(quote)
    if not row.quotes:
        yield "In their words", "", _why_no_quotes(row)
    for finding in row.findings:
        yield "Quote not shown", "", finding.found
    if row.silent:
        yield "Silence", *_silence(row)
    yield (
        "Verdict",
        row.construct.verdict or "open",
        " ".join(filter(None, (row.construct.reason, row.construct.inference))),
    )


_SIDES = {"supporting": "Follows the group", "contrary": "Contradicts the group"}


def _scores_told(row: JointRow, label: str, side: ConditionSides) -> str:
    if not side.values:
        return "no scores"

    def of(column: str, shown: str) -> str:
        return cell("side_by_side_numbers", [row.construct.label, label, row.codes[0]], column, shown)

    low, high = (of(f"median_{end}", show(getattr(side.interval, end), _NUMBER)) for end in ("low", "high"))
    interval = f" [{low}, {high}]" if side.interval.defined else " (no interval)"
    missing = f", {of('missing', show(side.missing, _COUNT))} missing" if side.missing else ""
    return f"Mdn {of('median', show(side.median, _NUMBER))}{interval}, n = {of('n', show(len(side.values), _COUNT))}{missing}"


def _stances_told(row: JointRow, label: str, code: CodeStances) -> str:
    """ "SWAY 11 of 14: 8 for, 1 against, 2 neither"."""

    def of(column: str, count: int) -> str:
        return cell("side_by_side_numbers", [row.construct.label, label, code.code], column, show(count, _COUNT))

    whole = f"{code.code} {of('raised', code.raised)} of {of('interviewed', code.interviewed)}"
    stances = (
        ("in_favor", code.in_favor, "for"),
        ("against", code.against, "against"),
        ("neither", code.neither, "neither"),
    )
    told = [f"{of(key, count)} {word}" for key, count, word in stances if count]
    return f"{whole}: {listing(told)}" if told else whole


def _tested(row: JointRow) -> str:
    if row.comparison is None:
        return "not compared across conditions"
    tested = row.comparison.omnibus
    shown = "" if tested is None or row.comparison.shown(tested.test) else " (no difference shown)"
    return f"{omnibus_evidence(row.comparison) or row.comparison.reason}{shown}"


def _about_anything(row: JointRow) -> str:
    told = []
    for one in row.anything:
        whole = [
            cell("side_by_side_numbers", [row.construct.label, ANYTHING, one.code], column, show(count, _COUNT))
            for column, count in (("raised", one.raised), ("interviewed", one.interviewed))
        ]
        told.append(f"{one.code} {' of '.join(whole)}")
    return f"about anything: {listing(told)}" if any(one.interviewed for one in row.anything) else "no interviews"


def _own_difference(study: Study, row: JointRow, quote: Quote) -> str:
    """Whose words these are, and how they score the group's highest condition."""
    if isnan(quote.difference):
        return quote.participant
    row_of = [row.construct.label, QUOTE_SIDES[quote.side]]
    difference = cell("joint_quotes", row_of, "difference", show(quote.difference, _NUMBER))
    return f"{quote.participant}: {study.condition_labels[quote.condition]} minus own mean of the others {difference}"


def quoted(quote: Quote | Exemplar) -> str:
    """The words with their code or stance and, in another language, their translation."""
    code = quote.code if isinstance(quote, Quote) else quote.participant
    translation = f"\n[{quote.translation}]" if quote.translation else ""
    return f"“{quote.words}” ({listing([one for one in (code, quote.stance) if one])}){translation}"


def _why_no_quotes(row: JointRow) -> str:
    if row.comparison is not None and not row.highest:
        return "No condition alone scores highest, so nobody is quoted by rule."
    return "Nobody who may be quoted fits the rule."


def _silence(row: JointRow) -> tuple[str, str]:
    scores = "Silent: nothing could be tested." if "scores" in row.silent else ""
    return scores, "Silent: nobody raised any of these codes." if "interviews" in row.silent else ""


# ----------------------------------------------------------------------------------------- quotes

QUOTE_SIDES = {"supporting": "follow the group", "contrary": "contradict the group"}


def exemplars_table(study: Study, found: Exemplars) -> Table:
    """A row per code and condition that anybody spoke of: how many, and one of them in their words, or why nobody is quoted."""
    columns = (
        Column("code", "Code"),
        Column("condition", "About"),
        Column("participants", "Raised it", "count"),
        Column("interviewed", "Interviewed", "count"),
        Column("exemplar", "In their words"),
        Column("participant", "Participant"),
        Column("unit", "Unit"),
        Column("stance", "Stance"),
        Column("words", "Words"),
        Column("language", "Language"),
        Column("translation", "Translation"),
        Column("chosen", "Chosen"),
        Column("why", "Why none"),
    )
    rows = tuple(
        {
            "code": one.code,
            "condition": study.condition_labels[one.condition],
            "participants": one.participants,
            "interviewed": one.interviewed,
            "exemplar": f"not quoted: {one.why}" if one.why else quoted(one),
            "chosen": "" if one.why else "by rule" if one.by_rule else "by hand",
            **{
                key: getattr(one, key)
                for key in ("participant", "unit", "stance", "words", "language", "translation", "why")
            },
        }
        for one in found.items
        if one.participants
    )
    notes = (
        NOT_MENTIONED,
        EXEMPLAR_RULE,
        "Codes and conditions without a row: nobody raised the code about the condition.",
        *(f"{one.place}: {one.found}" for one in found.findings),
        *reflexive_note(study),
    )
    return Table("code_exemplars", "Codes by condition, in their words", columns, rows, notes, ("code",))


def participants_by_theme_table(
    study: Study,
    raised: Mapping[str, AbstractSet[str]],
    themes: Sequence[tuple[str, str, AbstractSet[str]]],
    orders: Mapping[str, Mapping[int, str]],
    preferred: Mapping[str, Sequence[str]],
) -> Table:
    """A row per person interviewed: which themes they raised (1) and did not (0), beside their order and what they liked best.

    `raised` holds the codes of each; `themes` are (id, label, codes); `orders` the condition at each position, `preferred` the
    conditions at rank 1.
    """
    labels = study.condition_labels
    columns = (
        Column("participant", "Participant"),
        Column("order", "Order"),
        Column("preferred", "Liked best"),
        *(
            Column(f"theme_{number}", label or theme, "count", help=listing(sorted(codes)))
            for number, (theme, label, codes) in enumerate(themes, 1)
        ),
    )
    rows = tuple(
        {
            "participant": one,
            "order": " → ".join(labels[condition] for _, condition in sorted(orders.get(one, {}).items())),
            "preferred": listing([labels[condition] for condition in preferred.get(one, ())]),
            **{f"theme_{number}": int(bool(codes & mine)) for number, (_, _, codes) in enumerate(themes, 1)},
        }
        for one, mine in raised.items()
    )
    outside = sorted(set().union(*raised.values()) - set().union(*(codes for _, _, codes in themes)))
    notes = (
        "1: at least one code of the theme was raised. Not mentioning something is not disagreeing with it.",
        *([f"Raised, but of no theme: {listing(outside)}."] if outside else []),
        "Few people with few traits can be recognised: think before this table leaves the project.",
        *reflexive_note(study),
    )
    return Table("participants_by_theme", "Participants and the themes they raised", columns, rows, notes)


def quotes_table(study: Study, rows: Sequence[JointRow]) -> Table:
    """The quotes of the joint display, a supporting and a contrary one for each construct where there are any."""
    columns = (
        Column("construct", "Construct"),
        Column("side", "Scores", help="Whether the participant's scores follow the group's pattern or contradict it."),
        Column("participant", "Participant"),
        Column("condition", "About"),
        Column("difference", "Own difference", "number", help="Score in that condition minus the mean of the others."),
        Column("code", "Code"),
        Column("stance", "Stance"),
        Column("unit", "Unit"),
        Column("words", "Words"),
        Column("language", "Language"),
        Column("translation", "Translation"),
        Column("chosen", "Chosen"),
    )
    told = tuple(
        {
            "construct": one.construct.label,
            "side": QUOTE_SIDES[quote.side],
            "participant": quote.participant,
            "condition": study.condition_labels.get(quote.condition, ""),
            "difference": quote.difference,
            "code": quote.code,
            "stance": quote.stance,
            "unit": quote.unit,
            "words": quote.words,
            "language": quote.language,
            "translation": quote.translation,
            "chosen": "by rule" if quote.by_rule else "by hand",
        }
        for one in rows
        for quote in one.quotes
    )
    notes = [QUOTE_RULE] + [
        f"{one.construct.label}: of those interviewed, {one.follow} score {study.condition_labels[one.highest]} above the mean of their other conditions and {one.contradict} below.{_not_shown(one)}"
        for one in rows
        if one.highest
    ]
    notes += [
        f"{one.construct.label}: no condition alone scores highest, so nobody is quoted by rule."
        for one in rows
        if one.comparison is not None and not one.highest
    ]
    notes += [f"{finding.place}: {finding.found}" for one in rows for finding in one.findings]
    return Table("joint_quotes", "What they said", columns, told, tuple(notes), ("construct",))


def _not_shown(row: JointRow) -> str:
    """That the group's order is no finding, where the conditions are not shown to differ."""
    tested = row.comparison.omnibus if row.comparison else None
    if row.comparison is None or tested is None or row.comparison.shown(tested.test):
        return ""
    return " The conditions are not shown to differ here, so the group's order may be chance."


# ------------------------------------------------------------------------------------------ links


def links_table(study: Study, found: Sequence[CodeAndScore]) -> Table:
    """Scores of those who raised a code about a condition, against those who did not."""
    columns = (
        Column("construct", "Construct"),
        Column("code", "Code"),
        Column("condition", "About"),
        Column("measure", "Measure"),
        Column("n_raised", "Raised it", "count"),
        Column("n_not", "Did not", "count"),
        Column("median_raised", "Mdn, raised", "number"),
        Column("median_not", "Mdn, not", "number"),
        estimate(
            "rank_biserial", "r", help="Rank-biserial correlation, positive where those who raised it score higher."
        ),
        *TEST_COLUMNS,
        Column("reason", "Remark"),
    )
    labels = {one.id: one.label for one in study.declared.constructs}
    rows = tuple(
        {
            "construct": labels[one.construct],
            "code": one.code,
            "condition": study.condition_labels[one.condition],
            "measure": one.measure,
            "n_raised": one.n_raised,
            "n_not": one.n_not,
            "median_raised": one.median_raised,
            "median_not": one.median_not,
            "rank_biserial": one.result.rank_biserial,
            **bounds("rank_biserial", one.result.rank_biserial_interval),
            **test_fields(one.test),
            "reason": one.reason,
        }
        for one in found
        if one.result is not None and one.test is not None
    )
    left = sum(one.test is None for one in found)
    notes = [
        "Exact rank-sum tests, adjusted by Holm over all tests of a construct.",
        FEW_INTERVIEWED,
        *(
            [
                f"{left} further pairs of code and condition have fewer than {LEAST_IN_GROUP} who raised it, or did not, and are not tested."
            ]
            if left
            else []
        ),
    ]
    return Table("links", "What was said and how it was scored", columns, rows, tuple(notes), ("construct",))


def across_table(study: Study, found: Sequence[CodeAcross]) -> Table:
    """Whether each code was raised about the conditions equally often."""
    columns = (
        Column("code", "Code"),
        Column("n", "Interviewed", "count"),
        *(Column(f"raised_{condition}", label, "count") for condition, label in study.condition_labels.items()),
        Column("q", "Q", "number"),
        Column("df", "df", "count"),
        Column("p", "p", "p"),
        Column("pairs", "Pairs shown to differ", help="Exact McNemar tests, adjusted by Holm inside the code."),
        Column("reason", "Remark"),
    )
    level = study.plan.level
    rows = tuple(
        {
            "code": one.code,
            "n": one.n,
            **{f"raised_{condition}": count for condition, count in one.raised.items()},
            "q": one.result.q if one.result else nan,
            "df": one.result.df if one.result else nan,
            "p": _exact_or_not(one),
            "pairs": "; ".join(
                f"{study.condition_labels[pair.first]} and {study.condition_labels[pair.second]}"
                for pair in one.pairs
                if pair.test.below(level)
            ),
            "reason": one.reason,
        }
        for one in found
    )
    notes = (
        "Cochran's Q over those interviewed, exact where it can be had; p is not adjusted over codes.",
        FEW_INTERVIEWED,
    )
    return Table("codes_across", "Codes across conditions", columns, rows, notes)


def _exact_or_not(one: CodeAcross) -> float:
    if one.result is None:
        return one.pairs[0].test.p if one.pairs else nan
    return one.result.p_exact if one.result.p_exact == one.result.p_exact else one.result.p_asymptotic
