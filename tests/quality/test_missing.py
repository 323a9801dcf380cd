"""The map of what is missing and the participant flow, against counts made by hand from a small study."""

from __future__ import annotations

from math import isnan

from study_folders import instrument, questionnaire, sheet, study_in

from workbench.quality.flow import participant_flow
from workbench.quality.missing import item_gaps, missing_map
from workbench.responses.questionnaires import read_responses
from workbench.responses.session_log import read_session_log
from workbench.scoring import scale_measures

REAL = instrument("real", ["r1", "r2", "r3"], texts=["why"], answers_needed=2)
FORM = sheet(
    "participant condition r1 r2 r3 why",
    "A01 still 4 4 4 .",
    "A01 slosh 4 . 5 .",
    "A02 still . . . .",
    "A02 slosh 1 . . fine",
    "A03 still 2 3 n/a .",
    "A04 still 3 3 3 .",
    "A04 slosh 3 3 3 .",
)
LOG = sheet(
    "participant position condition", "A01 1 still", "A01 2 slosh", "A02 1 still", "A02 2 slosh", "A03 1 still",
    "A04 1 slosh", "A04 2 still",
)  # fmt: skip


def study(folder, **sections):
    return study_in(
        folder,
        instruments=[REAL],
        files={"form.csv": FORM, "log.csv": LOG},
        participants={"ids": ["A01", "A02", "A03", "A04"], "withdrawn": 2},
        questionnaires=[questionnaire("form", ["real"], not_applicable_words=["n/a"])],
        session_log={"file": "log.csv"},
        exclusions=[{"participant": "A04", "condition": "slosh", "reason": "fire alarm"}],
        plan={"primary": ["real"], "target_n": 8},
        **sections,
    )


def test_every_setting_of_everybody_is_counted_without_answers_in_words(tmp_path):
    opened = study(tmp_path)
    cells = {(one.participant, one.setting): one for one in missing_map(opened, read_responses(opened))}
    counts = {place: (one.answered, one.skipped, one.not_applicable) for place, one in cells.items()}
    assert counts == {
        ("A01", "still"): (3, 0, 0),
        ("A01", "slosh"): (2, 1, 0),
        ("A02", "still"): (0, 3, 0),
        ("A02", "slosh"): (1, 2, 0),
        ("A03", "still"): (2, 0, 1),
        ("A03", "slosh"): (0, 0, 0),
        ("A04", "still"): (3, 0, 0),
        ("A04", "slosh"): (3, 0, 0),
    }
    assert {one.asked for one in cells.values()} == {3}
    assert [place for place, one in cells.items() if one.state == "nothing"] == [("A02", "still"), ("A03", "slosh")]
    assert [place for place, one in cells.items() if one.excluded] == [("A04", "slosh")]


def test_items_left_open_are_counted_where_anything_was_answered(tmp_path):
    opened = study(tmp_path)
    gaps = [
        (one.item, one.sessions, one.skipped, one.not_applicable) for one in item_gaps(opened, read_responses(opened))
    ]
    assert gaps == [("r2", 6, 2, 0), ("r3", 6, 1, 1)]


def test_the_flow_counts_everybody_and_says_why_others_are_missing(tmp_path):
    opened = study(tmp_path)
    measures = scale_measures(opened, read_responses(opened))
    steps = {one.key: one for one in participant_flow(opened, measures, read_session_log(opened), 3)}
    assert {key: one.n for key, one in steps.items()} == {
        "planned": 8,
        "enrolled": 6,
        "declared": 4,
        "ran_still": 4,
        "ran_slosh": 3,
        "ran_all": 3,
        "complete_real": 1,
        "interviewed": 3,
    }
    assert steps["enrolled"].left == (("withdrew and were erased", 2),)
    assert dict(steps["complete_real"].left) == {"not collected": 2, "excluded by declaration": 1}
    assert sum(count for _, count in steps["complete_real"].left) + steps["complete_real"].n == steps["declared"].n


def test_a_number_nobody_planned_is_not_stated(tmp_path):
    opened = study_in(tmp_path, participants=["A01"])
    assert isnan(participant_flow(opened, [], None, None)[0].n)
