"""An instrument as a participant reads it, as Markdown, plain text and a printable page; and the library as a table.

The form shows wording and answers only. How they are scored stands apart, for the researcher. What an instrument
may say is decided in `workbench.instrument`; nothing here is filled in or read back.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib import resources
from itertools import count, groupby
from pathlib import Path
from typing import Literal

from workbench.declared import nearest
from workbench.errors import UsageError
from workbench.files import write_atomically
from workbench.instrument import Instrument, Item, ResponseFormat, Scale, library, read_instrument, score_range
from workbench.report.output import refuse_collected
from workbench.report.table import (
    MINUS,
    Column,
    Table,
    in_markdown,
    printable,
    to_html,
    to_markdown,
    to_text,
    wrapped,
)

Shape = Literal["grid", "differential", "line", "list", "pairs", "ticks", "ranks", "number", "text"]

MOST_POINTS_IN_A_GRID = 11
MOST_CHOICES_IN_A_GRID = 7
MOST_MARKS = 25
"""Points or marks beyond which a form shows a line with its two ends alone."""

FROM_RIGHT_TO_LEFT = {"ar", "arc", "ckb", "dv", "fa", "he", "nqo", "ps", "sd", "syr", "ug", "ur", "yi"}
SCRIPTS_FROM_RIGHT_TO_LEFT = {"adlm", "arab", "hebr", "nkoo", "rohg", "syrc", "thaa"}

CIRCLE, BOX, BLANK = "○", "☐", "____"


@dataclass(frozen=True, slots=True)
class Question:
    """A numbered question, or an option of one ("" as its number); `low` and `high` are the words at its two ends."""

    number: str
    text: str
    low: str = ""
    high: str = ""
    options: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Block:
    """Questions that are answered alike and stand together, under a stem where they share one.

    `points` are what can be chosen, (number, words) each, either of them "" where it is not shown. `number` is that of
    the stem where it is one question and its `questions` are the options.
    """

    shape: Shape
    number: str
    stem: str
    points: tuple[tuple[str, str], ...]
    questions: tuple[Question, ...]


# --------------------------------------------------------------------------------------------- blocks


def blocks(instrument: Instrument) -> list[Block]:
    """What a form shows, in the order of the items.

    Each item has a number of its own; the options of a multiple choice and the objects of a ranking share one.
    """
    numbers = map(str, count(1))
    runs = groupby(instrument.items, key=lambda item: (item.group, item.response))
    return [
        _block(instrument, instrument.groups[group].text if group else "", list(items), numbers)
        for (group, _), items in runs
    ]


def _block(instrument: Instrument, stem: str, items: Sequence[Item], numbers: Iterator[str]) -> Block:
    response = instrument.responses[items[0].response]
    if response.kind in ("tick", "rank"):
        options = tuple(Question("", item.text) for item in items)
        return Block("ticks" if response.kind == "tick" else "ranks", next(numbers), stem, (), options)
    questions = tuple(_question(instrument, item, next(numbers)) for item in items)
    shape, points = _shape(response, len(items))
    return Block(shape, "", stem, points, questions)


def _question(instrument: Instrument, item: Item, number: str) -> Question:
    response = instrument.response_of(item.id)
    ends = _ends(response)
    options = tuple(words for _, words in _choices(response))
    return Question(number, item.text, *ends, options)


def _ends(response: ResponseFormat) -> tuple[str, str]:
    """The words at the lowest and at the highest point."""
    words = {float(point): label for point, label in response.labels.items()}
    low, high = response.range
    return words.get(low, ""), words.get(high, "")


def _choices(response: ResponseFormat) -> list[tuple[str, str]]:
    if response.kind == "yes_no":
        no, yes = _ends(response)
        return [("", yes), ("", no)]
    return [("", choice.label) for choice in response.choices]


def _shape(response: ResponseFormat, n_items: int) -> tuple[Shape, tuple[tuple[str, str], ...]]:
    """How items of a format are shown, and the points or marks they share."""
    match response.kind:
        case "text":
            return "text", ()
        case "pair":
            return "pairs", ()
        case "choice" | "yes_no":
            choices = tuple(_choices(response))
            together = n_items > 1 and len(choices) <= MOST_CHOICES_IN_A_GRID
            return ("grid" if together else "list"), choices
        case "differential":
            return "differential", _marks(response, 1)
        case "likert" if response.range[1] - response.range[0] < MOST_POINTS_IN_A_GRID:
            return "grid", _marks(response, 1)
        case "likert":
            return "line", _marks(response, 1)
        case _:
            bounded = all(map(math.isfinite, response.range))
            shape: Shape = "line" if bounded and (response.step or response.anchors) else "number"
            return shape, _marks(response, response.step) if bounded else ()


def _marks(response: ResponseFormat, step: float | None) -> tuple[tuple[str, str], ...]:
    """(number, words) of each mark from low to high; the two ends alone where there are too many."""
    low, high = response.range
    n_steps = 1 if step is None else round((high - low) / step)
    if n_steps > MOST_MARKS:
        n_steps = 1
    words = {float(point): label for point, label in response.labels.items()}
    values = [low + (high - low) * place / n_steps for place in range(n_steps + 1)]
    return tuple((_number(value), words.get(value, "")) for value in values)


def _number(value: float) -> str:
    return f"{value:g}".replace("-", MINUS)


def direction(language: str) -> Literal["ltr", "rtl"]:
    """Reading direction of a language tag (BCP 47), by its script where it names one."""
    main, *further = language.casefold().replace("_", "-").split("-")
    scripts = [part for part in further if len(part) == 4 and part.isalpha()]
    from_right = scripts[0] in SCRIPTS_FROM_RIGHT_TO_LEFT if scripts else main in FROM_RIGHT_TO_LEFT
    return "rtl" if from_right else "ltr"


# ------------------------------------------------------------------------------------ for researchers


def notice(instrument: Instrument) -> str:
    """What stands above a form whose wording is not printed; "" where it is."""
    if instrument.wording == "full":
        return ""
    shown = "labels of our own" if instrument.wording == "short labels" else "numbers alone"
    return (
        f"Not ready to hand out: the published wording is not printed here, items are shown by {shown}. "
        f"Put the wording in from its source: {instrument.source}"
    )


def facts(instrument: Instrument) -> list[tuple[str, str]]:
    """What a researcher should know before using an instrument."""
    return [
        ("Instrument", f"{instrument.id}, version {instrument.version}, language {instrument.language}"),
        ("About", instrument.about),
        ("Source", instrument.source),
        ("Licence", instrument.licence),
        ("Wording", instrument.wording),
        ("Validation", instrument.validation),
    ]


def scoring_table(instrument: Instrument) -> Table:
    """How each scale is scored."""
    columns = (
        Column("scale", "Scale"),
        Column("items", "Items (r: reversed)"),
        Column("rule", "Score"),
        Column("range", "Range"),
        Column("answers_needed", "Answers needed", "count"),
        Column("higher", "Higher means"),
    )
    rows = tuple(
        {
            "scale": f"{scale.label} ({scale.id})",
            "items": ", ".join(item + (" (r)" if instrument.item(item).reverse else "") for item in scale.items),
            "rule": rule(scale),
            "range": shown_range(instrument, scale),
            "answers_needed": scale.answers_needed or len(scale.items),
            "higher": scale.higher,
        }
        for scale in instrument.scales
    )
    notes = ("A reversed answer counts as lowest + highest - answer. Answers in words are not scored.",)
    return Table("scoring", f"Scoring of {instrument.title}", columns, rows, notes)


def rule(scale: Scale) -> str:
    """How a scale is scored, in words."""
    weights = ", ".join(f"{item} {weight:g}" for item, weight in scale.weights.items() if weight != 1)
    words = {
        "mean": "mean of the answered items" if len(scale.items) > 1 else "the answer",
        "sum": "sum of the items",
        "weighted": f"weighted sum (weights 1, but {weights})" if weights else "sum of the items",
        "weighted_mean": f"weighted sum divided by the sum of the weights ({weights})",
    }[scale.score]
    if scale.weights_from:
        words = f"weighted mean; an item weighs as often as it was chosen in “{scale.weights_from}”"
    added = f"; {'+' if scale.add > 0 else MINUS} {abs(scale.add):g}" if scale.add else ""
    return words + added + (f"; times {_number(scale.multiply)}" if scale.multiply != 1 else "")


def shown_range(instrument: Instrument, scale: Scale) -> str:
    low, high = score_range(instrument, scale)
    return f"{_number(round(low, 6))} to {_number(round(high, 6))}" if math.isfinite(low) else "open"


def library_table(folder: Path | None = None) -> Table:
    """Every instrument of the library, and those of a study folder, which win."""
    columns = (
        Column("id", "Instrument"),
        Column("title", "Title"),
        Column("n_items", "Items", "count"),
        Column("scores", "Scores, with range"),
        Column("language", "Language"),
        Column("wording", "Wording"),
        Column("validation", "Validation"),
        Column("source", "Source"),
        Column("licence", "Licence"),
    )
    rows = tuple(
        {
            "id": one.id,
            "title": one.title,
            "n_items": len(one.items),
            "scores": "; ".join(f"{scale.id} {shown_range(one, scale)}" for scale in one.scales) or "none",
            **{key: getattr(one, key) for key in ("language", "wording", "validation", "source", "licence")},
        }
        for one in (read_instrument(path, path.name) for path in _instruments(folder).values())
    )
    notes = ("`workbench instrument NAME` shows one as a participant reads it, with --scoring its key.",)
    return Table("instruments", "Instruments", columns, rows, notes)


def _instruments(folder: Path | None) -> dict[str, Path]:
    if folder is not None and not folder.is_dir():
        raise UsageError(f"{folder} is no study folder.")
    return dict(sorted(library(folder).items()))


# --------------------------------------------------------------------------------------------- writing


def show_form(
    name: str, folder: Path | None, format: str, *, scoring: bool = False, out: Path | None = None, width: int = 100
) -> str:
    """The form of the instrument called `name`, for the screen; "" where it went to the file `out`.

    `format` is text, markdown, html or json. Raises UsageError for an unknown name and for another format.
    """
    known = _instruments(folder)
    if name not in known:
        raise UsageError(f"There is no instrument “{name}”. {nearest(name, list(known))}")
    if format not in ("text", "markdown", "html", "json"):
        raise UsageError(f"A form is no {format} table; choose text, markdown, html or json.")
    instrument = read_instrument(known[name], known[name].name)
    match format:
        case "html":
            text = form_page(instrument, scoring=scoring)
        case "markdown":
            text = form_markdown(instrument, scoring=scoring)
        case "json":
            text = form_json(instrument, scoring=scoring)
        case _:
            text = form_text(instrument, scoring=scoring, width=width)
    if out is None:
        return text
    refuse_collected(out)
    write_atomically(out, text)
    return ""


def form_page(instrument: Instrument, *, scoring: bool = False) -> str:
    """The form as one self-contained HTML page for screen and paper: nothing is fetched, nothing runs, all text is escaped.

    What is for the researcher alone (title, source, validation) is not printed; the key is, on a page of its own,
    where `scoring` asks for it.
    """
    import jinja2

    source = resources.files("workbench.report").joinpath("form.html.jinja").read_text(encoding="utf-8")
    environment = jinja2.Environment(
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
        finalize=lambda value: printable(value) if type(value) is str else value,
    )
    return environment.from_string(source).render(
        instrument=instrument,
        direction=direction(instrument.language),
        notice=notice(instrument),
        facts=facts(instrument),
        blocks=blocks(instrument),
        key=to_html(scoring_table(instrument)) if scoring else "",
    )


def form_markdown(instrument: Instrument, *, scoring: bool = False) -> str:
    """The form in Markdown; grids are pipe tables, all text is escaped."""
    parts = [f"> {in_markdown(notice(instrument))}"] if notice(instrument) else []
    parts += [_paragraph(instrument.instruction)] if instrument.instruction else []
    for block in blocks(instrument):
        parts += [_paragraph(_stem(block)) if block.number else f"**{in_markdown(block.stem)}**"] if block.stem else []
        if block.shape in ("grid", "differential"):
            parts.append(to_markdown(_grid(block)).strip())
            continue
        for asked, answers in _asked(block):
            parts += [_paragraph(asked)] if asked else []
            parts.append("\n".join(f"- {in_markdown(line)}" for line in answers))
    parts += [f"---\n\n{to_markdown(scoring_table(instrument)).strip()}"] if scoring else []
    return "\n\n".join(parts) + "\n"


def form_text(instrument: Instrument, *, scoring: bool = False, width: int = 100) -> str:
    """The form as plain text for a terminal of `width` places."""
    parts = ["\n".join(wrapped(text, width)) for text in (notice(instrument), instrument.instruction) if text]
    for block in blocks(instrument):
        parts += ["\n".join(wrapped(_stem(block), width))] if block.stem else []
        if block.shape in ("grid", "differential"):
            parts.append(to_text(_grid(block), width=width).strip("\n"))
            continue
        for asked, answers in _asked(block):
            lines = [line for answer in answers for line in wrapped(answer, width - 4)]
            parts.append("\n".join([*(wrapped(asked, width) if asked else []), *(f"    {line}" for line in lines)]))
    parts += [to_text(scoring_table(instrument), width=width).strip("\n")] if scoring else []
    return "\n\n".join(parts) + "\n"


def form_json(instrument: Instrument, *, scoring: bool = False) -> str:
    """The instrument as JSON with the keys of its file; without reverse keys and scales unless `scoring` is asked for."""
    content = instrument.model_dump(mode="json", exclude_defaults=True)
    if not scoring:
        content.pop("scales", None)
        for item in content["items"]:
            item.pop("reverse", None)
    return json.dumps(content, ensure_ascii=False, allow_nan=False, indent=2) + "\n"


def _grid(block: Block) -> Table:
    """The questions of a block as rows, its points as columns."""
    between = block.shape == "differential"
    heads = [" ".join(filter(None, point)) if not between else point[0] for point in block.points]
    points = [Column(f"point{place}", head) for place, head in enumerate(heads)]
    ends = (Column("low", ""), Column("high", "")) if between else ()
    columns = (Column("question", ""), *ends[:1], *points, *ends[1:])
    rows = tuple(
        {
            "question": f"{question.number}." + ("" if between and block.stem else f" {question.text}"),
            **({"low": question.low, "high": question.high} if between else {}),
            **{point.key: CIRCLE for point in points},
        }
        for question in block.questions
    )
    return Table("form", "", columns, rows)


def _stem(block: Block) -> str:
    return f"{block.number}. {block.stem}" if block.number else block.stem


def _paragraph(text: str) -> str:
    """`text` as a paragraph of Markdown that no first character makes a heading or a list."""
    return re.sub(r"^([#+=-])", r"\\\1", in_markdown(text))


def _asked(block: Block) -> list[tuple[str, list[str]]]:
    """Each question of a block as a line, "" where the stem or the answers say it all, and the lines that answers go to."""
    match block.shape:
        case "ticks" | "ranks":
            mark = BOX if block.shape == "ticks" else BLANK
            return [("", [f"{mark} {option.text}" for option in block.questions])]
        case "pairs":
            pairs = [
                f"{one.number}. {'   '.join(f'{CIRCLE} {option}' for option in one.options)}" for one in block.questions
            ]
            return [("", pairs)]
    return [(f"{one.number}. {one.text}", _answers(block, one)) for one in block.questions]


def _answers(block: Block, question: Question) -> list[str]:
    match block.shape:
        case "list":
            return [f"{CIRCLE} {option}" for option in question.options]
        case "line" if len(block.points) > 2:
            return [" · ".join(number + (f" ({words})" if words else "") for number, words in block.points)]
        case "line":
            (low, words_low), (high, words_high) = block.points
            return [f"{low} {words_low} {BLANK * 6} {words_high} {high}"]
        case "number":
            ends = " – ".join(number for number, _ in block.points)
            return [f"{BLANK} ({ends})" if ends else BLANK]
        case _:
            return [BLANK * 10]
