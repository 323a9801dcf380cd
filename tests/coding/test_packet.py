"""Packets: what goes in, what does not, and with how much distrust results are read. All words are invented."""

from __future__ import annotations

import hashlib
import io
import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import asdict, replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from packets import OTHER_RATER, assignment, working
from study_folders import study_in

from workbench.coding.packet import Assignment, make_packet, make_packet_workbook, packet_names
from workbench.coding.packet_result import PacketResult, read_packet_result, to_record
from workbench.errors import ArgumentError, StudyError, UsageError
from workbench.store.journal import Journal
from workbench.store.opening import open_store
from workbench.store.operations import Operation, new_operation

AT = "2026-11-25T19:00:00.000Z"


def coding(made: Assignment, unit: str = "A03-002", code: str = "HEFT", **changed: Any) -> dict[str, Any]:
    """A coding as the page writes it, of a whole unit or, with `start` and `end`, of words."""
    one = next(one for one in made.units if one.id == unit)
    start, end = changed.pop("start", None), changed.pop("end", None)
    place = "-" if start is None else f"{start}-{end}"
    content = {"participant": one.participant, "unit": unit, "start": start, "end": end}
    content |= {"quote": "" if start is None else one.text[start:end], "code": code, "about": [], "stance": ""}
    content |= changed.pop("content", {})
    key = f"reliability/{one.transcript}/{unit}/{place}/{code}/R2"
    operation = new_operation("R2", "coding", key, content, round="reliability", transcript=one.transcript, version="2")
    return asdict(replace(operation, at=AT)) | changed


def result(made: Assignment, *operations: dict[str, Any], **changed: Any) -> dict[str, Any]:
    """What the page saves, written here anew from what the handbook says of it."""
    listed = list(operations)
    told = json.dumps(listed, ensure_ascii=False, separators=(",", ":"))
    return {
        "format": "workbench-packet-result",
        "format_version": 1,
        "packet": made.id,
        "study": made.study,
        "round": made.round,
        "rater": made.rater,
        "codebook_version": "2",
        "units_sha256": made.units_sha256,
        "units": {one.id: hashlib.sha256(one.text.encode()).hexdigest() for one in made.units},
        "saved_at": AT,
        "operations_sha256": hashlib.sha256(told.encode()).hexdigest(),
        "operations": listed,
    } | changed


def read(folder: Path, made: Assignment, told: object) -> PacketResult:
    path = folder / "result.json"
    path.write_text(told if isinstance(told, str) else json.dumps(told), encoding="utf-8")
    return read_packet_result(path, made)


def faults(folder: Path, made: Assignment, told: object) -> list[str]:
    with pytest.raises(StudyError) as caught:
        read(folder, made, told)
    return [one.sentence() for one in caught.value.findings]


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with open_store(study_in(tmp_path / "study")) as opened:
        yield opened


# ------------------------------------------------------------------------------------- what goes in


class _Elements(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.inside: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))
        self.inside.append("")

    def handle_data(self, data: str) -> None:
        if self.inside:
            self.inside[-1] += data


def test_the_page_fetches_nothing_and_runs_nothing_but_its_own_script():
    parsed = _Elements()
    page = make_packet(assignment())
    parsed.feed(page)
    policy = next(one["content"] for _, one in parsed.found if one.get("http-equiv") == "Content-Security-Policy")
    assert policy is not None
    assert policy.startswith("default-src 'none'; script-src 'sha256-")
    assert not re.search(r"unsafe|https?:|\*", policy)
    assert not [
        name for _, one in parsed.found for name in one if name in ("src", "href", "style") or name.startswith("on")
    ]
    scripts = [one.get("type") for tag, one in parsed.found if tag == "script"]
    assert scripts == ["application/json", "module"]


@pytest.mark.parametrize("kind", ["answers", "sentences", "spans"])
def test_nothing_of_another_rater_and_no_name_of_a_speaker_goes_in(kind):
    made = assignment(kind)
    assert OTHER_RATER not in make_packet(made)
    if kind != "spans":
        book = openpyxl.load_workbook(io.BytesIO(make_packet_workbook(made)))
        assert OTHER_RATER not in "".join(str(cell.value) for sheet in book for row in sheet for cell in row)


def test_operations_of_another_rater_or_round_are_refused():
    for by, round in (("R1", "reliability"), ("R2", "pilot")):
        with pytest.raises(ArgumentError, match="nothing of others"):
            assignment(own=(new_operation(by, "rated", "k", {}, round=round),))


def test_a_transcript_without_units_of_the_round_stays_out():
    made = assignment()
    only = replace(made, units=tuple(one for one in made.units if one.transcript == "A07"))
    assert "It pulled to the left" not in make_packet(only)


def test_units_whose_turns_are_missing_and_ids_that_stand_twice_are_refused():
    made = assignment()
    with pytest.raises(ArgumentError, match="turns are not in"):
        replace(made, transcripts=made.transcripts[1:])
    with pytest.raises(ArgumentError, match="id twice"):
        replace(made, units=(*made.units, made.units[0]))
    with pytest.raises(ArgumentError, match="without /"):
        replace(made, round="a/b")


def test_the_id_stays_when_words_are_corrected_and_changes_with_the_units():
    made = assignment()
    corrected = replace(made, units=(replace(made.units[0], text="Other words."), *made.units[1:]))
    assert corrected.id == made.id
    assert corrected.units_sha256 != made.units_sha256
    assert replace(made, units=made.units[1:]).id != made.id
    assert replace(made, rater="R1").id != made.id


def test_names_of_files_hold_no_path():
    named = packet_names(assignment(rater="..\\R 2"))
    assert named.result == "practice-kitchen-reliability-R_2-coded.json"
    assert not re.search(r"[\\/]|\.\.", "".join((named.page, named.workbook, named.result)))


# -------------------------------------------------------------------------------- results of a page


def test_a_result_gives_its_operations_in_order(tmp_path):
    made = assignment()
    told = [
        coding(made, content={"about": ["still", "slosh"], "stance": "mixed"}),
        coding(made, "A03-006", "VOICE"),
        coding(made, "A03-006", "VOICE") | {"content": None, "why": "undo"},
    ]
    found = read(tmp_path, made, result(made, *told))
    assert [asdict(one) for one in found.operations] == told
    assert found.findings == ()


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"study": "another"}, "The study is “another”; this packet's is “practice-kitchen”."),
        ({"round": "pilot"}, "The round is “pilot”"),
        ({"rater": "R1"}, "The rater is “R1”"),
        ({"codebook_version": "1"}, "The codebook version is “1”; this packet's is “2”."),
        ({"packet": "0" * 32}, "It was saved from another packet of this round"),
        ({"format": "other"}, "This is not the result of a packet."),
        ({"format_version": 9}, "Its format is version “9”; version 1 is read."),
        ({"operations": None}, "no list of operations"),
        ({"operations_sha256": "0" * 64}, "the checksum does not fit"),
    ],
)
def test_a_result_of_something_else_is_refused(tmp_path, changed, said):
    made = assignment()
    assert any(said in one for one in faults(tmp_path, made, result(made, coding(made), **changed)))


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"content": {"code": "NONE"}}, "The codebook has no code “NONE”."),
        ({"content": {"code": ["HEFT"]}}, "The codebook has no code"),
        ({"content": {"about": [["still"]]}}, "it lists conditions of the study"),
        ({"content": {"stance": []}}, "`stance` is “[]”"),
        ({"content": {"about": ["elsewhere"]}}, "it lists conditions of the study"),
        ({"content": {"about": ["slosh", "still"]}}, "each once and in its order"),
        ({"content": {"stance": "very"}}, "`stance` is “very”"),
        ({"content": {"participant": "A99"}}, "is another's"),
        ({"content": {"start": 0, "end": 4, "quote": "Heav"}}, "this round codes whole units"),
        ({"content": {"more": 1}}, "`content` of a coding has not"),
        ({"by": "R1"}, "`by` is “R1”, not “R2”."),
        ({"version": "1"}, "`version` is “1”, not “2”."),
        ({"kind": "consensus"}, "`kind` is “consensus”"),
        ({"key": "reliability/A03/../../etc/passwd/-/HEFT/R2"}, "this packet has no such unit"),
        ({"key": "reliability/A03/A03-006/-/HEFT/R2"}, "is another's"),
        ({"transcript": "../A03"}, "this packet has no such unit"),
        ({"id": "1"}, "not 32 hexadecimal digits"),
        ({"at": "yesterday"}, "not a time in UTC"),
        ({"at": "2026-11-25T19:00:00"}, "not a time in UTC"),
        ({"why": "because"}, "writes undo, redo or nothing"),
        ({"key": 7}, "holds something else"),
        ({"further": 1}, "It has not the fields"),
    ],
)
def test_operations_that_a_packet_does_not_write_are_refused(tmp_path, changed, said):
    made = assignment()
    assert any(said in one for one in faults(tmp_path, made, result(made, coding(made, **changed))))


def test_all_faults_are_told_at_once_and_counted_beyond_twelve(tmp_path):
    made = assignment()
    told = faults(tmp_path, made, result(made, *(coding(made, content={"code": f"X{place}"}) for place in range(30))))
    assert len(told) == 13
    assert told[-1].startswith("result.json: 18 more operations")


def test_one_id_with_two_contents_is_refused_and_a_repeated_operation_counts_once(tmp_path):
    made = assignment()
    one = coding(made)
    assert len(read(tmp_path, made, result(made, one, one)).operations) == 1
    other = one | {"content": one["content"] | {"stance": "for"}}
    assert "stands twice" in faults(tmp_path, made, result(made, one, other))[0]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{", "not valid JSON"),
        ("[]", "not what a packet saves"),
        ("[" * 100_000, "not valid JSON"),
        ('{"a": NaN}', "not valid JSON"),
        ("", "The file is empty"),
        ('{"a": ' + "9" * 5000 + "}", "not valid JSON"),
    ],
)
def test_broken_json_is_told_plainly(tmp_path, text, said):
    assert said in faults(tmp_path, assignment(), text)[0]


def test_half_characters_are_refused(tmp_path):
    made = assignment()
    one = coding(made) | {"key": "reliability/A03/A03-002/-/HEFT/R2\ud800"}
    assert faults(tmp_path, made, result(made) | {"operations": [one]})


def test_a_huge_file_is_not_read(tmp_path):
    path = tmp_path / "result.json"
    with path.open("wb") as out:
        out.truncate(21_000_000)
    with pytest.raises(StudyError, match="The file has 21 MB; a result has up to 20 MB"):
        read_packet_result(path, assignment())


def test_a_missing_checksum_is_told_and_does_not_block(tmp_path):
    made = assignment()
    found = read(tmp_path, made, result(made, coding(made), operations_sha256=""))
    assert [one.kind for one in found.findings] == ["no checksum"]


def test_memos_and_units_where_nothing_applies_are_read(tmp_path):
    made = assignment()
    place = {"round": "reliability", "transcript": "A03", "version": "2", "at": AT}
    rated = new_operation(
        "R2", "rated", "reliability/A03/A03-002/R2", {"participant": "A03", "unit": "A03-002"}, **place
    )
    memo = new_operation(
        "R2", "memo", f"unit/A03-002/{'a' * 32}", {"on": "unit", "name": "A03-002", "text": "?"}, **place
    )
    assert read(tmp_path, made, result(made, asdict(rated), asdict(memo))).operations == (rated, memo)
    wrong = replace(memo, content={"on": "unit", "name": "A03-006", "text": "?"})
    assert "not on the unit" in faults(tmp_path, made, result(made, asdict(wrong)))[0]


def test_a_code_of_an_older_version_that_the_packet_went_on_from_can_be_taken_away_and_brought_back(tmp_path):
    made = assignment()
    old = replace(Operation(**coding(made, code="OLD")), version="1", why="any words")
    going_on = replace(made, own=(old,))
    gone = asdict(old) | {"id": "a" * 32, "version": "2", "why": "", "content": None}
    back = asdict(old) | {"id": "b" * 32, "version": "2", "why": "undo"}
    assert len(read(tmp_path, going_on, result(going_on, gone, back)).operations) == 2
    assert len(faults(tmp_path, made, result(made, gone, back))) == 2


# ------------------------------------------------------------------------------ words that changed


def test_spans_are_checked_against_the_words(tmp_path):
    made = assignment("spans")
    good = coding(made, start=0, end=5)
    assert good["content"]["quote"] == "Heavy"
    assert read(tmp_path, made, result(made, good)).operations[0].content == good["content"]
    wrong = coding(made, start=0, end=5, content={"quote": "Light"})
    assert "other words stand there" in faults(tmp_path, made, result(made, wrong))[0]
    outside = coding(made, start=500, end=505, content={"quote": "Heavy"})
    assert faults(tmp_path, made, result(made, outside))


def test_where_words_changed_spans_move_with_their_words_and_lost_ones_are_left_out(tmp_path):
    before = assignment("spans")
    lines = (("I", "Invented. How was it?"), ("P", "Well, heavy pots and real soup."))
    old, new = working(lines), working((lines[0], ("P", "Well, um, heavy pots and soup.")))
    before, after = assignment("spans", old), assignment("spans", new)
    kept = coding(before, start=6, end=16)
    lost = coding(before, code="SWAY", start=21, end=30)
    gone = kept | {"id": "b" * 32, "content": None}
    assert (kept["content"]["quote"], lost["content"]["quote"]) == ("heavy pots", "real soup")
    found = read(tmp_path, after, result(before, kept, lost, gone))
    moved = found.operations[0]
    assert moved.content is not None
    assert after.units[0].text[moved.content["start"] : moved.content["end"]] == "heavy pots"
    assert found.operations[1].key == moved.key
    assert found.operations[1].content is None
    assert sorted(one.kind for one in found.findings) == ["span lost", "unit changed"]


def test_codes_on_whole_units_stay_where_words_changed_and_a_finding_says_so(tmp_path):
    before = assignment()
    after = replace(before, units=(replace(before.units[0], text="Corrected."), *before.units[1:]))
    found = read(tmp_path, after, result(before, coding(before)))
    assert len(found.operations) == 1
    assert "The words of A03-002 have changed" in found.findings[0].found


# -------------------------------------------------------------------------------------- spreadsheet


def filled(made: Assignment, folder: Path, cells: dict[str, str], *, extra: Sequence[dict[str, str]] = ()) -> Path:
    """The spreadsheet with cells such as {"code1 A03-002": "HEFT"} filled in, and rows of one's own below."""
    book = openpyxl.load_workbook(io.BytesIO(make_packet_workbook(made)))
    sheet = book["coding"]
    columns = {cell.value: cell.column for cell in sheet[1]}
    rows = {row[0].value: row[0].row for row in sheet.iter_rows(min_row=2)}
    for place, words in cells.items():
        column, unit = place.split(" ")
        sheet.cell(rows[unit], columns[column]).value = words
    for one in extra:
        row = sheet.max_row + 1
        for column, words in one.items():
            sheet.cell(row, columns[column]).value = words
    path = folder / "filled.xlsx"
    book.save(path)
    return path


def test_a_spreadsheet_has_a_row_for_each_unit_and_no_formula():
    made = assignment()
    book = openpyxl.load_workbook(io.BytesIO(make_packet_workbook(made)))
    sheet = book["coding"]
    assert [row[0].value for row in sheet.iter_rows(min_row=2)] == [one.id for one in made.units]
    cells = [cell for page in book for row in page for cell in row]
    assert not [cell.coordinate for cell in cells if cell.data_type == "f"]
    dangerous = [cell for cell in cells if str(cell.value or "").startswith("=")]
    assert dangerous
    assert all(cell.quotePrefix for cell in dangerous)
    assert [one.formula1 for one in sheet.data_validations.dataValidation][:1] == ["'codebook'!$A$2:$A$5"]
    assert {cell.value for cell in book["codebook"]["A"][1:]} == {"HEFT", "SWAY", "VOICE", "ÜBER"}


def test_a_spreadsheet_comes_back_as_operations(tmp_path):
    made = assignment()
    cells = {
        "code1 A03-002": "heft", "code2 A03-002": "SWAY", "about A03-002": "slosh + Still", "stance A03-002": "For",
        "nothing A03-006": "yes", "memo A03-006": "+ not sure",
    }  # fmt: skip
    found = read_packet_result(filled(made, tmp_path, cells), made)
    told = {(one.kind, one.key): one.content for one in found.operations}
    heft = told["coding", "reliability/A03/A03-002/-/HEFT/R2"]
    assert heft is not None
    assert (heft["about"], heft["stance"], heft["start"]) == (["still", "slosh"], "for", None)
    assert told["rated", "reliability/A03/A03-006/R2"] == {"participant": "A03", "unit": "A03-006"}
    assert len(told) == 4
    assert found.is_state


def test_a_second_row_gives_a_code_another_condition(tmp_path):
    made = assignment()
    mark = next(row[-1].value for row in openpyxl.load_workbook(io.BytesIO(make_packet_workbook(made)))["coding"])
    path = filled(
        made, tmp_path, {"code1 A03-002": "HEFT", "about A03-002": "still"},
        extra=[{"unit": "A03-002", "code1": "SWAY", "about": "slosh", "mark": str(mark)}],
    )  # fmt: skip
    about = {
        one.content["code"]: one.content["about"] for one in read_packet_result(path, made).operations if one.content
    }
    assert about == {"HEFT": ["still"], "SWAY": ["slosh"]}


def test_all_that_is_wrong_in_a_spreadsheet_is_told_at_once(tmp_path):
    made = assignment()
    cells = {
        "code1 A03-002": "NONE", "about A03-002": "elsewhere", "stance A03-002": "very", "nothing A03-006": "maybe",
        "about A03-008": "still", "code1 A03-010": "HEFT", "nothing A03-010": "yes",
    }  # fmt: skip
    path = filled(made, tmp_path, cells, extra=[{"unit": "A99-001", "code1": "HEFT"}])
    with pytest.raises(StudyError) as caught:
        read_packet_result(path, made)
    said = " ".join(one.sentence() for one in caught.value.findings)
    for words in ("no code “NONE”", "“elsewhere” is no condition", "This is “very”", "This is “maybe”", "without a code",
                  "a code does too", "no unit “A99-001”"):  # fmt: skip
        assert words in said


def test_a_spreadsheet_of_another_packet_or_none_is_refused(tmp_path):
    made = assignment()
    path = filled(made, tmp_path, {"code1 A03-002": "HEFT"})
    with pytest.raises(StudyError, match="The rater is “R2”; this packet's is “R1”"):
        read_packet_result(path, replace(made, rater="R1"))
    openpyxl.Workbook().save(path)
    with pytest.raises(StudyError, match="no such sheet"):
        read_packet_result(path, made)
    path.write_bytes(b"PK\x03\x04 broken")
    with pytest.raises(StudyError, match="not a readable XLSX"):
        read_packet_result(path, made)


def test_free_spans_have_no_spreadsheet():
    with pytest.raises(UsageError, match="make the packet as a page"):
        make_packet_workbook(assignment("spans"))


# ------------------------------------------------------------------------------------------ merging


def merged(journal: Journal, found: PacketResult) -> int:
    """How many entries the journal has more after a merge."""
    mine: dict[str, Any] = {"by": "R2", "round": "reliability"}
    before = journal.last()
    journal.record(to_record(found, journal.present(("coding", "rated", "memo"), **mine), journal.history(**mine)))
    return journal.last() - before


def codes(journal: Journal) -> list[str]:
    return sorted(one.content["code"] for one in journal.present("coding", by="R2") if one.content)


def test_a_page_merged_twice_adds_nothing_and_a_later_save_adds_what_is_new(tmp_path, journal):
    made = assignment()
    first, second = coding(made), coding(made, "A03-006", "VOICE")
    assert merged(journal, read(tmp_path, made, result(made, first))) == 1
    assert merged(journal, read(tmp_path, made, result(made, first))) == 0
    assert merged(journal, read(tmp_path, made, result(made, first, second))) == 1
    assert codes(journal) == ["HEFT", "VOICE"]


def test_a_spreadsheet_merged_again_follows_what_it_says_now(tmp_path, journal):
    made = assignment()
    steps = (
        ({"code1 A03-002": "HEFT", "code2 A03-002": "SWAY"}, 2, ["HEFT", "SWAY"]),
        ({"code1 A03-002": "HEFT", "code2 A03-002": "SWAY"}, 0, ["HEFT", "SWAY"]),
        ({"code1 A03-002": "HEFT"}, 1, ["HEFT"]),
        ({"code1 A03-002": "HEFT", "code2 A03-002": "SWAY"}, 1, ["HEFT", "SWAY"]),
        ({"code1 A03-002": "HEFT", "code2 A03-002": "SWAY", "stance A03-002": "for"}, 2, ["HEFT", "SWAY"]),
    )
    for cells, more, held in steps:
        found = read_packet_result(filled(made, tmp_path, cells), made)
        assert merged(journal, found) == more
        assert merged(journal, found) == 0
        assert codes(journal) == held


def test_ids_of_a_spreadsheet_are_the_same_each_time(tmp_path):
    made = assignment()
    path = filled(made, tmp_path, {"code1 A03-002": "HEFT"})
    one, again = (read_packet_result(path, made).operations for _ in range(2))
    assert one == again
    assert re.fullmatch("[0-9a-f]{32}", one[0].id)
    assert isinstance(one[0], Operation)
