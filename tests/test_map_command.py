"""`workbench map` as a person runs it: shown, corrected, asked, written, with study.toml's comments as they were."""

from __future__ import annotations

import csv
import io
import json
import os
import pty
import re
import subprocess
import sys
import tomllib
from collections.abc import Sequence
from itertools import product
from pathlib import Path

import openpyxl
import pytest
from typer.testing import CliRunner

from workbench.cli import app
from workbench.instrument import library, read_instrument
from workbench.responses.questionnaires import read_responses
from workbench.study import open_study
from workbench.study_edits import entry_text, with_entry, with_entry_rewritten, with_participants

runner = CliRunner()
PEOPLE, CONDITIONS = ("A01", "A02", "A03", "A04"), ("still", "slosh", "coach")
REAL = read_instrument(library()["weight_realism"], "weight_realism.toml")
ITEMS = [item.id for item in REAL.items]
STUDY = """\
# A study of pots.  Trailing spaces stay:   \t
format = 1
id = "pots"   # the name
title = "Pots"
conditions = [
    { id = "still", label = "Still" },  # the first
    { id = "slosh", label = "Slosh" },
    { id = "coach", label = "Coach" },
]

[participants]
ids = ["A01", "A02",   "A03", "A04"]  # four

# ---- Questionnaires
[[questionnaires]]
id = "body"
asked = "before_after"
files = ["body.csv"]
instruments = [{ id = "discomfort", version = "1.0" }]
# a note on body

# ---- The plan, decided before
[plan]
seed = 7    # lucky
"""
BODY = "participant,occasion,unease1,unease2,unease3,unease4,unease5\nA01,before,0,0,0,0,0\n"
SESSIONS = list(product(PEOPLE, CONDITIONS))


def run(*arguments: object):
    return runner.invoke(app, [str(argument) for argument in arguments])


def answers(who: str, place: str) -> list[int]:
    return [1 + (int(who[1:]) + len(place) + 2 * n) % 7 for n in range(len(ITEMS))]


def sheet(header: Sequence[str], rows: Sequence[Sequence[object]]) -> str:
    out = io.StringIO()
    csv.writer(out).writerows([header, *rows])
    return out.getvalue()


def export(header: Sequence[str] = ("Code", "Version", *ITEMS)) -> str:
    return sheet(header, [[who, place.upper(), *answers(who, place)] for who, place in SESSIONS])


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "pots").mkdir()
    (tmp_path / "pots" / "study.toml").write_bytes(STUDY.encode())
    (tmp_path / "pots" / "body.csv").write_text(BODY, encoding="utf-8")
    return tmp_path / "pots"


def brought(folder: Path, text: str, name: str = "export.csv") -> Path:
    """A file that lies beside the study folder."""
    (folder.parent / name).write_bytes(text.encode())
    return folder.parent / name


def content_of(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_without_write_it_shows_and_changes_nothing(folder):
    before = content_of(folder)
    found = run("map", folder, brought(folder, export()))
    assert found.exit_code == 0, found.output
    for part in ("weight_realism", "real6", "row 2", "[[questionnaires]]", 'participant = "Code"', "sure"):
        assert part in found.stdout
    assert "Nothing is written yet" in found.stderr
    assert content_of(folder) == before


def test_written_study_toml_is_the_same_byte_for_byte_but_for_the_new_entry(folder):
    found = run("map", folder, brought(folder, export()), "--write")
    assert found.exit_code == 0, found.output
    after = (folder / "study.toml").read_bytes().decode()
    note = "# a note on body\n"
    start = after.index("[[questionnaires]]", after.index(note))
    end = after.index("\n# ---- The plan")
    assert after[:start].rstrip("\n") + "\n" == STUDY[: STUDY.index(note) + len(note)]
    assert after[end:] == STUDY[STUDY.index("\n# ---- The plan") :]
    assert tomllib.loads(after[start:end])["questionnaires"][0]["files"] == ["responses/export.csv"]
    assert (folder / "responses" / "export.csv").read_bytes() == (folder.parent / "export.csv").read_bytes()
    rows = read_responses(open_study(folder)).answers
    read = {(row.participant, row.condition, row.item): row.value for row in rows.itertuples() if row.condition}
    expected = {
        (who, at, item): value for who, at in SESSIONS for item, value in zip(ITEMS, answers(who, at), strict=True)
    }
    assert read == expected


def test_the_preview_in_json_is_what_score_reads_afterwards(folder):
    file = brought(folder, export())
    shown = json.loads(run("map", folder, file, "--table", "preview", "--format", "json").stdout)
    assert [row["participant"] for row in shown["rows"]] == ["A01"] * 3
    first = ", ".join(f"{item} {value}" for item, value in zip(ITEMS, answers("A01", "still"), strict=True))
    assert shown["rows"][0]["answers"] == first
    run("map", folder, file, "--write")
    again = json.loads(
        run("map", folder, folder / "responses" / "export.csv", "--table", "preview", "--format", "json").stdout
    )
    assert again["rows"] == shown["rows"]


def test_corrections_by_flag(folder):
    header = ["who", "what", "a", *ITEMS[1:]]
    text = sheet(header, [[who, f"V{CONDITIONS.index(at)}", *answers(who, at)] for who, at in SESSIONS])
    file = brought(folder, text)
    assert run("map", folder, file).exit_code == 1
    names = [part for n, at in enumerate(CONDITIONS) for part in ("--condition-name", f"V{n}={at}")]
    options = ["--set", "a=real1", "--participant", "who", "--condition", "what", *names, "--id", "after"]
    found = run("map", folder, file, *options, "--missing-word", "99", "--write")
    assert found.exit_code == 0, found.output
    entry = open_study(folder).declared.questionnaires[1]
    assert entry.id == "after"
    assert entry.items == {"a": "real1"}
    assert entry.condition_names == {"V0": "still", "V1": "slosh", "V2": "coach"}
    assert entry.missing_words == ["99"]


def test_a_test_of_the_form_is_left_out_and_a_word_counts_by_flag(folder):
    lines = export().splitlines()
    first = lines[1].rpartition(",")[0]
    lines[1] = f"{first},so so"
    tried = lines[2].partition(",")[2]
    file = brought(folder, "\n".join([*lines, f"TEST,{tried}"]) + "\n")
    assert run("map", folder, file).exit_code == 1
    assert "should be WORD=NUMBER" in run("map", folder, file, "--answer-word", "so so").stderr
    options = ["--leave-out", "TEST=the form was tried", "--answer-word", "so so=4"]
    found = run("map", folder, file, *options, "--write")
    assert found.exit_code == 0, found.output
    entry = open_study(folder).declared.questionnaires[1]
    assert [(one.row, one.participant, one.reason) for one in entry.rows_left_out] == [
        (len(lines) + 1, "TEST", "the form was tried")
    ]
    assert entry.answer_words == {"so so": 4}


def test_what_blocks_is_told_and_not_written(folder):
    before = content_of(folder)
    found = run("map", folder, brought(folder, export().replace("COACH", "xyz")), "--write")
    assert found.exit_code == 1
    assert "xyz" in found.stdout
    assert "--condition-name 'xyz=CONDITION'" in found.stdout
    assert content_of(folder) == before


def test_faults_of_the_data_do_not_keep_the_mapping_from_being_written(folder):
    lines = export().splitlines(keepends=True)
    lines[1] = lines[1].replace("A01,STILL,", "A01,STILL,9", 1)
    found = run("map", folder, brought(folder, "".join(lines)), "--write")
    assert found.exit_code == 0, found.output
    assert "still block" in found.stderr
    assert run("check", folder).exit_code == 1


def test_an_inline_list_of_questionnaires_gets_one_more(folder):
    text = STUDY.replace("# ---- Questionnaires\n", "")
    start, end = text.index("[[questionnaires]]"), text.index("\n# ---- The plan")
    inline = 'questionnaires = [\n    { id = "body", asked = "before_after", files = ["body.csv"], instruments = [{ id = "discomfort", version = "1.0" }] }, # here\n]\n'
    (folder / "study.toml").write_text(inline + text[:start] + text[end:], encoding="utf-8")
    found = run("map", folder, brought(folder, export()), "--write")
    assert found.exit_code == 0, found.output
    after = (folder / "study.toml").read_text(encoding="utf-8")
    assert [one.id for one in open_study(folder).declared.questionnaires] == ["body", "export"]
    assert after.endswith(text[end:])
    assert "# here" in after


def test_a_study_toml_with_line_ends_of_windows_keeps_them(folder):
    (folder / "study.toml").write_bytes(STUDY.replace("\n", "\r\n").encode())
    assert run("map", folder, brought(folder, export()), "--write").exit_code == 0
    after = (folder / "study.toml").read_bytes()
    assert after.count(b"\n") == after.count(b"\r\n") > STUDY.count("\n")


def test_markup_and_control_characters_in_headers_are_shown_harmless_and_read(folder):
    odd = ["<b>r1</b>", "=r2", 'r3 "quoted" \\', "r4 \x1b[31mred\x07", "r5 \u202eright", "r6 [x] {item} # no"]
    file = brought(folder, export(("Code", "Version", *odd)))
    sets = [part for column, item in zip(odd, ITEMS, strict=True) for part in ("--set", f"{column}={item}")]
    found = run("map", folder, file, *sets, "--write")
    assert found.exit_code == 0, found.output
    assert "\x1b" not in found.stdout
    assert "\u202e" not in found.stdout
    assert set(open_study(folder).declared.questionnaires[1].items) == set(odd)
    assert len(read_responses(open_study(folder)).answers) == len(SESSIONS) * len(ITEMS) + 5
    markdown = run("map", folder, folder / "responses" / "export.csv", "--format", "markdown").stdout
    assert "<b>" not in markdown
    table = run("map", folder, folder / "responses" / "export.csv", "--format", "csv", "--table", "columns").stdout
    assert not any(row[0].startswith("=") for row in csv.reader(io.StringIO(table)))


def test_a_newer_export_is_compared_and_the_older_kept(folder):
    file = brought(folder, export())
    run("map", folder, file, "--write")
    lines = export().splitlines(keepends=True)
    newer = "".join([lines[0], *lines[2:]]).replace("A02,SLOSH", "A02,Slosh")
    found = run("map", folder, brought(folder, newer, "export 2.csv"))
    assert found.exit_code == 0, found.output
    assert "newer export" in found.stdout
    assert re.search(r"vanished\s+A01\s+still", found.stdout)
    before = (folder / "responses" / "export.csv").read_bytes()
    toml = (folder / "study.toml").read_bytes()
    again = run("map", folder, folder.parent / "export 2.csv", "--write")
    assert "kept as responses/export.csv.1" in again.stdout
    assert (folder / "responses" / "export.csv.1").read_bytes() == before
    assert (folder / "responses" / "export.csv").read_bytes() == newer.encode()
    assert (folder / "study.toml").read_bytes() == toml


def test_another_file_of_that_name_stays(folder):
    (folder / "responses").mkdir()
    (folder / "responses" / "export.csv").write_text("something else\n1\n", encoding="utf-8")
    before = content_of(folder)
    found = run("map", folder, brought(folder, export()), "--write")
    assert found.exit_code == 2
    assert "exists already" in found.stderr
    assert content_of(folder) == before


def test_participants_are_added_to_study_toml_on_request(folder):
    file = brought(folder, export().replace("A04", "A05"))
    found = run("map", folder, file)
    assert found.exit_code == 1
    assert "A05" in found.stdout
    found = run("map", folder, file, "--add-participants", "--write")
    assert found.exit_code == 0, found.output
    after = (folder / "study.toml").read_text(encoding="utf-8")
    assert open_study(folder).participants == (*PEOPLE, "A05")
    assert "# four" in after


def test_a_preamble_two_header_rows_and_a_second_sheet_are_found(folder):
    book = openpyxl.Workbook()
    book.active.append(["Read me"])
    answers_sheet = book.create_sheet("Answers")
    answers_sheet.append(["Code", *([at for at in CONDITIONS for _ in ITEMS])])
    answers_sheet.append(["", *(ITEMS * len(CONDITIONS))])
    for who in PEOPLE:
        answers_sheet.append([who, *(value for at in CONDITIONS for value in answers(who, at))])
    book.save(folder.parent / "book.xlsx")
    options = ["--read", "sheet=Answers", "--read", "header_rows=2"]
    found = run("map", folder, folder.parent / "book.xlsx", *options, "--write")
    assert found.exit_code == 0, found.output
    entry = open_study(folder).declared.questionnaires[1]
    assert (entry.layout, entry.columns.pattern) == ("row_per_participant", "{condition} / {item}")
    assert len(read_responses(open_study(folder)).answers) == len(SESSIONS) * len(ITEMS) + 5
    text = "Exported by the lab\nplease keep private\n\n" + export()
    found = run("map", folder, brought(folder, text, "below.csv"), "--table", "entry", "--format", "json")
    assert any("first_row = 4" in row["line"] for row in json.loads(found.stdout)["rows"])


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--set", "real1"], "should be NAME=WHAT"),
        (["--set", "nothing=real1"], "There is no column “nothing”"),
        (["--instrument", "weight"], "There is no instrument “weight”"),
        (["--condition-name", "A=stil"], "Did you mean “still”?"),
        (["--ask"], "--ask needs a terminal"),
        (["--id", "body"], "is a questionnaire already"),
        (["--table", "colums"], "Did you mean “columns”?"),
    ],
)
def test_wrong_use_is_told(folder, options, told):
    found = run("map", folder, brought(folder, export()), *options)
    assert found.exit_code == 2
    assert told in found.stderr


def test_files_that_are_no_table_are_told(folder):
    assert run("map", folder, folder.parent / "nowhere.csv").exit_code == 1
    assert run("map", folder, brought(folder, "")).exit_code == 1
    assert run("map", folder, brought(folder, export()), "--read", "headers=3").exit_code == 1


def test_csv_json_and_markdown_hold_every_table(folder, tmp_path):
    file = brought(folder, codes := export().replace("STILL", "A"))
    assert codes
    tables = json.loads(run("map", folder, file, "--format", "json").stdout)
    assert [one["name"] for one in tables] == ["columns", "words", "preview", "entry", "findings"]
    run("map", folder, file, "--format", "csv", "--out", tmp_path / "out")
    assert {path.stem for path in (tmp_path / "out").iterdir()} == {one["name"] for one in tables}


def test_ask_goes_through_what_is_unclear_on_a_terminal(folder):
    file = brought(folder, export().replace("STILL", "A").replace("SLOSH", "B"))
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "workbench.cli", "map", str(folder), str(file), "--ask", "--write"]
    with subprocess.Popen(
        command, stdin=theirs, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    ) as process:
        os.write(ours, b"stil\nstill\nslosh\n")
        output, _ = process.communicate(timeout=60)
    os.close(ours)
    os.close(theirs)
    assert process.returncode == 0, output
    assert "Did you mean “still”?" in output
    assert open_study(folder).declared.questionnaires[1].condition_names == {"A": "still", "B": "slosh"}


def test_a_new_study_and_a_foreign_file_go_to_scores(tmp_path):
    run(
        "new",
        tmp_path / "weights",
        "--condition",
        "Plain",
        "--condition",
        "Sound",
        "--participants",
        "2",
        "--instrument",
        "weight_realism",
    )
    rows = [[f"P0{n}", code, *answers(f"A0{n}", code)] for n in (1, 2) for code in ("x", "yy")]
    file = tmp_path / "forms.csv"
    file.write_text(sheet(["id", "scene", *(item.text for item in REAL.items)], rows), encoding="utf-8")
    options = ["--condition-name", "x=plain", "--condition-name", "yy=sound"]
    found = run("map", tmp_path / "weights", file, "--condition", "scene", *options, "--write")
    assert found.exit_code == 0, found.output
    assert run("check", tmp_path / "weights").exit_code == 0
    scores = json.loads(run("score", tmp_path / "weights", "--table", "scores", "--format", "json").stdout)["rows"]
    given = answers("A01", "x")
    expected = sum(8 - value if item.reverse else value for item, value in zip(REAL.items, given, strict=True)) / 6
    (score,) = [row["value"] for row in scores if (row["participant"], row["condition"]) == ("P01", "plain")]
    assert score == pytest.approx(expected, abs=1e-8)


# the text of study.toml

ENTRY = {
    "id": "form",
    "asked": "once",
    "files": ["f.csv"],
    "instruments": [{"id": "a", "version": "1"}],
    "items": {f"A long question number {n}, with words": f"item{n}" for n in range(9)},
    "missing_words": ["-99"],
}


@pytest.mark.parametrize(
    "text",
    [
        "format = 1\n",
        "format = 1",
        "",
        STUDY,
        STUDY + "\n[[questionnaires]]\nid = 'b'\n[questionnaires.columns]\nitem = \"x\"\n",
        STUDY.replace("seed", '[["questionnaires"]]\nid = "z"\n[plan.thresholds]\nseed'),
        'questionnaires = []\n[plan]\nnote = """\n[[questionnaires]]\n[other]\n"""\n',
        '[[questionnaires]]\nid = "b"\nlist = [\n["a", "b"],\n# in the list\n]\n\n# about the plan\n[plan]\n',
    ],
)
def test_an_entry_is_added_whatever_the_file_looks_like(text):
    content = tomllib.loads(text)
    after = with_entry(text, ENTRY)
    assert tomllib.loads(after) == content | {"questionnaires": [*content.get("questionnaires", []), ENTRY]}
    comments = [line for line in text.splitlines() if "#" in line]
    assert [line for line in after.splitlines() if "#" in line] == comments


def test_an_entry_reads_as_itself():
    assert tomllib.loads(entry_text(ENTRY)) == {"questionnaires": [ENTRY]}


def test_a_rewritten_entry_keeps_the_comments_of_what_stays():
    text = STUDY.replace('files = ["body.csv"]', 'files = ["body.csv"]  # one file')
    wanted = tomllib.loads(text)["questionnaires"][0] | {"files": ["other.csv"], "items": ENTRY["items"]}
    after = with_entry_rewritten(text, 0, wanted)
    assert tomllib.loads(after)["questionnaires"] == [wanted]
    for kept in ("# one file", "# a note on body", "# lucky", "# ---- The plan, decided before", '"A02",   "A03"'):
        assert kept in after


def test_what_a_rewritten_entry_says_anew_stands_above_the_comment_on_what_follows():
    wanted = tomllib.loads(STUDY)["questionnaires"][0] | {
        "label": "Body",
        "missing_words": ["-9"],
        "items": ENTRY["items"],
    }
    after = with_entry_rewritten(STUDY, 0, wanted)
    added = entry_text({"label": "Body", "missing_words": ["-9"], "items": ENTRY["items"]}).partition("\n")[2]
    assert after == STUDY.replace("# a note on body\n", "# a note on body\n" + added)


def test_ids_are_added_and_the_rest_stays():
    after = with_participants(STUDY, ["A05", "Ä 6"])
    assert tomllib.loads(after)["participants"]["ids"] == [*PEOPLE, "A05", "Ä 6"]
    assert after.replace(', "A05", "Ä 6"', "").replace(',"A05","Ä 6"', "") == STUDY
