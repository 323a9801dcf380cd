"""Codings as Web Annotations: against the structure of the W3C Recommendation, out and in again, and what strangers may send."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest
from hostile_interviews import PLAIN, hostile_study

from workbench.codebook.model import Code, Codebook
from workbench.coding.annotations import annotation_lines, read_annotations
from workbench.coding.codings import CODING_COLUMNS
from workbench.coding.exchange import CodedSpan, Project, Source, read_qdpx
from workbench.coding.incoming import labels_of, read_arrived
from workbench.coding.material import read_material
from workbench.coding.outgoing import export_codings
from workbench.coding.placed import coded_of, coding_rows, source_texts
from workbench.coding.projects import from_project
from workbench.coding.reading import read_decided
from workbench.errors import StudyError, UsageError
from workbench.study import open_study

DEMO = Path(__file__).parent.parent.parent / "demo_responses"

IRI = {"type": "string", "pattern": r"^[a-z][a-z0-9+.-]*:[^\s<>\"{}|\\^`]+$"}
RECOMMENDATION = {
    "type": "object",
    "required": ["@context", "id", "type", "target"],
    "properties": {
        "@context": {
            "type": "array",
            "minItems": 2,
            "contains": {"const": "http://www.w3.org/ns/anno.jsonld"},
        },
        "id": IRI,
        "type": {"const": "Annotation"},
        "motivation": {"enum": ["classifying", "assessing"]},
        "created": {"type": "string", "pattern": r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z$"},
        "creator": {
            "type": "object",
            "required": ["id", "type", "name"],
            "properties": {"id": IRI, "type": {"enum": ["Person", "Organization", "Software"]}},
        },
        "body": {
            "type": "array",
            "items": {
                "oneOf": [
                    {
                        "required": ["type", "source", "purpose"],
                        "properties": {
                            "type": {"const": "SpecificResource"},
                            "source": IRI,
                            "purpose": {"enum": ["classifying", "tagging"]},
                        },
                        "additionalProperties": False,
                    },
                    {
                        "required": ["type", "value"],
                        "properties": {
                            "type": {"const": "TextualBody"},
                            "value": {"type": "string"},
                            "purpose": {"const": "tagging"},
                            "format": {"const": "text/plain"},
                        },
                        "additionalProperties": False,
                    },
                ]
            },
        },
        "target": {
            "type": "object",
            "required": ["source", "selector"],
            "properties": {
                "type": {"const": "SpecificResource"},
                "source": {"type": "object", "required": ["id"], "properties": {"id": IRI}},
                "selector": {
                    "type": "array",
                    "prefixItems": [
                        {
                            "required": ["type", "start", "end"],
                            "properties": {
                                "type": {"const": "TextPositionSelector"},
                                "start": {"type": "integer", "minimum": 0},
                                "end": {"type": "integer", "minimum": 0},
                            },
                            "additionalProperties": False,
                        },
                        {
                            "required": ["type", "exact", "prefix", "suffix"],
                            "properties": {
                                "type": {"const": "TextQuoteSelector"},
                                "exact": {"type": "string"},
                                "prefix": {"type": "string"},
                                "suffix": {"type": "string"},
                            },
                            "additionalProperties": False,
                        },
                    ],
                    "items": False,
                },
            },
        },
    },
    "patternProperties": {"^workbench:[a-z_]+$": {"type": "string"}},
    "additionalProperties": False,
}
"""What the Web Annotation Data Model asks of what is written here: sections 3.1 (Annotations), 3.2.4 (Textual Body), 3.3.1 and 3.3.2
(created, agents), 4 (Specific Resources), 4.2.4 and 4.2.5 (selectors)."""


@pytest.fixture(scope="module")
def demo():
    study = open_study(DEMO)
    material = read_material(study)
    return read_decided(study, material), material


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    study = hostile_study(tmp_path_factory.mktemp("hostile"))
    material = read_material(study)
    return read_decided(study, material), material


def rows_of(decided) -> list[dict]:
    return sorted(decided.rows[list(CODING_COLUMNS)].to_dict("records"), key=str)


def told(decided, material, **keys) -> list[dict]:
    content = export_codings("annotations", decided, material, own_use=True, **keys).content
    return [json.loads(line) for line in content.splitlines()]


def read_back(path: Path, lines: list[dict], material):
    path.write_text("".join(json.dumps(one) + "\n" for one in lines), encoding="utf-8")
    return read_annotations(path, path.name, source_texts(material), labels_of(material))


@pytest.mark.parametrize("which", ["demo", "hostile"])
def test_annotations_are_what_the_recommendation_asks_for(which, request):
    decided, material = request.getfixturevalue(which)
    lines = told(decided, material)
    assert len(lines) == len(decided.rows)
    checker = jsonschema.Draft202012Validator(RECOMMENDATION)
    assert [error.message for one in lines for error in checker.iter_errors(one)] == []
    assert len({one["id"] for one in lines}) == len(lines)


@pytest.mark.parametrize("which", ["demo", "hostile"])
@pytest.mark.parametrize("kind", ["annotations", "qdpx"])
def test_codings_come_back_as_they_went(which, kind, request, tmp_path):
    decided, material = request.getfixturevalue(which)
    made = export_codings(kind, decided, material, own_use=True)
    path = tmp_path / {"annotations": "a.jsonl", "qdpx": "a.qdpx"}[kind]
    path.write_bytes(made.content if isinstance(made.content, bytes) else made.content.encode())
    arrived = read_arrived(path, path.name, material)
    back = coding_rows(one for _, one in arrived.codings)
    assert sorted(back, key=str) == rows_of(decided)
    assert arrived.left_out.places == {}
    assert made.lost == 0


def test_positions_are_code_points_that_select_the_quoted_words(hostile):
    decided, material = hostile
    sources = source_texts(material)
    for one in told(decided, material):
        position, quoted = one["target"]["selector"]
        text = sources[one["workbench:participant"]].text
        assert text[position["start"] : position["end"]] == quoted["exact"]
        around = quoted["prefix"] + quoted["exact"] + quoted["suffix"]
        assert text[position["start"] - len(quoted["prefix"]) :].startswith(around)
    words = [one["target"]["selector"][1]["exact"] for one in told(decided, material)]
    assert {"=SUM(A1)", "/b>, ", "כבד"} <= set(words)


def test_no_name_of_a_speaker_stands_in_the_text(hostile):
    _, material = hostile
    text = source_texts(material)["A01"].text
    assert text.startswith("Interviewer: <script>")
    assert "\n\nA01: " in text


def test_the_same_codings_give_the_same_lines(hostile):
    decided, material = hostile
    assert told(decided, material) == told(decided, material)


def test_a_time_is_told_in_utc_and_read_again(hostile, tmp_path):
    decided, material = hostile
    sources = source_texts(material)
    (one, *_), _ = coded_of(decided.rows, sources)
    timed = replace(one, at="2026-03-02T10:30:00.250+01:00")
    (line,) = annotation_lines([timed], sources, study="tiny", labels={})
    assert json.loads(line)["created"] == "2026-03-02T09:30:00.250000Z"
    ((_, back),) = read_back(tmp_path / "a.jsonl", [json.loads(line)], material).codings
    assert back.at == "2026-03-02T09:30:00.250000+00:00"


def test_words_that_moved_are_found_by_their_quote_and_those_that_are_gone_are_told(hostile, tmp_path):
    decided, material = hostile
    lines = told(decided, material)
    for one in lines:
        position = one["target"]["selector"][0]
        position["start"], position["end"] = position["start"] + 3, position["end"] + 3
    arrived = read_back(tmp_path / "a.jsonl", lines, material)
    assert sorted(coding_rows(one for _, one in arrived.codings), key=str) == rows_of(decided)
    lines[0]["target"]["selector"][1]["exact"] = "words nobody said"
    assert read_back(tmp_path / "a.jsonl", lines, material).left_out.places == {
        "codings whose words are not found": ["line 1"]
    }


def foreign(source: str, bodies, selector) -> dict:
    return {
        "@context": "http://www.w3.org/ns/anno.jsonld",
        "id": "http://example.org/1",
        "type": "Annotation",
        "creator": {"type": "Person", "name": "Ines"},
        "body": bodies,
        "target": {"source": source, "selector": selector},
    }


def test_annotations_of_others_are_read_by_words_and_labels(hostile, tmp_path):
    _, material = hostile
    quoted = {"type": "TextQuoteSelector", "exact": "כבד מאוד"}
    position = {"type": "TextPositionSelector", "start": 0, "end": 5000, "refinedBy": quoted}
    tag = {"type": "TextualBody", "purpose": "tagging", "value": "Weight"}
    remark = {"type": "TextualBody", "purpose": "commenting", "value": "really?"}
    lines = [
        foreign("https://example.org/texts/A02.txt", tag, quoted),
        foreign("A02", [tag, remark], position),
        foreign("A02", [remark], quoted),
        foreign("A77", tag, quoted),
        foreign("A02", tag, {"type": "TextQuoteSelector", "exact": "מה הרגשת?"}),
        {"type": "Note"},
    ]
    arrived = read_back(tmp_path / "a.jsonl", lines, material)
    assert [(one.unit, one.start, one.end, one.code, one.rater) for _, one in arrived.codings] == [
        ("A02-002", 9, 17, PLAIN, "Ines"),
        ("A02-002", 9, 17, PLAIN, "Ines"),
    ]
    assert arrived.left_out.places == {
        "remarks beside codings (the codings themselves are taken)": ["line 2"],
        "annotations that name no code": ["line 3"],
        "annotations of something that is none of these transcripts": ["line 4"],
        "codings whose words are not found": ["line 5"],
        "no annotations": ["line 6"],
    }


@pytest.mark.parametrize("line", ["{", "[]", "1", "null", "[" * 100_000, '"\\ud800"'])
def test_a_line_that_is_no_object_is_named(hostile, tmp_path, line):
    _, material = hostile
    path = tmp_path / "a.jsonl"
    path.write_text(f"{{}}\n{line}\n", encoding="utf-8")
    with pytest.raises(StudyError, match="line 2"):
        read_annotations(path, "a.jsonl", source_texts(material), {})


ODD = [None, 1, "x", [], {}, [[]], {"id": 3}, {"type": ["Annotation"]}, "\ud800", -1, 1e999]


@pytest.mark.parametrize(
    "key", ["type", "target", "body", "creator", "created", "motivation", "bodyValue", "workbench:unit"]
)
def test_odd_values_never_break_the_reading(hostile, tmp_path, key):
    decided, material = hostile
    first = told(decided, material)[0]
    lines = [first | {key: value} for value in ODD]
    lines += [first | {"target": first["target"] | {inner: value}} for inner in ("source", "selector") for value in ODD]
    arrived = read_back(tmp_path / "a.jsonl", lines, material)
    assert len(arrived.codings) + sum(map(len, arrived.left_out.places.values())) >= len(lines)


def test_participants_who_do_not_allow_sharing_are_left_out(tmp_path):
    study = hostile_study(tmp_path, share=["A01"])
    material = read_material(study)
    decided = read_decided(study, material)
    for kind in ("annotations", "qdpx"):
        made = export_codings(kind, decided, material)
        assert made.left_out == ("A02", "A03")
        assert made.n == 4
        whole = export_codings(kind, decided, material, own_use=True)
        assert (whole.left_out, whole.n) == ((), 8)
    assert "ZANZIBAR" not in export_codings("annotations", decided, material).content
    path = tmp_path / "p.qdpx"
    path.write_bytes(export_codings("qdpx", decided, material).content)
    assert [one.name for one in read_qdpx(path, "p.qdpx").sources] == ["A01"]


def test_nothing_that_may_leave_is_said(tmp_path):
    study = hostile_study(tmp_path, share=[])
    material = read_material(study)
    with pytest.raises(UsageError, match=r"None of 3 participants with codings allows sharing.*--for own-use"):
        export_codings("annotations", read_decided(study, material), material)


def test_a_project_of_others_is_read_by_its_words(hostile):
    _, material = hostile
    text = "Transcript of A02\n\nהסיר היה כבד מאוד, heavy ממש"
    at = text.index("כבד")
    spans = (
        CodedSpan("A02.txt", at, at + 3, "Weight", "Ines", "", "their remark"),
        CodedSpan("A02.txt", 0, 10, "Weight", "Ines"),
        CodedSpan("A02.txt", at, at + 3, ""),
        CodedSpan("other", 0, 3, "Weight"),
    )
    sources = (Source("A02.txt", text), Source("other", "abc"))
    arrived = from_project(Project("x", Codebook("1", (Code("Weight"),)), sources, spans), source_texts(material))
    assert [(one.unit, one.start, one.end, one.code, one.rater) for _, one in arrived.codings] == [
        ("A02-002", 9, 12, "Weight", "Ines")
    ]
    assert {why: len(places) for why, places in arrived.left_out.places.items()} == {
        "remarks beside codings (the codings themselves are taken)": 1,
        "codings whose words are not found": 1,
        "marked words without a code": 1,
        "codings of texts that are none of these transcripts": 1,
    }
