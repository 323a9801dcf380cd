"""Foreign tables to questionnaires: what columns seem to hold, corrections, and that the preview is what is read."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence
from itertools import product
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from study_folders import instrument, questionnaire, study_in

from workbench.errors import StudyError, UsageError, WorkbenchError
from workbench.instrument import Instrument
from workbench.report.map_tables import map_tables
from workbench.report.table import to_text
from workbench.responses.guesses import Corrections, answered
from workbench.responses.mapping import Proposal, propose, write_proposal
from workbench.responses.questionnaires import read_responses
from workbench.responses.wordings import item_matches, wordings
from workbench.study import Study, open_study

PEOPLE, CONDITIONS = ("A01", "A02", "A03", "A04"), ("still", "slosh", "coach")
TEXTS = {
    "pond1": "The pond seemed deep enough to swim in.",
    "pond2": "I could tell where the bottom of the water was.",
    "pond3": "Waves came back from the edge as I expected.",
    "pond4": "My hand felt wet although it was dry.",
}
POND = instrument("pond", list(TEXTS), reverse=["pond2"])
POND["items"] = [one | {"text": TEXTS[one["id"]]} for one in POND["items"]]
HUM = instrument("hum", ["hum1", "hum2"], response={"kind": "numeric", "low": 0, "high": 100})
ITEMS = tuple(TEXTS)


def answer(who: str, place: str, item: str) -> int:
    """An answer from 1 to 7 that differs between neighbours."""
    return 1 + (3 * int(who[1:]) + 2 * len(place) + 5 * int(item[-1])) % 7


def written(rows: Sequence[Sequence[object]], delimiter: str = ",") -> str:
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter).writerows(rows)
    return out.getvalue()


def kitchen(folder: Path, **sections: object) -> Study:
    sections.setdefault("instruments", [POND, HUM])
    return study_in(folder, conditions=CONDITIONS, participants=PEOPLE, **sections)


def proposed(folder: Path, text: str, name: str = "export.csv", study: Study | None = None, **said: object) -> Proposal:
    """The proposal for a table that lies outside of the study folder."""
    study = study or kitchen(folder / "study")
    (folder / name).write_text(text, encoding="utf-8")
    return propose(study, folder / name, Corrections(**said))  # type: ignore[arg-type]


def held(proposal: Proposal) -> dict[str, str]:
    return {guess.column: guess.holds for guess in proposal.guessed.guesses if guess.holds}


def sure(proposal: Proposal, column: str) -> str:
    return next(guess.sure for guess in proposal.guessed.guesses if guess.column == column)


# ten foreign tables of the same answers

SESSIONS = list(product(PEOPLE, CONDITIONS))


def session_rows(header: Sequence[str], condition: Callable[[str], str], extra: Sequence[str] = ()) -> str:
    rows = [[who, condition(place), *(answer(who, place, item) for item in ITEMS), *extra] for who, place in SESSIONS]
    return written([header, *rows])


def codes_and_extras() -> str:
    code = {"still": "A", "slosh": "B", "coach": "C"}
    rows = [
        [f"2026-03-0{n % 9 + 1} 09:30", f"{who}@lab.example", who, code[place]]
        + [answer(who, place, item) for item in ITEMS]
        + ["liked it" if n % 3 else ""]
        for n, (who, place) in enumerate(SESSIONS)
    ]
    return written([["Timestamp", "E-Mail", "Code", "Version", *(f"Q_{one}" for one in ITEMS), "Any remarks?"], *rows])


def wordings_as_headers() -> str:
    header = ["Subject", "Which version?", *(f"{n}. {text}" for n, text in enumerate(TEXTS.values(), 1))]
    return session_rows(header, lambda place: f"The {place} one")


def wide(name: Callable[[str, str], str]) -> str:
    cells = list(product(CONDITIONS, ITEMS))
    rows = [[who, *(answer(who, place, item) for place, item in cells)] for who in PEOPLE]
    return written([["ID", *(name(place, item) for place, item in cells)], *rows])


def wide_with_wordings() -> str:
    return wide(lambda place, item: f"{TEXTS[item]} [The {place} one]")


def long_with_words() -> str:
    words = {1: "Not at all", 7: "Completely"}
    rows = [
        [n, who, f"the {place} ONE", TEXTS[item], words.get(answer(who, place, item), answer(who, place, item))]
        for n, ((who, place), item) in enumerate(product(SESSIONS, ITEMS))
    ]
    return written([["row", "vp", "trial type", "statement", "rating"], *rows])


def numbered() -> str:
    return session_rows(["person", "condition", *(f"Q1_{n}" for n in range(1, 5)), "Q2"], lambda place: place, ["5"])


def numbered_wide() -> str:
    return wide(lambda place, item: f"{place.upper()} Item 0{item[-1]}")


TABLES: dict[str, tuple[str, dict[str, object], str, str]] = {
    "codes and extras": (
        codes_and_extras(),
        {"condition_names": {"A": "still", "B": "slosh", "C": "coach"}},
        "row_per_session",
        "Q_{item}",
    ),
    "wordings": (wordings_as_headers(), {}, "row_per_session", "{item}"),
    "wide prefix": (wide(lambda place, item: f"{place}_{item}"), {}, "row_per_participant", "{condition}_{item}"),
    "wide suffix": (
        wide(lambda place, item: f"{item} (The {place} one)"),
        {},
        "row_per_participant",
        "{item} ({condition})",
    ),
    "wide codes": (
        wide(lambda place, item: f"V{1 + CONDITIONS.index(place)}.{item.upper()}"),
        {"condition_names": {"V1": "still", "V2": "slosh", "V3": "coach"}},
        "row_per_participant",
        "{condition}.{item}",
    ),
    "wide wordings": (wide_with_wordings(), {}, "row_per_participant", "{condition}_{item}"),
    "long words": (long_with_words(), {}, "row_per_answer", "{item}"),
    "numbered": (numbered(), {"instruments": ("pond",)}, "row_per_session", "{item}"),
    "numbered wide": (numbered_wide(), {"instruments": ("pond",)}, "row_per_participant", "{condition}_{item}"),
    "resembling": (
        session_rows(
            ["Participant ID", "scene", *ITEMS],
            lambda place: {"still": "Still pot", "slosh": "sloshh"}.get(place, place),
        ),
        {},
        "row_per_session",
        "{item}",
    ),
}


@pytest.mark.parametrize("name", TABLES)
def test_a_foreign_table_is_read_and_the_preview_is_what_is_read_later(name, tmp_path):
    text, said, layout, pattern = TABLES[name]
    proposal = proposed(tmp_path, text, **said)
    assert proposal.faults == ()
    assert proposal.guessed.unclear == ()
    assert proposal.questionnaire is not None
    assert (proposal.questionnaire.layout, proposal.questionnaire.asked) == (layout, "per_condition")
    assert proposal.questionnaire.columns.pattern == pattern
    assert [use.id for use in proposal.questionnaire.instruments] == ["pond"]
    expected = {(who, place, item): answer(who, place, item) for (who, place), item in product(SESSIONS, ITEMS)}
    read = {(row.participant, row.condition, row.item): row.value for row in proposal.answers.itertuples()}
    assert read == expected
    write_proposal(proposal)
    later = read_responses(open_study(tmp_path / "study"))
    pd.testing.assert_frame_equal(later.answers, proposal.answers)


@pytest.mark.parametrize("name", TABLES)
def test_what_columns_are_said_to_hold_is_what_the_reader_reads_from_them(name, tmp_path):
    text, said, layout, _ = TABLES[name]
    proposal = proposed(tmp_path, text, **said)
    if layout == "row_per_answer":
        return
    settings = proposal.answers["condition"] if layout == "row_per_participant" else ""
    read = proposal.answers.assign(at=settings).drop_duplicates("column")
    from_reader = {
        row.column: f"{row.instrument}.{row.item}{f'@{row.at}' if row.at else ''}" for row in read.itertuples()
    }
    roles = ("participant", "condition")
    assert {column: what for column, what in held(proposal).items() if what not in roles} == from_reader


# what other columns are, and how sure


def test_extra_columns_are_named_and_a_person_is_warned_of(tmp_path):
    text, said, _, _ = TABLES["codes and extras"]
    proposal = proposed(tmp_path, text, **said)
    roles = {guess.column: guess.role for guess in proposal.guessed.guesses}
    assert roles["Timestamp"] == "time"
    assert roles["E-Mail"] == "person"
    assert roles["Any remarks?"] == "other"
    (warning,) = [one for one in proposal.notes if one.kind == "may identify a person"]
    assert "E-Mail" in warning.place
    assert warning.severity == "attention"


def test_codes_for_conditions_are_never_guessed(tmp_path):
    proposal = proposed(tmp_path, codes_and_extras())
    assert sure(proposal, "Version") == "unsure"
    assert {one.name for one in proposal.guessed.unclear} == {"A", "B", "C"}
    assert all(one.choices == CONDITIONS for one in proposal.guessed.unclear)
    assert proposal.unfit
    with pytest.raises(StudyError):
        write_proposal(proposal)
    assert not (tmp_path / "study" / "responses").exists()


def test_numbers_for_conditions_may_be_places_in_an_order(tmp_path):
    text = session_rows(["ID", "run", *ITEMS], lambda place: str(1 + CONDITIONS.index(place)))
    proposal = proposed(tmp_path, text)
    assert held(proposal)["run"] == "condition"
    assert sure(proposal, "run") == "unsure"
    assert all("places in the order" in one.remedy for one in proposal.guessed.unclear)


def test_codes_in_headers_are_unclear_and_named(tmp_path):
    proposal = proposed(tmp_path, TABLES["wide codes"][0])
    assert {(one.kind, one.name) for one in proposal.guessed.unclear} == {
        ("condition word", f"V{n}") for n in (1, 2, 3)
    }


def test_answers_to_what_is_unclear_are_corrections(tmp_path):
    study = kitchen(tmp_path / "study")
    said = Corrections()
    proposal = proposed(tmp_path, codes_and_extras(), study=study)
    for unclear, condition in zip(proposal.guessed.unclear, CONDITIONS, strict=True):
        said = answered(said, unclear, condition)
    again = propose(study, tmp_path / "export.csv", said)
    assert again.guessed.unclear == ()
    assert again.faults == ()


def test_rows_without_a_condition_are_unclear(tmp_path):
    text = written([["ID", *ITEMS], *([who, *(answer(who, place, item) for item in ITEMS)] for who, place in SESSIONS)])
    proposal = proposed(tmp_path, text)
    (unclear,) = proposal.guessed.unclear
    assert unclear.kind == "condition"
    assert "4 participants stand in several rows" in unclear.found


@pytest.mark.parametrize(
    ("before", "after"), [("before", "after"), ("Vorher", "Nachher"), ("pre", "post"), ("t1", "t2")]
)
def test_before_and_after_in_rows(tmp_path, before, after):
    rows = [[who, when, *(answer(who, when, item) for item in ITEMS)] for who in PEOPLE for when in (before, after)]
    proposal = proposed(tmp_path, written([["VP", "Messzeitpunkt", *ITEMS], *rows]))
    assert proposal.faults == ()
    assert proposal.guessed.asked == "before_after"
    assert set(proposal.answers["occasion"]) == {"before", "after"}
    write_proposal(proposal)
    assert len(read_responses(open_study(tmp_path / "study")).answers) == len(PEOPLE) * 2 * len(ITEMS)


def test_before_and_after_in_headers(tmp_path):
    cells = list(product(("pre", "post"), ITEMS))
    rows = [[who, *(answer(who, when, item) for when, item in cells)] for who in PEOPLE]
    text = written([["ID", *(f"{item}_{'before' if when == 'pre' else 'after'}" for when, item in cells)], *rows])
    proposal = proposed(tmp_path, text)
    assert proposal.faults == ()
    assert proposal.questionnaire is not None
    assert proposal.questionnaire.asked == "before_after"
    assert proposal.questionnaire.columns.pattern == "{item}_{occasion}"


def test_a_row_per_participant_is_asked_once(tmp_path):
    text = written([["ID", *ITEMS], *([who, 1, 2, 3, 4] for who in PEOPLE)])
    proposal = proposed(tmp_path, text)
    assert proposal.guessed.asked == "once"
    assert proposal.faults == ()


def test_decimal_commas_of_a_german_table(tmp_path):
    rows = [[who, place, f"{n},5", f"{n + 10},25"] for n, (who, place) in enumerate(SESSIONS)]
    text = written([["Proband", "Bedingung", "hum1", "hum2"], *rows], delimiter=";")
    proposal = proposed(tmp_path, text)
    assert proposal.faults == ()
    assert held(proposal) == {
        "Proband": "participant",
        "Bedingung": "condition",
        "hum1": "hum.hum1",
        "hum2": "hum.hum2",
    }
    assert list(proposal.answers["value"].head(3)) == [0.5, 1.5, 2.5]


def test_words_for_no_answer_are_proposed_where_they_are_off_the_scale(tmp_path):
    text = session_rows(["ID", "version", *ITEMS], str)
    lines = text.splitlines()
    lines[1] = ",".join(["A01", "still", "-99", "n/a", "k.A.", "3"])
    proposal = proposed(tmp_path, "\n".join(lines))
    assert proposal.questionnaire is not None
    assert proposal.questionnaire.missing_words == ["-99", "k.A."]
    assert proposal.questionnaire.not_applicable_words == ["n/a"]
    assert list(proposal.answers.head(1)["missing"]) == ["skipped"]


def test_a_comment_called_like_an_item_is_not_taken_for_it(tmp_path):
    text = session_rows(["ID", "version", *ITEMS, "pond1 why"], str, ["it was deep"])
    proposal = proposed(tmp_path, text)
    assert "pond1 why" not in held(proposal)
    assert proposal.faults == ()


def test_series_of_numbers_that_several_instruments_fit_are_left_to_the_person(tmp_path):
    study = kitchen(tmp_path / "study", instruments=[POND, instrument("lake", ["w", "x", "y", "z"])])
    proposal = proposed(tmp_path, numbered(), study=study)
    assert proposal.questionnaire is None
    assert any(set(one.choices) >= {"pond", "lake"} for one in proposal.guessed.unclear)
    with pytest.raises(UsageError):
        write_proposal(proposal)


def test_a_running_number_goes_over_the_instruments_in_the_order_given(tmp_path):
    rows = [[who, place, *(answer(who, place, item) for item in ITEMS), 10, 90] for who, place in SESSIONS]
    text = written([["ID", "version", *(f"Frage {n}" for n in range(1, 7))], *rows])
    proposal = proposed(tmp_path, text, instruments=("pond", "hum"))
    assert held(proposal)["Frage 4"] == "pond.pond4"
    assert held(proposal)["Frage 5"] == "hum.hum1"
    assert sure(proposal, "Frage 5") == "unsure"


# corrections


def test_a_column_is_what_a_person_says(tmp_path):
    text = session_rows(["ID", "version", "a", "b", "pond3", "pond4"], str)
    proposal = proposed(tmp_path, text, columns={"a": "pond2", "b": "pond.pond1"})
    assert proposal.faults == ()
    assert held(proposal)["a"] == "pond.pond2"
    assert sure(proposal, "a") == "given"
    first = proposal.answers[proposal.answers["item"] == "pond2"].iloc[0]
    assert (first["column"], first["raw"]) == ("a", str(answer("A01", "still", "pond1")))


def test_items_of_headers_can_be_named_with_their_condition(tmp_path):
    text = wide(lambda place, item: f"{place}_{item}" if (place, item) != ("still", "pond1") else "odd")
    proposal = proposed(tmp_path, text, columns={"odd": "pond1@still"})
    assert proposal.faults == ()
    assert proposal.questionnaire is not None
    assert proposal.questionnaire.items == {"odd": "pond1@still"}


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ({"columns": {"Versoin": "condition"}}, "Did you mean “version”?"),
        ({"columns": {"version": "pond11"}}, "Did you mean “pond1”?"),
        ({"condition_names": {"A": "slash"}}, "Did you mean “slosh”?"),
        ({"instruments": ("ponds",)}, "Did you mean “pond”?"),
        ({"columns": {"pond1": "pond1@stil"}}, "Did you mean “still”?"),
        ({"id": "not a name"}, "is no name"),
    ],
)
def test_a_correction_of_what_is_not_there_names_the_nearest(tmp_path, said, told):
    with pytest.raises(UsageError, match=told.replace("?", r"\?")):
        proposed(tmp_path, session_rows(["ID", "version", *ITEMS], str), **said)


# participants


def test_unknown_participants_are_listed_with_the_nearest_and_added_on_request(tmp_path):
    text = session_rows(["ID", "version", *ITEMS], str).replace("A03", "a3").replace("A04", "B77")
    study = kitchen(tmp_path / "study")
    proposal = proposed(tmp_path, text, study=study)
    assert [(one.word, one.rows, one.near, one.same) for one in proposal.unknown] == [
        ("a3", 3, "A03", True),
        ("B77", 3, "", False),
    ]
    assert {one.kind for one in proposal.faults} == {"unknown participant"}
    write_proposal(propose(study, tmp_path / "export.csv", Corrections(), add_participants=True))
    assert open_study(tmp_path / "study").participants == (*PEOPLE, "B77")


def test_participants_of_a_table_are_not_added_to_study_toml(tmp_path):
    study = kitchen(tmp_path / "study")
    declared = (tmp_path / "study" / "study.toml").read_text(encoding="utf-8")
    (tmp_path / "study" / "people.csv").write_text("participant\nA01\nA02\nA03\n", encoding="utf-8")
    changed = declared.replace('ids = ["A01", "A02", "A03", "A04"]', 'file = "people.csv"')
    (tmp_path / "study" / "study.toml").write_text(changed, encoding="utf-8")
    (tmp_path / "export.csv").write_text(session_rows(["ID", "version", *ITEMS], str), encoding="utf-8")
    study = open_study(tmp_path / "study")
    with pytest.raises(UsageError, match=r"people\.csv lists the participants; add A04 there"):
        propose(study, tmp_path / "export.csv", Corrections(), add_participants=True)


# files that are declared already


def declared_study(folder: Path, text: str) -> Study:
    form = questionnaire("form", ["pond"], files=["responses/form.csv"])
    return kitchen(folder, files={"responses/form.csv": text}, questionnaires=[form])


def as_declared(**changed: int) -> str:
    """The declared file; `changed` is an answer of participant and condition, such as A01_still, to the first item."""
    rows = [
        [
            who,
            place,
            changed.get(f"{who}_{place}", answer(who, place, "pond1")),
            *(answer(who, place, item) for item in ITEMS[1:]),
        ]
        for who, place in SESSIONS
    ]
    return written([["participant", "condition", *ITEMS], *rows])


def test_a_declared_file_is_shown_as_it_is_read(tmp_path):
    study = declared_study(tmp_path / "study", as_declared())
    proposal = propose(study, tmp_path / "study" / "responses" / "form.csv", Corrections())
    assert (proposal.standing, proposal.text, proposal.copies) == ("as declared", "", False)
    assert held(proposal)["pond1"] == "pond.pond1"
    assert write_proposal(proposal) == ["Nothing had to be written."]


def test_a_newer_export_shows_new_changed_and_vanished_sessions_and_keeps_the_older_file(tmp_path):
    old = as_declared()
    lines = old.splitlines(keepends=True)
    study = declared_study(tmp_path / "study", "".join(line for line in lines if not line.startswith("A04,coach")))
    newer = "".join(line for line in as_declared(A02_slosh=7).splitlines(keepends=True) if "A01,still" not in line)
    proposal = proposed(tmp_path, newer, study=study)
    assert proposal.standing == "newer export"
    found = {(one.change, one.participant, one.setting): one for one in proposal.changes}
    assert set(found) == {("vanished", "A01", "still"), ("changed", "A02", "slosh"), ("new", "A04", "coach")}
    assert found["changed", "A02", "slosh"].details == f"pond1: {answer('A02', 'slosh', 'pond1')} → 7"
    assert found["new", "A04", "coach"].n == 4
    before = (tmp_path / "study" / "responses" / "form.csv").read_bytes()
    toml = (tmp_path / "study" / "study.toml").read_bytes()
    write_proposal(proposal)
    assert (tmp_path / "study" / "responses" / "form.csv.1").read_bytes() == before
    assert (tmp_path / "study" / "responses" / "form.csv").read_bytes() == newer.encode()
    assert (tmp_path / "study" / "study.toml").read_bytes() == toml
    again = proposed(tmp_path, as_declared(), study=study)
    write_proposal(again)
    assert (tmp_path / "study" / "responses" / "form.csv.2").read_bytes() == newer.encode()


def test_a_file_of_the_same_columns_and_other_people_is_one_more_file(tmp_path):
    lines = as_declared().splitlines(keepends=True)
    study = declared_study(tmp_path / "study", "".join(line for line in lines if not line.startswith(("A03", "A04"))))
    proposal = proposed(
        tmp_path, "".join([lines[0], *(line for line in lines if line.startswith(("A03", "A04")))]), study=study
    )
    assert proposal.standing == "further file"
    write_proposal(proposal)
    later = open_study(tmp_path / "study")
    assert later.declared.questionnaires[0].files == ["responses/form.csv", "responses/export.csv"]
    assert len(read_responses(later).answers) == len(SESSIONS) * len(ITEMS)


def test_an_empty_sheet_gives_way_and_its_entry_keeps_its_name(tmp_path):
    study = declared_study(tmp_path / "study", written([["participant", "condition", *ITEMS]]))
    proposal = proposed(tmp_path, wordings_as_headers(), study=study)
    assert proposal.standing == "entry rewritten"
    write_proposal(proposal)
    (entry,) = open_study(tmp_path / "study").declared.questionnaires
    assert (entry.id, entry.files) == ("form", ["responses/export.csv"])


def test_an_instrument_that_another_questionnaire_asks_is_told(tmp_path):
    study = declared_study(tmp_path / "study", as_declared())
    proposal = proposed(tmp_path, wordings_as_headers(), study=study)
    assert any("asks pond already" in one.found for one in proposal.unfit)


def test_another_file_of_the_same_name_is_not_written_over(tmp_path):
    study = kitchen(tmp_path / "study", files={"responses/export.csv": "mine\n1\n"})
    toml = (tmp_path / "study" / "study.toml").read_bytes()
    proposal = proposed(tmp_path, wordings_as_headers(), study=study)
    with pytest.raises(UsageError, match="exists already and holds other data"):
        write_proposal(proposal)
    assert (tmp_path / "study" / "responses" / "export.csv").read_text(encoding="utf-8") == "mine\n1\n"
    assert (tmp_path / "study" / "study.toml").read_bytes() == toml


def test_nothing_is_left_behind_when_study_toml_would_not_pass(tmp_path):
    study = kitchen(tmp_path / "study")
    proposal = proposed(tmp_path, wordings_as_headers(), study=study)
    (tmp_path / "study" / "instruments" / "pond.toml").unlink()
    toml = (tmp_path / "study" / "study.toml").read_bytes()
    with pytest.raises(StudyError, match="There is no instrument “pond”"):
        write_proposal(proposal)
    assert (tmp_path / "study" / "study.toml").read_bytes() == toml
    assert not (tmp_path / "study" / "responses" / "export.csv").exists()
    assert not list((tmp_path / "study").glob(".study*"))


def test_a_file_that_is_declared_as_something_else_is_refused(tmp_path):
    study = kitchen(tmp_path / "study", preference={"file": "liked.csv", "kind": "choice"})
    (tmp_path / "study" / "liked.csv").write_text("participant,choice\nA01,still\n", encoding="utf-8")
    with pytest.raises(UsageError, match="named under preference"):
        propose(study, tmp_path / "study" / "liked.csv", Corrections())


CELLS = st.sampled_from(
    ["", "A01", "A03", "still", "coach", "pond1", "POND2 still", "7", "-99", "x@y.z", "=1", "\x07é"]
) | st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\0"), max_size=8)


@settings(max_examples=15, deadline=None)
@given(data=st.data())
def test_any_table_is_proposed_or_refused_with_our_own_errors(data, tmp_path_factory):
    folder = tmp_path_factory.mktemp("any")
    width = data.draw(st.integers(1, 5))
    rows = data.draw(st.lists(st.lists(CELLS, min_size=width, max_size=width), min_size=1, max_size=6))
    try:
        proposal = proposed(folder, written(rows))
    except WorkbenchError:
        return
    assert [guess.column for guess in proposal.guessed.guesses] == proposal.table.columns
    for table in map_tables(proposal):
        to_text(table)
    if proposal.questionnaire is not None and not proposal.unfit:
        write_proposal(proposal)
        open_study(folder / "study")


# names


@pytest.mark.parametrize(
    ("header", "item", "how_sure", "rest"),
    [
        ("pond1", "pond1", "sure", ""),
        ("Pond_01", "pond1", "sure", ""),
        ("pond.pond3", "pond3", "sure", ""),
        ("POND 2 (still)", "pond2", "sure", "still"),
        ("The pond seemed deep enough to swim in", "pond1", "sure", ""),
        ("Q4: My hand felt wet although it was dry.", "pond4", "sure", "q4"),
        ("I could tell where the bottom of", "pond2", "likely", ""),
        ("Waves came back from the edges as expected", "pond3", "sure", "edges"),
        ("My hand was wet, although dry", "pond4", "likely", ""),
    ],
)
def test_headers_name_items(header, item, how_sure, rest):
    (match,) = item_matches(header, wordings([Instrument.model_validate(POND)]))
    assert (match.item, match.sure, match.rest) == (item, how_sure, rest)


@pytest.mark.parametrize("header", ["", "…", "participant", "Anything else about the water?", "99", "pond", "My hand"])
def test_headers_that_name_no_item(header):
    assert item_matches(header, wordings([Instrument.model_validate(POND)])) == []


def test_rows_of_somebody_who_is_no_participant_are_left_out_with_a_reason(tmp_path):
    text = session_rows(["who", "version", *ITEMS], str) + "TEST,still,1,1,1,1\nTEST,slosh,2,2,2,2\n"
    assert [one.kind for one in proposed(tmp_path / "a", text).faults] == ["unknown participant"]
    proposal = proposed(tmp_path / "b", text, left_out={"TEST": "the form was tried, twice"}, answer_words={"so so": 4})
    assert not proposal.faults
    assert not proposal.unknown
    write_proposal(proposal)
    (entry,) = open_study(proposal.study.folder).declared.questionnaires
    rows = len(SESSIONS) + 2
    assert [(one.row, one.participant) for one in entry.rows_left_out] == [(rows, "TEST"), (rows + 1, "TEST")]
    assert entry.answer_words == {"so so": 4}
    assert set(read_responses(open_study(proposal.study.folder)).answers["participant"]) == set(PEOPLE)


def test_what_was_put_right_in_a_file_stays_when_its_columns_are_said_otherwise(tmp_path):
    text = session_rows(["who", "version", *ITEMS], str)
    write_proposal(proposed(tmp_path, text))
    study = open_study(tmp_path / "study")
    path = study.folder / "study.toml"
    turned = 'turned_round = [{ file = "responses/export.csv", item = "pond1", reason = "form checked" }]\n'
    path.write_text(path.read_text().replace("layout =", turned + "layout =", 1))
    study = open_study(study.folder)
    proposal = propose(study, study.folder / "responses" / "export.csv", Corrections(columns={"pond4": "ignore"}))
    assert proposal.questionnaire is not None
    assert [one.item for one in proposal.questionnaire.turned_round] == ["pond1"]
