"""Agreement: progress while rounds are open, then how far raters agree, and differences settled one by one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import streamlit as st

from workbench.app import page
from workbench.app.held import Held
from workbench.app.interviews import (
    SEEN_BY_ALL,
    decided_of,
    decider,
    has_journal,
    journal_of,
    last_of,
    latest,
    material_of,
    study_of,
)
from workbench.app.progress import show_progress
from workbench.errors import WorkbenchError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from workbench.analysis.agreement import RoundAgreement
    from workbench.coding.consensus import Difference
    from workbench.coding.decisions import Applied, ClosedView
    from workbench.coding.material import Material
    from workbench.coding.units import Unit
    from workbench.store.operations import Entry

Content = dict[str, Any]
NOTHING = -1
"""Chosen where nothing applies, so that an empty choice is not taken for it."""

PROGRESS, AGREEMENT, DIFFERENCES = VIEWS = ("Progress", "Agreement", "Differences")
OUTCOME_WORDS = {
    "codebook change": "The codebook has to change",
    "slip": "A slip",
    "real ambiguity": "The words are ambiguous",
}


def show(found: Held) -> None:
    interviews = study_of(found).declared.interviews
    if interviews is None:
        page.empty(
            "The study declares no interviews yet.", '[interviews]\nmode = "coding reliability"\nraters = ["R1", "R2"]'
        )
        return
    view = page.view("agreement view", VIEWS)
    if view == PROGRESS:
        page.paragraph("While a round is open, this is all that anybody but the rater sees of it.", "soft")
        show_progress(found)
    elif view == AGREEMENT and interviews.mode == "reflexive":
        page.paragraph(
            "This study is analysed reflexively: no coefficients are computed. What is looked for is depth, not the same reading twice."
        )
    elif view == AGREEMENT:
        _agreement(found)
    else:
        _differences(found)


# --------------------------------------------------------------------------------------- agreement


def _agreement(found: Held) -> None:
    from workbench.report.tables.agreement import agreement_made
    from workbench.report.tables.reading import words_of
    from workbench.results.chain import quotable_texts

    study, material = study_of(found), material_of(found)
    rows = decided_of(found).rows
    if rows.empty:
        page.paragraph("No round is closed yet: agreement is computed when all raters of a round have handed it in.")
        return
    half_width = st.slider("Half-width of kappa's interval that further units are planned for", 0.05, 0.30, 0.10, 0.05)
    state = last_of(found, SEEN_BY_ALL), half_width
    agreed: list[RoundAgreement] = latest(found, "agreement", state, lambda: _computed(found, material, half_width))
    if not agreed:
        page.paragraph("No unit was rated by two raters in a round that is closed.")
        return
    for table in agreement_made(study, agreed, quotable_texts(material)):
        page.show_table(table, words_of(study))


def _computed(found: Held, material: Material, half_width: float) -> list[RoundAgreement]:
    """Agreement in the closed rounds, with how far the computing is."""
    from workbench.analysis.agreement import agreement
    from workbench.results.chain import quotable_texts

    bar = st.progress(0.0, "Drawing participants again and again, for the intervals")

    def progress(done: int, total: int) -> None:
        bar.progress(min(done / total, 1.0) if total else 0.0)

    agreed = agreement(
        study_of(found),
        decided_of(found).rows,
        half_width=half_width,
        codebooks=material.codebooks,
        texts=quotable_texts(material),
        progress=progress,
    )
    bar.empty()
    return agreed


# ------------------------------------------------------------------------------------- differences


def _differences(found: Held) -> None:
    from workbench.coding.consensus import differences
    from workbench.coding.decisions import ClosedView

    study = study_of(found)
    if not has_journal(found):
        page.paragraph(
            "Nothing was coded here yet. Rounds that were coded elsewhere and lie in files are settled there."
        )
        return
    view = ClosedView(journal_of(found), study)
    closed = [one.id for one in view.rounds().values() if one.closed and one.kind != "consensus"]
    if not closed:
        page.paragraph("No round is closed yet: who looks at differences is no longer blind.")
        return
    left_column, right_column = st.columns(2)
    with left_column:
        round = page.chosen("Round", "closed round", closed)
    several = differences(view, study, round)
    left = [one for one in several if not one.agreed]
    ordered = [*left, *(one for one in several if one.agreed)]
    if several:
        with right_column:
            unit = page.chosen(
                "Unit", "difference", [one.unit for one in ordered], {one.unit: _line(one) for one in ordered}
            )
    page.paragraph(
        f"{len(left)} of {len(several)} differences are open. A difference is no fault of a rater; agreement is computed from what was coded "
        "apart, before any talk, and stays as it is.",
        "soft",
    )
    if several:
        following = [one.unit for one in left if one.unit != unit]
        here = next(one for one in ordered if one.unit == unit)
        _one(found, view, round, here, following[0] if following else "")


def _line(one: Difference) -> str:
    """A difference in a line of a list."""
    codes = " | ".join(", ".join(codes) or "nothing applies" for codes in one.codes.values())
    return f"{one.unit}{' (settled)' if one.agreed else ''}: {codes}"


def _one(found: Held, view: ClosedView, round: str, difference: Difference, following: str) -> None:
    """The words, what each rater coded in them, and the form to settle it."""
    material = material_of(found)
    unit = {one.id: one for one in material.all_units()}.get(difference.unit)
    if unit is None:
        page.told(f"{difference.unit} is no unit of the transcripts any more.")
        return
    transcript = material.working[difference.transcript]
    turns = [turn.id for turn in transcript.turns]
    first = turns.index(unit.pieces[0].turn)
    if first:
        before = transcript.turns[first - 1]
        page.say(f"<p class='soft'>{before.role}: <span dir='auto'>{page.text(before.text)}</span></p>")
    page.say(f"<blockquote lang='{page.text(transcript.language)}' dir='auto'>{page.text(unit.text)}</blockquote>")
    codings = [
        one
        for one in view.present("coding", round=round, transcript=difference.transcript)
        if (one.content or {})["unit"] == unit.id
    ]
    choices, form = _choices(material, codings), f"settle {round} {unit.id}"
    labels = material.study.condition_labels
    for column, rater in zip(st.columns(len(difference.codes)), difference.codes, strict=True):
        mine = [one.content or {} for one in codings if one.by == rater]
        with column:
            page.say(_beside(rater, mine, labels))
            if st.button("Take this", key=f"take {form} {rater}"):
                _take(form, choices, mine)
    settled = [one for one in view.present("consensus") if (one.content or {}).get("unit") == unit.id]
    for one in settled:
        content = one.content or {}
        agreed = ", ".join(code["code"] for code in content["codes"]) or "nothing applies"
        page.paragraph(f"Settled by {one.by} on {one.at[:10]}: {agreed} ({content['outcome']}). {one.why}", "done")
    _settle(found, round, unit, choices, form, following)


def _beside(rater: str, codings: list[Content], labels: Mapping[str, str]) -> str:
    """What one rater coded, as a column."""
    lines = (
        "".join(f"<li dir='auto'>{page.text(_told(one, labels))}</li>" for one in codings)
        or "<li><i>nothing applies</i></li>"
    )
    return f"<div><h3>{page.text(rater)}</h3><ul class='plain'>{lines}</ul></div>"


def _told(content: Content, labels: Mapping[str, str]) -> str:
    about = f", about {' and '.join(labels.get(one, one) for one in content['about'])}" if content["about"] else ""
    stance = f", {content['stance']}" if content["stance"] else ""
    words = f" on “{content['quote']}”" if content["quote"] else ""
    return f"{content['code']}{words}{about}{stance}"


def _settle(found: Held, round: str, unit: Unit, choices: list[Content], form: str, following: str) -> None:
    """The form to settle a difference; then comes the next one that is open, if any."""
    from workbench.coding.assignments import current_codebook
    from workbench.coding.consensus import record_consensus

    study, material = study_of(found), material_of(found)
    into = (
        [one.id for one in study.declared.interviews.rounds if one.kind == "consensus"]
        if study.declared.interviews
        else []
    )
    if not into:
        page.empty(
            "Declare a consensus round to settle differences in:",
            'rounds = [ …, { id = "consensus", kind = "consensus" } ]',
        )
        return
    page.heading("Settle it")
    if message := st.session_state.pop("agreement done", ""):
        page.told(message, "done")
    by = decider(found)
    applied = _agreed_on(material, choices, form)
    outcome: Any = st.radio(
        "What the difference was",
        list(OUTCOME_WORDS),
        index=None,
        format_func=lambda one: OUTCOME_WORDS[one],
        horizontal=True,
        key=f"{form} outcome",
    )
    why = st.text_area("Reason", key=f"{form} why", height=68)
    if not st.button("Settle it", type="primary"):
        return
    if not by:
        page.told("Say who decides.")
        return
    if applied is None:
        page.told("Choose what applies: codes, or “Nothing applies” alone.")
        return
    if not outcome:
        page.told("Say what the difference was.")
        return
    try:
        book = current_codebook(material)
        record_consensus(
            journal_of(found),
            study,
            into[0],
            unit,
            applied,
            discussed=round,
            outcome=outcome,
            why=why,
            by=by,
            codebook=book,
        )
    except WorkbenchError as error:
        page.tell_error(error)
        return
    told = ", ".join(one.code for one in applied) or "nothing applies"
    onward = (
        f" The next one that is open is {following}." if following else " No difference is left open in this round."
    )
    st.session_state["agreement done"] = f"Agreed on {unit.id}: {told}.{onward}"
    if following:
        page.remember(difference=following)
    st.rerun()


def _choices(material: Material, codings: list[Entry]) -> list[Content]:
    """What may be agreed on: what was coded, each place and code once, then each other code on the whole unit."""
    book = material.codebooks.current if material.codebooks else None
    names = book.names if book else ()
    coded = {_place(one.content or {}): one.content or {} for one in codings if (one.content or {})["code"] in names}
    whole: list[Content] = [
        {"code": name, "start": None, "end": None, "quote": "", "about": [], "stance": ""} for name in names
    ]
    return [*coded.values(), *(one for one in whole if _place(one) not in coded)]


def _take(form: str, choices: list[Content], codings: list[Content]) -> None:
    """Fill the form with what one rater coded; codes that the codebook has no more are left out."""
    chosen = []
    for number, choice in enumerate(choices):
        for one in codings:
            if _place(one) == _place(choice):
                chosen.append(number)
                st.session_state[f"{form} about {number}"] = list(one["about"])
                st.session_state[f"{form} stance {number}"] = one["stance"]
    st.session_state[form] = chosen or [NOTHING]


def _agreed_on(material: Material, choices: list[Content], form: str) -> list[Applied] | None:
    """What applies, chosen from the choices; about and stance of each can be changed. None: nothing was said yet."""
    from workbench.coding.decisions import Applied

    chosen = st.multiselect(
        "What applies",
        [*range(len(choices)), NOTHING],
        format_func=lambda one: "Nothing applies" if one == NOTHING else _named(choices[one]),
        placeholder="Codes, or “Nothing applies”",
        key=form,
    )
    if not chosen or (NOTHING in chosen and len(chosen) > 1):
        return None
    labels = material.study.condition_labels
    found = []
    for number in chosen:
        if number == NOTHING:
            continue
        told = choices[number]
        code, start, end = _place(told)
        page.say(f"<h3 dir='auto'>{chosen.index(number) + 1}. {page.text(_named(told))}</h3>")
        left, right = st.columns(2)
        st.session_state.setdefault(f"{form} about {number}", list(told["about"]))
        about = left.multiselect(
            f"About, for choice {chosen.index(number) + 1}",
            list(labels),
            format_func=lambda one: labels[one],
            key=f"{form} about {number}",
        )
        st.session_state.setdefault(f"{form} stance {number}", told["stance"])
        stance: Any = right.selectbox(
            f"Stance, for choice {chosen.index(number) + 1}",
            ["", "for", "against", "mixed"],
            format_func=lambda one: one or "none",
            key=f"{form} stance {number}",
        )
        found.append(Applied(code, tuple(about), stance, start, end))
    return found


def _place(content: Content) -> tuple[str, int | None, int | None]:
    return content["code"], content["start"], content["end"]


def _named(told: Content) -> str:
    return f"{told['code']} on “{told['quote']}”" if told["quote"] else str(told["code"])


page.run_page(
    "Agreement", "How far raters agree, what they differ about, and what is agreed on in the end.", show, reads=False
)
