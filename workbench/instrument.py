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
POINTS = ("likert", "differential", "rank")
"""Formats of whole points from `low` to `high`, both needed."""
YES_OR_NO = ("yes_no", "tick")
"""Formats of 1 and 0."""


class Choice(Declared):
    """One answer of a closed format."""

    value: Number = Field(description="The number the answer counts as.", examples=[1])
    label: str = Field(description="The words of the answer, as they may stand in a response file.", examples=["Often"])


class ResponseFormat(Declared):
    """How an item is answered."""

    kind: Literal["likert", "numeric", "differential", "choice", "yes_no", "tick", "rank", "pair", "text"] = Field(
        description="`likert`: whole points from low to high. `numeric`: any number from low to high; either end may be left open. "
        "`differential`: whole points between the two `poles` of the item. `choice`: one of the `choices`. `yes_no`: 1 for yes, 0 for no. "
        "`tick`: one option of a multiple choice, 1 ticked and 0 not; the options are items of one group. "
        "`rank`: the place of one object in a ranking, 1 for the first; the objects are items of one group. "
        "`pair`: which of the two items of its `pair` counts more, 1 or 2; it gives weights and is not scored itself. `text`: free words, not scored.",
        examples=["likert"],
    )
    low: Number | None = Field(None, description="Lowest answer.", examples=[1])
    high: Number | None = Field(None, description="Highest answer.", examples=[7])
    step: Number | None = Field(
        None,
        gt=0,
        description="Distance of the marks that a form shows for a `numeric` format; answers between them are read too.",
        examples=[5],
    )
    anchors: dict[str, str] = Field(
        default_factory=dict,
        description="Words beside points, by point. For `yes_no` and `tick` those of 0 and 1; `yes_no` has “No” and “Yes” where none are given.",
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
        if self.kind != "choice" and self.choices:
            faults.append((("choices",), f"A {self.kind} format has none.", 'Leave them out, or give kind = "choice".'))
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
        """Lowest and highest value of an answer, infinite where that end is open; NaN where answers are words."""
        if self.kind == "choice":
            values = [choice.value for choice in self.choices]
            return float(min(values)), float(max(values))
        if self.kind in YES_OR_NO:
            return 0.0, 1.0
        if self.kind in ("text", "pair"):
            return math.nan, math.nan
        return (
            -math.inf if self.low is None else float(self.low),
            math.inf if self.high is None else float(self.high),
        )

    @property
    def whole(self) -> bool:
        """True where only whole numbers are answers."""
        return self.kind in POINTS or self.kind in YES_OR_NO

    @property
    def needed(self) -> str:
        """What an answer must be, as a sentence."""
        if self.kind == "choice":
            return f"One of {', '.join(f'{choice.value} ({choice.label})' for choice in self.choices)} is needed."
        low, high = self.range
        ends = [f"from {low:g}"] * math.isfinite(low) + [f"to {high:g}"] * math.isfinite(high)
        return " ".join(["A whole number" if self.whole else "A number", *ends, "is needed."])

    @property
    def words(self) -> dict[str, float]:
        """Answers in words and the numbers they count as, lower case."""
        words = {choice.label.casefold(): float(choice.value) for choice in self.choices}
        return words | {label.casefold(): float(point) for point, label in self.labels.items()}

    @property
    def labels(self) -> dict[str, str]:
        """The anchors, and those that are understood where none are given."""
        return self.anchors or ({"1": "Yes", "0": "No"} if self.kind == "yes_no" else {})


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
    group: Id | None = Field(
        None,
        description="The question it stands under, with the items beside it: needed for `tick` and `rank`.",
        examples=["seen"],
    )
    poles: list[str] = Field(
        default_factory=list,
        description="For a `differential`: the words at its lowest and at its highest point.",
        examples=[["light", "heavy"]],
    )
    pair: list[Id] = Field(
        default_factory=list,
        description="For a `pair`: the two items between which is chosen.",
        examples=[["mental", "physical"]],
    )


class Group(Declared):
    """A question that several items answer together, such as the options of a multiple choice."""

    text: str = Field(
        description="The question or the stem above its items.", examples=["What did you notice? Tick all that fit."]
    )


class Scale(Declared):
    """Items that are scored together into one measure."""

    id: Id = Field(description="Name of the measure in tables and in the plan.", examples=["weight_realism"])
    label: str = Field(description="Its name in words.", examples=["Weight realism"])
    items: list[Id] = Field(min_length=1, description="Its items.", examples=[["real1", "real2"]])
    score: Literal["mean", "sum", "weighted", "weighted_mean"] = Field(
        "mean",
        description="Mean or sum of the answered items, their sum by weights, or that sum divided by the sum of the weights.",
        examples=["mean"],
    )
    weights: dict[Id, Number] = Field(
        default_factory=dict,
        description="Weight of each item, for `weighted` and `weighted_mean`.",
        examples=[{"real1": 2}],
    )
    weights_from: Id | None = Field(
        None,
        description="A group of `pair` items, for `weighted_mean`: each item weighs as often as this participant chose it here, and all pairs must be answered.",
        examples=["pairs"],
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
    groups: dict[Id, Group] = Field(
        default_factory=dict,
        description="Questions that several items answer together, by name.",
        examples=[{"seen": {"text": "What did you notice? Tick all that fit."}}],
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
        """The response format as this item has it: poles as anchors, a pair as a choice between the texts of its two items."""
        asked = self.item(item)
        response = self.responses[asked.response]
        if response.kind == "differential":
            ends = dict(zip((f"{response.low}", f"{response.high}"), asked.poles, strict=True))
            return response.model_copy(update={"anchors": response.anchors | ends})
        if response.kind == "pair":
            labels = [self.item(one).text for one in asked.pair]
            choices = [Choice(value=value, label=label) for value, label in enumerate(labels, start=1)]
            return ResponseFormat(kind="choice", choices=choices)
        return response

    def items_of(self, group: str) -> list[Item]:
        return [item for item in self.items if item.group == group]

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
            faults += _item_faults(self) + _group_faults(self)
        if not faults:
            for number, scale in enumerate(self.scales):
                faults += [
                    (("scales", number, key), found, remedy) for key, found, remedy in _scale_faults(self, scale)
                ]
        if faults:
            raise Contradictions(faults)
        return self


def _unsound_range(response: ResponseFormat) -> list[tuple[Location, str, str]]:
    kind, low, high = response.kind, response.low, response.high
    if kind not in (*POINTS, "numeric"):
        given = [key for key in ("low", "high", "step") if getattr(response, key) is not None]
        return [((key,), f"A {kind} format has none.", "Leave it out.") for key in given]
    faults: list[tuple[Location, str, str]] = []
    if kind != "numeric" and (low is None or high is None):
        found = f"low is {'not given' if low is None else low}, high is {'not given' if high is None else high}."
        faults.append(((), found, f"A {kind} format needs both, low below high."))
    elif low is not None and high is not None and low >= high:
        faults.append(((), f"low is {low}, high is {high}.", f"A {kind} format needs low below high."))
    elif kind != "numeric" and not (float(low or 0).is_integer() and float(high or 0).is_integer()):
        faults.append(((), f"{low} to {high} are no whole points.", 'Give kind = "numeric", or whole points.'))
    if response.step is not None and (kind != "numeric" or low is None or high is None):
        faults.append((("step",), "Marks need two ends.", "Leave it out, or give a numeric format low and high."))
    return faults


def _unsound_anchors(response: ResponseFormat) -> list[tuple[Location, str, str]]:
    if response.kind not in (*POINTS, *YES_OR_NO, "numeric"):
        return [(("anchors",), "Only points have anchors.", "Leave them out.")] if response.anchors else []
    if response.kind == "yes_no" and len(response.anchors) == 1:
        return [(("anchors",), "Only one of yes and no has words.", "Give both, 0 and 1, or none.")]
    low, high = response.range
    ends = [f"{low:g} or more"] * math.isfinite(low) + [f"{high:g} or less"] * math.isfinite(high)
    faults: list[tuple[Location, str, str]] = []
    for point in response.anchors:
        if not re.fullmatch(r"-?\d+(\.\d+)?", point):
            remedy = 'Anchors go by the point they stand beside, such as { 1 = "Not at all" }.'
            faults.append((("anchors", point), f"“{point}” is no point.", remedy))
        elif float(point) < low or float(point) > high:
            faults.append((("anchors", point), "This point is outside the range.", f"Give {', '.join(ends)}."))
        elif response.whole and not float(point).is_integer():
            faults.append((("anchors", point), f"“{point}” is between two points.", "Give a whole point."))
    return faults


def _item_faults(instrument: Instrument) -> list[tuple[Location, str, str]]:
    """What an item and its response format do not have in common."""
    faults: list[tuple[Location, str, str]] = []
    for number, item in enumerate(instrument.items):
        response = instrument.responses[item.response]
        at = ("items", number)
        if response.kind == "differential":
            faults += [((*at, "poles"), found, remedy) for found, remedy in _pole_faults(item, response)]
        elif item.poles:
            faults.append(((*at, "poles"), f"A {response.kind} item has none.", "Leave them out."))
        if response.kind == "pair":
            faults += [((*at, "pair"), found, remedy) for found, remedy in _pair_faults(item, instrument)]
        elif item.pair:
            faults.append(((*at, "pair"), f"A {response.kind} item has none.", "Leave it out."))
        if item.reverse and not all(map(math.isfinite, response.range)):
            found = "An answer without a lowest and a highest value cannot be reversed."
            faults.append(((*at, "reverse"), found, "Leave it out, or give the response format low and high."))
        if item.group is None and response.kind in ("tick", "rank"):
            found = f"A {response.kind} item stands under no question."
            faults.append(((*at, "group"), found, "Name the group of its question; all its items have the same one."))
        if item.group is not None and item.group not in instrument.groups:
            found = f"“{item.group}” is no group of this instrument."
            faults.append(((*at, "group"), found, nearest(item.group, sorted(instrument.groups))))
    return faults


def _pole_faults(item: Item, response: ResponseFormat) -> list[tuple[str, str]]:
    if len(item.poles) != 2:
        return [(f"There are {len(item.poles)}.", 'A differential item needs two, such as ["light", "heavy"].')]
    taken = {float(point) for point in response.anchors} & set(response.range)
    words = [word.strip().casefold() for word in (*item.poles, *response.anchors.values())]
    if taken or len(set(words)) < len(words):
        return [("A pole and an anchor stand at one point, or two have the same words.", "Keep one of them.")]
    return []


def _pair_faults(item: Item, instrument: Instrument) -> list[tuple[str, str]]:
    known = [one.id for one in instrument.items if instrument.responses[one.response].kind not in ("pair", "text")]
    if len(item.pair) != 2 or item.pair[0] == item.pair[1]:
        return [(f"It names {len(set(item.pair))} items.", "Name two different ones.")]
    faults = [(f"“{one}” is no rated item.", nearest(one, known)) for one in item.pair if one not in known]
    if not faults and len({instrument.item(one).text.strip().casefold() for one in item.pair}) < 2:
        faults.append(("Both items have the same text, so an answer in words could mean either.", "Word them apart."))
    return faults


def _group_faults(instrument: Instrument) -> list[tuple[Location, str, str]]:
    faults: list[tuple[Location, str, str]] = []
    for name in instrument.groups:
        items = instrument.items_of(name)
        at: Location = ("groups", name)
        if not items:
            faults.append((at, "No item stands under it.", "Name it as the group of its items, or leave it out."))
            continue
        first = instrument.items.index(items[0])
        if instrument.items[first : first + len(items)] != items:
            faults.append((at, "Its items do not follow each other.", "Put them one after another."))
        if len({item.response for item in items}) > 1:
            faults.append((at, "Its items have different response formats.", "Give them the same one."))
        response = instrument.responses[items[0].response]
        if response.kind == "rank" and response.range != (1, len(items)):
            found = f"{len(items)} objects are ranked from {response.low} to {response.high}."
            faults.append((at, found, f"Give their response format low = 1 and high = {len(items)}."))
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
        faults += [
            ("items", f"“{item}” is a choice between two items.", "Leave it out; `weights_from` makes weights of it.")
            for item in scale.items
            if instrument.item(item).pair
        ]
        ranges = {response.range for response in responses.values() if response.kind != "text"}
        if len(ranges) > 1 and not scale.weights:
            faults.append(
                ("items", "The items have different ranges.", 'Give `score = "weighted"` with weights for each.')
            )
        faults += _weighting_faults(instrument, scale)
    if scale.weights and scale.weights_from is None and scale.score not in ("weighted", "weighted_mean"):
        remedy = '`weights` go with `score = "weighted"` or "weighted_mean".'
        faults.append(("weights", f'The score is "{scale.score}".', remedy))
    elif scale.score in ("weighted", "weighted_mean") and not scale.weights and scale.weights_from is None:
        faults.append(("weights", "There are none.", f"Give a weight for each item, as the score is {scale.score}."))
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


def _weighting_faults(instrument: Instrument, scale: Scale) -> list[tuple[str, str, str]]:
    """What keeps `weights_from` from giving a weight to every item."""
    name = scale.weights_from
    if name is None:
        return []
    if name not in instrument.groups:
        found = f"“{name}” is no group of this instrument."
        return [("weights_from", found, nearest(name, sorted(instrument.groups)))]
    faults = []
    if scale.weights or scale.score != "weighted_mean":
        found = f'The score is "{scale.score}"{" and `weights` are given too" if scale.weights else ""}.'
        faults.append(
            ("weights_from", found, 'It goes with `score = "weighted_mean"` and takes the place of `weights`.')
        )
    pairs = [item.pair for item in instrument.items_of(name)]
    if not all(pairs):
        faults.append(("weights_from", f"Not every item of “{name}” is a pair.", "Name a group of `pair` items."))
    elif {item for pair in pairs for item in pair} != set(scale.items):
        found = f"The pairs of “{name}” are not between the items of this scale."
        faults.append(("weights_from", found, f"Each of {', '.join(scale.items)}, and no other, must be in a pair."))
    return faults


def score_range(instrument: Instrument, scale: Scale) -> tuple[float, float]:
    """Lowest and highest score a scale can give; NaN where answers have no lowest or highest value."""
    weights = [float(scale.weights.get(item, 1)) for item in scale.items]
    ends = [instrument.response_of(item).range for item in scale.items]
    if not all(math.isfinite(end) for pair in ends for end in pair):
        return math.nan, math.nan
    low = sum(min(weight * a, weight * b) for weight, (a, b) in zip(weights, ends, strict=True))
    high = sum(max(weight * a, weight * b) for weight, (a, b) in zip(weights, ends, strict=True))
    if scale.score in ("mean", "weighted_mean"):
        low, high = low / sum(weights), high / sum(weights)
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
