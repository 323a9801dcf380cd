"""Write the reference pages and JSON schemas of study.toml and of instrument files from their models.

Run `python tests/make_reference_pages.py` after changing a key; a test fails while they are not current.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

import annotated_types
from pydantic.fields import FieldInfo

from workbench.declared import Declared
from workbench.instrument import Id, Instrument, Number
from workbench.report.form import library_table
from workbench.report.table import to_markdown
from workbench.study import Declaration

PACKAGE = Path(__file__).parent.parent / "workbench"

STUDY_PAGE = """\
# study.toml, key by key

`study.toml` says what a study is, who took part, where the collected files are, and what the analysis plan is. It is a plain
text file in [TOML](https://toml.io), edited by hand; `workbench new` writes one to start from. `workbench check` names every
fault with its place, such as `plan.families[2].tests`: the key `tests` of the second `[[plan.families]]`.

How to read this page: `[table]` stands once, `[[table]]` once for each entry. In a key path, `[]` stands for an entry and `NAME`
for a name of your choice. A key without a default is needed. Text stands in quotes, dates and numbers do not; an id begins
with a letter and has letters, digits, `-` and `_`. Files are CSV or XLSX tables, named from the study folder on.

The hash of the analysis plan covers everything under `plan` but `plan.frozen` and `plan.departures`.
"""
INSTRUMENT_PAGE = """\
# Instrument files, key by key

An instrument file says how answers become scores: items, response formats and scales, in plain text ([TOML](https://toml.io)). It
is called after the instrument's id, and lies in the study's own `instruments` folder, which is looked up first, or in the library.

How to read this page: `[table]` stands once, `[[table]]` once for each entry. In a key path, `[]` stands for an entry and `NAME`
for a name of your choice. A key without a default is needed. Text stands in quotes, numbers do not; an id begins with a
letter and has letters, digits, `-` and `_`.
"""
LIBRARY_PAGE = """\
# Instruments of the library

`workbench instrument` lists them, `workbench instrument NAME` shows one as a participant reads it, and `--format html` makes a
page to print. `--scoring` adds the key. An instrument of your own lies in the study's `instruments` folder and wins over one of the
same name here; the page `instrument-toml` explains its keys.

Read source, licence and validation before you use one. Ours are unvalidated. Where the licence of a published one does not let its
wording be printed, items have short labels of our own: put the wording in from the source. Several are scored from memory and say
so: compare the key with the form you use. Say in your paper what you changed.

## Formats and how they are scored

| Format | In your table | Scored as |
|---|---|---|
| `likert`, `differential` | a point, or the words at it | the point; reversed: lowest + highest - point |
| `numeric` | a number | the number; where an end is open, it cannot be reversed and the score has no range |
| `choice` | a value or its words | the value |
| `yes_no` | 1 or 0, or the words | 1 or 0 |
| `tick`: a multiple choice | a column per option, 1 or 0; an empty cell is a missing answer, not a 0 | 1 or 0 each, or their sum: how many were ticked |
| `rank`: a ranking | a column per object with its place, 1 first | the place of each object, so lower is better placed |
| `pair`: which of two counts more | 1 or 2, or the words | not itself; how often an item was chosen is its weight |
| `text` | words | not scored |

A score needs as many answers as its key says or, where its source says nothing, all of them. The plan can ask for more or fewer.

## The library
"""


@dataclass(frozen=True, slots=True)
class Section:
    """A table of the file: its header in TOML, the path of its keys, its model, and an example of the whole."""

    header: str
    path: str
    model: type[Declared]
    example: Any


def pages() -> dict[Path, str]:
    """Every generated file and what it should hold."""
    return {
        PACKAGE / "handbook" / "study-toml.md": page(STUDY_PAGE, Declaration),
        PACKAGE / "handbook" / "instrument-toml.md": page(INSTRUMENT_PAGE, Instrument),
        PACKAGE / "handbook" / "instruments.md": f"{LIBRARY_PAGE}\n{to_markdown(library_table())}",
        PACKAGE / "schemas" / "study.schema.json": schema(Declaration, "study.toml"),
        PACKAGE / "schemas" / "instrument.schema.json": schema(Instrument, "Instrument file"),
    }


def schema(model: type[Declared], title: str) -> str:
    """The JSON schema of a file; dates are text in the form 2026-03-02, as JSON has none."""
    made = {"$schema": "https://json-schema.org/draft/2020-12/schema", **model.model_json_schema(), "title": title}
    return json.dumps(made, indent=2, ensure_ascii=False) + "\n"


def page(introduction: str, model: type[Declared]) -> str:
    return "\n".join([introduction, *(line for section in sections(model) for line in section_lines(section))])


def sections(model: type[Declared], path: str = "", example: Any = None, header: str = "") -> Iterator[Section]:
    """The tables of a file in its order, each followed by the tables inside it."""
    yield Section(header, path, model, example)
    for name, field in model.model_fields.items():
        inner, way = inner_table(field.annotation)
        if inner is not None:
            here = f"{header}.{name}".lstrip(".")
            below = f"{path}.{name}{way}".lstrip(".")
            yield from sections(inner, below, (field.examples or [None])[0], here + (".NAME" if way == ".NAME" else ""))


def inner_table(annotation: Any) -> tuple[type[Declared] | None, str]:
    """The model of a key that holds a table, and how its path goes on: "", "[]" for each entry, ".NAME" by name."""
    plain = without_none(annotation)
    if isinstance(plain, type) and issubclass(plain, Declared):
        return plain, ""
    ways = {list: (0, "[]"), dict: (1, ".NAME")}
    if get_origin(plain) in ways:
        place, way = ways[get_origin(plain)]
        inner = get_args(plain)[place]
        if isinstance(inner, type) and issubclass(inner, Declared):
            return inner, way
    return None, ""


def without_none(annotation: Any) -> Any:
    if get_origin(annotation) in (Union, UnionType):
        kept = [one for one in get_args(annotation) if one is not NoneType]
        return kept[0] if len(kept) == 1 else Union[tuple(kept)]  # noqa: UP007
    return annotation


def section_lines(section: Section) -> list[str]:
    title = table_header(section) if section.header else "The file itself"
    lines = [
        f"## {f'`{title}`' if section.header else title}",
        "",
        *(section.model.__doc__ or "").strip().splitlines(),
        "",
    ]
    if section.header and section.example is not None:
        lines += ["```toml", *whole_example(section), "```", ""]
    lines += ["| Key | Meaning | Type | Default | Example |", "|---|---|---|---|---|"]
    return [*lines, *(key_row(section, name, field) for name, field in section.model.model_fields.items()), ""]


def table_header(section: Section) -> str:
    return f"[[{section.header}]]" if section.path.endswith("[]") else f"[{section.header}]"


def whole_example(section: Section) -> list[str]:
    """An example of the table as it would stand in the file."""
    example = section.example
    header = section.header
    if section.path.endswith("[]"):
        example = example[0]
    elif section.path.endswith(".NAME"):
        name, example = next(iter(example.items()))
        header = f"{header.removesuffix('NAME')}{name}"
    opening = f"[[{header}]]" if section.path.endswith("[]") else f"[{header}]"
    return [opening, *(f"{key} = {toml(value)}" for key, value in example.items())]


def key_row(section: Section, name: str, field: FieldInfo) -> str:
    path = f"{section.path}.{name}".lstrip(".")
    meaning = field.description or ""
    example = f"`{name} = {toml((field.examples or [''])[0])}`"
    cells = [f"`{path}`", meaning, kind(field), default(field), example]
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def kind(field: FieldInfo) -> str:
    """The type of a key in plain words."""
    bounds = [limit for mark in field.metadata for limit in limits(mark)]
    if bounds == ["at least 1", "at most 1"]:
        return "always `1`"
    return ", ".join([in_words(field.annotation, field.metadata), *bounds])


def limits(mark: Any) -> Iterator[str]:
    for attribute, words in (("gt", "more than"), ("ge", "at least"), ("lt", "less than"), ("le", "at most")):
        if getattr(mark, attribute, None) is not None:
            yield f"{words} {getattr(mark, attribute)}"
    if isinstance(mark, annotated_types.MinLen):
        yield "not empty"


def in_words(annotation: Any, metadata: Any = ()) -> str:
    plain = without_none(annotation)
    if any(getattr(mark, "pattern", None) for mark in metadata):
        return "id"
    if get_origin(plain) is Annotated:
        inner, *marks = get_args(plain)
        if plain == Id:
            return "id"
        return " ".join([in_words(inner), *(limit for mark in marks for limit in limits_in(mark))])
    if plain == Number:
        return "number"
    if get_origin(plain) in (Union, UnionType):
        return " or ".join(in_words(one) for one in get_args(plain))
    if get_origin(plain) is Literal:
        return "one of " + ", ".join(f"`{toml(choice)}`" for choice in get_args(plain))
    if get_origin(plain) is list:
        return f"list of {plural(in_words(get_args(plain)[0]))}"
    if get_origin(plain) is dict:
        key, value = get_args(plain)
        return f"table: {in_words(key)} = {in_words(value)}"
    if isinstance(plain, type) and issubclass(plain, Declared):
        return "table, see below"
    words: dict[Any, str] = {str: "text", int: "whole number", float: "number", bool: "`true` or `false`", date: "date"}
    return words[plain]


def limits_in(mark: Any) -> Iterator[str]:
    yield from limits(mark)
    for inner in getattr(mark, "metadata", ()):
        yield from limits(inner)


def plural(words: str) -> str:
    return {"text": "texts", "id": "ids", "table, see below": "tables, see below"}.get(words, words)


def default(field: FieldInfo) -> str:
    """The default of a key; a key without one is needed."""
    if field.is_required():
        return "needed"
    value = field.get_default(call_default_factory=True)
    if value is None or isinstance(value, Declared) or value in ([], {}, ""):
        return "none"
    return f"`{toml(value)}`"


def toml(value: Any) -> str:
    """A value in TOML, in one line."""
    match value:
        case bool():
            return str(value).lower()
        case str():
            return json.dumps(value, ensure_ascii=False)
        case date():
            return value.isoformat()
        case dict():
            pairs = [
                f"{key if key.replace('_', '').isalnum() and key.isascii() else toml(key)} = {toml(inner)}"
                for key, inner in value.items()
            ]
            return f"{{ {', '.join(pairs)} }}"
        case list() | tuple():
            return f"[{', '.join(map(toml, value))}]"
        case _:
            return repr(value)


def main() -> None:
    for path, content in pages().items():
        path.parent.mkdir(exist_ok=True)
        path.write_text(content, encoding="utf-8")


if __name__ == "__main__":
    main()
