"""Coding: one transcript in the panel, what is to be coded anew, the codebook, and handing in."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from workbench.app import page
from workbench.app.held import Held, held
from workbench.app.interviews import journal_of, material_of, rater_here, study_of
from workbench.app.panel import Place, coding_panel, send_again
from workbench.app.progress import show_progress
from workbench.app.signin import CAUTION, SIGN_IN, SIGN_OUT
from workbench.errors import WorkbenchError

if TYPE_CHECKING:
    from workbench.codebook.model import Codebook
    from workbench.coding.decisions import RaterView
    from workbench.coding.recoding import RecodeQueue, ToRecode
    from workbench.coding.rounds import RoundState

CODE, ANEW, CODEBOOK, HAND_IN = VIEWS = ("Code", "To be coded anew", "Codebook", "Hand in")
STEPS = {
    "edit": "Change what a code says",
    "add": "Add a code",
    "split": "Split a code in two",
    "merge": "Merge two codes",
    "rename": "Give a code another name",
    "retire": "Retire a code",
}


def show(found: Held) -> None:
    study = study_of(found)
    if study.declared.interviews is None:
        page.empty(
            "The study declares no interviews yet.",
            '[interviews]\nmode = "codebook"\ntranscripts = ["transcripts/{participant}.vtt"]',
        )
        return
    rater = rater_here(found)
    if not rater:
        _nobody(found)
        return
    page.say(
        f"<p class='soft'>Signed in as <b>{page.text(rater)}</b>. <a href='{SIGN_OUT}' target='_self'>Sign out</a></p>"
    )
    view = page.view("coding view", VIEWS)
    {CODE: _code, ANEW: _anew, CODEBOOK: _codebook, HAND_IN: _hand_in}[view](found, _view(found, rater))


def _view(found: Held, rater: str) -> RaterView:
    from workbench.coding.decisions import RaterView

    return RaterView(journal_of(found), study_of(found), rater)


# ------------------------------------------------------------------------------------------ nobody


def _nobody(found: Held) -> None:
    """What anybody may know: how far the rounds are."""
    page.say(f"<p class='lead'>Raters sign in to code. <a href='{SIGN_IN}' target='_self'>Sign in</a></p>")
    page.paragraph("Each rater has a passphrase of their own, set on this machine:", "soft")
    page.say("<pre tabindex='0'>workbench rater STUDY NAME</pre>")
    page.paragraph(CAUTION, "why")
    page.heading("How far the rounds are")
    show_progress(found)


# -------------------------------------------------------------------------------------------- code


def _open_rounds(view: RaterView) -> list[RoundState]:
    return [
        one
        for one in view.rounds().values()
        if one.kind != "consensus" and view.rater in one.raters and view.rater not in one.submitted
    ]


def _code(found: Held, view: RaterView) -> None:
    from workbench.coding.assignments import units_in_round
    from workbench.coding.rounds import rated_units

    rounds = {one.id: one for one in _open_rounds(view)}
    if not rounds:
        page.empty("No round is open for you. What you handed in can be asked back under “Hand in”, with the reason.")
        return
    material = material_of(found)
    _from_address("round", "transcript")
    left, right = st.columns(2)
    with left:
        begun = [one.id for one in rounds.values() if one.begun]
        round = page.chosen("Round", "round", [*begun, *(one for one in rounds if one not in begun)])
    units = units_in_round(material, view.journal, round)
    if not rounds[round].begun and not _may_begin(view, round, len(units)):
        return
    rated = rated_units(view.journal, round, view.rater)
    counts: dict[str, list[int]] = {}
    for unit in units:
        told = counts.setdefault(unit.transcript, [0, 0])
        told[0] += unit.id not in rated
        told[1] += 1
    if not counts:
        page.empty("There is nothing to code: the study has no transcripts.")
        return
    words = {
        name: f"{name}: {open} of {all} left" if open else f"{name}: all {all} coded"
        for name, (open, all) in counts.items()
    }
    with right:
        transcript = page.chosen("Transcript", "transcript", list(counts), words)
    st.query_params.from_dict({"round": round, "transcript": transcript})
    goto = st.session_state.get("goto", "")
    remaining = {name: one for name, (one, _) in counts.items()}
    place = Place(view.rater, round, transcript)
    _panel(place, goto if goto.startswith(transcript) else "", remaining[transcript] > 0)
    send_again()
    _further(found, view, place, remaining)


def _may_begin(view: RaterView, round: str, count: int) -> bool:
    """Whether a first code may begin a round: it does where no round was begun; later that is said, and asked for."""
    if not any(one.begun for one in view.rounds().values()) or st.session_state.get("begins") == round:
        return True
    page.paragraph(
        f"This round is not begun. On the page Rounds it is begun with a sample, or with all units but those of another round. Begun here, with your "
        f"first code, it has all {count} units, those of earlier rounds too.",
        "why",
    )
    row = st.container(horizontal=True)
    if row.button("To the page Rounds", type="primary"):
        page.go("rounds")
    if row.button("Code it here, with all units"):
        st.session_state["begins"] = round
        st.rerun()
    return False


def _from_address(*names: str) -> None:
    """What the address says was chosen, so that a page loaded anew, or a server started anew, goes on where one was."""
    for name in names:
        if f"at {name}" not in st.session_state and name in st.query_params:
            page.remember(**{name: st.query_params[name]})


@st.fragment
def _panel(place: Place, goto: str, has_left: bool) -> None:
    """The panel alone is drawn anew with each code; the page around it when the last unit is coded, or no longer is."""
    left = coding_panel(held(page.study_folder()), place, goto=goto)
    if left is not None and (left > 0) != has_left:
        st.rerun()


def _further(found: Held, view: RaterView, place: Place, left: dict[str, int]) -> None:
    """The ways on from here: the next transcript, the next to look at again or handing in, and all excerpts of the code used last."""
    row = st.container(horizontal=True)
    if st.session_state.get("goto") and row.button("Next unit to look at again"):
        _go_on_anew(found, view)
    if not any(left.values()) and row.button("All units are coded: hand in", type="primary"):
        page.remember(round=place.round, **{"coding view": HAND_IN})
        st.rerun()
    following = [*list(left)[list(left).index(place.transcript) + 1 :], *list(left)]
    onward = next((name for name in following if left[name] and name != place.transcript), "")
    if onward and row.button("Next transcript with units left"):
        page.remember(transcript=onward)
        st.rerun()
    if row.button("All excerpts of the code used last", shortcut="e"):
        code = st.session_state.get(f"last code {place.rater}", "")
        page.go("reading", **({"reading code": code} if code else {}) | {"reading view": "Excerpts"})


# ------------------------------------------------------------------------------------ coded anew


def _queue(found: Held, view: RaterView) -> RecodeQueue | None:
    """What a rater may see of the units to look at again; None without a codebook."""
    from workbench.coding.recoding import recode_queue

    interviews, books = study_of(found).declared.interviews, material_of(found).codebooks
    return recode_queue(view, books.versions, interviews) if interviews and books else None


def _go_on_anew(found: Held, view: RaterView) -> None:
    """To the next unit of the rater's that is to be looked at again, or to the list where none is left."""
    queue, rounds = _queue(found, view), {one.id for one in _open_rounds(view)}
    items = queue.items if queue else ()
    mine = [one for one in items if one.rater == view.rater and one.round in rounds]
    places = [one.unit for one in mine]
    here = st.session_state.pop("goto")
    if not mine:
        page.remember(**{"coding view": ANEW})
    else:
        following = mine[(places.index(here) + 1) % len(mine)] if here in places else mine[0]
        _show_unit(following)
    st.rerun()


def _show_unit(one: ToRecode) -> None:
    page.remember(round=one.round, transcript=one.transcript, **{"coding view": CODE})
    st.session_state["goto"] = one.unit


def _anew(found: Held, view: RaterView) -> None:
    from workbench.report.tables.coding import recode_table

    queue = _queue(found, view)
    if queue is None:
        page.empty("The study has no codebook yet: name its file in study.toml, interviews.codebook.")
        return
    page.paragraph(
        "A code that was split, or whose definition or rules changed, leaves the units it stands on to be looked at again. Open a "
        "unit, remove the old code or put others; where it still fits, open its note and press Enter: it then stands under the new version.",
        "soft",
    )
    if not queue.items:
        page.paragraph(f"Nothing is left to look at again; {queue.done} units were looked at again already.")
        return
    rounds = {one.id for one in _open_rounds(view)}
    mine = [one for one in queue.items if one.rater == view.rater]
    _open_one({f"{one.unit} ({one.round}): {', '.join(one.codes)}": one for one in mine if one.round in rounds})
    _ask_back(sorted({one.round for one in mine if one.round not in rounds}))
    page.show_table(recode_table(queue), {})


def _open_one(several: dict[str, ToRecode]) -> None:
    """Choose a unit to look at again, and go to it in the panel."""
    if not several:
        return
    one = several[page.chosen("Unit", "anew", list(several))]
    if st.button("Open it", type="primary"):
        _show_unit(one)
        st.rerun()


def _ask_back(rounds: list[str]) -> None:
    """What to do about units of rounds that were handed in: nothing in them changes before they are asked back."""
    if not rounds:
        return
    page.paragraph(
        f"You have handed in {' and '.join(rounds)}. To look at its units again, ask it back with the reason, then open them here. "
        "Until it is handed in once more the round is open, and its codings are shown to nobody else.",
        "why",
    )
    if st.button("Ask it back"):
        page.remember(round=rounds[0], **{"coding view": HAND_IN})
        st.rerun()


# ---------------------------------------------------------------------------------------- codebook


def _codebook(found: Held, view: RaterView) -> None:
    from workbench.codebook.edits import next_version
    from workbench.report.tables.codebook import changes_table, codebook_table
    from workbench.report.tables.reading import words_of

    books = material_of(found).codebooks
    if books is None:
        page.empty(
            "The study has no codebook yet. Name its file in study.toml:", '[interviews]\ncodebook = "codebook.csv"'
        )
        return
    page.paragraph(
        "What changes becomes a new version, and what was coded keeps the version it was coded under. While a round for reliability is "
        "open, leave the codebook as it is: agreement is measured under one version, on units that no version was made from.",
        "why",
    )
    step = page.chosen("What changes", "step", list(STEPS), STEPS)
    changed = _changed(books.current, step)
    why = st.text_input("Reason (it is kept with the version)")
    if st.button(f"Keep it as version {next_version(books.current.version)}", type="primary"):
        _keep(found, view, changed, why)
    _say_done()
    words = words_of(study_of(found))
    page.show_table(codebook_table(books.current), words)
    page.show_table(changes_table(books), words)


def _changed(book: Codebook, step: str) -> Codebook | str:
    """The codebook as the fields on the page make it, or what is missing."""
    from workbench.codebook import edits

    names = list(book.names)
    labels = {one.code: f"{one.code}: {one.label}" if one.label else one.code for one in book.codes}
    if step == "add":
        made = edits.added(book, st.text_input("Code (its short name)").strip(), _fields(book, "", "add"))
    elif step == "merge":
        several = st.multiselect("Codes", names, format_func=lambda one: labels[one])
        made = edits.merged(
            book, several, st.text_input("Code (what they are called together)").strip(), _fields(book, "", "merge")
        )
    else:
        code = page.chosen("Code", "code", names, labels)
        if step == "edit":
            made = edits.edited(book, code, _fields(book, code, "edit"))
        elif step == "rename":
            made = edits.renamed(book, code, st.text_input("New name").strip())
        elif step == "retire":
            made = edits.retired(book, code)
        else:
            parts = []
            for number, column in enumerate(st.columns(2), start=1):
                with column:
                    name = st.text_input(f"Code (part {number})").strip()
                    parts.append((name, _fields(book, code, f"split {number}")))
            made = edits.split(book, code, parts)
    return made


def _fields(book: Codebook, code: str, key: str) -> dict[str, str]:
    """What a code says, to be written or changed."""
    from workbench.codebook.model import EXAMPLES, RULES

    present = book.code(code) if code else None
    said = {"label": st.text_input("In words", getattr(present, "label", ""), key=f"{key} {code} label")}
    themes = ["", *(one.theme for one in book.themes)]
    now = getattr(present, "theme", "")
    said["theme"] = st.selectbox(
        "Theme", themes, index=themes.index(now) if now in themes else 0, key=f"{key} {code} theme"
    )
    for name, words in (RULES | EXAMPLES).items():
        said[name] = st.text_area(words, getattr(present, name, ""), height=68, key=f"{key} {code} {name}")
    return {name: words.strip() for name, words in said.items()}


def _keep(found: Held, view: RaterView, changed: Codebook | str, why: str) -> None:
    from dataclasses import replace
    from datetime import date

    from workbench.coding.decisions import record_codebook

    if isinstance(changed, str):
        page.told(changed)
        return
    try:
        signed = replace(changed, author=view.rater, date=date.today().isoformat(), reason=why.strip())
        record_codebook(view.journal, signed, by=view.rater, why=why)
    except WorkbenchError as error:
        page.tell_error(error)
        return
    st.session_state["coding done"] = (
        f"Version {changed.version} of the codebook is kept. What asks for coding anew stands under “To be coded anew”."
    )
    st.rerun()


def _say_done() -> None:
    """What was done just now, said where it was done."""
    if message := st.session_state.pop("coding done", ""):
        page.told(message, "done")


# ----------------------------------------------------------------------------------------- hand in


def _hand_in(found: Held, view: RaterView) -> None:
    from workbench.coding.rounds import reopen_round, submit_round

    _say_done()
    show_progress(found)
    states = [
        one for one in view.rounds().values() if one.kind != "consensus" and view.rater in one.raters and one.begun
    ]
    if not states:
        page.paragraph("You have coded nothing yet.")
        return
    round = page.chosen("Round", "round", [one.id for one in states])
    state = next(one for one in states if one.id == round)
    has_submitted = view.rater in state.submitted
    page.paragraph(
        "You have handed this round in. It can be asked back with a reason; that it was closed stays on record."
        if has_submitted
        else "From then on you change nothing in it. When everybody has handed in, all see all codings, and agreement is computed.",
        "soft",
    )
    why = st.text_input(
        "Reason (for asking back)" if has_submitted else "Reason (only where units are left on purpose)"
    )
    if st.button("Ask it back" if has_submitted else "Hand in", type="primary"):
        study = study_of(found)
        try:
            if has_submitted:
                reopen_round(view.journal, study, round, by=view.rater, why=why, raters=[view.rater])
            else:
                submit_round(view.journal, study, round, rater=view.rater, why=why)
        except WorkbenchError as error:
            page.tell_error(error)
            return
        st.session_state["coding done"] = _after(view, round, has_submitted)
        st.rerun()


def _after(view: RaterView, round: str, was_submitted: bool) -> str:
    """What became of a round, and what comes next."""
    if was_submitted:
        return f"{round} is open again."
    state = view.rounds()[round]
    if state.closed:
        return f"{round} is handed in. It is closed now: agreement and differences stand on the page Agreement."
    return f"{round} is handed in. It is closed when {', '.join(state.waiting_for)} has handed it in too."


page.run_page("Coding", "The words of participants, unit by unit, under the codebook.", show, reads=False)
