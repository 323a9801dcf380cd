"""Findings on the data: each is raised where it should be, and clean data raise none of them."""

from __future__ import annotations

from datetime import date
from itertools import cycle, product

import pytest
from study_folders import instrument, kinds, questionnaire, sheet, study_in

from workbench.errors import Finding
from workbench.quality.findings import quality_findings
from workbench.responses.questionnaires import read_responses
from workbench.responses.session_log import read_session_log
from workbench.scoring import scale_measures
from workbench.study import Plan, Study, plan_hash
from workbench.trials import read_trials

PEOPLE = tuple(f"A{number:02}" for number in range(1, 21))
CONDITIONS = ("still", "slosh")
REAL = instrument("real", ["r1", "r2", "r3"], reverse=["r2"], answers_needed=2)
PLAN = {"primary": ["real"], "target_n": 20}
FROZEN = {**PLAN, "frozen": {"on": date(2026, 3, 2), "hash": plan_hash(Plan.model_validate(PLAN))}}

Rows = dict[tuple[str, str], list[str]]


def clean() -> Rows:
    """Every participant in every condition: levels from 2 to 6, r2 reversed, a little apart."""
    levels = cycle([2, 3, 4, 5, 6, 4, 3, 5])
    aside = cycle([0, 1, 0, -1, 0])
    rows = {}
    for place in product(PEOPLE, CONDITIONS):
        level = next(levels)
        rows[place] = [str(level), str(8 - level - next(aside)), str(level + next(aside))]
    return rows


def form(rows: Rows) -> str:
    return sheet("participant condition r1 r2 r3", *(" ".join((*place, *answers)) for place, answers in rows.items()))


def found_in(study: Study) -> list[Finding]:
    responses = read_responses(study)
    measures = [*scale_measures(study, responses), *read_trials(study).measures]
    return quality_findings(study, responses, measures, read_session_log(study))


def found(folder, rows: Rows, *, made=REAL, files=None, asked="per_condition", **sections) -> list[Finding]:
    keys = {"files": list(files)} if files else {}
    study = study_in(
        folder,
        instruments=[made],
        files=files or {"form.csv": form(rows)},
        participants=PEOPLE,
        questionnaires=[questionnaire("form", [made["id"]], asked=asked, **keys)],
        **({"plan": FROZEN} | sections),
    )
    return found_in(study)


def of_kind(findings: list[Finding], kind: str) -> list[Finding]:
    return [finding for finding in findings if finding.kind == kind]


def test_clean_data_raise_nothing(tmp_path):
    assert found(tmp_path, clean()) == []


def test_a_study_without_questionnaires_and_files_without_rows_raise_no_error(tmp_path):
    assert sorted(kinds(found_in(study_in(tmp_path / "a", participants=PEOPLE, plan={"target_n": 20})))) == [
        "no primary measure",
        "plan not frozen",
    ]
    (finding,) = found(tmp_path / "b", {})
    assert finding.kind == "incomplete participants"
    assert finding.found.startswith(
        "A01, A02, A03, A04, A05, A06, A07, A08 and 12 more have no answers in still, slosh"
    )


# the plan


def test_a_plan_without_a_date(tmp_path):
    (finding,) = found(tmp_path, clean(), plan=PLAN)
    assert (finding.severity, finding.kind) == ("note", "plan not frozen")


def test_a_plan_that_changed_after_freezing(tmp_path):
    (finding,) = found(tmp_path, clean(), plan=FROZEN | {"zeros": "drop"})
    assert (finding.severity, finding.kind) == ("attention", "plan changed")
    assert "2026-03-02" in finding.found


def test_no_primary_measure(tmp_path):
    (finding,) = of_kind(found(tmp_path, clean(), plan={"target_n": 20}), "no primary measure")
    assert finding.severity == "attention"


def test_fewer_participants_than_planned(tmp_path):
    plan = PLAN | {"target_n": 24}
    (finding,) = of_kind(found(tmp_path, clean(), plan=plan), "number of participants")
    assert finding.found == "24 participants were planned, 20 are declared."


def test_a_small_sample(tmp_path):
    study = study_in(tmp_path, participants=PEOPLE[:19])
    (finding,) = of_kind(found_in(study), "small sample")
    assert "19 participants" in finding.found


# participation


def test_participants_without_answers_in_some_conditions(tmp_path):
    rows = clean()
    for place in (("A03", "slosh"), ("A07", "slosh"), ("A05", "still"), ("A05", "slosh")):
        del rows[place]
    told = [one.found for one in of_kind(found(tmp_path, rows), "incomplete participants")]
    assert told == ["A03, A07 have no answers in slosh.", "A05 has no answers in still, slosh."]


def test_empty_cells_in_every_item_are_no_answers_either(tmp_path):
    rows = clean()
    rows["A03", "slosh"] = [".", ".", "."]
    findings = found(tmp_path, rows)
    assert kinds(findings) == ["incomplete participants"]
    assert findings[0].found == "A03 has no answers in slosh."


def test_one_condition_is_told(tmp_path):
    study = study_in(
        tmp_path,
        instruments=[REAL],
        conditions=["still"],
        participants=PEOPLE,
        files={"form.csv": "participant,condition,r1,r2,r3\n"},
        questionnaires=[questionnaire("form", ["real"])],
    )
    (finding,) = of_kind(found_in(study), "one condition")
    assert finding.severity == "attention"


def test_what_is_excluded_is_not_called_absent(tmp_path):
    rows = clean()
    del rows["A03", "slosh"]
    assert found(tmp_path, rows, exclusions=[{"participant": "A03", "condition": "slosh", "reason": "ill"}]) == []
    everybody = [{"participant": who, "reason": "trial run"} for who in PEOPLE]
    assert found(tmp_path / "all", {}, exclusions=everybody) == []


def test_participants_without_one_of_the_measures(tmp_path):
    trials = [f"{who} {place} 3" for who, place in product(PEOPLE, CONDITIONS) if (who, place) != ("A04", "still")]
    summary = {"id": "guess", "label": "Guess", "column": "guess", "summary": "mean"}
    rows = clean()
    del rows["A05", "still"]
    study = study_in(
        tmp_path,
        instruments=[REAL],
        files={"form.csv": form(rows), "lifts.csv": sheet("participant condition guess", *trials)},
        participants=PEOPLE,
        questionnaires=[questionnaire("form", ["real"])],
        trials=[{"id": "lifts", "files": ["lifts.csv"], "measures": [summary]}],
        plan=FROZEN,
    )
    assert [one.found for one in found_in(study)] == [
        "A05 has no answers in still on real.",
        "A04 has no answers in still on guess.",
    ]


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ("once", "A02 has no answers to what was asked once."),
        ("before_after", "A02 has no answers in before, after."),
    ],
)
def test_other_ways_of_asking(tmp_path, asked, told):
    header = "participant occasion r1 r2 r3" if asked == "before_after" else "participant r1 r2 r3"
    places = ["before", "after"] if asked == "before_after" else [""]
    rows = [
        f"{who} {place} 3 4 5" if place else f"{who} {number} {9 - number} 5"
        for who, place in product(PEOPLE, places)
        if who != "A02"
        for number in [2 + int(who[1:]) % 5]
    ]
    findings = found(tmp_path, {}, files={"form.csv": sheet(header, *rows)}, asked=asked)
    assert of_kind(findings, "incomplete participants")[0].found == told


# orders


def with_orders(folder, *rows: str, assigned: bool = True) -> list[Finding]:
    who = {"file": "people.csv", "sequence_column": "sequence"} if assigned else PEOPLE[:3]
    study = study_in(
        folder,
        files={
            "log.csv": sheet("participant position condition", *rows),
            "people.csv": sheet("participant sequence", "A01 1", "A02 2", "A03 1"),
        },
        participants=who,
        session_log={"file": "log.csv"},
        sequences={"1": ["still", "slosh"], "2": ["slosh", "still"]},
    )
    return [one for one in found_in(study) if "order" in one.kind]


def test_an_order_that_is_not_the_one_assigned(tmp_path):
    rows = ("A01 1 still", "A01 2 slosh", "A02 1 still", "A02 2 slosh", "A03 1 still")
    (finding,) = with_orders(tmp_path, *rows)
    assert (finding.severity, finding.kind, finding.place) == ("attention", "order as run", "A02")
    assert finding.found == "A02 ran still > slosh; sequence 2 is slosh > still."


def test_a_session_that_broke_off_followed_its_order(tmp_path):
    assert with_orders(tmp_path, "A01 1 still", "A02 1 slosh", "A03 1 still") == []


def test_a_participant_without_runs_in_the_log(tmp_path):
    (finding,) = with_orders(tmp_path, "A01 1 still", "A02 1 slosh", assigned=False)
    assert (finding.kind, finding.place) == ("order not logged", "A03")


def test_findings_of_the_log_itself_are_kept(tmp_path):
    findings = with_orders(tmp_path, "A01 2 still", "A02 1 slosh", "A03 1 still")
    assert kinds(findings) == ["gap in the order"]


def test_without_a_log_nothing_is_said_of_orders(tmp_path):
    assert of_kind(found(tmp_path, clean()), "order not logged") == []


# missing answers


def test_missing_answers_are_counted_by_participant_and_kind(tmp_path):
    rows = clean()
    rows["A01", "still"][0] = rows["A01", "slosh"][0] = rows["A02", "still"][2] = "."
    rows["A03", "still"][0] = "na"
    study = study_in(
        tmp_path,
        instruments=[REAL],
        files={"form.csv": form(rows)},
        participants=PEOPLE,
        questionnaires=[questionnaire("form", ["real"], not_applicable_words=["na"])],
        plan=FROZEN,
    )
    skipped, declined = of_kind(found_in(study), "missing answers")
    assert skipped.found == "3 of 120 answers are missing: A01 (2), A02 (1)."
    assert declined.found == "1 of 120 answers are “not applicable”: A03 (1)."


def test_a_comment_left_empty_is_no_missing_answer(tmp_path):
    made = instrument("real", ["r1", "r2", "r3"], reverse=["r2"], texts=["why"])
    rows = {place: [*answers, "."] for place, answers in clean().items()}
    text = sheet("participant condition r1 r2 r3 why", *(" ".join((*place, *row)) for place, row in rows.items()))
    assert found(tmp_path, {}, made=made, files={"form.csv": text}) == []


def test_the_total_is_that_of_the_questionnaire_where_two_share_a_file(tmp_path):
    text = sheet(
        "participant condition r1 r2 r3 e1",
        *(
            f"{who} {where} 2 6 3 {'.' if who == 'A01' else 3 + index % 2}"
            for index, (who, where) in enumerate(product(PEOPLE, CONDITIONS))
        ),
    )
    study = study_in(
        tmp_path,
        instruments=[REAL, instrument("effort", ["e1"])],
        files={"form.csv": text},
        participants=PEOPLE,
        questionnaires=[questionnaire("form", ["real"]), questionnaire("other", ["effort"], files=["form.csv"])],
    )
    assert [one.found for one in of_kind(found_in(study), "missing answers")] == [
        "2 of 40 answers are missing: A01 (2)."
    ]


# patterns


def test_an_item_that_never_varies(tmp_path):
    rows = {place: [answers[0], "4", answers[2]] for place, answers in clean().items()}
    (finding,) = found(tmp_path, rows)
    assert (finding.kind, finding.place, finding.found) == ("item never varies", "item r2", "All 40 answers are 4.")


def test_a_key_that_is_wrong_in_one_of_two_files(tmp_path):
    rows = clean()
    week1 = {place: answers for place, answers in rows.items() if place[0] <= "A10"}
    week2 = {place: [a, str(8 - int(b)), c] for place, (a, b, c) in rows.items() if place[0] > "A10"}
    files = {"week1.csv": form(week1), "week2.csv": form(week2)}
    wrong = of_kind(found(tmp_path, {}, files=files), "likely wrong key")
    assert [(one.severity, one.file) for one in wrong] == [("attention", "week2.csv")] * len(wrong)
    assert "item r2" in {one.place for one in wrong}
    told = next(one.found for one in wrong if one.place == "item r2")
    assert told.startswith("Item r2, reversed as its key says, correlates −")
    assert told.endswith("(n = 20).")


def test_differences_between_conditions_do_not_hide_a_wrong_key(tmp_path):
    # r3 runs the wrong way within a condition, and all items are higher in slosh, where the pooled correlation is positive
    rows = {
        (who, where): [str(level + up), str(8 - level - up), str(4 - level + up)]
        for number, who in enumerate(PEOPLE)
        for where, up in (("still", 0), ("slosh", 3))
        for level in [1 + number % 3]
    }
    assert "item r3" in {one.place for one in of_kind(found(tmp_path, rows), "likely wrong key")}


def test_few_rows_say_nothing_of_a_key(tmp_path):
    rows = {place: answers for place, answers in clean().items() if place[0] <= "A03"}
    rows = {place: [a, str(8 - int(b)), c] for place, (a, b, c) in rows.items()}
    assert of_kind(found(tmp_path, rows), "likely wrong key") == []


def test_a_constant_item_has_no_key_to_doubt_and_no_warning(tmp_path, recwarn):
    rows = {place: [answers[0], "4", answers[2]] for place, answers in clean().items()}
    assert of_kind(found(tmp_path, rows), "likely wrong key") == []
    assert [str(one.message) for one in recwarn] == []


@pytest.mark.parametrize(("low", "high", "word"), [("1", "7", "lowest"), ("7", "1", "highest")])
def test_floor_and_ceiling_after_reversal(tmp_path, low, high, word):
    rows = clean()
    for who in PEOPLE[:11]:
        rows[who, "slosh"] = [low, high, low]
    (finding,) = of_kind(found(tmp_path, rows), "floor or ceiling")
    assert (finding.severity, finding.place) == ("note", "real in slosh")
    assert finding.found == f"55 % of 60 answers are the {word} possible."


def test_half_of_the_answers_at_an_end_is_no_finding(tmp_path):
    rows = clean()
    for who in PEOPLE[:10]:
        rows[who, "slosh"] = ["1", "7", "1"]
    assert of_kind(found(tmp_path, rows), "floor or ceiling") == []


def test_the_same_answer_throughout(tmp_path):
    rows = clean()
    keys = {"made": instrument("real", ["r1", "r2", "r3", "r4"], reverse=["r2"])}
    wide = {place: [*answers, answers[0]] for place, answers in rows.items()}
    for where in CONDITIONS:
        wide["A09", where] = ["5"] * 4
    text = sheet("participant condition r1 r2 r3 r4", *(" ".join((*place, *row)) for place, row in wide.items()))
    (finding,) = of_kind(found(tmp_path / "a", {}, files={"form.csv": text}, **keys), "same answer throughout")
    assert (finding.severity, finding.place) == ("attention", "A09")
    assert finding.found == "A09 gave 5 to all 8 items, reversed ones included."
    # without reversed items the same answers may be meant
    plain = {"made": instrument("real", ["r1", "r2", "r3", "r4"])}
    (finding,) = of_kind(found(tmp_path / "b", {}, files={"form.csv": text}, **plain), "same answer throughout")
    assert finding.severity == "note"
    assert finding.found == "A09 gave 5 to all 8 items, none of them worded the other way round."


@pytest.mark.parametrize(
    "response",
    [{"kind": "numeric", "low": 1, "high": 7}, {"kind": "differential", "low": 1, "high": 7}],
    ids=["numeric", "differential"],
)
def test_the_same_answer_throughout_on_other_rating_formats(tmp_path, response):
    made = instrument("real", ["r1", "r2", "r3", "r4"], reverse=["r2"], response=response)
    if response["kind"] == "differential":
        for item in made["items"]:
            item["poles"] = ["low", "high"]
    wide = {place: [*answers, answers[0]] for place, answers in clean().items()}
    wide |= {("A09", where): ["3"] * 4 for where in CONDITIONS}
    text = sheet("participant condition r1 r2 r3 r4", *(" ".join((*place, *row)) for place, row in wide.items()))
    (finding,) = of_kind(found(tmp_path, {}, files={"form.csv": text}, made=made), "same answer throughout")
    assert (finding.severity, finding.place) == ("attention", "A09")


def test_numbers_without_ends_are_no_ratings(tmp_path):
    made = instrument("real", ["r1", "r2", "r3", "r4"], reverse=[], response={"kind": "numeric"})
    wide = {place: ["3"] * 4 for place in clean()}
    text = sheet("participant condition r1 r2 r3 r4", *(" ".join((*place, *row)) for place, row in wide.items()))
    assert of_kind(found(tmp_path, {}, files={"form.csv": text}, made=made), "same answer throughout") == []


def test_one_place_on_two_response_scales_is_the_same_answer(tmp_path):
    seven = instrument("seven", ["s1", "s2"], reverse=["s2"])
    hundred = instrument("hundred", ["h1", "h2"], response={"kind": "numeric", "low": 0, "high": 100})
    rows = [f"{who} {where} 7 7 100 100" for who in PEOPLE[:1] for where in CONDITIONS]
    rows += [f"{who} {where} 7 1 100 90" for who in PEOPLE[1:] for where in CONDITIONS]
    study = study_in(
        tmp_path,
        instruments=[seven, hundred],
        files={"form.csv": sheet("participant condition s1 s2 h1 h2", *rows)},
        participants=PEOPLE,
        questionnaires=[questionnaire("form", ["seven", "hundred"])],
        plan=FROZEN | {"primary": ["seven"], "frozen": {"on": date(2026, 3, 2), "hash": "0"}},
    )
    (finding,) = of_kind(found_in(study), "same answer throughout")
    assert finding.found == "A01 gave the same place of the response scale to all 8 items, reversed ones included."


def test_an_item_that_many_leave_open_is_named(tmp_path):
    rows = clean()
    for who in PEOPLE[:5]:
        rows[who, "slosh"][2] = "."
    (finding,) = of_kind(found(tmp_path, rows), "item often left open")
    assert (finding.place, finding.found) == ("item r3", "5 of 40 sessions leave it open.")


def test_a_session_that_ends_early_is_named(tmp_path):
    rows = clean()
    rows["A03", "still"] = ["4", ".", "."]
    rows["A04", "still"] = [".", "4", "."]
    (finding,) = of_kind(found(tmp_path, rows), "stopped early")
    assert finding.found == "A03 answered 1 of 3 items in still, and none after that."


def test_few_answers_alike_are_no_finding(tmp_path):
    rows = clean()
    for where in CONDITIONS:
        rows["A09", where] = ["5"] * 3
    assert of_kind(found(tmp_path, rows), "same answer throughout") == []


def test_one_answer_at_an_end_of_the_scale_is_no_finding_where_no_item_is_reversed(tmp_path):
    made = instrument("real", ["r1", "r2", "r3", "r4"])
    wide = {place: [*answers, answers[0]] for place, answers in clean().items()}
    wide |= {("A09", where): ["1"] * 4 for where in CONDITIONS} | {("A10", where): ["7"] * 4 for where in CONDITIONS}
    text = sheet("participant condition r1 r2 r3 r4", *(" ".join((*place, *row)) for place, row in wide.items()))
    assert of_kind(found(tmp_path, {}, files={"form.csv": text}, made=made), "same answer throughout") == []
