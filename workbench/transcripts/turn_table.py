"""Tables of turns (CSV, XLSX) to utterances: a row per turn."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

from workbench.declared import nearest
from workbench.errors import Finding, StudyError
from workbench.files import fault, read_table
from workbench.study import Study
from workbench.transcripts.turns import Known, Piece, Utterance, folded, heading_in, places, seconds

NEEDED, OPTIONAL = ("speaker", "text"), ("start", "end", "question", "condition")


def table_pieces(path: Path, file: str, known: Known, study: Study, notes: list[Finding]) -> list[Piece]:
    """The turns of a table with the columns speaker and text, and start, end, question and condition where there.

    Raises StudyError where the table cannot be read or lacks a column; a wrong cell is a fault in `notes`.
    """
    table = read_table(path, file)
    notes += table.notes
    columns = {folded(name): name for name in table.columns}
    absent = [name for name in NEEDED if name not in columns]
    if absent:
        remedy = "A table of turns needs the columns speaker and text; start, end, question and condition may be there."
        found = "There is no column “{}”."
        raise StudyError([fault(file, table.header, found.format(name), remedy, "missing column") for name in absent])
    faults: list[Finding] = []
    given = [name for name in (*NEEDED, *OPTIONAL) if name in columns]
    pieces: list[Piece] = []
    words = {
        "question": known.parts.questions,
        "condition": dict(known.parts.conditions) | _condition_words(study),
    }
    for row, cells in zip(table.frame.index, table.frame[[columns[name] for name in given]].values, strict=True):
        cell = {name: str(value).strip() for name, value in zip(given, cells, strict=True)}
        heading = None if cell["speaker"] else heading_in(cell["text"], row, known.parts)
        if heading:
            pieces.append(heading)
            continue
        start, end = (_time(cell.get(name, ""), file, row, name, faults) for name in ("start", "end"))
        question, condition = (
            _part(cell.get(name, ""), words[name], file, row, name, faults) for name in ("question", "condition")
        )
        pieces.append(Utterance(cell["speaker"], cell["text"], row, start, end, question=question, condition=condition))
    notes += faults
    return pieces


def _condition_words(study: Study) -> dict[str, str]:
    return {folded(word): one.id for one in study.declared.conditions for word in (one.label, one.id)}


def _part(words: str, known: Mapping[str, str], file: str, row: int, column: str, faults: list[Finding]) -> str:
    if words and folded(words) not in known:
        found = f"“{words}” is no {column}."
        faults.append(
            fault(file, f"row {row}, column {column}", found, nearest(words, list(known)), f"unknown {column}")
        )
    return known.get(folded(words), "")


def _time(words: str, file: str, row: int, column: str, faults: list[Finding]) -> float | None:
    """Seconds, written as such or as a time like 0:01:02; None where the cell is empty."""
    number = words.replace(",", ".")
    time = float(number) if re.fullmatch(r"\d{1,7}(?:\.\d{1,9})?", number, re.ASCII) else seconds(words)
    if words and time is None:
        found = f"“{words}” is no time."
        faults.append(
            fault(file, f"{places('row', [row])}, column {column}", found, "Write 0:01:02 or seconds.", "wrong value")
        )
    return time
