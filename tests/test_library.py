"""The library: every file is whole, says where it comes from, and scores as its source does."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from study_folders import study_in

from workbench.instrument import Instrument, Scale, library, read_instrument, score_range
from workbench.measure import SETTING, Measure
from workbench.responses.questionnaires import read_responses
from workbench.scoring import pair_answers, scale_measures, scored_answers, scores

LIBRARY = {name: read_instrument(path, path.name) for name, path in library().items()}
OURS = [name for name, one in LIBRARY.items() if one.source.startswith("Written for this library")]
SCALES = [(one, scale) for one in LIBRARY.values() for scale in one.scales]
BOUNDED = [(one, scale) for one, scale in SCALES if math.isfinite(score_range(one, scale)[0])]
IDS = [f"{one.id}-{scale.id}" for one, scale in BOUNDED]


def measures_of(
    folder: Path, name: str, answers: Mapping[str, object], asked: str = "per_condition"
) -> dict[str, Measure]:
    """The measures of one participant's answers to an instrument of the library, read from a file."""
    setting = {"per_condition": {"condition": "still"}, "before_after": {"occasion": "before"}, "once": {}}[asked]
    cells = {"participant": "A01", **setting} | {item.id: answers.get(item.id, "") for item in LIBRARY[name].items}
    study = study_in(
        folder,
        files={"form.csv": f"{','.join(cells)}\n{','.join(map(str, cells.values()))}\n"},
        questionnaires=[
            {
                "id": "form",
                "asked": asked,
                "instruments": [{"id": name, "version": LIBRARY[name].version}],
                "files": ["form.csv"],
            }
        ],
    )
    return {measure.id: measure for measure in scale_measures(study, read_responses(study))}


def value_of(measure: Measure) -> tuple[float, str]:
    """The value of A01 in the one setting that was answered, and the reason where there is none."""
    mine = measure.values[measure.values["participant"] == "A01"]
    row = mine[mine["condition"].isin(["still", ""]) & mine["occasion"].isin(["before", ""])].iloc[0]
    return float(row["value"]), str(row["reason"])


def score(one: Instrument, scale: Scale, answers: Mapping[str, float]) -> float:
    """A score from answers that need no file."""
    rows = pd.DataFrame(
        {
            **dict.fromkeys(SETTING, ""),
            "item": list(answers),
            "value": np.array(list(answers.values()), dtype=float),
            "missing": "",
        }
    )
    found = scores(one, scale, scored_answers(one, scale, rows), len(scale.items), pair_answers(one, scale, rows))
    return float(found["value"].iloc[0])


def pairs_of(one: Instrument, scale: Scale) -> list[str]:
    return [item.id for item in one.items if scale.weights_from and item.group == scale.weights_from]


# ------------------------------------------------------------------------------------ what a file says


def test_the_library_has_what_it_promises() -> None:
    assert len(LIBRARY) >= 12
    kinds = {response.kind for one in LIBRARY.values() for response in one.responses.values()}
    assert kinds == {"likert", "numeric", "differential", "choice", "yes_no", "tick", "rank", "pair", "text"}


@pytest.mark.parametrize("name", sorted(LIBRARY))
def test_every_file_names_itself_its_source_its_licence_and_its_validation(name: str) -> None:
    one = LIBRARY[name]
    assert one.id == name
    for text in (one.title, one.about, one.source, one.licence, one.validation):
        assert len(text.strip()) > 2
    assert all(item.text.strip() for item in one.items)
    assert len({item.text for item in one.items}) == len(one.items)


@pytest.mark.parametrize("name", sorted(OURS))
def test_our_own_instruments_say_that_they_are_unvalidated(name: str) -> None:
    one = LIBRARY[name]
    assert "unvalidated" in one.validation.casefold()
    assert (one.licence, one.wording) == ("MIT", "full")
    assert one.instruction


@pytest.mark.parametrize("name", sorted(set(LIBRARY) - set(OURS)))
def test_the_wording_of_others_is_printed_only_under_an_open_licence(name: str) -> None:
    one = LIBRARY[name]
    assert re.search(r"\(\d{4}\)", one.source), "a source has a year"
    assert (one.wording == "full") == one.licence.startswith("CC BY")


@pytest.mark.parametrize("name", sorted(LIBRARY))
def test_the_ends_of_a_scale_of_points_have_words(name: str) -> None:
    one = LIBRARY[name]
    for item in one.items:
        response = one.response_of(item.id)
        if response.kind in ("likert", "differential"):
            assert {float(point) for point in response.anchors} >= set(response.range)


def test_scales_have_names_of_their_own_so_that_instruments_can_be_combined() -> None:
    names = [scale.id for _, scale in SCALES]
    assert len(set(names)) == len(names)


@pytest.mark.parametrize(("one", "scale"), BOUNDED, ids=IDS)
def test_scales_say_unit_direction_and_answers_needed(one: Instrument, scale: Scale) -> None:
    assert scale.answers_needed
    assert scale.higher
    low, high = score_range(one, scale)
    ends = re.search(r", (\S+) to (\S+)$", scale.unit)
    assert ends, scale.unit
    assert (float(ends[1]), float(ends[2])) == pytest.approx((low, high), abs=1e-9)


# ---------------------------------------------------------------------------------- published examples


def test_system_usability_scale_as_brooke_scores_it(published: dict[str, dict], tmp_path: Path) -> None:
    """Source and worked example: the case sus_brooke."""
    case = published["sus_brooke"]
    answers = {f"sus{number}": answer for number, answer in enumerate(case["inputs"]["responses"], 1)}
    [measure] = measures_of(tmp_path, "system_usability", answers).values()
    assert value_of(measure) == (case["expected"]["score"], "")
    contributions = measure.rows.set_index("item")["value"].loc[list(answers)] - 1
    assert contributions.tolist() == case["expected"]["contributions"]


def test_simulator_sickness_with_items_on_two_subscales(published: dict[str, dict], tmp_path: Path) -> None:
    """The case ssq_key_weights: key, weights and maxima; published maximum and key recalled from memory there."""
    case = published["ssq_key_weights"]
    answers = {f"ssq{number}": answer for number, answer in enumerate(case["inputs"]["responses"], 1)}
    names = {"N": "nausea", "O": "oculomotor", "D": "disorientation", "Total": "total"}
    made = measures_of(tmp_path, "simulator_sickness", answers, asked="before_after")
    for letter, name in names.items():
        measure = made[f"sickness_{name}"]
        assert value_of(measure)[0] == pytest.approx(case["expected"][letter], rel=1e-9)
        assert measure.high == pytest.approx(case["expected"][f"max_{letter}"], rel=1e-9)
    for letter, numbers in case["inputs"]["key"].items():
        [scale] = [one for _, one in SCALES if one.id == f"sickness_{names[letter]}"]
        assert list(scale.items) == [f"ssq{number}" for number in numbers]


TASK_LOAD = {
    "MD": "mental",
    "PD": "physical",
    "TD": "temporal",
    "OP": "performance",
    "EF": "effort",
    "FR": "frustration",
}


def task_load(case: dict) -> tuple[dict[str, object], dict[str, object]]:
    """Ratings of the published case, and answers to the fifteen pairs that give its weights."""
    names = [TASK_LOAD[letters] for letters in case["inputs"]["order"]]
    weights = dict(zip(names, case["inputs"]["weights"], strict=True))
    ratings: dict[str, object] = {
        f"tlx_{name}": value for name, value in zip(names, case["inputs"]["ratings"], strict=True)
    }
    # The weights 5, 4, 3, 2, 1, 0 are those of one order of the six: of each pair the one further up in it is chosen.
    assert sorted(weights.values()) == [0, 1, 2, 3, 4, 5]
    pairs: dict[str, object] = {
        f"pair_{a}_{b}": 1 if weights[a] > weights[b] else 2 for a, b in itertools.combinations(TASK_LOAD.values(), 2)
    }
    return ratings, pairs


def test_task_load_raw_and_weighted_by_pairs(published: dict[str, dict], tmp_path: Path) -> None:
    """The case tlx_weighted: performance is not reversed, weights are how often each dimension was chosen."""
    case = published["tlx_weighted"]
    ratings, pairs = task_load(case)
    raw = measures_of(tmp_path / "raw", "task_load_raw", ratings)["task_load_raw"]
    assert value_of(raw) == (case["expected"]["raw"], "")
    made = measures_of(tmp_path / "weighted", "task_load_weighted", ratings | pairs)
    assert value_of(made["task_load_weighted"])[0] == pytest.approx(case["expected"]["weighted"], rel=1e-9)
    assert value_of(made["task_load_unweighted"])[0] == case["expected"]["raw"]


def test_pairs_are_read_from_numbers_and_from_words(published: dict[str, dict], tmp_path: Path) -> None:
    one = LIBRARY["task_load_weighted"]
    ratings, by_number = task_load(published["tlx_weighted"])
    by_word = {pair: one.item(one.item(pair).pair[int(str(place)) - 1]).text for pair, place in by_number.items()}
    assert set(by_word.values()) <= {item.text for item in one.items}
    for way, pairs in (("numbers", by_number), ("words", by_word)):
        weighted = measures_of(tmp_path / way, one.id, ratings | pairs)["task_load_weighted"]
        assert value_of(weighted)[0] == pytest.approx(published["tlx_weighted"]["expected"]["weighted"], rel=1e-9)


def test_weights_need_every_pair(published: dict[str, dict], tmp_path: Path) -> None:
    ratings, pairs = task_load(published["tlx_weighted"])
    lacking = {name: answer for name, answer in pairs.items() if name != "pair_effort_frustration"}
    made = measures_of(tmp_path / "a", "task_load_weighted", ratings | lacking)
    value, reason = value_of(made["task_load_weighted"])
    assert math.isnan(value)
    assert reason == "14 of 15 pairs answered, all needed"
    assert value_of(made["task_load_unweighted"]) == (published["tlx_weighted"]["expected"]["raw"], "")
    without_rating = {name: answer for name, answer in ratings.items() if name != "tlx_effort"}
    made = measures_of(tmp_path / "b", "task_load_weighted", without_rating | lacking)
    told = "5 of 6 items answered, 6 needed; 14 of 15 pairs answered, all needed"
    assert value_of(made["task_load_weighted"])[1] == told
    made = measures_of(tmp_path / "c", "task_load_weighted", pairs)
    assert value_of(made["task_load_weighted"])[1] == "not collected"


def test_affinity_presence_and_cybersickness_by_hand(tmp_path: Path) -> None:
    """Sheets worked by hand from the rules in the files, as no worked example is published."""
    ati = {f"ati{number}": answer for number, answer in enumerate([6, 5, 2, 4, 5, 1, 6, 3, 4], 1)}
    # 3, 6, 8 reversed: 7 - 2, 7 - 1, 7 - 3; (6 + 5 + 5 + 4 + 5 + 6 + 6 + 4 + 4) / 9
    [affinity] = measures_of(tmp_path / "ati", "technology_affinity", ati, asked="once").values()
    assert value_of(affinity)[0] == pytest.approx(45 / 9)
    names = [
        "g1",
        *(f"sp{n}" for n in range(1, 6)),
        *(f"inv{n}" for n in range(1, 5)),
        *(f"real{n}" for n in range(1, 5)),
    ]
    ipq = dict(zip((f"ipq_{name}" for name in names), [5, 4, 1, 6, 3, 5, 2, 4, 0, 6, 2, 3, 1, 0], strict=True))
    # SP2 6 - 1, INV3 6 - 0, REAL1 6 - 2
    expected = {
        "general": 5,
        "spatial": (4 + 5 + 6 + 3 + 5) / 5,
        "involvement": (2 + 4 + 6 + 6) / 4,
        "realness": (4 + 3 + 1 + 0) / 4,
    }
    presence = measures_of(tmp_path / "ipq", "presence", ipq)
    assert {name: value_of(presence[f"presence_{name}"])[0] for name in expected} == pytest.approx(expected)
    csq = dict(zip((item.id for item in LIBRARY["cybersickness"].items), [3, 2, 1, 4, 7, 5], strict=True))
    sums = {"nausea": 5, "vestibular": 5, "oculomotor": 12, "total": 22}
    sickness = measures_of(tmp_path / "csq", "cybersickness", csq)
    assert {name: value_of(sickness[f"cybersickness_{name}"])[0] for name in sums} == sums


def test_every_closed_format_is_read_from_numbers_and_from_words(tmp_path: Path) -> None:
    numbers = {
        "age": 31,
        "hand": 2,
        "glasses": 0,
        "tried_headset": 1,
        "tried_gloves": 0,
        "tried_heavy": 1,
        "tried_study": 0,
    }
    ticked = {"tried_headset": "ticked", "tried_gloves": "0", "tried_heavy": "TICKED", "tried_study": "0"}
    for number, answers in enumerate([numbers, numbers | {"hand": "Either", "glasses": "Yes"} | ticked]):
        made = measures_of(tmp_path / str(number), "about_you", answers, asked="once")
        assert value_of(made["age"]) == (31.0, "")
        assert math.isnan(made["age"].high)
        assert value_of(made["experience"]) == (2.0, "")


def test_each_object_of_a_ranking_has_its_place_as_score(tmp_path: Path) -> None:
    places = {"helped_sight": 3, "helped_sound": 4, "helped_body": 1, "helped_knowledge": 2}
    made = measures_of(tmp_path, "what_helped", places)
    assert {name: value_of(measure)[0] for name, measure in made.items()} == places


# ------------------------------------------------------------------------------------------ properties


@pytest.mark.parametrize(("one", "scale"), BOUNDED, ids=IDS)
def test_extreme_answers_reach_the_ends_of_the_range(one: Instrument, scale: Scale) -> None:
    pairs = dict.fromkeys(pairs_of(one, scale), 1.0)
    found = []
    for want_low in (True, False):
        answers = {}
        for item in scale.items:
            low, high = one.response_of(item).range
            answers[item] = low if want_low != one.item(item).reverse else high
        found.append(score(one, scale, answers | pairs))
    assert sorted(found) == pytest.approx(score_range(one, scale), abs=1e-9)


@settings(max_examples=5, deadline=None)
@pytest.mark.parametrize(("one", "scale"), BOUNDED, ids=IDS)
@given(data=st.data())
def test_reversing_all_answers_mirrors_the_score(one: Instrument, scale: Scale, data: Any) -> None:
    pairs = {pair: float(data.draw(st.integers(1, 2))) for pair in pairs_of(one, scale)}
    answers, mirrored = {}, {}
    for item in scale.items:
        response = one.response_of(item)
        low, high = response.range
        possible = [choice.value for choice in response.choices] or list(range(int(low), int(high) + 1))
        answers[item] = float(data.draw(st.sampled_from(possible)))
        mirrored[item] = low + high - answers[item]
    low, high = score_range(one, scale)
    there, back = score(one, scale, answers | pairs), score(one, scale, mirrored | pairs)
    assert there + back == pytest.approx(low + high, abs=1e-9)
    assert low - 1e-9 <= there <= high + 1e-9


@settings(max_examples=25, deadline=None)
@given(
    ratings=st.lists(st.integers(0, 20), min_size=6, max_size=6),
    choices=st.lists(st.integers(1, 2), min_size=15, max_size=15),
)
def test_the_weighted_score_is_the_sum_of_weight_times_rating_over_fifteen(
    ratings: list[int], choices: list[int]
) -> None:
    """Against the rule of Hart & Staveland written out from the choices, and so with any choices, consistent or not."""
    one = LIBRARY["task_load_weighted"]
    dimensions = [f"tlx_{name}" for name in TASK_LOAD.values()]
    times = dict.fromkeys(dimensions, 0)
    answers = dict(zip(dimensions, (5.0 * rating for rating in ratings), strict=True))
    by_hand = dict(answers)
    for (a, b), choice in zip(itertools.combinations(dimensions, 2), choices, strict=True):
        times[a if choice == 1 else b] += 1
        answers[f"pair_{a[4:]}_{b[4:]}"] = float(choice)
    assert sum(times.values()) == 15
    expected = sum(times[name] * by_hand[name] for name in dimensions) / 15
    assert score(one, one.scales[0], answers) == pytest.approx(expected, abs=1e-9)
