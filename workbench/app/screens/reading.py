"""Reading: every excerpt of a code, codes that stand together, and themes built from codes."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import streamlit as st

from workbench.app import page
from workbench.app.held import Held
from workbench.app.interviews import decided_of, decider, has_journal, journal_of, material_of, rater_here, study_of
from workbench.errors import WorkbenchError

if TYPE_CHECKING:
    from workbench.codebook.model import Codebook
    from workbench.coding.material import Material
    from workbench.coding.reading import Decided, Excerpt, Said

EXCERPTS, TOGETHER, THEMES, MEMOS = VIEWS = ("Excerpts", "Codes together", "Themes", "Memos")
COUNTED, MINE = "Those that count", "My own"
ALL = "all"
AT_ONCE = 60
"""Excerpts on a page."""


def show(found: Held) -> None:
    if study_of(found).declared.interviews is None:
        page.empty(
            "The study declares no interviews yet.",
            '[interviews]\nmode = "codebook"\ntranscripts = ["transcripts/{participant}.vtt"]',
        )
        return
    view = page.view("reading view", VIEWS)
    page.tell_done("reading done")
    with st.spinner("Reading the codings …"):
        material, decided = material_of(found), decided_of(found)
    {EXCERPTS: _excerpts, TOGETHER: _together, THEMES: _themes, MEMOS: _memos}[view](found, material, decided)


def _book(material: Material) -> Codebook | None:
    return material.codebooks.current if material.codebooks else None


def _labels(material: Material, codes: list[str]) -> dict[str, str]:
    book = _book(material)
    words = book.labels if book else {}
    return {one: f"{one}: {words[one]}" if words.get(one, one) != one else one for one in codes}


def _codes(material: Material, decided: Decided) -> list[str]:
    book = _book(material)
    return list(dict.fromkeys((*(book.names if book else ()), *sorted(filter(None, decided.counted["code"].unique())))))


# ---------------------------------------------------------------------------------------- excerpts


def _excerpts(found: Held, material: Material, decided: Decided) -> None:
    from workbench.coding.reading import excerpts
    from workbench.report.tables.excerpts import excerpt_notes

    rater, study = rater_here(found), study_of(found)
    chosen = decided
    if rater:
        which = st.radio("Which codings", (COUNTED, MINE), horizontal=True, key=_open_to(decided))
        chosen = _own(found, decided, rater) if which == MINE else decided
    codes = _codes(material, chosen)
    if not codes:
        page.empty("Nothing is coded yet, and the study has no codebook.")
        return
    columns = st.columns(3)
    with columns[0]:
        code = page.chosen("Code", "reading code", codes, _labels(material, codes))
    with columns[1]:
        conditions = {ALL: "All conditions", **study.condition_labels}
        condition = page.chosen("About", "about", list(conditions), conditions)
    with columns[2]:
        stance = page.chosen("Stance", "stance", [ALL, "for", "against", "mixed"], {ALL: "All stances"})
    _steps(codes, code)
    read = excerpts(
        chosen,
        material,
        [code],
        condition="" if condition == ALL else condition,
        stance="" if stance == ALL else stance,
    )
    book = _book(material)
    if book and code in book.names and (meaning := book.code(code).definition):
        page.paragraph(meaning, "lead")
    if chosen is not decided:
        page.paragraph(
            f"{_counted(sum(read.counts.values()), 'excerpt')} of yours, of {_counted(len(read.counts), 'participant')}, open rounds too.",
            "soft",
        )
    notes = excerpt_notes(read)
    if chosen is decided:  # the first says how many, and which codings count
        page.paragraph(notes[0], "soft")
    page.say("".join(_markup(study.condition_labels, one) for one in read.items[:AT_ONCE]))
    if len(read.items) > AT_ONCE:
        page.paragraph(
            f"The first {AT_ONCE} are shown; “workbench excerpts STUDY {code}” writes all, also as a page.", "soft"
        )
    for note in notes[1:]:
        page.paragraph(note, "soft")


def _counted(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def _open_to(decided: Decided) -> str:
    """The key of the choice; a rater begins with their own codings where nothing counts yet."""
    st.session_state.setdefault("which codings", MINE if decided.counted.empty else COUNTED)
    return "which codings"


def _own(found: Held, decided: Decided, rater: str) -> Decided:
    """The codings of the rater who is signed in, those of open rounds too; made for this page and not kept."""
    from workbench.coding.decisions import RaterView, codings_frame

    rows = codings_frame(RaterView(journal_of(found), study_of(found), rater))
    mine = rows[rows["rater"] == rater]
    return replace(decided, rows=mine, counted=mine)


def _steps(codes: list[str], code: str) -> None:
    """The code before and the one after, one key away."""
    place = codes.index(code)
    row = st.container(horizontal=True)
    if row.button("Code before", shortcut="p", disabled=place == 0):
        page.remember(**{"reading code": codes[place - 1]})
        st.rerun()
    if row.button("Next code", shortcut="n", disabled=place == len(codes) - 1):
        page.remember(**{"reading code": codes[place + 1]})
        st.rerun()


def _markup(conditions: dict[str, str], one: Excerpt) -> str:
    about = ", ".join(conditions.get(id, id) for id in one.about)
    head = " · ".join(filter(None, (one.participant, one.unit, f"about {about}" if about else "", one.stance)))
    spoken = f"lang='{page.text(one.language)}' dir='auto'"
    before, coded, after = map(page.text, one.parts())
    words = f"{before}<mark>{coded}</mark>{after}" if before or after else coded
    translated = f"<p class='soft translation' dir='auto'>{page.text(one.translation)}</p>" if one.translation else ""
    return (
        f"<article class='excerpt'><h3>{page.text(head)}</h3>{''.join(_beside(said, spoken) for said in one.before)}"
        f"<blockquote {spoken}>{words}</blockquote>{translated}{''.join(_beside(said, spoken) for said in one.after)}</article>"
    )


def _beside(said: Said, spoken: str) -> str:
    return f"<p class='soft'>{page.text(said.speaker)}: <span {spoken}>{page.text(said.text)}</span></p>"


# ------------------------------------------------------------------------------- codes among codes


def _together(found: Held, material: Material, decided: Decided) -> None:
    from workbench.coding.reading import cooccurrences
    from workbench.report.tables.excerpts import cooccurrence_table

    pairs = cooccurrences(decided.counted)
    if not pairs:
        page.paragraph("No two codes stand on a same unit, as far as codings count yet.")
        return
    page.show_table(cooccurrence_table(pairs), {})


# ------------------------------------------------------------------------------------------ themes


def _themes(found: Held, material: Material, decided: Decided) -> None:
    from workbench.coding.decisions import record_theme
    from workbench.coding.reading import codes_by_theme, themes_of
    from workbench.report.tables.excerpts import code_by_theme_table

    book = _book(material)
    themes = themes_of(book, decided.themes)
    labels = {one.theme: one.label for one in book.themes if one.label} if book else {}
    labels |= {one.key: one.content["label"] for one in decided.themes if one.content and one.content["label"]}
    definitions = {one.key: one.content["definition"] for one in decided.themes if one.content}
    page.paragraph(
        "A theme groups codes under a thought of yours; it does not emerge by itself. Each step is kept, with who made it and why.",
        "why",
    )
    new = "A new theme"
    name = page.chosen("Theme", "theme", [new, *themes], labels)
    by = decider(found)
    theme = st.text_input(
        "Its short name", "" if name == new else name, disabled=name != new, key=f"theme {name}"
    ).strip()
    label = st.text_input("In words", labels.get(name, ""), key=f"theme label {name}")
    definition = st.text_area("What it says", definitions.get(name, ""), key=f"theme definition {name}", height=68)
    codes = _codes(material, decided)
    present = [one for one in themes.get(name, ()) if one in codes]
    chosen = st.multiselect(
        "Codes", codes, present, format_func=lambda one: _labels(material, codes)[one], key=f"theme codes {name}"
    )
    why = st.text_input("Reason (may stay empty)", key=f"theme why {name}")
    if st.button("Keep the theme", type="primary"):
        if not by or not theme or not chosen:
            page.told("Say who decides, give the theme a name, and choose its codes.")
        else:
            try:
                record_theme(
                    journal_of(found), theme, chosen, by=by, why=why, label=label.strip(), definition=definition.strip()
                )
            except WorkbenchError as error:
                page.tell_error(error)
            else:
                st.session_state["reading done"] = f"The theme {theme} is kept."
                page.remember(theme=theme)
                st.rerun()
    if name in {one.key for one in decided.themes} and st.button("Dissolve the theme"):
        record_theme(journal_of(found), name, [], by=by or "unnamed", why=why)
        st.session_state["reading done"] = f"The theme {name} is dissolved; that it was there stays on record."
        st.rerun()
    page.show_table(code_by_theme_table(codes_by_theme(decided.counted, themes), labels), {})


def _memos(found: Held, material: Material, decided: Decided) -> None:
    from workbench.coding.reading import memos
    from workbench.report.tables.excerpts import memos_table

    several = memos(decided, material)
    if not several or not has_journal(found):
        page.paragraph(
            "There is no memo that may be seen. Memos of an open round are their writer's alone; they stand in the panel."
        )
        return
    table = memos_table(several)
    rows = tuple({**row, "at": str(row["at"])[:16].replace("T", " ")} for row in table.rows)
    page.show_table(replace(table, rows=rows), {})


page.run_page("Reading", "What stands under a code, what stands together, and what it amounts to.", show, reads=False)
