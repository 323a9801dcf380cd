"""A codebook changed in one step into its next version; nothing is read or written here.

Each function gives the new version, or the words that say what is still missing.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from workbench.codebook.model import Code, Codebook, changes

Said = Mapping[str, Any]
"""What a code says: fields of a Code by their names."""

NO_CHANGE = "Nothing was changed yet."


def next_version(version: str) -> str:
    """The name of the version after this one: its last number counted on, "2" to "3", "1.9" to "1.10"."""
    found = re.search(r"\d+(?=\D*$)", version)
    if found is None:
        return f"{version}2"
    return f"{version[: found.start()]}{int(found[0]) + 1}{version[found.end() :]}"


def edited(book: Codebook, code: str, said: Said) -> Codebook | str:
    """Other words under a code; `said` are fields of a code."""
    made = _next(book, (replace(one, **said) if one.code == code else one for one in book.codes))
    return made if made.changes else NO_CHANGE


def added(book: Codebook, code: str, said: Said) -> Codebook | str:
    """A code more, at the end."""
    return _why_not(book, [code]) or _next(book, (*book.codes, Code(code, **said)))


def renamed(book: Codebook, code: str, name: str) -> Codebook | str:
    """A code under another name; its codings come along."""
    return _why_not(book, [name]) or _next(
        book,
        (replace(one, code=name, renamed_from=code) if one.code == code else one for one in _moved(book, [code], name)),
    )


def retired(book: Codebook, code: str) -> Codebook | str:
    """The codebook without a code; those below it stand where it stood."""
    above = book.code(code).parent
    made = _next(book, (one for one in _moved(book, [code], above) if one.code != code))
    return replace(made, retired={code: ""})


def merged(book: Codebook, several: Sequence[str], name: str, said: Said) -> Codebook | str:
    """Two codes or more as one, in the place of the first."""
    if len(several) < 2:
        return "Choose two codes or more."
    if why := _why_not(book, [name], without=several):
        return why
    made = Code(name, **{**said, "parent": book.code(several[0]).parent}, merged_from=tuple(several))
    rest = (made if one.code == several[0] else one for one in _moved(book, several, name))
    return _next(book, (one for one in rest if one is made or one.code not in several))


def split(book: Codebook, code: str, parts: Sequence[tuple[str, Said]]) -> Codebook | str:
    """A code as several, in its place; each is a name and what it says."""
    if why := _why_not(book, [name for name, _ in parts], without=[code]):
        return why
    above = book.code(code).parent
    made = [Code(name, **{**said, "parent": above}, split_from=code) for name, said in parts]
    codes: list[Code] = []
    for one in _moved(book, [code], parts[0][0]):
        codes += made if one.code == code else [one]
    return _next(book, codes)


def _why_not(book: Codebook, names: Sequence[str], *, without: Sequence[str] = ()) -> str:
    """What is wrong with new names, "" where nothing is."""
    if not all(names):
        return "Give the code a name."
    if any("/" in name for name in names):
        return "A code's name holds no stroke."
    taken = [name for name in names if name in book.names and name not in without]
    if taken or len(set(names)) < len(names):
        return f"There is a code {taken[0] if taken else names[0]} already; every code needs a name of its own."
    return ""


def _moved(book: Codebook, parents: Sequence[str], to: str) -> list[Code]:
    """The codes, those below `parents` below another."""
    return [replace(one, parent=to) if one.parent in parents else one for one in book.codes]


def _next(book: Codebook, codes: Iterable[Code]) -> Codebook:
    """The next version, of these codes, with what changed."""
    made = Codebook(next_version(book.version), tuple(codes), book.themes, parent_version=book.version)
    return replace(made, changes=tuple(changes(book, made)))
