"""Tables of interviews before they are coded: transcripts, speakers, turns, units, words, candidates for pseudonyms."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from workbench.analysis.reading_aids import Collocation, InContext, Speaking
from workbench.coding.material import Material
from workbench.coding.units import Unit
from workbench.coding.working_text import WorkingTranscript
from workbench.pseudonyms.key import PseudonymKey
from workbench.pseudonyms.search import MANY_IN_GERMAN, REMINDER, Candidate
from workbench.report.table import Column, Table

CONFIDENTIAL = "Words of participants: keep this where the transcripts are kept."


def transcripts_table(material: Material, speaking: Sequence[Speaking]) -> Table:
    """A row per transcript: whose, its file, language, turns, words, and what may be done with it."""
    columns = (
        Column("transcript", "Transcript"),
        Column("participant", "Participant"),
        Column("file", "File"),
        Column("language", "Language"),
        Column("translated", "Translated"),
        Column("turns", "Turns", "count"),
        Column("words", "Words", "count"),
        Column("units", "Units", "count"),
        Column("quotes", "Quotes allowed"),
    )
    words: dict[str, int] = {}
    for one in speaking:
        words[one.transcript] = words.get(one.transcript, 0) + one.n_words
    rows = tuple(
        {
            "transcript": one.name,
            "participant": one.participant,
            "file": one.file,
            "language": one.language,
            "translated": bool(one.translation),
            "turns": len(material.working[one.name].turns),
            "words": words.get(one.name, 0),
            "units": len(material.units[one.name].items),
            "quotes": material.permissions_of(one.participant).quotes,
        }
        for one in material.transcripts.items
    )
    fixed = material.fixed
    told = (
        f"Units fixed by {fixed.by} on {fixed.at[:10]}."
        if fixed
        else "The units are not fixed yet: workbench units STUDY fix."
    )
    return Table("transcripts", "Transcripts", columns, rows, (told,))


def speaking_table(speaking: Sequence[Speaking]) -> Table:
    """Who spoke how much in each transcript."""
    columns = (
        Column("transcript", "Transcript"),
        Column("speaker", "Speaker"),
        Column("role", "Role"),
        Column("n_turns", "Turns", "count"),
        Column("n_words", "Words", "count"),
        Column("share", "Share", "share"),
        Column("minutes", "Minutes", "number", digits=1),
        Column("remark", "Remark"),
    )
    rows = tuple(
        {column.key: getattr(one, column.key) for column in columns[:-1]} | {"remark": one.reason} for one in speaking
    )
    return Table("speaking", "Who spoke how much", columns, rows, (), ("transcript",))


def turns_table(transcript: WorkingTranscript) -> Table:
    """The turns of one transcript as they are read and coded."""
    columns = (
        Column("turn", "Turn"),
        Column("speaker", "Speaker"),
        Column("role", "Role"),
        Column("question", "Question"),
        Column("condition", "Condition"),
        Column("text", "Words"),
        Column("translation", "Translation"),
    )
    rows = tuple(
        {"turn": one.id} | {column.key: getattr(one, column.key) for column in columns[1:]} for one in transcript.turns
    )
    return Table("turns", f"Working text of {transcript.name}", columns, rows, (CONFIDENTIAL,))


def units_table(units: Iterable[Unit]) -> Table:
    """The units that are coded, with their words."""
    columns = (
        Column("unit", "Unit"),
        Column("transcript", "Transcript"),
        Column("participant", "Participant"),
        Column("turn", "Turn"),
        Column("question", "Question"),
        Column("condition", "Condition"),
        Column("text", "Words"),
    )
    rows = tuple({"unit": one.id} | {column.key: getattr(one, column.key) for column in columns[1:]} for one in units)
    return Table("units", "Units", columns, rows, (CONFIDENTIAL,), ("transcript",))


def in_context_table(found: Sequence[InContext], words: str) -> Table:
    """Words in context, the words searched for in the middle."""
    columns = (
        Column("transcript", "Transcript"),
        Column("turn", "Turn"),
        Column("before", "Before"),
        Column("words", "Words"),
        Column("after", "After"),
    )
    rows = tuple({column.key: getattr(one, column.key) for column in columns} for one in found)
    people = len({one.participant for one in found})
    note = f"{len(found)} places, {people} participants. {CONFIDENTIAL}"
    return Table("in_context", f"“{words}” in context", columns, rows, (note,))


def collocations_table(found: Sequence[Collocation], measure: str) -> Table:
    """Neighboring words that stand together more often than by chance."""
    columns = (
        Column("first", "First"),
        Column("second", "Second"),
        Column("n_together", "Together", "count"),
        Column("n_first", "First", "count"),
        Column("n_second", "Second", "count"),
        Column("value", measure.capitalize(), "number"),
    )
    rows = tuple({column.key: getattr(one, column.key) for column in columns} for one in found)
    note = "Neighbors in the participants' own turns. How often words stand together says nothing about what they mean."
    return Table("collocations", "Words that stand together", columns, rows, (note,))


def candidates_table(candidates: Sequence[Candidate], proposals: Mapping[str, str], *, german: bool) -> Table:
    """What may identify a person, likely ones first, each with the words around it."""
    columns = (
        Column("likelihood", "How likely"),
        Column("kind", "Kind"),
        Column("phrase", "Phrase"),
        Column("proposal", "Proposed"),
        Column("transcript", "Transcript"),
        Column("turn", "Turn", "count"),
        Column("start", "From", "count"),
        Column("context", "Words around it"),
        Column("why", "Why"),
    )
    rows = tuple(
        {column.key: getattr(one, column.key) for column in columns if column.key != "proposal"}
        | {"proposal": proposals.get(one.phrase, "")}
        for one in candidates
    )
    notes = (REMINDER, *((MANY_IN_GERMAN,) if german else ()), CONFIDENTIAL)
    return Table("candidates", "What may identify a person", columns, rows, notes, ("likelihood",))


def pseudonyms_table(key: PseudonymKey) -> Table:
    """The pseudonyms that stand in the working text: without the phrases they replace, which the key alone holds."""
    columns = (
        Column("replacement", "Pseudonym"),
        Column("kind", "Kind"),
        Column("place", "Where"),
        Column("by", "By"),
        Column("at", "When"),
    )
    rows = tuple(
        {
            "replacement": one.replacement,
            "kind": one.kind,
            "place": f"{one.transcript}, turn {one.turn}" if one.transcript else "everywhere",
            "by": one.by,
            "at": one.at,
        }
        for one in key.confirmed
    )
    return Table("pseudonyms", "Pseudonyms in use", columns, rows, (REMINDER,))
