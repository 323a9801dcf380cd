"""Rounds: how far they are, begun, handed in and given back; packets out, results in, and codings out for elsewhere."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
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
    rater_here,
    study_of,
)
from workbench.app.signin import CAUTION, SIGN_OUT, sign_in_from
from workbench.app.uploads import kept_upload
from workbench.errors import Finding, StudyError, WorkbenchError

if TYPE_CHECKING:
    from workbench.coding.assignments import Merge
    from workbench.coding.material import Material
    from workbench.coding.outgoing import Export
    from workbench.coding.rounds import RoundState
    from workbench.coding.units import Unit
    from workbench.results.exports import Target
    from workbench.store.journal import Journal

States = Mapping[str, "RoundState"]

PROGRESS, BEGIN, HAND_IN, PACKET, BRING_IN, EXPORT = VIEWS = (
    "How far they are",
    "Begin",
    "Hand in, reopen",
    "Packet",
    "Bring in",
    "Export",
)
REASONS = {
    "pilot": "Try the codebook on two or three transcripts, each rater alone; then compare, revise it, and keep a new version. What was used to "
    "revise a codebook shows nothing about agreement under it (O'Connor & Joffe 2020).",
    "reliability": "A fresh sample of 10 to 25 % of the material is usual (O'Connor & Joffe 2020), but a share guarantees nothing for a rare code: "
    "for a kappa of .80 ± .10 two raters need 139 units where a code stands on half of them, 401 where it stands on a tenth "
    "(Fleiss, Cohen & Everitt 1969).",
    "main": "Once agreement is known, the rest is mostly coded by one rater (O'Connor & Joffe 2020). Leave out the units of the reliability round: "
    "they are coded already.",
    "consensus": "A consensus round is not begun: it takes its units from the closed round that is discussed. Settle differences on the page Agreement; "
    "what the raters coded apart stays as it is.",
}
DRAW, ALL = "Draw a sample", "Take all of them"
PAGE, SPREADSHEET = "A page (HTML), for any browser", "A spreadsheet (XLSX)"
RESULT, ELSEWHERE = "The result of a packet", "Codings made elsewhere"
FORMS: Mapping[Target, str] = {
    "csv": "A table of codings (CSV)",
    "annotations": "W3C Web Annotations (JSON Lines)",
    "qdpx": "A REFI-QDA project (QDPX)",
    "journal": "Every decision, the journal (JSON Lines)",
}
ENDINGS: Mapping[Target, str] = {
    "csv": "codings.csv",
    "annotations": "annotations.jsonl",
    "qdpx": "codings.qdpx",
    "journal": "journal.jsonl",
}
SHARING, OWN_USE = "Sharing: without the words of those who do not allow it", "Own use: with everybody's words"
USUAL_SHARE = 0.2
"""Of the units at hand, the size of a sample that is proposed."""
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
NOTHING_BEGUN = "No round is open. Begin one under “Begin”; then its units are fixed, and a packet can be made of them."


def show(found: Held) -> None:
    from workbench.coding.rounds import round_states

    interviews = study_of(found).declared.interviews
    if interviews is None or not interviews.rounds or not interviews.raters:
        page.empty(
            "The study declares no rounds of coding yet. Name the raters and the rounds in study.toml; then they are begun here:",
            '[interviews]\nmode = "coding reliability"\nraters = ["R1", "R2"]\nprimary_rater = "R1"\nrounds = [\n'
            '    { id = "pilot", kind = "pilot" },\n    { id = "reliability", kind = "reliability" },\n'
            '    { id = "consensus", kind = "consensus" },\n    { id = "main", kind = "main" },\n]',
        )
        return
    page.tell_done("rounds done")
    if rater := rater_here(found):
        page.say(
            f"<p class='soft'>Signed in as <b>{page.text(rater)}</b>. <a href='{SIGN_OUT}' target='_self'>Sign out</a></p>"
        )
    view = page.view("rounds view", VIEWS)
    with st.spinner("Reading the transcripts …"):
        material = material_of(found)
    states = round_states(_journal(found), material.study)
    shows = {PROGRESS: _progress, BEGIN: _begin, HAND_IN: _hand_in, PACKET: _packet, BRING_IN: _bring_in}
    if view == EXPORT:
        _export(found, material)
    else:
        shows[view](found, material, states)


def _journal(found: Held) -> Journal | None:
    """The journal; None where nothing was decided yet, since looking begins none."""
    return journal_of(found) if has_journal(found) else None


def _done(act: Callable[[], Any], done: Callable[[Any], str]) -> None:
    """Act, and show what came of it beside how far the rounds are; faults are told in its place."""
    try:
        made = act()
    except (WorkbenchError, OSError) as error:
        page.tell_error(error)
        return
    st.session_state["rounds done"] = done(made)
    page.remember(**{"rounds view": PROGRESS})
    st.rerun()


# ---------------------------------------------------------------------------------------- progress


def _progress(found: Held, material: Material, states: States) -> None:
    from workbench.coding.rounds import rated_counts
    from workbench.report.tables.coding import rounds_state_table

    everything = sum(1 for _ in material.all_units())
    rated = rated_counts(_journal(found), states.values())
    page.show_table(rounds_state_table(list(states.values()), rated, everything), {})
    if begun := [one for one in states.values() if one.begun and one.kind != "consensus"]:
        page.heading("What they are made of")
        page.facts((one.id, _sample(one, everything)) for one in begun)
    page.heading("What comes next")
    for line in _next(states):
        page.paragraph(line)


def _sample(state: RoundState, everything: int) -> str:
    """The units of a round in words, and who codes them."""
    who = f"coded by {_and(state.raters)}"
    if not state.units:
        return f"Any of {everything} units, {who}."
    transcripts = tuple(dict.fromkeys(state.units.values()))
    places = f"in {_and(transcripts)}" if len(transcripts) <= 4 else f"in {len(transcripts)} transcripts"
    told = f"{len(state.units)} units {places}, {who}."
    if not state.drawn:
        return told
    used = state.drawn["used_in_pilots"]
    without = f"; {used} more were used in pilot rounds and could not be drawn" if used else ""
    return f"{told} Drawn with seed {state.drawn['seed']} from {state.drawn['from']} units{without}."


def _next(states: States) -> Iterator[str]:
    rounds = [one for one in states.values() if one.kind != "consensus"]
    for one in rounds:
        if one.closed:
            yield f"{one.id} is closed: agreement and differences stand on the page Agreement."
        elif one.begun:
            yield f"{one.id} is open and waits for {_and(one.waiting_for)}: on the page Coding, or by a packet."
    waiting = [one.id for one in rounds if not one.begun]
    if rounds and len(waiting) == len(rounds):
        yield f"No round is begun. Choose “Begin” above, and begin with the round {waiting[0]}."
    elif waiting:
        yield f"Not begun yet: {_and(waiting)}."


def _and(names: tuple[str, ...] | list[str]) -> str:
    return f"{', '.join(names[:-1])} and {names[-1]}" if len(names) > 1 else "".join(names)


# ------------------------------------------------------------------------------------------- begin


def _begin(found: Held, material: Material, states: States) -> None:
    from workbench.coding.rounds import begin_round, draw_round, rated_counts

    study, journal = material.study, _journal(found)
    round = page.chosen("Round", "round", list(states), {one.id: _named(one) for one in states.values()})
    state = states[round]
    page.paragraph(REASONS[state.kind], "why")
    if state.kind == "consensus":
        return
    if any(rated_counts(journal, [state]).values()):
        page.paragraph(f"{round} has codings already, so its units stay. Declare another round for others.")
        return
    if state.units:
        page.paragraph(f"{round} has {len(state.units)} units. Begun anew it gets others in their place.", "soft")
    page.heading("Its units")
    is_drawn = (
        st.radio("How", (DRAW, ALL), int(state.kind != "reliability"), horizontal=True, key=f"how {round}") == DRAW
    )
    units = _units(material, journal, states, state)
    size, seed = _sample_asked(material, journal, state, units, is_drawn=is_drawn)
    page.heading("Who, and why")
    interviews = study.declared.interviews
    alone = [interviews.primary_rater] if interviews and interviews.primary_rater and state.kind == "main" else []
    known = interviews.raters if interviews else []
    raters = st.multiselect("Who codes it (nobody named: all)", known, alone or known, key=f"raters {round}")
    by = decider(found)
    why = st.text_input("Reason (may stay empty; it is kept in the journal)", key=f"why begin {round}")
    if not st.button(
        "Draw and begin" if is_drawn else "Begin", type="primary", disabled=not (size if is_drawn else units)
    ):
        return
    if not by:
        page.told("Say who decides; every decision is kept with its person.")
        return
    begun = partial(_begun, round)
    if is_drawn:
        act = partial(draw_round, size=size, seed=seed, by=by, raters=raters, why=why)
        _done(lambda: act(journal_of(found), study, round, units), lambda drawn: begun(len(drawn)))
    else:
        begin = partial(begin_round, by=by, raters=raters, why=why)
        _done(lambda: begin(journal_of(found), study, round, units), lambda _: begun(len(units)))


def _named(state: RoundState) -> str:
    return state.id if state.id == state.kind else f"{state.id} ({state.kind})"


def _begun(round: str, units: int) -> str:
    return (
        f"{round} has {units} units. Raters sign in and code them on the page Coding; for one elsewhere make a packet."
    )


def _units(material: Material, journal: Journal | None, states: States, state: RoundState) -> list[Unit]:
    """The units that a round is made of or drawn from, as the fields say."""
    from workbench.coding.assignments import chosen_units, units_named

    left, right = st.columns(2)
    transcripts = left.multiselect(
        "From these transcripts (none named: all)", list(material.working), key=f"from {state.id}"
    )
    others = [one.id for one in states.values() if one.units and one.id != state.id]
    without = right.selectbox(
        "Without the units of", ["", *others], format_func=lambda one: one or "no other round", key=f"not {state.id}"
    )
    named = None
    with st.expander("Only units that a table names"):
        upload = st.file_uploader("CSV or XLSX with a column “unit”", key=f"units {state.id}")
    if upload is not None:
        with _kept(upload) as file:
            named = units_named(material, file, file.name)
    return chosen_units(material, journal, transcripts=transcripts, named=named, without=without)


def _sample_asked(
    material: Material, journal: Journal | None, state: RoundState, units: list[Unit], *, is_drawn: bool
) -> tuple[int, int]:
    """How many units are drawn with which seed, and what can be drawn at all; (0, 0) where none are."""
    from workbench.coding.rounds import unused_in_pilots

    if not units:
        page.told("These choices leave no unit.")
        return 0, 0
    free = len(unused_in_pilots(journal, material.study, units))
    used = len(units) - free
    if not is_drawn:
        told = f"{len(units)} units."
        if used and state.kind == "reliability":
            told += f" {used} of them were used in a pilot round: agreement leaves them out. Draw a sample, or leave that round out."
        page.paragraph(told)
        return 0, 0
    if not free:
        page.told("No unit is left to draw from: those chosen were all used in pilot rounds.")
        return 0, 0
    kept_out = f"; {used} were used in pilot rounds to revise the codebook and are never drawn" if used else ""
    page.paragraph(
        f"{free} of {len(units)} units can be drawn{kept_out}. Each participant gives a share in proportion."
    )
    left, right = st.columns(2)
    size = left.number_input("How many units", 1, value=max(1, int(free * USUAL_SHARE)), key=f"size {state.id}")
    seed = right.number_input(
        "Seed (the same seed draws the same units)", 0, value=material.study.plan.seed, key=f"seed {state.id}"
    )
    return int(size), int(seed)


@contextmanager
def _kept(upload: Any) -> Iterator[Path]:
    """What was brought in as a file, for as long as it is read: it may hold what people said."""
    with tempfile.TemporaryDirectory(prefix="workbench-") as folder:
        yield kept_upload(Path(folder), upload.name, upload.getvalue())


# ------------------------------------------------------------------------------- hand in and reopen


def _hand_in(found: Held, material: Material, states: States) -> None:
    page.paragraph(
        "Raters are blind to each other until all have handed in; then the round is closed, everybody sees its codings, and agreement is computed "
        "from them before any talk: it shows something only where each worked alone (Krippendorff 2004, chapter 11).",
        "why",
    )
    page.heading("Hand in")
    rater = rater_here(found)
    if rater:
        _own_part(found, material, states, rater)
    else:
        page.say(
            f"<p>Each rater hands in their own part. <a href='{sign_in_from('rounds')}' target='_self'>Sign in</a></p>"
        )
        page.paragraph(
            "For a rater elsewhere, whose packet came back and was merged, whoever looks after the study does it when they say that it is all:",
            "soft",
        )
        page.say("<pre tabindex='0'>workbench round STUDY submit --round ROUND --by RATER</pre>")
    page.heading("Reopen")
    _reopen(found, material, states)


def _own_part(found: Held, material: Material, states: States, rater: str) -> None:
    from workbench.coding.rounds import rated_units, submit_round

    own = [one.id for one in states.values() if rater in _open_for(one) and one.begun]
    if not own:
        page.paragraph(f"No round is open for {rater}.")
        return
    round = page.chosen("Round to hand in", "round", own)
    rated = len(rated_units(journal_of(found), round, rater))
    every = len(states[round].units) or sum(1 for _ in material.all_units())
    page.paragraph(f"{rater} has rated {rated} of {every} units. After handing in nothing of it is changed.")
    why = st.text_input("Reason (only where units are left on purpose)", key=f"why hand in {round}")
    if st.button("Hand in", type="primary"):
        act = partial(submit_round, rater=rater, why=why)
        _done(
            lambda: act(journal_of(found), material.study, round),
            lambda _: f"{round} is handed in as far as {rater} goes.",
        )


def _open_for(state: RoundState) -> tuple[str, ...]:
    """The raters who may still code in a round."""
    return () if state.kind == "consensus" else state.waiting_for


def _reopen(found: Held, material: Material, states: States) -> None:
    from workbench.coding.rounds import reopen_round

    handed_in = [one.id for one in states.values() if one.submitted]
    if not handed_in:
        page.paragraph("Nobody has handed in yet.")
        return
    page.paragraph(
        "Who saw another's codings has seen them: that the round was closed stays on record, with the reason for reopening it.",
        "soft",
    )
    round = page.chosen("Round to reopen", "handed in", handed_in)
    raters = st.multiselect(
        "Whose part (nobody named: all who handed in)", states[round].submitted, key=f"reopen {round}"
    )
    by = decider(found)
    why = st.text_input("Reason for reopening", key=f"why reopen {round}")
    if not st.button("Reopen"):
        return
    if not by:
        page.told("Say who decides; every decision is kept with its person.")
        return
    act = partial(reopen_round, by=by, why=why, raters=raters)
    _done(lambda: act(journal_of(found), material.study, round), lambda _: f"{round} is open again.")


# ------------------------------------------------------------------------------------------ packet


def _packet(found: Held, material: Material, states: States) -> None:
    from workbench.coding.assignments import assignment_for
    from workbench.coding.packet import make_packet, make_packet_workbook, packet_names
    from workbench.coding.rounds import rated_units

    page.paragraph(
        "For a rater elsewhere: one file with the units, the codebook and nothing of anybody else, which works without network or installation.",
        "soft",
    )
    page.paragraph(CAUTION, "why")
    at = _round_and_rater(found, states)
    if at is None:
        return
    round, rater = at
    interviews, is_own = material.study.declared.interviews, rater_here(found) == rater
    forms = (PAGE,) if interviews and interviews.units == "spans" else (PAGE, SPREADSHEET)
    form = st.radio("The packet as", forms, horizontal=True, key=f"form {len(forms)}")
    rated = len(rated_units(journal_of(found), round, rater))
    go_on = bool(rated and is_own and form == PAGE and st.checkbox("With what I have coded so far", True))
    if rated and not go_on:
        _not_in_it(rater, rated, form, is_own=is_own)
    assignment = assignment_for(material, journal_of(found), round, rater, go_on=go_on)
    names, transcripts = packet_names(assignment), {one.transcript for one in assignment.units}
    page.paragraph(
        f"{len(assignment.units)} units of {len(transcripts)} transcripts, under version {assignment.version} of the codebook."
    )
    if form == PAGE:
        _download(partial(make_packet, assignment), names.page, "text/html")
        comes_back = f"{names.result}, which the page saves"
    else:
        _download(partial(make_packet_workbook, assignment), names.workbook, XLSX)
        comes_back = "the same file, filled in"
    page.paragraph(
        f"What comes back is {comes_back}; take it in under “Bring in”. The packet holds what participants said in confidence: send it by a way that the "
        "ethics board accepts, and have it deleted when the result has arrived.",
        "soft",
    )


def _round_and_rater(found: Held, states: States) -> tuple[str, str] | None:
    """The round and whose part of it, one's own last; None where none is open."""
    open_rounds = [one.id for one in states.values() if one.begun and _open_for(one)]
    if not open_rounds:
        page.paragraph(NOTHING_BEGUN)
        return None
    left, right = st.columns(2)
    with left:
        round = page.chosen("Round", "round", open_rounds)
    with right:
        here = rater_here(found)
        return round, page.chosen(
            "Rater", "packet rater", sorted(_open_for(states[round]), key=lambda one: one == here)
        )


def _not_in_it(rater: str, rated: int, form: str, *, is_own: bool) -> None:
    """What a rater has coded in the app and does not find in the packet."""
    told = f"{rater} has rated {rated} units of it already; they are not in this packet"
    told += "." if is_own else f", which you could read. {rater}, signed in here, can take them along in a page."
    if form == SPREADSHEET:
        told += " A spreadsheet that comes back says all that holds: what it lacks is taken away when it is merged."
    page.told(told)


def _download(make: Callable[[], Any], name: str, mime: str) -> None:
    st.download_button("Download the packet", make, name, mime, on_click="ignore", type="primary")


# ---------------------------------------------------------------------------------------- bring in


def _bring_in(found: Held, material: Material, states: States) -> None:
    what = st.radio("What came back", (RESULT, ELSEWHERE), horizontal=True, key="came back")
    if what == RESULT:
        _result(found, material, states)
    else:
        _elsewhere(found, material, states)


def _upload(label: str) -> Any:
    """A file that is brought in; taken in, the next one is asked for."""
    return st.file_uploader(label, key=f"came in {st.session_state.get('rounds uploads', 0)}")


def _taken(act: Callable[[], Any], done: str) -> None:
    def taken() -> None:
        act()
        st.session_state["rounds uploads"] = st.session_state.get("rounds uploads", 0) + 1

    _done(taken, lambda _: done)


def _result(found: Held, material: Material, states: States) -> None:
    from workbench.coding.assignments import merge_of

    page.paragraph(
        "The file that the packet's page saved (its name ends in -coded.json), or the spreadsheet filled in. Nothing is recorded before you have seen how much "
        "it would add; what it says is shown to nobody while the round is open. If you rate in this round, don't open it.",
        "soft",
    )
    at = _round_and_rater(found, states)
    upload = _upload("Result of a packet") if at else None
    if at is None or upload is None:
        return
    round, rater = at
    try:
        with _kept(upload) as file:
            merge = merge_of(material, journal_of(found), round, rater, file)
    except StudyError as error:
        page.told(f"This file is not taken in as the work of {rater} in {round}; nothing was recorded.")
        page.show_findings(error.findings if rater_here(found) == rater else _without_words(error.findings))
        return
    _preview(merge, round, rater)
    if merge.new and st.button("Merge it", type="primary"):
        done = f"{_number(len(merge.new), 'decision')} of {rater} in {round} {'is' if len(merge.new) == 1 else 'are'} recorded."
        _taken(lambda: journal_of(found).record(merge.new), done)


def _without_words(findings: Sequence[Finding]) -> list[Finding]:
    """Faults without what stands in cells and operations: while the round is open, the rater alone may read that."""
    return [
        replace(one, found=re.sub("“[^”]*”", "“…”", one.found))
        if one.kind in ("wrong value", "changed by hand")
        else one
        for one in findings
    ]


def _preview(merge: Merge, round: str, rater: str) -> None:
    """How much would be recorded; no coding."""
    if merge.new:
        known = f"; {merge.known} are there already" if merge.known else ""
        page.paragraph(
            f"It would add {_number(len(merge.new), 'decision')} of {rater} on {_number(merge.units, 'unit')} of {round}{known}.",
            "lead",
        )
    else:
        page.told(f"Everything in it is there already ({_number(merge.known, 'decision')}); nothing is added.", "done")
    if merge.withdrawn:
        page.told(
            f"Of what {rater} has decided here, {merge.withdrawn} would be taken away, since the file says so or lacks it."
        )
    if merge.findings:
        page.show_findings(merge.findings)


def _number(count: int, what: str) -> str:
    return f"{count:,} {what}{'' if count == 1 else 's'}"


def _elsewhere(found: Held, material: Material, states: States) -> None:
    from workbench.coding.decisions import RaterView
    from workbench.coding.incoming import intake, read_arrived
    from workbench.report.tables.excerpts import intake_table

    page.paragraph(
        "A table of codings (CSV, XLSX), W3C Web Annotations (JSON Lines) or a REFI-QDA project (QDPX), as the work of the rater who is signed in. What the file lacks stays as it is.",
        "soft",
    )
    rater = rater_here(found)
    if not rater:
        page.say(
            f"<p>Codings are taken in by the rater whose they are. <a href='{sign_in_from('rounds')}' target='_self'>Sign in</a></p>"
        )
        return
    rounds = [one.id for one in states.values() if rater in _open_for(one)]
    if not rounds:
        page.paragraph(f"No round is open for {rater}.")
        return
    left, right = st.columns(2)
    with left:
        round = page.chosen("Round", "round", rounds)
    named = right.text_input("The rater's name in the file (empty: as here)", key="name in file").strip()
    upload = _upload("File of codings")
    if upload is None:
        return
    view = RaterView(journal_of(found), material.study, rater)
    with _kept(upload) as file:
        taken = intake(read_arrived(file, file.name, material), view, round, material, rater=named)
    page.show_table(intake_table(taken, file.name, rater, round), {})
    if not taken.operations:
        page.told("There is nothing to record.", "done")
    elif st.button("Record them", type="primary"):
        done = (
            f"Recorded: {_number(taken.new + taken.changed, 'coding')}, {_number(taken.units, 'unit')} marked as rated."
        )
        _taken(lambda: journal_of(found).record(taken.operations), done)


# ------------------------------------------------------------------------------------------ export


def _export(found: Held, material: Material) -> None:
    from workbench.results.exports import exported, told_of

    page.paragraph(
        "Codings of closed rounds and of files, for other programs. A round that is open stays in. Annotations, projects and the journal carry words, so whoever "
        "does not allow sharing is left out (what a participant allows stands on the page Transcripts); a table of codings carries none, but says who said what.",
        "soft",
    )
    to: Target = st.selectbox("The file as", list(FORMS), format_func=lambda one: FORMS[one], key="export as")
    own_use = st.radio("For", (SHARING, OWN_USE), key="export for") == OWN_USE if to != "csv" else False
    counted = to != "journal" and st.checkbox("Only the codings that count in the tables", key="export counted")
    journal = _journal(found)
    if to != "journal" and decided_of(found).rows.empty:
        page.paragraph("No round is closed yet, and no file holds codings: there is nothing to write.")
        return

    def make() -> Export:
        return exported(to, decided_of(found), material, journal=journal, own_use=own_use, counted=counted)

    upto = journal.last() if journal is not None and to == "journal" else last_of(found, SEEN_BY_ALL)
    made = latest(found, "export", (upto, to, own_use, counted), make)
    for line in told_of(made, to, own_use=own_use):
        page.paragraph(line)
    name = f"{material.study.declared.id}-{ENDINGS[to]}"
    st.download_button(
        "Download the file", made.content, name, "application/octet-stream", on_click="ignore", type="primary"
    )


page.run_page(
    "Rounds",
    "Who codes which units, how far they are, and what goes to raters elsewhere and comes back.",
    show,
    reads=False,
)
