"""Codings to a project of the REFI-QDA standard, and back: texts are the transcripts, each with its working text.

What the standard has no place for is told in the description of each coded span: "about: still+slosh; stance: mixed; extent: unit;
round: main; codebook: 2".
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from urllib.parse import quote, unquote

from workbench.codebook.model import Codebook, Codebooks
from workbench.coding.exchange import CodedSpan, Project, Source, qdpx
from workbench.coding.placed import BESIDE, Arrived, Coded, LeftOut, SourceText

_REMARK = re.compile(r"(?:^|; )(about|stance|extent|round|codebook): ([^; ]*)")


def project_of(
    coded: Iterable[Coded], sources: Mapping[str, SourceText], codebooks: Codebooks, *, title: str, study: str
) -> bytes:
    """Codings as a QDPX file, with the texts they stand in and the newest codebook.

    Codes that only older versions have stand in it too. What the standard has no place for (conditions, stance, round and
    version) is told in the description of each coded span. Raises ArgumentError for codes that no version has.
    """
    spans = []
    used: dict[str, None] = {}
    for one in coded:
        source = sources[one.transcript]
        used[one.transcript] = None
        start, end = source.span(source.units[one.unit], one.start, one.end)
        spans.append(CodedSpan(one.transcript, start, end, one.code, one.rater, one.at, _remark(one)))
    texts = [Source(name, sources[name].text) for name in sources if name in used]
    return qdpx(title, study, _with_older_codes(codebooks), texts, spans)


def _with_older_codes(codebooks: Codebooks) -> Codebook:
    current = codebooks.current
    older = {one.code: one for version in codebooks.versions for one in version.codes if one.code not in current.names}
    return replace(current, codes=(*current.codes, *older.values()))


def _remark(one: Coded) -> str:
    told = {
        "about": "+".join(one.about),
        "stance": one.stance,
        "extent": "unit" if one.start is None else "words",
        "round": one.round,
        "codebook": one.version,
    }
    return "; ".join(f"{name}: {_escaped(value)}" for name, value in told.items() if value)


def _escaped(value: str) -> str:
    return re.sub(r"[%;\s]", lambda match: quote(match[0]), value)


def from_project(project: Project, sources: Mapping[str, SourceText]) -> Arrived:
    """The codings of a project whose texts are transcripts of the study, by position where the words are the same, or by words."""
    left, found = LeftOut(), []
    for note in project.notes:
        left.add(note.found, note.place)
    texts = {one.name: one.text for one in project.sources}
    for span in project.spans:
        place = f"{span.source}, {span.start} to {span.end}"
        source = _same_source(span.source, sources)
        told = {name: unquote(value) for name, value in _REMARK.findall(span.remark)}
        if source is None:
            left.add("codings of texts that are none of these transcripts", place)
        elif not span.code and "round" not in told:
            left.add("marked words without a code", place)
        elif (unit := _unit_of(span, texts[span.source], source, whole=told.get("extent") != "words")) is None:
            left.add("codings whose words are not found", place)
        else:
            if span.remark and not told:
                left.add("remarks beside codings (the codings themselves are taken)", place)
            found.append((place, _coded(span, told, source, *unit)))
    return Arrived(tuple(found), left)


def _coded(
    span: CodedSpan, told: Mapping[str, str], source: SourceText, unit: str, start: int | None, end: int | None
) -> Coded:
    about = tuple(one for one in told.get("about", "").split("+") if one)
    named = (span.by, told.get("round", ""), told.get("codebook", ""), span.code)
    stance = told.get("stance", "")
    return Coded(source.participant, source.name, unit, start, end, *named, about, stance, span.at)


def _same_source(name: str, sources: Mapping[str, SourceText]) -> SourceText | None:
    """The transcript of this name, with or without the ending of a file."""
    squeezed = {" ".join(one.split()): source for one, source in sources.items()}
    return squeezed.get(name) or squeezed.get(name.rpartition(".")[0])


def _unit_of(
    span: CodedSpan, text: str, source: SourceText, *, whole: bool
) -> tuple[str, int | None, int | None] | None:
    words = text[span.start : span.end]
    before, behind = text[max(0, span.start - BESIDE) : span.start], text[span.end : span.end + BESIDE]
    found = source.find(words, span.start, before, behind) or source.find(words.strip(), None)
    placed = source.unit_at(*found) if found else None
    if placed is None:
        return None
    unit, start, end = placed
    if whole and unit.text[start:end].strip() == unit.text.strip():
        return unit.id, None, None
    return unit.id, start, end
