"""A foreign table's place in study.toml: the entry its columns seem to need, what the reader makes of it, and writing it.

Guesses are made in `guesses`; here they become a questionnaire that the real reader tries out, so that
what is previewed is what will be read. Nothing is written but by `write_proposal`.
"""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from workbench.declared import nearest
from workbench.errors import Finding, StudyError, UsageError
from workbench.files import COMMA_NUMBER, POINT_NUMBER, SourceTable, fault, gathering, read_table, write_atomically
from workbench.instrument import LONGEST_ID, Instrument, library, read_instrument
from workbench.measure import OCCASIONS
from workbench.responses.exports import SessionChange, changed_sessions, shared_sessions
from workbench.responses.guesses import Corrections, Guess, Guesses, guess_columns
from workbench.responses.names import condition_words
from workbench.responses.questionnaires import answers_in_table
from workbench.responses.wordings import plain
from workbench.study import STUDY_FILE, Columns, Questionnaire, Reading, Study
from workbench.study_edits import (
    entry_text,
    rewrite_study,
    study_text,
    with_entry,
    with_entry_rewritten,
    with_participants,
)

if TYPE_CHECKING:
    import pandas as pd

RESPONSES = "responses"
"""Folder of a study into which a file from elsewhere is copied."""
OF_THE_MAPPING = frozenset(
    ("missing column", "contradiction", "wrong value", "unknown item", "unknown condition", "unknown occasion")
)
"""Kinds of faults that lie in the mapping; the others lie in the data, and `check` tells them."""

Standing = Literal["new entry", "entry rewritten", "as declared", "further file", "newer export"]


@dataclass(frozen=True, slots=True)
class UnknownParticipant:
    """A word of the participants' column that the study does not declare; `near` is a declared id it resembles."""

    word: str
    rows: int
    near: str
    same: bool
    """True where it differs from `near` in case, signs or zeros only."""


@dataclass(frozen=True, slots=True, eq=False)
class Proposal:
    """What `workbench map` would make of a file.

    `place` is the number of the entry of study.toml concerned, from 0, None for a new one; `stored` the file's name in
    the study folder; `answers` what the reader reads (columns of ANSWER_COLUMNS); `faults` block, those of the
    mapping keep it from being written; `text` is study.toml as it would be, "" where it stays.
    """

    study: Study
    source: Path
    table: SourceTable
    standing: Standing
    why: str
    place: int | None
    stored: str
    questionnaire: Questionnaire | None
    guessed: Guesses
    answers: pd.DataFrame
    faults: tuple[Finding, ...]
    notes: tuple[Finding, ...]
    changes: tuple[SessionChange, ...]
    unknown: tuple[UnknownParticipant, ...]
    entry: str
    text: str

    @property
    def copies(self) -> bool:
        """Whether the file must be copied into the study folder."""
        return not _same(self.source, self.study.path(self.stored))

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What only a person can say, what blocks, and notes; unknown words for conditions are told once."""
        unclear = [
            Finding("attention", "unclear", self.stored, "", one.found, one.remedy) for one in self.guessed.unclear
        ]
        told = any(one.kind == "condition word" for one in self.guessed.unclear)
        faults = [one for one in self.faults if not (told and one.kind == "unknown condition")]
        return (*unclear, *faults, *self.notes)

    @property
    def unfit(self) -> tuple[Finding, ...]:
        """What keeps the proposal from being written."""
        return tuple(finding for finding in self.faults if finding.kind in OF_THE_MAPPING)


def propose(study: Study, source: Path, said: Corrections, *, add_participants: bool = False) -> Proposal:
    """What the table in `source` seems to hold and how study.toml would say it; nothing is written.

    Raises StudyError where the file cannot be read as a table, UsageError where a correction names what is not there.
    """
    _refuse_other_files(study, source)
    reading = _declared_reading(study, source) if said.reading == Reading() else said.reading
    table, reading = _table(study, source, said, reading)
    standing, place, stored, why = _standing(study, source, table)
    table = replace(table, file=stored)
    known, notes = _candidates(study)
    for name in said.instruments:
        if name not in known:
            raise UsageError(f"There is no instrument “{name}”. {nearest(name, sorted(known))}")
    if place is not None and not _corrects(said):
        declared = _as_declared(study, place, stored, table)
        if declared.questionnaire is not None:
            return _completed(
                study, source, table, standing, place, stored, why, declared, known, notes, add_participants
            )
    guessed = guess_columns(table, study, known, said)
    if place is None:
        place = _empty_entry(study, guessed)
        if place is not None:
            standing, why = "entry rewritten", "its files hold no rows yet"
    entry = _entry(study, guessed, reading, said, known, place, table) if guessed.instruments else None
    tried = _Tried(Questionnaire.model_validate(entry) if entry else None, guessed, entry)
    return _completed(study, source, table, standing, place, stored, why, tried, known, notes, add_participants)


@dataclass(frozen=True, slots=True, eq=False)
class _Tried:
    """A questionnaire to be tried on the table, and the entry that says it, None where study.toml says it already."""

    questionnaire: Questionnaire | None
    guessed: Guesses
    entry: dict[str, Any] | None


def _completed(
    study: Study,
    source: Path,
    table: SourceTable,
    standing: Standing,
    place: int | None,
    stored: str,
    why: str,
    tried: _Tried,
    known: Mapping[str, Instrument],
    notes: Sequence[Finding],
    add_participants: bool,
) -> Proposal:
    """The proposal after the reader has tried the questionnaire."""
    out = {one.participant for one in tried.questionnaire.rows_left_out} if tried.questionnaire else set()
    unknown = [one for one in _unknown_participants(study, table, tried.guessed.guesses) if one.word not in out]
    added = [one.word for one in unknown if not one.same] if add_participants else []
    number = len(study.declared.questionnaires) if place is None else place
    faults, further = _conflicts(study, tried, place), list(notes)
    answers = _no_answers()
    if tried.questionnaire is not None:
        with_it = _study_with(study, tried.questionnaire, place, known, added)
        answers, found, remarks = answers_in_table(with_it, tried.questionnaire, number + 1, table)
        faults += found
        further += remarks
        faults += _in_other_files(with_it, tried, number, stored)
    text = _text(study, tried, place, stored, added)
    entry = entry_text(tried.entry) if tried.entry else ""
    changes = _changes(study, source, standing, place, stored, answers)
    return Proposal(
        study,
        source,
        table,
        standing,
        why,
        place,
        stored,
        tried.questionnaire,
        tried.guessed,
        answers,
        tuple(dict.fromkeys(faults)),
        (*further, *_about_people(tried.guessed, stored)),
        tuple(changes),
        tuple(unknown),
        entry,
        text,
    )


def _corrects(said: Corrections) -> bool:
    return replace(said, id=None) != Corrections()


def _no_answers() -> pd.DataFrame:
    import pandas as pd

    from workbench.responses.questionnaires import ANSWER_COLUMNS

    return pd.DataFrame({name: [] for name in ANSWER_COLUMNS}, dtype="str")


def _candidates(study: Study) -> tuple[dict[str, Instrument], list[Finding]]:
    """Every instrument that can be read, the study's own first, and notes on the others."""
    known = dict(study.instruments)
    faults: list[Finding] = []
    for name, path in library(study.folder).items():
        if name not in known:
            with gathering(faults):
                known[name] = read_instrument(path, path.name)
    notes = [replace(one, severity="note", remedy="This instrument is not considered.") for one in faults]
    return known, notes


# ------------------------------------------------------------------------------------------ where the file stands


def _refuse_other_files(study: Study, source: Path) -> None:
    """UsageError where study.toml names the file, and not for a questionnaire."""
    declared = study.declared
    named = {file: "trials" for one in declared.trials for file in one.files}
    named |= {declared.preference.file: "preference"} if declared.preference else {}
    named |= {declared.session_log.file: "session_log"} if declared.session_log else {}
    named |= {declared.participants.file: "participants"} if declared.participants.file else {}
    named |= dict.fromkeys(declared.interviews.codings, "interviews.codings") if declared.interviews else {}
    for file, key in named.items():
        if _same(source, study.path(file)):
            raise UsageError(f"{file} is named under {key} in study.toml; answers to questionnaires are mapped here.")


def _declared_reading(study: Study, source: Path) -> Reading:
    """How the file, or one called like it, is declared to be read."""
    for one in study.declared.questionnaires:
        for file in one.files:
            if _same(source, study.path(file)) or Path(file).name == source.name:
                return one.reading
    return Reading()


def _table(study: Study, source: Path, said: Corrections, reading: Reading) -> tuple[SourceTable, Reading]:
    """The table, and how it was read: where that was not said and no participant shows, other headers and sheets are tried."""
    faults: list[Finding] = []
    tables = []
    with gathering(faults):
        tables = [(_read(source, reading), reading)]
    if reading == Reading() and not any(_has_participants(study, table) for table, _ in tables):
        for other in _OTHER_READINGS:
            with suppress(StudyError):
                table = _read(source, other)
                if _has_participants(study, table):
                    row = re.search(r"\d+", table.header) if other.first_row else None
                    return table, other.model_copy(update={"first_row": int(row[0])}) if row else other
    if not tables:
        raise StudyError(faults)
    table, reading = tables[0]
    comma = reading.model_copy(update={"decimal": "comma"})
    if said.reading.decimal is None and table.decimal == "point" and _has_commas_only(table):
        return _read(source, comma), comma
    return table, reading


_OTHER_READINGS = [
    *(Reading(first_row=row, header_rows=rows) for rows in (1, 2) for row in range(1, 9)),
    *(Reading(sheet=sheet) for sheet in range(2, 6)),
]
"""Where else a header may stand: below a preamble, in two rows, on another sheet."""


def _read(source: Path, reading: Reading) -> SourceTable:
    return read_table(source, source.name, **reading.model_dump())


def _has_participants(study: Study, table: SourceTable) -> bool:
    """Whether a column's words are mostly participants of the study."""
    people = {*study.participants, *study.declared.participants.pilots}
    columns = ({word.strip() for word in table.frame[column].unique()} - {""} for column in table.columns)
    return any(words and 2 * len(people & words) > len(words) and len(people & words) > 1 for words in columns)


def _has_commas_only(table: SourceTable) -> bool:
    """Whether there are columns of numbers with commas, and none whose broken numbers have points."""
    columns = [[word for word in table.frame[column].unique() if word] for column in table.columns]
    if any(re.fullmatch(POINT_NUMBER, word) for words in columns for word in words):
        return False
    number = re.compile(COMMA_NUMBER + r"|\s*[-+]?[0-9]+\s*")
    with_commas = [words for words in columns if any(re.fullmatch(COMMA_NUMBER, word) for word in words)]
    return any(all(number.fullmatch(word) for word in words) for words in with_commas)


def _same(one: Path, other: Path) -> bool:
    return os.path.realpath(one) == os.path.realpath(other)


def _standing(study: Study, source: Path, table: SourceTable) -> tuple[Standing, int | None, str, str]:
    """How the file stands to those declared: standing, the entry's place, its name in the folder, and why."""
    declared = [(place, file) for place, one in enumerate(study.declared.questionnaires) for file in one.files]
    for place, file in declared:
        if _same(source, study.path(file)):
            return "as declared", place, file, "study.toml names this file"
    for place, file in declared:
        if Path(file).name == source.name:
            return "newer export", place, file, f"it is called like {file}"
    best: tuple[int, int, str] | None = None
    for place, file in declared:
        old = _declared_table(study, place, file)
        if old is None or set(old.columns) != set(table.columns):
            continue
        shared = _shared(study, place, old, table)
        if best is None or shared > best[0]:
            best = shared, place, file
    stored = _stored(study, source)
    if best is None:
        return "new entry", None, stored, "no file of the study has these columns"
    shared, place, file = best
    if shared:
        return "newer export", place, file, f"it has the columns of {file} and {shared} of its sessions"
    return "further file", place, stored, f"it has the columns of {file} and none of its sessions"


def _declared_table(study: Study, place: int, file: str) -> SourceTable | None:
    try:
        return study.table(file, study.declared.questionnaires[place].reading)
    except StudyError:
        return None


def _shared(study: Study, place: int, old: SourceTable, new: SourceTable) -> int:
    one = study.declared.questionnaires[place]
    return shared_sessions(*(answers_in_table(study, one, place + 1, table)[0] for table in (old, new)))


def _stored(study: Study, source: Path) -> str:
    """The file's name in the study folder: where it lies there, or will be copied to."""
    real, folder = Path(os.path.realpath(source)), Path(os.path.realpath(study.folder))
    return real.relative_to(folder).as_posix() if real.is_relative_to(folder) else f"{RESPONSES}/{source.name}"


def _empty_entry(study: Study, guessed: Guesses) -> int | None:
    """The entry that asks one of the guessed instruments and whose files hold no rows or are not there."""
    for place, one in enumerate(study.declared.questionnaires):
        if {use.id for use in one.instruments} & set(guessed.instruments):
            tables = [_declared_table(study, place, file) for file in one.files]
            present = [table for file, table in zip(one.files, tables, strict=True) if study.path(file).exists()]
            if all(table is not None and table.frame.empty for table in present):
                return place
    return None


def _as_declared(study: Study, place: int, stored: str, table: SourceTable) -> _Tried:
    """The declared questionnaire, with this file among its own, and what its columns hold; none where it does not fit."""
    one = study.declared.questionnaires[place]
    answers, faults, _ = answers_in_table(study, one, place + 1, table)
    guessed = _declared_guesses(one, table, answers)
    if any(finding.kind in OF_THE_MAPPING for finding in faults):
        return _Tried(None, guessed, None)
    if stored in one.files:
        return _Tried(one, guessed, None)
    entry = _declared_entry(study, place) | {"files": [*one.files, stored]}
    return _Tried(Questionnaire.model_validate(entry), guessed, entry)


def _declared_entry(study: Study, place: int) -> dict[str, Any]:
    """The entry as study.toml says it, without defaults."""
    entry: dict[str, Any] = study.declared.questionnaires[place].model_dump(exclude_unset=True)
    return entry


def _declared_guesses(one: Questionnaire, table: SourceTable, answers: pd.DataFrame) -> Guesses:
    """The columns of a table as a declared questionnaire reads them."""
    names, by_row = one.columns, one.layout == "row_per_answer"
    roles = {names.participant: "participant"}
    if one.layout != "row_per_participant":
        roles |= {"per_condition": {names.condition: "condition"}, "before_after": {names.occasion: "occasion"}}.get(
            one.asked, {}
        )
    roles |= {names.item: "item", names.answer: "answer"} if by_row else {}
    wide = one.layout == "row_per_participant"
    held = {} if by_row else {row.column: row for row in answers.drop_duplicates("column").itertuples()}
    guesses = []
    for column in table.columns:
        samples = tuple(word for word in table.frame[column].str.strip().unique()[:4] if word)[:3]
        if column in roles:
            guesses.append(Guess(column, samples, roles[column], "declared", "study.toml says so"))  # type: ignore[arg-type]
        elif column in held:
            row = held[column]
            setting = f"{row.condition}{row.occasion}" if wide else ""
            guesses.append(
                Guess(column, samples, "holds", "declared", "study.toml says so", row.instrument, row.item, setting)
            )
        else:
            guesses.append(Guess(column, samples, "other", "declared", "study.toml does not name it"))
    instruments = tuple(use.id for use in one.instruments)
    return Guesses(tuple(guesses), (), (), one.layout, one.asked, "study.toml says so", instruments)


# ------------------------------------------------------------------------------------------ the entry


def _entry(
    study: Study,
    guessed: Guesses,
    reading: Reading,
    said: Corrections,
    known: Mapping[str, Instrument],
    place: int | None,
    table: SourceTable,
) -> dict[str, Any]:
    """The [[questionnaires]] entry that says what was guessed."""
    stored = table.file
    old = _declared_entry(study, place) if place is not None else {}
    own = place is not None and stored in study.declared.questionnaires[place].files
    entry = {"id": old.get("id") or _id(study, said, stored)}
    entry |= {"label": old["label"]} if "label" in old else {}
    entry |= {"asked": guessed.asked, "layout": guessed.layout, "files": old["files"] if own else [stored]}
    entry["instruments"] = [{"id": name, "version": known[name].version} for name in guessed.instruments]
    read = reading.model_dump(exclude_defaults=True)
    entry |= {"reading": read} if read else {}
    columns, words, items = _columns(study, guessed, known, said)
    entry |= {"columns": columns} if columns else {}
    entry |= {"condition_names": words} if words and guessed.asked == "per_condition" else {}
    entry |= {"occasion_names": words} if words and guessed.asked == "before_after" else {}
    for key, kind in (("missing_words", "missing"), ("not_applicable_words", "not applicable")):
        listed = [word.word for word in guessed.words if word.kind == kind]
        entry |= {key: listed} if listed else {}
    words_said = (old.get("answer_words", {}) if own else {}) | dict(said.answer_words)
    entry |= {"answer_words": words_said} if words_said else {}
    entry |= {"items": items} if items else {}
    entry |= {"turned_round": old["turned_round"]} if own and "turned_round" in old else {}
    rows = [*(old.get("rows_left_out", []) if own else []), *_rows_left_out(table, columns, said)]
    return entry | ({"rows_left_out": rows} if rows else {})


def _rows_left_out(table: SourceTable, columns: Mapping[str, str], said: Corrections) -> list[dict[str, Any]]:
    """The rows of those participants that a person leaves out, as study.toml names them."""
    names = table.frame.get(columns.get("participant", Columns().participant))
    if names is None:
        return []
    return [
        {"file": table.file, "row": row, "participant": name, "reason": said.left_out[name]}
        for row, name in names.str.strip().items()
        if name in said.left_out
    ]


def _id(study: Study, said: Corrections, stored: str) -> str:
    """The name asked for, or one from the file's name that no questionnaire has yet."""
    taken = {one.id for one in study.declared.questionnaires}
    if said.id:
        if said.id in taken or not re.fullmatch(r"[A-Za-z][A-Za-z0-9_-]*", said.id):
            why = "is a questionnaire already" if said.id in taken else "is no name of letters, digits, - and _"
            raise UsageError(f"--id: “{said.id}” {why}; give another.")
        return said.id
    stem = re.sub(r"[^A-Za-z0-9]+", "_", Path(stored).stem).strip("_").lower()[: LONGEST_ID - 3]
    stem = stem if stem[:1].isalpha() else f"form_{stem}".rstrip("_")
    return next(name for name in (stem, *(f"{stem}_{n}" for n in range(2, len(taken) + 3))) if name not in taken)


def _columns(
    study: Study, guessed: Guesses, known: Mapping[str, Instrument], said: Corrections
) -> tuple[dict[str, str], dict[str, str], dict[str, str]]:
    """The keys `columns`, names of conditions or occasions, and `items`, each only where the defaults do not say it."""
    columns: dict[str, str] = {
        guess.role: guess.column for guess in guessed.guesses if guess.role not in ("holds", "time", "person", "other")
    }
    names = _item_names(guessed.instruments, known)
    setting = "occasion" if guessed.asked == "before_after" else "condition"
    words = {word.word: word.meant for word in guessed.words if word.kind == setting and word.meant}
    if guessed.layout == "row_per_answer":
        items = {
            word.word: _shortest(names, word.meant)
            for word in guessed.words
            if word.kind == "item" and word.word not in names.get(word.meant, ())
        }
    else:
        pattern, items, used = _pattern(guessed, names, _header_words(study, guessed, words))
        columns |= {"pattern": pattern}
        if guessed.layout == "row_per_participant":
            words = {word: meant for word, meant in words.items() if used and word in used}
    known_words = {*OCCASIONS} if setting == "occasion" else {word.casefold() for word in condition_words(study, {})}
    further = {word: meant for word, meant in words.items() if word.casefold() not in known_words}
    defaults = {name: field.default for name, field in Columns.model_fields.items()}
    return {role: column for role, column in columns.items() if defaults[role] != column}, further, items


def _item_names(instruments: Sequence[str], known: Mapping[str, Instrument]) -> dict[str, tuple[str, ...]]:
    """What the reader lets each item be called, by its qualified name: that, and its id where no other has it."""
    times = Counter(item.id for name in instruments for item in known[name].items)
    return {
        f"{name}.{item.id}": (f"{name}.{item.id}", *([item.id] if times[item.id] == 1 else []))
        for name in instruments
        for item in known[name].items
    }


def _shortest(names: Mapping[str, tuple[str, ...]], qualified: str) -> str:
    return names[qualified][-1]


def _header_words(study: Study, guessed: Guesses, words: Mapping[str, str]) -> dict[str, str]:
    """Words by which headers may name a condition or occasion."""
    if guessed.asked == "before_after":
        return {one: one for one in OCCASIONS} | dict(words)
    return condition_words(study, words)


def _pattern(
    guessed: Guesses, names: Mapping[str, tuple[str, ...]], words: Mapping[str, str]
) -> tuple[str, dict[str, str], set[str]]:
    """The pattern that names most columns, the items of the other columns, and the words of settings it needs."""
    wide = guessed.layout == "row_per_participant" and guessed.asked != "once"
    setting = "{occasion}" if guessed.asked == "before_after" else "{condition}"
    held = [guess for guess in guessed.guesses if guess.role == "holds" and (guess.setting or not wide)]
    made: dict[str, dict[str, str]] = {}
    for guess in held:
        for name in names[f"{guess.instrument}.{guess.item}"]:
            for pattern, word in _patterns(guess, name, setting if wide else "", words):
                made.setdefault(pattern, {})[guess.column] = word
    best = max(made, key=lambda pattern: (len(made[pattern]), pattern == "{item}", -len(pattern)), default="{item}")
    covered = made.get(best, {}) if len(made.get(best, {})) > 1 or len(held) == 1 or best == "{item}" else {}
    items = {
        guess.column: _shortest(names, f"{guess.instrument}.{guess.item}") + (f"@{guess.setting}" if wide else "")
        for guess in held
        if guess.column not in covered
    }
    pattern = best if covered else f"{setting}_{{item}}" if wide else "{item}"
    return pattern, items, set(covered.values()) - {""}


def _patterns(guess: Guess, name: str, setting: str, words: Mapping[str, str]) -> Iterable[tuple[str, str]]:
    """Patterns that make this column's name, with the word of the setting in it."""
    column = guess.column
    if "{" in column or "}" in column:
        return
    for at in _places(column, name):
        before, after = column[:at], column[at + len(name) :]
        if not setting:
            yield f"{before}{{item}}{after}", ""
            continue
        for word, meant in words.items():
            if meant == guess.setting and word:
                for place in _places(before, word):
                    yield f"{before[:place]}{setting}{before[place + len(word) :]}{{item}}{after}", word
                for place in _places(after, word):
                    yield f"{before}{{item}}{after[:place]}{setting}{after[place + len(word) :]}", word


def _places(text: str, part: str) -> list[int]:
    """Where `part` stands in `text`, whatever the case."""
    lower, sought = text.lower(), part.lower()
    if len(lower) != len(text):  # a few letters change their length
        lower, sought = text, part
    return [match.start() for match in re.finditer(re.escape(sought), lower)]


# ------------------------------------------------------------------------------------------ the trial and what it shows


def _study_with(
    study: Study, questionnaire: Questionnaire, place: int | None, known: Mapping[str, Instrument], added: Sequence[str]
) -> Study:
    """The study as it would be with this questionnaire and these participants."""
    all_of_them = list(study.declared.questionnaires)
    if place is None:
        all_of_them.append(questionnaire)
    else:
        all_of_them[place] = questionnaire
    declared = study.declared.model_copy(update={"questionnaires": all_of_them})
    used = {use.id: known[use.id] for use in questionnaire.instruments}
    return replace(
        study,
        declared=declared,
        participants=(*study.participants, *added),
        instruments={**study.instruments, **used},
    )


def _conflicts(study: Study, tried: _Tried, place: int | None) -> list[Finding]:
    """Instruments that another questionnaire asks already: one instrument stands in one questionnaire."""
    if tried.questionnaire is None:
        return []
    asked = {
        use.id: one
        for number, one in enumerate(study.declared.questionnaires)
        if number != place
        for use in one.instruments
    }
    return [
        fault(
            STUDY_FILE,
            f"questionnaires.{asked[use.id].id}",
            f"This questionnaire asks {use.id} already, and its files have other columns.",
            "Name the columns alike and give one more file to it, or take the instrument out there.",
            "contradiction",
        )
        for use in tried.questionnaire.instruments
        if use.id in asked
    ]


def _in_other_files(study: Study, tried: _Tried, number: int, stored: str) -> list[Finding]:
    """Faults of the mapping in the questionnaire's other files, where its entry would be rewritten."""
    if tried.entry is None or tried.questionnaire is None:
        return []
    faults: list[Finding] = []
    for file in tried.questionnaire.files:
        table = None if file == stored else _declared_table(study, number, file)
        if table is not None:
            found = answers_in_table(study, tried.questionnaire, number + 1, table)[1]
            faults += [finding for finding in found if finding.kind in OF_THE_MAPPING]
    return faults


def _unknown_participants(study: Study, table: SourceTable, guesses: Iterable[Guess]) -> list[UnknownParticipant]:
    column = next((guess.column for guess in guesses if guess.role == "participant"), None)
    if column is None:
        return []
    people = [*study.participants, *study.declared.participants.pilots]
    alike, known = {plain(one): one for one in people}, set(people)
    unknown = []
    for word, rows in table.frame[column].str.strip().value_counts(sort=False).items():
        if word and word not in known:
            near = alike.get(plain(str(word)), "") or _near(str(word), people)
            unknown.append(UnknownParticipant(str(word), int(rows), near, plain(str(word)) in alike))
    return unknown


def _near(word: str, people: Sequence[str]) -> str:
    found = re.match(r"Did you mean “(.+?)”\?", nearest(word, people))
    return found[1] if found else ""


def _about_people(guessed: Guesses, stored: str) -> list[Finding]:
    """A warning for each column that may say who somebody is: the file is kept as collected, with that column in it."""
    return [
        Finding(
            "attention",
            "may identify a person",
            stored,
            f"column {guess.column}",
            f"This column {guess.reason}." if guess.reason.startswith("holds") else f"{guess.reason.capitalize()}.",
            "It is not read, but it stays in the file. Take it out of the export before the file goes into the study folder, or is shared.",
        )
        for guess in guessed.guesses
        if guess.role == "person"
        or (guess.role != "holds" and any("@" in word and "." in word for word in guess.samples))
    ]


def _changes(
    study: Study, source: Path, standing: Standing, place: int | None, stored: str, answers: pd.DataFrame
) -> list[SessionChange]:
    if standing != "newer export" or place is None or not study.path(stored).exists():
        return []
    old = _declared_table(study, place, stored)
    if old is None:
        return []
    return changed_sessions(answers_in_table(study, study.declared.questionnaires[place], place + 1, old)[0], answers)


# ------------------------------------------------------------------------------------------ writing


def _text(study: Study, tried: _Tried, place: int | None, stored: str, added: Sequence[str]) -> str:
    """study.toml as it would be, "" where nothing in it changes."""
    if tried.entry is None and not added:
        return ""
    text = study_text(study)
    if tried.entry is not None:
        text = with_entry(text, tried.entry) if place is None else with_entry_rewritten(text, place, tried.entry)
    return with_participants(text, added) if added else text


def write_proposal(proposal: Proposal) -> list[str]:
    """Copy the file into the study folder where it comes from elsewhere, write study.toml, and say what was done.

    A file that is replaced by a newer export stays beside it under another name. Raises StudyError where the
    mapping does not fit or study.toml would not pass, UsageError where another file stands in the way; then nothing is changed.
    """
    study, target = proposal.study, proposal.study.path(proposal.stored)
    if proposal.questionnaire is None:
        raise UsageError("Nothing is written: no instrument is known for these columns. Name it with --instrument.")
    if proposal.unfit:
        raise StudyError(proposal.unfit)
    content = proposal.source.read_bytes()
    done: list[str] = []
    undo: list[Callable[[], object]] = []
    try:
        if proposal.copies and not (target.exists() and target.read_bytes() == content):
            if target.exists() and proposal.standing not in ("newer export", "as declared"):
                raise UsageError(f"{proposal.stored} exists already and holds other data; rename the file you bring.")
            if target.exists():
                kept = _kept_beside(target)
                os.link(target, kept)
                undo.append(lambda: os.replace(kept, target))
                done.append(f"The file as it was is kept as {proposal.stored}{kept.suffix}.")
            else:
                undo.append(partial(target.unlink, missing_ok=True))
            write_atomically(target, content)
            done.append(f"The file is copied to {proposal.stored}.")
        if proposal.text:
            rewrite_study(study, proposal.text)
            done.append(f"{STUDY_FILE} is written; its comments are as they were.")
    except BaseException:
        for step in undo:
            step()
        raise
    return done or ["Nothing had to be written."]


def _kept_beside(target: Path) -> Path:
    """A free name beside `target`: its own, with .1, .2 and so on after it."""
    numbers = iter(range(1, 10_000))
    return next(path for path in (target.with_name(f"{target.name}.{n}") for n in numbers) if not path.exists())
