"""The demo coded once more: its raters are replayed into a study that nobody has coded, and what comes of it is the demo's.

R1 comes by import and R2's pilot round by the packet's page in Chromium, then the reliability round by import, what was
agreed on, and R1's main round. Expected are the files of codings and what the demo makes of them.
"""

from __future__ import annotations

import csv
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from workbench.coding.assignments import assignment_for
from workbench.coding.codings import CODING_COLUMNS, read_codings
from workbench.coding.collected import collected_codings
from workbench.coding.consensus import OUTCOMES, record_consensus
from workbench.coding.decisions import Applied, ClosedView, RaterView, codings_frame
from workbench.coding.incoming import intake, read_arrived
from workbench.coding.material import Material, read_material
from workbench.coding.packet import KINDS, Assignment, make_packet
from workbench.coding.packet_result import read_packet_result, to_record
from workbench.coding.rounds import begin_round, submit_round
from workbench.report.table import Table, to_json
from workbench.results.chain import (
    Evidence,
    agreement_of,
    agreement_tables,
    collect,
    exemplars_of,
    joint_of,
    joint_tables,
    links_of,
    presence_of,
    spoken_of,
)
from workbench.results.demo import copy_demo
from workbench.store.journal import Journal
from workbench.store.opening import DECISIONS, open_store
from workbench.study import STUDY_FILE, Study, open_study

pytestmark = pytest.mark.xdist_group("test_replay")
"""What the whole module shares is made once."""

BY_PAGE = 10
"""Units that the ordinary suite codes at the page; --full codes the whole round there."""

ORDERED = "agreement_drift"
"""The table that hangs on the order in which units were coded."""

Row = dict[str, str]


@dataclass(frozen=True)
class Replayed:
    """The study as it was coded anew, with what R2's packet brought."""

    study: Study
    evidence: Evidence
    by_page: Sequence[Row]


# ---------------------------------------------------------------------------------- a rater at the page


def by_unit(rows: Sequence[Row]) -> dict[str, list[Row]]:
    """Rows of codings under their unit, in the order of the file."""
    found: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        found[row["unit"]].append(row)
    return dict(found)


def coded_at_the_page(browser: Any, assignment: Assignment, rows: Sequence[Row], folder: Path) -> Path:
    """Code these rows at the packet's page by keyboard, and save; returns the file that the page saved."""
    packet = folder / "packet.html"
    packet.write_text(make_packet(assignment), encoding="utf-8")
    page = browser.new_context(viewport={"width": 1100, "height": 900}, accept_downloads=True).new_page()
    page.set_default_timeout(30_000)
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.goto(packet.as_uri())
    changes, shown = 0, ""
    for unit, here in by_unit(rows).items():
        if here[0]["transcript"] != shown:
            shown = here[0]["transcript"]
            page.get_by_role("button", name=shown, exact=True).click()
            page.locator(f"[data-unit='{unit}']").focus()
        assert page.evaluate("document.activeElement.dataset.unit") == unit
        for row in here:
            changes += 1
            if not row["code"]:
                page.keyboard.press("0")
                continue
            page.keyboard.press("Enter")
            page.keyboard.type(" ".join([row["code"].lower(), "/", *row["about"].split("+"), row["stance"]]))
            page.keyboard.press("Enter")
        page.keyboard.press("n")
    page.get_by_text(f"of {changes} changes are not in a saved file yet").wait_for()
    with page.expect_download() as download:
        page.get_by_role("button", name="Save to a file").click()
    saved = folder / str(download.value.suggested_filename)
    download.value.save_as(saved)
    assert complaints == []
    return saved


# -------------------------------------------------------------------------------------------- the replay


def rows_of(study: Study, name: str, rater: str = "") -> list[Row]:
    """The rows of a file of the demo's codings."""
    with study.path(f"codings/{name}.csv").open(encoding="utf-8", newline="") as file:
        return [row for row in csv.DictReader(file) if rater in ("", row["rater"])]


def with_codebook(folder: Path, file: str) -> Study:
    """The study with this codebook: before the pilot round there was version 1 alone."""
    place = folder / STUDY_FILE
    lines = place.read_text(encoding="utf-8").splitlines(keepends=True)
    named = [f'codebook = "{file}"\n' if line.startswith("codebook = ") else line for line in lines]
    place.write_text("".join(named), encoding="utf-8")
    return open_study(folder)


def first_version(folder: Path) -> str:
    """Write the codebook as it was before the pilot round; returns its name."""
    with (folder / "codebook.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    with (folder / "codebook-1.csv").open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(row for row in rows if row[0] in ("version", "1"))
    return "codebook-1.csv"


def begin(journal: Journal, material: Material, round: str, units: set[str], raters: Sequence[str] = ()) -> None:
    chosen = [unit for unit in material.all_units() if unit.id in units]
    begin_round(journal, material.study, round, chosen, by="R1", raters=raters)


def imported(journal: Journal, material: Material, rater: str, round: str) -> None:
    file = f"codings/{round}.csv"
    arrived = read_arrived(material.study.path(file), file, material)
    found = intake(arrived, RaterView(journal, material.study, rater), round, material)
    assert set(found.left_out) <= {"codings by R1", "codings by R2"}
    journal.record(found.operations)


def replay(folder: Path, browser: Any, first: int | None) -> Replayed:
    """Code the demo anew as its two raters did; R2 codes the `first` units of the pilot round (None: all) at the page."""
    copy_demo(folder, coded=False)
    study = with_codebook(folder, first_version(folder))
    material = read_material(study)
    with open_store(study) as journal:
        begin(journal, material, "pilot", {row["unit"] for row in rows_of(study, "pilot")})
        imported(journal, material, "R1", "pilot")
        packet = assignment_for(material, journal, "pilot", "R2")
        at_page = set(list(by_unit(rows_of(study, "pilot", "R2")))[:first])
        by_page = [row for row in rows_of(study, "pilot", "R2") if row["unit"] in at_page]
        saved = coded_at_the_page(browser, packet, by_page, folder.parent)
        mine = {"by": "R2", "round": "pilot"}
        view = RaterView(journal, study, "R2")
        journal.record(to_record(read_packet_result(saved, packet), view.present(KINDS, **mine), view.history(**mine)))
        came_back = codings_frame(view)[list(CODING_COLUMNS)]
        if first is not None:
            imported(journal, material, "R2", "pilot")
        for rater in ("R1", "R2"):
            submit_round(journal, study, "pilot", rater=rater)
    study = with_codebook(folder, "codebook.csv")
    material = read_material(study)
    with open_store(study) as journal:
        drawn = {row["unit"] for row in rows_of(study, "reliability")}
        begin(journal, material, "reliability", drawn)
        for rater in ("R1", "R2"):
            imported(journal, material, rater, "reliability")
            submit_round(journal, study, "reliability", rater=rater)
        agreed(journal, material)
        begin(journal, material, "main", {unit.id for unit in material.all_units()} - drawn, ["R1"])
        imported(journal, material, "R1", "main")
        submit_round(journal, study, "main", rater="R1")
    return Replayed(study, collect(study.folder), came_back.to_dict("records"))


def agreed(journal: Journal, material: Material) -> None:
    """Keep what was agreed on, unit by unit. The files do not say why the raters had differed, so any outcome will do."""
    units = {unit.id: unit for unit in material.all_units()}
    assert material.codebooks is not None
    for name, rows in by_unit(rows_of(material.study, "consensus")).items():
        applied = [
            Applied(row["code"], tuple(row["about"].split("+")) if row["about"] else (), row["stance"])  # type: ignore[arg-type]
            for row in rows
            if row["code"]
        ]
        record_consensus(
            journal,
            material.study,
            "consensus",
            units[name],
            applied,
            discussed="reliability",
            outcome=OUTCOMES[1],
            why="replayed",
            by="R1",
            codebook=material.codebooks.current,
        )


@pytest.fixture(scope="module", params=[BY_PAGE, pytest.param(None, marks=pytest.mark.full)])
def replayed(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory, chromium: Any) -> Replayed:
    return replay(tmp_path_factory.mktemp("replayed") / "practice-kitchen", chromium, request.param)


# ------------------------------------------------------------------------------------------- what is the same


def same_order(rows: Sequence[Row]) -> list[tuple[str, ...]]:
    return sorted(tuple(row[name] for name in CODING_COLUMNS) for row in rows)


def in_results(demo: Any, name: str) -> str:
    """A table of the demo's results."""
    return (demo.results / "tables" / f"{name}.json").read_text(encoding="utf-8")


def tables_by_name(tables: Sequence[Table]) -> dict[str, str]:
    return {one.name: to_json(one) for one in tables}


def test_what_the_page_saved_is_what_the_file_says(replayed):
    units = {row["unit"] for row in replayed.by_page}
    expected = [row for row in rows_of(replayed.study, "pilot", "R2") if row["unit"] in units]
    mine = [row for row in replayed.by_page if row["rater"] == "R2"]
    assert len(units) >= BY_PAGE
    assert same_order(mine) == same_order(expected)


def test_the_codings_are_those_of_the_files(replayed, demo):
    found = collected_codings(replayed.study)
    expected = read_codings(open_study(demo.folder))
    assert found is not None
    assert expected is not None
    assert len(expected.rows) == 941
    assert same_order(found.rows.to_dict("records")) == same_order(expected.rows.to_dict("records"))


def test_agreement_is_that_of_the_demo(replayed, demo):
    found = tables_by_name(agreement_tables(replayed.evidence.study, agreement_of(replayed.evidence)))
    assert len(found) >= 9
    for name in found.keys() - {ORDERED}:
        assert found[name] == in_results(demo, name), name


def test_agreement_over_the_coding_order_is_that_of_the_demo(replayed, demo):
    found = tables_by_name(agreement_tables(replayed.evidence.study, agreement_of(replayed.evidence)))
    assert found[ORDERED] == in_results(demo, ORDERED)


def test_who_raised_what_is_that_of_the_demo(replayed, demo):
    evidence = replayed.evidence
    presence = presence_of(evidence)
    spoken = spoken_of(evidence)
    rows = joint_of(evidence, demo.analysis.comparisons, presence, spoken)
    exemplary = exemplars_of(evidence, presence, spoken)
    found = tables_by_name(joint_tables(evidence, rows, presence, exemplary, links_of(evidence, rows)))
    assert {"joint", "joint_quotes", "side_by_side", "code_exemplars", "code_by_condition"} <= found.keys()
    for name, table in found.items():
        assert table == in_results(demo, name), name


def test_the_journal_played_into_an_empty_database_gives_the_same_view(replayed, tmp_path):
    from workbench.store.database import sqlite_database

    with (
        open_store(replayed.study) as journal,
        Journal(sqlite_database(tmp_path / DECISIONS, DECISIONS)) as empty,
    ):
        lines = list(ClosedView(journal, replayed.study).lines())
        assert len(lines) == empty.from_lines(lines) == journal.last()
        assert list(ClosedView(empty, replayed.study).lines()) == lines
        assert codings_frame(ClosedView(empty, replayed.study)).equals(
            codings_frame(ClosedView(journal, replayed.study))
        )
        assert empty.check() == []
