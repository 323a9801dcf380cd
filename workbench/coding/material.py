"""What raters work on: transcripts with their working text, units, codebook and the key of pseudonyms, read together.

Reading changes nothing. What people decide about it (a correction, a split, a pseudonym) is recorded here too, each as one
entry of the journal; the phrase behind a pseudonym goes to the key alone.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from workbench.codebook.model import Codebooks, codebook_from, with_changes
from workbench.codebook.tables import read_codebooks
from workbench.coding.units import Unit, Units, learn_sentences, parts_of, put_together, split_content, units_of
from workbench.coding.working_text import WorkingTranscript, correction, working_texts
from workbench.errors import Finding, StudyError, UsageError
from workbench.files import fault, gathering
from workbench.pseudonyms.key import KEY_FILE, KeyEntry, KnownName, PseudonymKey, load_key, read_known_names
from workbench.pseudonyms.search import Candidate, find_identifiers
from workbench.store.journal import Journal
from workbench.store.opening import has_store, open_store
from workbench.store.operations import Entry, new_operation
from workbench.study import STUDY_FILE, Permissions, Study
from workbench.transcripts.reading import read_transcripts
from workbench.transcripts.turns import Transcripts

if TYPE_CHECKING:
    import pandas as pd

Progress = Callable[[int, int], Any]

FIXED = "units fixed"
"""The kind of decision that says which units are coded."""

_AS_TYPED = str.maketrans("‘’“”", "''\"\"")


@dataclass(frozen=True, slots=True, eq=False)
class Material:
    """The interviews of a study as raters see them.

    `working` and `units` are by the transcript's name; `codebooks` is None where the study has none. `permissions` are those
    recorded since study.toml was written. `fixed` is the decision that fixed the units, None where none did. `findings` do
    not block.
    """

    study: Study
    transcripts: Transcripts
    working: dict[str, WorkingTranscript]
    units: dict[str, Units]
    codebooks: Codebooks | None
    key: PseudonymKey
    known_names: tuple[KnownName, ...]
    fixed: Entry | None
    permissions: Mapping[str, Permissions]
    findings: tuple[Finding, ...]

    def all_units(self) -> Iterator[Unit]:
        """Every unit, transcript by transcript."""
        return (unit for units in self.units.values() for unit in units.items)

    def permissions_of(self, participant: str) -> Permissions:
        """What a participant allows: as recorded last, else as study.toml says."""
        return self.permissions.get(participant, self.study.permissions_of(participant))

    def texts(self) -> dict[str, str]:
        """The text of every unit by its id."""
        return {unit.id: unit.text for unit in self.all_units()}

    def transcript(self, name: str) -> WorkingTranscript:
        """The working text of a transcript; UsageError where there is none of this name."""
        if name not in self.working:
            known = ", ".join(self.working) or "none"
            raise UsageError(f"There is no transcript “{name}”. Known here: {known}.")
        return self.working[name]

    def fingerprint(self) -> str:
        """A hash of all units with their words: the same units always have the same."""
        told = "\x1e".join(f"{unit.id}\x1f{unit.text}" for unit in self.all_units())
        return hashlib.sha256(told.encode()).hexdigest()


def read_material(study: Study, progress: Progress = lambda _done, _total: None) -> Material:
    """Everything that raters work on. `progress(done, total)` is called while it goes; raising in it stops.

    Raises StudyError with the faults of transcripts, codebook, key and list of names at once.
    """
    interviews = study.declared.interviews
    if interviews is None:
        remedy = "Add the table [interviews]; the handbook page on study.toml shows an example."
        raise StudyError([fault(STUDY_FILE, "interviews", "The study declares no interviews.", remedy, "missing key")])
    faults: list[Finding] = []
    notes: list[Finding] = []
    transcripts, codebooks, key, known = Transcripts(()), None, PseudonymKey(), list[KnownName]()
    with gathering(faults):
        transcripts = read_transcripts(study, progress)
    with gathering(faults):
        codebooks = (
            read_codebooks(study.path(interviews.codebook), interviews.codebook) if interviews.codebook else None
        )
    with gathering(faults):
        key = load_key(study.path(KEY_FILE))
    if interviews.names:
        with gathering(faults):
            known, seen = read_known_names(study.path(interviews.names), interviews.names)
            notes += seen
    if faults:
        raise StudyError(faults)
    decided = _decided(study)
    working = working_texts(transcripts.items, decided["correction"], key.entries)
    sentences = learn_sentences(transcripts.items) if interviews.units == "sentences" else None
    units = {
        name: units_of(one, interviews.units, sentences=sentences, decisions=decided["unit"])
        for name, one in working.items()
    }
    fixed = decided[FIXED][-1] if decided[FIXED] else None
    allowed = {one.key: Permissions(**one.content) for one in decided["permission"] if one.content}
    versions = _all_versions(codebooks, decided["codebook"])
    material = Material(study, transcripts, working, units, versions, key, tuple(known), fixed, allowed, ())
    return replace(material, findings=(*notes, *_findings(material)))


def _decided(study: Study) -> dict[str, list[Entry]]:
    """What the journal says about the material, by kind; nothing where there is no journal yet."""
    kinds = ("correction", "unit", "codebook", "permission", FIXED)
    if not has_store(study):
        return {kind: [] for kind in kinds}
    with open_store(study, create=False) as journal:
        return {kind: journal.present(kind) for kind in kinds}


def _all_versions(from_file: Codebooks | None, recorded: Sequence[Entry]) -> Codebooks | None:
    """The versions of the file, and those that were decided since; of one in both, the decided one."""
    decided = [codebook_from(one.content) for one in recorded if one.content is not None]
    if from_file is None and not decided:
        return None
    versions = {one.version: one for one in (from_file.versions if from_file else ())}
    versions |= {one.version: one for one in decided}
    file, notes = (from_file.file, from_file.notes) if from_file else ("the journal", ())
    return Codebooks(with_changes(versions.values()), file, notes)


def _findings(material: Material) -> list[Finding]:
    found = _preambles_as_one(material.transcripts.notes)
    for name, one in material.working.items():
        found += [
            Finding(
                "attention",
                "correction not applied",
                one.file,
                f"{name}, turn {(unresolved.correction.content or {}).get('turn', '')}",
                unresolved.why,
                "Look at the turn and correct it anew.",
            )
            for unresolved in one.unresolved
        ]
        found += [
            Finding(
                "attention",
                "pseudonym not placed",
                one.file,
                f"{name}, turn {unplaced.turn}",
                unplaced.why,
                "Look at the turn and decide on the words again.",
            )
            for unplaced in one.unplaced
        ]
    found += [note for units in material.units.values() for note in units.notes]
    if material.fixed is not None and (material.fixed.content or {}).get("hash") != material.fingerprint():
        found.append(
            Finding(
                "attention",
                "units changed",
                STUDY_FILE,
                "interviews.units",
                f"The units are no longer those that {material.fixed.by} fixed on {material.fixed.at[:10]}.",
                "Codings are found again by their words; look at `units`, and fix the units again with the reason.",
            )
        )
    return found


def _preambles_as_one(notes: Sequence[Finding]) -> list[Finding]:
    """The notes, with what stands above the first turn of several files told once."""
    preambles = [one for one in notes if one.kind == "preamble" and one.severity == "note"]
    others = [one for one in notes if one not in preambles]
    if len(preambles) < 2:
        return list(notes)
    files = ", ".join(one.file for one in preambles)
    found = (
        f"What stands above the first turn of {len(preambles)} files is left out. In the first: {preambles[0].found}"
    )
    return [*others, replace(preambles[0], file=files, place="", found=found)]


def identifiers(material: Material, progress: Progress | None = None) -> list[Candidate]:
    """What may identify a person in the working text and is not decided yet.

    Labels of conditions, and words that a person rejected everywhere, are not proposed again.
    """
    study = material.study
    ordinary = [word for one in study.declared.conditions for word in (one.id, one.label)]
    ordinary += [one.phrase for one in material.key.entries if one.decision == "rejected" and not one.transcript]
    names = [one for one in material.known_names if one.name not in {entry.phrase for entry in material.key.entries}]
    found = find_identifiers(
        [_Searched(one) for one in material.working.values()],
        names,
        study.declared.language,
        ordinary=ordinary,
        progress=progress,
    )
    rejected = {
        (one.phrase, one.transcript, one.turn, one.start)
        for one in material.key.entries
        if one.decision == "rejected" and one.transcript
    }
    everywhere = {one.phrase for one in material.key.entries if not one.transcript}
    return [
        one
        for one in found
        if one.phrase not in everywhere and (one.phrase, one.transcript, str(one.turn), one.start) not in rejected
    ]


@dataclass(frozen=True, slots=True)
class _SearchedTurn:
    number: int
    text: str


class _Searched:
    """A working transcript as the search reads it."""

    def __init__(self, transcript: WorkingTranscript):
        self.name = transcript.name
        self.language = transcript.language
        self.turns = [_SearchedTurn(turn.numbers[0], turn.text) for turn in transcript.turns]


def codes_used(rows: pd.DataFrame, codebooks: Codebooks) -> dict[str, dict[str, int]]:
    """How often each code was applied under each version of the codebook, by any rater."""
    used: dict[str, dict[str, int]] = {one.version: {} for one in codebooks.versions}
    for (version, code), count in rows.groupby(["codebook_version", "code"]).size().items():
        if code:
            used.setdefault(str(version), {})[str(code)] = int(count)
    return used


# ------------------------------------------------------------------------------------- decisions


def decide_pseudonym(study: Study, journal: Journal, key: PseudonymKey, entry: KeyEntry) -> PseudonymKey:
    """Record a decision on a phrase: the whole of it in the key, its hash and replacement in the journal."""
    decided = key.decide(entry)
    last = decided.log[-1]
    decided.save(study.path(KEY_FILE))
    content = decided.journal_content(last)
    name = f"{content['hash'][:16]}/{last.transcript}/{last.turn}/{'' if last.start is None else last.start}"
    journal.record([new_operation(last.by, "pseudonym", name, content, transcript=last.transcript, why=last.why)])
    return decided


def record_correction(
    journal: Journal, transcript: WorkingTranscript, content: dict[str, Any], by: str, why: str
) -> Entry:
    """Record a correction of a transcript, made by `working_text.correction`."""
    operation = new_operation(by, "correction", "", content, transcript=transcript.name, why=why)
    return journal.record([replace(operation, key=f"{transcript.name}/{operation.id}")])[0]


def record_unit(journal: Journal, unit: Unit, content: dict[str, Any] | None, by: str, why: str) -> Entry:
    """Record that a unit is split, joined with the next, or (None) neither any more."""
    name = f"{unit.transcript}/{unit.id}"
    return journal.record([new_operation(by, "unit", name, content, transcript=unit.transcript, why=why)])[0]


def _once(words: str, text: str, where: str) -> int:
    """The place at which words stand once in a text; quotation marks as they are typed find those of print."""
    if words not in text:
        words, text = words.translate(_AS_TYPED), text.translate(_AS_TYPED)
    times = text.count(words) if words else 0
    if times != 1:
        raise UsageError(f"“{words}” stands {times} times in {where}; give words that stand there once.")
    return text.index(words)


def split_unit(journal: Journal, material: Material, unit: Unit, before: str, by: str, why: str) -> Entry:
    """Record that a unit, which may be a part already, is split before words that stand in it once.

    Raises UsageError where they stand there not once, or where the unit was joined with another.
    """
    at = _once(before, unit.text, unit.id)
    parts = parts_of(material.units[unit.transcript].items, unit)
    _none_joined(journal, unit.transcript, parts)
    whole, starts = put_together(parts, material.working[unit.transcript].texts())
    places = [*starts[1:], starts[parts.index(unit)] + at]
    return record_unit(journal, whole, split_content(whole, places), by, why)


def join_unit(journal: Journal, material: Material, unit: Unit, by: str, why: str) -> Entry:
    """Record that a unit is joined with the next; between two parts of a unit that was split, the cut goes.

    Raises UsageError where the unit was joined already.
    """
    parts = parts_of(material.units[unit.transcript].items, unit)
    number = parts.index(unit) + 1
    _none_joined(journal, unit.transcript, parts)
    if number == len(parts):
        return record_unit(journal, unit, {"action": "join"}, by, why)
    whole, starts = put_together(parts, material.working[unit.transcript].texts())
    places = [one for one in starts[1:] if one != starts[number]]
    return record_unit(journal, whole, split_content(whole, places) if places else None, by, why)


def _none_joined(journal: Journal, transcript: str, parts: Sequence[Unit]) -> None:
    """Refuse to cut anew what was joined: its parts would get other names, and the decision to join another part."""
    joined = {one.key for one in journal.present("unit") if (one.content or {}).get("action") == "join"}
    for part in parts:
        if f"{transcript}/{part.id}" in joined:
            raise UsageError(f"{part.id} was joined with the unit after it. Take that back first, then cut anew.")


def uncut_unit(journal: Journal, unit: Unit, by: str, why: str) -> list[Entry]:
    """Record that a unit is as it was cut by rule: neither it nor any part of it is split or joined any more."""
    whole = f"{unit.transcript}/{unit.id.partition(':')[0]}"
    keys = [one.key for one in journal.present("unit") if one.key.partition(":")[0] == whole] or [whole]
    return journal.record([new_operation(by, "unit", key, None, transcript=unit.transcript, why=why) for key in keys])


def fix_units(journal: Journal, material: Material, by: str, why: str) -> Entry:
    """Record which units are coded from now on: their kind, number and hash."""
    interviews = material.study.declared.interviews
    content = {
        "kind": interviews.units if interviews else "",
        "units": sum(1 for _ in material.all_units()),
        "hash": material.fingerprint(),
    }
    return journal.record([new_operation(by, FIXED, FIXED, content, why=why)])[0]


def correct_words(transcript: WorkingTranscript, turn: str, quote: str, action: Any, **further: str) -> dict[str, Any]:
    """The content of a correction of words that stand once in a turn. UsageError where they stand there not once."""
    text = transcript.texts().get(turn)
    if text is None:
        raise UsageError(f"{transcript.name} has no turn “{turn}”.")
    start = _once(quote, text, f"turn {turn}")
    return correction(transcript, turn, action, start=start, end=start + len(quote), **further)
