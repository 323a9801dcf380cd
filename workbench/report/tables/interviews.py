"""Tables of what was raised in interviews, and of both strands side by side."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from math import nan

from workbench.analysis.saturation import Saturation
from workbench.coding.presence import ANY, CodePresence
from workbench.joint_display import JointRow
from workbench.report.sentences import joint_statistic
from workbench.report.table import Column, Table
from workbench.report.tables.parts import code_labels, listing
from workbench.study import Study

NOT_MENTIONED = "Counts are participants who raised a code; not mentioning something is not disagreeing with it."
VERDICTS = "Verdicts are the researcher's; “open” means that none is given yet."


def code_by_condition_table(study: Study, presence: Sequence[CodePresence]) -> Table:
    """A row per code: how many of those interviewed raised it about anything and about each condition."""
    columns = (
        Column("code", "Code"),
        Column("label", "In words"),
        Column("interviewed", "Interviewed", "count"),
        Column("participants", "Raised it", "count", help="Participants who raised the code about anything."),
        Column("share", "Share", "share", help="Of those interviewed."),
        Column("mentions", "Units", "count", help="Units to which the code was applied."),
        *(Column(condition, label, "count") for condition, label in study.condition_labels.items()),
    )
    names = code_labels(study)
    counts = {(one.code, one.condition): one.participants for one in presence}
    rows = tuple(
        {
            "code": one.code,
            "label": names.get(one.code, ""),
            "interviewed": one.interviewed,
            "participants": one.participants,
            "share": one.participants / one.interviewed if one.interviewed else nan,
            "mentions": one.mentions,
            **{condition: counts[one.code, condition] for condition in study.conditions},
        }
        for one in presence
        if one.condition == ANY
    )
    notes = (NOT_MENTIONED, "Under each condition: participants who raised the code about that condition.")
    return Table("code_by_condition", "Codes by condition", columns, rows, notes)


def code_stances_table(study: Study, presence: Sequence[CodePresence]) -> Table:
    """A row per code and condition: participants, units, and participants by stance."""
    columns = (
        Column("code", "Code"),
        Column("condition", "About"),
        Column("participants", "Participants", "count"),
        Column("interviewed", "of", "count"),
        Column("share", "Share", "share"),
        Column("mentions", "Units", "count"),
        Column("in_favor", "For", "count"),
        Column("against", "Against", "count"),
        Column("mixed", "Mixed", "count"),
    )
    rows = tuple(
        {
            "code": one.code,
            "condition": "anything" if one.condition == ANY else study.condition_labels[one.condition],
            "participants": one.participants,
            "interviewed": one.interviewed,
            "share": one.participants / one.interviewed if one.interviewed else nan,
            "mentions": one.mentions,
            "in_favor": one.in_favor,
            "against": one.against,
            "mixed": one.mixed,
        }
        for one in presence
        if one.participants
    )
    note = "For, against and mixed count participants with at least one unit of that stance. Empty rows are left out."
    return Table("code_stances", "Codes by condition and stance", columns, rows, (note,), ("code",))


def joint_table(study: Study, rows: Sequence[JointRow]) -> Table:
    """Both strands side by side, one construct a row."""
    columns = (
        Column("construct", "Construct"),
        Column("measure", "Measure"),
        Column("statistic", "What the scores show"),
        Column("interviews", "What interviews say"),
        Column("silent", "Silence"),
        Column("verdict", "Verdict"),
        Column("reason", "Why"),
        Column("inference", "What follows"),
    )
    told = tuple(
        {
            "construct": one.construct.label,
            "measure": one.construct.measure,
            "statistic": joint_statistic(study, one.comparison),
            "interviews": _spoken_of(study, one.presence),
            "silent": one.silent,
            "verdict": one.construct.verdict or "open",
            "reason": one.construct.reason,
            "inference": one.construct.inference,
        }
        for one in rows
    )
    return Table(
        "joint",
        "Scores and interviews side by side",
        columns,
        told,
        (NOT_MENTIONED, VERDICTS),
    )


def _spoken_of(study: Study, presence: Iterable[CodePresence]) -> str:
    """ "HEFT: 9 of 14 (Slosh 7, Still 3)" for each code of a construct."""
    labels = study.condition_labels
    listed = list(presence)
    told = []
    for whole in (one for one in listed if one.condition == ANY):
        about = [
            f"{labels[one.condition]} {one.participants}"
            for one in listed
            if one.code == whole.code and one.condition != ANY and one.participants
        ]
        told.append(
            f"{whole.code}: {whole.participants} of {whole.interviewed}{f' ({listing(about)})' if about else ''}"
        )
    return "; ".join(told) if told else "no interviews"


def participants_by_code_table(
    study: Study,
    raised: Mapping[str, AbstractSet[str]],
    codes: Sequence[str],
    orders: Mapping[str, Mapping[int, str]],
    preferred: Mapping[str, Sequence[str]],
) -> Table:
    """A row per person interviewed: which codes they raised (1) and did not (0), beside their order and what they liked best.

    `raised` holds the codes of each, `orders` the condition at each position, `preferred` the conditions at rank 1.
    """
    labels = study.condition_labels
    names = code_labels(study)
    columns = (
        Column("participant", "Participant"),
        Column("order", "Order"),
        Column("preferred", "Liked best"),
        *(Column(f"code_{number}", code, "count", help=names.get(code, "")) for number, code in enumerate(codes, 1)),
    )
    rows = tuple(
        {
            "participant": one,
            "order": " → ".join(labels[condition] for _, condition in sorted(orders.get(one, {}).items())),
            "preferred": listing([labels[condition] for condition in preferred.get(one, ())]),
            **{f"code_{number}": int(code in mine) for number, code in enumerate(codes, 1)},
        }
        for one, mine in raised.items()
    )
    notes = (
        "1: raised at least once. Not mentioning something is not disagreeing with it.",
        "Few people with few traits can be recognised: think before this table leaves the project.",
    )
    return Table("participants_by_code", "Participants and the codes they raised", columns, rows, notes)


SATURATION_RULE = (
    "Base: the codes of the first interviews. New information: new codes in a run of interviews, as a share of the codes of the base "
    "(Guest, Namey & Chen 2020). Interviews stand in the order of study.toml; spans are over resampled orders."
)


def saturation_table(found: Saturation) -> Table:
    """After how many interviews new information fell to a threshold, by base size and run length."""
    columns = (
        Column("base", "Base", "count"),
        Column("run", "Run", "count"),
        Column("threshold", "New information at most", "share"),
        Column("at", "Reached after", "count", help="Interviews, in the order listed; the run comes on top."),
        Column("share", "Orders that reach it", "share"),
        Column("median", "After, in these", "number", 0, low="low", high="high"),
        Column("reason", "Remark"),
    )
    rows = tuple({key: getattr(one, key) for column in columns for key in column.keys} for one in found.reached)
    notes = (SATURATION_RULE, "That few new codes came does not show that nothing was left to hear.")
    return Table("saturation", "New information in further interviews", columns, rows, notes)


def saturation_curve_table(found: Saturation) -> Table:
    """How many codes the first 1, 2, ... interviews hold."""
    columns = (
        Column("interviews", "Interviews", "count"),
        Column("listed", "Codes, as listed", "count"),
        Column("mean", "Codes on average", "number", low="low", high="high"),
    )
    rows = tuple(
        {
            "interviews": number,
            "listed": int(found.listed[number - 1]),
            **{key: float(getattr(found, key)[number - 1]) for key in ("mean", "low", "high")},
        }
        for number in range(1, found.n_interviews + 1)
    )
    return Table("saturation_curve", "Codes found by the first interviews", columns, rows, (SATURATION_RULE,))
