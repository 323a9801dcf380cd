"""Instrument files made or adapted by a person: from a few fields or another file to TOML, checked and saved in a study.

What an instrument may say is decided in `workbench.instrument`; here text goes in and text comes out.
"""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from workbench.declared import parse
from workbench.errors import StudyError, UsageError
from workbench.files import fault, read_text, write_atomically
from workbench.instrument import Instrument, library

FOLDER = "instruments"
REVERSED = re.compile(r"\s*\(r\)\s*$", re.IGNORECASE)
"""What at the end of a line says that a high answer means little of what the scale measures."""


@dataclass(frozen=True, slots=True)
class Draft:
    """The few fields of a plain rating scale: statements answered on points from `low` to `high`, scored together.

    `items` are the wordings in order; "(r)" at the end of one marks it as reversed.
    """

    id: str
    title: str
    about: str
    instruction: str
    items: Sequence[str]
    low: int
    high: int
    anchor_low: str
    anchor_high: str
    label: str
    score: Literal["mean", "sum"]
    answers_needed: int | None
    higher: str
    source: str
    language: str = "en"


def drafted_text(draft: Draft) -> str:
    """The TOML of an instrument with one scale, from the fields of a draft; `checked_instrument` says whether it is sound."""
    import tomlkit

    document = tomlkit.document()
    head = {
        "format": 1,
        "id": draft.id,
        "version": "1.0",
        "title": draft.title,
        "about": draft.about,
        "language": draft.language,
        "source": draft.source,
        "licence": "not stated",
        "wording": "full",
        "validation": "Unvalidated: made for this study.",
        "instruction": draft.instruction,
    }
    for key, value in head.items():
        if value != "":
            document[key] = value
    rating: dict[str, Any] = {"kind": "likert", "low": draft.low, "high": draft.high}
    anchors = {str(draft.low): draft.anchor_low, str(draft.high): draft.anchor_high}
    document["responses"] = {"rating": rating | {"anchors": {at: words for at, words in anchors.items() if words}}}
    lines = [line.strip() for line in draft.items if line.strip()]
    names = [f"{draft.id}{number}" for number in range(1, len(lines) + 1)]
    items = tomlkit.aot()
    for name, line in zip(names, lines, strict=True):
        item: dict[str, Any] = {"id": name, "text": REVERSED.sub("", line), "response": "rating"}
        items.append(tomlkit.item(item | ({"reverse": True} if REVERSED.search(line) else {})))
    document["items"] = items
    scale: dict[str, Any] = {"id": draft.id, "label": draft.label, "items": names, "score": draft.score}
    scale |= {"answers_needed": draft.answers_needed} if draft.answers_needed else {}
    scale |= {"unit": f"points, {draft.low} to {draft.high}"} if draft.score == "mean" else {"unit": "points, summed"}
    scale |= {"higher": draft.higher} if draft.higher else {}
    scales = tomlkit.aot()
    scales.append(tomlkit.item(scale))
    document["scales"] = scales
    return tomlkit.dumps(document)


def adapted_text(name: str, new_name: str, folder: Path) -> str:
    """The file of the instrument `name` as the start of another one called `new_name`, comments kept.

    It says that it was adapted and that this leaves it unvalidated. Raises UsageError for an unknown name.
    """
    import tomlkit

    known = library(folder)
    if name not in known:
        raise UsageError(f"There is no instrument “{name}”.")
    document: Any = tomlkit.parse(read_text(known[name], known[name].name))
    before = f"{document['id']} {document['version']}"
    document["source"] = f"Adapted from {before}. {document['source']}"
    document["validation"] = f"Unvalidated as adapted. Of the original: {document['validation']}"
    document["id"], document["version"] = new_name, "1.0"
    return tomlkit.dumps(document)


def checked_instrument(text: str) -> Instrument:
    """The instrument that `text` says; StudyError with all its faults."""
    shown = "this instrument"
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        remedy = "Mend that place; text stands in quotes, lists in square brackets."
        raise StudyError([fault(shown, "", f"This is no valid TOML: {error}.", remedy)]) from None
    return parse(Instrument, content, shown)


def save_instrument(folder: Path, text: str, *, replacing: bool = False) -> str:
    """Save `text` among the study's own instruments, if it is sound, and return the file's name in the study.

    With `replacing` a file of the same name is kept beside it. Raises StudyError with its faults, UsageError where
    the file exists and `replacing` was not asked for.
    """
    instrument = checked_instrument(text)
    target = folder / FOLDER / f"{instrument.id}.toml"
    shown = f"{FOLDER}/{target.name}"
    if not folder.is_dir():
        raise UsageError(f"The study folder {folder.name} is no longer there; nothing was saved.")
    if target.exists() and target.read_bytes() != text.encode():
        if not replacing:
            raise UsageError(f"{shown} exists already; give yours another id, or say that it replaces the one there.")
        numbers = (target.with_name(f"{target.name}.{number}") for number in range(1, 10_000))
        os.link(target, next(path for path in numbers if not path.exists()))
    write_atomically(target, text)
    return shown
