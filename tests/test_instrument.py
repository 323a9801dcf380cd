"""Instruments: what a file may say, what contradicts itself, and where instruments are looked up."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from workbench.declared import parse
from workbench.errors import Finding, StudyError
from workbench.files import shipped
from workbench.instrument import Instrument, ResponseFormat, find_instrument, library, read_instrument, score_range

BASE: dict[str, Any] = {
    "format": 1,
    "id": "real",
    "version": "1.0",
    "title": "Realism",
    "about": "About.",
    "language": "en",
    "source": "S",
    "licence": "MIT",
    "wording": "full",
    "validation": "None.",
    "responses": {"fit": {"kind": "likert", "low": 1, "high": 7}},
    "items": [{"id": name, "text": f"Item {name}", "response": "fit"} for name in ("i1", "i2", "i3")],
    "scales": [{"id": "s", "label": "S", "items": ["i1", "i2"]}],
}
WORDS = {"responses": {"fit": {"kind": "likert", "low": 1, "high": 7}, "free": {"kind": "text"}}}


def instrument(**changes: Any) -> Instrument:
    return parse(Instrument, {**BASE, **changes}, "real.toml")


def faults(**changes: Any) -> list[Finding]:
    with pytest.raises(StudyError) as caught:
        instrument(**changes)
    return list(caught.value.findings)


def scale(**keys: Any) -> dict[str, Any]:
    return {"scales": [{"id": "s", "label": "S", "items": ["i1", "i2"], **keys}]}


def item(**keys: Any) -> dict[str, Any]:
    """A third item with further keys."""
    return {"items": [*BASE["items"][:2], {**BASE["items"][2], **keys}]}


def response(**keys: Any) -> dict[str, Any]:
    return {"responses": {"fit": keys}}


# ------------------------------------------------------------------------------- contradictions


@pytest.mark.parametrize(
    ("changes", "place", "found"),
    [
        ({"items": BASE["items"] + BASE["items"][:1]}, "items", "The id “i1” is used 2 times."),
        ({"scales": BASE["scales"] * 3}, "scales", "The id “s” is used 3 times."),
        ({"items": [*BASE["items"][:2], {"id": "i3", "text": "t", "response": "fot"}]}, "items[3].response", "“fot” is no response format"),
        (scale(items=["i1", "j2"]), "scales[1].items", "“j2” is no item"),
        (scale(items=["i1", "i1"]), "scales[1].items", "“i1” stands 2 times."),
        (scale(score="weighted"), "scales[1].weights", "There are none."),
        (scale(score="weighted_mean"), "scales[1].weights", "There are none."),
        (scale(weights={"i1": 1, "i2": 2}), "scales[1].weights", 'The score is "mean".'),
        (scale(score="weighted_mean", weights_from="q"), "scales[1].weights_from", "“q” is no group"),
        (scale(score="weighted", weights={"i1": 1}), "scales[1].weights", "Weights are given for i1."),
        (scale(score="weighted", weights={"i1": 1, "i2": -1}), "scales[1].weights", "The weights add up to zero."),
        (scale(answers_needed=3), "scales[1].answers_needed", "3 answers are needed of 2 items."),
        (scale(answers_needed=0), "scales[1].answers_needed", "0 stands here."),
        (scale(multiply=0), "scales[1].multiply", "Every score would be the same."),
        (scale(items=[]), "scales[1].items", "[] stands here."),
        (response(kind="likert", low=1), "responses.fit", "low is 1, high is not given."),
        (response(kind="differential"), "responses.fit", "low is not given, high is not given."),
        (response(kind="numeric", low=3, high=3), "responses.fit", "low is 3, high is 3."),
        (response(kind="rank", low=1, high=2.5), "responses.fit", "no whole points"),
        (response(kind="likert", low=1, high=7, step=2), "responses.fit.step", "Marks need two ends."),
        (response(kind="numeric", low=1, step=2), "responses.fit.step", "Marks need two ends."),
        (response(kind="yes_no", low=0), "responses.fit.low", "A yes_no format has none."),
        (response(kind="yes_no", anchors={"1": "Ja"}), "responses.fit.anchors", "Only one of yes and no has words."),
        (response(kind="tick", anchors={"2": "Ja"}), "responses.fit.anchors.2", "outside the range"),
        (response(kind="likert", low=1, high=7, anchors={"1.5": "No"}), 'responses.fit.anchors."1.5"', "between two points"),
        (response(kind="yes_no", choices=[{"value": 1, "label": "a"}]), "responses.fit.choices", "A yes_no format has none."),
        (response(kind="tick"), "items[1].group", "A tick item stands under no question."),
        (response(kind="rank", low=1, high=3), "items[1].group", "A rank item stands under no question."),
        (response(kind="differential", low=1, high=7), "items[1].poles", "There are 0."),
        (response(kind="pair"), "items[1].pair", "It names 0 items."),
        (item(poles=["a", "b"]), "items[3].poles", "A likert item has none."),
        (item(pair=["i1", "i2"]), "items[3].pair", "A likert item has none."),
        (item(group="q"), "items[3].group", "“q” is no group"),
        ({"groups": {"q": {"text": "Q"}}}, "groups.q", "No item stands under it."),
        (response(kind="numeric", low=0) | item(reverse=True), "items[3].reverse", "cannot be reversed"),
        (response(kind="likert", low=7, high=1), "responses.fit", "low is 7, high is 1."),
        (response(kind="likert", low=1, high=1), "responses.fit", "low is 1, high is 1."),
        (response(kind="likert", low=0.5, high=7), "responses.fit", "no whole points"),
        (response(kind="likert", low=1, high=math.inf), "responses.fit.high", "inf stands here."),
        (response(kind="likert", low=1, high=7, anchors={"one": "No"}), "responses.fit.anchors.one", "“one” is no point."),
        (response(kind="likert", low=1, high=7, anchors={"8": "No"}), "responses.fit.anchors.8", "outside the range"),
        (response(kind="likert", low=1, high=7, anchors={"1": "No", "7": "no "}), "responses.fit", "“no” stands for 2 answers."),
        (response(kind="text", anchors={"1": "No"}), "responses.fit.anchors", "Only points have anchors."),
        (response(kind="choice"), "responses.fit.choices", "There are 0."),
        (response(kind="choice", choices=[{"value": 1, "label": "a"}]), "responses.fit.choices", "There are 1."),
        (response(kind="choice", choices=[{"value": 1, "label": "a"}, {"value": 2, "label": "A"}]), "responses.fit", "“a” stands for 2 answers."),
        ({**WORDS, "items": [*BASE["items"][:1], {"id": "i2", "text": "t", "response": "free"}]}, "scales[1].items", "“i2” is answered in words."),
    ],
)  # fmt: skip
def test_contradictions_name_their_place(changes: dict[str, Any], place: str, found: str) -> None:
    named = [one for one in faults(**changes) if found in one.found]
    assert named, [one.sentence() for one in faults(**changes)]
    assert named[0].place == place
    assert named[0].remedy


def test_items_of_different_ranges_need_weights() -> None:
    changes: dict[str, Any] = {
        "responses": {**BASE["responses"], "wide": {"kind": "numeric", "low": 0, "high": 100}},
        "items": [*BASE["items"][:1], {"id": "i2", "text": "t", "response": "wide"}],
    }
    [finding] = faults(**changes)
    assert (finding.place, finding.found) == ("scales[1].items", "The items have different ranges.")
    weighted = scale(score="weighted", weights={"i1": 1, "i2": 0.5})
    assert instrument(**changes, **weighted).scales[0].weights == {"i1": 1, "i2": 0.5}


def test_all_contradictions_are_told_at_once() -> None:
    found = faults(
        scales=[
            {"id": "a", "label": "A", "items": ["i1", "j1", "j2"], "answers_needed": 9},
            {"id": "b", "label": "B", "items": ["i2", "i2"], "score": "weighted"},
        ]
    )
    assert [one.place for one in found] == [
        "scales[1].items",
        "scales[1].items",
        "scales[1].answers_needed",
        "scales[2].items",
        "scales[2].weights",
    ]


def test_several_faults_of_one_response_format_are_told_at_once() -> None:
    found = faults(**response(kind="likert", low=1, high=7, anchors={"x": "same", "1": "Same", "9": "more"}))
    assert [one.place for one in found] == ["responses.fit.anchors.x", "responses.fit.anchors.9", "responses.fit"]


# ----------------------------------------------------------------------------------- answers


def test_words_and_ranges() -> None:
    likert = ResponseFormat(kind="likert", low=1, high=7, anchors={"1": "Not at ALL", "7": "Ganz Groß"})
    assert likert.range == (1.0, 7.0)
    assert likert.words == {"not at all": 1.0, "ganz gross": 7.0}
    text = ResponseFormat(kind="text")
    assert all(math.isnan(end) for end in text.range)
    assert text.words == {}
    choice = parse(
        ResponseFormat, {"kind": "choice", "choices": [{"value": 3, "label": "c"}, {"value": -1, "label": "a"}]}, "f"
    )
    assert choice.range == (-1.0, 3.0)
    assert choice.words == {"c": 3.0, "a": -1.0}


def test_an_item_and_its_response_are_found_by_id() -> None:
    assert instrument().item("i2").text == "Item i2"
    assert instrument().response_of("i2").high == 7


@given(
    score=st.sampled_from(["mean", "sum", "weighted"]),
    weights=st.tuples(st.integers(-3, 3), st.integers(-3, 3)).filter(lambda pair: sum(pair) != 0),
    add=st.integers(-20, 20),
    multiply=st.sampled_from([-2.5, -1, 0.5, 1, 2.5]),
    low=st.integers(-3, 3),
    span=st.integers(1, 6),
)
def test_score_range_is_that_of_every_pair_of_answers(
    score: str, weights: tuple[int, int], add: int, multiply: float, low: int, span: int
) -> None:
    """Against all scores that two items can give, written out."""
    given_weights = {"weights": dict(zip(("i1", "i2"), weights, strict=True))} if score == "weighted" else {}
    one = instrument(
        **response(kind="likert", low=low, high=low + span),
        **scale(score=score, add=add, multiply=multiply, **given_weights),
    )
    w1, w2 = weights if score == "weighted" else (1, 1)
    divisor = 2 if score == "mean" else 1
    points = range(low, low + span + 1)
    possible = [((w1 * a + w2 * b) / divisor + add) * multiply for a in points for b in points]
    assert score_range(one, one.scales[0]) == pytest.approx((min(possible), max(possible)), abs=1e-9)


# ----------------------------------------------------------------------------- formats and groups


def test_open_ends_have_no_range_of_scores() -> None:
    one = instrument(**response(kind="numeric", low=0))
    assert one.response_of("i1").range == (0.0, math.inf)
    assert all(math.isnan(end) for end in score_range(one, one.scales[0]))
    assert instrument(**response(kind="numeric")).response_of("i1").range == (-math.inf, math.inf)


@pytest.mark.parametrize(
    ("keys", "needed"),
    [
        ({"kind": "likert", "low": 1, "high": 7}, "A whole number from 1 to 7 is needed."),
        ({"kind": "numeric", "low": 0}, "A number from 0 is needed."),
        ({"kind": "numeric"}, "A number is needed."),
        ({"kind": "yes_no"}, "A whole number from 0 to 1 is needed."),
    ],
)
def test_what_an_answer_must_be_is_said(keys: dict[str, Any], needed: str) -> None:
    assert ResponseFormat(**keys).needed == needed


def test_yes_and_no_have_words_of_their_own_or_those_given() -> None:
    assert ResponseFormat(kind="yes_no").words == {"yes": 1.0, "no": 0.0}
    assert ResponseFormat(kind="yes_no", anchors={"0": "Nein", "1": "Ja"}).words == {"nein": 0.0, "ja": 1.0}
    assert ResponseFormat(kind="tick").words == {}
    assert ResponseFormat(kind="tick").range == (0.0, 1.0)


def test_the_poles_of_a_differential_item_are_its_end_points() -> None:
    poles = {"items": [{"id": "i1", "text": "The pot", "response": "fit", "poles": ["Light", "heavy"]}], "scales": []}
    one = instrument(**response(kind="differential", low=-3, high=3, anchors={"0": "neither"}), **poles)
    assert one.response_of("i1").words == {"light": -3.0, "neither": 0.0, "heavy": 3.0}


@pytest.mark.parametrize("poles", [["a"], ["a", "A "], ["neither", "b"]])
def test_poles_are_two_words_that_no_point_has(poles: list[str]) -> None:
    changes = response(kind="differential", low=-3, high=3, anchors={"0": "neither"})
    found = faults(**changes, items=[{"id": "i1", "text": "t", "response": "fit", "poles": poles}], scales=[])
    assert [one.place for one in found] == ["items[1].poles"]


def options(*ids: str, group: str = "q", **keys: Any) -> list[dict[str, Any]]:
    return [{"id": name, "text": f"Option {name}", "response": "fit", "group": group, **keys} for name in ids]


def test_the_options_of_a_question_stand_together_on_one_format() -> None:
    groups = {"groups": {"q": {"text": "Q"}, "r": {"text": "R"}}, "scales": []}
    ticks = response(kind="tick")
    apart = [*options("a"), *options("b", group="r"), *options("c")]
    assert [one.found for one in faults(**ticks, **groups, items=apart)] == ["Its items do not follow each other."]
    ticks["responses"]["other"] = {"kind": "tick"}
    mixed = [*options("a"), *options("b", response="other"), *options("c", group="r")]
    assert [one.found for one in faults(**ticks, **groups, items=mixed)] == [
        "Its items have different response formats."
    ]
    ranks = faults(
        **response(kind="rank", low=1, high=4), groups={"q": {"text": "Q"}}, scales=[], items=options("a", "b")
    )
    assert [(one.place, one.found) for one in ranks] == [("groups.q", "2 objects are ranked from 1 to 4.")]


# ---------------------------------------------------------------------------------- weights from pairs


def paired(pairs: list[list[str]], **keys: Any) -> dict[str, Any]:
    """i1, i2 and i3 with pairs between them, and one scale weighed by them."""
    chosen = [
        {"id": f"p{number}", "text": "Which?", "response": "which", "group": "q", "pair": pair}
        for number, pair in enumerate(pairs, 1)
    ]
    weighed = {"id": "s", "label": "S", "items": ["i1", "i2", "i3"], "score": "weighted_mean", "weights_from": "q"}
    return {
        "responses": {**BASE["responses"], "which": {"kind": "pair"}},
        "groups": {"q": {"text": "Which counts more?"}},
        "items": [*BASE["items"], *chosen],
        "scales": [weighed | keys],
    }


ALL_PAIRS = [["i1", "i2"], ["i1", "i3"], ["i2", "i3"]]


def test_a_pair_is_a_choice_between_the_texts_of_its_items() -> None:
    one = instrument(**paired(ALL_PAIRS))
    assert one.response_of("p2").words == {"item i1": 1.0, "item i3": 2.0}
    assert score_range(one, one.scales[0]) == (1.0, 7.0)


@pytest.mark.parametrize(
    ("pairs", "keys", "place", "found"),
    [
        (ALL_PAIRS[:1], {}, "scales[1].weights_from", "not between the items of this scale"),
        (ALL_PAIRS, {"items": ["i1", "i2"]}, "scales[1].weights_from", "not between the items of this scale"),
        (ALL_PAIRS, {"score": "mean"}, "scales[1].weights_from", 'The score is "mean".'),
        (ALL_PAIRS, {"weights": {"i1": 1, "i2": 1, "i3": 1}}, "scales[1].weights_from", "`weights` are given too"),
        (ALL_PAIRS, {"items": ["i1", "i2", "i3", "p1"]}, "scales[1].items", "“p1” is a choice between two items."),
        ([["i1", "i1"], *ALL_PAIRS], {}, "items[4].pair", "It names 1 items."),
        ([["i1", "j1"], *ALL_PAIRS], {}, "items[4].pair", "“j1” is no rated item."),
        ([["i1", "p2"], *ALL_PAIRS], {}, "items[4].pair", "“p2” is no rated item."),
    ],
)  # fmt: skip
def test_weights_need_sound_pairs(pairs: list[list[str]], keys: dict[str, Any], place: str, found: str) -> None:
    named = [one for one in faults(**paired(pairs, **keys)) if found in one.found]
    assert [one.place for one in named] == [place]


def test_a_group_of_rated_items_gives_no_weights() -> None:
    changes = paired(ALL_PAIRS, weights_from="r")
    changes["groups"]["r"] = {"text": "R"}
    changes["items"][0] = {**changes["items"][0], "group": "r"}
    assert any("Not every item of “r” is a pair." in one.found for one in faults(**changes))


def test_pairs_of_items_with_one_text_are_refused() -> None:
    changes = paired(ALL_PAIRS)
    changes["items"][:2] = [{**one, "text": "Same"} for one in changes["items"][:2]]
    assert "Both items have the same text" in faults(**changes)[0].found


# ------------------------------------------------------------------------------------ library


def written(folder: Path, name: str, text: str) -> Path:
    path = folder / "instruments" / f"{name}.toml"
    path.parent.mkdir(exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def shipped_text(name: str) -> str:
    return (shipped("instruments") / f"{name}.toml").read_text(encoding="utf-8")


def test_an_instrument_called_otherwise_than_its_file(tmp_path: Path) -> None:
    path = written(tmp_path, "other", shipped_text("effort"))
    with pytest.raises(StudyError, match=r"calls itself “effort” in a file called other\.toml"):
        read_instrument(path, "other.toml")


def test_the_studys_own_instrument_wins(tmp_path: Path) -> None:
    own = shipped_text("effort").replace('title = "', 'title = "Own ')
    assert own != shipped_text("effort")
    written(tmp_path, "effort", own)
    assert library(tmp_path)["effort"].parent == tmp_path / "instruments"
    version = tomllib.loads(own)["version"]
    assert find_instrument("effort", version, tmp_path, "q").title.startswith("Own ")
    assert not find_instrument("comfort", "1.0", tmp_path, "q").title.startswith("Own ")


def test_an_unknown_instrument_names_the_nearest(tmp_path: Path) -> None:
    with pytest.raises(StudyError) as caught:
        find_instrument("efort", "1.0", tmp_path, "questionnaires[1].instruments[1]")
    [finding] = caught.value.findings
    assert (finding.file, finding.place) == ("study.toml", "questionnaires[1].instruments[1]")
    assert "Did you mean “effort”?" in finding.remedy


def test_another_version_is_refused(tmp_path: Path) -> None:
    with pytest.raises(StudyError, match=r"used version 0\.9 of “effort”, but the file here is version"):
        find_instrument("effort", "0.9", tmp_path, "q")


def test_faults_of_an_own_instrument_name_its_file(tmp_path: Path) -> None:
    written(tmp_path, "mine", 'format = 1\nid = "mine"\nitems = []\n')
    with pytest.raises(StudyError) as caught:
        find_instrument("mine", "1", tmp_path, "q")
    assert {one.file for one in caught.value.findings} == {"instruments/mine.toml"}
    assert "items" in [one.place for one in caught.value.findings]
