"""Tables of what was coded: excerpts with what stands around them, codes on the same units, codes by theme, memos, codings."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Literal

from workbench.coding.codings import CODING_COLUMNS
from workbench.coding.incoming import Intake
from workbench.coding.reading import CodeInTheme, Cooccurrence, Excerpt, Excerpts, Memo, Said
from workbench.report.table import Column, Table
from workbench.report.tables.interviews import NOT_MENTIONED
from workbench.report.tables.parts import listing
from workbench.report.tables.transcripts import CONFIDENTIAL
from workbench.study import Study

By = Literal["participant", "condition"]

COUNTED = (
    "From the codings that count: consensus where there is one, else the primary rater, under the newest codebook."
)
ABOUT_NOTHING = "about no condition"
PLACES_SHOWN = 3


def in_groups(study: Study, found: Excerpts, by: By) -> list[tuple[str, list[Excerpt]]]:
    """The excerpts under a heading each; by condition, one that is about several stands under each of them."""
    if by == "participant":
        people = dict.fromkeys(one.participant for one in found.items)
        return [(who, [one for one in found.items if one.participant == who]) for who in people]
    groups = [
        (label, [one for one in found.items if condition in one.about])
        for condition, label in study.condition_labels.items()
    ]
    groups.append((ABOUT_NOTHING, [one for one in found.items if not one.about]))
    return [(label, several) for label, several in groups if several]


def excerpts_table(study: Study, found: Excerpts, by: By) -> Table:
    """A row per excerpt, under its participant or each condition it is about."""
    columns = (
        Column("group", "Group"),
        Column("participant", "Participant"),
        Column("transcript", "Transcript"),
        Column("unit", "Unit"),
        Column("question", "Question"),
        Column("code", "Code"),
        Column("about", "About"),
        Column("stance", "Stance"),
        Column("before", "Before"),
        Column("words", "Words"),
        Column("after", "After"),
        Column("translation", "Translation"),
        Column("language", "Language"),
        Column("rater", "Rater"),
        Column("round", "Round"),
    )
    rows = tuple(
        {
            "group": heading,
            **{
                name: getattr(one, name)
                for name in ("participant", "transcript", "unit", "question", "code", "stance", "translation")
            },
            **{name: getattr(one, name) for name in ("language", "rater", "round")},
            "about": about_words(study, one),
            "before": said_words(one.before),
            "words": one.marked(),
            "after": said_words(one.after),
        }
        for heading, several in in_groups(study, found, by)
        for one in several
    )
    return Table("excerpts", title_of(found), columns, rows, tuple(excerpt_notes(found)), ("group",))


def title_of(found: Excerpts) -> str:
    """How a collection of excerpts is called."""
    return f"Excerpts: {listing(found.codes)}"


def about_words(study: Study, one: Excerpt) -> str:
    """The conditions an excerpt is about, in words."""
    return listing([study.condition_labels.get(condition, condition) for condition in one.about])


def said_words(said: Iterable[Said]) -> str:
    """What is said beside an excerpt, a line per speaker."""
    return "\n".join(f"{one.speaker}: {one.text}" for one in said)


def excerpt_notes(found: Excerpts) -> list[str]:
    """How many excerpts there are, what is withheld, and that they are people's words."""
    total = sum(found.counts.values())
    notes = [f"{_times(total, 'excerpt')} of {_times(len(found.counts), 'participant')}. {COUNTED}", NOT_MENTIONED]
    if found.withheld:
        whose = listing([f"{who} {number}" for who, number in found.withheld.items()])
        number = sum(found.withheld.values())
        notes.append(f"{_times(number, 'excerpt')} withheld, of participants who do not allow quotes: {whose}.")
    if found.n_lost:
        notes.append(f"{_times(found.n_lost, 'coding')} not shown: the unit or the words are not in the transcripts.")
    return [*notes, CONFIDENTIAL] if found.items else notes


def _times(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def excerpt_counts_table(found: Excerpts) -> Table:
    """How many excerpts each participant has, shown or not."""
    columns = (
        Column("participant", "Participant"),
        Column("excerpts", "Excerpts", "count"),
        Column("shown", "Shown", help="No: the participant does not allow quotes."),
    )
    rows = tuple(
        {"participant": who, "excerpts": number, "shown": who not in found.withheld}
        for who, number in found.counts.items()
    )
    return Table("excerpt_counts", f"{title_of(found)}, by participant", columns, rows, (COUNTED, NOT_MENTIONED))


def cooccurrence_table(found: Sequence[Cooccurrence]) -> Table:
    """Pairs of codes on the same units."""
    columns = (
        Column("first", "Code"),
        Column("second", "Code"),
        Column("units", "Units", "count", help="Units with both codes."),
        Column("participants", "Participants", "count", help="Participants with a unit that has both."),
        Column("units_first", "First", "count", help="Units with the first code."),
        Column("units_second", "Second", "count", help="Units with the second code."),
        Column("jaccard", "Jaccard", "bounded", help="Units with both, of those with either."),
    )
    rows = tuple({column.key: getattr(one, column.key) for column in columns} for one in found)
    notes = (COUNTED, "Codes on the same unit, whatever words of it; that two stand together does not say why.")
    return Table("cooccurrence", "Codes on the same units", columns, rows, notes)


def code_by_theme_table(found: Sequence[CodeInTheme], labels: Mapping[str, str]) -> Table:
    """The codes of each theme, with participants and units of the code and of the theme."""
    columns = (
        Column("theme", "Theme"),
        Column("code", "Code"),
        Column("participants", "Participants", "count"),
        Column("units", "Units", "count"),
        Column("theme_participants", "Theme: participants", "count", help="Participants with any code of the theme."),
        Column("theme_units", "Theme: units", "count"),
    )
    rows = tuple(
        {column.key: getattr(one, column.key) for column in columns}
        | {"theme": labels.get(one.theme, one.theme) or "no theme"}
        for one in found
    )
    return Table("code_by_theme", "Codes by theme", columns, rows, (COUNTED, NOT_MENTIONED), ("theme",))


def memos_table(found: Sequence[Memo]) -> Table:
    """Memos that may be seen."""
    columns = (
        Column("on", "On"),
        Column("name", "Which"),
        Column("by", "By"),
        Column("at", "When"),
        Column("round", "Round"),
        Column("text", "Memo"),
    )
    rows = tuple(
        {column.key: getattr(one, column.key) for column in columns}
        | {"text": "(withheld)" if one.text is None else one.text}
        for one in found
    )
    withheld = sum(one.text is None for one in found)
    notes = [f"{withheld} withheld: they are on words of participants who do not allow quotes."] if withheld else []
    return Table("memos", "Memos", columns, rows, (*notes, "Memos of rounds that are open are not shown."))


def codings_table(rows: Sequence[Mapping[str, str]]) -> Table:
    """Codings in the columns of a codings file."""
    columns = tuple(Column(name, name.replace("_", " ").capitalize()) for name in CODING_COLUMNS)
    told = tuple({name: row[name] for name in CODING_COLUMNS} for row in rows)
    return Table("codings", "Codings", columns, told)


def intake_table(found: Intake, file: str, rater: str, round: str) -> Table:
    """What would be recorded of a file, and what not."""
    columns = (Column("what", "What"), Column("number", "Number", "count"), Column("places", "Where"))
    told = [
        ("codings to add", found.new),
        ("codings to change", found.changed),
        ("units to mark as rated", found.units),
        ("codings that stand there already", found.unchanged),
        ("codings recorded before and changed or withdrawn since, left as they are", found.before),
    ]
    rows = [{"what": what, "number": number, "places": ""} for what, number in told]
    rows += [
        {"what": f"left out: {why}", "number": len(places), "places": _shown_places(places)}
        for why, places in found.left_out.items()
    ]
    return Table("import", f"{file}: as codings by {rater} in the round {round}", columns, tuple(rows))


def _shown_places(places: Sequence[str]) -> str:
    more = f" and {len(places) - PLACES_SHOWN} more" if len(places) > PLACES_SHOWN else ""
    return "; ".join(places[:PLACES_SHOWN]) + more
