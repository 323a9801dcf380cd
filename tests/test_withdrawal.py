"""A participant who withdraws is erased everywhere, and nothing else is touched."""

from __future__ import annotations

import io
import shutil
import zipfile
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import docx
import openpyxl
import pytest
from demo_generator import FOLDER
from study_folders import faults_of, study_in
from typer.testing import CliRunner

from workbench import withdrawal
from workbench.cli import app
from workbench.codebook.model import Code, Codebook
from workbench.coding.consensus import record_consensus
from workbench.coding.decisions import (
    Applied,
    RaterView,
    rate_unit,
    record_codebook,
    record_memo,
    record_permission,
    remove_memo,
    take_back,
    withdraw_code,
)
from workbench.coding.material import correct_words, decide_pseudonym, read_material, record_correction, record_unit
from workbench.coding.rounds import begin_round, reopen_round, round_states, submit_round
from workbench.coding.units import split_content
from workbench.errors import UsageError
from workbench.files import read_table, without_rows
from workbench.pseudonyms.key import KEY_FILE, KeyEntry, load_key
from workbench.results.chain import collect
from workbench.store.opening import open_store
from workbench.study import Permissions, Study, open_study
from workbench.withdrawal import planned_withdrawal, withdraw

runner = CliRunner()


@pytest.fixture
def study(tmp_path):
    folder = tmp_path / "study"
    shutil.copytree(FOLDER, folder)
    return folder


def texts(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes().decode(errors="surrogateescape")
        for path in folder.rglob("*")
        if path.is_file()
    }


def test_planning_changes_nothing_and_names_every_place(study):
    before = texts(study)
    planned = planned_withdrawal(study, "A11")
    assert texts(study) == before
    rows = {one.file: len(one.rows) for one in planned.erasures}
    expected = {
        name: sum(line.startswith("A11,") for line in text.splitlines())
        for name, text in before.items()
        if name.endswith(".csv")
    }
    assert {name: n for name, n in rows.items() if name.endswith(".csv")} == {
        name: n for name, n in expected.items() if n
    }
    assert rows["responses/trials.csv"] == 4 * 42
    assert "study.toml" in rows


def test_their_rows_are_gone_and_all_others_are_as_they_were(study):
    before = texts(study)
    withdraw(study, "A11")
    after = texts(study)
    for name, text in before.items():
        if name.endswith(".csv"):
            lines = text.splitlines(keepends=True)
            assert after[name] == "".join(line for line in lines if not line.startswith("A11,"))
    assert not any("A11" in text for name, text in after.items() if name.endswith(".csv"))


def test_study_toml_keeps_its_comments_and_counts_one_more(study):
    before = (study / "study.toml").read_text(encoding="utf-8")
    withdraw(study, "A11")
    after = (study / "study.toml").read_text(encoding="utf-8")
    assert [line for line in after.splitlines() if line.startswith("#")] == [
        line for line in before.splitlines() if line.startswith("#")
    ]
    evidence = collect(study)
    assert evidence.study.declared.participants.withdrawn == 2
    assert "A11" not in evidence.study.participants
    assert not any(one.participant == "A11" for one in evidence.study.declared.exclusions)


def test_results_are_removed(study):
    (study / "results").mkdir()
    (study / "results" / "scores.csv").write_text("A11")
    withdraw(study, "A11")
    assert not (study / "results").exists()


def test_other_places_that_name_them_are_told(study):
    (study / "notes.txt").write_text("A11 was late.\nA110 was not.\n")
    planned = planned_withdrawal(study, "A11")
    assert ("notes.txt", 1) in planned.mentions


def test_an_unknown_participant_is_refused_with_the_nearest(study):
    with pytest.raises(UsageError, match=r"A99.*nowhere"):
        planned_withdrawal(study, "A99")


def test_the_command_needs_to_be_asked_twice(study):
    before = texts(study)
    asked = runner.invoke(app, ["withdraw", str(study), "A07"])
    assert asked.exit_code == 0
    assert "Nothing is changed yet" in asked.stderr
    assert texts(study) == before
    done = runner.invoke(app, ["withdraw", str(study), "A07", "--confirm"])
    assert done.exit_code == 0
    assert "Erased." in done.stderr
    again = runner.invoke(app, ["withdraw", str(study), "A07"])
    assert again.exit_code == 2


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_the_other_rows_keep_their_bytes(tmp_path, encoding, end):
    rows = ["id;wört", 'A1;"two', 'lines"', "A2;x", "A3;ü"]
    path = tmp_path / "table.csv"
    path.write_bytes((end.join(rows) + end).encode(encoding))
    table = read_table(path, "table.csv")
    (number,) = table.frame.index[table.frame["id"] == "A1"]
    kept = without_rows(path, "table.csv", [int(number)])
    assert kept == (end.join([rows[0], *rows[3:]]) + end).encode(encoding)


def test_rows_of_a_workbook(tmp_path):
    book = openpyxl.Workbook()
    for row in (["id", "n"], ["A1", 1], ["A2", 2], ["A1", 3]):
        book.active.append(row)
    path = tmp_path / "table.xlsx"
    book.save(path)
    table = read_table(path, "table.xlsx")
    rows = [int(row) for row in table.frame.index[table.frame["id"] == "A1"]]
    path.write_bytes(without_rows(path, "table.xlsx", rows))
    assert list(read_table(path, "table.xlsx").frame["id"]) == ["A2"]


# --------------------------------------------------------------------------- with interviews and decisions

MARK = "Zyxwort"
QUOTE = f"that {MARK} pot made me think of my own old kitchen"
OTHER = "I stirred it twice and then it was as light as a feather"
TALKS = {
    "A01": [("Interviewer", "How was it?"), (MARK, f"Well, {QUOTE}. Ask Brun."), ("Interviewer", "And then?"), (MARK, f"Heavy, said {MARK}.")],
    "A02": [("Interviewer", "How was it?"), ("A02", f"{OTHER}. Brun said so."), ("Interviewer", "And then?"), ("A02", "Nothing more to say.")],
}  # fmt: skip
ROUNDS = [
    {"id": "rely", "kind": "reliability"},
    {"id": "main", "kind": "main"},
    {"id": "agreed", "kind": "consensus"},
]


def lines(who: str) -> list[str]:
    return [f"{speaker}: {words}" for speaker, words in TALKS[who]]


def workbook(path: Path, *rows: list[object]) -> None:
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    path.parent.mkdir(parents=True, exist_ok=True)
    book.save(path)


def folder_with_interviews(folder: Path) -> Study:
    """A study in which A01 stands in every kind of place that there is; their words hold MARK."""
    workbook(
        folder / "ranking.xlsx", ["participant", "choice", "reason"], ["A01", "still", QUOTE], ["A02", "slosh", "so"]
    )
    document = docx.Document()
    for line in lines("A01"):
        document.add_paragraph(line)
    (folder / "transcripts" / "en").mkdir(parents=True)
    document.save(folder / "transcripts" / "recording 3.docx")
    return study_in(
        folder,
        participants={"ids": ["A01", "A02"], "permissions": {"A01": {"quotes": True}, "A02": {"quotes": True}}},
        files={
            "trials.csv": "participant,condition,n,note\nA01,still,1,\nA02,still,2,\nA01,slosh,3,Zyxwort\nA02,slosh,4,\n",
            "transcripts/A02.txt": "\n".join(lines("A02")),
            "transcripts/en/recording 3.txt": "\n".join(lines("A01")),
            "codings.csv": "participant,transcript,unit,rater,round,codebook_version,code\nA01,A01,A01-002,R1,rely,1,HEFT\nA02,A02,A02-002,R1,rely,1,HEFT\n",
            "private/names.csv": f"name,kind,replacement\n{MARK},,\nBrun,,\nNobody,,\n",
            "packets/R2.html": f"<script>{{'transcripts': [{{'name': 'A01', 'words': '{QUOTE}'}}]}}</script>",
            "packets/later.html": "<script>{'transcripts': [{'name': 'A02'}]}</script>",
            "results/manifest.json": MARK,
            "decisions.sqlite.before-step-2": MARK,
            "notes.txt": f"A01 was late.\nOne said: “{QUOTE}”.\nA02 was not.\n",
        },
        trials=[{"id": "lifts", "files": ["trials.csv"], "measures": [{"id": "n", "label": "N", "column": "n", "summary": "mean"}]}],
        preference={"file": "ranking.xlsx", "kind": "choice", "reason": "reason"},
        interviews={
            "mode": "coding reliability",
            "interviewed": ["A01", "A02"],
            "raters": ["R1", "R2"],
            "primary_rater": "R1",
            "rounds": ROUNDS,
            "codings": ["codings.csv"],
            "transcripts": ["transcripts/{participant}.txt"],
            "transcript_participants": {"transcripts/recording 3.docx": "A01", "transcripts/en/recording 3.txt": "A01"},
            "translations": ["transcripts/en/recording 3.txt"],
            "languages": {"A01": "de", "A02": "en"},
            "speakers": {MARK: "participant", "Interviewer": "interviewer"},
            "names": "private/names.csv",
        },
        exclusions=[{"participant": one, "condition": "still", "reason": "late"} for one in ("A01", "A02")],
        constructs=[{"id": "weight", "label": "Weight", "measure": "n", "codes": ["HEFT"], "supporting": {"unit": "A01-002", "words": QUOTE}, "contrary": {"unit": "A02-002", "words": "light"}}],
        joint={"exemplars": [{"code": "HEFT", "condition": "still", "unit": "A01-002", "words": QUOTE}, {"code": "PLAY", "condition": "still", "unit": "A02-002", "words": "light"}]},
    )  # fmt: skip


def decide(study: Study) -> None:
    """Decisions of every kind on A01 and A02, and some that only mention A01."""
    book = Codebook("1", (Code("HEFT", definition="weight", example=f"“{QUOTE}.”"), Code("PLAY")), author="R1")
    (study.path("private") / "names.csv").chmod(0o600)
    with open_store(study) as journal:
        one, other = (RaterView(journal, study, rater) for rater in ("R1", "R2"))
        record_codebook(journal, book, by="R1", why="first, from A01 and A02")
        key = read_material(study).key
        for phrase in (MARK, "Brun"):
            entry = KeyEntry(phrase, "name", f"[name {len(key.log) + 1}]", "confirmed", "R1")
            key = decide_pseudonym(study, journal, key, entry)
        decide_pseudonym(study, journal, key, KeyEntry("Brun", "name", "", "rejected", "R1", transcript="A01"))
        material = read_material(study)
        units = list(material.all_units())
        begin_round(journal, study, "rely", units, by="R1", why="all of A01 and A02")
        for view in (one, other):
            for unit in units:
                rate_unit(view, "rely", unit, [Applied("HEFT", start=0, end=len(unit.text))], codebook=book)
        whole = Applied("HEFT", start=0, end=len(units[0].text))
        withdraw_code(other, "rely", units[0], whole, codebook=book)
        rate_unit(other, "main", units[1], [Applied("PLAY")], codebook=book)
        take_back(other, "main")
        for view in (one, other):
            submit_round(journal, study, "rely", rater=view.rater, why="done")
        reopen_round(journal, study, "rely", by="R1", why="A01 was skipped", raters=["R2"])
        submit_round(journal, study, "rely", rater="R2", why="now with A01")
        for unit in units:
            record_consensus(
                journal, study, "agreed", unit, [Applied("HEFT")], discussed="rely", outcome="slip",
                why=f"{unit.participant} says so", by="R1", codebook=book,
            )  # fmt: skip
        record_memo(one, "unit", units[0].id, f"{MARK} again")
        remove_memo(one, record_memo(one, "transcript", "A01", f"All of {MARK}"))
        record_memo(other, "code", "HEFT", f"Compare “{QUOTE}” of A01 with A02.")
        record_permission(journal, study, "A01", Permissions(quotes=False), by="R1", why="asked by mail")
        record_permission(journal, study, "A02", Permissions(quotes=False), by="R1", why="as A01 did")
        seen = material.transcript("A01")
        record_correction(journal, seen, correct_words(seen, "4", "Heavy", "replace", text=f"Weighty {MARK}"), "R1", MARK)  # fmt: skip
        record_unit(journal, units[0], split_content(units[0], [units[0].text.index("pot")]), "R1", MARK)


@pytest.fixture
def coded(tmp_path: Path) -> Study:
    study = folder_with_interviews(tmp_path / "study")
    decide(study)
    return study


def told_by(content: bytes) -> Iterator[bytes]:
    """The bytes of a file, and of what is packed in it."""
    yield content
    if content.startswith(b"PK"):
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            for name in archive.namelist():
                yield from told_by(archive.read(name))


def holding(folder: Path, word: str) -> set[str]:
    return {
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if path.is_file() and any(word.encode() in told for told in told_by(path.read_bytes()))
    }


def test_the_marked_word_stands_everywhere_before(coded):
    assert holding(coded.folder, MARK) >= {
        "ranking.xlsx", "trials.csv", "transcripts/recording 3.docx", "transcripts/en/recording 3.txt", "study.toml",
        "decisions.sqlite", "decisions.sqlite.before-step-2", KEY_FILE, "private/names.csv", "packets/R2.html",
        "results/manifest.json", "notes.txt",
    }  # fmt: skip


def test_after_a_withdrawal_no_word_of_theirs_is_left(coded):
    planned = planned_withdrawal(coded.folder, "A01")
    assert planned.mentions == (("notes.txt", 2),)
    done = withdraw(coded.folder, "A01")
    assert done == planned
    (coded.folder / "notes.txt").unlink()
    assert holding(coded.folder, MARK) == set()
    assert holding(coded.folder, "A01") == set()
    assert holding(coded.folder, "own old kitchen") == set()


def test_every_place_is_said_before(coded):
    before = {path: path.read_bytes() for path in coded.folder.rglob("*") if path.is_file()}
    said = {(one.file, one.what) for one in planned_withdrawal(coded.folder, "A01").erasures}
    assert {path: path.read_bytes() for path in coded.folder.rglob("*") if path.is_file()} == before
    assert {file for file, what in said if what == "the whole file"} == {
        "transcripts/recording 3.docx", "transcripts/en/recording 3.txt", "packets/R2.html", "decisions.sqlite.before-step-2",
    }  # fmt: skip
    assert {what for file, what in said if file == "study.toml"} == {
        "participants.ids", "participants.permissions", "interviews.interviewed", "interviews.translations", "interviews.languages",
        "interviews.transcript_participants", "interviews.speakers", "constructs[1].supporting", "joint.exemplars[1]", "exclusions",
    }  # fmt: skip
    assert {(KEY_FILE, "2 rows"), ("private/names.csv", "1 row"), ("codings.csv", "1 row"), ("ranking.xlsx", "1 row")} <= said  # fmt: skip
    told = [what for file, what in said if file == "decisions.sqlite"]
    assert any("about them: " in one and "2 consensus" in one and "1 permission" in one for one in told)
    assert any("told anew" in one for one in told)


def test_what_is_about_others_stays(coded):
    with open_store(coded) as journal:
        codings = [one for one in journal.present("coding") if one.transcript == "A02"]
    withdraw(coded.folder, "A01")
    study = open_study(coded.folder)
    assert study.declared.participants.withdrawn == 1
    material = read_material(study)
    assert list(material.working) == ["A02"]
    assert "[name 2] said so." in material.texts()["A02-002"]
    assert [one.phrase for one in load_key(study.path(KEY_FILE)).log] == ["Brun"]
    assert material.codebooks is not None
    assert material.codebooks.current.code("HEFT").example == "“[…].”"
    with open_store(study) as journal:
        assert journal.check() == []
        assert journal.present("coding") == codings
        assert [one.key for one in journal.present("permission")] == ["A02"]
        (memo,) = journal.present("memo")
        assert (memo.by, memo.content["text"]) == ("R2", "Compare “[…]” of [withdrawn] with A02.")
        rely = round_states(journal, study)["rely"]
        assert set(rely.units) == {unit.id for unit in material.all_units()}
        assert rely.closed
    assert [one.contrary.unit for one in study.declared.constructs] == ["A02-002"]
    assert [one.unit for one in study.declared.joint.exemplars] == ["A02-002"]
    assert {"A02.txt", "later.html"} <= {path.name for path in coded.folder.rglob("*")}
    assert "Brun" in (coded.folder / "private" / "names.csv").read_text()
    assert "Nobody" in (coded.folder / "private" / "names.csv").read_text()
    assert planned_withdrawal(coded.folder, "A02").participant == "A02"


@pytest.mark.parametrize(
    ("place", "times"),
    [("transcripts/recording 3.docx", 1), ("ranking.xlsx", 1), (KEY_FILE, 1), ("study.toml", 1), ("study.toml", 2)],
)
def test_a_run_that_fails_says_what_is_left_and_can_be_run_again(coded, monkeypatch, place, times):
    good, made = withdrawal._Step, []

    def failing(name, act):
        def fail():
            raise OSError(28, "No space left on device")

        made.append(name)
        return good(name, fail if name == place and made.count(name) == times else act)

    before = (coded.folder / place).read_bytes()
    with monkeypatch.context() as patched:
        patched.setattr(withdrawal, "_Step", failing)
        (fault,) = faults_of(withdraw, coded.folder, "A01")
    assert fault.file == place
    assert place in fault.remedy
    assert "study.toml" in fault.remedy
    assert "decisions.sqlite," not in fault.remedy
    assert times == 2 or (coded.folder / place).read_bytes() == before
    withdraw(coded.folder, "A01")
    (coded.folder / "notes.txt").unlink()
    assert holding(coded.folder, MARK) == set()
    assert open_study(coded.folder).declared.participants.withdrawn == 1


def test_a_database_that_another_program_reads_is_told_and_nothing_further_is_erased(coded, monkeypatch):
    monkeypatch.setattr("workbench.withdrawal.open_store", partial(open_store, patience=0.5))
    with open_store(coded) as other, other._database.reading() as connection:
        connection.exec_driver_sql("SELECT count(*) FROM journal").scalar_one()
        (fault,) = faults_of(withdraw, coded.folder, "A01")
    assert (fault.file, "Another program has the database open" in fault.found or "locked" in fault.found) == (
        "decisions.sqlite",
        True,
    )
    assert (coded.folder / "transcripts" / "recording 3.docx").exists()
    withdraw(coded.folder, "A01")
    assert MARK.encode() not in (coded.folder / "decisions.sqlite").read_bytes()


def test_somebody_who_is_only_mentioned_is_no_participant(coded):
    for name in ("R1", "Brun", "A99"):
        with pytest.raises(UsageError, match="nowhere"):
            planned_withdrawal(coded.folder, name)


def test_row_numbers_of_others_follow_the_rows_that_leave(tmp_path):
    text = """format = 1
id = "t"
title = "T"
conditions = [{ id = "still", label = "Still" }]
participants = { ids = ["A01", "A02"] }
[[questionnaires]]
id = "q"
asked = "once"
instruments = [{ id = "i", version = "1" }]
files = ["q.csv"]
[[questionnaires.rows_left_out]]
file = "q.csv"
row = 2
participant = "A01"
reason = "twice"
[[questionnaires.rows_left_out]]
file = "q.csv"
row = 5
participant = "A02"
reason = "twice"
"""
    (tmp_path / "study.toml").write_text(text)
    (tmp_path / "q.csv").write_text("participant,x\nA01,1\nA01,2\nA02,3\nA02,4\n")
    withdraw(tmp_path, "A01")
    after = (tmp_path / "study.toml").read_text()
    assert "row = 3" in after
    assert after.count("rows_left_out") == 1
    assert (tmp_path / "q.csv").read_text() == "participant,x\nA02,3\nA02,4\n"


def test_a_folder_under_version_control_is_told(study):
    (study / ".git").mkdir()
    table = withdrawal.withdrawal_table(planned_withdrawal(study, "A11"))
    assert any(".git keeps earlier versions" in note for note in table.notes)
