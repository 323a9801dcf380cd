"""What a researcher declares in TOML: strict models, and faults in words they can act on.

A model forbids unknown keys; the fault for an unknown key or value names the nearest known one.
The handbook page and the JSON schema of a file are made from the same models.
"""

from __future__ import annotations

import difflib
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ConfigDict, ValidationError

from workbench.errors import Finding, StudyError
from workbench.files import fault


class Declared(BaseModel):
    """A table of a TOML file: unknown keys are faults, values keep their type, nothing changes later."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, arbitrary_types_allowed=False)


Model = TypeVar("Model", bound=Declared)


def parse(model: type[Model], content: dict[str, Any], shown: str) -> Model:
    """`content` of the file `shown` as a `model`; StudyError with every fault at once."""
    try:
        return model.model_validate(content)
    except ValidationError as error:
        raise StudyError([_finding(model, detail, shown) for detail in error.errors(include_url=False)]) from None


def _finding(model: type[Declared], detail: Any, shown: str) -> Finding:
    place = key_path(detail["loc"])
    given = detail.get("input")
    match detail["type"]:
        case "extra_forbidden":
            known = sorted(_fields_at(model, detail["loc"][:-1]))
            found = f"“{detail['loc'][-1]}” is not a key of this table."
            return fault(shown, place, found, nearest(str(detail["loc"][-1]), known), "unknown key")
        case "missing":
            return fault(
                shown,
                place,
                "This key is needed and is not there.",
                "Add it; the handbook page on study files shows an example.",
                "missing key",
            )
        case "literal_error":
            choices = [choice.strip("' ") for choice in detail["ctx"]["expected"].replace(" or ", ", ").split(",")]
            return fault(
                shown,
                place,
                f"{given!r} is not one of the values that this key takes.",
                nearest(str(given), choices),
                "unknown value",
            )
        case "value_error":
            return fault(shown, place, str(detail["ctx"]["error"]), "", "wrong value")
        case _:
            message = detail["msg"].replace("Input should be", "This should be")
            return fault(shown, place, f"{message}; found {_brief(given)}.", "Correct the value.", "wrong value")


def nearest(word: str, known: list[str]) -> str:
    """A remedy that names the nearest of the `known` words, and all of them when they are few."""
    close = difflib.get_close_matches(word, known, n=1, cutoff=0.5)
    meant = f"Did you mean “{close[0]}”? " if close else ""
    if len(known) > 24 and close:
        return meant.strip()
    return f"{meant}Known here: {', '.join(known) if known else 'none'}."


def key_path(location: tuple[int | str, ...]) -> str:
    """("questionnaires", 1, "layout") as `questionnaires[2].layout`, counted from 1."""
    path = ""
    for part in location:
        path += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if path else str(part)
    return path


def _brief(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "…"


def _fields_at(model: type[Declared], location: tuple[int | str, ...]) -> set[str]:
    """The keys of the table at `location` below `model`."""
    here: Any = model
    for part in location:
        field = here.model_fields.get(str(part)) if isinstance(here, type) and issubclass(here, Declared) else None
        annotation = field.annotation if field else here
        inner = _model_within(annotation)
        here = inner if inner is not None else here
    return set(here.model_fields) if isinstance(here, type) and issubclass(here, Declared) else set()


def _model_within(annotation: Any) -> type[Declared] | None:
    if isinstance(annotation, type) and issubclass(annotation, Declared):
        return annotation
    for argument in get_args(annotation):
        found = _model_within(argument)
        if found is not None:
            return found
    return None
