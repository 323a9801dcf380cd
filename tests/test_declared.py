"""Faults of declared tables, in words a person can act on: every one at once, each at its key path."""

from __future__ import annotations

import tomllib
from datetime import date
from typing import Annotated, Any, Literal, Self

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import Field, ValidationError, model_validator

from workbench.declared import Contradictions, Declared, key_path, nearest, parse
from workbench.errors import Finding, StudyError
from workbench.instrument import Instrument
from workbench.study import Declaration

STUDY = """
format = 1
id = "kitchen"
title = "T"
conditions = [{ id = "still", label = "Still" }, { id = "slosh", label = "Slosh" }]

[participants]
ids = ["A01"]
"""
INSTRUMENT = """
format = 1
id = "real"
version = "1"
title = "T"
about = "A"
language = "en"
source = "S"
licence = "MIT"
wording = "full"
validation = "none"
items = [{ id = "i1", text = "t", response = "agreement" }]

[responses.agreement]
kind = "likert"
low = 1
high = 7
"""


def faults(text: str, model: type[Declared] = Declaration) -> list[Finding]:
    with pytest.raises(StudyError) as caught:
        parse(model, tomllib.loads(text), "file.toml")
    assert all(one.severity == "blocks" and one.file == "file.toml" for one in caught.value.findings)
    return list(caught.value.findings)


def test_the_files_the_faults_are_put_into_are_sound() -> None:
    assert parse(Declaration, tomllib.loads(STUDY), "s").title == "T"
    assert parse(Instrument, tomllib.loads(INSTRUMENT), "i").responses["agreement"].high == 7


@pytest.mark.parametrize(
    ("model", "addition", "place", "meant"),
    [
        (Declaration, "[participants.permissions.A07]\nquots = true", "participants.permissions.A07.quots", "quotes"),
        (Declaration, "[participants.permissions.quotes]\nshar = true", "participants.permissions.quotes.shar", "share"),
        (Declaration, '[[plan.families]]\nid = "a"\ntests = "pairs"\nmeasures = ["m"]\n[[plan.families]]\nid = "b"\ntest = "pairs"\nmeasures = ["m"]', "plan.families[2].test", "tests"),
        (Declaration, "[plan]\nlevl = 0.05", "plan.levl", "level"),
        (Declaration, "[plan.equivalence.effort]\nlow = 0\nhihg = 1", "plan.equivalence.effort.hihg", "high"),
        (Declaration, "[plann]\nlevel = 0.05", "plann", "plan"),
        (Declaration, '[[questionnaires]]\nid = "q"\nasked = "once"\ninstruments = [{ id = "x", version = "1", versoin = "2" }]\nfiles = ["f"]\n[questionnaires.columns]\nparticpant = "P"', "questionnaires[1].columns.particpant", "participant"),
        (Declaration, '[[questionnaires]]\nid = "q"\nasked = "once"\ninstruments = [{ id = "x", version = "1", versoin = "2" }]\nfiles = ["f"]', "questionnaires[1].instruments[1].versoin", "version"),
        (Declaration, '[[trials]]\nid = "t"\nfiles = ["f"]\n[[trials.measures]]\nid = "m"\nlabel = "M"\ncolumn = "c"\nsummary = "mean"\nequal = "x"', "trials[1].measures[1].equal", "equals"),
        (Instrument, "[responses.other]\nkind = 'text'\nlo = 1", "responses.other.lo", "low"),
        (Instrument, "[responses.choices]\nkind = 'text'\nhihg = 1", "responses.choices.hihg", "high"),
        (Instrument, "[responses.other]\nkind = 'choice'\nchoices = [{ value = 1, label = 'a' }, { value = 2, labl = 'b' }]", "responses.other.choices[2].labl", "label"),
        (Instrument, "[[scales]]\nid = 's'\nlabel = 'S'\nitems = ['i1']\nscor = 'sum'", "scales[1].scor", "score"),
    ],
)  # fmt: skip
def test_an_unknown_key_names_its_place_and_the_nearest_known(
    model: type[Declared], addition: str, place: str, meant: str
) -> None:
    found = faults((STUDY if model is Declaration else INSTRUMENT) + addition, model)
    [unknown] = [one for one in found if one.place == place]
    assert unknown.kind == "unknown key"
    assert f"Did you mean “{meant}”?" in unknown.remedy
    assert unknown.found == f"“{place.split('.')[-1]}” is not a key of this table."


@pytest.mark.parametrize(
    ("model", "addition", "place", "meant"),
    [
        (Declaration, '[[plan.families]]\nid = "b"\ntests = "omnibuss"\nmeasures = ["m"]', "plan.families[1].tests", "omnibus"),
        (Declaration, '[plan]\nzeros = "Pratt"', "plan.zeros", "pratt"),
        (Declaration, '[interviews]\nmode = "coding reliabilty"', "interviews.mode", "coding reliability"),
        (Declaration, '[interviews]\nmode = "codebook"\nrounds = [{ id = "r", kind = "reliable" }]', "interviews.rounds[1].kind", "reliability"),
        (Declaration, '[[questionnaires]]\nid = "q"\nasked = "once"\ninstruments = [{ id = "x", version = "1" }]\nfiles = ["f"]\noccasion_names = { pre = "befor" }', "questionnaires[1].occasion_names.pre", "before"),
        (Instrument, "[responses.other]\nkind = 'lickert'", "responses.other.kind", "likert"),
    ],
)  # fmt: skip
def test_an_unknown_value_names_its_place_and_the_nearest_known(
    model: type[Declared], addition: str, place: str, meant: str
) -> None:
    [unknown] = faults((STUDY if model is Declaration else INSTRUMENT) + addition, model)
    assert (unknown.place, unknown.kind) == (place, "unknown value")
    assert f"Did you mean “{meant}”?" in unknown.remedy


@pytest.mark.parametrize(
    ("text", "place", "found", "needed"),
    [
        (STUDY.replace('"T"', "5"), "title", "5", "text in quotes"),
        (STUDY.replace('"T"', "2026-03-02"), "title", "2026-03-02", "text in quotes"),
        (STUDY.replace('["A01"]', "[1]"), "participants.ids[1]", "1", "text in quotes"),
        (STUDY.replace('["A01"]', '"A01"'), "participants.ids", "'A01'", "a list"),
        (STUDY + "withdrawn = true", "participants.withdrawn", "true", "a whole number"),
        (STUDY + "withdrawn = 1.0", "participants.withdrawn", "1.0", "a whole number"),
        (STUDY + "withdrawn = -1", "participants.withdrawn", "-1", "0 or more"),
        (STUDY + "permissions = { A01 = { quotes = 1 } }", "participants.permissions.A01.quotes", "1", "true or false"),
        (STUDY + "permissions = { A01 = true }", "participants.permissions.A01", "true", "a table"),
        (STUDY.replace("format = 1", "format = true"), "format", "true", "a whole number"),
        (STUDY.replace("format = 1", "format = 2"), "format", "2", "1 or less"),
        (STUDY.replace("format = 1", 'format = "1"'), "format", "'1'", "a whole number"),
        (STUDY + '[plan]\nlevel = "0.05"', "plan.level", "'0.05'", "a number"),
        (STUDY + "[plan]\nlevel = true", "plan.level", "true", "a number"),
        (STUDY + "[plan]\nlevel = nan", "plan.level", "nan", "a number"),
        (STUDY + "[plan]\nlevel = 5", "plan.level", "5", "less than 1"),
        (STUDY + "[plan]\nlevel = 0", "plan.level", "0", "more than 0"),
        (STUDY + "[plan]\nthresholds = { agreement = 2 }", "plan.thresholds.agreement", "2", "1 or less"),
        (STUDY + "[plan]\nsmallest_effects = { effort = true }", "plan.smallest_effects.effort", "true", "a number"),
        (STUDY + '[plan]\nsmallest_effects = { effort = "1" }', "plan.smallest_effects.effort", "'1'", "a number"),
        (STUDY + "[plan]\nsmallest_effects = { effort = inf }", "plan.smallest_effects.effort", "inf", "a number"),
        (STUDY + "[plan]\nsmallest_effects = { effort = 0 }", "plan.smallest_effects.effort", "0", "more than 0"),
        (STUDY + '[plan]\nsmallest_effects = { "my effort" = 1 }', 'plan.smallest_effects."my effort"', "'my effort'", "a name of letters"),
        (STUDY + '[plan.frozen]\non = "2026-03-02"\nhash = "h"', "plan.frozen.on", "'2026-03-02'", "a date without quotes"),
        (STUDY + '[plan.frozen]\non = 2026-03-02T10:00:00\nhash = "h"', "plan.frozen.on", "2026-03-02 10:00:00", "a date"),
        (STUDY.replace("conditions = [", "sequences = { 1 = [").replace("}]", '}] }\nconditions = { id = "a" }'), "conditions", None, "double brackets"),
        (STUDY.replace('id = "still"', 'id = "1 still"'), "conditions[1].id", "'1 still'", "begins with a letter"),
        (STUDY.replace('id = "still"', f'id = "{"x" * 61}"'), "conditions[1].id", None, "at most 60 characters"),
        (STUDY.replace('id = "still"', 'id = "still\\n"'), "conditions[1].id", None, "a name of letters"),
        (STUDY + '[[exclusions]]\nparticipant = "A01"\nreason = ""', "exclusions[1].reason", "''", "not empty"),
        (STUDY + '[[plan.families]]\nid = "a"\ntests = "pairs"\nmeasures = []', "plan.families[1].measures", "[]", "at least 1"),
    ],
)  # fmt: skip
def test_wrong_types_and_bounds_are_told_in_plain_words(text: str, place: str, found: str | None, needed: str) -> None:
    [finding] = [one for one in faults(text) if one.place == place]
    assert finding.kind == "wrong value"
    assert found is None or finding.found == f"{found} stands here."
    assert needed in finding.remedy
    assert "pydantic" not in finding.sentence().lower()
    assert "input" not in finding.sentence().lower()


def test_every_fault_of_a_file_is_told_at_once() -> None:
    text = """
format = "1"
id = 5
titel = "T"
conditions = [{ id = "still" }, "slosh"]
[participants]
ids = ["A01", 2]
permissions = { A01 = { quots = true } }
[[questionnaires]]
id = "q"
asked = "sometimes"
instruments = []
[plan]
level = true
smallest_effects = { a = "x", b = false }
families = [{ id = "f", tests = "pair", measures = ["m"] }]
"""
    found = faults(text)
    assert [one.place for one in found] == [
        "format",
        "id",
        "title",
        "conditions[1].label",
        "conditions[2]",
        "participants.ids[2]",
        "participants.permissions.A01.quots",
        "questionnaires[1].asked",
        "questionnaires[1].instruments",
        "questionnaires[1].files",
        "plan.smallest_effects.a",
        "plan.smallest_effects.b",
        "plan.level",
        "plan.families[1].tests",
        "titel",
    ]
    assert [one.kind for one in found if one.place in ("title", "questionnaires[1].files")] == ["missing key"] * 2


# ------------------------------------------------------------------------- any value anywhere


class Inner(Declared):
    """Every sort of key there is."""

    word: str = Field("", min_length=2, max_length=3)
    choice: Literal["on", "off"] = "on"
    flag: bool = False


class Outer(Declared):
    """Tables in lists and tables, numbers and days."""

    whole: int = Field(0, ge=-1, le=5)
    number: int | float | None = Field(None, gt=0, lt=2)
    share: float = 0.5
    day: date | None = None
    inner: Inner = Inner()
    listed: list[Inner] = Field(default_factory=list, min_length=1)
    named: dict[Annotated[str, Field(pattern="^[a-z]+$")], Inner] = Field(default_factory=dict)
    effects: dict[str, Annotated[int | float, Field(gt=0)]] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _small(self) -> Self:
        if self.whole == 5:
            raise Contradictions([(("listed", 0, "word"), "Five is here.", "Take four."), ((), "Whole.", "")])
        if self.whole == 4:
            raise ValueError("Four is too many.")
        return self


_VALUES = st.recursive(
    st.one_of(st.none().map(lambda _: date(2026, 3, 2)), st.booleans(), st.integers(-3, 6), st.floats(), st.text(max_size=4)),
    lambda inside: st.one_of(
        st.lists(inside, max_size=3),
        st.dictionaries(
            st.sampled_from([*Outer.model_fields, *Inner.model_fields, "wrd", "[key]", "int", "a b", "\x1b[31m", ""]),
            inside,
            max_size=4,
        ),
    ),
    max_leaves=8,
)  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(content=st.dictionaries(st.sampled_from([*Outer.model_fields, "wrd"]), _VALUES))
def test_any_content_is_read_or_told(content: dict[str, Any]) -> None:
    try:
        Outer.model_validate(content)
    except ValidationError:
        with pytest.raises(StudyError) as caught:
            parse(Outer, content, "f")
        for one in caught.value.findings:
            assert one.found
            assert one.place or one.found in ("Whole.", "Four is too many.")
            assert not one.place.startswith("number.")
        told = [(one.place, one.found, one.remedy) for one in caught.value.findings]
        assert len(set(told)) == len(told)
    else:
        assert isinstance(parse(Outer, content, "f"), Outer)


def test_contradictions_are_told_one_by_one_at_their_own_places() -> None:
    found = faults("whole = 5\nlisted = [{}]", Outer)
    assert [(one.place, one.found, one.remedy) for one in found] == [
        ("listed[1].word", "Five is here.", "Take four."),
        ("", "Whole.", ""),
    ]
    with pytest.raises(ValidationError, match=r"Five is here\. Take four\. Whole\."):
        Outer(whole=5)


def test_a_plain_value_error_of_a_table_is_told_as_it_is() -> None:
    [finding] = faults("whole = 4", Outer)
    assert (finding.place, finding.found) == ("", "Four is too many.")


def test_a_long_value_is_shortened() -> None:
    [finding] = faults(f'whole = "{"x" * 500}"', Outer)
    assert len(finding.found) < 90


def test_nothing_changes_a_declared_table_later() -> None:
    with pytest.raises(ValidationError):
        Inner().word = "ab"  # type: ignore[misc]


# ------------------------------------------------------------------------------- small pieces


@pytest.mark.parametrize(
    ("location", "path"),
    [
        ((), ""),
        (("plan", "families", 1, "tests"), "plan.families[2].tests"),
        (("sequences", "1", 0), "sequences.1[1]"),
        (("items", "Q1. It “felt” heavy"), 'items."Q1. It “felt” heavy"'),
        (("items", 'say "x"\n\x1b'), 'items."say \\"x\\"\\n\\u001b"'),
        (("items", ""), 'items.""'),
        (("größe",), '"größe"'),
    ],
)
def test_key_paths_are_written_as_in_toml(location: tuple[int | str, ...], path: str) -> None:
    assert key_path(location) == path


def test_nearest_names_the_nearest_and_all_where_they_are_few() -> None:
    assert nearest("pair", ["omnibus", "pairs"]) == "Did you mean “pairs”? Known here: omnibus, pairs."
    assert nearest("PAIRS", ["omnibus", "pairs"]) == "Did you mean “pairs”? Known here: omnibus, pairs."
    assert nearest("zzz", ["omnibus", "pairs"]) == "Known here: omnibus, pairs."
    assert nearest("zzz", []) == "Known here: none."
    many = [f"name{number}" for number in range(100)]
    assert nearest("name_7", many) == "Did you mean “name7”?"
    assert nearest("zzz", many).startswith("Known here: name0, ")
