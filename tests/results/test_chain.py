"""Whole studies other than the demo: a factorial design, no log, one and two conditions."""

from __future__ import annotations

import re

import pytest
from study_folders import instrument, questionnaire, sheet, study_in

from workbench.report.document import to_page
from workbench.report.table import Table
from workbench.results.chain import all_tables, analyse, collect
from workbench.results.sections import report_of

CELLS = {"off_flat": ("off", "flat"), "off_deep": ("off", "deep"), "on_flat": ("on", "flat"), "on_deep": ("on", "deep")}
PEOPLE = [f"A{number:02}" for number in range(1, 8)]


def written(
    folder, conditions, *, answers=lambda who, place: 1 + (who + 2 * place) % 7, **sections
) -> dict[str, Table]:
    """All tables of a study of seven people and one scale of two items; its page is made too."""
    ids = list(conditions)
    rows = [
        f"{name} {one} {answers(who, place)} {answers(who, place + 1)}"
        for who, name in enumerate(PEOPLE)
        for place, one in enumerate(ids)
    ]
    study_in(
        folder,
        instruments=[instrument("real", ["q1", "q2"])],
        questionnaires=[questionnaire("real", ["real"])],
        files={"real.csv": sheet("participant condition q1 q2", *rows)} | sections.pop("files", {}),
        conditions=ids,
        participants=sections.pop("participants", PEOPLE),
        **sections,
    )
    text = (folder / "study.toml").read_text(encoding="utf-8")
    for one, factors in conditions.items():
        if factors:
            levels = ", ".join(f'{name} = "{level}"' for name, level in factors.items())
            text = text.replace(f'id = "{one}"\n', f'id = "{one}"\nfactors = {{ {levels} }}\n')
    (folder / "study.toml").write_text(text, encoding="utf-8")
    analysis = analyse(collect(folder))
    report, _ = report_of(analysis, [])
    tables = {table.name: table for table in all_tables(analysis)}
    tables["page"] = to_page(report)
    return tables


def factorial(*names: str) -> dict[str, dict[str, str]]:
    return {name: dict(zip(("sound", "sight"), CELLS[name], strict=True)) for name in names}


def test_a_factorial_study_has_factors(tmp_path):
    made = written(tmp_path, factorial(*CELLS), plan={"primary": ["real"]})
    factors = made["factors"]
    assert [(row["effect"], row["factors"], row["label"]) for row in factors.rows] == [
        ("main effect", "sound", "off − on"),
        ("main effect", "sight", "flat − deep"),
        ("interaction", "sound x sight", "(off − on) at flat minus at deep"),
    ]
    assert {(row["planned"], row["family"]) for row in factors.rows} == {("exploratory", "factors of real")}
    assert "Factors and their interactions" in made["page"]
    assert not any(row["kind"] == "incomplete factorial" for row in made["findings"].rows)


def test_conditions_outside_the_factorial_are_named(tmp_path):
    made = written(tmp_path, {**factorial(*CELLS), "bare": {}}, plan={"primary": ["real"]})
    assert any("Outside the factorial and left out here: The bare one." in note for note in made["factors"].notes)


def test_an_incomplete_factorial_is_a_finding_and_no_table(tmp_path):
    made = written(tmp_path, factorial("off_flat", "off_deep", "on_flat"))
    assert "factors" not in made
    (finding,) = (row for row in made["findings"].rows if row["kind"] == "incomplete factorial")
    assert "no condition has the levels on with deep" in finding["found"]


def test_without_log_and_sequences_nothing_is_said_about_order(tmp_path):
    made = written(tmp_path, {"still": {}, "slosh": {}, "ladle": {}})
    assert not {"order_balance", "order_effects", "order_values", "first_exposure"} & set(made)
    assert "Order of the conditions" not in made["page"]


def test_without_a_log_the_assigned_sequences_are_named_as_such(tmp_path):
    people = "participant,sequence\n" + "".join(f"{one},{'ab'[number % 2]}\n" for number, one in enumerate(PEOPLE))
    made = written(
        tmp_path,
        {"still": {}, "slosh": {}},
        participants={"file": "who.csv", "sequence_column": "sequence"},
        files={"who.csv": people},
        sequences={"a": ["still", "slosh"], "b": ["slosh", "still"]},
        plan={"primary": ["real"]},
    )
    note = "There is no session log: 7 participants are taken to have run the sequence assigned to them."
    assert note in made["order_balance"].notes
    assert note in re.sub(r"</?span[^>]*>", "", made["page"])
    assert made["order_effects"].rows[0]["n_used"] == 7
    assert {row["difference"] for row in made["order_balance"].rows} == {0}
    assert "anova" not in made  # two conditions
    assert {row["kind"] for row in made["robustness_summary"].rows} == {"pairs"}


def test_one_condition(tmp_path):
    log = sheet("participant position condition", *(f"{one} 1 still" for one in PEOPLE))
    made = written(
        tmp_path, {"still": {}}, files={"log.csv": log}, session_log={"file": "log.csv"}, plan={"primary": ["real"]}
    )
    assert {"pairs", "anova", "robustness", "equivalence", "first_exposure"}.isdisjoint(made)
    (row,) = made["order_effects"].rows
    assert row["reason"] == "one condition has no late and early positions"


@pytest.mark.parametrize("answers", [lambda who, place: 4, lambda who, place: 1 + who % 7])
def test_answers_that_never_differ_between_conditions(tmp_path, answers):
    bounds = {"real": {"low": -1, "high": 1}}
    made = written(tmp_path, factorial(*CELLS), answers=answers, plan={"primary": ["real"], "equivalence": bounds})
    assert {row["p"] for row in made["factors"].rows} == {1.0}
    assert {row["p"] for row in made["equivalence"].rows} == {2**-7}
    assert "the same for everybody" in made["anova"].rows[0]["reason"]
    assert {row["shown"] for row in made["robustness"].rows} == {"no"}
