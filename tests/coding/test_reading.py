"""Excerpts, codes on the same units, codes by theme and memos, from the codings that count."""

from __future__ import annotations

import csv
from collections import defaultdict
from itertools import combinations
from pathlib import Path

import pytest
from hostile_interviews import FORMULA, MARKUP, PLAIN, hostile_study

from workbench.coding.decisions import RaterView, record_memo, record_permission, record_theme
from workbench.coding.material import read_material
from workbench.coding.placed import source_texts
from workbench.coding.reading import (
    codes_asked,
    codes_by_theme,
    cooccurrences,
    excerpts,
    memos,
    read_decided,
    themes_of,
)
from workbench.coding.rounds import submit_round
from workbench.errors import UsageError
from workbench.store.opening import open_store
from workbench.study import Permissions, open_study

DEMO = Path(__file__).parent.parent.parent / "demo_responses"


@pytest.fixture(scope="module")
def demo():
    study = open_study(DEMO)
    material = read_material(study)
    return read_decided(study, material), material


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    study = hostile_study(tmp_path_factory.mktemp("hostile"))
    material = read_material(study)
    return read_decided(study, material), material


def counting_units() -> dict[tuple[str, str], set[str]]:
    """{(participant, unit): codes} of the demo by hand: consensus, else R1's latest round, under version 2."""
    order = ["pilot", "reliability", "consensus", "main"]
    rated: dict[tuple[str, str], dict[tuple[bool, int], set[str]]] = defaultdict(lambda: defaultdict(set))
    for place, name in enumerate(order):
        with (DEMO / "codings" / f"{name}.csv").open(encoding="utf-8", newline="") as stream:
            for row in csv.DictReader(stream):
                if row["codebook_version"] == "2" and row["rater"] in ("R1", "consensus"):
                    rated[row["participant"], row["unit"]][row["rater"] == "consensus", place].add(row["code"])
    return {unit: by[max(by)] - {""} for unit, by in rated.items()}


def test_each_counting_coding_of_a_code_is_an_excerpt_or_withheld(demo):
    decided, material = demo
    by_hand = [unit for unit, codes in counting_units().items() if "HEFT" in codes]
    found = excerpts(decided, material, ["HEFT"])
    shown = [(one.participant, one.unit) for one in found.items]
    assert sum(found.counts.values()) == len(by_hand)
    assert sorted(shown) == sorted(unit for unit in by_hand if unit[0] != "A07")
    assert found.withheld == {"A07": sum(who == "A07" for who, _ in by_hand)}
    assert found.n_lost == 0


def test_the_words_are_the_units_and_the_turns_beside_them_stand_in_the_transcript(demo):
    decided, material = demo
    texts = material.texts()
    for one in excerpts(decided, material, ["SWAY"], context=2).items:
        assert one.words == texts[one.unit]
        spoken = [turn.text for turn in material.working[one.transcript].turns]
        assert all(said.text in spoken for said in (*one.before, *one.after))
        assert len(one.before) <= 2
    assert all(not one.before and not one.after for one in excerpts(decided, material, ["SWAY"], context=0).items)


def test_a_translation_stands_beside_the_original(demo):
    decided, material = demo
    found = excerpts(decided, material, ["HEFT"], participant="A17").items
    assert found
    assert all(one.language == "de" and one.translation and one.translation != one.words for one in found)


def test_excerpts_are_chosen_by_condition_participant_and_stance(demo):
    decided, material = demo
    every = excerpts(decided, material, ["HEFT"])
    about = excerpts(decided, material, ["HEFT"], condition="slosh", stance="for")
    assert about.items
    assert set(about.items) == {one for one in every.items if "slosh" in one.about and one.stance == "for"}
    assert excerpts(decided, material, ["HEFT"], participant="A07").items == ()
    for wrong in ({"condition": "ladel"}, {"participant": "A99"}, {"stance": "perhaps"}):
        with pytest.raises(UsageError, match=next(iter(wrong.values()))):
            excerpts(decided, material, ["HEFT"], **wrong)


def test_words_that_were_coded_are_marked_within_their_unit(hostile):
    decided, material = hostile
    (formula,) = excerpts(decided, material, [FORMULA]).items
    assert formula.marked().startswith("«=SUM(A1)» 🥄")
    assert "".join(formula.parts()) == material.texts()["A01-002"]
    hebrew = excerpts(decided, material, [MARKUP], participant="A02").items[0]
    assert hebrew.parts()[1] == "כבד"
    (whole, *_) = excerpts(decided, material, [PLAIN]).items
    assert whole.marked() == whole.words


def test_a_permission_recorded_since_counts(tmp_path):
    study = hostile_study(tmp_path)
    with open_store(study) as journal:
        record_permission(journal, study, "A01", Permissions(quotes=False), by="R1", why="by letter")
        record_permission(journal, study, "A03", Permissions(quotes=True), by="R1", why="by letter")
    material = read_material(study)
    found = excerpts(read_decided(study, material), material, [PLAIN])
    assert found.withheld == {"A01": 1}
    assert {one.participant for one in found.items} == {"A02", "A03"}


def test_codings_without_a_place_are_counted_and_not_shown(tmp_path):
    study = hostile_study(tmp_path)
    table = tmp_path / "codings.csv"
    table.write_text(
        table.read_text(encoding="utf-8")
        + "A02,A02,A02-900,,,R1,main,1,HEFT,,\nA02,A02,A02-002,5,900,R1,main,1,HEFT,,\n",
        encoding="utf-8",
    )
    material = read_material(study)
    found = excerpts(read_decided(study, material), material, [PLAIN])
    assert found.n_lost == 2


def test_pairs_of_codes_are_counted_over_units(demo):
    by_hand = counting_units()
    found = {(one.first, one.second): one for one in cooccurrences(demo[0].counted)}
    codes = sorted(set().union(*by_hand.values()))
    for first, second in combinations(codes, 2):
        both = [who for (who, _), here in by_hand.items() if {first, second} <= here]
        either = sum(bool({first, second} & here) for here in by_hand.values())
        if not both:
            assert (first, second) not in found
            continue
        one = found[first, second]
        assert (one.units, one.participants) == (len(both), len(set(both)))
        assert one.jaccard == pytest.approx(len(both) / either, abs=1e-12)


def test_the_order_of_rows_changes_no_pair(demo):
    counted = demo[0].counted
    assert cooccurrences(counted.sample(frac=1, random_state=1)) == cooccurrences(counted)


def test_codes_stand_under_their_themes_and_the_rest_under_none(demo):
    decided, material = demo
    by_hand = counting_units()
    themes = themes_of(material.codebooks.current, ())
    found = codes_by_theme(decided.counted, themes)
    assert {one.code for one in found} >= set().union(*by_hand.values())
    for one in found:
        assert one.units == sum(one.code in here for here in by_hand.values())
        if one.theme:
            mine = [who for (who, _), here in by_hand.items() if here & set(themes[one.theme])]
            assert (one.theme_participants, one.theme_units) == (len(set(mine)), len(mine))


def test_a_theme_recorded_since_takes_the_place_of_the_codebooks(tmp_path):
    study = hostile_study(tmp_path)
    material = read_material(study)
    with open_store(study) as journal:
        record_theme(journal, "T", [PLAIN], by="R1")
        record_theme(journal, "New", [FORMULA], by="R1")
    decided = read_decided(study, material)
    themes = themes_of(material.codebooks.current, decided.themes)
    assert themes == {"T": (PLAIN,), "New": (FORMULA,)}
    assert codes_asked("New", theme=True, codes=[PLAIN], themes=themes) == [FORMULA]
    with pytest.raises(UsageError, match="no theme"):
        codes_asked(PLAIN, theme=True, codes=[PLAIN], themes=themes)
    with pytest.raises(UsageError, match="no code"):
        codes_asked("HEFTY", theme=False, codes=[PLAIN], themes=themes)


def test_memos_are_shown_once_the_round_is_closed_and_not_on_words_that_may_not_be_quoted(tmp_path):
    study = hostile_study(tmp_path)
    material = read_material(study)
    with open_store(study) as journal:
        view = RaterView(journal, study, "R2")
        record_memo(view, "unit", "A03-002", "She said ZANZIBAR.", round="main")
        record_memo(view, "unit", "A01-002", "Loud.", round="main", transcript="A01")
    assert memos(read_decided(study, material), material) == []
    with open_store(study) as journal:
        for rater in ("R1", "R2"):
            submit_round(journal, study, "main", rater=rater, why="enough")
    assert [one.text for one in memos(read_decided(study, material), material)] == [None, "Loud."]


def test_a_place_in_the_text_is_the_same_place_in_the_unit(hostile):
    _, material = hostile
    for source in source_texts(material).values():
        for unit in source.units.values():
            start, end = source.span(unit)
            assert source.unit_at(start, end) == (unit, 0, len(unit.text))
            assert source.unit_at(start - 1, start) is None
            for at, letter in enumerate(unit.text):
                here = source.span(unit, at, at + 1)
                if letter != "\n":
                    assert source.text[here[0] : here[1]] == letter
                    assert source.unit_at(*here) == (unit, at, at + 1)
