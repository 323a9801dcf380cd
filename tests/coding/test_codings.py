"""Files of codings as read, and the rule for which codings count, on sets small enough to follow by hand."""

from __future__ import annotations

import pandas as pd
import pytest
from study_folders import faults_of, kinds, study_in

from workbench.coding.codings import (
    CODING_COLUMNS,
    Codings,
    codings_that_count,
    current_version,
    in_latest_version,
    read_codings,
)
from workbench.study import Interviews

ROUNDS = [
    {"id": "pilot", "kind": "pilot"},
    {"id": "rely", "kind": "reliability"},
    {"id": "main", "kind": "main"},
    {"id": "agreed", "kind": "consensus"},
    {"id": "agreed2", "kind": "consensus"},
]
INTERVIEWS = {"mode": "coding reliability", "raters": ["R1", "R2"], "primary_rater": "R1", "rounds": ROUNDS}
NOTHING = ""


def row(
    unit: str = "u1",
    code: str = "HEAVY",
    rater: str = "R1",
    round: str = "main",
    version: str = "2",
    *,
    about: str = "",
    stance: str = "",
    participant: str = "A01",
    transcript: str = "",
) -> dict[str, str]:
    cells = (participant, transcript or f"T-{participant}", unit, "0", "9", rater, round, version, code, about, stance)
    return dict(zip(CODING_COLUMNS, cells, strict=True))


def study_of(folder, *files: list[dict[str, str]], **interviews):
    names = {f"codings{number}.csv": rows for number, rows in enumerate(files, start=1)}
    return study_in(
        folder,
        files={name: pd.DataFrame(rows, columns=CODING_COLUMNS).to_csv(index=False) for name, rows in names.items()},
        interviews=INTERVIEWS | {"codings": list(names)} | interviews,
        pilots=["P01"],
    )


def read(folder, *rows: dict[str, str], **interviews) -> Codings:
    return read_codings(study_of(folder, list(rows), **interviews))


def counted(*rows: dict[str, str], **interviews) -> list[tuple[str, str, str, str]]:
    declared = Interviews.model_validate(INTERVIEWS | interviews)
    found = codings_that_count(pd.DataFrame(rows, columns=CODING_COLUMNS).astype("str"), declared)
    return list(found[["unit", "rater", "round", "code"]].itertuples(index=False, name=None))


# reading


def test_codings_keep_their_place_and_words_find_their_declared_form(tmp_path):
    codings = read(
        tmp_path,
        row(rater="r1", round="MAIN", about="SLOSH + the still one+still", stance="For"),
        row("u2", NOTHING),
        row(participant="P01"),
    )
    first = codings.rows.iloc[0]
    assert (first["rater"], first["round"], first["about"], first["stance"]) == ("R1", "main", "still+slosh", "for")
    assert codings.rows[["file", "row"]].to_numpy().tolist() == [["codings1.csv", 2], ["codings1.csv", 3]]
    assert codings.codes == ["HEAVY"]
    assert codings.interviewed == ("A01",)
    assert kinds(codings.findings) == ["pilots"]


def test_a_study_without_codings_has_none(tmp_path):
    assert read_codings(study_in(tmp_path / "a")) is None
    assert read_codings(study_in(tmp_path / "b", interviews={"mode": "reflexive"})) is None


def test_a_file_without_rows(tmp_path):
    codings = read(tmp_path)
    assert codings.rows.empty
    assert codings.interviewed == ()
    assert codings_that_count(codings.rows, Interviews.model_validate(INTERVIEWS)).empty


def test_all_faults_of_all_files_are_told_at_once(tmp_path):
    study_of(
        tmp_path,
        [
            row(rater="R3"),
            row(round="mian"),
            row(stance="maybe"),
            row(about="still+slohs"),
            row(participant="A7"),
            row(unit=""),
        ],
        [row(), row()],
    )
    (tmp_path / "codings3.csv").write_text("participant\nA01\n")
    found = faults_of(
        read_codings,
        study_in(
            tmp_path,
            interviews=INTERVIEWS | {"codings": ["codings1.csv", "codings2.csv", "codings3.csv"]},
            pilots=["P01"],
        ),
    )
    assert [(one.file, one.place, one.kind) for one in found if one.kind != "missing column"] == [
        ("codings1.csv", "row 6", "unknown participant"),
        ("codings1.csv", "row 2, column rater", "unknown rater"),
        ("codings1.csv", "row 3, column round", "unknown round"),
        ("codings1.csv", "row 4, column stance", "unknown stance"),
        ("codings1.csv", "row 5, column about", "unknown condition"),
        ("codings1.csv", "row 7", "wrong value"),
        ("codings2.csv", "row 3", "duplicate"),
    ]
    assert {one.file for one in found if one.kind == "missing column"} == {"codings3.csv"}
    assert "interviews.raters" in next(one.remedy for one in found if one.kind == "unknown rater")


def test_the_same_coding_in_two_files_blocks(tmp_path):
    (fault,) = faults_of(read_codings, study_of(tmp_path, [row()], [row("u2"), row()]))
    assert (fault.file, fault.place, fault.kind) == ("codings2.csv", "row 3", "duplicate")


def test_nothing_applies_beside_a_code_contradicts_it(tmp_path):
    (fault,) = faults_of(read_codings, study_of(tmp_path, [row(), row(code=NOTHING), row("u2", NOTHING)]))
    assert (fault.place, fault.kind) == ("row 3", "contradiction")
    assert "u1 of T-A01" in fault.found


@pytest.mark.parametrize(
    "other",
    [{"rater": "R2"}, {"round": "rely"}, {"version": "1"}, {"transcript": "T-2"}],
    ids=lambda other: next(iter(other)),
)
def test_nothing_applies_stands_beside_codes_of_another_rater_round_version_or_transcript(tmp_path, other):
    assert len(read(tmp_path, row(), row(code=NOTHING, **other)).rows) == 2


def test_a_unit_belongs_to_one_participant(tmp_path):
    (fault,) = faults_of(
        read_codings, study_of(tmp_path, [row(transcript="T1"), row(transcript="T1", participant="A02", rater="R2")])
    )
    assert (fault.place, fault.kind) == ("rows 2, 3", "contradiction")


def test_a_version_is_named_everywhere_or_nowhere(tmp_path):
    assert len(read(tmp_path / "a", row(version=""), row("u2", version="")).rows) == 2
    (fault,) = faults_of(read_codings, study_of(tmp_path / "b", [row(version=""), row("u2")]))
    assert (fault.place, fault.found) == ("row 2, column codebook_version", "No codebook version is named.")


def test_codes_that_differ_in_capitals_or_spaces_are_a_finding(tmp_path):
    (finding,) = read(tmp_path, row(code="TOO HEAVY"), row("u2", "Too heavy"), row("u3", "SWAY")).findings
    assert (finding.severity, finding.kind) == ("attention", "codes spelled alike")
    assert finding.found.startswith("“TOO HEAVY” and “Too heavy”")


def test_what_no_table_counts_is_a_finding(tmp_path):
    codings = read(
        tmp_path,
        row("u1"),
        row("u2", round="pilot", version="1"),
        row("u3", rater="R2"),
        row("u4", rater="R2"),
        row("u4", round="agreed"),
    )
    older, other = codings.findings
    assert (older.severity, older.kind, older.place) == ("attention", "codings not counted", "u2 of T-A01")
    assert "only under an older codebook than 2" in older.found
    assert other.place == "u3 of T-A01"
    assert "not coded by R1" in other.found


def test_codings_and_the_list_of_those_interviewed_are_compared(tmp_path):
    codings = read(tmp_path, row(), row(participant="A02"), interviewed=["A01", "A03"])
    assert codings.interviewed == ("A01", "A03")
    assert [(one.kind, one.found.split()[0]) for one in codings.findings] == [
        ("coded, not interviewed", "A02"),
        ("interviewed, not coded", "A03"),
    ]


# versions


@pytest.mark.parametrize(
    ("versions", "newest"),
    [
        (["1", "2", "10"], "10"),
        (["1.9", "1.10"], "1.10"),
        (["v2", "v10"], "v10"),
        (["2", "2.1", ""], "2.1"),
        (["draft"], "draft"),
        (["", ""], ""),
        ([], ""),
    ],
)
def test_the_newest_version(versions, newest):
    assert current_version(pd.DataFrame({"codebook_version": versions})) == newest


def test_the_latest_version_of_each_rater_and_unit():
    rows = pd.DataFrame(
        [row(version="9"), row(version="10", code="SWAY"), row(version="9", rater="R2"), row("u2", version="9")]
    )
    assert in_latest_version(rows).index.tolist() == [1, 2, 3]


# which codings count


def test_consensus_counts_before_the_primary_rater():
    assert counted(row(), row(code="SWAY", rater="R2"), row(code="SWAY", round="agreed"), row("u2")) == [
        ("u1", "R1", "agreed", "SWAY"),
        ("u2", "R1", "main", "HEAVY"),
    ]


def test_a_consensus_that_nothing_applies_counts():
    assert counted(row(), row(code=NOTHING, rater="consensus", round="agreed")) == [("u1", "consensus", "agreed", "")]


def test_the_rater_called_consensus_counts_as_consensus_in_any_round():
    assert counted(row(), row(code="SWAY", rater="consensus")) == [("u1", "consensus", "main", "SWAY")]


def test_a_later_consensus_replaces_an_earlier_one():
    assert counted(row(round="agreed"), row(code="SWAY", round="agreed2")) == [("u1", "R1", "agreed2", "SWAY")]


def test_a_unit_coded_under_the_old_version_alone_does_not_count():
    assert counted(row(round="pilot", version="1"), row("u2")) == [("u2", "R1", "main", "HEAVY")]


def test_a_consensus_under_the_old_version_does_not_hide_the_primary_rater_under_the_new_one():
    assert counted(row(code="SWAY", round="agreed", version="1"), row()) == [("u1", "R1", "main", "HEAVY")]


def test_the_latest_round_of_the_primary_rater_counts():
    assert counted(row(round="rely"), row(code="SWAY"), row(code="LOUD"), row("u2", round="rely")) == [
        ("u1", "R1", "main", "SWAY"),
        ("u1", "R1", "main", "LOUD"),
        ("u2", "R1", "rely", "HEAVY"),
    ]


def test_nothing_applies_in_the_latest_round_replaces_an_earlier_code():
    assert counted(row(round="rely"), row(code=NOTHING)) == [("u1", "R1", "main", "")]


def test_without_a_primary_rater_the_first_one_is_it():
    rows = (row(rater="R2"), row("u2"))
    assert counted(*rows, primary_rater=None) == [("u2", "R1", "main", "HEAVY")]
    assert counted(*rows, primary_rater="R2") == [("u1", "R2", "main", "HEAVY")]


def test_units_of_two_transcripts_with_one_name_are_two_units():
    assert counted(row(), row(code="SWAY", round="agreed", participant="A02")) == [
        ("u1", "R1", "main", "HEAVY"),
        ("u1", "R1", "agreed", "SWAY"),
    ]
    assert counted(row(round="rely"), row(participant="A02")) == [
        ("u1", "R1", "rely", "HEAVY"),
        ("u1", "R1", "main", "HEAVY"),
    ]
