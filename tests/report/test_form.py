"""An instrument as a participant reads it: numbered, labelled, escaped, without its key, in its reading direction."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from workbench.cli import app
from workbench.declared import parse
from workbench.errors import UsageError
from workbench.instrument import Instrument, library, read_instrument
from workbench.report.form import (
    blocks,
    direction,
    form_json,
    form_markdown,
    form_page,
    form_text,
    library_table,
    rule,
    scoring_table,
    show_form,
)

LIBRARY = {name: read_instrument(path, path.name) for name, path in library().items()}
HOSTILE = "<script>alert('x')</script> & \"q\" | *b* _i_ [l](u)"


def instrument(**changes: Any) -> Instrument:
    base: dict[str, Any] = {
        "format": 1,
        "id": "test",
        "version": "1",
        "title": "T",
        "about": "A",
        "language": "en",
        "source": "S",
        "licence": "L",
        "wording": "full",
        "validation": "V",
        "responses": {"fit": {"kind": "likert", "low": 1, "high": 5, "anchors": {"1": "No", "5": "Yes"}}},
        "items": [{"id": "a", "text": "Alpha", "response": "fit"}],
    }
    return parse(Instrument, base | changes, "test.toml")


def shown(*items: dict[str, Any], groups: dict[str, Any] | None = None, **responses: Any) -> Instrument:
    named = [{"id": f"i{number}", "text": f"Text {number}"} | item for number, item in enumerate(items, 1)]
    return instrument(items=named, groups=groups or {}, responses=responses)


class Page(HTMLParser):
    """Tags, attributes and text of a page; every tag that opens must close."""

    VOID = ("meta", "col", "br")

    def __init__(self, content: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str]] = []
        self.open: list[str] = []
        self.words: list[str] = []
        self.feed(content)
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(name, value or "") for name, value in attrs]
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


# --------------------------------------------------------------------------------------------- shapes


@pytest.mark.parametrize("name", sorted(LIBRARY))
def test_every_item_is_shown_once_under_consecutive_numbers(name: str) -> None:
    made = blocks(LIBRARY[name])
    numbers = [
        number
        for block in made
        for number in ([block.number] if block.number else [one.number for one in block.questions])
    ]
    assert numbers == [str(number) for number in range(1, len(numbers) + 1)]
    assert [one.text for block in made for one in block.questions] == [item.text for item in LIBRARY[name].items]


def test_points_marks_and_ends() -> None:
    [likert] = blocks(shown({"response": "r"}, r={"kind": "likert", "low": -1, "high": 1, "anchors": {"-1": "low"}}))
    assert (likert.shape, likert.points) == ("grid", (("−1", "low"), ("0", ""), ("1", "")))
    [wide] = blocks(shown({"response": "r"}, r={"kind": "likert", "low": 0, "high": 20, "anchors": {"20": "top"}}))
    assert (wide.shape, len(wide.points), wide.points[-1]) == ("line", 21, ("20", "top"))
    [too_wide] = blocks(shown({"response": "r"}, r={"kind": "likert", "low": 0, "high": 100}))
    assert (too_wide.shape, too_wide.points) == ("line", (("0", ""), ("100", "")))
    [steps] = blocks(shown({"response": "r"}, r={"kind": "numeric", "low": 0, "high": 1, "step": 0.25}))
    assert [number for number, _ in steps.points] == ["0", "0.25", "0.5", "0.75", "1"]
    [free] = blocks(shown({"response": "r"}, r={"kind": "numeric", "low": 0}))
    assert (free.shape, free.points) == ("number", ())


def test_one_choice_is_a_list_and_several_are_a_grid() -> None:
    choices = {"kind": "choice", "choices": [{"value": 7, "label": "Left"}, {"value": 9, "label": "Right"}]}
    [single] = blocks(shown({"response": "r"}, r=choices))
    assert (single.shape, single.questions[0].options) == ("list", ("Left", "Right"))
    [several] = blocks(shown({"response": "r"}, {"response": "r"}, r=choices))
    assert (several.shape, several.points) == ("grid", (("", "Left"), ("", "Right")))


def test_yes_and_no_in_words_of_the_instrument() -> None:
    [english] = blocks(shown({"response": "r"}, r={"kind": "yes_no"}))
    assert english.questions[0].options == ("Yes", "No")
    [german] = blocks(shown({"response": "r"}, r={"kind": "yes_no", "anchors": {"0": "Nein", "1": "Ja"}}))
    assert german.questions[0].options == ("Ja", "Nein")


def test_options_and_objects_share_the_number_of_their_question() -> None:
    groups = {"q": {"text": "Which?"}, "o": {"text": "Rank."}}
    ticks = [{"response": "t", "group": "q"}] * 2
    ranks = [{"response": "r", "group": "o"}] * 2
    made = blocks(shown(*ticks, *ranks, groups=groups, t={"kind": "tick"}, r={"kind": "rank", "low": 1, "high": 2}))
    assert [(block.shape, block.number, block.stem) for block in made] == [
        ("ticks", "1", "Which?"),
        ("ranks", "2", "Rank."),
    ]


# ------------------------------------------------------------------------------------------- the page


@pytest.mark.parametrize("name", sorted(LIBRARY))
def test_pages_are_whole_and_fetch_and_run_nothing(name: str) -> None:
    page = Page(form_page(LIBRARY[name], scoring=True))
    assert not {"script", "img", "link", "iframe", "form", "a", "object"} & set(page.tags)
    assert not [name for name, _ in page.attributes if name.startswith("on") or name in ("src", "href")]
    assert ("lang", LIBRARY[name].language) in page.attributes
    for number, block in enumerate(blocks(LIBRARY[name]), 1):
        assert all(words in page.text for _, words in block.points), number
        assert all(end in page.text for one in block.questions for end in (one.low, one.high))
        if block.shape not in ("pairs", "differential"):
            assert all(" ".join(one.text.split()) in page.text for one in block.questions)


@pytest.mark.parametrize("kind", ["html", "markdown", "text"])
def test_each_point_of_a_grid_can_be_marked(kind: str) -> None:
    one = LIBRARY["weight_realism"]
    made = {"html": form_page, "markdown": form_markdown, "text": form_text}[kind](one)
    assert made.count('<span class="circle">' if kind == "html" else "○") == 6 * 7
    for words in ("Completely", one.instruction.split(".")[0], "6. "):
        assert words in made
    assert kind == "text" or "Not at all" in made  # a terminal breaks it over two lines


def test_markup_in_an_instrument_shows_as_itself() -> None:
    one = instrument(
        title=HOSTILE,
        about=HOSTILE,
        source=HOSTILE,
        licence=HOSTILE,
        validation=HOSTILE,
        instruction=HOSTILE,
        wording="short labels",
        groups={"q": {"text": HOSTILE}},
        responses={"fit": {"kind": "likert", "low": 1, "high": 3, "anchors": {"1": HOSTILE}}},
        items=[{"id": "a", "text": HOSTILE, "response": "fit", "group": "q"}],
        scales=[{"id": "s", "label": HOSTILE, "items": ["a"], "higher": HOSTILE}],
    )
    content = form_page(one, scoring=True)
    assert "<script" not in content
    page = Page(content)
    assert "script" not in page.tags
    assert page.text.count(HOSTILE) >= 10
    markdown = form_markdown(one, scoring=True)
    assert "<script" not in markdown
    assert "[l](u)" not in markdown
    assert "\\*b\\*" in markdown


@pytest.mark.parametrize("start", ["# ", "- ", "+ ", "= "])
def test_an_instruction_is_a_paragraph_whatever_it_begins_with(start: str) -> None:
    assert form_markdown(instrument(instruction=f"{start}text")).startswith(f"\\{start}")


def test_control_characters_do_not_reach_the_page() -> None:
    content = form_page(instrument(items=[{"id": "a", "text": "a\x1b[31m\u202eb\x00", "response": "fit"}]))
    assert not re.search("[\x00\x1b\u202e]", content)


@pytest.mark.parametrize(
    ("language", "expected"),
    [("en", "ltr"), ("de-AT", "ltr"), ("ar", "rtl"), ("he-IL", "rtl"), ("fa", "rtl"), ("az-Arab", "rtl"), ("ur-Latn", "ltr"), ("pa_Arab_PK", "rtl"), ("ja", "ltr")],
)  # fmt: skip
def test_reading_direction(language: str, expected: str) -> None:
    assert direction(language) == expected
    opening = f'<html lang="{language}" dir="{expected}">'
    assert opening in form_page(instrument(language=language))


def test_what_is_for_the_researcher_is_in_english_and_left_to_right() -> None:
    content = form_page(
        instrument(language="ar", wording="short labels", scales=[{"id": "s", "label": "S", "items": ["a"]}]),
        scoring=True,
    )
    for part in (
        '<header class="desk"',
        '<div class="who"',
        '<p class="notice"',
        '<p class="colophon"',
        '<section class="desk key"',
    ):
        assert f'{part} lang="en" dir="ltr"' in content


def test_the_title_is_not_printed_and_the_key_is_on_a_page_of_its_own() -> None:
    content = form_page(LIBRARY["weight_realism"], scoring=True)
    printed = content[content.index("@media print") : content.index("</style>")]
    assert ".desk { display: none; }" in printed
    assert ".desk.key { display: block; break-before: page;" in printed
    sheet = content[content.index("<main") : content.index("</main>")]
    assert "Weight realism" not in sheet


@pytest.mark.parametrize("name", ["system_usability", "task_load_raw", "simulator_sickness", "presence"])
def test_a_form_without_the_published_wording_says_so_on_every_way(name: str) -> None:
    for made in (form_page(LIBRARY[name]), form_markdown(LIBRARY[name]), form_text(LIBRARY[name])):
        assert "Not ready to hand out" in made
    assert "Not ready" not in form_page(LIBRARY["cybersickness"])
    assert "CC BY 4.0" in form_page(LIBRARY["cybersickness"]), "attribution on the sheet"


# -------------------------------------------------------------------------------------------- scoring


@pytest.mark.parametrize("name", sorted(LIBRARY))
def test_the_key_is_shown_only_when_asked_for(name: str) -> None:
    one = LIBRARY[name]
    for make in (form_page, form_markdown, form_text):
        assert "Scoring of" not in make(one)
        assert "Scoring of" in make(one, scoring=True)
    plain = json.loads(form_json(one))
    assert "scales" not in plain
    assert not any("reverse" in item for item in plain["items"])
    assert parse(Instrument, json.loads(form_json(one, scoring=True)), name) == one


def test_the_key_says_reversal_rule_and_range() -> None:
    [row] = scoring_table(LIBRARY["system_usability"]).rows
    assert row["rule"] == "sum of the items; − 10; times 2.5"
    assert row["range"] == "0 to 100"
    assert "sus2 (r)" in str(row["items"])
    assert "sus1 (r)" not in str(row["items"])
    total = LIBRARY["simulator_sickness"].scales[-1]
    assert rule(total) == "weighted sum (weights 1, but ssq1 2, ssq5 2, ssq8 2, ssq9 2, ssq11 2); times 3.74"
    assert rule(LIBRARY["comfort"].scales[0]) == "the answer"
    assert rule(LIBRARY["task_load_weighted"].scales[0]).startswith("weighted mean; an item weighs as often")


# ------------------------------------------------------------------------------------------ the command


def run(*arguments: object) -> Any:
    return CliRunner().invoke(app, ["instrument", *map(str, arguments)])


def test_the_list_names_every_instrument_in_every_format() -> None:
    for format in ("text", "markdown", "csv", "json", "html"):
        found = run("--format", format)
        assert found.exit_code == 0, found.output
        assert all(name.replace("_", "\\_" if format == "markdown" else "_") in found.stdout for name in LIBRARY)
    rows = json.loads(run("--format", "json").stdout)["rows"]
    assert [row["id"] for row in rows] == sorted(LIBRARY)
    assert all(row["source"] and row["licence"] and row["validation"] for row in rows)


@pytest.mark.parametrize("format", ["text", "markdown", "html", "json"])
def test_the_command_shows_what_the_function_makes(format: str, tmp_path: Path) -> None:
    out = tmp_path / "form"
    assert run("effort", "--format", format, "--out", out, "--scoring").stdout == ""
    assert out.read_text(encoding="utf-8") == show_form("effort", None, format, scoring=True)
    assert run("effort", "--format", format, "--scoring").stdout == out.read_text(encoding="utf-8")


def test_a_studys_own_instrument_wins_and_is_listed(tmp_path: Path) -> None:
    (tmp_path / "instruments").mkdir()
    text = library()["effort"].read_text(encoding="utf-8").replace("my arms wanted", "OUR ARMS wanted")
    (tmp_path / "instruments" / "effort.toml").write_text(text, encoding="utf-8")
    (tmp_path / "instruments" / "mine.toml").write_text(
        text.replace('id = "effort"', 'id = "mine"', 1), encoding="utf-8"
    )
    assert "OUR ARMS" in run("effort", "--study", tmp_path).stdout
    assert "OUR ARMS" not in run("effort").stdout
    assert "mine" in [row["id"] for row in library_table(tmp_path).rows]


@pytest.mark.parametrize(
    ("arguments", "code", "told"),
    [
        (["efort"], 2, "Did you mean “effort”?"),
        (["effort", "--format", "csv"], 2, "choose text, markdown, html or json"),
        (["effort", "--study", "nowhere"], 2, "nowhere is no study folder"),
        (["--study", "nowhere"], 2, "nowhere is no study folder"),
    ],
)
def test_wrong_use_is_told(arguments: list[str], code: int, told: str) -> None:
    found = run(*arguments)
    assert (found.exit_code, told in found.stderr) == (code, True), found.output


def test_a_broken_instrument_of_the_study_is_told_with_its_place(tmp_path: Path) -> None:
    (tmp_path / "instruments").mkdir()
    (tmp_path / "instruments" / "mine.toml").write_text('format = 1\nid = "mine"\nitems = []\n', encoding="utf-8")
    found = run("mine", "--study", tmp_path)
    assert found.exit_code == 1
    assert "mine.toml" in found.stderr
    with pytest.raises(UsageError):
        show_form("other", tmp_path, "text")


def test_plain_text_fits_the_terminal() -> None:
    for one in LIBRARY.values():
        assert max(map(len, form_text(one, width=80).splitlines())) <= 80
