"""Ids of numbers, and sentences whose numbers carry theirs.

An id is "table/row/column": a table of the results folder, the row by the columns that name it, and the key of the
column. Inside `traced` the numbers of sentences carry their ids: each stands between characters that Unicode keeps for
a program's own use, and whatever is written for people passes `plain` or `pieces`, so that nobody sees them. Outside
it sentences are plain text.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar

OPEN, MIDDLE, CLOSE = "\ufdd0", "\ufdd1", "\ufdd2"
_MARKED = re.compile(f"{OPEN}([^{OPEN}{MIDDLE}{CLOSE}]*){MIDDLE}([^{OPEN}{MIDDLE}{CLOSE}]*){CLOSE}")
_MARKS = re.compile(f"[{OPEN}{MIDDLE}{CLOSE}]")
_LONGEST_NAME = 60

PLAN = "plan"
"""The table of numbers that study.toml states or that count what stands there."""

ROW_KEYS: Mapping[str, tuple[str, ...]] = {
    PLAN: ("key",),
    "participants": ("step",),
    "missing": ("questionnaire", "participant", "setting"),
    "missing_items": ("questionnaire", "instrument", "item"),
    "complete_cases": ("measure",),
    "measures": ("measure",),
    "scores": ("measure", "participant", "condition", "occasion"),
    "scales": ("scale",),
    "reliability": ("scale", "setting"),
    "reliability_levels": ("scale",),
    "items": ("scale", "setting", "item"),
    "headlines": ("measure",),
    "descriptives": ("measure", "condition"),
    "described": ("measure", "occasion"),
    "omnibus": ("measure",),
    "pairs": ("measure", "first", "second"),
    "contrasts": ("measure", "contrast"),
    "factors": ("measure", "factors", "label"),
    "equivalence": ("measure", "first", "second"),
    "anova": ("measure",),
    "robustness": ("measure", "test", "choice"),
    "robustness_summary": ("measure", "test"),
    "order_effects": ("measure",),
    "order_balance": ("kind", "condition", "place"),
    "order_values": ("measure", "kind", "condition", "place"),
    "first_exposure": ("measure", "pair"),
    "preference": ("condition",),
    "preference_tests": ("test",),
    "preference_pairs": ("first", "second"),
    "preference_worth": ("condition",),
    "agreement_rounds": ("round",),
    "agreement": ("round", "code"),
    "agreement_by_round": ("code",),
    "agreement_about": ("round", "code"),
    "agreement_spans": ("round", "code"),
    "agreement_drift": ("round", "what"),
    "agreement_sample": ("round", "code"),
    "agreement_confusions": ("round", "first", "second"),
    "agreement_disagreements": ("round", "disagreement", "codes", "who"),
    "agreement_hard_units": ("round", "unit"),
    "agreement_words": ("round", "word"),
    "joint": ("construct",),
    "joint_quotes": ("construct", "side"),
    "links": ("construct", "code", "condition"),
    "codes_across": ("code",),
    "side_by_side": ("construct", "row"),
    "side_by_side_numbers": ("construct", "condition", "code"),
    "code_by_condition": ("code",),
    "code_stances": ("code", "condition"),
    "code_exemplars": ("code", "condition"),
    "participants_by_code": ("participant",),
    "participants_by_theme": ("participant",),
    "saturation": ("base", "run", "threshold"),
    "saturation_curve": ("interviews",),
    "checklist": ("standard", "item"),
    "self_check": ("document", "place"),
}
"""The columns that name a row; of a table that is not here rows are named by their number."""


_traced: ContextVar[bool] = ContextVar("traced", default=False)


@contextmanager
def traced() -> Iterator[None]:
    """Sentences made inside remember the ids of their numbers."""
    token = _traced.set(True)
    try:
        yield
    finally:
        _traced.reset(token)


def row_name(*values: object) -> str:
    """Values that name a row as one word of an id: "weight_realism.Still.Slosh"; empty ones are left out."""
    words = (re.sub(r"[^\w-]+", "_", str(value)).strip("_")[:_LONGEST_NAME] for value in values)
    return ".".join(word for word in words if word) or "row"


def row_names(table: str, rows: Sequence[Mapping[str, object]]) -> list[str]:
    """The name of each row of a table, each different from all others."""
    keys = ROW_KEYS.get(table)
    names, seen = [], dict[str, int]()
    for number, row in enumerate(rows, start=1):
        name = row_name(*(row.get(key, "") for key in keys)) if keys else f"row{number}"
        seen[name] = seen.get(name, 0) + 1
        names.append(name if seen[name] == 1 else f"{name}.{seen[name]}")
    return names


def number_id(table: str, row: str, column: str) -> str:
    return f"{table}/{row}/{column}"


def number(identity: str, shown: str) -> str:
    """`shown`, which inside `traced` remembers its id."""
    return f"{OPEN}{identity}{MIDDLE}{_MARKS.sub('', shown)}{CLOSE}" if _traced.get() else shown


def cell(table: str, row: Sequence[object], column: str, shown: str) -> str:
    """What is shown of a cell of a table, with its id; `row` are the values that name the row."""
    return number(number_id(table, row_name(*row), column), shown)


def pieces(text: str) -> list[tuple[str, str]]:
    """`text` as (words, id) in order; the id is "" for words around numbers."""
    found, place = [], 0
    for match in _MARKED.finditer(text):
        found += [(text[place : match.start()], ""), (match[2], match[1])]
        place = match.end()
    found.append((text[place:], ""))
    return [(_MARKS.sub("", words), identity) for words, identity in found if words]


def plain(text: str) -> str:
    """`text` as people read it."""
    return _MARKS.sub("", _MARKED.sub(r"\2", text)) if OPEN in text or MIDDLE in text or CLOSE in text else text


def ids_in(text: str) -> list[str]:
    """The ids of the numbers in a sentence, in order."""
    return [match[1] for match in _MARKED.finditer(text)]
