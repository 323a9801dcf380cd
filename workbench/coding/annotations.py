"""Codings as W3C Web Annotations, one to a line of JSON, out and in.

By the Web Annotation Data Model (W3C Recommendation, 23 February 2017). The words are told twice, as the Recommendation has it for
one segment told in different ways: a TextPositionSelector and a TextQuoteSelector side by side. One inside the other (`refinedBy`)
would look for the quote's prefix and suffix within the words themselves; it is read all the same. Positions are code points.

A code, a condition and a stance are bodies named by IRIs of this program, with the code's label beside them for people. What the
Recommendation has no term for (unit, round, version of the codebook) are terms of an own context, which it allows. A unit
that was rated without a code is an annotation without a body.
"""

from __future__ import annotations

import json
import re
import uuid
from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote, unquote

from workbench.coding.codings import CONSENSUS, STANCES
from workbench.coding.placed import Arrived, Coded, LeftOut, SourceText
from workbench.errors import StudyError
from workbench.files import fault, normalized, read_text

ANNOTATIONS = "http://www.w3.org/ns/anno.jsonld"
OWN = "workbench"
CONTEXT = [ANNOTATIONS, {OWN: "urn:x-study-workbench:term:"}]
LONGEST_LINE = 1_000_000
_IRI = re.compile(r"urn:x-study-workbench:[^:]*:(code|condition|stance|rater|transcript):(.*)")
_IDS = uuid.UUID("7d0f5f0a-53a5-5a0c-9a3e-0d1f5f3a8c21")
"""Under which the ids of annotations are made, so that one coding has the same in every export of a study."""
_CLASSIFIES = ("classifying", "tagging")


def _iri(study: str, kind: str, name: str) -> str:
    return f"urn:x-study-workbench:{quote(study, safe='')}:{kind}:{quote(name, safe='')}"


# --------------------------------------------------------------------------------------------- out


def annotation_lines(
    coded: Iterable[Coded], sources: Mapping[str, SourceText], *, study: str, labels: Mapping[str, str]
) -> Iterator[str]:
    """Each coding as a line of JSON; `study` is the study's id, `labels` are codes in words."""
    for one in coded:
        told = annotation(one, sources[one.transcript], study=study, labels=labels)
        yield json.dumps(told, ensure_ascii=False) + "\n"


def annotation(one: Coded, source: SourceText, *, study: str, labels: Mapping[str, str]) -> dict[str, Any]:
    """A coding as an annotation."""
    own = {
        "participant": one.participant,
        "unit": one.unit,
        "extent": "unit" if one.start is None else "words",
        "round": one.round,
        "codebook_version": one.version,
    }
    kind = "Organization" if one.rater == CONSENSUS else "Person"
    creator = {"id": _iri(study, "rater", one.rater), "type": kind, "name": one.rater, "nickname": one.rater}
    told: dict[str, Any] = {
        "@context": CONTEXT,
        "id": uuid.uuid5(_IDS, "\x1f".join(map(str, (study, *_place(one), one.rater, one.round, one.version)))).urn,
        "type": "Annotation",
        "motivation": "classifying" if one.code else "assessing",
        "creator": creator,
        "target": _target(one, source, study),
    }
    if one.at:
        told["created"] = _in_utc(one.at)
    if one.code:
        told["body"] = list(_bodies(one, study, labels))
    return told | {f"{OWN}:{name}": value for name, value in own.items()}


def _place(one: Coded) -> tuple[object, ...]:
    return one.transcript, one.unit, one.start, one.end, one.code, *one.about


def _bodies(one: Coded, study: str, labels: Mapping[str, str]) -> Iterator[dict[str, str]]:
    named = [("classifying", "code", one.code), *(("tagging", "condition", about) for about in one.about)]
    named += [("tagging", "stance", one.stance)] if one.stance else []
    for purpose, kind, name in named:
        yield {"type": "SpecificResource", "purpose": purpose, "source": _iri(study, kind, name)}
    words = labels.get(one.code) or one.code
    yield {"type": "TextualBody", "purpose": "tagging", "format": "text/plain", "value": words}


def _target(one: Coded, source: SourceText, study: str) -> dict[str, Any]:
    start, end = source.span(source.units[one.unit], one.start, one.end)
    prefix, suffix = source.beside(start, end)
    words = {"exact": source.text[start:end], "prefix": prefix, "suffix": suffix}
    return {
        "type": "SpecificResource",
        "source": {
            "id": _iri(study, "transcript", one.transcript),
            "type": "Text",
            "format": "text/plain",
            "language": source.language,
        },
        "selector": [
            {"type": "TextPositionSelector", "start": start, "end": end},
            {"type": "TextQuoteSelector", **words},
        ],
    }


def _in_utc(at: str) -> str:
    return datetime.fromisoformat(at).astimezone(UTC).isoformat().replace("+00:00", "Z")


# ---------------------------------------------------------------------------------------------- in


def read_annotations(path: Path, shown: str, sources: Mapping[str, SourceText], labels: Mapping[str, str]) -> Arrived:
    """The codings in a file of annotations, one to a line; by `labels`, codes in words, others may name them.

    What is no coding, or names no place in the transcripts, is left out and told. Words that moved are found by their quote.
    Raises StudyError where a line is no JSON object or the file is none at all.
    """
    reading = _Reading(sources, {words: code for code, words in labels.items()} | {code: code for code in labels})
    faults = []
    for number, line in enumerate(read_text(path, shown).split("\n"), start=1):
        if not line.strip():
            continue
        told = _object(line)
        if told is None:
            remedy = "Each line is one annotation as JSON."
            faults.append(fault(shown, f"line {number}", "This line is no JSON object.", remedy))
        else:
            reading.add(f"line {number}", told)
    if faults:
        raise StudyError(faults[:12])
    return Arrived(tuple(reading.codings), reading.left_out)


def _object(line: str) -> dict[str, Any] | None:
    try:
        told = json.loads(line) if len(line) <= LONGEST_LINE else None
    except (ValueError, RecursionError):
        return None
    return told if isinstance(told, dict) else None


class _Reading:
    def __init__(self, sources: Mapping[str, SourceText], codes: Mapping[str, str]):
        self.sources, self.codes = sources, codes
        self.codings: list[tuple[str, Coded]] = []
        self.left_out = LeftOut()

    def add(self, place: str, told: Mapping[str, Any]) -> None:
        """Take one annotation, or say why not."""
        source = self._source(told)
        if "Annotation" not in _listed(told.get("type")):
            self.left_out.add("no annotations", place)
        elif source is None:
            self.left_out.add("annotations of something that is none of these transcripts", place)
        elif (found := self._where(told, source)) is None:
            self.left_out.add("codings whose words are not found", place)
        else:
            self._add_coding(place, told, source, *found)

    def _source(self, told: Mapping[str, Any]) -> SourceText | None:
        """The transcript of the one target."""
        targets = _listed(told.get("target"))
        target = targets[0] if len(targets) == 1 else None
        named = _id(target.get("source")) if isinstance(target, dict) else ""
        own = _IRI.fullmatch(named)
        if own:
            return self.sources.get(unquote(own[2])) if own[1] == "transcript" else None
        file = unquote(_last(named))
        return self.sources.get(file) or self.sources.get(file.rpartition(".")[0])

    def _where(self, told: Mapping[str, Any], source: SourceText) -> tuple[str, int | None, int | None] | None:
        """The unit, and the place in it (None, None for all of it)."""
        (target,) = _listed(told.get("target"))
        selectors = {str(one.get("type")): one for one in _selectors(target.get("selector"))}
        position, quoted = selectors.get("TextPositionSelector", {}), selectors.get("TextQuoteSelector", {})
        start, end = (_position(position.get(name)) for name in ("start", "end"))
        exact, prefix, suffix = (_words(quoted.get(name)) for name in ("exact", "prefix", "suffix"))
        if exact:
            found = source.find(exact, start, prefix, suffix)
        else:
            found = (start, end) if start is not None and end is not None and start < end else None
        placed = source.unit_at(*found) if found else None
        if placed is None:
            return None
        unit, begin, until = placed
        whole = unit.text[begin:until].strip() == unit.text.strip() and _own(told, "extent") != "words"
        return (unit.id, None, None) if whole else (unit.id, begin, until)

    def _add_coding(
        self, place: str, told: Mapping[str, Any], source: SourceText, unit: str, start: int | None, end: int | None
    ) -> None:
        named: dict[str, list[str]] = {"code": [], "condition": [], "stance": []}
        unread = 0
        for kind, name in self._named(told):
            if kind in named:
                named[kind].append(name)
            else:
                unread += 1
        codes, stances = list(dict.fromkeys(named["code"])), [one for one in named["stance"] if one in STANCES]
        if not codes and (unread or _own(told, "unit") == ""):
            self.left_out.add("annotations that name no code", place)
            return
        if unread:
            self.left_out.add("remarks beside codings (the codings themselves are taken)", place)
        for code in codes or [""]:
            one = Coded(
                source.participant,
                source.name,
                unit,
                start,
                end,
                _creator(told),
                _own(told, "round"),
                _own(told, "codebook_version"),
                code,
                tuple(named["condition"]) if code else (),
                stances[0] if code and stances else "",
                _time(told.get("created")),
            )
            self.codings.append((place, one))

    def _named(self, told: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
        """(kind, name) of each body: a code, a condition, a stance, or ("", "") where it is none of these.

        The words of a code beside its IRI say nothing more and are passed over.
        """
        bodies = [*_listed(told.get("body")), *({"value": one} for one in _listed(told.get("bodyValue")))]
        iris = [_IRI.fullmatch(_id(one.get("source") or one) if isinstance(one, dict) else str(one)) for one in bodies]
        named = {unquote(one[2]) for one in iris if one and one[1] == "code"}
        motivation = next(iter(_listed(told.get("motivation"))), "")
        for body, iri in zip(bodies, iris, strict=True):
            if iri:
                yield iri[1], unquote(iri[2])
                continue
            value = body.get("value") if isinstance(body, dict) else None
            purpose = body.get("purpose", motivation) if isinstance(body, dict) else motivation
            words = _words(value).strip()
            code = self.codes.get(words, words) if purpose in (*_CLASSIFIES, "") else ""
            if not code or (named and code not in named):
                yield "", ""
            elif not named:
                yield "code", code


def _listed(value: Any) -> list[Any]:
    return value if isinstance(value, list) else [] if value is None else [value]


def _id(value: Any) -> str:
    told = value.get("id", value.get("@id", "")) if isinstance(value, dict) else value
    return told if isinstance(told, str) else ""


def _last(iri: str) -> str:
    return re.split(r"[#?]", iri)[0].rstrip("/").rpartition("/")[2]


def _selectors(value: Any) -> Iterator[dict[str, Any]]:
    """Selectors, those that refine others too."""
    for one in _listed(value)[:20]:
        if isinstance(one, dict):
            yield one
            yield from _selectors(one.get("refinedBy"))


def _position(value: Any) -> int | None:
    return value if type(value) is int and value >= 0 else None


def _words(value: Any) -> str:
    return normalized(value) if isinstance(value, str) else ""


def _own(told: Mapping[str, Any], name: str) -> str:
    value = told.get(f"{OWN}:{name}", "")
    return value if isinstance(value, str) else ""


def _creator(told: Mapping[str, Any]) -> str:
    creator = next(iter(_listed(told.get("creator"))), "")
    own = _IRI.fullmatch(_id(creator))
    if own and own[1] == "rater":
        return unquote(own[2])
    name = creator.get("nickname") or creator.get("name") if isinstance(creator, dict) else creator
    return name if isinstance(name, str) else ""


def _time(value: Any) -> str:
    try:
        at = datetime.fromisoformat(value) if isinstance(value, str) else None
    except ValueError:
        return ""
    return at.isoformat() if at is not None and at.tzinfo is not None else ""
