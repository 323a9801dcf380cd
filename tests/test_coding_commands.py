"""Rounds, packets, consensus, codes to look at again and the trail, by command; and nobody sees an open round."""

from __future__ import annotations

import json

import pytest
from study_folders import study_in
from typer.testing import CliRunner

from workbench.cli import app

runner = CliRunner()
MARK = "QUOKKA"
"""A word that stands in what R1 decides, and must reach nobody while the round is open."""

BOOK = """version,code,definition,when_to_use,when_not_to_use,example,near_miss,split_from,reason
1,HEFT,weight,w,n,e,m,,
1,SWAY,moves,w,n,e,m,,
2,HEAVY,weight felt,w,n,e,m,HEFT,two things
2,LIGHT,no weight,w,n,e,m,HEFT,two things
2,SWAY,moves,w,n,e,m,,
"""


def transcript(name: str, answers: int) -> str:
    return "".join(f"I: Question number {n}, please?\n{name}: Answer {n}, the pot was heavy.\n" for n in range(answers))


@pytest.fixture
def folder(tmp_path):
    study_in(
        tmp_path,
        participants=["A01", "A02", "A03"],
        files={f"transcripts/{who}.txt": transcript(who, 6) for who in ("A01", "A02", "A03")} | {"codebook.csv": BOOK},
        interviews={
            "mode": "coding reliability",
            "raters": ["R1", "R2"],
            "rounds": [
                {"id": "pilot", "kind": "pilot"},
                {"id": "rely", "kind": "reliability"},
                {"id": "agreed", "kind": "consensus"},
            ],
            "transcripts": ["transcripts/{participant}.txt"],
            "speakers": {"I": "interviewer"},
            "codebook": "codebook.csv",
        },
    )
    return tmp_path


def run(*arguments, code=0):
    found = runner.invoke(app, [str(argument) for argument in arguments])
    assert found.exit_code == code, found.output
    return found.output


def rows(*arguments) -> list[dict]:
    told = json.loads(runner.invoke(app, [*map(str, arguments), "--format", "json"]).stdout)
    return told[0]["rows"] if isinstance(told, list) else told["rows"]


def state(folder) -> dict[str, dict]:
    return {one["round"]: one for one in rows("round", folder)}


def test_a_sample_is_drawn_beside_the_pilot_the_same_each_time(folder):
    run("round", folder, "begin", "--round", "pilot", "--transcript", "A01", "--by", "R1")
    said = run("round", folder, "draw", "--round", "rely", "--size", "4", "--seed", "7", "--by", "R1")
    assert "4 units of 2 participants, drawn with seed 7" in said
    assert (state(folder)["pilot"]["units"], state(folder)["rely"]["units"]) == (6, 4)


def test_codes_are_applied_changed_taken_back_and_submitted(folder):
    run("round", folder, "begin", "--round", "rely", "--transcript", "A01", "--by", "R1")
    assert "decisions recorded on A01-002" in run(
        "code", folder, "A01-002", "HEAVY@still:for", "SWAY", "--round", "rely", "--by", "R1"
    )
    assert "Nothing changed" in run(
        "code", folder, "A01-002", "HEAVY@still:for", "SWAY", "--round", "rely", "--by", "R1"
    )
    run("code", folder, "A01-004", "--round", "rely", "--by", "R1")
    assert state(folder)["rely"]["progress"] == "R1 2, R2 0"
    assert "Taken back" in run("code", folder, "A01-004", "--undo", "--round", "rely", "--by", "R1")
    assert state(folder)["rely"]["progress"] == "R1 1, R2 0"
    assert "Brought back" in run("code", folder, "A01-004", "--redo", "--round", "rely", "--by", "R1")
    assert "4 of 6 units are" in run("round", folder, "submit", "--round", "rely", "--by", "R1", code=2)
    run("round", folder, "submit", "--round", "rely", "--by", "R1", "--why", "the rest is noise")
    assert "has submitted" in run("code", folder, "A01-006", "SWAY", "--round", "rely", "--by", "R1", code=2)
    assert "Give the reason" in run("round", folder, "reopen", "--round", "rely", "--by", "R1", code=2)
    run("round", folder, "reopen", "--round", "rely", "--by", "R1", "--why", "forgot one")
    run("code", folder, "A01-006", "SWAY", "--round", "rely", "--by", "R1")
    assert state(folder)["rely"]["reopened"] == 1


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["A01-002", "WEIGHT", "--round", "rely", "--by", "R1"], "WEIGHT"),
        (["A01-002", "HEAVY@fast", "--round", "rely", "--by", "R1"], "“fast” is no condition"),
        (["A01-002", "HEAVY:yes", "--round", "rely", "--by", "R1"], "“yes” is no stance"),
        (["A02-002", "HEAVY", "--round", "rely", "--by", "R1"], "“A02-002” is no unit of the round"),
        (["A01-002", "HEAVY", "--round", "rely", "--by", "R9"], "“R9” is no rater"),
        (["A01-002", "HEAVY", "--round", "agreed", "--by", "R1"], "consensus round"),
        (["A01-002", "HEAVY", "--by", "R1"], "--round"),
        (["A01-002", "HEAVY", "--round", "rely"], "--by"),
    ],
)
def test_what_cannot_be_coded_is_named(folder, arguments, told):
    run("round", folder, "begin", "--round", "rely", "--transcript", "A01", "--by", "R1")
    assert told in run("code", folder, *arguments, code=2)


def test_nobody_sees_an_open_round(folder):
    run("round", folder, "begin", "--round", "rely", "--transcript", "A01", "--by", "R2")
    run("code", folder, "A01-002", "HEAVY", "--round", "rely", "--by", "R1", "--why", MARK)
    for command in (
        ["round", folder],
        ["trail", folder],
        ["trail", folder, "--by", "R2"],
        ["recode", folder],
        ["agreement", folder],
        ["check", folder],
        ["transcripts", folder],
        ["units", folder],
    ):
        told = runner.invoke(app, list(map(str, command))).output
        assert MARK not in told, command
        assert "HEAVY" not in told, command
    assert "is open" in run("consensus", folder, "--round", "rely", code=2)
    run("packet", folder, "make", "--round", "rely", "--rater", "R2")
    for path in (folder / "packets").iterdir():
        assert MARK.encode() not in path.read_bytes()
    assert MARK in run("trail", folder, "--by", "R1")


def test_two_raters_differ_and_settle_it(folder):
    run("round", folder, "begin", "--round", "rely", "--transcript", "A01", "--by", "R1")
    for rater, code in (("R1", "HEAVY"), ("R2", "LIGHT")):
        for number in range(1, 7):
            run(
                "code",
                folder,
                f"A01-{2 * number:03d}",
                *([code] if number == 1 else []),
                "--round",
                "rely",
                "--by",
                rater,
            )
        run("round", folder, "submit", "--round", "rely", "--by", rater)
    (difference,) = rows("consensus", folder, "--round", "rely")
    assert (difference["unit"], difference["codes_R1"], difference["codes_R2"], difference["settled"]) == (
        "A01-002",
        "HEAVY",
        "LIGHT",
        False,
    )
    settle = [
        "consensus",
        folder,
        "settle",
        "--round",
        "rely",
        "--unit",
        "A01-002",
        "--code",
        "HEAVY@still:for",
        "--by",
        "R1",
    ]
    assert "no outcome" in run(*settle, "--outcome", "luck", "--why", "w", code=2)
    assert "reason" in run(*settle, "--outcome", "slip", code=2)
    run(*settle, "--outcome", "slip", "--why", "R2 misread")
    (difference,) = rows("consensus", folder, "--round", "rely")
    assert difference["settled"] is True
    assert any("HEAVY on A01-002 (slip)" in one["what"] for one in rows("trail", folder))
    (agreement,) = [one for one in rows("agreement", folder, "--table", "agreement") if one["code"] == "HEAVY"]
    assert agreement["n_units"] == 6


def test_a_packet_filled_in_as_a_spreadsheet_is_merged_once(folder, tmp_path):
    from openpyxl import load_workbook

    run("round", folder, "begin", "--round", "rely", "--transcript", "A01", "--by", "R1")
    run("packet", folder, "make", "--round", "rely", "--rater", "R2", "--out", tmp_path / "out")
    (file,) = (tmp_path / "out").glob("*.xlsx")
    book = load_workbook(file)
    sheet = book["coding"]
    header = next(row for row in range(1, 12) if sheet.cell(row, 1).value == "unit")
    columns = {sheet.cell(header, place).value: place for place in range(1, sheet.max_column + 1)}
    sheet.cell(header + 1, columns["code1"]).value = "HEAVY"
    sheet.cell(header + 2, columns["nothing"]).value = "yes"
    book.save(file)
    merge = ["packet", folder, "merge", file, "--round", "rely", "--rater", "R2"]
    assert "2 units" in run(*merge)
    assert state(folder)["rely"]["progress"] == "R1 0, R2 0"
    assert "Recorded." in run(*merge, "--write")
    assert state(folder)["rely"]["progress"] == "R1 0, R2 2"
    assert "0 new decisions" in run(*merge, "--write")


def test_the_journal_played_into_an_empty_database_gives_the_same_view(folder):
    from workbench.coding.decisions import RaterView, codings_frame
    from workbench.store.opening import DECISIONS, open_store
    from workbench.study import open_study

    run("round", folder, "begin", "--round", "rely", "--transcript", "A01", "--by", "R1")
    run("code", folder, "A01-002", "HEAVY@slosh:against", "--round", "rely", "--by", "R1")
    run("code", folder, "A01-002", "SWAY", "--round", "rely", "--by", "R1")
    study = open_study(folder)
    with open_store(study) as journal:
        lines = list(journal.to_lines())
        before = codings_frame(RaterView(journal, study, "R1"))
    (folder / DECISIONS).rename(folder / "before.sqlite")
    with open_store(study) as journal:
        journal.from_lines(lines)
        after = codings_frame(RaterView(journal, study, "R1"))
    assert after.to_dict("records") == before.to_dict("records")
    assert len(after) == 1


def closed_round(folder) -> None:
    run("round", folder, "begin", "--round", "rely", "--transcript", "A01", "--by", "R1")
    for rater in ("R1", "R2"):
        run("code", folder, "A01-002", "HEAVY@still:for", "--round", "rely", "--by", rater)
        run("round", folder, "submit", "--round", "rely", "--by", rater, "--why", "one is enough here")


def test_a_permission_recorded_later_holds_for_every_quote(folder):
    from workbench.coding.decisions import record_permission
    from workbench.coding.material import read_material
    from workbench.results.chain import spoken_units
    from workbench.store.opening import open_store
    from workbench.study import Permissions, open_study

    study = open_study(folder)
    assert {one.withheld != "" for one in spoken_units(read_material(study)).values()} == {True}
    for allowed in (True, False):
        with open_store(study) as journal:
            record_permission(journal, study, "A01", Permissions(quotes=allowed), by="R1", why="a letter")
        material = read_material(study)
        spoken = {one.participant: one.withheld == "" for one in spoken_units(material).values()}
        assert spoken == {"A01": allowed, "A02": False, "A03": False}
        quotes = {one["transcript"]: one["quotes"] for one in rows("transcripts", folder, "--table", "transcripts")}
        assert quotes == {"A01": allowed, "A02": False, "A03": False}


def test_the_manifest_names_decisions_everybody_may_see(folder):
    from workbench.results.folder import write_results
    from workbench.store.opening import DECISIONS

    def hashed() -> str:
        write_results(folder, formats=["markdown"])
        return json.loads((folder / "results" / "manifest.json").read_text(encoding="utf-8"))["inputs"].get(
            DECISIONS, ""
        )

    assert hashed() == ""
    closed_round(folder)
    closed = hashed()
    assert closed
    run("round", folder, "begin", "--round", "pilot", "--transcript", "A02", "--by", "R1")
    begun = hashed()
    run("code", folder, "A02-002", "SWAY", "--round", "pilot", "--by", "R1")
    assert hashed() == begun


def test_codings_that_still_hold_are_not_said_to_be_left_out(folder):
    from workbench.results.chain import collect, counted_codings

    closed_round(folder)
    book = (folder / "codebook.csv").read_text(encoding="utf-8")
    (folder / "codebook.csv").write_text(book + "3,HEAVY,weight felt,w,n,e,m,,\n3,SWAY,moves,w,n,e,m,,\n3,NEW,n,w,n,e,m,,\n", encoding="utf-8")  # fmt: skip
    evidence = collect(folder)
    assert set(counted_codings(evidence)["code"]) == {"HEAVY"}
    assert [one.kind for one in evidence.findings if one.kind == "codings not counted"] == []
