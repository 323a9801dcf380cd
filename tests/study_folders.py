"""A study folder in a temporary place, built from a few words: for the tests of everything that reads one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest
import tomlkit

from workbench.errors import Finding, StudyError
from workbench.study import Study, open_study

LIKERT = {"kind": "likert", "low": 1, "high": 7, "anchors": {"1": "Not at all", "7": "Completely"}}


def instrument(
    name: str,
    items: Sequence[str],
    *,
    reverse: Sequence[str] = (),
    response: Mapping[str, Any] = LIKERT,
    texts: Sequence[str] = (),
    scales: Sequence[Mapping[str, Any]] | None = None,
    **scale: Any,
) -> dict[str, Any]:
    """An instrument of `items` on one response format, and one scale of them all unless `scales` are given.

    `texts` are further items answered in words; further arguments are keys of the one scale.
    """
    rated = [{"id": item, "text": item, "response": "rating", "reverse": item in reverse} for item in items]
    return {
        "format": 1,
        "id": name,
        "version": "1",
        "title": name,
        "about": "a test",
        "language": "en",
        "source": "these tests",
        "licence": "MIT",
        "wording": "item numbers",
        "validation": "Unvalidated.",
        "responses": {"rating": dict(response)} | ({"words": {"kind": "text"}} if texts else {}),
        "items": rated + [{"id": item, "text": item, "response": "words"} for item in texts],
        "scales": list(scales) if scales is not None else [{"id": name, "label": name, "items": list(items)} | scale],
    }


def questionnaire(name: str, instruments: Sequence[str], **keys: Any) -> dict[str, Any]:
    """A questionnaire asked per condition, in a file called after it, a row per session, unless `keys` say other."""
    uses = [{"id": used, "version": "1"} for used in instruments]
    return {"id": name, "asked": "per_condition", "instruments": uses, "files": [f"{name}.csv"]} | keys


def study_in(
    folder: Path,
    *,
    instruments: Sequence[Mapping[str, Any]] = (),
    files: Mapping[str, str] | None = None,
    conditions: Sequence[str] = ("still", "slosh"),
    participants: Sequence[str] | Mapping[str, Any] = ("A01", "A02", "A03"),
    pilots: Sequence[str] = (),
    **sections: Any,
) -> Study:
    """The study in `folder`, after writing there: study.toml, `instruments` and `files`.

    Labels of conditions are their ids in words ("The still one"). `participants` are ids, or the whole table of that
    name; `sections` are further keys of study.toml.
    """
    declared = {
        "format": 1,
        "id": "tiny",
        "title": "A tiny study",
        "conditions": [{"id": one, "label": f"The {one} one"} for one in conditions],
        "participants": dict(who if isinstance(who := participants, Mapping) else {"ids": list(who)})
        | {"pilots": list(pilots)},
    }
    (folder / "instruments").mkdir(parents=True, exist_ok=True)
    for one in instruments:
        (folder / "instruments" / f"{one['id']}.toml").write_text(tomlkit.dumps(one), encoding="utf-8")
    for name, text in (files or {}).items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")
    (folder / "study.toml").write_text(tomlkit.dumps(declared | sections), encoding="utf-8")
    return open_study(folder)


def sheet(*rows: str) -> str:
    """Rows such as "participant condition q1" as CSV; a dot stands for an empty cell."""
    return "".join(",".join("" if cell == "." else cell for cell in row.split()) + "\n" for row in rows)


def faults_of(action: Any, *arguments: Any) -> list[Finding]:
    """The findings of the StudyError that `action` raises; every one of them blocks."""
    with pytest.raises(StudyError) as raised:
        action(*arguments)
    assert all(finding.severity == "blocks" for finding in raised.value.findings)
    return list(raised.value.findings)


def kinds(findings: Sequence[Finding]) -> list[str]:
    return [finding.kind for finding in findings]
