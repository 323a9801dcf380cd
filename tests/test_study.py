"""study.toml: contradictions, participants, the plan's hash and its freezing."""

from __future__ import annotations

import re
import tomllib
from datetime import date
from pathlib import Path
from typing import Any

import pytest
import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st

from workbench.declared import parse
from workbench.errors import Finding, StudyError
from workbench.files import shipped
from workbench.study import (
    Plan,
    Study,
    freeze_plan,
    open_study,
    plan_changed,
    plan_hash,
)

BASE = """
format = 1
id = "kitchen"
title = "Kitchen"
conditions = [{ id = "still", label = "Still pot" }, { id = "slosh", label = "Slosh" }, { id = "coach", label = "Coach" }]

[participants]
ids = ["A01", "A02", "A03"]

[sequences]
S1 = ["still", "slosh", "coach"]
S2 = ["coach", "slosh", "still"]

[[questionnaires]]
id = "after"
asked = "per_condition"
instruments = [{ id = "weight_realism", version = "1.0" }, { id = "effort", version = "1.0" }]
files = ["after.csv"]

[[questionnaires]]
id = "body"
asked = "before_after"
instruments = [{ id = "discomfort", version = "1.0" }]
files = ["body.csv"]

[[trials]]
id = "lifts"
files = ["trials.csv"]
measures = [{ id = "guess_error", label = "Error", column = "guess", summary = "mean" }]

[preference]
file = "ranking.csv"
columns = { still = "r1", slosh = "r2", coach = "r3" }

[interviews]
mode = "codebook"
interviewed = ["A01", "A02"]
raters = ["R1", "R2"]
primary_rater = "R1"
rounds = [{ id = "pilot", kind = "pilot" }, { id = "main", kind = "main" }]

[[exclusions]]
participant = "A01"
condition = "still"
measures = ["guess_error"]
reason = "tracking lost"

[[constructs]]
id = "realism"
label = "Realism"
measure = "weight_realism"
codes = ["HEAVY"]

[plan]
primary = ["weight_realism"]
smallest_effects = { effort = 0.5 }
equivalence = { effort = { low = -0.5, high = 0.5 } }

[[plan.families]]
id = "pairs"
tests = "pairs"
measures = ["weight_realism", "effort"]

[[plan.contrasts]]
id = "coach_rest"
label = "Coach against the rest"
measures = ["effort"]
weights = { coach = 1, still = -0.5, slosh = -0.5 }
"""


def base() -> dict[str, Any]:
    return tomllib.loads(BASE)


def changed(path: str, value: Any) -> dict[str, Any]:
    """The base with one value set: `path` as "plan.families.0.measures"; + appends to a list."""
    content = base()
    here: Any = content
    *way, last = path.split(".")
    for part in way:
        here = here[int(part)] if part.isdigit() and isinstance(here, list) else here.setdefault(part, {})
    if last == "+":
        here.append(value)
    elif isinstance(here, list):
        here[int(last)] = value
    else:
        here[last] = value
    return content


def study_of(folder: Path, content: dict[str, Any] | str) -> Study:
    text = content if isinstance(content, str) else tomlkit.dumps(content)
    (folder / "study.toml").write_text(text, encoding="utf-8")
    return open_study(folder)


def faults(folder: Path, content: dict[str, Any] | str) -> list[Finding]:
    with pytest.raises(StudyError) as caught:
        study_of(folder, content)
    assert all(one.severity == "blocks" for one in caught.value.findings)
    return list(caught.value.findings)


# ---------------------------------------------------------------------------------- opening


def test_the_base_is_sound(tmp_path: Path) -> None:
    study = study_of(tmp_path, BASE)
    assert study.conditions == ("still", "slosh", "coach")
    assert study.condition_labels == {"still": "Still pot", "slosh": "Slosh", "coach": "Coach"}
    assert study.participants == ("A01", "A02", "A03")
    assert study.measure_ids() == {"weight_realism", "effort", "discomfort", "guess_error"}
    assert study.path("a/b.csv") == tmp_path / "a" / "b.csv"
    assert study.plan.primary == ["weight_realism"]


def test_the_demo_study_is_sound() -> None:
    study = open_study(shipped("demo_responses"))
    assert len(study.conditions) == 4
    assert set(study.assigned) == set(study.participants)


def test_a_folder_that_is_none(tmp_path: Path) -> None:
    with pytest.raises(StudyError, match="There is no such folder"):
        open_study(tmp_path / "nowhere")
    (tmp_path / "study.toml").write_text(BASE)
    with pytest.raises(StudyError, match="This is a file, not a study folder"):
        open_study(tmp_path / "study.toml")


def test_a_folder_without_a_study(tmp_path: Path) -> None:
    with pytest.raises(StudyError, match=r"There is no study\.toml in this folder"):
        open_study(tmp_path)


def test_a_folder_called_study_toml(tmp_path: Path) -> None:
    (tmp_path / "study.toml").mkdir()
    with pytest.raises(StudyError, match="This is a folder, not a file"):
        open_study(tmp_path)


# ---------------------------------------------------------------------------- contradictions


@pytest.mark.parametrize(
    ("path", "value", "place", "found"),
    [
        # names used twice
        ("conditions.1.id", "still", "conditions", "The name “still” is used 2 times."),
        ("participants.ids.1", "A01", "participants.ids", "The name “A01” is used 2 times."),
        ("participants.pilots", ["P1", "P1"], "participants.pilots", "The name “P1” is used 2 times."),
        ("questionnaires.1.id", "after", "questionnaires", "The name “after” is used 2 times."),
        ("questionnaires.1.instruments.+", {"id": "effort", "version": "1.0"}, "questionnaires.instruments", "The name “effort” is used 2 times."),
        ("trials.+", {"id": "lifts", "files": ["x.csv"]}, "trials", "The name “lifts” is used 2 times."),
        ("trials.0.measures.0.id", "effort", "scales and trials.measures", "The name “effort” is used 2 times."),
        ("interviews.rounds.1.id", "pilot", "interviews.rounds", "The name “pilot” is used 2 times."),
        ("interviews.raters.+", "R2", "interviews.raters", "The name “R2” is used 2 times."),
        ("interviews.interviewed.+", "A02", "interviews.interviewed", "The name “A02” is used 2 times."),
        ("interviews.codings", ["c.csv", "c.csv"], "interviews.codings", "The name “c.csv” is used 2 times."),
        ("constructs.+", {"id": "realism", "label": "R", "measure": "effort", "codes": ["X"]}, "constructs", "The name “realism” is used 2 times."),
        ("plan.primary.+", "weight_realism", "plan.primary", "The name “weight_realism” is used 2 times."),
        ("plan.families.+", {"id": "pairs", "tests": "omnibus", "measures": ["effort"]}, "plan.families", "The name “pairs” is used 2 times."),
        ("plan.contrasts.+", {"id": "coach_rest", "label": "L", "measures": ["effort"], "weights": {"coach": 1, "still": -1}}, "plan.contrasts", "The name “coach_rest” is used 2 times."),
        ("preference.columns.still", "r2", "preference.columns", "The name “r2” is used 2 times."),
        # words for conditions that mean two things
        ("conditions.1.label", "still POT", "conditions", "can mean still and slosh"),
        ("conditions.1.label", "Still", "conditions", "can mean still and slosh"),
        ("conditions.1.label", "  ", "conditions[2].label", "The label is empty."),
        # participants
        ("participants.ids", [], "participants", "No participants are declared."),
        ("participants.pilots", ["A01", "A02", "A03"], "participants", "No participants are declared."),
        ("participants.ids.0", " A01", "participants.ids", "“ A01” is empty, or has spaces"),
        ("participants.ids.0", "", "participants.ids", "“” is empty, or has spaces"),
        ("participants.pilots", ["P1 "], "participants.pilots", "“P1 ” is empty, or has spaces"),
        ("participants.sequence_column", "sequence", "participants.sequence_column", "no table"),
        ("participants.permissions", {"A09": {"quotes": True}}, "participants.permissions", "“A09” is no participant"),
        ("exclusions.0.participant", "A9", "exclusions[1]", "“A9” is no participant"),
        ("interviews.interviewed", ["A1"], "interviews.interviewed", "“A1” is no participant"),
        # conditions
        ("sequences.S1", ["still", "slosch", "coach"], "sequences.S1", "“slosch” is no condition"),
        ("sequences.S1", ["still", "slosh"], "sequences.S1", "every condition once"),
        ("sequences.S1", ["still", "slosh", "coach", "coach"], "sequences.S1", "every condition once"),
        ("questionnaires.0.condition_names", {"A": "stil"}, "questionnaires[1].condition_names", "“stil” is no condition"),
        ("exclusions.0.condition", "slsh", "exclusions[1]", "“slsh” is no condition"),
        ("plan.contrasts.0.weights", {"coach": 1, "stil": -1}, "plan.contrasts[1].weights", "“stil” is no condition"),
        ("plan.contrasts.0.weights", {"coach": 1, "still": -0.5}, "plan.contrasts[1].weights", "The weights add up to 0.5."),
        ("plan.contrasts.0.weights", {"coach": 0, "still": 0}, "plan.contrasts[1].weights", "No condition has a weight."),
        ("plan.contrasts.0.weights", {}, "plan.contrasts[1].weights", "No condition has a weight."),
        ("preference.columns", {"still": "r1", "slosh": "r2"}, "preference.columns", "No rank column is named for coach."),
        ("preference.columns", {}, "preference.columns", "No rank column is named for still, slosh, coach."),
        ("preference.columns.coch", "r4", "preference.columns", "“coch” is no condition"),
        # measures
        ("plan.primary", ["weight_realsm"], "plan.primary", "“weight_realsm” is no measure"),
        ("plan.smallest_effects", {"efort": 1}, "plan.smallest_effects", "“efort” is no measure"),
        ("plan.equivalence", {"efort": {"low": -1, "high": 1}}, "plan.equivalence", "“efort” is no measure"),
        ("plan.families.0.measures", ["efort"], "plan.families[1]", "“efort” is no measure"),
        ("plan.contrasts.0.measures", ["efort"], "plan.contrasts[1]", "“efort” is no measure"),
        ("constructs.0.measure", "efort", "constructs[1]", "“efort” is no measure"),
        ("exclusions.0.measures", ["efort"], "exclusions[1].measures", "“efort” is no measure"),
        ("plan.families.+", {"id": "b", "tests": "pairs", "measures": ["effort"]}, "plan.families", "The pairs tests of “effort” stand in families 2 times."),
        ("plan.families.0.measures", ["effort", "effort"], "plan.families", "The pairs tests of “effort” stand in families 2 times."),
        ("plan.families.0.measures", ["discomfort"], "plan.families[1].measures", "“discomfort” was asked before and after"),
        ("plan.contrasts.0.measures", ["discomfort"], "plan.contrasts[1].measures", "“discomfort” was asked before and after"),
        ("plan.equivalence", {"discomfort": {"low": -1, "high": 1}}, "plan.equivalence", "“discomfort” was asked before and after"),
        ("plan.families.+", {"id": "b", "tests": "equivalence", "measures": ["weight_realism"]}, "plan.families[2]", "No bounds are stated for “weight_realism”."),
        ("plan.families.+", {"id": "b", "tests": "factors", "measures": ["effort"]}, "plan.families[2]", "No condition has factors."),
        # interviews and instruments
        ("interviews.primary_rater", "R3", "interviews.primary_rater", "“R3” is no rater"),
        ("questionnaires.0.instruments.0.id", "weight_realsm", "questionnaires[1].instruments[1]", "There is no instrument “weight_realsm”."),
        ("questionnaires.1.instruments.0.version", "9", "questionnaires[2].instruments[1]", "used version 9 of “discomfort”"),
        # inside one table
        ("plan.equivalence", {"effort": {"low": 1, "high": -1}}, "plan.equivalence.effort", "low is 1 and high is -1."),
        ("questionnaires.0.columns", {"pattern": "{Item}"}, "questionnaires[1].columns.pattern", "does not say where"),
        ("trials.0.measures.0.id", "condition", "trials[1].measures[1].id", "cannot be the name of a measure"),
        ("trials.0.measures.0.summary", "share", "trials[1].measures[1].equals", "A share of what is not said."),
        ("trials.0.measures.0.equals", "yes", "trials[1].measures[1].equals", "A mean counts no answers."),
    ],
)  # fmt: skip
def test_contradictions_are_told_with_their_place(
    tmp_path: Path, path: str, value: Any, place: str, found: str
) -> None:
    told = faults(tmp_path, changed(path, value))
    named = [one for one in told if found in one.found]
    assert named, [one.sentence() for one in told]
    assert named[0].place == place
    assert named[0].file == "study.toml"
    assert named[0].remedy


def test_a_share_has_no_differences(tmp_path: Path) -> None:
    measure = {"id": "m", "label": "M", "column": "c", "summary": "share", "equals": "yes", "absolute": True}
    [finding] = faults(tmp_path, changed("trials.0.measures.0", measure))
    assert finding.place == "trials[1].measures[1].summary"


def test_unknown_names_come_with_the_nearest_known(tmp_path: Path) -> None:
    [finding] = faults(tmp_path, changed("exclusions.0.condition", "slsh"))
    assert "Did you mean “slosh”?" in finding.remedy
    [finding] = faults(tmp_path, changed("plan.primary", ["weight_realsm"]))
    assert "Did you mean “weight_realism”?" in finding.remedy


def test_contradictions_of_all_parts_are_told_at_once(tmp_path: Path) -> None:
    content = base()
    content["sequences"]["S1"] = ["still"]
    content["interviews"]["primary_rater"] = "R3"
    content["interviews"]["interviewed"] = ["A09"]
    content["exclusions"][0]["participant"] = "A08"
    content["plan"]["primary"] = ["x"]
    content["plan"]["contrasts"][0]["weights"] = {"coach": 1}
    assert [one.place for one in faults(tmp_path, content)] == [
        "plan.contrasts[1].weights",
        "sequences.S1",
        "interviews.primary_rater",
        "plan.primary",
        "exclusions[1]",
        "interviews.interviewed",
    ]


def test_faults_of_instruments_and_participants_come_with_those_of_the_study(tmp_path: Path) -> None:
    (tmp_path / "instruments").mkdir()
    (tmp_path / "instruments" / "effort.toml").write_text("format = 2\n")
    content = changed("participants", {"file": "people.csv"})
    content["sequences"]["S1"] = ["still"]
    told = {(one.file, one.place) for one in faults(tmp_path, content)}
    assert ("instruments/effort.toml", "format") in told
    assert ("people.csv", "") in told
    assert ("study.toml", "sequences.S1") in told


def test_an_unknown_instrument_does_not_make_its_measures_unknown(tmp_path: Path) -> None:
    [finding] = faults(tmp_path, changed("questionnaires.0.instruments.0.id", "nothing"))
    assert finding.kind == "unknown instrument"


# ------------------------------------------------------------------------------ participants


def people(folder: Path, text: str, **keys: Any) -> dict[str, Any]:
    (folder / "people.csv").write_text(text, encoding="utf-8")
    return changed("participants", {"file": "people.csv", **keys})


def test_participants_of_a_table_with_their_sequences(tmp_path: Path) -> None:
    text = "who;order\nP1;S1\n A01 ; S2 \nA02;\nA03;S1\n"
    study = study_of(tmp_path, people(tmp_path, text, column="who", sequence_column="order", pilots=["P1"]))
    assert study.participants == ("A01", "A02", "A03")
    assert {one: study.assigned[one] for one in study.participants if one in study.assigned} == {
        "A01": "S2",
        "A03": "S1",
    }


@pytest.mark.parametrize(
    ("text", "place", "found"),
    [
        ("who\nA01\n", "row 1", "There is no column “participant”."),
        ("participant\nA01\nA02\n", "row 1", "There is no column “order”."),
        ("participant,order\nA01,S1\n,S2\n", "row 3", "This row names no participant."),
        ("participant,order\nA01,S1\nA02,S1\nA01,S2\n", "row 4", "“A01” stands in an earlier row already."),
        ("participant,order\nA01,S1\nA02,S3\nA03,S1\n", "participant A02", "“S3” is no sequence of this study."),
        ("participant,order\nA01\n", "row 2", "This row has 1 cells"),
    ],
)
def test_faults_of_the_table_of_participants(tmp_path: Path, text: str, place: str, found: str) -> None:
    told = faults(tmp_path, people(tmp_path, text, sequence_column="order"))
    named = [one for one in told if found in one.found]
    assert named, [one.sentence() for one in told]
    assert (named[0].file, named[0].place) == ("people.csv", place)


def test_a_table_of_participants_without_rows(tmp_path: Path) -> None:
    assert [one.found for one in faults(tmp_path, people(tmp_path, "participant\n"))] == [
        "No participants are declared."
    ]


# ------------------------------------------------------------------------------- plan's hash


PLANS: dict[str, Any] = {
    "primary": ["a", "b"],
    "target_n": 24,
    "smallest_effects": {"a": 0.5, "b": 1},
    "level": 0.05,
    "families": [{"id": "f", "tests": "pairs", "measures": ["a", "b"], "correction": "holm"}],
    "omnibus_gates_pairs": True,
    "zeros": "pratt",
    "missing": "instrument",
    "cases": "complete",
    "contrasts": [{"id": "c", "label": "C", "measures": ["a"], "weights": {"x": 1, "y": -1}}],
    "equivalence": {"a": {"low": -0.5, "high": 0.5}},
    "thresholds": {"reliability": 0.7, "agreement": 0.6},
    "seed": 7,
}
OTHER_WORDS = {
    "pratt": "drop", "instrument": "half", "complete": "available", "pairs": "omnibus", "holm": "none",
}  # fmt: skip


def plan(content: dict[str, Any]) -> Plan:
    return parse(Plan, content, "study.toml")


def with_one_leaf_changed(content: Any) -> list[Any]:
    """Copies of `content`, in each of which one value differs, or one entry is gone."""
    if isinstance(content, dict):
        return [{**content, key: other} for key, value in content.items() for other in with_one_leaf_changed(value)]
    if isinstance(content, list):
        shorter = [content[:-1]] if len(content) > 1 else []
        turned = [content[::-1]] if len(content) > 1 else []
        inside = [
            [*content[:place], other, *content[place + 1 :]]
            for place, value in enumerate(content)
            for other in with_one_leaf_changed(value)
        ]
        return [*shorter, *turned, *inside]
    if isinstance(content, bool):
        return [not content]
    if isinstance(content, str):
        return [OTHER_WORDS.get(content, content + "x")]
    return [content + 1 if isinstance(content, int) else content + 0.01]


def test_any_other_value_of_the_plan_changes_its_hash() -> None:
    variants = [plan(other) for other in with_one_leaf_changed(PLANS)]
    hashes = {plan_hash(one) for one in (plan(PLANS), *variants)}
    assert len(variants) > 25
    assert len(hashes) == len(variants) + 1


def test_every_key_of_the_plan_is_in_that_test() -> None:
    assert set(PLANS) | {"frozen", "departures"} == set(Plan.model_fields)


def test_leaving_out_any_key_changes_the_hash_or_means_its_default() -> None:
    for key in PLANS:
        rest = {name: value for name, value in PLANS.items() if name != key}
        same = plan_hash(plan(rest)) == plan_hash(plan(PLANS))
        assert same == (getattr(plan(rest), key) == getattr(plan(PLANS), key)), key


def test_the_notes_of_freezing_and_departing_do_not_change_the_hash() -> None:
    noted = {
        **PLANS,
        "frozen": {"on": date(2026, 3, 2), "hash": "x"},
        "departures": [{"what": "w", "why": "y", "on": date(2026, 4, 1)}],
    }
    assert plan_hash(plan(noted)) == plan_hash(plan(PLANS))


@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_the_order_of_keys_does_not_change_the_hash(data: st.DataObject) -> None:
    def shuffled(content: Any) -> Any:
        if isinstance(content, dict):
            return {key: shuffled(content[key]) for key in data.draw(st.permutations(list(content)))}
        return [shuffled(one) for one in content] if isinstance(content, list) else content

    assert plan_hash(plan(shuffled(PLANS))) == plan_hash(plan(PLANS))


@pytest.mark.parametrize(
    "text",
    [
        'level = 0.05\nsmallest_effects = { a = 1, b = 0.5 }\nprimary = ["a", "b"]',
        '# a comment\nprimary=[ "a" ,\n  # another\n "b" ]\n\n\nsmallest_effects.b=5e-1 # here\nsmallest_effects.a = 1.0\nlevel =  0.050',
        "primary = ['a', 'b']\n[smallest_effects]\nb = 0.50\na = 1\n",
    ],
)
def test_comments_spacing_and_ways_of_writing_do_not_change_the_hash(text: str) -> None:
    same = plan({"primary": ["a", "b"], "smallest_effects": {"a": 1, "b": 0.5}})
    assert plan_hash(plan(tomllib.loads(text))) == plan_hash(same)


def test_the_hash_is_a_sha256_of_sorted_json_without_defaults() -> None:
    """Against coreutils' sha256sum of the JSON, written out by hand.

    These hashes stand in frozen studies: when this test fails, every frozen plan seems changed.
    """
    empty = "44136fa355b3678a1146ad16f7e8649e94fb4fc21fe77e8310c060f61caaff8a"  # {}
    assert plan_hash(Plan()) == empty
    assert plan_hash(plan({"primary": [], "level": 0.05, "zeros": "pratt", "seed": 1})) == empty
    # {"contrasts": [{"id": "c", "label": "größer?", "measures": ["a"], "weights": {"x": 1, "y": -1}}], "level": 0.01, "seed": 7}
    contrast = {"weights": {"y": -1.0, "x": 1}, "measures": ["a"], "label": "größer?", "id": "c"}
    expected = "192c34340b70e0d1266906fc915aaf994f0347ae057334cd373140628e5ee53c"
    assert plan_hash(plan({"seed": 7, "level": 1e-2, "contrasts": [contrast]})) == expected


# ----------------------------------------------------------------------------------- freezing

HEAD = 'format = 1\nid = "k"\ntitle = "T" # the title\nconditions = [{ id = "a", label = "A" }, { id = "b", label = "B" }]\n'
PEOPLE = '\n# people\n[participants]\nids = ["A01"]   # one\n'
WAYS = {
    "no plan": HEAD + PEOPLE,
    "a table": HEAD + PEOPLE + "\n# the plan\n[plan]  # here\nlevel = 0.01 # strict\n# last word\n",
    "a table before another": HEAD + "[plan]\nlevel = 0.01 # strict\n\n# ---- people\n" + PEOPLE,
    "inline": HEAD + "plan = { level = 0.01, seed = 3 } # in a line\n" + PEOPLE,
    "inline and empty": HEAD + "plan = {}\n" + PEOPLE,
    "dotted": HEAD + "plan.level = 0.01 # dotted\nplan.seed = 3\n" + PEOPLE,
    "only tables below it": HEAD + PEOPLE + "\n[plan.thresholds]\nreliability = 0.7 # common\n",
    "in two places": HEAD + "[plan.thresholds]\nreliability = 0.7\n" + PEOPLE + "[plan]\nlevel = 0.01\n",
    "departures": HEAD + PEOPLE + '[plan]\nseed = 2\n[[plan.departures]]\nwhat = "w" # what\nwhy = "y"\n',
    "no line end": HEAD + PEOPLE + "[plan]\nlevel = 0.01",
    "windows": (HEAD + PEOPLE + "[plan]\nlevel = 0.01 # strict\n").replace("\n", "\r\n"),
    "a mark": "\ufeff" + HEAD + PEOPLE + "[plan]\nlevel = 0.01\n",
}


@pytest.mark.parametrize("way", WAYS)
def test_freezing_adds_the_note_and_keeps_everything_else(tmp_path: Path, way: str) -> None:
    (tmp_path / "study.toml").write_bytes(WAYS[way].encode())
    before = tomllib.loads(WAYS[way].lstrip("\ufeff"))
    study = open_study(tmp_path)
    assert plan_hash(study.plan) == freeze_plan(study, date(2026, 3, 2))
    after = (tmp_path / "study.toml").read_bytes().decode()
    note = {"on": date(2026, 3, 2), "hash": plan_hash(study.plan)}
    assert tomllib.loads(after) == {**before, "plan": {**before.get("plan", {}), "frozen": note}}
    for comment in re.findall(r"#[^\r\n]*", WAYS[way]):
        assert comment in after
    assert ("\r\n" in after) == ("\r\n" in WAYS[way])
    again = open_study(tmp_path)
    assert not plan_changed(again.plan)
    assert again.plan.frozen is not None
    assert [path.name for path in tmp_path.iterdir()] == ["study.toml"]


def test_freezing_twice_is_refused_and_changes_nothing(tmp_path: Path) -> None:
    study = study_of(tmp_path, BASE)
    freeze_plan(study, date(2026, 3, 2))
    frozen = (tmp_path / "study.toml").read_bytes()
    for one in (study, open_study(tmp_path)):
        with pytest.raises(StudyError, match="The plan was frozen on 2026-03-02"):
            freeze_plan(one, date(2026, 3, 3))
    assert (tmp_path / "study.toml").read_bytes() == frozen


def test_what_is_frozen_is_the_plan_in_the_file(tmp_path: Path) -> None:
    study = study_of(tmp_path, BASE)
    (tmp_path / "study.toml").write_text(BASE.replace("effort = 0.5", "effort = 0.6"))
    freeze_plan(study, date(2026, 3, 2))
    assert not plan_changed(open_study(tmp_path).plan)


def test_a_plan_changed_after_freezing_is_noticed(tmp_path: Path) -> None:
    study = study_of(tmp_path, BASE)
    assert not plan_changed(study.plan)
    freeze_plan(study, date(2026, 3, 2))
    text = (tmp_path / "study.toml").read_text()
    (tmp_path / "study.toml").write_text("# only a comment\n" + text)
    assert not plan_changed(open_study(tmp_path).plan)
    (tmp_path / "study.toml").write_text(text.replace("effort = 0.5", "effort = 0.6"))
    assert plan_changed(open_study(tmp_path).plan)
