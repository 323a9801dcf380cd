"""New study folders: whatever words a person chooses, the folder passes `check`, or is refused whole."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from workbench.errors import UsageError
from workbench.files import read_table
from workbench.instrument import library
from workbench.results.chain import collect
from workbench.study import open_study
from workbench.template import DEFAULT_CONDITIONS, DEFAULT_INSTRUMENTS, new_study

ODD_WORDS = {
    "quotes": 'He said "no"; she said \'yes\' """ all day',
    "line breaks": "first\nsecond\r\nthird\ttab",
    "emoji": "🙂👩‍🍳",
    "umlauts": "Größe über Höhe",
    "another script": "版本一",
    "right to left": "גרסה",
    "backslashes": r"C:\new\x \\ \u0041",
    "markup": "<b>A</b> & {curly} ] [plan]",
    "formula": '=HYPERLINK("x")',
    "escape codes": "\x1b[31mred\x07\x7f\x00",
    "comment": "A # not a comment",
}


def new(folder: Path, **changes: Any) -> Path:
    keys: dict[str, Any] = {
        "title": "T",
        "conditions": DEFAULT_CONDITIONS,
        "participants": 6,
        "instruments": DEFAULT_INSTRUMENTS,
    }
    new_study(folder, **{**keys, **changes})
    return folder


@pytest.mark.parametrize("k", [1, 2, 3, 6, 9])
def test_a_new_folder_has_nothing_that_blocks(tmp_path: Path, k: int) -> None:
    labels = [f"Version {number}" for number in range(1, k + 1)]
    evidence = collect(new(tmp_path / "s", conditions=labels, participants=13))
    study = evidence.study
    assert list(study.condition_labels.values()) == labels
    assert len(study.participants) == study.plan.target_n == 13
    orders = {1: 1, 2: 2, 3: 6, 6: 6, 9: 18}[k]
    assert len(study.declared.sequences) == orders
    uses = [list(study.assigned.values()).count(name) for name in study.declared.sequences]
    assert max(uses) - min(uses) <= 1
    assert [one.kind for one in evidence.findings if one.severity == "blocks"] == []
    assert sorted(path.name for path in tmp_path.iterdir()) == ["s"]


def test_the_sheet_has_a_column_for_every_item(tmp_path: Path) -> None:
    study = open_study(new(tmp_path / "s", instruments=["effort", "comfort"]))
    columns = read_table(study.path("responses/after_condition.csv"), "r").columns
    items = [item.id for name in ("effort", "comfort") for item in study.instruments[name].items]
    assert columns == ["participant", "condition", *items]


@pytest.mark.parametrize("instruments", [[name] for name in sorted(library())] + [["effort", "effort", "comfort"]])
def test_any_instruments_of_the_library(tmp_path: Path, instruments: list[str]) -> None:
    study = collect(new(tmp_path / "s", instruments=instruments)).study
    assert list(study.instruments) == list(dict.fromkeys(instruments))


@pytest.mark.parametrize("words", ODD_WORDS.values(), ids=ODD_WORDS.keys())
def test_odd_titles_and_labels_are_kept(tmp_path: Path, words: str) -> None:
    study = collect(new(tmp_path / "s", title=words, conditions=[words, "plain", f"{words} 2"])).study
    assert study.declared.title == words
    assert list(study.condition_labels.values()) == [words, "plain", f"{words} 2"]


_TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=70)


@settings(max_examples=60, deadline=None)
@given(title=_TEXT, labels=st.lists(_TEXT, min_size=1, max_size=4))
def test_any_words_give_a_sound_folder_or_are_refused_whole(
    tmp_path_factory: pytest.TempPathFactory, title: str, labels: list[str]
) -> None:
    folder = tmp_path_factory.mktemp("new")
    try:
        new(folder / "s", title=title, conditions=labels)
    except UsageError:
        assert list(folder.iterdir()) == []
    else:
        study = open_study(folder / "s")
        assert study.declared.title == title
        assert list(study.condition_labels.values()) == labels


@pytest.mark.parametrize(
    ("folder", "study_id"),
    [
        ("my study", "my-study"),
        ("2026", "study"),
        (".hidden", "hidden"),
        ("x/y/z", "z"),
        ("x/../w", "w"),
        ('it\'s #1 "best"', "it-s-1-best"),
        ("line\nbreak", "line-break"),
        ("bell\x07", "bell"),
        ("{curly}", "curly"),
        ("ärger", "rger"),
        ("é1", "study"),
        ("🙂", "study"),
        ("l" * 200, "l" * 60),
        ("bad\udcff", "bad"),
    ],
)
def test_odd_folder_names(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, folder: str, study_id: str) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "x").mkdir()
    for place in (Path(folder), tmp_path / "absolute" / folder.replace("..", ".")):
        assert open_study(new(place)).declared.id in (study_id, "w")
        assert (place / "responses" / "after_condition.csv").is_file()


def test_the_commands_in_the_comments_can_be_copied(tmp_path: Path) -> None:
    text = (new(tmp_path / "my study") / "study.toml").read_text()
    assert "workbench check 'my study'\n" in text
    assert "workbench plan 'my study' freeze" in text


def test_an_empty_folder_is_filled(tmp_path: Path) -> None:
    (tmp_path / "s").mkdir()
    assert open_study(new(tmp_path / "s"))


@pytest.mark.parametrize("inside", ["file", ".hidden"])
def test_a_folder_with_anything_in_it_is_refused(tmp_path: Path, inside: str) -> None:
    (tmp_path / "s").mkdir()
    (tmp_path / "s" / inside).write_text("mine")
    with pytest.raises(UsageError, match="is not empty"):
        new(tmp_path / "s")
    assert [path.name for path in (tmp_path / "s").iterdir()] == [inside]
    with pytest.raises(UsageError, match="is not empty"):
        new(tmp_path / "s" / inside)


def test_the_folder_one_works_in_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(UsageError, match="working in"):
        new(Path("."))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"participants": 0}, "0 participants cannot be planned"),
        ({"participants": -3}, "-3 participants cannot be planned"),
        ({"instruments": ["efort"]}, "Did you mean “effort”"),
        ({"instruments": []}, "at least one condition and one instrument"),
        ({"conditions": []}, "at least one condition and one instrument"),
        ({"conditions": ["A", "a"]}, "do not give distinct names"),
        ({"conditions": ["A", "A!"]}, "do not give distinct names"),
        ({"conditions": ["🙂", "🙂"]}, "do not give distinct names"),
        ({"conditions": ["🙂", "Condition 1"]}, "do not give distinct names"),
        ({"conditions": ["A", " "]}, "empty label"),
        ({"conditions": [""]}, "empty label"),
        ({"title": "\udcff"}, "is not text"),
        ({"conditions": ["A", "\udcff"]}, "is not text"),
    ],
)
def test_what_cannot_be_is_refused_before_anything_is_written(
    tmp_path: Path, changes: dict[str, Any], told: str
) -> None:
    with pytest.raises(UsageError, match=told):
        new(tmp_path / "s", **changes)
    assert list(tmp_path.iterdir()) == []


def _own_library(folder: Path, monkeypatch: pytest.MonkeyPatch, changes: dict[str, str]) -> None:
    """The library, replaced by copies of `effort` under other names with words replaced."""
    text = library()["effort"].read_text(encoding="utf-8")
    paths = {}
    for name in ("one", "two"):
        content = text.replace('id = "effort"', f'id = "{name}"', 1)
        for old, new_word in changes.items():
            content = content.replace(old, new_word.format(name=name))
        paths[name] = folder / f"{name}.toml"
        paths[name].write_text(content, encoding="utf-8")
    monkeypatch.setattr("workbench.template.library", lambda: paths)
    monkeypatch.setattr("workbench.instrument.library", lambda _=None: paths)


def test_two_instruments_with_the_same_items_get_qualified_columns(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "library").mkdir()
    _own_library(tmp_path / "library", monkeypatch, {'id = "effort"': 'id = "scale_{name}"'})
    study = collect(new(tmp_path / "s", instruments=["one", "two"])).study
    columns = read_table(study.path("responses/after_condition.csv"), "r").columns
    assert columns[2:4] == ["one.effort1", "one.effort2"]
    assert "two.effort1" in columns


def test_two_instruments_with_the_same_scale_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "library").mkdir()
    _own_library(tmp_path / "library", monkeypatch, {})
    with pytest.raises(UsageError, match="one and two both have a scale “effort”"):
        new(tmp_path / "s", instruments=["one", "two"])
    assert not (tmp_path / "s").exists()


def test_an_instrument_without_scales(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "library").mkdir()
    _own_library(tmp_path / "library", monkeypatch, {})
    path = tmp_path / "library" / "one.toml"
    content = path.read_text(encoding="utf-8")
    path.write_text(content[: content.index("[[scales]]")], encoding="utf-8")
    assert open_study(new(tmp_path / "s", instruments=["one"])).plan.families == []


def test_an_interrupt_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("workbench.template._sheet", interrupted)
    with pytest.raises(KeyboardInterrupt):
        new(tmp_path / "s")
    assert os.listdir(tmp_path) == []


def test_the_written_file_is_toml_with_every_comment_in_place(tmp_path: Path) -> None:
    content = tomllib.loads((new(tmp_path / "s") / "study.toml").read_text(encoding="utf-8"))
    assert content["plan"]["families"][0] == {
        "id": "omnibus",
        "tests": "omnibus",
        "measures": content["plan"]["primary"],
        "correction": "holm",
    }
    assert [one["tests"] for one in content["plan"]["families"][1:]] == ["pairs"] * len(content["plan"]["primary"])


def test_uncommented_lines_are_sound_too(tmp_path: Path) -> None:
    """What the comments offer can be switched on."""
    folder = new(tmp_path / "s")
    path = folder / "study.toml"
    text = path.read_text(encoding="utf-8")
    offered = [
        line for line in text.splitlines() if (line.startswith("# ") and " = " in line) or line == "# [session_log]"
    ]
    assert len(offered) == 6
    for line in offered:
        text = text.replace(line, line.removeprefix("# "))
    path.write_text(text, encoding="utf-8")
    declared = open_study(folder).declared
    assert declared.session_log is not None
    assert declared.questionnaires[0].columns.participant == "Participant"
    assert declared.plan.smallest_effects
