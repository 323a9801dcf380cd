"""Transcripts: what was read, one of them turn by turn, units, pseudonyms and what each participant allows."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, Any

import streamlit as st

from workbench.app import page
from workbench.app.held import Held
from workbench.app.interviews import decider, journal_of, latest, material_of, study_of
from workbench.errors import UsageError, WorkbenchError

if TYPE_CHECKING:
    from workbench.coding.material import Material
    from workbench.coding.working_text import WorkingTranscript
    from workbench.pseudonyms.search import Candidate
    from workbench.store.journal import Journal

OVERVIEW, BRING_IN, TURNS, UNITS, PSEUDONYMS, PERMISSIONS = VIEWS = (
    "Overview",
    "Bring in",
    "One transcript",
    "Units",
    "Pseudonyms",
    "Permissions",
)
ACTIONS = {
    "replace": "Put other words in place of some",
    "inaudible": "Mark words that cannot be heard",
    "speaker": "Say who speaks a turn",
    "split": "Begin a new turn at some words",
    "join": "Take the next turn into this one",
}
PLACES_SHOWN = 6
UNITS_SHOWN = 400


def show(found: Held) -> None:
    interviews = study_of(found).declared.interviews
    if interviews is None or not interviews.transcripts:
        page.empty(
            "The study declares no transcripts yet. Put them into the study folder and name them in study.toml:",
            '[interviews]\nmode = "coding reliability"\nraters = ["R1", "R2"]\ntranscripts = ["transcripts/{participant}.vtt"]\n'
            'speakers = { I = "interviewer" }\ncodebook = "codebook.csv"',
        )
        return
    view = page.view("interviews view", VIEWS)
    page.tell_done("interviews done")
    with st.spinner("Reading the transcripts …"):
        material = material_of(found)
    shows = {
        OVERVIEW: _overview,
        BRING_IN: _bring_in,
        TURNS: _turns,
        UNITS: _units,
        PSEUDONYMS: _pseudonyms,
        PERMISSIONS: _permissions,
    }
    shows[view](found, material)


def _decide(found: Held, by: str, act: Callable[[], Any], done: str) -> None:
    """Record a decision of somebody, and show the page anew; faults are told in its place."""
    if not by:
        page.told("Say who decides; every decision is kept with its person.")
        return
    try:
        act()
    except (WorkbenchError, OSError) as error:
        page.tell_error(error)
        return
    st.session_state["interviews done"] = done
    st.rerun()


# ---------------------------------------------------------------------------------------- overview


def _overview(found: Held, material: Material) -> None:
    from workbench.analysis.reading_aids import speaking
    from workbench.report.tables import transcripts as tables

    spoken = latest(found, "speaking", id(material), lambda: speaking(material.working.values()))
    page.show_table(tables.transcripts_table(material, spoken), {})
    page.heading("Findings")
    worth = [one for one in material.findings if one.severity != "note"]
    if worth:
        page.show_findings(worth)
    else:
        page.paragraph("Nothing was found that is worth a look.")
    notes = [one for one in material.findings if one.severity == "note"]
    if notes:
        with st.expander("What was understood while reading"):
            page.show_findings(notes)
    page.show_table(tables.speaking_table(spoken), {})


# ---------------------------------------------------------------------------------------- bring in


def _bring_in(found: Held, material: Material) -> None:
    """A file from elsewhere becomes the transcript of somebody who has none."""
    from workbench.transcripts.reading import ENDINGS, bring_in

    study = study_of(found)
    there = {one.participant for one in material.working.values()}
    interviewed = study.declared.interviews.interviewed if study.declared.interviews else []
    expected = [one for one in interviewed if one not in there]
    missing = [*expected, *(one for one in study.participants if one not in there and one not in expected)]
    if not missing:
        page.paragraph("Everybody has a transcript.")
        return
    page.paragraph(
        "The file is copied into the study folder, where study.toml looks for transcripts, and read at once. One that cannot be read is not "
        "kept. Several files at a time are put into the folder by hand.",
        "soft",
    )
    participant = page.chosen("Whose interview it is", "transcript of", missing)
    upload = st.file_uploader(
        "Transcript", [one.lstrip(".") for one in ENDINGS], key=f"transcript {len(there)} {participant}"
    )
    if upload is None or not st.button("Bring it in", type="primary"):
        return
    try:
        file, turns = bring_in(study, participant, upload.name, upload.getvalue())
    except (WorkbenchError, OSError) as error:
        page.tell_error(error)
        return
    st.session_state["interviews done"] = f"{turns} turns were read. The file is {file}."
    page.remember(transcript=participant, **{"interviews view": TURNS})
    st.rerun()


# ------------------------------------------------------------------------------- one transcript


def _turns(found: Held, material: Material) -> None:
    name = page.chosen("Transcript", "transcript", list(material.working))
    transcript = material.working[name]
    with st.expander("Correct something"):
        _correct(found, transcript)
    interviews = study_of(found).declared.interviews
    _show_turns(transcript, {one.id: one.label or one.id for one in interviews.guide} if interviews else {})


def _show_turns(transcript: WorkingTranscript, questions: dict[str, str]) -> None:
    """The turns as they are read and coded, each with its number."""
    language = page.text(transcript.language)
    rows, part = [], ""
    for turn in transcript.turns:
        here = " · ".join(filter(None, (questions.get(turn.question, turn.question), turn.condition)))
        if here and here != part:
            part = here
            rows.append(f"<h3>{page.text(here)}</h3>")
        translated = (
            f"<p class='soft translation' dir='auto'>{page.text(turn.translation)}</p>" if turn.translation else ""
        )
        rows.append(
            f"<div class='said {turn.role}'><p class='soft'>{page.text(turn.id)} · {page.text(turn.speaker)} ({turn.role})</p>"
            f"<p lang='{language}' dir='auto'>{page.text(turn.text)}</p>{translated}</div>"
        )
    page.say("".join(rows))


def _correct(found: Held, transcript: WorkingTranscript) -> None:
    """A correction beside the file, which stays as it is."""
    from workbench.coding.material import correct_words, record_correction
    from workbench.coding.working_text import correction

    page.paragraph(
        "The file is not changed: the correction is kept beside it, and every page and command reads the text with it.",
        "soft",
    )
    by = decider(found)
    action = page.chosen("What to correct", "correction", list(ACTIONS), ACTIONS)
    ids = [turn.id for turn in transcript.turns]
    turn = page.chosen("Turn", "turn", ids, {one.id: f"{one.id}: {one.text[:60]}" for one in transcript.turns})
    spoken = page.text(transcript.texts()[turn])
    page.say(f"<blockquote lang='{page.text(transcript.language)}' dir='auto'>{spoken}</blockquote>")
    words = text = speaker = ""
    if action in ("replace", "inaudible", "split"):
        label = (
            "The words before which the new turn begins"
            if action == "split"
            else "The words as they stand, once in the turn"
        )
        words = st.text_input(label)
    if action == "replace":
        text = st.text_input("What should stand there (nothing takes the words out)")
    if action in ("speaker", "split"):
        speaker = st.text_input(
            "Who speaks it" if action == "speaker" else "Who speaks the new turn (nothing: the same)"
        )
    why = st.text_input("Reason (it is kept in the journal)", key="why correction")

    def record() -> None:
        if action == "speaker" and not speaker.strip():
            raise UsageError("Say who speaks the turn.")
        if action in ("replace", "inaudible", "split"):
            further = {"text": text} if action == "replace" else {"speaker": speaker} if action == "split" else {}
            content = correct_words(transcript, turn, words, action, **further)
        else:
            content = correction(transcript, turn, action, speaker=speaker)  # type: ignore[arg-type]
        record_correction(journal_of(found), transcript, content, by, why)

    row = st.container(horizontal=True)
    if row.button("Record the correction", type="primary"):
        _decide(found, by, record, "Recorded; the transcript file is not changed.")
    if row.button("Take back my latest correction or split"):
        _decide(found, by, partial(_take_back, found, by, transcript.name), "Taken back.")


def _take_back(found: Held, by: str, transcript: str) -> None:
    if journal_of(found).undo(by, kinds=("correction", "unit"), transcript=transcript) is None:
        raise UsageError(f"{by} has nothing to take back in {transcript}.")


# ------------------------------------------------------------------------------------------- units


def _units(found: Held, material: Material) -> None:
    from workbench.coding.material import fix_units, join_unit, split_unit, uncut_unit
    from workbench.report.tables.transcripts import units_table

    kind = study_of(found).declared.interviews
    every = list(material.all_units())
    page.paragraph(
        "Units are fixed before coding, so that every rater codes the same (Campbell et al. 2013). Split and join where the cut is wrong.",
        "why",
    )
    fixed = material.fixed
    page.paragraph(
        f"{len(every)} units ({kind.units if kind else ''}). "
        + (f"Fixed by {fixed.by} on {fixed.at[:10]}." if fixed else "They are not fixed yet.")
    )
    by = decider(found)
    name_column, unit_column = st.columns(2)
    with name_column:
        name = page.chosen("Transcript", "transcript", list(material.working))
    units = {one.id: one for one in material.units[name].items}
    if not units:
        page.paragraph("This transcript has no unit: no turn in it is the participant's.")
        return
    words = {one.id: f"{one.id}: {one.text[:60]}" for one in units.values()}
    with unit_column:
        unit = units[page.chosen("Unit", "unit", list(units), words)]
    page.say(f"<blockquote dir='auto'>{page.text(unit.text)}</blockquote>")
    before = st.text_input(
        "Split before these words, which stand once in the unit", key=f"split {unit.id} {len(unit.text)}"
    )
    why = st.text_input("Reason (it is kept in the journal)", key="why unit")
    steps: dict[str, tuple[Callable[[Journal], Any], str]] = {
        "Split it": (lambda journal: split_unit(journal, material, unit, before, by, why), f"{unit.id} is split."),
        "Join it with the next": (
            lambda journal: join_unit(journal, material, unit, by, why),
            f"{unit.id} is joined with what came next.",
        ),
        "Undo its splits and joins": (
            lambda journal: uncut_unit(journal, unit, by, why),
            f"{unit.id} is as it was cut by rule.",
        ),
        "Fix all units as they are": (
            lambda journal: fix_units(journal, material, by, why),
            f"{len(every)} units are fixed.",
        ),
    }
    row = st.container(horizontal=True)
    for label, (step, done) in steps.items():
        if row.button(label):
            _decide(found, by, partial(_in_journal, found, step), done)
    page.show_table(units_table(list(units.values())[:UNITS_SHOWN]), {})


def _in_journal(found: Held, step: Callable[[Journal], Any]) -> None:
    step(journal_of(found))


# -------------------------------------------------------------------------------------- pseudonyms


def _pseudonyms(found: Held, material: Material) -> None:
    from workbench.coding.material import identifiers
    from workbench.pseudonyms.key import proposed
    from workbench.pseudonyms.search import MANY_IN_GERMAN, REMINDER
    from workbench.report.tables.transcripts import pseudonyms_table

    page.paragraph(REMINDER, "why")
    page.paragraph(
        "What must be removed, and what may be kept, is for the consent given, the ethics board and local law to say. The key that says "
        "who is who lies in private/pseudonyms.csv, readable by its owner alone; no export takes it.",
        "soft",
    )
    by = decider(found)
    with st.spinner("Looking for what may identify a person …"):
        candidates = latest(found, "identifiers", id(material), lambda: identifiers(material))
    places: dict[str, list[Candidate]] = {}
    for one in candidates:
        places.setdefault(one.phrase, []).append(one)
    later: set[str] = st.session_state.setdefault("pseudonyms later", set())
    waiting = [phrase for phrase in places if phrase not in later] or list(places)
    if any(one.language.startswith("de") for one in material.working.values()):
        page.paragraph(MANY_IN_GERMAN, "soft")
    if waiting:
        replacements = proposed([(one.phrase, one.kind) for one in candidates], material.known_names, material.key)
        _ask(
            found,
            material,
            by,
            places[waiting[0]],
            replacements.get(waiting[0], ""),
            f"{len(places)} phrases are open.",
        )
    else:
        page.paragraph("Every phrase that was found is decided.")
    with st.expander("Words that were not found"):
        _add(found, material, by)
    with st.expander("Pseudonyms in use"):
        page.show_table(pseudonyms_table(material.key), {})


def _ask(found: Held, material: Material, by: str, here: list[Candidate], proposal: str, open_phrases: str) -> None:
    """One phrase with the places where it stands, to replace, keep, or leave for later."""
    first = here[0]
    page.heading(f"“{first.phrase}”")
    page.paragraph(
        f"{open_phrases} This one: {first.kind}, {first.likelihood}; {first.why}. It stands in {len(here)} {'place' if len(here) == 1 else 'places'}.",
        "soft",
    )
    lines = []
    for one in here[:PLACES_SHOWN]:
        before, _, rest = one.context.partition(f"[{' '.join(one.phrase.split())}]")
        lines.append(
            f"<li dir='auto'><span class='soft'>{page.text(one.transcript)}, turn {one.turn}</span> … {page.text(before)}"
            f"<b>{page.text(one.phrase)}</b>{page.text(rest)} …</li>"
        )
    page.say(f"<ul class='plain'>{''.join(lines)}</ul>")
    replacement = st.text_input("Replace it everywhere by", proposal, key=f"replacement {first.phrase}")
    why = st.text_input("Reason (may stay empty)", key=f"why {first.phrase}")
    row = st.container(horizontal=True)
    if row.button("Replace it", type="primary"):
        act = partial(_decided, found, material, by, first.phrase, first.kind, replacement, why)
        _decide(found, by, act, f"It reads {replacement} from now on.")
    if row.button("Leave it as it is"):
        _decide(
            found, by, partial(_decided, found, material, by, first.phrase, first.kind, "", why), "It stays as it is."
        )
    if row.button("Later"):
        st.session_state["pseudonyms later"].add(first.phrase)
        st.rerun()


def _add(found: Held, material: Material, by: str) -> None:
    from workbench.pseudonyms.key import proposed

    phrase = st.text_input("Words that identify somebody")
    kind = st.text_input("What they are", "name")
    proposal = (
        next(iter(proposed([(phrase, kind)], material.known_names, material.key).values()), "")
        if phrase.strip()
        else ""
    )
    replacement = st.text_input("Replace them by", proposal, key=f"replacement added {phrase} {kind}")
    if st.button("Replace them everywhere"):
        act = partial(_decided, found, material, by, phrase, kind, replacement, "")
        _decide(found, by, act, f"They read {replacement} from now on.")


def _decided(found: Held, material: Material, by: str, phrase: str, kind: str, replacement: str, why: str) -> None:
    """Replace a phrase everywhere, or (no replacement) leave it."""
    from workbench.coding.material import decide_pseudonym
    from workbench.pseudonyms.key import KeyEntry

    decision: Any = "confirmed" if replacement else "rejected"
    entry = KeyEntry(phrase, kind, replacement, decision, by, why=why)
    decide_pseudonym(study_of(found), journal_of(found), material.key, entry)


# ------------------------------------------------------------------------------------- permissions


def _permissions(found: Held, material: Material) -> None:
    from workbench.coding.decisions import record_permission
    from workbench.report.table import Column, Table
    from workbench.study import Permissions

    study = study_of(found)
    allowed = {one: material.permissions_of(one) for one in study.participants}
    page.paragraph(
        "What a participant allows decides what leaves this machine: quotes in papers, sharing with others, an archive. Whoever "
        "withdraws altogether is erased with “workbench withdraw”.",
        "soft",
    )
    by = decider(found)
    participant = page.chosen("Participant", "participant", list(study.participants))
    now = allowed[participant]
    boxes = {
        "quotes": st.checkbox("Words may be quoted", now.quotes, key=f"quotes {participant} {now}"),
        "share": st.checkbox("Data may be shared with named others", now.share, key=f"share {participant} {now}"),
        "archive": st.checkbox("Data may go into an archive", now.archive, key=f"archive {participant} {now}"),
    }
    why = st.text_input("Reason, such as the date of the letter", key=f"why permission {participant}")

    def record() -> None:
        record_permission(journal_of(found), study, participant, Permissions(**boxes), by=by, why=why)

    if st.button("Record it", type="primary"):
        _decide(found, by, record, f"What {participant} allows is recorded.")
    words = {True: "yes", False: "no"}
    columns = (
        Column("who", "Participant"),
        Column("quotes", "Quotes"),
        Column("share", "Sharing"),
        Column("archive", "Archive"),
        Column("since", "From"),
    )
    rows = tuple(
        {
            "who": one,
            "quotes": words[told.quotes],
            "share": words[told.share],
            "archive": words[told.archive],
            "since": "recorded" if one in material.permissions else "study.toml",
        }
        for one, told in allowed.items()
    )
    page.show_markup(Table("permissions", "What each participant allows", columns, rows))


page.run_page(
    "Transcripts",
    "What was said: read it, correct it, cut it into units, take out what says who people are.",
    show,
    reads=False,
)
