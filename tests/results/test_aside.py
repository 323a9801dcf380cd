"""What is done in a second process is what this one does, whatever becomes of that process."""

from __future__ import annotations

import os
import sys
from functools import partial

import numpy as np
import pytest
from study_folders import instrument, questionnaire, sheet, study_in

from workbench.report.figures import Figure
from workbench.report.table import to_json
from workbench.results.aside import Aside
from workbench.results.chain import analyse, collect, reliability_tables
from workbench.results.documents import kinds_of_pictures
from workbench.results.pictures import Pictures

SVG = '<svg xmlns="http://www.w3.org/2000/svg" width="{size}" height="20"><circle cx="9" cy="9" r="7"/></svg>'
FIGURES = [Figure(f"circle_{size}", "A circle", SVG.format(size=size), "A circle.") for size in (20, 30, 40)]
HERE = [made for figure in FIGURES for made in (figure.png(), figure.pdf())]


def pictures_aside() -> list[bytes]:
    with Aside() as aside:
        pictures = Pictures(["png", "pdf"], aside)
        for figure in FIGURES:
            pictures.begin_png(figure)
        pictures.begin_pdf(FIGURES)
        return [made(figure) for figure in FIGURES for made in (pictures.png, pictures.pdf)]


def test_there_is_a_second_process():
    with Aside() as aside:
        assert aside.do(os.getpid).result() != os.getpid()


def test_pictures_are_the_same_bytes():
    assert pictures_aside() == HERE


def test_without_a_second_process_all_is_done_here(monkeypatch, tmp_path):
    monkeypatch.setattr(sys, "executable", str(tmp_path / "nothing"))
    assert pictures_aside() == HERE
    with Aside() as aside:
        assert aside.do(os.getpid).result() == os.getpid()


@pytest.mark.skipif(sys.platform == "win32", reason="the program is a shell script")
def test_where_the_second_process_ends_early_the_rest_is_done_here(monkeypatch, tmp_path):
    program = tmp_path / "ends"
    program.write_text("#!/bin/sh\nexit 3\n", encoding="utf-8")
    program.chmod(0o755)
    monkeypatch.setattr(sys, "executable", str(program))
    assert pictures_aside() == HERE


def test_a_fault_is_met_here():
    with Aside() as aside:
        failing, following = aside.do(partial(int, "x")), aside.do(partial(int, "7"))
        with pytest.raises(ValueError, match="invalid literal"):
            failing.result()
        assert following.result() == 7


def test_pictures_that_were_not_begun_or_not_wanted_are_made_when_asked_for():
    with Aside() as aside:
        pictures = Pictures(["png"], aside)
        assert [pictures.png(FIGURES[0]), pictures.pdf(FIGURES[0])] == HERE[:2]
        pictures.begin_png(FIGURES[1])
        pictures.begin_pdf(FIGURES[1:2])
        assert [pictures.png(FIGURES[1]), pictures.pdf(FIGURES[1])] == HERE[2:4]


@pytest.mark.parametrize(
    ("formats", "kinds"),
    [(("html", "markdown"), []), (("docx",), ["png"]), (("latex", "docx"), ["png", "pdf"])],
)
def test_kinds_that_documents_need(formats, kinds):
    assert kinds_of_pictures(formats) == kinds


def test_reliability_found_aside_is_that_found_here(tmp_path):
    answers = np.random.default_rng(5).integers(1, 8, (24, 4))
    people = [f"A{number:02}" for number in range(12)]
    rows = [f"{people[n % 12]} {'ab'[n // 12]} " + " ".join(map(str, row)) for n, row in enumerate(answers)]
    study_in(
        tmp_path,
        instruments=[instrument("real", ["q1", "q2", "q3", "q4"])],
        questionnaires=[questionnaire("real", ["real"])],
        files={"real.csv": sheet("participant condition q1 q2 q3 q4", *rows)},
        conditions=["a", "b"],
        participants=people,
    )
    evidence = collect(tmp_path)
    with Aside() as aside:
        away = analyse(evidence, aside=aside)
    here = analyse(evidence)
    assert [one.measure for one in away.reliabilities] == [one.measure for one in here.reliabilities]
    assert here.reliabilities[0].settings[0].omega.interval.defined
    told = [[to_json(table) for table in reliability_tables(evidence.study, one.reliabilities)] for one in (away, here)]
    assert told[0] == told[1]
