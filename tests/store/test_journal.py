"""The journal: what is stored once, what holds now, undo and redo, JSON Lines, erasing; in SQLite and PostgreSQL."""

from __future__ import annotations

from dataclasses import replace
from uuid import uuid4

import pytest
from sqlalchemy import text

from workbench.errors import ArgumentError, WorkbenchError
from workbench.store.database import StoreError
from workbench.store.operations import Operation, new_operation


def op(key="k", content=None, *, by="R1", kind="coding", **further) -> Operation:
    return new_operation(by, kind, key, {"code": "HEFT"} if content is None else content, **further)


def withdrawn(key="k", *, by="R1", kind="coding", **further) -> Operation:
    return new_operation(by, kind, key, None, **further)


def now_holds(journal, kind="coding", **chosen) -> list[tuple[str, str, str]]:
    return [(entry.by, entry.key, entry.content.get("code", "")) for entry in journal.present(kind, **chosen)]


def told(entries):
    """What entries say, without when."""
    return [replace(entry, at="") for entry in entries]


# recording


def test_an_operation_becomes_an_entry_with_number_and_time(journal):
    sent = op("k", {"code": "HEFT", "about": ["still", "slosh"]}, round="rely", transcript="A01", version="2", why="w")
    (entry,) = journal.record([sent])
    assert (entry.seq, entry.batch) == (1, 1)
    assert entry.at.endswith("+00:00")
    assert replace(entry, at="") == entry.__class__(
        sent.id, "R1", "coding", "k", sent.content, "rely", "A01", "2", "w", "", 1, 1
    )
    assert journal.history() == journal.present("coding") == [entry]


def test_sending_twice_stores_once(journal):
    first, second = op("a"), op("b")
    stored = journal.record([first, second, first])
    assert [entry.seq for entry in stored] == [1, 2, 1]
    assert journal.record([second, first]) == [stored[1], stored[0]]
    assert journal.record([replace(first, at="2020-01-01T00:00:00+00:00")]) == [stored[0]]
    assert journal.last() == 2


@pytest.mark.parametrize(
    "changed", [{"content": {"code": "SWAY"}}, {"content": None}, {"by": "R2"}, {"why": "?"}, {"round": "main"}]
)
def test_the_same_id_with_other_content_is_refused_and_nothing_of_the_call_is_stored(journal, changed):
    first = op("a")
    journal.record([first])
    with pytest.raises(StoreError, match=first.id):
        journal.record([op("new"), replace(first, **changed)])
    assert journal.last() == 1
    with pytest.raises(StoreError):
        journal.record([twice := op("b"), replace(twice, **changed)])
    assert journal.last() == 1


@pytest.mark.parametrize(
    ("fault", "told"),
    [
        ({"id": "1"}, "`id` is '1'"),
        ({"by": " "}, "`by` of an operation is empty"),
        ({"kind": ""}, "`kind`"),
        ({"key": ""}, "`key`"),
        ({"kind": "undo"}, "call undo"),
        ({"content": {"x": float("nan")}}, "`content`"),
        ({"content": {"x": {1, 2}}}, "`content`"),
        ({"content": ["x"]}, "`content` is a list"),
        ({"content": {"x": "\ud800"}}, "surrogate"),
        ({"why": "a\0b"}, "NUL"),
        ({"round": None}, "`round` is None"),
        ({"at": "yesterday"}, "`at` is 'yesterday'"),
        ({"at": "2026-03-02T09:30:00"}, "offset"),
    ],
)
def test_what_cannot_be_stored_is_told(journal, fault, told):
    with pytest.raises(ArgumentError, match=told):
        journal.record([op("good"), replace(op(), **fault)])
    assert journal.history() == []


def test_words_of_any_language_come_back_as_they_were(journal):
    words = "„Schwer“ – 重い 🍲 e\u0301 \x01 \\ \" '; DROP TABLE journal; -- %s :x"
    (entry,) = journal.record([op(words, {"quote": words, "n": 1.5, "none": None}, why=words, by=words)])
    assert (entry.key, entry.why, entry.by) == (words, words, words)
    assert journal.present("coding", by=words, key=words)[0].content == {"quote": words, "n": 1.5, "none": None}


def test_seq_orders_and_a_clock_that_goes_backwards_changes_nothing(journal):
    journal.record([op("k", {"code": "FIRST"}, at="2026-03-02T10:00:00+00:00")])
    journal.record([op("k", {"code": "SECOND"}, at="2026-03-02T09:00:00+00:00")])
    assert [entry.content["code"] for entry in journal.history()] == ["FIRST", "SECOND"]
    assert now_holds(journal) == [("R1", "k", "SECOND")]
    assert journal.undo("R1").content["of"] == [journal.history()[1].id]


# the present state


def test_the_latest_entry_holds_and_a_withdrawn_one_does_not(journal):
    journal.record([op("a"), op("b"), op("a", {"code": "SWAY"}), withdrawn("b"), withdrawn("never")])
    assert now_holds(journal) == [("R1", "a", "SWAY")]
    assert len(journal.history()) == 5


def test_personal_kinds_are_kept_for_each_person_and_others_once(journal):
    journal.record([op("k"), op("k", by="R2")])
    journal.record([op("t", {"code": "one"}, kind="theme"), op("t", {"code": "two"}, kind="theme", by="R2")])
    assert now_holds(journal) == [("R1", "k", "HEFT"), ("R2", "k", "HEFT")]
    assert now_holds(journal, "theme") == [("R2", "t", "two")]


def test_what_holds_is_found_by_kind_person_round_and_transcript(journal):
    journal.record(
        op(f"{by}{round}{transcript}", by=by, round=round, transcript=transcript)
        for by in ("R1", "R2")
        for round in ("pilot", "main")
        for transcript in ("A01", "A02")
    )
    journal.record([op("r", {}, kind="rated", round="main", transcript="A01")])
    assert [entry.key for entry in journal.present("coding", by="R1", round="main")] == ["R1mainA01", "R1mainA02"]
    assert [entry.key for entry in journal.present(("coding", "rated"), by="R1", round="main", transcript="A01")] == [
        "R1mainA01",
        "r",
    ]
    assert journal.counts("coding")["R2", "pilot", "A02"] == 1
    assert sum(journal.counts(("coding", "rated")).values()) == 9
    assert [entry.seq for entry in journal.history(round="main", kind="coding", since=4, limit=1)] == [7]
    assert journal.history(by="R2", transcript="A02", round="pilot")[0].key == "R2pilotA02"


# undo and redo


def test_undo_and_redo_walk_back_and_forth(journal):
    for code in ("ONE", "TWO", "THREE"):
        journal.record([op("k", {"code": code})])
    seen = []
    for step in (journal.undo, journal.undo, journal.undo, journal.undo, journal.redo, journal.redo, journal.redo):
        entry = step("R1")
        seen.append((entry.kind if entry else None, [code for *_, code in now_holds(journal)]))
    assert seen == [
        ("undo", ["TWO"]),
        ("undo", ["ONE"]),
        ("undo", []),
        (None, []),
        ("redo", ["ONE"]),
        ("redo", ["TWO"]),
        ("redo", ["THREE"]),
    ]
    assert journal.redo("R1") is None
    assert [entry.kind for entry in journal.history()] == ["coding"] * 3 + ["undo"] * 3 + ["redo"] * 3


def test_a_new_operation_ends_the_redo_chain(journal):
    journal.record([op("a")])
    journal.record([op("b")])
    journal.undo("R1")
    journal.record([op("c")])
    assert journal.redo("R1") is None
    assert [key for _, key, _ in now_holds(journal)] == ["a", "c"]
    journal.undo("R1")
    journal.undo("R1")
    assert now_holds(journal) == []
    journal.redo("R1")
    journal.redo("R1")
    assert journal.redo("R1") is None
    assert [key for _, key, _ in now_holds(journal)] == ["a", "c"]


def test_others_new_operations_do_not_end_it_and_are_never_undone(journal):
    journal.record([op("a")])
    journal.undo("R1")
    journal.record([op("b", by="R2")])
    assert journal.redo("R1") is not None
    journal.undo("R1")
    assert journal.undo("R1") is None
    assert now_holds(journal) == [("R2", "b", "HEFT")]


def test_where_somebody_decided_later_theirs_holds_after_undo(journal):
    journal.record([op("t", {"code": "mine"}, kind="theme")])
    journal.record([op("t", {"code": "theirs"}, kind="theme", by="R2")])
    journal.undo("R1")
    assert now_holds(journal, "theme") == [("R2", "t", "theirs")]
    journal.undo("R2")
    assert now_holds(journal, "theme") == []
    journal.redo("R1")
    assert now_holds(journal, "theme") == [("R1", "t", "mine")]


def test_undo_brings_back_what_was_withdrawn(journal):
    journal.record([op("a")])
    journal.record([withdrawn("a")])
    journal.undo("R1")
    assert now_holds(journal) == [("R1", "a", "HEFT")]


def test_what_was_recorded_together_is_undone_together(journal):
    journal.record([op("a"), withdrawn("a", kind="rated"), op("b")])
    undo = journal.undo("R1")
    assert len(undo.content["of"]) == 3
    assert now_holds(journal) == []
    journal.redo("R1")
    assert [key for _, key, _ in now_holds(journal)] == ["a", "b"]


def test_undo_stays_within_a_round_and_transcript_and_the_kinds_that_can_be_undone(journal):
    journal.record([op("a", transcript="A01", round="main")])
    journal.record([op("b", transcript="A02", round="main")])
    journal.record([op("done", {}, kind="submission", transcript="A01", round="main")])
    undo = journal.undo("R1", transcript="A01")
    assert (undo.transcript, undo.round) == ("A01", "main")
    assert journal.undo("R1", transcript="A01") is None
    assert journal.present("submission")
    assert [key for _, key, _ in now_holds(journal)] == ["b"]
    assert journal.redo("R1", transcript="A02") is None
    assert journal.redo("R1", transcript="A01").content["of"] == undo.content["of"]
    with pytest.raises(ArgumentError, match="unit"):
        journal.undo("R1", unit="u1")


def test_sending_an_undo_twice_undoes_once(journal):
    journal.record([op("a")])
    journal.record([op("b")])
    id = uuid4().hex
    assert journal.undo("R1", id=id) == journal.undo("R1", id=id)
    assert [key for _, key, _ in now_holds(journal)] == ["a"]
    id = uuid4().hex
    assert journal.redo("R1", id=id) == journal.redo("R1", id=id)
    assert journal.last() == 4


# the journal only grows


@pytest.mark.parametrize("statement", ["UPDATE journal SET why = 'changed'", "DELETE FROM journal"])
def test_the_database_itself_refuses_to_change_entries(journal, statement):
    journal.record([op("a")])
    with pytest.raises(StoreError, match="only grows"), journal._database.writing() as connection:
        connection.execute(text(statement))
    assert [entry.why for entry in journal.history()] == [""]


# JSON Lines


def with_a_past(journal):
    journal.record([op("a", at="2026-03-02T10:00:00+00:00"), op("b", by="R2")])
    journal.record([op("a", {"code": "SWAY", "quote": "„ja“\n"}), withdrawn("b", by="R2")])
    journal.undo("R1")
    journal.undo("R2")
    journal.redo("R2")
    journal.record([op("t", {}, kind="theme", why="because")])
    return journal


def test_lines_into_an_empty_database_give_the_same_journal_and_present_state(journal, another):
    lines = list(with_a_past(journal).to_lines())
    assert all("\n" not in line for line in lines)
    with another() as copy:
        assert copy.from_lines(line + "\n" for line in lines) == 8
        assert copy.history() == journal.history()
        for kind in ("coding", "theme"):
            assert copy.present(kind) == journal.present(kind)
        assert copy.from_lines(lines) == 0
        assert copy.check() == []
        assert copy.redo("R1") is None
        assert copy.undo("R1").content == journal.undo("R1").content


def test_lines_are_added_to_what_is_there(journal, another):
    with another() as other:
        other.record([op("x", by="R3")])
        shared = list(other.to_lines())
        other.record([op("y", by="R3"), op("z", by="R3")])
        journal.record([op("a")])
        journal.from_lines(shared)
        assert journal.from_lines(other.to_lines()) == 2
    assert [(entry.key, entry.seq, entry.batch) for entry in journal.history()] == [
        ("a", 1, 1),
        ("x", 2, 2),
        ("y", 3, 3),
        ("z", 4, 3),
    ]
    journal.undo("R3")
    assert [key for _, key, _ in now_holds(journal)] == ["a", "x"]
    assert journal.check() == []


def test_only_chosen_entries_become_lines(journal):
    with_a_past(journal)
    assert list(journal.to_lines(lambda entry: entry.kind == "theme")) == list(journal.to_lines())[-1:]


ID = "0" * 32


@pytest.mark.parametrize(
    "broken",
    [
        "{",
        "[]",
        "null",
        '{"id": "x"}',
        '{"id": 1, "extra": 2}',
        f'{{"id": "{ID}", "by": "R1", "kind": "undo", "key": "k", "content": null}}',
        f'{{"id": "{ID}", "by": "R1", "kind": "coding", "key": "k", "content": null, "batch": []}}',
        '{"id": 7, "by": "", "kind": "erased", "key": "", "content": null}',
    ],
)
def test_a_broken_line_is_named_and_nothing_is_stored(journal, another, broken):
    lines = list(with_a_past(journal).to_lines())
    with another() as copy:
        with pytest.raises(ArgumentError, match="Line 3"):
            copy.from_lines([*lines[:2], broken, *lines[2:]])
        assert copy.history() == []


def test_a_line_that_contradicts_what_is_stored_is_refused(journal):
    with_a_past(journal)
    lines = list(journal.to_lines())
    lines[0] = lines[0].replace("HEFT", "OTHER")
    with pytest.raises(StoreError, match="other content"):
        journal.from_lines(lines)


# checking and rebuilding


def test_a_present_state_that_went_astray_is_found_and_rebuilt(journal):
    with_a_past(journal)
    assert journal.check() == []
    before = journal.present("coding")
    with journal._database.writing() as connection:
        connection.execute(text("DELETE FROM present WHERE kind = 'theme'"))
        connection.execute(text("DELETE FROM undone"))
    (finding,) = journal.check()
    assert (finding.severity, finding.kind) == ("blocks", "present state")
    journal.rebuild()
    assert journal.check() == []
    assert journal.present("coding") == before
    assert journal.present("theme")


# erasing


SAID = "Xanthippe said the ladle is heavy"


def test_erasing_leaves_an_anonymous_mark_and_nothing_else(journal):
    kept = op("keep", transcript="A02", by="R2")
    gone = [op(f"A07/{n}", {"quote": SAID}, transcript="A07", round="main", why=SAID) for n in range(3)]
    journal.record([gone[0], kept])
    journal.record(gone[1:])
    journal.undo("R1")
    assert journal.erase(lambda entry: entry.transcript == "A07", by="R1", why="a participant withdrew") == 4
    assert now_holds(journal) == [("R2", "keep", "HEFT")]
    marks = [entry for entry in journal.history() if entry.kind == "erased"]
    assert [entry.seq for entry in marks] == [1, 3, 4, 5]
    assert {(entry.by, entry.key, entry.transcript, entry.why, entry.at, entry.content) for entry in marks} == {
        ("", "", "", "", "", None)
    }
    told = journal.history(kind="erasure")[0]
    assert (told.content, told.why) == ({"entries": 4}, "a participant withdrew")
    assert SAID not in "\n".join(journal.to_lines())
    assert "A07" not in "\n".join(journal.to_lines())
    assert journal.check() == []


def test_what_was_erased_does_not_come_back_when_it_is_sent_again(journal, another):
    sent = op("A07/1", {"quote": SAID}, transcript="A07")
    journal.record([sent])
    lines = list(journal.to_lines())
    journal.erase(lambda entry: entry.transcript == "A07", by="R1", why="withdrew")
    assert journal.record([sent])[0].kind == "erased"
    journal.from_lines(lines)
    assert journal.last() == 2
    assert SAID not in "\n".join(journal.to_lines())
    with another() as copy:
        copy.from_lines(journal.to_lines())
        assert copy.history() == journal.history()


def test_erasing_nothing_leaves_no_trace(journal):
    journal.record([op()])
    assert journal.erase(lambda entry: False, by="R1", why="w") == 0
    assert journal.last() == 1


def test_after_erasing_the_journal_only_grows_again(journal):
    journal.record([op("a", transcript="A07")])
    journal.erase(lambda entry: entry.transcript == "A07", by="R1", why="withdrew")
    with pytest.raises(WorkbenchError, match="only grows"), journal._database.writing() as connection:
        connection.execute(text("UPDATE journal SET why = 'x'"))
