"""Erasing a participant who withdraws: their rows in collected files, their name in study.toml, and the results.

It is the one place where collected files are rewritten, and only when asked twice. What is left is a
count without a name. Words about the participant elsewhere are listed for a person to judge.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from workbench.declared import nearest, parse
from workbench.errors import StudyError, UsageError
from workbench.files import gathering, read_table, read_text, read_toml, without_rows, write_atomically
from workbench.report.table import Column, Table
from workbench.study import RESULTS, STUDY_FILE, Declaration, Reading


@dataclass(frozen=True, slots=True)
class Erasure:
    """What is erased in one place: `rows` of a collected file (none: the whole file), or a part of study.toml."""

    file: str
    what: str
    rows: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Withdrawal:
    """What erasing a participant means. `mentions` are files that still hold their id, for a person to look at."""

    participant: str
    erasures: tuple[Erasure, ...]
    mentions: tuple[tuple[str, int], ...]


def planned_withdrawal(folder: Path, participant: str) -> Withdrawal:
    """What would be erased; nothing is changed.

    Raises StudyError for files that cannot be read, and UsageError where the participant is nowhere in the study.
    """
    return _prepared(folder, participant)[0]


def withdraw(folder: Path, participant: str) -> Withdrawal:
    """Erase the participant and return what was erased.

    Every new content is made before the first file is written; each file is swapped whole, those that declare the
    participant last, so that a run that is stopped can be run again. Raises as planned_withdrawal does.
    """
    withdrawal, contents = _prepared(folder, participant)
    for name, content in contents.items():
        if content is None:
            (folder / name).unlink(missing_ok=True)
        elif name != STUDY_FILE:
            write_atomically(folder / name, content)
    shutil.rmtree(folder / RESULTS, ignore_errors=True)
    study = contents.get(STUDY_FILE)
    if study is not None:
        write_atomically(folder / STUDY_FILE, study)
    return withdrawal


def _prepared(folder: Path, participant: str) -> tuple[Withdrawal, dict[str, bytes | None]]:
    """The withdrawal, and the new content of each file that changes (None: it is removed)."""
    declared = parse(Declaration, read_toml(folder / STUDY_FILE, STUDY_FILE), STUDY_FILE)
    erasures: list[Erasure] = []
    contents: dict[str, bytes | None] = {}
    faults: list[Any] = []
    known: set[str] = set(declared.participants.ids)
    for file, column, reading in _tables(declared):
        with gathering(faults):
            table = read_table(folder / file, file, **reading.model_dump())
            ids = table.frame[column].astype("str").str.strip() if column in table.columns else None
            if ids is None:
                continue
            known |= set(ids)
            rows = tuple(int(row) for row in ids.index[ids == participant])
            if rows:
                erasures.append(Erasure(file, f"{len(rows)} rows" if len(rows) > 1 else "1 row", rows))
                contents[file] = without_rows(folder / file, file, rows, **reading.model_dump())
    if faults:
        raise StudyError(faults)
    transcripts = [
        name
        for name in (declared.interviews.transcripts if declared.interviews else [])
        if _is_about(Path(name).stem, participant)
    ]
    for name in transcripts:
        erasures.append(Erasure(name, "the whole file"))
        contents[name] = None
    text, changed = _study_without(read_text(folder / STUDY_FILE, STUDY_FILE), participant, transcripts)
    if not erasures and not changed:
        raise UsageError(f"“{participant}” is nowhere in this study. {nearest(participant, sorted(known))}")
    erasures += [Erasure(STUDY_FILE, what) for what in changed]
    contents[STUDY_FILE] = text.encode()
    if (folder / RESULTS).exists():
        erasures.append(Erasure(RESULTS, "the whole folder; make it again with `workbench report`"))
    mentions = tuple(_mentions(folder, participant, contents))
    return Withdrawal(participant, tuple(erasures), mentions), contents


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


def _study_without(text: str, participant: str, transcripts: list[str]) -> tuple[str, list[str]]:
    """study.toml without the participant, the count of withdrawals raised, comments kept; and what changed."""
    import tomlkit

    document: Any = tomlkit.parse(text)
    who = document["participants"]
    changed = [f"participants.{key}" for key in ("ids", "pilots") if _without(who.get(key), participant)]
    if participant in who.get("permissions", {}):
        del who["permissions"][participant]
        changed.append("participants.permissions")
    interviews = document.get("interviews", {})
    if _without(interviews.get("interviewed"), participant):
        changed.append("interviews.interviewed")
    for name in transcripts:
        _without(interviews["transcripts"], name)
    who["withdrawn"] = int(who.get("withdrawn", 0)) + 1
    exclusions = document.get("exclusions", [])
    theirs = [place for place, one in enumerate(exclusions) if one["participant"] == participant]
    if not theirs:
        return tomlkit.dumps(document), changed
    if isinstance(exclusions, tomlkit.items.AoT):
        return _without_entries(tomlkit.dumps(document), theirs), [*changed, "exclusions"]
    for place in reversed(theirs):
        del exclusions[place]
    return tomlkit.dumps(document), [*changed, "exclusions"]


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


def _without(names: Any, name: str) -> bool:
    """Take `name` out of a list of study.toml; whether it was there."""
    if not names or name not in names:
        return False
    names.remove(name)
    return True


def _is_about(text: str, participant: str) -> bool:
    return re.search(rf"(?<![A-Za-z0-9]){re.escape(participant)}(?![A-Za-z0-9])", text) is not None


def _mentions(folder: Path, participant: str, contents: dict[str, bytes | None]) -> Iterator[tuple[str, int]]:
    """Files of the folder that would still hold the participant's id as a word, and on how many lines."""
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if not path.is_file() or name.startswith(f"{RESULTS}/") or contents.get(name, b"") is None:
            continue
        content = contents.get(name) or path.read_bytes()
        lines = sum(_is_about(line, participant) for line in content.decode("utf-8", errors="replace").splitlines())
        if lines or _is_about(path.stem, participant):
            yield name, lines


def withdrawal_table(withdrawal: Withdrawal) -> Table:
    """What is erased, place by place; the notes name files that would still hold the participant's id."""
    columns = (Column("file", "File"), Column("what", "Erased"), Column("rows", "Rows"))
    rows = tuple(
        {"file": one.file, "what": one.what, "rows": ", ".join(map(str, one.rows))} for one in withdrawal.erasures
    )
    notes = [
        f"“{withdrawal.participant}” also stands in {name} ({lines} lines): look at it by hand."
        for name, lines in withdrawal.mentions
    ]
    notes.append("Copies elsewhere (backups, shared drives, archives, paper) are not reached.")
    return Table("withdrawal", f"Withdrawal of {withdrawal.participant}", columns, rows, tuple(notes))
