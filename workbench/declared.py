"""What a researcher declares in TOML: strict models, and faults in words they can act on.

A model forbids unknown keys; the fault for an unknown key or value names the nearest known one.
The handbook page and the JSON schema of a file are made from the same models.
"""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Sequence
from datetime import date
from types import NoneType, UnionType
from typing import Annotated, Any, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ConfigDict, ValidationError

from workbench.errors import Finding, StudyError
from workbench.files import fault

Location = tuple[int | str, ...]


class Declared(BaseModel):
    """A table of a TOML file: unknown keys are faults, values keep their type, nothing changes later."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=True, arbitrary_types_allowed=False, allow_inf_nan=False
    )


Model = TypeVar("Model", bound=Declared)


class Contradictions(ValueError):
    """Keys of one table that do not go together: (location below the table, what was found, what to do) of each."""

    def __init__(self, faults: Sequence[tuple[Location, str, str]]):
        self.faults = tuple(faults)
        super().__init__(" ".join(f"{found} {remedy}".strip() for _, found, remedy in faults))


_NEEDED = {
    "string_type": "text in quotes",
    "int_type": "a whole number",
    "float_type": "a number",
    "finite_number": "a number",
    "bool_type": "true or false, without quotes",
    "list_type": "a list: [ … ], or a table in double brackets for each entry",
    "dict_type": "a table with keys of its own",
    "model_type": "a table with keys of its own",
    "date_type": "a date without quotes and without a time, such as 2026-03-02",
    "string_pattern_mismatch": "a name of letters, digits, - and _ that begins with a letter",
    "string_too_short": "text that is not empty",
    "string_too_long": "text of at most {max_length} characters",
    "too_short": "a list with at least {min_length} entry",
    "greater_than": "more than {gt}",
    "greater_than_equal": "{ge} or more",
    "less_than": "less than {lt}",
    "less_than_equal": "{le} or less",
}
"""What is needed, by pydantic's type of error."""


def parse(model: type[Model], content: dict[str, Any], shown: str) -> Model:
    """`content` of the file `shown` as a `model`; StudyError with every fault at once."""
    try:
        return model.model_validate(content)
    except ValidationError as error:
        findings = [
            finding for detail in error.errors(include_url=False) for finding in _findings(model, detail, shown)
        ]
        raise StudyError(list(dict.fromkeys(findings))) from None


def _findings(model: type[Declared], detail: Any, shown: str) -> list[Finding]:
    if detail["type"] == "value_error" and isinstance(detail["ctx"]["error"], Contradictions):
        return [
            fault(shown, key_path((*detail["loc"], *location)), found, remedy, "wrong value")
            for location, found, remedy in detail["ctx"]["error"].faults
        ]
    return [_finding(model, detail, shown)]


def _finding(model: type[Declared], detail: Any, shown: str) -> Finding:
    location, declared = _declared_at(model, detail["loc"])
    place, given = key_path(location), detail.get("input")
    match detail["type"]:
        case "extra_forbidden":
            key = str(detail["loc"][-1])
            found = f"“{key}” is not a key of this table."
            known = sorted(declared.model_fields) if _is_table(declared) else []
            return fault(shown, key_path(detail["loc"]), found, nearest(key, known), "unknown key")
        case "missing":
            remedy = "Add it; the handbook page on this file shows an example."
            return fault(shown, place, "This key is needed and is not there.", remedy, "missing key")
        case "literal_error":
            choices = [str(choice) for choice in get_args(declared)]
            found = f"{_brief(given)} is not one of the values that this key takes."
            return fault(shown, place, found, nearest(str(given), choices), "unknown value")
        case "value_error":
            return fault(shown, place, str(detail["ctx"]["error"]), "", "wrong value")
        case kind:
            needed = _NEEDED.get(kind, detail["msg"]).format(**detail.get("ctx", {}))
            if kind == "int_type" and float in get_args(declared):
                needed = _NEEDED["float_type"]
            return fault(shown, place, f"{_brief(given)} stands here.", f"Needed: {needed}.", "wrong value")


def nearest(word: str, known: Sequence[str]) -> str:
    """A remedy that names the nearest of the `known` words, and all of them when they are few."""
    by_lower_case = {name.casefold(): name for name in known}
    close = difflib.get_close_matches(word.casefold(), by_lower_case, n=1, cutoff=0.5)
    meant = f"Did you mean “{by_lower_case[close[0]]}”? " if close else ""
    if len(known) > 24 and close:
        return meant.strip()
    return f"{meant}Known here: {', '.join(known) if known else 'none'}."


def key_path(location: Location) -> str:
    """("questionnaires", 1, "items", "Q1. Heavy") as `questionnaires[2].items."Q1. Heavy"`, counted from 1."""
    path = ""
    for part in location:
        if isinstance(part, int):
            path += f"[{part + 1}]"
        else:
            bare = re.fullmatch(r"[A-Za-z0-9_-]+", part)
            path += ("." if path else "") + (part if bare else json.dumps(part, ensure_ascii=False))
    return path


def _brief(value: object) -> str:
    match value:
        case bool():
            text = str(value).lower()
        case date():
            text = str(value)
        case _:
            text = repr(value)
    return text if len(text) <= 60 else text[:57] + "…"


def _declared_at(model: type[Declared], location: Location) -> tuple[Location, Any]:
    """How far `location` goes below `model`, and the type declared there.

    Pydantic ends some locations with marks of its own ("[key]", the branch of a union), which no file holds.
    """
    here: Any = model
    for depth, part in enumerate(location):
        inner = _declared_within(here, part)
        if inner is None:
            return location[:depth], here
        here = inner
    return location, here


def _declared_within(declared: Any, part: int | str) -> Any:
    """The type of a table's key, a list's entry or a named table, None where there is none such."""
    if _is_table(declared):
        field = declared.model_fields.get(part)
        return _plain_type(field.annotation) if field else None
    inside = get_args(declared)
    if get_origin(declared) is list and isinstance(part, int):
        return _plain_type(inside[0])
    return _plain_type(inside[1]) if get_origin(declared) is dict else None


def _plain_type(annotation: Any) -> Any:
    """A type without what may be left out (None) and without its constraints."""
    if get_origin(annotation) is Annotated:
        return _plain_type(get_args(annotation)[0])
    if get_origin(annotation) in (Union, UnionType):
        kept = [one for one in get_args(annotation) if one is not NoneType]
        return _plain_type(kept[0]) if len(kept) == 1 else annotation
    return annotation


def _is_table(declared: Any) -> bool:
    return isinstance(declared, type) and issubclass(declared, Declared)
