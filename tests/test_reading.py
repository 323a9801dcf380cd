"""How a file is read is declared beside every use of a file, and handed on to the one reader."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from study_folders import faults_of, instrument, kinds, questionnaire, study_in

from workbench.coding.codings import CODING_COLUMNS, read_codings
from workbench.errors import StudyError
from workbench.quality.findings import quality_findings
from workbench.responses.preferences import read_preferences
from workbench.responses.questionnaires import Responses, read_responses
from workbench.responses.session_log import read_session_log
from workbench.study import Reading, Study
from workbench.trials import read_trials

READING = {"first_row": 3, "delimiter": "pipe", "encoding": "cp1252", "decimal": "comma"}


def odd(*rows: str) -> bytes:
    """Rows as text in Windows-1252 below a title, with | between cells that hold commas and semicolons."""
    return "\n".join(["Größe; Fülle, é", "", *(row.replace(" ", "|") for row in rows), ""]).encode("cp1252")


FILES = {
    "people.csv": odd("participant sequence größe", "A01 1 x", "A02 1 ;,;,"),
    "log.csv": odd("participant position condition größe", "A01 1 still x", "A01 2 slosh ,,,,"),
    "form.csv": odd("participant condition r1 größe", "A01 still 1,5 x"),
    "trials.csv": odd("participant condition guess größe", "A01 still 2,5 x"),
    "ranks.csv": odd("participant still slosh größe", "A01 1 2 x", "A02 1,5 1,5 x"),
    "codings.csv": odd(" ".join(CODING_COLUMNS), "A01 t1 u1 0 5 R1 main 1 SCHWÄCHE still "),
}


def odd_study(folder: Path, reading: dict[str, Any]) -> Study:
    folder.mkdir(exist_ok=True)
    for name, content in FILES.items():
        (folder / name).write_bytes(content)
    guess = {"id": "guess", "label": "Guess", "column": "guess", "summary": "mean"}
    return study_in(
        folder,
        instruments=[instrument("real", ["r1"], response={"kind": "numeric", "low": 0, "high": 9})],
        participants={"file": "people.csv", "sequence_column": "sequence", "reading": READING},
        sequences={"1": ["still", "slosh"]},
        session_log={"file": "log.csv", "reading": reading},
        questionnaires=[questionnaire("form", ["real"], reading=reading)],
        trials=[{"id": "lifts", "files": ["trials.csv"], "measures": [guess], "reading": reading}],
        preference={"file": "ranks.csv", "columns": {"still": "still", "slosh": "slosh"}, "reading": reading},
        interviews={
            "mode": "codebook",
            "raters": ["R1"],
            "rounds": [{"id": "main", "kind": "main"}],
            "codings": ["codings.csv"],
            "reading": reading,
        },
    )


def test_a_reading_goes_with_every_use_of_a_file(tmp_path: Path) -> None:
    study = odd_study(tmp_path, READING)
    assert study.participants == ("A01", "A02")
    assert read_responses(study).answers["value"].tolist() == [1.5]
    assert read_trials(study).measures[0].values["value"].tolist()[0] == 2.5
    log, preferences, codings = read_session_log(study), read_preferences(study), read_codings(study)
    assert log is not None
    assert log.runs["row"].tolist() == [4, 5]
    assert preferences is not None
    assert preferences.ranks.to_numpy().tolist() == [[1, 2], [1.5, 1.5]]
    assert codings is not None
    assert codings.codes == ["SCHWÄCHE"]


@pytest.mark.parametrize("read", [read_responses, read_trials, read_session_log, read_preferences, read_codings])
def test_without_it_these_files_do_not_go_in(tmp_path: Path, read: Any) -> None:
    assert faults_of(read, odd_study(tmp_path, {}))


def test_notes_on_the_table_of_participants_are_told_by_check(tmp_path: Path) -> None:
    (tmp_path / "people.csv").write_bytes("participant,größe\nA01,1\n".encode("cp1252"))
    study = study_in(tmp_path, participants={"file": "people.csv"})
    assert kinds(study.notes) == ["encoding guessed"]
    nothing = Responses(read_responses(study).answers, ())
    assert study.notes[0] in quality_findings(study, nothing, [], None)


HEADERS = ["participant", "condition", "position", "r1", "guess", "still", "slosh", "größe", *CODING_COLUMNS]
CELLS = [
    "A01",
    "A02",
    "still",
    "SLOSH",
    "1",
    "2",
    "1,5",
    "2.5",
    "-",
    "1E5",
    "2026-02-01",
    "=1",
    "#",
    "",
    '"',
    '""',
    "R1",
    "main",
    "\u2028",
    "é",
    "٣",
]
READERS = [read_responses, read_trials, read_session_log, read_preferences, read_codings]


@pytest.mark.parametrize("read", READERS)
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    header=st.permutations(HEADERS),
    rows=st.lists(st.lists(st.sampled_from(CELLS), max_size=len(HEADERS) + 1), max_size=6),
    same_width=st.booleans(),
    delimiter=st.sampled_from(",;\t|"),
    noise=st.binary(max_size=6),
)
def test_whatever_the_files_hold_readers_raise_nothing_but_study_errors(
    tmp_path: Path, read: Any, header: list[str], rows: list[list[str]], same_width: bool, delimiter: str, noise: bytes
) -> None:
    study = odd_study(tmp_path / "study", {})
    names = list(dict.fromkeys(header))
    if same_width:
        rows = [(row + ["1"] * len(names))[: len(names)] for row in rows]
    content = "\n".join(delimiter.join(row) for row in [names, *rows]).encode() + noise
    for name in FILES:
        (tmp_path / "study" / name).write_bytes(content)
    with suppress(StudyError):
        read(study)


@pytest.mark.parametrize(
    ("reading", "place"),
    [
        ({"encoding": "utf-9"}, "questionnaires[1].reading.encoding"),
        ({"encoding": "base64"}, "questionnaires[1].reading.encoding"),
        ({"delimiter": ";"}, "questionnaires[1].reading.delimiter"),
        ({"decimal": "coma"}, "questionnaires[1].reading.decimal"),
        ({"header_rows": 3}, "questionnaires[1].reading.header_rows"),
        ({"first_row": 0}, "questionnaires[1].reading.first_row"),
        ({"sheets": 1}, "questionnaires[1].reading.sheets"),
        ({"sheet": 1.5}, "questionnaires[1].reading.sheet"),
    ],
)
def test_what_a_reading_cannot_say(tmp_path: Path, reading: dict[str, Any], place: str) -> None:
    form = questionnaire("form", ["real"], reading=reading)
    found = faults_of(lambda: study_in(tmp_path, instruments=[instrument("real", ["r1"])], questionnaires=[form]))
    assert {one.place for one in found} == {place}


def test_two_decimal_marks_in_trials_block_once_with_both_places(tmp_path: Path) -> None:
    trials = {"id": "lifts", "files": ["trials.csv"]}
    guess = {"id": "guess", "label": "Guess", "column": "guess", "summary": "mean"}
    text = "participant;condition;guess\nA01;still;1,5\nA01;still;2.5\nA01;still;3,5\nA01;still;2026-02-01\n"
    study = study_in(tmp_path, files={"trials.csv": text}, trials=[trials | {"measures": [guess]}])
    mixed, day = faults_of(read_trials, study)
    assert (mixed.kind, mixed.place) == ("mixed decimal marks", "rows 2 and 3, column guess")
    assert day.remedy.startswith("This is a date")


def test_the_keys_of_a_reading_are_the_arguments_of_the_reader() -> None:
    from inspect import signature

    from workbench.files import read_table

    keywords = {
        name: one.default for name, one in signature(read_table).parameters.items() if one.kind == one.KEYWORD_ONLY
    }
    assert keywords == {name: field.default for name, field in Reading.model_fields.items()}
