"""What a browser sends is not believed: only the rater's own decisions on this transcript in this round are recorded."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path
from uuid import uuid4

import pytest
from study_to_code import study_to_code

from workbench.codebook.edits import split
from workbench.coding.decisions import RaterView, record_codebook, take_back
from workbench.coding.material import read_material
from workbench.coding.rounds import submit_round
from workbench.coding.sent import as_sent, sent_before, take_sent, transcript_assignment
from workbench.errors import UsageError
from workbench.store.opening import open_store

AT = "2026-03-02T09:30:00+00:00"


class Desk:
    """A rater at a transcript of a study."""

    def __init__(self, folder: Path, units: str = "answers"):
        self.study = study_to_code(folder, units=units)
        self.journal = open_store(self.study)
        self.at("R1")

    def at(self, rater: str, transcript: str = "A01") -> Desk:
        self.material = read_material(self.study)
        self.view = RaterView(self.journal, self.study, rater)
        self.assignment = transcript_assignment(self.material, self.view, "first", transcript)
        return self

    def coding(self, unit: str = "A01-002", code: str = "HEFT", **changed: object) -> dict[str, object]:
        by = self.view.rater
        content = {
            "participant": unit[:3],
            "unit": unit,
            "start": None,
            "end": None,
            "quote": "",
            "code": code,
            "about": [],
            "stance": "",
        }
        made = {
            "id": uuid4().hex,
            "by": by,
            "kind": "coding",
            "key": f"first/{unit[:3]}/{unit}/-/{code}/{by}",
            "content": content,
        }
        made |= {"round": "first", "transcript": unit[:3], "version": "1", "why": "", "at": AT}
        return made | changed

    def send(self, *operations: object):
        return take_sent(self.view, self.assignment, self.material.codebooks.versions, operations)


@pytest.fixture
def desk(tmp_path):
    made = Desk(tmp_path)
    yield made
    made.journal.close()


def test_what_is_sent_twice_is_stored_once(desk):
    one = desk.coding()
    assert desk.send(one).stored == desk.send(one).stored == (one["id"],)
    (kept,) = desk.journal.history()
    assert as_sent(kept) == one


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"by": "R2", "key": "first/A01/A01-002/-/HEFT/R2"}, "`by` is “R2”"),
        ({"key": "first/A01/A01-002/-/HEFT/R2"}, "`key` is"),
        ({"round": "agreed"}, "`round` is “agreed”"),
        ({"transcript": "A02"}, "no such unit"),
        ({"kind": "submission"}, "`kind` is “submission”"),
        ({"kind": "consensus"}, "`kind` is “consensus”"),
        ({"version": "7"}, "`version` is “7”"),
        ({"id": "x"}, "`id` is “x”"),
        ({"at": "yesterday"}, "`at` is “yesterday”"),
        ({"seq": 1}, "It has not the fields"),
    ],
)
def test_what_is_not_the_raters_own_is_refused(desk, changed, said):
    told = desk.coding(**changed)
    fit = desk.coding("A01-004")
    taken = desk.send(told, fit)
    assert said in taken.refused[told["id"]]
    assert taken.stored == (fit["id"],)
    assert [one.id for one in desk.journal.history()] == [fit["id"]]


@pytest.mark.parametrize("told", [None, "x", [], {"id": 3}])
def test_what_is_no_operation_at_all_is_refused(desk, told):
    assert desk.send(told).stored == ()
    assert desk.journal.history() == []


def test_an_id_that_says_something_else_is_refused(desk):
    one = desk.coding()
    desk.send(one)
    other = desk.coding("A01-004", id=one["id"])
    assert "recorded before" in desk.send(other).refused[one["id"]]
    assert len(desk.journal.history()) == 1


def test_words_that_do_not_stand_there_are_refused(tmp_path):
    desk = Desk(tmp_path, "spans")
    told = desk.coding()
    told["key"] = "first/A01/A01-002/0-5/HEFT/R1"
    told["content"] = dict(told["content"], start=0, end=5, quote="Light")
    assert "other words stand there" in desk.send(told).refused[told["id"]]
    told["content"] = dict(told["content"], quote="Heavy")
    assert desk.send(told).stored == (told["id"],)
    desk.journal.close()


def test_a_round_handed_in_takes_nothing_more_but_knows_what_it_has(desk):
    one, late = desk.coding(), desk.coding("A01-004")
    desk.send(one)
    submit_round(desk.journal, desk.study, "first", rater="R1", why="only a part")
    taken = desk.send(one, late)
    assert taken.stored == (one["id"],)
    assert "has submitted" in taken.refused[late["id"]]
    with pytest.raises(UsageError, match="has submitted"):
        desk.at("R1")


def test_operations_of_one_move_are_undone_together(desk):
    first, second = desk.coding(), desk.coding("A01-004")
    desk.send(first, second, desk.coding("A01-006", at="2026-03-02T09:31:00+00:00"))
    take_back(desk.view, "first")
    assert len(desk.journal.present("coding")) == 2
    take_back(desk.view, "first")
    assert desk.journal.present("coding") == []
    assert sent_before(desk.view, "first", "A01") == []


def test_a_code_that_was_split_since_can_be_taken_away_but_not_applied(desk):
    desk.send(desk.coding())
    book = split(desk.material.codebooks.current, "HEFT", [("FULL", {}), ("EMPTY", {})])
    record_codebook(desk.journal, replace(book, reason="two things"), by="R1", why="two things")
    desk.at("R1")
    old = desk.coding(version="2")
    assert "no code" in desk.send(old).refused[old["id"]]
    gone = desk.coding(version="2", content=None)
    assert desk.send(gone, desk.coding(code="FULL", version="2")).refused == {}
    assert [one.content["code"] for one in desk.journal.present("coding")] == ["FULL"]


def test_what_a_rater_saw_under_the_older_version_is_still_taken(desk):
    book = split(desk.material.codebooks.current, "SWAY", [("LEFT", {}), ("RIGHT", {})])
    record_codebook(desk.journal, book, by="R2", why="two directions")
    desk.at("R1")
    one = desk.coding(version="1")
    assert desk.send(one).stored == (one["id"],)


def test_a_rater_goes_on_from_their_own_decisions_alone(desk):
    desk.send(desk.coding())
    desk.at("R2").send(desk.coding("A01-004"))
    mine = sent_before(desk.view, "first", "A01")
    assert [one.by for one in mine] == ["R2"]
    assert sent_before(desk.view, "first", "A01", since=mine[-1].seq) == []
    assert set(asdict(mine[0])) > set(as_sent(mine[0]))
