"""Responses: bring a table in, see how answers are distributed, where each comes from, and leave answers out with a reason."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import streamlit as st

from workbench.app import page
from workbench.app.held import Held
from workbench.app.uploads import IN_FOLDER, UPLOAD, kept_upload, tables_in
from workbench.errors import Finding, UsageError, WorkbenchError

if TYPE_CHECKING:
    from workbench.measure import ExclusionRule
    from workbench.responses.guesses import Corrections
    from workbench.responses.mapping import Proposal
    from workbench.study import Study

VIEWS = ("Bring in", "Distributions", "Origin", "Exclusions")
AS_GUESSED = "as guessed"
ALL = "all"


def show(held: Held) -> None:
    view = page.view("view", VIEWS)
    page.tell_done("responses done")
    {"Bring in": _bring_in, "Distributions": _distributions, "Origin": _origin, "Exclusions": _exclusions}[view](held)


# ------------------------------------------------------------------------------------------ bring in


def _bring_in(held: Held) -> None:
    source = _source(held)
    if source is None:
        page.empty(
            "Choose the table of answers as your form gave it, CSV or XLSX. Its columns are guessed from names and wordings, "
            "each guess says why, and nothing is written until you say so."
        )
        return
    said: Corrections = st.session_state.setdefault(f"said {source}", _no_corrections())
    study = held.once("study", lambda: _opened(held))
    add = bool(st.session_state.get("add participants", False))
    key = f"map {source} {hashlib.sha256(source.read_bytes()).hexdigest()} {said} {add}"
    try:
        proposal = held.once(key, lambda: _proposed(study, source, said, add))
    except WorkbenchError as error:
        page.tell_error(error)
        if said != _no_corrections() and st.button("Go back to the guesses"):
            _take(source, _no_corrections())
        return
    _show_proposal(source, said, proposal)
    _write(source, proposal)


def _opened(held: Held) -> Study:
    from workbench.study import open_study

    return open_study(held.folder)


def _no_corrections() -> Corrections:
    from workbench.responses.guesses import Corrections

    return Corrections()


def _proposed(study: Study, source: Path, said: Corrections, add: bool) -> Proposal:
    from workbench.responses.mapping import propose

    return propose(study, source, said, add_participants=add)


def _source(held: Held) -> Path | None:
    """The file to map: an upload, kept in a private temporary folder, or one in the study folder."""
    where = page.picked("Where the table is", "where", (UPLOAD, IN_FOLDER))
    if where == IN_FOLDER:
        files = tables_in(held.folder)
        if not files:
            page.paragraph("There is no CSV or XLSX file in the study folder.")
            return None
        name = page.chosen("File", "file", files)
        return held.folder / name
    upload = st.file_uploader("Table of answers", key=f"upload {st.session_state.get('uploads', 0)}")
    if upload is None:
        return None
    if "upload folder" not in st.session_state:
        st.session_state["upload folder"] = tempfile.TemporaryDirectory(prefix="workbench-")
    return kept_upload(Path(st.session_state["upload folder"].name), upload.name, upload.getvalue())


def _take(source: Path, said: Corrections) -> None:
    st.session_state[f"said {source}"] = said
    st.rerun()


def _show_proposal(source: Path, said: Corrections, proposal: Proposal) -> None:
    from workbench.report.map_tables import map_tables, summary

    page.heading("What it seems to hold")
    for line in summary(proposal).splitlines():
        page.paragraph(line)
    tables = {table.name: table for table in map_tables(proposal)}
    _questions(source, said, proposal)
    if strangers := tables.pop("unknown_participants", None):
        page.heading("Who is not declared")
        page.show_markup(strangers)
    _strangers(source, said, proposal)
    for name, table in tables.items():
        if name not in ("entry", "findings"):
            page.show_markup(table)
    _otherwise(source, said, proposal)
    if proposal.findings:
        page.heading("Findings on this file")
        page.show_findings(proposal.findings)


def _questions(source: Path, said: Corrections, proposal: Proposal) -> None:
    """What only a person can say, each with a list of what would do."""
    from workbench.responses.guesses import answered

    unclear = proposal.guessed.unclear
    if not unclear:
        return
    page.heading("Only you can say")
    answers: list[str | None] = []
    with st.form("questions", border=False):
        for number, one in enumerate(unclear, start=1):
            page.say(f"<p>{number}. {page.text(one.found)}</p>")
            choices = list(one.choices) or list(proposal.table.columns)
            answers.append(
                st.selectbox(
                    f"Answer to {number}",
                    choices,
                    index=None,
                    placeholder="Leave it open",
                    key=f"answer {one.kind} {one.name} {number}",
                )
            )
        if not st.form_submit_button("Take these answers"):
            return
    try:
        for one, answer in zip(unclear, answers, strict=True):
            if answer:
                said = answered(said, one, answer)
    except UsageError as error:
        page.tell_error(error)
        return
    _take(source, said)


def _strangers(source: Path, said: Corrections, proposal: Proposal) -> None:
    """Rows of somebody the study does not declare: left out with a reason, or the person declared."""
    for name, reason in said.left_out.items():
        page.paragraph(f"The rows of {name} are left out: {reason.rstrip('.')}.")
    if not proposal.unknown:
        return
    with st.form("strangers", border=False):
        left, right = st.columns(2, vertical_alignment="bottom")
        whose = left.multiselect("Whose rows do not count", [one.word for one in proposal.unknown])
        reason = right.text_input("Why (it is printed)")
        if st.form_submit_button("Leave their rows out"):
            if whose and reason.strip():
                _take(source, replace(said, left_out={**said.left_out, **dict.fromkeys(whose, reason.strip())}))
            page.told("Say whose rows, and why.")
    if any(not one.same for one in proposal.unknown) or st.session_state.get("add participants"):
        st.checkbox("Declare the participants of this file that study.toml does not list", key="add participants")


def _otherwise(source: Path, said: Corrections, proposal: Proposal) -> None:
    """Every guess said otherwise."""
    from workbench.responses.guesses import counted_word

    with st.expander("Say it otherwise"):
        left, middle, right = st.columns([2, 2, 1], vertical_alignment="bottom")
        column = left.selectbox("Column", list(proposal.table.columns), key="otherwise column")
        holds = middle.selectbox("It holds", _holdings(proposal), key="otherwise holds")
        if right.button("Take this column so"):
            _take(source, replace(said, columns={**said.columns, column: holds}))
        with st.form("reading", border=False):
            first, second, third = st.columns(3)
            asked = first.selectbox("Asked", [AS_GUESSED, "per_condition", "before_after", "once"])
            layout = second.selectbox(
                "A row is", [AS_GUESSED, "row_per_session", "row_per_participant", "row_per_answer"]
            )
            decimal = third.selectbox("Decimal mark", [AS_GUESSED, "point", "comma"])
            instruments = st.multiselect("Instruments in it", sorted(_known(proposal)), default=list(said.instruments))
            missing = st.text_input("Words that mean skipped, with commas between", ", ".join(said.missing_words))
            counted = st.text_input(
                "Words that count as a number, such as agree = 7, with commas between",
                ", ".join(f"{word} = {number:g}" for word, number in said.answer_words.items()),
            )
            header = st.number_input("Row of the header (0: found)", min_value=0, value=0, step=1)
            if st.form_submit_button("Read it so"):
                try:
                    numbers = dict(counted_word(one) for one in counted.split(",") if one.strip())
                except UsageError as error:
                    page.tell_error(error)
                    return
                changed = replace(
                    said,
                    answer_words=numbers,
                    asked=_said(asked),
                    layout=_said(layout),
                    instruments=tuple(instruments),
                    missing_words=tuple(word.strip() for word in missing.split(",") if word.strip()),
                    reading=_reading(decimal, int(header)),
                )
                _take(source, changed)
        if st.button("Go back to the guesses", disabled=said == _no_corrections()):
            _take(source, _no_corrections())


def _said(choice: str) -> Any:
    return None if choice == AS_GUESSED else choice


def _reading(decimal: str, header: int) -> Any:
    from workbench.study import Reading

    keys: dict[str, Any] = {} if decimal == AS_GUESSED else {"decimal": decimal}
    return Reading.model_validate(keys | ({"first_row": header} if header else {}))


def _known(proposal: Proposal) -> set[str]:
    from workbench.instrument import library

    return set(library(proposal.study.folder))


def _holdings(proposal: Proposal) -> list[str]:
    """What a column can be said to hold: a role, an item (in a condition, where columns stand for these), or nothing."""
    from workbench.instrument import library, read_instrument
    from workbench.measure import OCCASIONS
    from workbench.responses.guesses import LEFT_OUT, ROLES

    study, guessed = proposal.study, proposal.guessed
    paths = library(study.folder)
    names = guessed.instruments or tuple(study.instruments)
    items = [f"{name}.{item.id}" for name in names for item in read_instrument(paths[name], paths[name].name).items]
    places = {"per_condition": study.conditions, "before_after": OCCASIONS, "once": ()}[guessed.asked]
    wide = [f"{item}@{place}" for item in items for place in places] if guessed.layout == "row_per_participant" else []
    return [LEFT_OUT, *ROLES, *(wide or items)]


def _write(source: Path, proposal: Proposal) -> None:
    from workbench.responses.mapping import write_proposal

    page.heading("For study.toml")
    if proposal.entry:
        page.say(f'<pre tabindex="0" aria-label="Lines for study.toml">{page.text_lines(proposal.entry)}</pre>')
    if proposal.questionnaire is None:
        page.paragraph(
            "Nothing can be written yet: no instrument is known for these columns. Name it above, or make it on the page Instruments."
        )
        return
    if proposal.unfit:
        page.paragraph("Nothing can be written yet: the findings above that block lie in how the columns are taken.")
        return
    if not proposal.text and not proposal.copies:
        page.paragraph("study.toml reads this file already; there is nothing to write.")
        return
    if proposal.faults:
        page.paragraph(
            "What is marked Blocks above lies in the data. Say what it means, or mend the file and bring it in again. It can be "
            "written as it is, but then no page of results shows anything until that is done.",
            "warn",
        )
    page.paragraph("Comments in study.toml stay. An older file of the same name is kept beside the new one.", "soft")
    if st.button("Write it into study.toml", type="secondary" if proposal.faults else "primary"):
        try:
            with page.CHANGING:
                done = write_proposal(proposal)
        except (WorkbenchError, OSError) as error:
            page.tell_error(error)
            return
        st.session_state.pop(f"said {source}", None)
        st.session_state["uploads"] = st.session_state.get("uploads", 0) + 1
        st.session_state["responses done"] = " ".join(done)
        if proposal.faults:
            page.remember(where=IN_FOLDER, file=proposal.stored)
        else:
            page.remember(view="Distributions", instrument=proposal.guessed.instruments[0])
        st.rerun()


# -------------------------------------------------------------------------------------- distributions


def _uses(study: Study) -> dict[str, str]:
    """The questionnaire that asks each instrument, by instrument; those asked in each condition first."""
    asked = sorted(study.declared.questionnaires, key=lambda one: one.asked != "per_condition")
    return {use.id: one.id for one in asked for use in one.instruments}


def _distributions(held: Held) -> None:
    from workbench.report.distributions import distribution
    from workbench.report.figures import Figure

    evidence = held.evidence
    study, answers = evidence.study, evidence.responses.answers
    uses = _uses(study)
    if not uses:
        page.empty("study.toml names no questionnaire yet. Bring in a table of answers first.")
        return
    name = page.chosen("Instrument", "instrument", list(uses), {one: study.instruments[one].title for one in uses})
    page.paragraph(
        "Answers before reversed items are turned round. Single items are described, not tested: a scale is the outcome, and "
        "an item alone carries too much noise (Liddell & Kruschke 2018, on what single ordinal items do to tests).",
        "why",
    )
    findings = [
        one for one in evidence.findings if one.place in {f"item {item.id}" for item in study.instruments[name].items}
    ]
    page.show_findings(findings)
    for finding in findings:
        if finding.kind == "likely wrong key":
            _turn_round(held, name, uses[name], finding)
    _undo(held, "turned round")

    def drawn() -> list[Any]:
        return [distribution(study, answers, uses[name], name, item.id) for item in study.instruments[name].items]

    made = held.once(f"distributions {name}", drawn)
    page.show_figures(*(one for one in made if isinstance(one, Figure)))
    for one in made:
        if not isinstance(one, Figure):
            page.show_markup(one)


def _turn_round(held: Held, instrument: str, questionnaire: str, finding: Finding) -> None:
    """One item's answers in one file turned round when they are read, with the reason; the file stays."""
    item = finding.place.removeprefix("item ")
    with st.expander("The answers in this file do run the wrong way"):
        page.paragraph(
            f"Look at the form that was used: does {finding.file} hold {item} the other way round than the instrument has it? "
            "Then say so here. The file stays as it is; the answers are turned round when they are read, and the reason is printed.",
            "soft",
        )
        with st.form(f"turned {finding.file} {item}", border=False):
            reason = st.text_input("How that is known (it is printed)")
            if not st.form_submit_button("Turn them round"):
                return
        if not reason.strip():
            page.told("Say how that is known.")
            return
        study = held.evidence.study
        place, asking = next(
            (place, one) for place, one in enumerate(study.declared.questionnaires) if one.id == questionnaire
        )
        of_name = [use.id for use in asking.instruments if item in {one.id for one in study.instruments[use.id].items}]
        named = item if len(of_name) == 1 else f"{instrument}.{item}"
        turned = {"file": finding.file, "item": named, "reason": reason.strip()}
        _changed(held, "turned round", lambda text: _with_turned_round(text, place, turned))


def _with_turned_round(text: str, place: int, turned: dict[str, Any]) -> str:
    from workbench.study_edits import with_turned_round

    return with_turned_round(text, place, turned)


# -------------------------------------------------------------------------------------------- origin


def _origin(held: Held) -> None:
    from workbench.report.tables.collection import origin_table

    evidence = held.evidence
    study, answers = evidence.study, evidence.responses.answers
    if not len(answers):
        page.empty("There are no answers yet. Bring in a table of answers first.")
        return
    left, middle, right = st.columns(3)
    with left:
        participant = page.chosen("Participant", "participant", list(study.participants))
    with middle:
        labels = {ALL: "All conditions", **study.condition_labels}
        condition = page.chosen("Condition", "condition", list(labels), labels)
    with right:
        titles = {ALL: "All instruments", **{one: study.instruments[one].title for one in _uses(study)}}
        instrument = page.chosen("Instrument", "origin_instrument", list(titles), titles)
    page.show_findings([one for one in evidence.findings if one.place == participant])
    mine = answers[answers["participant"] == participant]
    mine = mine if condition == ALL else mine[mine["condition"] == condition]
    mine = mine if instrument == ALL else mine[mine["instrument"] == instrument]
    if not len(mine):
        page.empty("No file has a cell for this. It was not collected, or its column is not named in study.toml.")
        return
    page.show_table(replace(origin_table(study, mine), title=f"Answers of {participant}"), {}, without=("participant",))


# ---------------------------------------------------------------------------------------- exclusions


def _exclusions(held: Held) -> None:
    evidence = held.evidence
    study = evidence.study
    page.paragraph(
        "Leave answers out by a rule fixed beforehand, and print the rule: the reason you give stands beside every n that it "
        "changes, and the analysis is run once more without the exclusions. Answering alike is no proof of carelessness. "
        "The collected files stay as they are.",
        "why",
    )
    measures = {one.id: one.label for one in evidence.measures}
    _show_exclusions(study, measures)
    with st.form(f"exclusion {len(study.declared.exclusions)}", border=False):  # empty again after each one
        left, right = st.columns(2)
        participant = left.selectbox("Participant", list(study.participants), index=None, placeholder="Choose")
        labels = {ALL: "All conditions", **study.condition_labels}
        condition = right.selectbox("Condition", list(labels), format_func=lambda one: labels[one])
        which = st.multiselect(
            "Measures (all where none is chosen)", list(measures), format_func=lambda one: measures[one]
        )
        reason = st.text_input("Reason (it is printed)")
        if st.form_submit_button("Leave out"):
            entry: dict[str, Any] = {"participant": participant}
            entry |= {} if condition == ALL else {"condition": condition}
            entry |= {"measures": which} if which else {}
            if not participant or not reason.strip():
                page.told("Say whose answers, and why.")
            elif any(_leaves_out(one, entry) for one in study.declared.exclusions):
                page.told("That is left out already; see above.")
            else:
                _changed(held, "exclusions", lambda text: _with_exclusion(text, entry | {"reason": reason.strip()}))
    _undo(held, "exclusions")


def _show_exclusions(study: Study, labels: Mapping[str, str]) -> None:
    from workbench.report.table import Column, Table

    present = study.declared.exclusions
    if not present:
        page.paragraph("Nothing is left out.")
        return
    columns = tuple(
        Column(key, label)
        for key, label in (("who", "Participant"), ("where", "Condition"), ("what", "Measures"), ("why", "Reason"))
    )
    rows = tuple(
        {
            "who": one.participant,
            "where": study.condition_labels[one.condition] if one.condition else "all",
            "what": ", ".join(labels.get(measure, measure) for measure in one.measures) or "all",
            "why": one.reason,
        }
        for one in present
    )
    page.show_markup(Table("exclusions", "Left out", columns, rows))


def _leaves_out(present: ExclusionRule, entry: Mapping[str, Any]) -> bool:
    """Whether an exclusion covers all that another would leave out."""
    return (
        present.participant == entry["participant"]
        and present.condition in (None, entry.get("condition"))
        and (not present.measures or ("measures" in entry and set(entry["measures"]) <= set(present.measures)))
    )


def _with_exclusion(text: str, entry: dict[str, Any]) -> str:
    from workbench.study_edits import with_exclusion

    return with_exclusion(text, entry)


def _changed(held: Held, what: str, change: Callable[[str], str]) -> None:
    """study.toml rewritten by `change`, and how to undo it remembered; `what` was changed."""
    from workbench.study_edits import rewrite_study, study_text

    try:
        with page.CHANGING:
            study = _opened(held)
            before = study_text(study)
            after = change(before)
            rewrite_study(study, after)
    except (WorkbenchError, OSError) as error:
        page.tell_error(error)
        return
    st.session_state[f"undo {what}"] = (before, after)
    st.session_state["responses done"] = "Written into study.toml; its comments are as they were."
    st.rerun()


def _undo(held: Held, what: str) -> None:
    """The last change of this kind taken back, as long as nothing else changed study.toml since."""
    from workbench.study_edits import study_text

    before, after = st.session_state.get(f"undo {what}", ("", ""))
    if after and study_text(held.evidence.study) == after and st.button("Take the last one back"):
        _changed(held, f"{what} taken back", lambda text: before)


page.run_page(
    "Responses",
    "What participants answered: bring it in, look at it, trace it, leave out with a reason.",
    show,
    reads=False,
)
