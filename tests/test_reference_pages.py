"""The reference pages and schemas are current, complete, and their examples hold."""

from __future__ import annotations

import json
import re
import tomllib
from datetime import date
from pathlib import Path
from typing import Annotated, Any

import make_reference_pages as made
import pytest
from jsonschema import Draft202012Validator
from pydantic import TypeAdapter

from workbench.declared import Declared
from workbench.files import shipped
from workbench.instrument import Instrument, library
from workbench.study import Declaration
from workbench.template import DEFAULT_CONDITIONS, DEFAULT_INSTRUMENTS, new_study

HANDBOOK, SCHEMAS = made.PACKAGE / "handbook", made.PACKAGE / "schemas"
FILES: dict[type[Declared], tuple[Path, Path]] = {
    Declaration: (HANDBOOK / "study-toml.md", SCHEMAS / "study.schema.json"),
    Instrument: (HANDBOOK / "instrument-toml.md", SCHEMAS / "instrument.schema.json"),
}
SECTIONS = [(root, section) for root in FILES for section in made.sections(root)]
KEYS = [(root, section, name) for root, section in SECTIONS for name in section.model.model_fields]


def schema_of(root: type[Declared]) -> dict[str, Any]:
    content: dict[str, Any] = json.loads(FILES[root][1].read_text(encoding="utf-8"))
    return content


def plain(content: Any) -> Any:
    """TOML's values as JSON has them: dates become text."""
    if isinstance(content, dict):
        return {key: plain(value) for key, value in content.items()}
    if isinstance(content, list):
        return [plain(value) for value in content]
    return content.isoformat() if isinstance(content, date) else content


def errors(root: type[Declared], content: Any, model: type[Declared] | None = None, key: str = "") -> list[str]:
    """What the schema says against a whole file, or against the table of `model` or one key of it."""
    schema = schema_of(root)
    if model is not None and model is not root:
        schema["$ref"] = f"#/$defs/{model.__name__}" + (f"/properties/{key}" if key else "")
        schema = {name: schema[name] for name in ("$schema", "$defs", "$ref")}
    elif key:
        schema = {"$schema": schema["$schema"], "$defs": schema["$defs"], **schema["properties"][key]}
    return [one.message for one in Draft202012Validator(schema).iter_errors(plain(content))]


@pytest.mark.parametrize("path", made.pages(), ids=lambda path: path.name)
def test_the_files_are_current(path: Path) -> None:
    assert path.read_text(encoding="utf-8") == made.pages()[path], "run python tests/make_reference_pages.py"


@pytest.mark.parametrize("root", FILES)
def test_the_schemas_are_schemas_with_title_and_description(root: type[Declared]) -> None:
    schema = schema_of(root)
    Draft202012Validator.check_schema(schema)
    assert schema["title"]
    assert schema["description"]
    assert all(table["description"] for table in schema["$defs"].values())


@pytest.mark.parametrize(
    ("root", "section", "name"), KEYS, ids=[f"{one.path}.{name}".lstrip(".") for _, one, name in KEYS]
)
def test_every_key_has_a_description_and_an_example_that_holds(
    root: type[Declared], section: made.Section, name: str
) -> None:
    field = section.model.model_fields[name]
    assert field.description
    assert field.description.strip().endswith((".", "`."))
    assert field.examples
    declared: Any = Annotated[field.annotation, *field.metadata] if field.metadata else field.annotation
    adapter: TypeAdapter[Any] = TypeAdapter(declared)
    for example in field.examples:
        written = tomllib.loads(f"{name} = {made.toml(example)}")
        assert written == {name: example}
        adapter.validate_python(written[name], strict=True)
        assert errors(root, written[name], section.model, name) == []


@pytest.mark.parametrize(
    ("root", "section", "name"), KEYS, ids=[f"{one.path}.{name}".lstrip(".") for _, one, name in KEYS]
)
def test_every_key_has_its_row_on_the_page(root: type[Declared], section: made.Section, name: str) -> None:
    page = FILES[root][0].read_text(encoding="utf-8")
    path = f"{section.path}.{name}".lstrip(".")
    [row] = re.findall(rf"(?m)^\| `{re.escape(path)}` \|.*$", page)
    cells = re.split(r" (?<!\\)\| ", row.strip("| "))
    assert len(cells) == 5
    assert all(cell.strip() for cell in cells)
    example = cells[4].strip("`").replace("\\|", "|")
    assert list(tomllib.loads(example)) == [name]


@pytest.mark.parametrize("root", FILES)
def test_the_examples_of_whole_tables_hold(root: type[Declared]) -> None:
    page = FILES[root][0].read_text(encoding="utf-8")
    blocks = re.findall(r"```toml\n(.*?)```", page, flags=re.DOTALL)
    tables = [section for section in made.sections(root) if section.header]
    assert len(blocks) == len(tables)
    for block, section in zip(blocks, tables, strict=True):
        content: Any = tomllib.loads(block)
        for part in block.splitlines()[0].strip("[]").split("."):
            content = content[part][0] if isinstance(content[part], list) else content[part]
        section.model.model_validate(content)
        assert errors(root, content, section.model) == []


def test_the_page_names_the_tables_in_the_order_of_the_file() -> None:
    headings = re.findall(r"(?m)^## `(\[\[?[^\]]+\]\]?)`$", FILES[Declaration][0].read_text(encoding="utf-8"))
    tops = [heading.strip("[]") for heading in headings if "." not in heading]
    assert tops == [name for name, field in Declaration.model_fields.items() if made.inner_table(field.annotation)[0]]


def test_the_demo_study_validates() -> None:
    content = tomllib.loads((shipped("demo_responses") / "study.toml").read_text(encoding="utf-8"))
    assert errors(Declaration, content) == []
    for path in (shipped("demo_responses") / "instruments").glob("*.toml"):
        assert errors(Instrument, tomllib.loads(path.read_text(encoding="utf-8"))) == []


def test_a_new_study_validates(tmp_path: Path) -> None:
    new_study(tmp_path / "s", title="T", conditions=DEFAULT_CONDITIONS, participants=3, instruments=DEFAULT_INSTRUMENTS)
    assert errors(Declaration, tomllib.loads((tmp_path / "s" / "study.toml").read_text(encoding="utf-8"))) == []


@pytest.mark.parametrize("name", sorted(library()))
def test_every_shipped_instrument_validates(name: str) -> None:
    assert errors(Instrument, tomllib.loads(library()[name].read_text(encoding="utf-8"))) == []


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"titel": "x"}, "titel"),
        ({"format": 2}, "2"),
        ({"format": "1"}, "integer"),
        ({"conditions": []}, "non-empty"),
        ({"plan": {"level": "0.05"}}, "number"),
        ({"plan": {"families": [{"id": "a", "tests": "pair", "measures": ["m"]}]}}, "pair"),
    ],
)
def test_the_schema_refuses_what_the_model_refuses(change: dict[str, Any], told: str) -> None:
    base = {
        "format": 1,
        "id": "k",
        "title": "T",
        "conditions": [{"id": "a", "label": "A"}],
        "participants": {"ids": ["A01"]},
    }
    assert errors(Declaration, base) == []
    assert any(told in message for message in errors(Declaration, {**base, **change}))
    with pytest.raises(ValueError, match="validation error"):
        Declaration.model_validate({**base, **change})
