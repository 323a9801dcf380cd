"""Excerpts, export and import by command."""

from __future__ import annotations

import csv
import io
import json
import zipfile
from html.parser import HTMLParser

import pytest
from hostile_interviews import FORMULA, PLAIN, hostile_study
from typer.testing import CliRunner

from workbench.cli import app
from workbench.coding.decisions import Applied, RaterView, apply_code, record_memo
from workbench.coding.material import read_material
from workbench.coding.rounds import submit_round
from workbench.store.opening import open_store
from workbench.study import open_study

runner = CliRunner()
SECRET = "ZANZIBAR"
"""What A03 said, who allows no quotes."""


@pytest.fixture
def folder(tmp_path):
    return hostile_study(tmp_path / "study").folder


@pytest.fixture
def uncoded(tmp_path):
    """The same study without a file of codings."""
    return hostile_study(tmp_path / "uncoded", codings=False).folder


def run(*arguments, code=0):
    found = runner.invoke(app, [str(argument) for argument in arguments])
    assert found.exit_code == code, found.output
    return found


def rows(*arguments) -> list[dict]:
    told = json.loads(run(*arguments, "--format", "json").stdout)
    return told["rows"] if isinstance(told, dict) else told[0]["rows"]


def counts(found: list[dict]) -> dict[str, int]:
    return {one["what"]: one["number"] for one in found if one["number"]}


# excerpts


@pytest.mark.parametrize("form", ["text", "csv", "json", "markdown", "html"])
@pytest.mark.parametrize("by", ["participant", "condition"])
def test_words_of_those_who_do_not_allow_quotes_are_in_no_form(folder, form, by):
    found = run("excerpts", folder, PLAIN, "--format", form, "--by", by, "--context", "9")
    assert SECRET not in found.output
    assert "very" in found.stdout
    for table in ("excerpts", "excerpt_counts"):
        if form != "html":
            assert SECRET not in run("excerpts", folder, PLAIN, "--format", form, "--table", table).output


def test_what_is_withheld_is_counted(folder):
    assert (
        "2 excerpts withheld, of participants who do not allow quotes: A03 2." in run("excerpts", folder, PLAIN).stdout
    )
    assert "A03 2" in run("excerpts", folder, PLAIN, "--format", "csv").stderr
    found = rows("excerpts", folder, PLAIN, "--table", "excerpt_counts")
    assert [(one["participant"], one["excerpts"], one["shown"]) for one in found] == [
        ("A01", 1, True),
        ("A02", 1, True),
        ("A03", 2, False),
    ]


class Page(HTMLParser):
    """The tags of a page with their attributes, and the text inside <mark>."""

    def __init__(self, text: str):
        super().__init__()
        self.tags: list[tuple[str, dict]] = []
        self.marked: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data):
        if self.tags and self.tags[-1][0] == "mark":
            self.marked.append(data)


def test_the_page_stands_alone_and_shows_hostile_words_as_words(folder, tmp_path):
    out = tmp_path / "page.html"
    run("excerpts", folder, "T", "--theme", "--format", "html", "--out", out)
    page = Page(out.read_text(encoding="utf-8"))
    names = {tag for tag, _ in page.tags}
    assert not names & {"script", "i", "img", "link", "iframe"}
    assert not any(
        name in ("src", "href") or name.startswith("on") for _, attributes in page.tags for name in attributes
    )
    assert {(one["lang"], one["dir"]) for tag, one in page.tags if tag == "blockquote"} == {
        ("en", "auto"),
        ("he", "rtl"),
    }
    assert page.marked[0] == "=SUM(A1)"
    assert "<script>alert(1)</script> and now?" not in out.read_text(encoding="utf-8")


def test_a_formula_is_no_formula_in_csv(folder):
    told = list(csv.DictReader(io.StringIO(run("excerpts", folder, PLAIN, "--format", "csv").stdout)))
    assert told[0]["words"].startswith("'=SUM(A1)")
    assert [one["code"] for one in csv.DictReader(io.StringIO(run("export", folder, "--to", "csv").stdout))][
        2
    ] == f"'{FORMULA}"


def test_by_condition_an_excerpt_stands_under_each_that_it_is_about(folder):
    found = rows("excerpts", folder, PLAIN, "--by", "condition")
    assert [(one["group"], one["participant"]) for one in found] == [
        ("The still one", "A01"),
        ("The still one", "A02"),
        ("The slosh one", "A01"),
    ]


def test_codes_among_codes_are_tables(folder):
    together = rows("excerpts", folder, "--table", "cooccurrence")
    assert (together[0]["units"], together[0]["participants"], together[0]["jaccard"]) == (2, 2, 0.5)
    assert {one["theme"] for one in rows("excerpts", folder, "--table", "code_by_theme")} == {"Traps", "no theme"}


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["HEFTY"], "Did you mean “HEFT”?"),
        (["HEFT", "--theme"], "“HEFT” is no theme"),
        (["HEFT", "--condition", "stil"], "Did you mean “still”?"),
        (["HEFT", "--stance", "so so"], "“so so” is no stance"),
        (["--format", "html"], "shows the excerpts of a code"),
        (["HEFT", "--table", "excrepts"], "Did you mean “excerpts”?"),
    ],
)
def test_what_is_not_there_is_named(folder, arguments, told):
    assert told in run("excerpts", folder, *arguments, code=2).output


# export


def test_words_leave_only_of_those_who_allow_sharing(tmp_path):
    folder = hostile_study(tmp_path / "study", share=["A01"]).folder
    found = run("export", folder, "--to", "annotations")
    assert SECRET not in found.stdout
    assert "Participants left out, because they do not allow sharing: 2." in found.stderr
    assert len(found.stdout.splitlines()) == 4
    found = run("export", folder, "--to", "annotations", "--for", "own-use")
    assert SECRET in found.stdout
    assert "Keep it where the transcripts are." in found.stderr
    out = tmp_path / "p.qdpx"
    run("export", folder, "--to", "qdpx", "--out", out)
    with zipfile.ZipFile(out) as archive:
        assert not any(SECRET.encode() in archive.read(name) for name in archive.namelist())
    assert "name it with --out" in run("export", folder, "--to", "qdpx", code=2).output


def coded(folder, *, closed: bool) -> None:
    study = open_study(folder)
    material = read_material(study)
    units = {unit.id: unit for unit in material.all_units()}
    with open_store(study) as journal:
        view = RaterView(journal, study, "R2")
        book = material.codebooks.current
        apply_code(view, "main", units["A03-004"], Applied(PLAIN, start=5, end=13), codebook=book)
        apply_code(view, "main", units["A01-002"], Applied(PLAIN), codebook=book)
        record_memo(view, "unit", "A03-002", f"{SECRET} again", round="main")
        if closed:
            for rater in ("R1", "R2"):
                submit_round(journal, study, "main", rater=rater, why="enough")


def test_the_journal_leaves_without_open_rounds_and_without_words_that_may_not(uncoded, tmp_path):
    coded(uncoded, closed=False)
    assert "nothing that may be written" in run("export", uncoded, "--to", "journal", code=2).output
    assert list(csv.DictReader(io.StringIO(run("export", uncoded, "--to", "csv").stdout))) == []
    closed = hostile_study(tmp_path / "closed", share=["A01"], codings=False).folder
    coded(closed, closed=True)
    found = run("export", closed, "--to", "journal")
    assert SECRET not in found.stdout
    kinds = [json.loads(line)["kind"] for line in found.stdout.splitlines()]
    assert kinds == ["coding", "submission", "submission"]
    assert "do not allow sharing: 1." in found.stderr
    assert run("export", closed, "--to", "journal", "--for", "own-use").stdout.count(SECRET) == 2
    assert len(list(csv.DictReader(io.StringIO(run("export", closed, "--to", "csv").stdout)))) == 2


def test_only_the_codings_that_count_leave_where_asked(folder):
    table = folder / "codings.csv"
    table.write_text(
        table.read_text(encoding="utf-8") + "A02,A02,A02-002,,,R2,main,1,HEFT,slosh,for\n", encoding="utf-8"
    )
    every = list(csv.DictReader(io.StringIO(run("export", folder, "--to", "csv").stdout)))
    counted = list(csv.DictReader(io.StringIO(run("export", folder, "--to", "csv", "--counted").stdout)))
    assert (len(every), len(counted)) == (9, 8)


def test_a_file_of_the_study_is_not_written_over(folder):
    before = (folder / "codings.csv").read_bytes()
    assert "never written over" in run("export", folder, "--to", "csv", "--out", folder / "codings.csv", code=2).output
    assert (folder / "codings.csv").read_bytes() == before


# import


@pytest.mark.parametrize(("to", "ending"), [("csv", "csv"), ("annotations", "jsonl"), ("qdpx", "qdpx")])
def test_codings_go_out_come_in_and_come_in_once(folder, uncoded, tmp_path, to, ending):
    out = tmp_path / f"codings.{ending}"
    run("export", folder, "--to", to, "--for", "own-use", "--out", out)
    asked = ("import", uncoded, out, "--by", "R1", "--round", "main")
    first = {"codings to add": 7, "units to mark as rated": 5}
    assert counts(rows(*asked)) == first
    assert not (uncoded / "decisions.sqlite").exists()
    assert counts(rows(*asked, "--write")) == first
    study = open_study(uncoded)
    with open_store(study) as journal:
        last = journal.last()
        submit_round(journal, study, "main", rater="R2", why="not needed")
    assert counts(rows(*asked, "--write")) == {"codings that stand there already": 7}
    with open_store(study) as journal:
        assert journal.last() == last + 1
        submit_round(journal, study, "main", rater="R1")
    back = run("export", uncoded, "--to", "csv").stdout
    assert sorted(back.splitlines()) == sorted(run("export", folder, "--to", "csv").stdout.splitlines())


def test_codings_of_another_name_are_taken_as_the_raters(folder, uncoded, tmp_path):
    out = tmp_path / "codings.csv"
    run("export", folder, "--to", "csv", "--out", out)
    asked = ("import", uncoded, out, "--by", "R2", "--round", "main")
    assert counts(rows(*asked)) == {"left out: codings by R1": 8}
    assert counts(rows(*asked, "--rater", "R1"))["codings to add"] == 7


def test_what_was_changed_since_stays_and_what_the_file_says_otherwise_is_told(folder, uncoded, tmp_path):
    out = tmp_path / "codings.csv"
    run("export", folder, "--to", "csv", "--out", out)
    asked = ("import", uncoded, out, "--by", "R1", "--round", "main")
    run(*asked, "--write")
    study = open_study(uncoded)
    unit = next(one for one in read_material(study).all_units() if one.id == "A02-002")
    with open_store(study) as journal:
        view = RaterView(journal, study, "R1")
        apply_code(
            view, "main", unit, Applied(PLAIN, ("slosh",), "against"), codebook=read_material(study).codebooks.current
        )
    told = counts(rows(*asked, "--write"))
    assert told == {
        "codings that stand there already": 6,
        "codings recorded before and changed or withdrawn since, left as they are": 1,
    }
    out.write_text(out.read_text(encoding="utf-8").replace("still,for", "still,mixed"), encoding="utf-8")
    assert counts(rows(*asked))["codings to change"] == 1


def test_what_cannot_be_taken_is_told_with_its_reason(uncoded, tmp_path):
    table = tmp_path / "theirs.csv"
    table.write_text(
        "participant,transcript,unit,start,end,rater,round,codebook_version,code,about,stance\n"
        "A01,A01,A01-002,,,,,,HEFT,still,for\n"
        "A01,A01,A01-002,,,,,,HEFT,slosh,for\n"
        "A01,A01,A01-002,,,,,,HEFT,slosh,against\n"
        "A01,A01,A01-002,,,,,,HEVY,,\n"
        "A01,A01,A01-002,,,,,9,HEFT,,\n"
        "A01,A01,A01-002,,,,other,,HEFT,,\n"
        "A01,A01,A01-002,3,900,,,,HEFT,,\n"
        "A01,A01,A01-777,,,,,,HEFT,,\n"
        "A02,A01,A01-002,,,,,,HEFT,,\n"
        "A01,A01,A01-006,,,,,,HEFT,spoon,\n"
        "A01,A01,A01-006,,,,,,HEFT,,perhaps\n",
        encoding="utf-8",
    )
    asked = ("import", uncoded, table, "--by", "R1", "--round", "main")
    assert counts(rows(*asked)) == {
        "codings to add": 1,
        "units to mark as rated": 1,
        "left out: codings with another stance than the same code has on the same words": 1,
        "left out: codings with the code HEVY, which version 1 of the codebook does not have": 1,
        "left out: codings under version 9 of the codebook, which is not there": 1,
        "left out: codings of the round other": 1,
        "left out: codings whose words are not found": 1,
        "left out: codings of units that are not in the transcripts": 1,
        "left out: codings under another participant than the unit's": 1,
        "left out: codings about spoon, which is no condition of the study": 1,
        "left out: codings with the stance perhaps, which is none of for, against and mixed": 1,
    }
    run(*asked, "--write")
    with open_store(open_study(uncoded)) as journal:
        (kept,) = journal.present("coding")
        assert kept.content["about"] == ["still", "slosh"]


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--round", "main"], "--by"),
        (["--by", "R1"], "--round"),
        (["--by", "R9", "--round", "main"], "“R9” is no rater"),
        (["--by", "R1", "--round", "mian"], "Did you mean “main”?"),
    ],
)
def test_rater_and_round_have_to_be_the_studys(uncoded, folder, tmp_path, arguments, told):
    assert told in run("import", uncoded, folder / "codings.csv", *arguments, code=2).output


def test_files_that_are_none_are_refused(uncoded, tmp_path):
    odd = tmp_path / "codings.pdf"
    odd.write_text("x", encoding="utf-8")
    asked = ("--by", "R1", "--round", "main")
    assert "no file of codings" in run("import", uncoded, odd, *asked, code=2).output
    assert "There is no file" in run("import", uncoded, tmp_path / "none.csv", *asked, code=2).output
    broken = tmp_path / "a.qdpx"
    broken.write_text("x", encoding="utf-8")
    run("import", uncoded, broken, *asked, code=1)


def test_a_submitted_round_takes_nothing(uncoded, folder):
    coded(uncoded, closed=True)
    found = run("import", uncoded, folder / "codings.csv", "--by", "R1", "--round", "main", "--write", code=2)
    assert "reopen it first" in found.output
