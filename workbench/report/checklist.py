"""Reporting check-lists: what the data answer, what the researcher answered in reporting.toml, and what is still open."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path

from workbench.declared import nearest
from workbench.errors import Finding, StudyError
from workbench.files import fault, read_toml
from workbench.report.table import Column, Table

REPORTING_FILE = "reporting.toml"
STATES = {"data": "from the data", "answered": "answered", "open": "open"}


@dataclass(frozen=True, slots=True)
class Item:
    """An item of a standard; `id` such as "COREQ-12" names it in reporting.toml."""

    standard: str
    number: int
    topic: str
    asks: str

    @property
    def id(self) -> str:
        return f"{self.standard}-{self.number}"


@dataclass(frozen=True, slots=True)
class Standard:
    """A reporting standard. `from_memory` says that its items were recalled, not read."""

    id: str
    source: str
    from_memory: bool
    items: tuple[Item, ...]


@cache
def standards() -> tuple[Standard, ...]:
    """The standards, in the order of the check-list."""
    text = resources.files("workbench.report").joinpath("checklists.toml").read_text(encoding="utf-8")
    return tuple(
        Standard(one["id"], one["source"], one["from_memory"], tuple(Item(one["id"], *item) for item in one["items"]))
        for one in tomllib.loads(text)["standards"]
    )


def reporting_answers(folder: Path) -> dict[str, str]:
    """The answers in reporting.toml of a study folder, by item id; none where there is no such file.

    The file holds a table `answers` with lines such as `COREQ-1 = "The first author led all interviews."` Raises StudyError
    for ids that no standard has and answers that are no text.
    """
    path = folder / REPORTING_FILE
    if not path.exists():
        return {}
    content = read_toml(path, REPORTING_FILE)
    known = [item.id for standard in standards() for item in standard.items]
    faults: list[Finding] = [
        fault(
            REPORTING_FILE,
            key,
            f"“{key}” is not a table of this file.",
            "Answers stand under [answers].",
            "unknown key",
        )
        for key in content
        if key != "answers"
    ]
    answers = content.get("answers", {})
    if not isinstance(answers, dict):
        raise StudyError([fault(REPORTING_FILE, "answers", "No table stands here.", "Write [answers].", "wrong value")])
    for key, value in answers.items():
        if key not in known:
            faults.append(
                fault(
                    REPORTING_FILE,
                    f"answers.{key}",
                    f"No standard has an item “{key}”.",
                    nearest(key, known),
                    "unknown key",
                )
            )
        elif not isinstance(value, str):
            faults.append(
                fault(
                    REPORTING_FILE,
                    f"answers.{key}",
                    "Something other than text stands here.",
                    "Needed: text in quotes.",
                    "wrong value",
                )
            )
    if faults:
        raise StudyError(faults)
    return {key: value.strip() for key, value in answers.items() if value.strip()}


def checklist_table(filled: Mapping[str, str], answers: Mapping[str, str], wanted: Sequence[str]) -> Table:
    """A row per item of the `wanted` standards. An answer of the researcher stands before what the data say."""
    columns = (
        Column("standard", "Standard"),
        Column("item", "Item"),
        Column("topic", "Topic"),
        Column("asks", "What a reader wants to know"),
        Column("state", "State"),
        Column("answer", "Answer"),
    )
    chosen = [standard for standard in standards() if standard.id in wanted]
    rows = tuple(_row(item, filled, answers) for standard in chosen for item in standard.items)
    notes = [
        f"{standard.id}: {standard.source}.{' Items recalled from memory: check them against the source.' if standard.from_memory else ''}"
        for standard in chosen
    ]
    counted = ", ".join(f"{sum(row['state'] == state for row in rows)} {state}" for state in STATES.values())
    notes.append(
        f"{counted}. Items in words of our own; open ones are answered in {REPORTING_FILE} of the study folder."
    )
    return Table("checklist", "Reporting check-list", columns, rows, tuple(notes), ("standard",))


def _row(item: Item, filled: Mapping[str, str], answers: Mapping[str, str]) -> dict[str, object]:
    told = [text for text in (answers.get(item.id, ""), filled.get(item.id, "")) if text]
    state = "answered" if item.id in answers else "data" if item.id in filled else "open"
    return {
        "standard": item.standard,
        "item": str(item.number),
        "topic": item.topic,
        "asks": item.asks,
        "state": STATES[state],
        "answer": " ".join(told),
    }
