"""Codings under an older codebook: what comes along, what asks for coding anew, and how many are left."""

from __future__ import annotations

from dataclasses import replace

import pytest
from coding_projects import VERSIONS

from workbench.codebook.model import Code, Codebook, with_changes
from workbench.coding.codings import codings_that_count
from workbench.coding.decisions import Applied, apply_code, codings_frame, rate_unit, withdraw_code
from workbench.coding.recoding import carried_forward, recode_queue

OLD, NEW = VERSIONS


def coded(project, *codes_of_units: tuple[str, ...], codebook=OLD, view=None):
    for unit, codes in zip(project.units, codes_of_units, strict=False):
        rate_unit(view or project.one, "main", unit, [Applied(code) for code in codes], codebook=codebook)


def brought(project, versions=VERSIONS):
    frame = carried_forward(codings_frame(project.one), versions)
    return [tuple(row) for row in frame[["unit", "codebook_version", "code"]].to_numpy().tolist()]


def queue(project, versions=VERSIONS):
    return recode_queue(project.one, versions, project.interviews)


def test_renamed_and_retired_codes_come_along_and_split_ones_do_not(project):
    coded(project, ("SWAY",), ("HEFT", "SWAY"), ("PLAY",), (), ("PLAY", "SWAY"))
    one, two, three, four, five = (unit.id for unit in project.units[:5])
    assert brought(project) == [
        (one, "2", "SWING"),
        (two, "1", "HEFT"),
        (two, "1", "SWAY"),
        (three, "2", ""),
        (four, "2", ""),
        (five, "2", "SWING"),
    ]
    counted = codings_that_count(carried_forward(codings_frame(project.one), VERSIONS), project.interviews)
    assert sorted(set(counted["unit"])) == sorted([one, three, four, five])


def test_units_under_a_split_code_wait_and_are_counted_down(project):
    coded(project, ("HEFT", "SWAY"), ("SWAY",), ("HEFT",))
    first, third = project.units[0], project.units[2]
    before = queue(project)
    assert [(item.unit, item.codes, item.version, item.rater, item.round) for item in before.items] == [
        (first.id, ("HEFT",), "1", "R1", "main"),
        (third.id, ("HEFT",), "1", "R1", "main"),
    ]
    assert "HEFT was split into HEAVY and LIGHT" in before.items[0].changes[0]
    assert (before.left, before.done) == (2, 0)
    withdraw_code(project.one, "main", first, Applied("HEFT"), codebook=NEW)
    apply_code(project.one, "main", first, Applied("HEAVY"), codebook=NEW)
    assert (queue(project).left, queue(project).done) == (1, 1)
    assert (first.id, "2", "HEAVY") in brought(project)
    assert (first.id, "2", "SWING") in brought(project)
    rate_unit(project.one, "main", third, [], codebook=NEW)
    assert (queue(project).left, queue(project).done) == (0, 2)


REWORDED = with_changes(
    [
        Codebook("1", (Code("A", definition="one"), Code("B", label="Bee"), Code("C"))),
        Codebook("2", (Code("A", definition="another"), Code("B", label="Bea"), Code("C"), Code("D"))),
        Codebook("3", (Code("A", definition="another"), Code("BC", merged_from=("B", "C")), Code("D"))),
    ]
)


def test_a_changed_definition_asks_anew_and_a_label_a_merger_and_a_new_code_do_not(project):
    coded(project, ("A",), ("B", "C"), codebook=REWORDED[0])
    coded_later = project.units[2]
    rate_unit(project.one, "main", coded_later, [Applied("A")], codebook=REWORDED[1])
    one, two = project.units[0].id, project.units[1].id
    assert brought(project, REWORDED) == [(one, "1", "A"), (two, "3", "BC"), (coded_later.id, "3", "A")]
    assert [item.unit for item in queue(project, REWORDED).items] == [one]
    rate_unit(project.one, "main", project.units[0], [Applied("A")], codebook=REWORDED[2])
    assert queue(project, REWORDED).left == 0
    assert (one, "3", "A") in brought(project, REWORDED)


def test_only_codings_that_count_wait(project):
    coded(project, ("HEFT",), view=project.other)
    coded(project, ("SWAY",))
    project.close("main")
    assert queue(project).left == 0


@pytest.mark.parametrize("versions", [(), (replace(OLD, version="7"),)])
def test_versions_that_the_codebook_does_not_know_stay_as_they_are(project, versions):
    coded(project, ("HEFT",))
    assert brought(project, versions) == [(project.units[0].id, "1", "HEFT")]
    assert queue(project, versions).left == 0


def test_nothing_is_coded(project):
    assert brought(project) == []
    assert (queue(project).left, queue(project).done) == (0, 0)
