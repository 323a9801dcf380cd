"""What `workbench map` shows of a file: its columns and words as they are taken, a preview, and what changed.

A Proposal comes in, Tables go out.
"""

from __future__ import annotations

from math import isnan

from workbench.measure import SETTING
from workbench.report.table import Column, Table
from workbench.report.tables.data import findings_table
from workbench.responses.guesses import Guess
from workbench.responses.mapping import Proposal
from workbench.responses.names import rows_named

SESSIONS_SHOWN = 3
LONGEST_SAMPLE = 24

_SETTING = {"per_condition": "Condition", "before_after": "Occasion", "once": "Asked once"}


def map_tables(proposal: Proposal) -> list[Table]:
    """Every table on a proposal that has something to say; `columns` always."""
    made = [
        words_table(proposal),
        unknown_participants_table(proposal),
        preview_table(proposal),
        changes_table(proposal),
        entry_table(proposal),
        findings_table(proposal.findings),
    ]
    return [columns_table(proposal), *(table for table in made if table.rows)]


def columns_table(proposal: Proposal) -> Table:
    """What each column seems to hold, and why."""
    columns = (
        Column("column", "Column"),
        Column("samples", "Such as"),
        Column("holds", "Holds"),
        Column("sure", "How sure"),
        Column("why", "Why"),
    )
    rows = tuple(
        {
            "column": guess.column,
            "samples": " · ".join(_short(sample) for sample in guess.samples),
            "holds": _holds(guess),
            "sure": guess.sure,
            "why": guess.reason,
        }
        for guess in proposal.guessed.guesses
    )
    return Table("columns", "Columns", columns, rows)


def _short(text: str) -> str:
    return text if len(text) <= LONGEST_SAMPLE else text[: LONGEST_SAMPLE - 1] + "…"


def _holds(guess: Guess) -> str:
    match guess.role:
        case "holds":
            where = f" in {guess.setting}" if guess.setting else ""
            return f"{guess.item}{where} ({guess.instrument})"
        case "time":
            return "not read: a time"
        case "person":
            return "not read: may identify a person"
        case "other":
            return "not read"
        case role:
            return role


def words_table(proposal: Proposal) -> Table:
    """How words of the table are taken: conditions, occasions, items, and what stands for no answer."""
    columns = (
        Column("kind", "For"),
        Column("word", "Word"),
        Column("meant", "Taken as"),
        Column("sure", "How sure"),
        Column("why", "Why"),
    )
    rows = tuple(
        {"kind": word.kind, "word": word.word, "meant": word.meant, "sure": word.sure, "why": word.reason}
        for word in proposal.guessed.words
    )
    return Table("words", "Words", columns, rows)


def unknown_participants_table(proposal: Proposal) -> Table:
    """Words in the participants' column that the study does not declare."""
    columns = (
        Column("word", "Participant"),
        Column("rows", "Rows", "count"),
        Column("near", "Declared and alike"),
        Column("remedy", "What to do"),
    )
    rows = tuple(
        {
            "word": one.word,
            "rows": one.rows,
            "near": one.near,
            "remedy": f"Written differently: make it {one.near} in the export."
            if one.same
            else "A slip: correct it in the export. A test of the form: leave its rows out, with a reason. Else declare it.",
        }
        for one in proposal.unknown
    )
    return Table("unknown_participants", "Participants the study does not declare", columns, rows)


def preview_table(proposal: Proposal) -> Table:
    """The first sessions as they will be read: row by row of the file, each answer with the number it counts as."""
    columns = (
        Column("rows", "File"),
        Column("participant", "Participant"),
        Column("setting", _SETTING[proposal.guessed.asked]),
        Column("answers", "Answers as read"),
    )
    ordered = proposal.answers.sort_values("row", kind="stable") if len(proposal.answers) else proposal.answers
    first = ordered[SETTING].drop_duplicates().head(SESSIONS_SHOWN)
    rows = []
    for participant, condition, occasion in first.itertuples(index=False):
        whose = (ordered["participant"] == participant) & (ordered["condition"] == condition)
        session = ordered[whose & (ordered["occasion"] == occasion)]
        rows.append(
            {
                "rows": rows_named(dict.fromkeys(session["row"])),
                "participant": participant,
                "setting": f"{condition}{occasion}",
                "answers": ", ".join(
                    map(_answer, session["item"], session["raw"], session["value"], session["missing"])
                ),
            }
        )
    return Table("preview", "The first rows as they will be read", columns, tuple(rows), tuple(_counts(proposal)))


def _answer(item: str, raw: str, value: float, missing: str) -> str:
    if missing:
        return f"{item} {missing}"
    if isnan(value):
        return f"{item} “{_short(raw)}”"
    number = f"{value:g}"
    return f"{item} {number}" if raw == number else f"{item} “{_short(raw)}” = {number}"


def _counts(proposal: Proposal) -> list[str]:
    """How much is read in all."""
    answers = proposal.answers
    if not len(answers):
        return []
    missing = answers["missing"].value_counts()
    told = [f"{count} {what}" for what, count in missing.items() if what]
    sessions = len(answers[SETTING].drop_duplicates())
    people = answers["participant"].nunique()
    return [
        f"{len(proposal.table.frame)} rows give {len(answers)} answers of {people} participants in {sessions} sessions"
        + (f"; of these {', '.join(told)}." if told else ".")
    ]


def changes_table(proposal: Proposal) -> Table:
    """Which sessions are new, changed or gone in a newer export."""
    columns = (
        Column("change", "Change"),
        Column("participant", "Participant"),
        Column("setting", _SETTING[proposal.guessed.asked]),
        Column("n", "Answers", "count"),
        Column("details", "What changed"),
    )
    rows = tuple({column.key: getattr(one, column.key) for column in columns} for one in proposal.changes)
    return Table("changes", f"What is different from {proposal.stored} in the study folder", columns, rows)


def entry_table(proposal: Proposal) -> Table:
    """The lines of study.toml that would be written."""
    rows = tuple({"line": line} for line in proposal.entry.splitlines())
    return Table("entry", "For study.toml", (Column("line", "study.toml"),), rows)


def summary(proposal: Proposal) -> str:
    """In a few sentences: what the file is to the study, how it is laid out, and what would happen to it."""
    guessed, rows = proposal.guessed, len(proposal.table.frame)
    name = proposal.questionnaire.id if proposal.questionnaire else ""
    standing = {
        "new entry": "It would be a new questionnaire of this study",
        "entry rewritten": f"It would take the place of the empty sheet of “{name}”",
        "as declared": f"It is declared in “{name}”",
        "further file": f"It would be one more file of “{name}”",
        "newer export": f"It seems a newer export of {proposal.stored}",
    }[proposal.standing]
    asked = {"once": "once", "before_after": "before and after", "per_condition": "after each condition"}[guessed.asked]
    instruments = f" of {', '.join(guessed.instruments)}" if guessed.instruments else ""
    lines = [
        f"{proposal.source.name}: {rows} rows, {len(proposal.table.columns)} columns. {standing}: {proposal.why}.",
        f"Layout {guessed.layout} ({guessed.why_layout}): answers{instruments}, asked {asked}.",
    ]
    if proposal.standing == "newer export" and not proposal.changes:
        lines.append("No answer is different from the file in the study folder.")
    return "\n".join(lines)
