"""Tables of both strands, from a small study of invented codings without transcripts, and from the demo."""

from __future__ import annotations

import json
import re
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from study_folders import faults_of, instrument, questionnaire, sheet, study_in
from typer.testing import CliRunner

from workbench.cli import app
from workbench.errors import StudyError, UsageError
from workbench.joint_display import MOST_EXEMPLARS, MOST_QUOTES, WORDS_IN_EXEMPLAR
from workbench.report.tables.joint import KINDS, REFLEXIVE, apart, kinds_of, participants_by_theme_table
from workbench.results.folder import write_results
from workbench.study import JOINT_KINDS, open_study

PEOPLE = [f"A{number:02}" for number in range(1, 9)]
CODINGS = [
    "A01 A01-2 R1 HEFT still for",
    "A01 A01-4 R1 SWAY slosh for",
    "A02 A02-2 R1 HEFT slosh against",
    "A03 A03-2 R1 . . .",
]


def small(folder: Path, *, mode: str = "codebook", codes: tuple[str, ...] = ("HEFT", "SWAY"), **joint: Any) -> Path:
    """Eight people, two conditions, one measure; three were interviewed and two raised a code."""
    answers = [
        f"{who} {condition} {2 + (place + 3 * shift) % 5}"
        for place, who in enumerate(PEOPLE)
        for shift, condition in enumerate(("still", "slosh"))
    ]
    rows = [line.split() for line in CODINGS]
    lines = [
        f"{who} {who} {unit} . . {rater} main 1 {code} {about} {stance}"
        for who, unit, rater, code, about, stance in rows
    ]
    study_in(
        folder,
        instruments=[instrument("real", ["q1"])],
        questionnaires=[questionnaire("after", ["real"])],
        files={
            "after.csv": sheet("participant condition q1", *answers),
            "codings.csv": sheet(
                "participant transcript unit start end rater round codebook_version code about stance", *lines
            ),
        },
        participants=PEOPLE,
        interviews={
            "mode": mode,
            "interviewed": PEOPLE[:3],
            "raters": ["R1"],
            "primary_rater": "R1",
            "rounds": [{"id": "main", "kind": "main"}],
            "codings": ["codings.csv"],
        },
        constructs=[{"id": "weight", "label": "Weight", "measure": "real", "codes": list(codes)}],
        **({"joint": joint} if joint else {}),
    )
    return folder


def written(folder: Path) -> dict[str, Any]:
    """What the results folder holds: its tables by name, its figures, what the self-check says, and the report."""
    analysis = write_results(folder, formats=("html", "markdown"))
    results = folder / "results"
    tables = {path.stem: json.loads(path.read_text()) for path in (results / "tables").glob("*.json")}
    manifest = json.loads((results / "manifest.json").read_text())
    page = (results / "report.html").read_text()
    return {
        "tables": tables,
        "figures": manifest["figures"],
        "check": manifest["self_check"],
        "page": page,
        "analysis": analysis,
    }


def test_every_kind_is_made_where_nothing_is_chosen(tmp_path):
    made = written(small(tmp_path / "s"))
    there = made["tables"].keys()
    assert {"joint", "side_by_side", "side_by_side_numbers", "participants_by_code", "code_by_condition"} <= there
    assert "participants_by_theme" not in there, "no codebook, so no themes"
    assert {"side_by_side_weight", "code_by_condition"} <= set(made["figures"])
    assert made["check"]["found"] == []
    numbers = {(row["condition"], row["code"]): row for row in made["tables"]["side_by_side_numbers"]["rows"]}
    still, slosh = numbers["The still one", "HEFT"], numbers["The slosh one", "HEFT"]
    assert [still[key] for key in ("interviewed", "raised", "in_favor", "against", "neither")] == [3, 1, 1, 0, 0]
    assert [slosh[key] for key in ("raised", "in_favor", "against")] == [1, 0, 1]
    assert numbers["anything", "HEFT"]["raised"] == 2
    assert (still["n"], still["missing"], still["level"]) == (8, 0, 1 - 2 / 2**8)
    exemplars = made["tables"]["code_exemplars"]["rows"]
    assert {row["why"] for row in exemplars} == {"their words are not among the transcripts"}
    assert {row["exemplar"] for row in exemplars} == {"not quoted: their words are not among the transcripts"}


@pytest.mark.parametrize("kind", JOINT_KINDS)
def test_only_what_is_chosen_is_made_and_every_number_still_traces(tmp_path, kind):
    made = written(small(tmp_path / "s", kinds=[kind]))
    others = {name for one in JOINT_KINDS if one != kind for name in KINDS[one]} - set(KINDS[kind])
    assert not others & made["tables"].keys()
    assert set(KINDS[kind]) & made["tables"].keys()
    assert ("side_by_side_weight" in made["figures"]) == (kind == "side by side")
    assert ("code_by_condition" in made["figures"]) == (kind == "condition by code")
    assert made["check"]["found"] == []


def test_nothing_chosen_shows_nothing(tmp_path):
    made = written(small(tmp_path / "s", kinds=[]))
    assert not {name for names in KINDS.values() for name in names} & made["tables"].keys()
    assert made["check"]["found"] == []


def test_a_silent_strand_is_named_in_figure_and_table(tmp_path):
    made = written(small(tmp_path / "s", codes=("LOUD",)))
    told = {row["row"]: row["interviews"] for row in made["tables"]["side_by_side"]["rows"]}
    assert told["Silence"] == "Silent: nobody raised any of these codes."
    (described,) = re.findall(r'<desc id="side_by_side_weight-desc">(.*?)</desc>', made["page"])
    assert "Silent: nobody raised any of these codes." in described
    assert told["The still one"] == "LOUD 0 of 3"


def test_a_reflexive_study_says_what_counts_do_not_claim(tmp_path):
    made = written(small(tmp_path / "s", mode="reflexive"))
    for name in ("side_by_side", "code_exemplars"):
        assert REFLEXIVE in made["tables"][name]["notes"]
    assert REFLEXIVE.rstrip(".") in made["page"]
    assert not [name for name in made["tables"] if name.startswith(("agreement", "saturation"))]


def test_few_people_are_said_to_be_few(tmp_path):
    notes = written(small(tmp_path / "s"))["tables"]["side_by_side"]["notes"]
    assert "3 of 8 participants were interviewed: where counts differ by a few people, that may be chance." in notes


def test_faults_of_the_choice_are_named_with_their_place(tmp_path):
    exemplar = {"code": "HEFT", "condition": "slosh", "unit": "A01-2", "words": "heavy"}
    small(tmp_path / "ok", exemplars=[exemplar])
    with pytest.raises(StudyError):
        small(tmp_path / "twice", exemplars=[exemplar, exemplar])
    (twice,) = faults_of(open_study, tmp_path / "twice")
    assert (twice.place, twice.kind) == ("joint.exemplars", "repeated name")
    with pytest.raises(StudyError):
        small(tmp_path / "where", exemplars=[exemplar | {"condition": "ladle"}])
    (where,) = faults_of(open_study, tmp_path / "where")
    assert (where.place, where.kind) == ("joint.exemplars[1]", "unknown condition")
    with pytest.raises(StudyError):
        small(tmp_path / "kind", kinds=["side to side"])
    (kind,) = faults_of(open_study, tmp_path / "kind")
    assert kind.place == "joint.kinds[1]"


def test_a_chosen_exemplar_that_cannot_be_shown_is_told_in_the_table(tmp_path):
    exemplar = {"code": "HEFT", "condition": "slosh", "unit": "A01-2", "words": "heavy"}
    notes = written(small(tmp_path / "s", exemplars=[exemplar]))["tables"]["code_exemplars"]["notes"]
    assert "joint.exemplars[1]: There is no unit “A01-2”." in notes


def test_the_command_takes_kinds(tmp_path):
    folder = small(tmp_path / "s", kinds=["condition by code"])
    run = CliRunner().invoke(app, ["joint", str(folder), "--kind", "side by side", "--format", "json"])
    assert [one["name"] for one in json.loads(run.stdout)] == ["side_by_side", "side_by_side_numbers"]
    run = CliRunner().invoke(app, ["joint", str(folder), "--format", "json"])
    assert json.loads(run.stdout)[0]["name"] == "code_by_condition"
    run = CliRunner().invoke(app, ["joint", str(folder), "--kind", "side by sid"])
    assert (run.exit_code, "Did you mean “side by side”?" in run.stderr) == (2, True)
    assert kinds_of(["condition by code", "side by side"]) == ["side by side", "condition by code"]
    with pytest.raises(UsageError, match="statistics by themes"):
        kinds_of([""])


# ------------------------------------------------------------------------------------------- the demo


def test_exemplars_of_the_demo_keep_to_their_rule(demo):
    rows = demo.rows("code_exemplars")
    quoted = [row for row in rows if row["words"]]
    assert len(quoted) > 15
    assert all(bool(row["words"]) != bool(row["why"]) for row in rows)
    assert max(Counter(row["participant"] for row in quoted).values()) <= MOST_EXEMPLARS
    assert max(Counter(row["unit"] for row in quoted).values()) == 1
    material = demo.analysis.evidence.material
    texts = material.texts()
    assert "A07" not in {row["participant"] for row in quoted}, "A07 allows no quotes"
    for row in quoted:
        assert texts[row["unit"]] == row["words"]
        assert material.permissions_of(row["participant"]).quotes
    german = [row for row in quoted if row["language"] == "de"]
    assert all(row["translation"] and f"[{row['translation']}]" in row["exemplar"] for row in german)
    counts = {(row["code"], row["condition"]): row["participants"] for row in demo.rows("code_stances")}
    assert all(counts[row["code"], row["condition"]] == row["participants"] > 0 for row in rows)
    assert sum(len(row["words"].split()) <= WORDS_IN_EXEMPLAR for row in quoted) > 5


def test_stances_of_the_demo_add_up_to_who_raised_the_code(demo):
    counts = {(row["code"], row["condition"]): row["participants"] for row in demo.rows("code_stances")}
    rows = demo.rows("side_by_side_numbers")
    for row in rows:
        assert row["raised"] == counts.get((row["code"], row["condition"]), 0)
        assert row["in_favor"] + row["against"] + row["neither"] == row["raised"] <= row["interviewed"] == 14
    medians = {
        (row["measure"], row["condition"]): (row["n"], row["missing"], row["median"])
        for row in demo.rows("descriptives")
    }
    for row in rows:
        if row["condition"] != "anything":
            assert (row["n"], row["missing"], row["median"]) == medians[row["measure"], row["condition"]]
            assert row["median_low"] <= row["median"] <= row["median_high"]


def test_quotes_and_verdicts_stand_in_the_table_by_condition(demo):
    rows = demo.rows("side_by_side")
    weight = {row["row"]: row for row in rows if row["construct"] == "How real the weight feels"}
    quotes = [row for row in demo.rows("joint_quotes") if row["construct"] == "How real the weight feels"]
    assert [
        row["words"] in weight[name]["interviews"]
        for row, name in zip(quotes, ("Follows the group", "Contradicts the group"), strict=True)
    ] == [True, True]
    assert weight["Verdict"]["scores"] == "complementary"
    assert "show what is in the pot" in weight["Verdict"]["interviews"]
    assert re.fullmatch(r"Mdn 5\.00 \[\d\.\d\d, \d\.\d\d\], n = 23", weight["Slosh"]["scores"])
    assert max(Counter(row["participant"] for row in demo.rows("joint_quotes")).values()) <= MOST_QUOTES
    page = (demo.results / "report.html").read_text()
    assert page.count("<caption>How real the weight feels: scores and interviews by condition</caption>") == 1
    assert not re.search(r"\b(because of|caused|leads to|due to)\b", " ".join(demo.rows("side_by_side")[0].values()))


def test_a_paper_gets_a_table_for_each_construct(demo):
    for number in range(1, 5):
        text = (demo.results / "tables" / f"side_by_side_{number}.tex").read_text()
        assert text.count("\\caption") == 1
    assert (demo.results / "tables" / "code_exemplars.tex").exists()


def test_themes_of_the_demo_are_raised_where_one_of_their_codes_is(demo):
    themes = demo.analysis.evidence.material.codebooks.current
    by_code = {row["participant"]: row for row in demo.rows("participants_by_code")}
    codes = sorted({one.code for one in demo.analysis.presence})
    for row in demo.rows("participants_by_theme"):
        for number, theme in enumerate(themes.themes, 1):
            mine = {code.code for code in themes.codes_of(theme.theme)}
            raised = any(
                by_code[row["participant"]][f"code_{place}"] for place, code in enumerate(codes, 1) if code in mine
            )
            assert row[f"theme_{number}"] == int(raised)


def test_codes_outside_all_themes_are_named(demo):
    study = demo.analysis.evidence.study
    table = participants_by_theme_table(
        study, {"A01": {"HEFT", "LOUD"}, "A03": set()}, [("WEIGHT", "Weight", {"HEFT"})], {}, {}
    )
    assert [row["theme_1"] for row in table.rows] == [1, 0]
    assert "Raised, but of no theme: LOUD." in table.notes
    assert apart(table) == [table]
