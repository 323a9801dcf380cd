"""Instruments: items, response formats, scales, and the library of TOML files they are read from.

An instrument says how answers become scores; it holds no answers. A study's own `instruments/`
folder is looked up before the library that ships with the package.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from workbench.declared import Contradictions, Declared, Location, nearest, parse
from workbench.errors import Finding, StudyError
from workbench.files import fault, read_toml, shipped

LONGEST_ID = 60
Id = Annotated[str, Field(pattern=r"^[A-Za-z][A-Za-z0-9_-]*$", max_length=LONGEST_ID)]
Number = int | float


class Choice(Declared):
    """One answer of a closed format."""

    value: Number = Field(description="The number the answer counts as.", examples=[1])
    label: str = Field(description="The words of the answer, as they may stand in a response file.", examples=["Often"])


class ResponseFormat(Declared):
    """How an item is answered."""

    kind: Literal["likert", "numeric", "choice", "text"] = Field(
        description="`likert`: whole points from low to high. `numeric`: any number from low to high. `choice`: one of the `choices`. `text`: free words, not scored.",
        examples=["likert"],
    )
    low: Number | None = Field(None, description="Lowest answer.", examples=[1])
    high: Number | None = Field(None, description="Highest answer.", examples=[7])
    anchors: dict[str, str] = Field(
        default_factory=dict,
        description="Words beside points, by point.",
        examples=[{"1": "Not at all", "7": "Completely"}],
    )
    choices: list[Choice] = Field(
        default_factory=list, description="The answers of a `choice` format.", examples=[[{"value": 0, "label": "No"}]]
    )

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        faults = _unsound_range(self) or _unsound_anchors(self)
        if self.kind == "choice" and len(self.choices) < 2:
            faults.append((("choices",), f"There are {len(self.choices)}.", "A choice needs at least two."))
        labels = [choice.label for choice in self.choices] + list(self.anchors.values())
        times = Counter(label.strip().casefold() for label in labels)
        faults += [
            ((), f"“{word}” stands for {count} answers.", "Word the choices and anchors differently.")
            for word, count in times.items()
            if count > 1
        ]
        if faults:
            raise Contradictions(faults)
        return self

    @property
    def range(self) -> tuple[float, float]:
        """Lowest and highest value of an answer; NaN where answers are words."""
        if self.kind == "choice":
            values = [choice.value for choice in self.choices]
            return float(min(values)), float(max(values))
        if self.low is None or self.high is None:
            return math.nan, math.nan
        return float(self.low), float(self.high)

    @property
    def words(self) -> dict[str, float]:
        """Answers in words and the numbers they count as, lower case."""
        words = {choice.label.casefold(): float(choice.value) for choice in self.choices}
        return words | {label.casefold(): float(point) for point, label in self.anchors.items()}


class Item(Declared):
    """One question or statement."""

    id: Id = Field(description="Short name, used in files and tables.", examples=["real1"])
    text: str = Field(
        description="The wording, or a short label where the wording may not be printed.",
        examples=["The pot felt as heavy as it looked."],
    )
    response: Id = Field(description="Which of the response formats it is answered on.", examples=["agreement"])
    reverse: bool = Field(
        False, description="True where a high answer means little of what the scale measures.", examples=[True]
    )


class Scale(Declared):
    """Items that are scored together into one measure."""

    id: Id = Field(description="Name of the measure in tables and in the plan.", examples=["weight_realism"])
    label: str = Field(description="Its name in words.", examples=["Weight realism"])
    items: list[Id] = Field(min_length=1, description="Its items.", examples=[["real1", "real2"]])
    score: Literal["mean", "sum", "weighted"] = Field(
        "mean", description="Mean or sum of the answered items, or their sum by `weights`.", examples=["mean"]
    )
    weights: dict[Id, Number] = Field(
        default_factory=dict, description='Weight of each item, for `score = "weighted"`.', examples=[{"real1": 2}]
    )
    add: Number = Field(0, description="Added to the score, before `multiply`.", examples=[-10])
    multiply: Number = Field(1, description="The score is multiplied by this.", examples=[2.5])
    answers_needed: int | None = Field(
        None,
        ge=1,
        description="Answered items needed for a score; all where not given. A sum with fewer answers is scaled up to the full number of items.",
        examples=[4],
    )
    unit: str = Field("points", description="Unit of the score.", examples=["points, 1 to 7"])
    higher: str = Field("", description="What a higher score means.", examples=["feels more real"])


class Instrument(Declared):
    """A questionnaire, or a part of one, that is scored by fixed rules."""

    format: int = Field(ge=1, le=1, description="Version of this file format.", examples=[1])
    id: Id = Field(description="Name of the instrument; the file is called the same.", examples=["weight_realism"])
    version: str = Field(description="Version of wording and scoring; a study names the one it used.", examples=["1.0"])
    title: str = Field(description="Title in words.", examples=["Weight realism"])
    about: str = Field(
        description="What it is meant to measure and when it is asked.", examples=["Six statements after each version."]
    )
    language: str = Field(description="Language of the wording (BCP 47).", examples=["en"])
    source: str = Field(description="Who made it and where it is published.", examples=["Written for this library"])
    licence: str = Field(description="Licence of the wording.", examples=["MIT"])
    wording: Literal["full", "short labels", "item numbers"] = Field(
        description="Whether items are printed in full, or by labels of our own because the wording may not be.",
        examples=["full"],
    )
    validation: str = Field(
        description="What is known of reliability and validity, or that nothing is.",
        examples=["Unvalidated: no study has tested this wording."],
    )
    instruction: str = Field(
        "",
        description="What participants are told before the items.",
        examples=["Think of the version you just tried."],
    )
    responses: dict[Id, ResponseFormat] = Field(
        description="Response formats by name.", examples=[{"agreement": {"kind": "likert", "low": 1, "high": 7}}]
    )
    items: list[Item] = Field(
        min_length=1,
        description="The items in the order they are asked.",
        examples=[[{"id": "real1", "text": "The pot felt as heavy as it looked.", "response": "agreement"}]],
    )
    scales: list[Scale] = Field(
        default_factory=list,
        description="The scales.",
        examples=[[{"id": "weight_realism", "label": "Weight realism", "items": ["real1"]}]],
    )

    def item(self, item: str) -> Item:
        return next(candidate for candidate in self.items if candidate.id == item)

    def response_of(self, item: str) -> ResponseFormat:
        return self.responses[self.item(item).response]

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        faults = [
            *_repeated("items", [item.id for item in self.items]),
            *_repeated("scales", [scale.id for scale in self.scales]),
        ]
        faults += [
            (
                ("items", number, "response"),
                f"“{item.response}” is no response format of this instrument.",
                nearest(item.response, sorted(self.responses)),
            )
            for number, item in enumerate(self.items)
            if item.response not in self.responses
        ]
        if not faults:
            for number, scale in enumerate(self.scales):
                faults += [
                    (("scales", number, key), found, remedy) for key, found, remedy in _scale_faults(self, scale)
                ]
        if faults:
            raise Contradictions(faults)
        return self


def _unsound_range(response: ResponseFormat) -> list[tuple[Location, str, str]]:
    if response.kind not in ("likert", "numeric"):
        return []
    low, high = response.low, response.high
    if low is None or high is None or low >= high:
        found = f"low is {'not given' if low is None else low}, high is {'not given' if high is None else high}."
        return [((), found, f"A {response.kind} format needs both, low below high.")]
    if response.kind == "likert" and not (float(low).is_integer() and float(high).is_integer()):
        return [((), f"{low} to {high} are no whole points.", 'Give kind = "numeric", or whole points.')]
    return []


def _unsound_anchors(response: ResponseFormat) -> list[tuple[Location, str, str]]:
    if response.kind not in ("likert", "numeric"):
        return [(("anchors",), "Only points have anchors.", "Leave them out.")] if response.anchors else []
    low, high = response.range
    faults: list[tuple[Location, str, str]] = []
    for point in response.anchors:
        if not re.fullmatch(r"-?\d+(\.\d+)?", point):
            remedy = 'Anchors go by the point they stand beside, such as { 1 = "Not at all" }.'
            faults.append((("anchors", point), f"“{point}” is no point.", remedy))
        elif float(point) < low or float(point) > high:
            faults.append((("anchors", point), "This point is outside the range.", f"Give {low:g} to {high:g}."))
    return faults


def _repeated(key: str, ids: list[str]) -> list[tuple[Location, str, str]]:
    return [
        ((key,), f"The id “{name}” is used {ids.count(name)} times.", "Give each its own id.")
        for name in dict.fromkeys(ids)
        if ids.count(name) > 1
    ]


def _scale_faults(instrument: Instrument, scale: Scale) -> list[tuple[str, str, str]]:
    """Key, what was found and what to do of every contradiction in a scale."""
    known = [item.id for item in instrument.items]
    faults = [
        ("items", f"“{item}” is no item of this instrument.", nearest(item, known))
        for item in scale.items
        if item not in known
    ]
    faults += [
        ("items", f"“{item}” stands {scale.items.count(item)} times.", "Name each item once.")
        for item in dict.fromkeys(scale.items)
        if scale.items.count(item) > 1
    ]
    if not faults:
        responses = {item: instrument.response_of(item) for item in scale.items}
        faults += [
            ("items", f"“{item}” is answered in words.", "Leave it out of the scale.")
            for item, response in responses.items()
            if response.kind == "text"
        ]
        ranges = {response.range for response in responses.values() if response.kind != "text"}
        if len(ranges) > 1 and scale.score != "weighted":
            faults.append(
                ("items", "The items have different ranges.", 'Give `score = "weighted"` with weights for each.')
            )
    if (scale.score == "weighted") != bool(scale.weights):
        found = "There are none." if scale.score == "weighted" else f'The score is "{scale.score}".'
        faults.append(("weights", found, '`weights` and `score = "weighted"` go together.'))
    elif scale.weights and set(scale.weights) != set(scale.items):
        found = f"Weights are given for {', '.join(scale.weights)}."
        faults.append(("weights", found, f"They must be for exactly {', '.join(scale.items)}."))
    if scale.weights and sum(scale.weights.values()) == 0:
        faults.append(("weights", "The weights add up to zero.", "Give weights with another sum."))
    if scale.answers_needed is not None and scale.answers_needed > len(scale.items):
        found = f"{scale.answers_needed} answers are needed of {len(scale.items)} items."
        faults.append(("answers_needed", found, f"Give {len(scale.items)} or less."))
    if scale.multiply == 0:
        faults.append(("multiply", "Every score would be the same.", "Give a number other than 0."))
    return faults


def score_range(instrument: Instrument, scale: Scale) -> tuple[float, float]:
    """Lowest and highest score a scale can give."""
    weights = [float(scale.weights.get(item, 1)) for item in scale.items]
    ends = [instrument.response_of(item).range for item in scale.items]
    low = sum(min(weight * a, weight * b) for weight, (a, b) in zip(weights, ends, strict=True))
    high = sum(max(weight * a, weight * b) for weight, (a, b) in zip(weights, ends, strict=True))
    if scale.score == "mean":
        low, high = low / len(weights), high / len(weights)
    first, second = sorted(((low + scale.add) * scale.multiply, (high + scale.add) * scale.multiply))
    return first, second


def read_instrument(path: Path, shown: str) -> Instrument:
    """The instrument in a TOML file; StudyError with all its faults."""
    instrument = parse(Instrument, read_toml(path, shown), shown)
    if instrument.id != path.stem:
        raise StudyError(
            [
                fault(
                    shown,
                    "id",
                    f"The instrument calls itself “{instrument.id}” in a file called {path.name}.",
                    "Give both the same name.",
                    "wrong value",
                )
            ]
        )
    return instrument


def library(folder: Path | None = None) -> dict[str, Path]:
    """Instrument files by id: the shipped library, then those of a study folder, which win."""
    places = [shipped("instruments")] + ([folder / "instruments"] if folder is not None else [])
    return {path.stem: path for place in places if place.is_dir() for path in sorted(place.glob("*.toml"))}


def find_instrument(name: str, version: str, folder: Path, place: str) -> Instrument:
    """The instrument a study names, in the version it names.

    Raises StudyError when there is none of that name or the version differs.
    """
    known = library(folder)
    if name not in known:
        found = f"There is no instrument “{name}”."
        raise StudyError(
            [Finding("blocks", "unknown instrument", "study.toml", place, found, nearest(name, sorted(known)))]
        )
    own = known[name].is_relative_to(folder)
    instrument = read_instrument(
        known[name], f"instruments/{name}.toml" if own else f"{name}.toml of the instrument library"
    )
    if instrument.version != version:
        found = f"The study used version {version} of “{name}”, but the file here is version {instrument.version}."
        raise StudyError(
            [
                fault(
                    "study.toml",
                    place,
                    found,
                    "Put the version that was used into the study's instruments folder, or name this one.",
                    "wrong version",
                )
            ]
        )
    return instrument
