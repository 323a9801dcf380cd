"""Decisions of a coding project in the journal, the codings table they give, and who sees what."""

from __future__ import annotations

from dataclasses import asdict, replace

import pandas as pd
import pytest
from coding_projects import FIRST, SECOND, VERSIONS, Unit
from study_folders import study_in

from workbench.codebook.model import Codebook, with_changes
from workbench.coding.codings import codings_that_count, read_codings
from workbench.coding.consensus import record_consensus
from workbench.coding.decisions import (
    Applied,
    ClosedView,
    RaterView,
    apply_code,
    audit_trail,
    bring_back,
    codings_frame,
    mark_rated,
    rate_unit,
    record_codebook,
    record_memo,
    record_permission,
    record_theme,
    recorded_codebooks,
    remove_memo,
    take_back,
    view_of,
    withdraw_code,
)
from workbench.coding.recoding import recode_queue
from workbench.coding.rounds import reopen_round, round_states, submit_round
from workbench.errors import UsageError
from workbench.store.operations import UNDO
from workbench.study import Permissions


def rows(view, *columns):
    frame = codings_frame(view)
    return frame[list(columns)].to_numpy().tolist()


def codes(view, unit: str):
    return [code for found, code in rows(view, "unit", "code") if found == unit]


# rating units


def test_codes_on_a_unit_are_what_was_said_last(project):
    unit = project.units[0]
    rate_unit(project.one, "rely", unit, [Applied("HEFT", ("slosh", "still"), "for"), Applied("SWAY")], codebook=FIRST)
    assert codes(project.one, unit.id) == ["HEFT", "SWAY"]
    rate_unit(project.one, "rely", unit, [Applied("SWAY"), Applied("PLAY")], codebook=FIRST)
    assert codes(project.one, unit.id) == ["SWAY", "PLAY"]
    rate_unit(project.one, "rely", unit, [], codebook=FIRST)
    assert codes(project.one, unit.id) == [""]


def test_saying_the_same_again_records_nothing_and_under_a_new_version_all_of_it(project):
    unit = project.units[0]
    first = rate_unit(project.one, "rely", unit, [Applied("SWAY")], codebook=FIRST)
    assert [entry.kind for entry in first] == ["coding", "rated"]
    assert rate_unit(project.one, "rely", unit, [Applied("SWAY")], codebook=FIRST) == []
    newer = replace(FIRST, version="1.1")
    again = rate_unit(project.one, "rely", unit, [Applied("SWAY")], codebook=newer)
    assert [(entry.kind, entry.version) for entry in again] == [("coding", "1.1"), ("rated", "1.1")]


def test_one_step_is_taken_back_and_brought_back_whole(project):
    unit = project.units[0]
    rate_unit(project.one, "rely", unit, [Applied("HEFT"), Applied("SWAY")], codebook=FIRST)
    rate_unit(project.one, "rely", unit, [], codebook=FIRST)
    take_back(project.one, "rely")
    assert codes(project.one, unit.id) == ["HEFT", "SWAY"]
    take_back(project.one, "rely", transcript="A01")
    assert codes(project.one, unit.id) == []
    assert take_back(project.one, "rely") is None
    bring_back(project.one, "rely")
    assert codes(project.one, unit.id) == ["HEFT", "SWAY"]
    assert take_back(project.other, "rely") is None


def test_words_inside_a_unit_are_kept_with_their_quote(project):
    unit = project.units[0]
    apply_code(project.one, "rely", unit, Applied("HEFT", start=13, end=25), codebook=FIRST)
    apply_code(project.one, "rely", unit, Applied("HEFT", start=4, end=7), codebook=FIRST)
    assert rows(project.one, "start", "end") == [["13", "25"], ["4", "7"]]
    assert [entry.content["quote"] for entry in project.one.present("coding")] == ["really heavy"[:12], "pot"[:3]]
    withdraw_code(project.one, "rely", unit, Applied("HEFT", start=4, end=7), codebook=FIRST)
    assert rows(project.one, "start", "end") == [["13", "25"]]


@pytest.mark.parametrize(
    ("applied", "told"),
    [
        (Applied("HEFFT"), "HEFFT"),
        (Applied("HEFT", ("ladle",)), "Conditions: still, slosh"),
        (Applied("HEFT", stance="perhaps"), "perhaps"),
        (Applied("HEFT", start=0, end=900), "43 characters"),
        (Applied("HEFT", start=5, end=5), "5 to 5"),
        (Applied("HEFT", start=5), "5 to None"),
    ],
)
def test_what_cannot_be_is_refused(project, applied, told):
    assert len(project.units[0].text) == 43
    with pytest.raises(UsageError, match=told):
        apply_code(project.one, "rely", project.units[0], applied, codebook=FIRST)
    assert project.journal.last() == 0


def test_withdrawing_what_was_not_applied_is_refused(project):
    apply_code(project.other, "rely", project.units[0], Applied("HEFT"), codebook=FIRST)
    with pytest.raises(UsageError, match="R1 has not applied HEFT"):
        withdraw_code(project.one, "rely", project.units[0], Applied("HEFT"), codebook=FIRST)


@pytest.mark.parametrize(("round", "told"), [("mian", "main"), ("agreed", "consensus round")])
def test_only_rounds_that_are_rated_take_codings(project, round, told):
    with pytest.raises(UsageError, match=told):
        mark_rated(project.one, round, project.units[0], codebook=FIRST)


def test_a_unit_outside_of_the_round_and_a_rater_outside_of_the_study_are_refused(project):
    project.begin("rely", project.units[:2])
    with pytest.raises(UsageError, match=project.units[2].id):
        mark_rated(project.one, "rely", project.units[2], codebook=FIRST)
    with pytest.raises(UsageError, match="R3"):
        RaterView(project.journal, project.study, "R3")


def test_nothing_changes_in_a_round_one_has_submitted(project):
    unit = project.units[0]
    mark_rated(project.one, "rely", unit, codebook=FIRST)
    submit_round(project.journal, project.study, "rely", rater="R1")
    for change in (
        lambda: apply_code(project.one, "rely", unit, Applied("HEFT"), codebook=FIRST),
        lambda: take_back(project.one, "rely"),
        lambda: bring_back(project.one, "rely"),
    ):
        with pytest.raises(UsageError, match="submitted"):
            change()
    apply_code(project.other, "rely", unit, Applied("HEFT"), codebook=FIRST)
    reopen_round(project.journal, project.study, "rely", by="R2", why="a transcript was corrected")
    apply_code(project.one, "rely", unit, Applied("HEFT"), codebook=FIRST)


# the codings table


def test_the_table_is_the_one_that_files_of_codings_give(project, tmp_path):
    first, second = project.units[:2]
    for view in (project.one, project.other):
        rate_unit(view, "rely", first, [Applied("HEFT", ("slosh", "still"), "mixed"), Applied("SWAY")], codebook=FIRST)
        rate_unit(view, "rely", second, [], codebook=FIRST)
    apply_code(project.other, "main", first, Applied("HEFT", start=4, end=7), codebook=SECOND_NAMES)
    project.close("rely")
    project.close("main")
    table = codings_frame(project.nobody)
    table.drop(columns=["file", "row"]).to_csv(tmp_path / "exported.csv", index=False)
    declared = project.study.declared.interviews.model_dump(exclude_none=True) | {"codings": ["exported.csv"]}
    read = read_codings(study_in(tmp_path, interviews=declared)).rows
    assert list(table.columns) == list(read.columns)
    assert table.dtypes.to_dict() == read.dtypes.to_dict()
    compared = [name for name in table.columns if name not in ("file", "row")]
    pd.testing.assert_frame_equal(table[compared], read[compared])
    assert table["about"].iloc[0] == "still+slosh"
    pd.testing.assert_frame_equal(
        codings_that_count(table, project.interviews)[compared],
        codings_that_count(read, project.interviews)[compared],
    )


SECOND_NAMES = Codebook("2", FIRST.codes)


def test_an_empty_table_has_its_columns(project):
    assert codings_frame(project.nobody).empty
    assert codings_that_count(codings_frame(project.nobody), project.interviews).empty


def test_rated_without_a_code_is_not_the_same_as_not_rated(project):
    first, second = project.units[:2]
    rate_unit(project.one, "rely", first, [], codebook=FIRST)
    rate_unit(project.other, "rely", first, [Applied("HEFT")], codebook=FIRST)
    rate_unit(project.other, "rely", second, [Applied("HEFT")], codebook=FIRST)
    project.close()
    rows = codings_frame(project.nobody)
    assert set(rows[["unit", "rater", "code"]].itertuples(index=False, name=None)) == {
        (first.id, "R1", ""),
        (first.id, "R2", "HEFT"),
        (second.id, "R2", "HEFT"),
    }


# blindness


MARK = "ZANZIBAR"


def everything(view, project) -> str:
    """All that can be had through a view, as text."""
    told = [
        codings_frame(view).to_csv(),
        *view.lines(),
        *(str(asdict(one)) for one in audit_trail(view)),
        *(str(entry) for entry in view.history()),
        *(str(entry) for entry in view.present(("coding", "rated", "memo", "consensus", "submission", "round"))),
        str(view.rounds()),
        str(recode_queue(view, VERSIONS, project.interviews)),
    ]
    return "\n".join(told)


def leave_marks(project) -> None:
    """R2 leaves the mark wherever R2 can."""
    unit = Unit("A01-002", "A01", "A01", f"I said {MARK}.")
    marked = Codebook("1", (*FIRST.codes, replace(FIRST.codes[0], code=f"CODE_{MARK}")))
    apply_code(project.other, "rely", unit, Applied(f"CODE_{MARK}"), codebook=marked)
    apply_code(project.other, "rely", unit, Applied("HEFT", start=7, end=15), codebook=marked, why=MARK)
    withdraw_code(project.other, "rely", unit, Applied(f"CODE_{MARK}"), codebook=marked, why=MARK)
    take_back(project.other, "rely")
    record_memo(project.other, "unit", unit.id, MARK, round="rely", transcript="A01")
    record_memo(project.other, "study", "tiny", MARK)
    remove_memo(project.other, record_memo(project.other, "code", "HEFT", MARK))


def test_nobody_but_the_rater_sees_a_mark_in_an_open_round(project):
    project.begin()
    mark_rated(project.one, "rely", project.units[0], codebook=FIRST)
    leave_marks(project)
    assert MARK in everything(project.other, project)
    for view in (project.one, project.nobody):
        assert MARK not in everything(view, project)
    assert UNDO not in {entry.kind for entry in project.one.history()}


def test_it_stays_hidden_when_one_has_submitted_and_shows_when_all_have(project):
    leave_marks(project)
    submit_round(project.journal, project.study, "rely", rater="R2")
    for view in (project.one, project.nobody):
        assert MARK not in everything(view, project)
    submit_round(project.journal, project.study, "rely", rater="R1", why="not needed")
    for view in (project.one, project.nobody):
        assert MARK in everything(view, project)


def test_it_is_hidden_again_when_the_round_is_reopened(project):
    leave_marks(project)
    project.close()
    reopen_round(project.journal, project.study, "rely", by="R1", why="one unit was overlooked", raters=["R1"])
    for view in (project.one, project.nobody):
        assert MARK not in everything(view, project)
    assert round_states(project.journal, project.study)["rely"].reopened == 1
    assert "one unit was overlooked" in everything(project.one, project)


def test_another_open_round_hides_its_own_only(project):
    leave_marks(project)
    project.close()
    apply_code(project.other, "main", project.units[0], Applied("SWAY"), codebook=FIRST)
    assert codes(project.nobody, project.units[0].id) == [f"CODE_{MARK}", "HEFT"]
    assert codes(project.other, project.units[0].id)[-1] == "SWAY"
    outside = [entry for entry in project.one.present("memo") if not entry.round]
    assert outside == []


def test_a_round_of_another_name_is_never_closed(project, tmp_path):
    """Codings of a round that study.toml no longer declares stay hidden."""
    leave_marks(project)
    fewer = project.study.declared.interviews.model_dump(exclude_none=True)
    fewer["rounds"] = [one for one in fewer["rounds"] if one["id"] != "rely"]
    study = study_in(tmp_path / "fewer", interviews=fewer)
    assert MARK not in "\n".join(str(entry) for entry in ClosedView(project.journal, study).present("coding"))


def test_without_raters_nothing_is_closed(project, tmp_path):
    leave_marks(project)
    nobody = project.study.declared.interviews.model_dump(exclude_none=True) | {"raters": []}
    del nobody["primary_rater"]
    study = study_in(tmp_path / "nobody", interviews=nobody)
    assert ClosedView(project.journal, study).present("coding") == []


def test_a_view_is_somebodys_or_nobodys(project):
    assert view_of(project.journal, project.study, "R1").rater == "R1"
    assert isinstance(view_of(project.journal, project.study), ClosedView)
    with pytest.raises(UsageError):
        view_of(project.journal, project.study, "R9")


# memos, codebook, themes, permissions


def test_memos_are_written_anew_and_removed(project):
    memo = record_memo(project.one, "code", "HEFT", "think again")
    record_memo(project.one, "code", "HEFT", "thought again", key=memo.key)
    (now,) = project.one.present("memo")
    assert now.content["text"] == "thought again"
    with pytest.raises(UsageError, match="R1"):
        remove_memo(project.other, now)
    remove_memo(project.one, now)
    assert project.one.present("memo") == []
    with pytest.raises(UsageError, match="empty"):
        record_memo(project.one, "study", "tiny", "  ")


def test_versions_of_the_codebook_are_kept_whole_with_what_changed(project):
    for version in VERSIONS:
        entry = record_codebook(project.journal, version, by="R1", why="after the pilot")
    assert [change["kind"] for change in entry.content["changes"]] == ["split", "renamed", "retired"]
    kept = recorded_codebooks(project.journal)
    assert kept == list(VERSIONS)
    assert [one.changes for one in kept] == [one.changes for one in VERSIONS]


def test_a_past_version_never_changes_and_every_version_has_a_reason(project):
    record_codebook(project.journal, VERSIONS[1], by="R1", why="because")
    for version in ("2", "1", "1.9"):
        with pytest.raises(UsageError, match="not newer than 2"):
            record_codebook(project.journal, replace(SECOND, version=version), by="R1", why="because")
    record_codebook(project.journal, replace(SECOND, version="10"), by="R1", why="because")
    with pytest.raises(UsageError, match="reason"):
        record_codebook(project.journal, replace(SECOND, version="11"), by="R1", why=" ")


def test_codings_keep_the_version_they_were_made_under(project):
    apply_code(project.one, "rely", project.units[0], Applied("HEFT"), codebook=VERSIONS[0])
    record_codebook(project.journal, VERSIONS[1], by="R1", why="because")
    apply_code(project.one, "rely", project.units[1], Applied("HEAVY"), codebook=VERSIONS[1])
    assert rows(project.one, "code", "codebook_version") == [["HEFT", "1"], ["HEAVY", "2"]]


def test_themes_and_permissions(project):
    record_theme(project.journal, "weight", ["HEFT", "SWAY"], by="R1", label="Weight", why="they go together")
    record_theme(project.journal, "fun", ["PLAY"], by="R2")
    record_theme(project.journal, "fun", [], by="R1", why="too thin")
    assert [(entry.key, entry.content["codes"]) for entry in project.one.present("theme")] == [
        ("weight", ["HEFT", "SWAY"])
    ]
    record_permission(project.journal, project.study, "A01", Permissions(quotes=True), by="R1", why="letter of May 3")
    (permission,) = project.nobody.present("permission")
    assert permission.content == {"quotes": True, "share": False, "archive": False}
    for who, why in (("A99", "x"), ("A01", "")):
        with pytest.raises(UsageError):
            record_permission(project.journal, project.study, who, Permissions(), by="R1", why=why)


# audit trail


def test_the_audit_trail_says_who_what_when_under_which_version_and_why(project):
    unit = project.units[0]
    project.begin("rely", [unit])
    for view in (project.one, project.other):
        rate_unit(view, "rely", unit, [Applied("HEFT", ("slosh",))], codebook=FIRST, why="clear")
    take_back(project.other, "rely")
    project.close()
    record_consensus(
        project.journal,
        project.study,
        "agreed",
        unit,
        [],
        discussed="rely",
        outcome="slip",
        why="misread",
        by="R1",
        codebook=FIRST,
    )
    record_codebook(project.journal, with_changes([FIRST])[0], by="R2", why="first one")
    trail = audit_trail(project.nobody)
    assert [row.seq for row in trail] == list(range(1, project.journal.last() + 1))
    assert all(row.at.endswith("+00:00") for row in trail)
    assert [(row.by, row.what, row.version, row.why) for row in trail] == [
        ("R1", "round of 1 units, rated by R1, R2", "", ""),
        ("R1", f"HEFT on {unit.id} about slosh", "1", "clear"),
        ("R1", f"rated {unit.id}", "1", ""),
        ("R2", f"HEFT on {unit.id} about slosh", "1", "clear"),
        ("R2", f"rated {unit.id}", "1", ""),
        ("R2", "undo of 2 steps", "", ""),
        ("R1", "rely/R1", "", "that will do"),
        ("R2", "rely/R2", "", "that will do"),
        ("R1", f"nothing applies on {unit.id} (slip)", "1", "misread"),
        ("R2", "codebook version 1, 0 changes", "1", "first one"),
    ]
    assert audit_trail(project.nobody, since=9) == trail[9:]
