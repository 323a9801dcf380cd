"""Every number shown leads back to its result, its plan and the collected rows; one changed answer changes what rests on it alone."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest
from study_folders import instrument, questionnaire, sheet, study_in
from written_files import parts_of

from workbench.errors import UsageError
from workbench.report.numbers import ROW_KEYS, row_names
from workbench.report.reread import from_html, from_word
from workbench.report.table import Column, show
from workbench.results.changes import changes
from workbench.results.folder import write_results
from workbench.results.trace import tables_behind, trace_tables

NUMBER = re.compile(r"(?<![\w.])[−-]?(?:\d+(?:\.\d+)?|\.\d+)(?![\w]|\.\d)")


def traced(demo, identity: str) -> tuple[dict[str, str], list[dict]]:
    facts, rows = tables_behind(demo.analysis.evidence, identity, demo.results)
    return {row["what"]: row["told"] for row in facts.rows}, list(rows.rows)


# ---------------------------------------------------------------------------------- the demo, as written


def test_rows_of_every_table_have_names_of_their_own(demo):
    for path in sorted((demo.results / "tables").glob("*.json")):
        rows = demo.rows(path.stem)
        keys = ROW_KEYS.get(path.stem, ())
        assert all(key in rows[0] for key in keys), path.stem
        names = row_names(path.stem, rows)
        assert len(set(names)) == len(rows), path.stem
        if keys:
            assert not any(re.search(r"\.[2-9]$", name) and name.rpartition(".")[0] in names for name in names), (
                path.stem
            )


def test_every_id_on_the_page_is_a_number_of_the_results(demo):
    page = from_html((demo.results / "report.html").read_text(encoding="utf-8"))
    known = json.loads((demo.results / "trace.json").read_text(encoding="utf-8"))["numbers"]
    assert len(page.numbers) > 500
    assert {identity for identity, _ in page.numbers} <= set(known)


def test_no_number_of_a_headline_or_sentence_is_without_id(demo):
    """Once the numbers with ids are taken out, those that are left stand in names, dates and rules of the trade."""
    page = (demo.results / "report.html").read_text(encoding="utf-8")
    without = re.sub(r"<span data-id=.*?</span>", "", page, flags=re.DOTALL)
    found = from_html(re.sub(r"<details>\s*<summary>The figure in words.*?</details>", "", without, flags=re.DOTALL))
    told = [
        (heading, text)
        for heading, text in found.sentences
        if heading not in ("Findings on the data", "Reporting check-list", "Read with care")
        and not re.match(r"Excluded: |[0-9a-f]{64}", text)
    ]
    left = {number for _, text in told for number in NUMBER.findall(text)}
    fine = {"2006", "2014", "2020", "2026", "03", "06", "95"}  # years of sources, the plan's date, level of intervals
    fine |= {"0.005", ".10", ".80"}  # bounds of an algorithm and of planning, in notes
    versions = set(NUMBER.findall(" ".join(text for _, text in found.sentences[-12:])))
    assert {number for number in left - fine - versions if "." in number} == set()


def test_every_number_in_html_and_word_traces_or_is_on_a_short_list(demo):
    numbers = json.loads((demo.results / "trace.json").read_text(encoding="utf-8"))["numbers"]
    styles = [Column("x", "", "number", digits) for digits in range(4)]
    styles += [Column("x", "", kind) for kind in ("bounded", "p", "share", "text")]
    shown = {
        show(value, style).removesuffix(" %").removeprefix("< ").lstrip("−")
        for value in numbers.values()
        if isinstance(value, (int, float)) and not isinstance(value, bool)
        for style in styles
    }
    fine = {"2006", "2014", "2020", "2026", "03", "06", "20260306"}  # years of sources, the plan's date, the seed
    for read in (
        from_html((demo.results / "report.html").read_text(encoding="utf-8")),
        from_word((demo.results / "report.docx").read_bytes()),
    ):
        texts = [
            text
            for heading, text in read.sentences
            if heading not in ("Findings on the data", "Reporting check-list", "Versions")
        ]
        texts += [
            cell
            for table in read.tables
            if table.heading not in ("Findings on the data", "Reporting check-list")
            for row in table.rows
            for cell in row
        ]
        left = {
            number.lstrip("−-") for text in texts for number in NUMBER.findall(re.sub(r"\b[A-Z]\d\d-\d{3}\b", "", text))
        }
        assert left - shown - fine == set()


def test_a_p_leads_to_its_sentence_plan_and_answers(demo):
    facts, rows = traced(demo, "omnibus/effort/p")
    assert facts["value"] == repr(next(row["p"] for row in demo.rows("omnibus") if row["measure"] == "effort"))
    assert facts["plan: family"] == "primary_omnibus (planned), correction holm"
    assert facts["plan: primary"] == "yes"
    told = [row["told"] for row in tables_behind(demo.analysis.evidence, "omnibus/effort/p", demo.results)[0].rows]
    assert any(one.startswith("Effort: No difference between the conditions was shown") for one in told)
    assert {row["column"] for row in rows} == {"effort1", "effort2", "effort3", "effort4"}
    one = rows[0]
    lines = (demo.folder / one["file"]).read_text(encoding="utf-8").splitlines()
    header = lines[0].split(",")
    assert lines[one["row"] - 1].split(",")[header.index(one["column"])].strip() == one["value"]


@pytest.mark.parametrize(
    ("identity", "file", "fact"),
    [
        (
            "reliability/effort.Slosh/alpha",
            "responses/after_version_week1.csv",
            ("plan: threshold", "0.7 for reliability"),
        ),
        ("equivalence/effort.Still.Slosh/p", "responses/after_version_week1.csv", ("plan: bounds", "-0.5 to 0.5")),
        ("descriptives/lift_seconds.Coach/median", "responses/trials.csv", ("plan: primary", "no")),
        ("preference/Coach/first_choices", "responses/ranking.csv", ("column", "First choices")),
        ("code_by_condition/HEFT/participants", "codings/consensus.csv", ("column", "Raised it")),
        ("order_balance/in_position.Still.1/run", "session_log.csv", ("column", "Run")),
        (
            "side_by_side_numbers/How_real_the_weight_feels.Slosh.SWAY/in_favor",
            "codings/main.csv",
            ("column", "For"),
        ),
        (
            "side_by_side_numbers/How_real_the_weight_feels.Slosh.SWAY/median_low",
            "responses/after_version_week1.csv",
            ("column", "Mdn, low"),
        ),
        ("code_exemplars/HEFT.Slosh/participants", "codings/consensus.csv", ("column", "Raised it")),
        ("codes_across/HEFT/n", "codings/consensus.csv", ("column", "Interviewed")),
        (
            "joint_quotes/How_real_the_weight_feels.follow_the_group/difference",
            "responses/after_version_week2.csv",
            ("column", "Own difference"),
        ),
    ],
)
def test_each_kind_of_number_leads_to_its_file(demo, identity, file, fact):
    facts, rows = traced(demo, identity)
    assert file in {row["file"] for row in rows}
    assert all(row["row"] is not None for row in rows)
    assert facts[fact[0]] == fact[1]


def test_a_number_of_one_condition_rests_on_that_condition(demo):
    _, rows = traced(demo, "reliability/effort.Slosh/alpha")
    assert {row["setting"] for row in rows} == {"Slosh"}


def test_both_strands_on_a_condition_rest_on_it_and_its_code_alone(demo):
    _, rows = traced(demo, "side_by_side_numbers/How_real_the_weight_feels.Slosh.SWAY/raised")
    assert {row["setting"] for row in rows if row["file"].startswith("responses")} == {"Slosh"}
    coded = [row for row in rows if row["file"].startswith("codings")]
    assert {row["value"] for row in coded} == {"SWAY"}
    assert all("slosh" in row["setting"] for row in coded)
    number = next(
        row["raised"]
        for row in demo.rows("side_by_side_numbers")
        if (row["condition"], row["code"]) == ("Slosh", "SWAY")
    )
    assert len({row["participant"] for row in coded}) == number == 11


def test_a_quote_rests_on_the_scores_and_codes_of_whom_it_quotes(demo):
    who = demo.rows("joint_quotes")[0]["participant"]
    _, rows = traced(demo, "joint_quotes/How_real_the_weight_feels.follow_the_group/difference")
    assert {row["participant"] for row in rows} == {who}
    assert {row["file"].partition("/")[0] for row in rows} == {"responses", "codings"}


@pytest.mark.parametrize("identity", ["omnibus/effor/p", "omnibuss/effort/p", "omnibus/effort/q", "x"])
def test_an_unknown_id_names_the_nearest(demo, identity):
    with pytest.raises(UsageError, match=r"Did you mean|Known here"):
        tables_behind(demo.analysis.evidence, identity, demo.results)


# -------------------------------------------------------------------------------- a small study, changed

PEOPLE = [f"A{number:02}" for number in range(1, 9)]
TOLD = "Zaphodia Markername"


def small(folder: Path, *, answer: int = 5, plan: dict | None = None) -> Path:
    rows = [
        f"{who} {condition} {1 + (place + shift) % 7} {1 + (2 * place + shift) % 7} {1 + (place + 2 * shift) % 7}"
        for place, who in enumerate(PEOPLE)
        for shift, condition in enumerate(("still", "slosh", "ladle"))
    ]
    first = f"A01 still {answer} 1 1"
    study_in(
        folder,
        instruments=[instrument("real", ["q1", "q2"]), instrument("calm", ["q3"])],
        questionnaires=[questionnaire("after", ["real", "calm"])],
        files={
            "after.csv": sheet("participant condition q1 q2 q3", first, *rows[1:]),
            "who.csv": "participant,name\n" + "".join(f"{who},{TOLD}\n" for who in PEOPLE),
        },
        conditions=("still", "slosh", "ladle"),
        participants={"file": "who.csv"},
        plan={"primary": ["real"]} | (plan or {}),
    )
    return folder


@pytest.fixture(scope="module")
def before(tmp_path_factory) -> Path:
    folder = small(tmp_path_factory.mktemp("small") / "study")
    write_results(folder)
    return folder


def test_one_changed_answer_changes_what_rests_on_it_and_nothing_else(before, tmp_path):
    after = small(tmp_path / "study", answer=2)
    write_results(after, formats=["html"])
    reasons, numbers = changes(before / "results", after / "results")
    assert {(row["kind"], row["what"]) for row in reasons.rows} == {("data", "after.csv")}
    ids = {f"{row['table']}/{row['row']}/{row['column']}" for row in numbers.rows}
    assert {"descriptives/real.The_still_one/mean", "scores/real.A01.The_still_one/value"} <= ids | {
        identity.replace("scores/real.A01.still", "scores/real.A01.The_still_one") for identity in ids
    }
    assert all("calm" not in row["row"] for row in numbers.rows)
    assert not any(re.search(r"A0[2-8]", row["row"]) for row in numbers.rows)
    untouched = {"The_slosh_one", "The_ladle_one"}
    for row in numbers.rows:
        if row["table"] in ("descriptives", "reliability"):
            assert not any(one in row["row"] for one in untouched), row
    shown = (after / "results" / "report.html").read_text(encoding="utf-8")
    for row in numbers.rows:
        if row["table"] == "descriptives" and row["column"] == "mean":
            assert f'data-id="descriptives/{row["row"]}/mean">{float(row["after"]):.2f}<' in shown


def test_a_changed_plan_is_told_apart_from_changed_data(before, tmp_path):
    after = small(tmp_path / "study", plan={"zeros": "drop"})
    write_results(after, formats=["html"])
    reasons, numbers = changes(before / "results", after / "results")
    assert {row["kind"] for row in reasons.rows} == {"study.toml, the plan in it", "plan"}
    assert all(row["table"] != "descriptives" for row in numbers.rows)


def test_two_runs_of_one_study_differ_in_nothing(before, tmp_path):
    write_results(before, tmp_path / "again")
    reasons, numbers = changes(before / "results", tmp_path / "again")
    assert reasons.rows == numbers.rows == ()
    for path in sorted((before / "results").rglob("*")):
        if path.is_file():
            assert path.read_bytes() == (tmp_path / "again" / path.relative_to(before / "results")).read_bytes(), (
                path.name
            )


def test_another_version_is_told(before, tmp_path):
    shutil.copytree(before / "results", tmp_path / "new")
    manifest = json.loads((tmp_path / "new" / "manifest.json").read_text())
    manifest["versions"]["numpy"] = "0.0"
    (tmp_path / "new" / "manifest.json").write_text(json.dumps(manifest))
    reasons, _ = changes(before / "results", tmp_path / "new")
    assert [(row["kind"], row["what"], row["after"]) for row in reasons.rows] == [("version", "numpy", "0.0")]


def test_what_is_no_results_folder_is_refused(before, tmp_path):
    with pytest.raises(UsageError, match="no results folder"):
        changes(tmp_path, before / "results")


def test_no_name_of_a_person_is_in_any_output(before):
    for path in (before / "results").rglob("*"):
        if path.is_file():
            assert not any(word.encode() in part for part in parts_of(path) for word in TOLD.split()), path


def test_a_study_that_changed_since_is_told(before, tmp_path):
    folder = tmp_path / "study"
    shutil.copytree(before, folder)
    text = (folder / "after.csv").read_text()
    (folder / "after.csv").write_text(text.replace("A02,still,2", "A02,still,3"))
    facts, _ = trace_tables(folder, "descriptives/real.The_still_one/mean")
    assert ("changed since", "after.csv") in [(row["what"], row["told"]) for row in facts.rows]


def test_without_results_the_command_is_named(tmp_path):
    with pytest.raises(UsageError, match="workbench report"):
        trace_tables(small(tmp_path / "study"), "omnibus/real/p")
