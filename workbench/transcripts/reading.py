"""The transcripts of a study: which files they are, whose, and their turns; translations beside them."""

from __future__ import annotations

import glob
import re
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from workbench.declared import nearest
from workbench.errors import Finding, StudyError, UsageError
from workbench.files import fault, gathering, normalized, read_words, write_atomically
from workbench.study import STUDY_FILE, Interviews, Study
from workbench.transcripts.cues import srt_pieces, vtt_pieces
from workbench.transcripts.documents import document_lines
from workbench.transcripts.plain import lines_of, spoken_pieces
from workbench.transcripts.turn_table import table_pieces
from workbench.transcripts.turns import Piece, Transcript, Transcripts, Turn, known_in, turns_of

Progress = Callable[[int, int], Any]

ENDINGS = (".vtt", ".srt", ".txt", ".docx", ".csv", ".xlsx")
_MARK = "{participant}"


@dataclass(frozen=True, slots=True)
class _Source:
    """A transcript's file and whose it is."""

    file: str
    participant: str
    is_translation: bool = False


def read_transcripts(study: Study, progress: Progress = lambda _done, _total: None) -> Transcripts:
    """The transcripts that study.toml names, in the order of its participants; none where it names none.

    `progress(done, total)` is called after each file. Raises StudyError with the faults of all files.
    """
    interviews = study.declared.interviews
    if interviews is None or not (interviews.transcripts or interviews.transcript_participants):
        return Transcripts(())
    findings: list[Finding] = []
    originals = _sources(study, interviews, findings, is_translation=False)
    translations = _sources(study, interviews, findings, is_translation=True)
    turns: dict[_Source, tuple[Turn, ...]] = {}
    for done, source in enumerate([*originals, *translations], start=1):
        with gathering(findings):
            turns[source] = _turns(source, study, findings)
        progress(done, len(originals) + len(translations))
    names = _names(originals, findings)
    beside = _translations(originals, translations, turns, findings)
    findings += _not_there(study, interviews, originals)
    faults = [finding for finding in findings if finding.severity == "blocks"]
    if faults:
        raise StudyError(faults)
    items = [
        Transcript(
            names[source.file],
            source.participant,
            source.file,
            interviews.languages.get(source.participant, study.declared.language),
            turns[source],
            beside.get(source.file, ()),
        )
        for source in originals
    ]
    order = {participant: place for place, participant in enumerate(study.participants)}
    return Transcripts(tuple(sorted(items, key=lambda one: (order[one.participant], one.name))), tuple(findings))


def bring_in(study: Study, participant: str, name: str, content: bytes) -> tuple[str, int]:
    """Put a transcript into the study folder, where a pattern of interviews.transcripts finds it.

    `name` is what the file is called elsewhere; its ending alone is used. Returns where the file lies now, and how many turns
    were read in it. Raises UsageError where there is no place for it or one is there already, and StudyError with the
    faults of a file that cannot be read, which is then not kept.
    """
    file = _place_for(study, participant, PurePosixPath(name).suffix.lower())
    path = study.path(file)
    if path.exists():
        raise UsageError(f"{file} is there already, and collected files are not written over.")
    write_atomically(path, content)
    findings: list[Finding] = []
    try:
        with gathering(findings):
            turns = _turns(_Source(file, participant), study, findings)
        faults = [finding for finding in findings if finding.severity == "blocks"]
        if faults:
            raise StudyError(faults)
    except BaseException:
        path.unlink()
        raise
    return file, len(turns)


def _place_for(study: Study, participant: str, ending: str) -> str:
    """Where a participant's transcript with an ending belongs."""
    if ending not in ENDINGS:
        raise UsageError(f"Transcripts end in {', '.join(ENDINGS)}; this file ends in “{ending}”.")
    patterns = study.declared.interviews.transcripts if study.declared.interviews else []
    fitting = [one for one in patterns if _MARK in one and one.lower().endswith(ending)]
    if not fitting:
        line = f'"transcripts/{_MARK}{ending}"'
        raise UsageError(
            f"No pattern of interviews.transcripts ends in {ending}: add {line} to it in study.toml first."
        )
    return PurePosixPath(fitting[0].replace(_MARK, participant)).as_posix()


# ------------------------------------------------------------------------------------------- files


def files_of(study: Study, participant: str) -> list[str]:
    """The transcripts and translations of a participant or pilot that are there."""
    interviews = study.declared.interviews
    if interviews is None:
        return []
    tied = {PurePosixPath(file).as_posix(): one for file, one in interviews.transcript_participants.items()}
    named = {
        file: tied.get(file) or _participant(name, study)
        for pattern in (*interviews.transcripts, *interviews.translations)
        for file, name in _matching(study.folder, pattern)
    }
    return [file for file, whose in (named | tied).items() if whose == participant and study.path(file).is_file()]


def _sources(study: Study, interviews: Interviews, findings: list[Finding], *, is_translation: bool) -> list[_Source]:
    """The files that the patterns name, and those tied by hand, each once; pilots are left out and counted."""
    key = "interviews.translations" if is_translation else "interviews.transcripts"
    patterns = interviews.translations if is_translation else interviews.transcripts
    tied = {PurePosixPath(file).as_posix(): one for file, one in interviews.transcript_participants.items()}
    elsewhere = set() if is_translation else _files(study.folder, interviews.translations)
    found: dict[str, str] = {}
    pilots: list[str] = []
    for pattern in patterns:
        files = {file: name for file, name in _matching(study.folder, pattern) if file not in elsewhere}
        if not files:
            told = "This pattern matches no file."
            findings.append(
                Finding(
                    "attention",
                    "no file",
                    STUDY_FILE,
                    key,
                    f"“{pattern}”: {told}",
                    "Correct it, or put the files there.",
                )
            )
        twice = sorted(found.keys() & files.keys())
        if twice:
            told = f"“{pattern}” matches files that a pattern above it matches too: {', '.join(twice[:5])}{' …' if len(twice) > 5 else ''}."
            findings.append(Finding("attention", "matched twice", STUDY_FILE, key, told, "Each is read once."))
        for file, name in files.items():
            participant = tied.get(file) or _participant(name, study)
            if file in found or file in pilots:
                continue
            if participant in study.declared.participants.pilots:
                pilots.append(file)
            elif participant:
                found[file] = participant
            else:
                findings.append(_whose(file, name, study))
    if not is_translation:
        found |= {file: one for file, one in tied.items() if file not in found and file not in elsewhere}
    if pilots:
        told = f"{len(pilots)} files of pilot participants are left out: {', '.join(pilots)}."
        findings.append(Finding("note", "pilots", STUDY_FILE, key, told, ""))
    return [_Source(file, participant, is_translation) for file, participant in found.items()]


def _matching(folder: Path, pattern: str) -> Iterator[tuple[str, str]]:
    """Files that a pattern matches, and what stands for the participant; a file named without pattern is itself.

    Files that editors leave beside an open document ("~$…") are passed over.
    """
    plain = PurePosixPath(pattern).as_posix()
    if _MARK not in plain:
        yield plain, PurePosixPath(plain).stem
        return
    before, after, *further = map(re.escape, plain.split(_MARK))
    again = "".join(f"(?P=participant){part}" for part in further)
    expression = re.compile(f"{before}(?P<participant>[^/]+){after}{again}")
    wildcards = "*".join(map(glob.escape, plain.split(_MARK)))
    for path in sorted(glob.glob(wildcards, root_dir=folder)):
        file = Path(path).as_posix()
        match = expression.fullmatch(file)
        if match and not PurePosixPath(file).name.startswith("~$"):
            yield file, match["participant"]


def _files(folder: Path, patterns: Sequence[str]) -> set[str]:
    return {file for pattern in patterns for file, _ in _matching(folder, pattern)}


def _participant(name: str, study: Study) -> str:
    """The participant or pilot that a name in a file's path stands for; "" where there is none."""
    known = [*study.participants, *study.declared.participants.pilots]
    composed = normalized(name)
    if composed in known:
        return composed
    alike = [one for one in known if one.casefold() == composed.casefold()]
    return alike[0] if len(alike) == 1 else ""


def _whose(file: str, name: str, study: Study) -> Finding:
    found = f"“{name}” is no participant of this study."
    remedy = f"Say whose it is under interviews.transcript_participants, or leave it out. {nearest(name, study.participants)}"
    return fault(file, "", found, remedy, "unknown participant")


def _names(originals: Sequence[_Source], findings: list[Finding]) -> dict[str, str]:
    """The name of each transcript: the participant's, or the file's where a participant has several."""
    by_participant: dict[str, list[str]] = defaultdict(list)
    for source in originals:
        by_participant[source.participant].append(source.file)
    names: dict[str, str] = {}
    for participant, files in by_participant.items():
        names |= {files[0]: participant} if len(files) == 1 else {file: PurePosixPath(file).stem for file in files}
        if len(files) > 1:
            found = f"{participant} has {len(files)} transcripts, which count as parts of one person's words: {', '.join(files)}."
            remedy = "If they hold the same interview in two formats, keep one."
            findings.append(
                Finding("attention", "several transcripts", STUDY_FILE, "interviews.transcripts", found, remedy)
            )
    by_name: dict[str, list[str]] = defaultdict(list)
    for file, name in names.items():
        by_name[normalized(name).casefold()].append(file)
    for files in by_name.values():
        if len(files) > 1:
            found = f"{' and '.join(files)} would have the same name, “{names[files[0]]}”."
            remedy = "Keep one of them, or rename one: codings know a transcript by its name."
            findings.append(fault(files[1], "", found, remedy, "repeated name"))
    return names


def _not_there(study: Study, interviews: Interviews, originals: Sequence[_Source]) -> Iterator[Finding]:
    there = {source.participant for source in originals}
    absent = [one for one in interviews.interviewed if one not in there]
    if absent:
        found = f"No transcript of {', '.join(absent)}, listed as interviewed."
        yield Finding("note", "no transcript", STUDY_FILE, "interviews.transcripts", found, "")


# ----------------------------------------------------------------------------------------- reading


def _turns(source: _Source, study: Study, findings: list[Finding]) -> tuple[Turn, ...]:
    """The turns of a file. What is said of an original's speakers is not said again of its translation's."""
    notes: list[Finding] = []
    pieces, kind = _pieces(source, study, notes)
    already = [note for note in notes if note.severity == "blocks"]
    turns = () if already else turns_of(pieces, source.file, kind, source.participant, study, notes)
    spoken = ("unknown speaker", "no answers", "no speaker", "heading not tied")
    findings += [
        note for note in notes if not (source.is_translation and note.kind in spoken and note.severity != "blocks")
    ]
    return turns


def _pieces(source: _Source, study: Study, notes: list[Finding]) -> tuple[Sequence[Piece], str]:
    """What the reader of the file's format finds, and what its places are called."""
    file, path = source.file, study.path(source.file)
    known = known_in(study, source.participant)
    match path.suffix.lower():
        case ".docx":
            return spoken_pieces(document_lines(path, file, notes), file, "paragraph", known, notes), "paragraph"
        case ".csv" | ".xlsx":
            return table_pieces(path, file, known, study, notes), "row"
        case ".vtt" | ".srt" | ".txt" as ending:
            text, further = read_words(path, file)
            notes += further
            if ending == ".txt":
                return spoken_pieces(lines_of(text), file, "line", known, notes), "line"
            return (vtt_pieces if ending == ".vtt" else srt_pieces)(text, file, known, notes), "line"
    found = f"Transcripts end in {', '.join(ENDINGS)}."
    raise StudyError([fault(file, "", found, "Save it in one of these formats.", "unknown format")])


def _translations(
    originals: Sequence[_Source],
    translations: Sequence[_Source],
    turns: Mapping[_Source, tuple[Turn, ...]],
    findings: list[Finding],
) -> dict[str, tuple[str, ...]]:
    """The texts of translations by the file of their original; where their turns do not fit, a fault."""
    found: dict[str, tuple[str, ...]] = {}
    for source in translations:
        own = [one for one in originals if one.participant == source.participant]
        same_name = [one for one in own if PurePosixPath(one.file).stem == PurePosixPath(source.file).stem]
        original = next(iter(same_name if len(own) > 1 else own), None)
        if original is None or original.file in found:
            told = "is no transcript it could translate" if original is None else "is another translation already"
            remedy = "Name the file like its original, one for each."
            findings.append(fault(source.file, "", f"There {told}.", remedy, "no original"))
        elif source in turns and original in turns and (turns[source] or turns[original]):
            if len(turns[source]) == len(turns[original]):
                found[original.file] = tuple(turn.text for turn in turns[source])
            elif turns[source] and turns[original]:
                findings.append(_other_turns(source, turns[source], original, turns[original]))
    return found


def _other_turns(source: _Source, translated: Sequence[Turn], original: _Source, spoken: Sequence[Turn]) -> Finding:
    pairs = zip(translated, spoken, strict=False)
    apart = next(
        (one for one, other in pairs if "unknown" not in (one.role, other.role) and one.role != other.role), None
    )
    where = f" The speakers part at turn {apart.number}." if apart else ""
    found = f"The translation has {len(translated)} turns and {original.file} has {len(spoken)}.{where}"
    remedy = "A translation needs a turn for each turn of the original, in the same order."
    place = f"turn {apart.number}" if apart else ""
    return fault(source.file, place, found, remedy, "other turns")
