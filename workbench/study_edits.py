"""Changes to study.toml that keep its comments, each checked by reading the study again before it counts.

What a change should say is decided above; here text goes in and text comes out, and the file is swapped whole.
"""

from __future__ import annotations

import os
import re
import tempfile
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from workbench.errors import UsageError
from workbench.files import read_text, write_atomically
from workbench.study import STUDY_FILE, Study, open_study

_HEADER = re.compile(r"""^[ \t]*\[{1,2}[ \t]*[\w."' \t-]+\]{1,2}[ \t]*(#.*)?$""")
_ENTRY = re.compile(r"^[ \t]*\[\[[ \t]*questionnaires[ \t]*\]\]")
_EXCLUSION = re.compile(r"^[ \t]*\[\[[ \t]*exclusions[ \t]*\]\]")
_QUESTIONNAIRES = re.compile(r"^[ \t]*(\[\[[ \t]*questionnaires[ \t]*\]\]|\[{1,2}[ \t]*questionnaires[ \t]*\.)")
_SHORT = 80
"""Characters in one line beyond which a list or table is written over several."""


def study_text(study: Study) -> str:
    """study.toml as it stands now."""
    return read_text(study.path(STUDY_FILE), STUDY_FILE)


def entry_text(entry: Mapping[str, Any]) -> str:
    """A [[questionnaires]] entry as TOML."""
    import tomlkit

    tables = tomlkit.aot()
    tables.append(_table(entry))
    document = tomlkit.document()
    document["questionnaires"] = tables
    return tomlkit.dumps(document)


def _table(content: Mapping[str, Any]) -> Any:
    """A table in brackets of its own; what needs brackets below it comes last, as TOML wants it."""
    import tomlkit

    table = tomlkit.table()
    for key, value in sorted(content.items(), key=lambda pair: _is_long(pair[1])):
        table[key] = _item(value)
    return table


def _is_long(value: Any) -> bool:
    return isinstance(value, Mapping) and len(str(dict(value))) > _SHORT


def _item(value: Any) -> Any:
    """A value as tomlkit writes it: short lists and tables on one line, longer ones over several."""
    import tomlkit

    if isinstance(value, Mapping):
        return _table(value) if _is_long(value) else _inline(value)
    if isinstance(value, list):
        listed = tomlkit.array()
        for one in value:
            listed.append(
                _inline(one) if isinstance(one, Mapping) else _item(one)
            )  # no brackets of their own in a list
        return listed.multiline(len(str(value)) > _SHORT)
    return tomlkit.item(value)


def with_entry(text: str, entry: Mapping[str, Any]) -> str:
    """`text` of a study.toml with one more questionnaire after those it has; all else stays byte for byte."""
    import tomlkit

    content = tomllib.loads(text)
    wanted = content | {"questionnaires": [*content.get("questionnaires", []), dict(entry)]}
    inserted = _inserted(text, entry_text(entry))
    if _means(inserted, wanted):
        return inserted
    document: Any = tomlkit.parse(text)
    in_brackets = isinstance(document["questionnaires"], tomlkit.items.AoT)
    document["questionnaires"].append(_table(entry) if in_brackets else _inline(entry))
    return tomlkit.dumps(document)


def _inline(value: Mapping[str, Any]) -> Any:
    import tomlkit

    table = tomlkit.inline_table()
    for key, one in value.items():
        table[key] = _inline(one) if isinstance(one, Mapping) else one
    return table


def _inserted(text: str, entry: str) -> str:
    """`text` with `entry` below the last questionnaire and above the comment on what follows, or at the end."""
    lines = text.splitlines(keepends=True)
    heads = [number for number, line in enumerate(lines) if _QUESTIONNAIRES.match(line)]
    return _with_lines(lines, _end_of_table(lines, heads[-1]) if heads else len(lines), entry, apart=True)


def _with_lines(lines: Sequence[str], place: int, added: str, *, apart: bool) -> str:
    """The text of `lines` with `added` at `place`, with the line ends of the file, and `apart` by an empty line before."""
    before, after = "".join(lines[:place]), "".join(lines[place:])
    end = "\r\n" if "\r\n" in before + after else "\n"
    whole = end if before and not before.endswith("\n") else ""
    gap = end if apart and before and not (before + whole).endswith(end * 2) else ""
    return before + whole + gap + added.replace("\n", end) + after


def _end_of_table(lines: Sequence[str], head: int) -> int:
    """The line before which more can be said in the table whose brackets stand in line `head`.

    That is after its last key and the comments that touch it, so that a comment on what follows stays there.
    """
    stop = next(
        (number for number in range(head + 1, len(lines)) if _HEADER.match(lines[number].rstrip("\r\n"))), len(lines)
    )
    last = next(number for number in range(stop - 1, -1, -1) if not _comment_or_blank(lines[number]))
    return next((number for number in range(last + 1, stop) if not lines[number].strip()), stop)


def _comment_or_blank(line: str) -> bool:
    return not line.strip() or line.lstrip().startswith("#")


def _means(text: str, wanted: Mapping[str, Any]) -> bool:
    try:
        return tomllib.loads(text) == wanted
    except tomllib.TOMLDecodeError:
        return False


def with_entry_rewritten(text: str, place: int, entry: Mapping[str, Any]) -> str:
    """`text` with the questionnaire at `place` (from 0) saying what `entry` says; keys that stay the same stay as written."""
    import tomlkit

    wanted = tomllib.loads(text)
    wanted["questionnaires"][place] = dict(entry)
    document: Any = tomlkit.parse(text)
    table = document["questionnaires"][place]
    for key in [key for key in table if key not in entry]:
        del table[key]
    further = {key: value for key, value in entry.items() if key not in table}
    for key in [key for key in table if table[key] != entry[key]]:
        if _is_long(entry[key]) or isinstance(table[key], tomlkit.items.Table):
            further[key] = entry[key]
            del table[key]
        else:
            table[key] = _item(entry[key])
    rewritten = _with_keys(tomlkit.dumps(document), place, further)
    if _means(rewritten, wanted):
        return rewritten
    inline = isinstance(table, tomlkit.items.InlineTable)  # or written in a way that is not found in the lines
    document["questionnaires"][place] = _inline(entry) if inline else _table(entry)
    return tomlkit.dumps(document)


def _with_keys(text: str, place: int, further: Mapping[str, Any]) -> str:
    """`text` with further keys at the end of the questionnaire at `place`."""
    lines = text.splitlines(keepends=True)
    heads = [number for number, line in enumerate(lines) if _ENTRY.match(line)]
    if not further or place >= len(heads):
        return text
    added = entry_text(further).partition("[[questionnaires]]\n")[2]
    return _with_lines(lines, _end_of_table(lines, heads[place]), added, apart=False)


def with_exclusion(text: str, exclusion: Mapping[str, Any]) -> str:
    """`text` with one more exclusion after those it has, or at the end; all else stays byte for byte where it can."""
    import tomlkit

    content = tomllib.loads(text)
    wanted = content | {"exclusions": [*content.get("exclusions", []), dict(exclusion)]}
    document: Any = tomlkit.document()
    document["exclusions"] = tomlkit.aot()
    document["exclusions"].append(_table(exclusion))
    lines = text.splitlines(keepends=True)
    heads = [number for number, line in enumerate(lines) if _EXCLUSION.match(line)]
    place = _end_of_table(lines, heads[-1]) if heads else len(lines)
    inserted = _with_lines(lines, place, tomlkit.dumps(document), apart=True)
    if _means(inserted, wanted):
        return inserted
    document = tomlkit.parse(text)
    document["exclusions"].append(_inline(exclusion))
    return tomlkit.dumps(document)


def with_turned_round(text: str, place: int, turned: Mapping[str, Any]) -> str:
    """`text` with one more item turned round in a file of the questionnaire at `place` (from 0)."""
    entry = tomllib.loads(text)["questionnaires"][place]
    return with_entry_rewritten(text, place, entry | {"turned_round": [*entry.get("turned_round", []), dict(turned)]})


def with_participants(text: str, ids: Sequence[str]) -> str:
    """`text` with further participant ids. Raises UsageError where a table, not study.toml, lists the participants."""
    import tomlkit

    document: Any = tomlkit.parse(text)
    who = document["participants"]
    if not who.get("ids") and who.get("file"):
        raise UsageError(f"{who['file']} lists the participants; add {', '.join(ids)} there.")
    if "ids" not in who:
        who["ids"] = tomlkit.array()
    for one in ids:
        who["ids"].append(one)
    return tomlkit.dumps(document)


def without_codings(text: str) -> str:
    """study.toml without the list of files of codings; comments stay."""
    import tomlkit

    document = tomlkit.parse(text)
    document["interviews"].pop("codings", None)
    return tomlkit.dumps(document)


def rewrite_study(study: Study, text: str) -> Study:
    """Put `text` in place of study.toml if the study can be read with it, and return that study.

    It is written aside and read first. Raises StudyError with every fault, and study.toml stays as it was.
    """
    handle, aside = tempfile.mkstemp(dir=study.folder, prefix=".study-", suffix=".toml")
    os.close(handle)
    try:
        write_atomically(Path(aside), text)
        checked = open_study(study.folder, Path(aside).name)
        write_atomically(study.path(STUDY_FILE), text)
    finally:
        Path(aside).unlink(missing_ok=True)
    return checked
