"""Erasing a participant who withdraws: rows, transcripts, decisions about them, their names, packets, study.toml, results.

It is the one place where collected files are rewritten, and only when asked twice. What is left is a
count without a name, and marks without content in the journal. Words elsewhere are listed for a person to judge.
"""

from __future__ import annotations

import io
import re
import shutil
import zipfile
import zlib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path, PurePosixPath
from typing import Any
from uuid import uuid4

from workbench.coding.working_text import working_texts
from workbench.declared import nearest, parse
from workbench.errors import Finding, StudyError, UsageError
from workbench.files import (
    LARGEST_WORKBOOK,
    fault,
    gathering,
    read_table,
    read_text,
    read_toml,
    without_rows,
    write_atomically,
)
from workbench.pseudonyms.key import KEY_FILE, PseudonymKey, load_key
from workbench.pseudonyms.replacing import phrase_key, places_of, whole_words
from workbench.report.table import Column, Table
from workbench.store.opening import DECISIONS, has_store, open_store
from workbench.store.operations import OWN_KINDS, REDO, UNDO, Entry, Operation, scope
from workbench.study import RESULTS, STUDY_FILE, Declaration, Reading, Study
from workbench.transcripts.reading import files_of, read_transcripts
from workbench.transcripts.turns import Transcript, folded

PACKETS = "packets"
"""The folder of packets for raters inside a study folder."""

RUN = 6
"""Words in a row that only their interview holds, by which a quote of it is known elsewhere."""

GONE, CUT = "[withdrawn]", "[…]"
"""What stands for their id, and for words of theirs, in decisions that are about something else."""

_BY, _WHY = "withdrawal", "a participant withdrew"
_HISTORY = (".git", ".hg", ".svn")


@dataclass(frozen=True, slots=True)
class Erasure:
    """What is erased in one place: `rows` of a collected file, or what `what` says."""

    file: str
    what: str
    rows: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Withdrawal:
    """What erasing a participant means.

    `mentions` are files that still hold their id or a run of words of their interview, with the number of lines, for a
    person to look at; `histories` are folders of version control, which keep what was erased.
    """

    participant: str
    erasures: tuple[Erasure, ...]
    mentions: tuple[tuple[str, int], ...]
    histories: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class _Step:
    """One place and what erases there, whole or not at all."""

    place: str
    act: Callable[[], object]


def planned_withdrawal(folder: Path, participant: str) -> Withdrawal:
    """What would be erased; nothing is changed.

    Raises StudyError for files that cannot be read, and UsageError where the participant is nowhere in the study.
    """
    return _prepared(folder, participant)[0]


def withdraw(folder: Path, participant: str) -> Withdrawal:
    """Erase the participant and return what was erased.

    Everything is worked out before the first change; each place is changed whole, those that declare the participant
    last, so that a run that is stopped can be run again. Raises as planned_withdrawal does, and StudyError where a place
    cannot be changed, which says what is left.
    """
    withdrawal, steps = _prepared(folder, participant)
    for number, step in enumerate(steps):
        try:
            step.act()
        except (OSError, StudyError) as error:
            raise _stopped(step, [one.place for one in steps[number:]], error) from error
    return withdrawal


def _stopped(step: _Step, left: Sequence[str], error: OSError | StudyError) -> StudyError:
    told = error.findings[0].found if isinstance(error, StudyError) else f"It cannot be changed ({error.strerror})."
    remedy = (
        f"Put that right and run it again. Not erased yet: {', '.join(dict.fromkeys(left))}. If it then says that they "
        f"are nowhere, raise participants.withdrawn in {STUDY_FILE} by one."
    )
    return StudyError([fault(step.place, "", told, remedy, "not erased")])


def _prepared(folder: Path, participant: str) -> tuple[Withdrawal, list[_Step]]:
    """The withdrawal, and the steps that make it, in order."""
    declared = parse(Declaration, read_toml(folder / STUDY_FILE, STUDY_FILE), STUDY_FILE)
    plan = _Plan(folder)
    known = _plan_tables(plan, declared, participant)
    words = _words_of(_readable_study(folder, declared, known, participant), participant)
    about_them = _plan_journal(plan, words)
    _plan_private(plan, words)
    _plan_files(plan, words)
    unquoted, quotes = _study_without_words(read_text(folder / STUDY_FILE, STUDY_FILE), words)
    text, changed = _study_without(unquoted, words, plan.rows)
    if not (participant in known or words.files or about_them or changed):
        raise UsageError(f"“{participant}” is nowhere in this study. {nearest(participant, sorted(known))}")
    plan.erasures += [Erasure(STUDY_FILE, what) for what in (*quotes, *changed)]
    if quotes:  # while their transcripts are there to be known by
        plan.first.append(_Step(STUDY_FILE, partial(write_atomically, folder / STUDY_FILE, unquoted)))
    plan.contents[STUDY_FILE] = text.encode()
    for start in ("", "."):
        for copy in sorted(folder.glob(f"{start}{DECISIONS}.before-step-*")):
            plan.remove(copy.name)
    if (folder / RESULTS).exists():
        plan.erasures.append(Erasure(RESULTS, "the whole folder; make it again with `workbench report`"))
        plan.first.append(_Step(RESULTS, partial(shutil.rmtree, folder / RESULTS)))
    histories = tuple(name for name in _HISTORY if (folder / name).exists())
    withdrawal = Withdrawal(participant, tuple(plan.erasures), tuple(_mentions(plan, words)), histories)
    return withdrawal, plan.steps(last=(declared.participants.file, STUDY_FILE))


@dataclass(eq=False)
class _Plan:
    """What will be erased: `first` by steps of their own, then `contents` of files (None: it is removed).

    `rows` are those that leave each collected table; `kept` is what a file that has a step of its own will say.
    """

    folder: Path
    erasures: list[Erasure] = field(default_factory=list)
    first: list[_Step] = field(default_factory=list)
    contents: dict[str, bytes | None] = field(default_factory=dict)
    rows: dict[str, tuple[int, ...]] = field(default_factory=dict)
    kept: dict[str, str] = field(default_factory=dict)

    def remove(self, file: str) -> None:
        link = (self.folder / file).is_symlink()
        what = "the link to it; the file itself lies elsewhere and stays" if link else "the whole file"
        self.erasures.append(Erasure(file, what))
        self.contents[file] = None

    def without(self, file: str, rows: Sequence[int], reading: Mapping[str, Any]) -> None:
        self.erasures.append(Erasure(file, _rows(len(rows)), tuple(rows)))
        self.contents[file] = without_rows(self.folder / file, file, rows, **reading)
        self.rows[file] = tuple(rows)

    def steps(self, last: Sequence[str | None]) -> list[_Step]:
        """Every step, `last` at the end, since they say who takes part."""
        files = [name for name in self.contents if name not in last]
        files += [name for name in last if name in self.contents and name is not None]
        return [*self.first, *(_Step(name, partial(self._put, name)) for name in files)]

    def _put(self, name: str) -> None:
        content = self.contents[name]
        if content is None:
            (self.folder / name).unlink(missing_ok=True)
        else:
            write_atomically(self.folder / name, content)


def _rows(number: int) -> str:
    return f"{number} rows" if number > 1 else "1 row"


# ------------------------------------------------------------------------------------------ tables


def _plan_tables(plan: _Plan, declared: Declaration, participant: str) -> set[str]:
    """Their rows in every declared table; returns all participants that stand somewhere."""
    faults: list[Finding] = []
    known: set[str] = {*declared.participants.ids, *declared.participants.pilots}
    for file, column, reading in _tables(declared):
        with gathering(faults):
            table = read_table(plan.folder / file, file, **reading.model_dump())
            if column not in table.columns:
                continue
            ids = table.frame[column].astype("str").str.strip()
            known |= set(ids) - {""}
            rows = tuple(int(row) for row in ids.index[ids == participant])
            if rows:
                plan.without(file, rows, reading.model_dump())
    if faults:
        raise StudyError(faults)
    return known


def _tables(declared: Declaration) -> Iterator[tuple[str, str, Reading]]:
    """Every declared table: its file, its column of participants, how it is read; the list of participants last."""
    if declared.session_log:
        yield declared.session_log.file, declared.session_log.participant, declared.session_log.reading
    for questionnaire in declared.questionnaires:
        for file in questionnaire.files:
            yield file, questionnaire.columns.participant, questionnaire.reading
    for trials in declared.trials:
        for file in trials.files:
            yield file, trials.participant, trials.reading
    if declared.preference:
        yield declared.preference.file, declared.preference.participant, declared.preference.reading
    if declared.interviews:
        for file in declared.interviews.codings:
            yield file, "participant", declared.interviews.reading
    who = declared.participants
    if who.file:
        yield who.file, who.column, who.reading


# -------------------------------------------------------------------------------------- their words


@dataclass(frozen=True, slots=True, eq=False)
class _Words:
    """What tells of a participant: their id, `names` of their transcripts, what they said and nobody else.

    `files` hold their interview; `said` and `others` are the texts of turns of theirs and of everybody else's; `speakers`
    are names, folded, that only their transcripts give to a speaker.
    """

    study: Study
    participant: str
    key: PseudonymKey
    names: frozenset[str]
    files: tuple[str, ...]
    said: tuple[str, ...]
    others: tuple[str, ...]
    speakers: frozenset[str]
    runs: frozenset[tuple[str, ...]]

    def owns(self, name: str) -> bool:
        """Whether a transcript or a unit is theirs."""
        return name in self.names or self.has_unit(name)

    def has_unit(self, name: str) -> bool:
        """Whether a unit is theirs: "A07-018", "A07-018b.2"."""
        return any(re.fullmatch(rf"{re.escape(one)}-\d{{3,}}[a-z]*(?:[.:]\d+)*", name) for one in self.names)

    def only_they_say(self, pattern: re.Pattern[str]) -> bool:
        """Whether a phrase stands in their interview and in no other."""
        return any(map(pattern.search, self.said)) and not any(map(pattern.search, self.others))

    def quoted(self, text: str) -> list[tuple[int, int]]:
        """Where a text quotes them, by runs of RUN words."""
        tokens = list(re.finditer(r"\w+", text)) if self.runs else []
        spans: list[tuple[int, int]] = []
        for first, run in enumerate(_runs([one[0] for one in tokens])):
            if run in self.runs:
                start, end = tokens[first].start(), tokens[first + RUN - 1].end()
                joined = bool(spans) and start <= spans[-1][1]
                spans[-1:] = [(spans[-1][0], end)] if joined else [*spans[-1:], (start, end)]
        return spans

    def lines(self, text: str) -> int:
        """On how many lines a text names or quotes them."""
        starts = [one.start() for one in self._id.finditer(text)]
        return len({text.count("\n", 0, start) for start in [*starts, *(start for start, _ in self.quoted(text))]})

    def cut(self, text: str) -> str:
        """A text without what names or quotes them. An id that may mean something else, such as digits alone, is left."""
        for start, end in reversed(self.quoted(text)):
            text = text[:start] + CUT + text[end:]
        interviews = self.study.declared.interviews
        also = (*self.study.conditions, *(interviews.raters if interviews else ()))
        return text if self.participant.isdigit() or self.participant in also else self._id.sub(GONE, text)

    @property
    def _id(self) -> re.Pattern[str]:
        return re.compile(rf"(?<![A-Za-z0-9]){re.escape(self.participant)}(?![A-Za-z0-9])")

    def in_name(self, text: str) -> bool:
        """Whether a file's name names them."""
        return bool(self._id.search(text))

    def without(self, value: Any) -> Any:
        """Content of a decision without their units, and without what names or quotes them."""
        match value:
            case str():
                return self.cut(value)
            case list():
                return [self.without(one) for one in value if not (isinstance(one, str) and self.has_unit(one))]
            case dict():
                return {key: self.without(one) for key, one in value.items() if not self.has_unit(key)}
        return value


def _runs(words: Sequence[str]) -> list[tuple[str, ...]]:
    plain = [one.casefold() for one in words]
    return [tuple(plain[first : first + RUN]) for first in range(len(plain) - RUN + 1)]


def _readable_study(folder: Path, declared: Declaration, known: Iterable[str], participant: str) -> Study:
    """The study as far as interviews need it, pilots as participants; also one that was half erased can be read so."""
    interviews = declared.interviews
    if interviews is not None:
        there = {
            "transcripts": [one for one in interviews.transcripts if "{participant}" in one or (folder / one).exists()],
            "translations": [
                one for one in interviews.translations if "{participant}" in one or (folder / one).exists()
            ],
            "transcript_participants": {
                file: one for file, one in interviews.transcript_participants.items() if (folder / file).exists()
            },
        }
        interviews = interviews.model_copy(update=there)
    who = declared.participants.model_copy(update={"pilots": []})
    everybody = tuple(dict.fromkeys([*sorted(known), participant]))
    return Study(folder, declared.model_copy(update={"participants": who, "interviews": interviews}), everybody, {}, {})


def _words_of(study: Study, participant: str) -> _Words:
    """Their interview and everybody else's, as it was transcribed, as corrected, and as shown with pseudonyms."""
    transcripts = read_transcripts(study).items
    corrections: list[Entry] = []
    if has_store(study):
        with open_store(study, create=False) as journal:
            corrections = journal.present("correction")
    key = load_key(study.path(KEY_FILE))
    versions = [working_texts(transcripts, corrections, decisions) for decisions in ((), key.entries)]
    texts: dict[bool, list[str]] = {True: [], False: []}
    speakers: dict[bool, set[str]] = {True: set(), False: set()}
    for one in transcripts:
        theirs = one.participant == participant
        texts[theirs] += _texts(one)
        texts[theirs] += [
            text for version in versions for turn in version[one.name].turns for text in (turn.text, turn.translation)
        ]
        speakers[theirs] |= {folded(turn.speaker) for turn in one.turns}
    runs = {theirs: {run for text in set(texts[theirs]) for run in _runs(re.findall(r"\w+", text))} for theirs in texts}
    names = {one.name for one in transcripts if one.participant == participant} | {participant}
    return _Words(
        study,
        participant,
        key,
        frozenset(names - {one.name for one in transcripts if one.participant != participant}),
        tuple(files_of(study, participant)),
        tuple(dict.fromkeys(texts[True])),
        tuple(dict.fromkeys(texts[False])),
        frozenset(speakers[True] - speakers[False]),
        frozenset(runs[True] - runs[False]),
    )


def _texts(transcript: Transcript) -> list[str]:
    return [*(turn.text for turn in transcript.turns), *transcript.translation]


# ----------------------------------------------------------------------------------------- journal


def _plan_journal(plan: _Plan, words: _Words) -> bool:
    """Entries about them are emptied; others that name or quote them are told anew without that, if they still hold.

    Returns whether there are entries about them.
    """
    study = words.study
    if not has_store(study):
        return False
    shown = DECISIONS if study.declared.store.url is None else "store.url"
    with open_store(study, create=False) as journal:
        entries = list(journal.entries())
    hashes = {words.key.hash_of(phrase) for phrase in _their_phrases(words)}
    theirs = [one for one in entries if _is_theirs(one, words, hashes)]
    emptied = {one.id for one in theirs}
    anew, dropped = _told_anew([one for one in entries if one.id not in emptied], words)
    if theirs:
        kinds = Counter(one.kind for one in theirs)
        told = ", ".join(f"{number} {kind}" for kind, number in sorted(kinds.items()))
        plan.erasures.append(Erasure(shown, f"{_entries(len(theirs))} about them: {told}"))
    if dropped:
        what = f"{_entries(len(dropped))} that name or quote them; {len(anew)} told anew without that"
        plan.erasures.append(Erasure(shown, what))
    plan.first.append(_Step(shown, partial(_erase_in_journal, study, words, hashes, anew, dropped)))
    return bool(theirs)


def _entries(number: int) -> str:
    return f"{number} entries" if number > 1 else "1 entry"


def _is_theirs(entry: Entry, words: _Words, hashes: set[str]) -> bool:
    content = entry.content or {}
    on, _, name = entry.key.partition("/")
    return (
        (bool(entry.transcript) and entry.transcript in words.names)
        or content.get("participant") == words.participant
        or (entry.kind == "permission" and entry.key == words.participant)
        or (entry.kind == "memo" and on in ("unit", "transcript") and words.owns(name.rpartition("/")[0]))
        or (entry.kind == "pseudonym" and content.get("hash") in hashes)
    )


def _told_anew(entries: Sequence[Entry], words: _Words) -> tuple[list[Operation], set[str]]:
    """What entries that name or quote them say without that, of those that hold; and the ids of all that did."""
    undone: set[str] = set()
    for one in entries:
        if one.kind in (UNDO, REDO):
            of = set((one.content or {})["of"])
            undone = undone | of if one.kind == UNDO else undone - of
    decisions = [one for one in entries if one.kind not in OWN_KINDS]
    holding = {(one.kind, one.key, scope(one.by, one.kind)): one.id for one in decisions if one.id not in undone}
    changed = {
        one.id: replace(_operation(one), content=words.without(one.content), why=words.cut(one.why))
        for one in decisions
    }
    dropped = {one.id for one in decisions if (changed[one.id].content, changed[one.id].why) != (one.content, one.why)}
    still = dropped & set(holding.values())
    return [replace(changed[one.id], id=uuid4().hex) for one in decisions if one.id in still], dropped


def _operation(entry: Entry) -> Operation:
    return Operation(
        entry.id,
        entry.by,
        entry.kind,
        entry.key,
        entry.content,
        entry.round,
        entry.transcript,
        entry.version,
        entry.why,
        entry.at,
    )


def _erase_in_journal(
    study: Study, words: _Words, hashes: set[str], anew: Iterable[Operation], dropped: set[str]
) -> None:
    """Tell anew first, so that a run that is stopped loses no decision; StudyError where a log keeps what was erased."""
    with open_store(study, create=False) as journal:
        for operation in anew:
            journal.record([operation])
        journal.erase(lambda entry: entry.id in dropped or _is_theirs(entry, words, hashes), by=_BY, why=_WHY)
    log = study.path(f"{DECISIONS}-wal")
    if study.declared.store.url is None and log.exists() and log.stat().st_size:
        found = "Another program has the database open, so its log may still hold what was erased."
        raise StudyError([fault(DECISIONS, "", found, "Close that program and run it again.", "not erased")])


# ----------------------------------------------------------------------------- names, files, packets


def _their_phrases(words: _Words) -> set[str]:
    """Phrases of the key that stand in their interview and in no other."""
    found = {
        texts: {phrase_key(one.phrase) for one in words.key.log if any(places_of(one, text) for text in texts)}
        for texts in (words.said, words.others)
    }
    return found[words.said] - found[words.others] if words.said else set()


def _plan_private(plan: _Plan, words: _Words) -> None:
    """The key and the private list of names, without what stands in their interview alone."""
    key = words.key
    others = key.without(_their_phrases(words)).log
    left = PseudonymKey(tuple(one for one in others if one.transcript not in words.names), key.salt)
    if left.log != key.log:
        plan.erasures.append(Erasure(KEY_FILE, _rows(len(key.log) - len(left.log))))
        plan.first.append(_Step(KEY_FILE, partial(left.save, words.study.path(KEY_FILE))))
    plan.kept[KEY_FILE] = "\n".join(f"{one.phrase}, {one.why}" for one in left.log)
    interviews = words.study.declared.interviews
    if interviews is None or not interviews.names:
        return
    table = read_table(plan.folder / interviews.names, interviews.names)
    names = table.frame["name"] if "name" in table.columns else table.frame.iloc[:, 0]
    rows = [int(row) for row, name in names.items() if name.strip() and words.only_they_say(whole_words(name))]
    if rows:
        plan.without(interviews.names, rows, {})


def _plan_files(plan: _Plan, words: _Words) -> None:
    """Packets that name or quote them, then their transcripts and translations."""
    for path in sorted((plan.folder / PACKETS).rglob("*")):
        name = path.relative_to(plan.folder).as_posix()
        if path.is_file() and any(words.cut(text) != text for text in (path.stem, *_told_in(path.read_bytes()))):
            plan.remove(name)
    for file in words.files:
        plan.remove(file)


# -------------------------------------------------------------------------------------- study.toml


def _study_without_words(text: str, words: _Words) -> tuple[str, list[str]]:
    """study.toml without quotes of theirs, and without names that speakers have in their transcripts alone; what changed."""
    import tomlkit

    document: Any = tomlkit.parse(text)
    changed = []
    speakers = document.get("interviews", {}).get("speakers")
    if _without_keys(speakers, lambda key, role: role == "participant" and folded(key) in words.speakers):
        changed.append("interviews.speakers")
    for number, one in enumerate(document.get("constructs", []), start=1):
        chosen = [key for key in ("supporting", "contrary") if words.has_unit(str(one.get(key, {}).get("unit", "")))]
        for key in chosen:
            del one[key]
        changed += [f"constructs[{number}].{key}" for key in chosen]
    exemplars = document.get("joint", {}).get("exemplars", [])
    theirs = [place for place, one in enumerate(exemplars) if words.has_unit(str(one.get("unit", "")))]
    for place in reversed(theirs):
        del exemplars[place]
    changed += [f"joint.exemplars[{place + 1}]" for place in theirs]
    return tomlkit.dumps(document), changed


def _study_without(text: str, words: _Words, rows: Mapping[str, Sequence[int]]) -> tuple[str, list[str]]:
    """study.toml without the participant, the count of withdrawals raised, comments kept; and what changed."""
    import tomlkit

    document: Any = tomlkit.parse(text)
    who = document["participants"]
    theirs = words.participant
    changed = [f"participants.{key}" for key in ("ids", "pilots") if _without(who.get(key), lambda one: one == theirs)]
    if _without_keys(who.get("permissions"), lambda key, _: key == theirs):
        changed.append("participants.permissions")
    changed += _interviews_without(document.get("interviews", {}), words)
    for number, one in enumerate(document.get("questionnaires", []), start=1):
        if _rows_left_out_without(one.get("rows_left_out", []), theirs, rows):
            changed.append(f"questionnaires[{number}].rows_left_out")
    who["withdrawn"] = int(who.get("withdrawn", 0)) + 1
    exclusions = document.get("exclusions", [])
    places = [place for place, one in enumerate(exclusions) if one["participant"] == theirs]
    if not places:
        return tomlkit.dumps(document), changed
    if isinstance(exclusions, tomlkit.items.AoT):
        return _without_entries(tomlkit.dumps(document), places), [*changed, "exclusions"]
    for place in reversed(places):
        del exclusions[place]
    return tomlkit.dumps(document), [*changed, "exclusions"]


def _interviews_without(interviews: Any, words: _Words) -> Iterator[str]:
    """Take the participant out of [interviews]; the keys that changed."""
    theirs = words.participant
    lists: dict[str, Callable[[Any], bool]] = {
        "interviewed": lambda one: one == theirs,
        "transcripts": lambda one: PurePosixPath(one).as_posix() in words.files,
        "translations": lambda one: PurePosixPath(one).as_posix() in words.files,
    }
    tables: dict[str, Callable[[Any, Any], bool]] = {
        "languages": lambda key, _: key == theirs,
        "transcript_participants": lambda _, whose: whose == theirs,
        "speakers": lambda key, _: key == theirs,
    }
    yield from (f"interviews.{key}" for key, chosen in lists.items() if _without(interviews.get(key), chosen))
    yield from (f"interviews.{key}" for key, chosen in tables.items() if _without_keys(interviews.get(key), chosen))


def _rows_left_out_without(entries: Any, participant: str, rows: Mapping[str, Sequence[int]]) -> bool:
    """Take their rows out; the numbers of others' follow the rows that leave the file above them. Whether any changed."""
    changed = _without(entries, lambda one: one["participant"] == participant)
    for one in entries:
        above = sum(row < one["row"] for row in rows.get(one["file"], ()))
        if above:
            one["row"] = int(one["row"]) - above
            changed = True
    return changed


def _without_entries(text: str, places: list[int]) -> str:
    """`text` without some of its [[exclusions]], with the comments that follow them, which are about what comes next."""
    lines = text.splitlines(keepends=True)
    headers = [number for number, line in enumerate(lines) if line.lstrip().startswith("[")] + [len(lines)]
    entries = [number for number in headers[:-1] if re.match(r"\s*\[\[\s*exclusions\s*\]\]", lines[number])]
    for place in reversed(places):
        begin = entries[place]
        end = next(number for number in headers if number > begin)
        while lines[end - 1].strip() == "" or lines[end - 1].lstrip().startswith("#"):
            end -= 1
        del lines[begin:end]
    return "".join(lines)


def _without(items: Any, chosen: Callable[[Any], bool]) -> bool:
    """Take the chosen items out of a list of study.toml; whether there were any."""
    places = [place for place, one in enumerate(items or ()) if chosen(one)]
    for place in reversed(places):
        del items[place]
    return bool(places)


def _without_keys(table: Any, chosen: Callable[[Any, Any], bool]) -> bool:
    """Take the chosen keys out of a table of study.toml; whether there were any."""
    keys = [key for key, value in (table or {}).items() if chosen(key, value)]
    for key in keys:
        del table[key]
    return bool(keys)


# ---------------------------------------------------------------------------------------- mentions


def _mentions(plan: _Plan, words: _Words) -> Iterator[tuple[str, int]]:
    """Files of the folder that would still name or quote the participant, and on how many lines."""
    for path in sorted(plan.folder.rglob("*")):
        name = path.relative_to(plan.folder).as_posix()
        passed_over = (f"{RESULTS}/", *(f"{one}/" for one in _HISTORY), DECISIONS)
        if not path.is_file() or name.startswith(passed_over) or plan.contents.get(name, b"") is None:
            continue
        texts = [plan.kept[name]] if name in plan.kept else _told_in(plan.contents.get(name) or path.read_bytes())
        lines = sum(words.lines(text) for text in texts)
        if lines or words.in_name(path.stem):
            yield name, lines


def _told_in(content: bytes) -> list[str]:
    """The text of a file, of an archive (a document, a workbook) that of its parts without the tags."""
    if content.startswith(b"PK\x03\x04"):
        damaged = (zipfile.BadZipFile, zlib.error, OSError, RuntimeError, NotImplementedError, EOFError)
        with suppress(*damaged), zipfile.ZipFile(io.BytesIO(content)) as archive:
            if sum(one.file_size for one in archive.infolist()) <= LARGEST_WORKBOOK:
                parts = [archive.read(one) for one in archive.infolist()]
                return [re.sub(r"<[^<>]*>", " ", text) for part in parts for text in _told_in(part)]
    encoding = "utf-16" if content[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8"
    return [content.decode(encoding, errors="replace")]


def withdrawal_table(withdrawal: Withdrawal) -> Table:
    """What is erased, place by place; the notes name files that would still name or quote the participant."""
    columns = (Column("file", "File"), Column("what", "Erased"), Column("rows", "Rows"))
    rows = tuple(
        {"file": one.file, "what": one.what, "rows": ", ".join(map(str, one.rows))} for one in withdrawal.erasures
    )
    notes = [
        f"“{withdrawal.participant}”, or {RUN} words in a row of their interview, also in {name} ({lines} lines): look at it by hand."
        for name, lines in withdrawal.mentions
    ]
    notes += [
        f"{name} keeps earlier versions of files; take them out of that history too." for name in withdrawal.histories
    ]
    notes.append("Shorter quotes, and words that others said too, are not found: think of where you quoted them.")
    notes.append("Copies elsewhere (backups, shared drives, archives, packets sent out, paper) are not reached.")
    return Table("withdrawal", f"Withdrawal of {withdrawal.participant}", columns, rows, tuple(notes))
