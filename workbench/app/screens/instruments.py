"""Instruments: browse the library, see one as a participant does, make or adapt one for this study."""

from __future__ import annotations

import re

import streamlit as st

from workbench.app import page
from workbench.app.held import Held
from workbench.errors import StudyError, WorkbenchError
from workbench.instrument import LONGEST_ID, Instrument, library, read_instrument

VIEWS = ("Browse", "Make", "Adapt")
PREVIEW_HEIGHT = 620
ID = r"[A-Za-z][A-Za-z0-9_-]*"


def show(held: Held) -> None:
    view = page.view("instruments_view", VIEWS)
    page.tell_done("instrument saved")
    {"Browse": _browse, "Make": _make, "Adapt": _adapt}[view](held)


def _browse(held: Held) -> None:
    from workbench.report.form import library_table

    known = held.once("library", lambda: library_table(held.folder))
    titles = _titles(held)
    name = page.chosen("Instrument", "library", list(titles), titles)
    path = library(held.folder)[name]
    own = path.is_relative_to(held.folder)
    instrument = held.once(f"instrument {name}", lambda: read_instrument(path, path.name))
    page.say(f"<h2><bdi>{page.text(instrument.title)}</bdi></h2>")
    if own:
        page.paragraph("This study's own; it stands before one of the library with the same name.", "soft")
    _preview(instrument)
    with st.expander("All instruments"):
        page.show_table(known, {}, notes=False)


def _titles(held: Held) -> dict[str, str]:
    """Every instrument by its id, with its title."""
    from workbench.report.form import library_table

    known = held.once("library", lambda: library_table(held.folder))
    return {str(row["id"]): f"{row['title']} ({row['id']})" for row in known.rows}


def _preview(instrument: Instrument) -> None:
    """What a researcher should know, the form as a participant sees it, and its key."""
    from workbench.report.form import facts, form_page, scoring_table

    page.facts(facts(instrument))
    page.say("<h3>As a participant sees it</h3>")
    st.iframe(
        _participants_part(form_page(instrument)),
        height=PREVIEW_HEIGHT,
        alt="The questionnaire as a participant sees it",
    )
    page.show_markup(scoring_table(instrument))
    st.download_button("Download the form to print", form_page(instrument), f"{instrument.id}.html", "text/html")


def _participants_part(page_of_form: str) -> str:
    """A form without what stands on it for the researcher alone."""
    return page_of_form.replace("</head>", "<style>.desk { display: none; }</style></head>", 1)


def _make(held: Held) -> None:
    from workbench.instrument_edits import Draft, drafted_text

    page.paragraph(
        "Look for a published scale first: wording that others have tested says more than new wording can. Of 60 studies in "
        "the field 34 % of the scales were adapted, and 37 % of the papers reported any check of quality (Perrig et al. 2024).",
        "why",
    )
    left, right = st.columns(2)
    title = left.text_input("Title", key="draft title")
    made = named_after(title)
    name = right.text_input("Id (letters, digits, _)", key="draft id", placeholder=made).strip() or made
    instruction = st.text_input("Instruction", "How far does each sentence fit?", key="draft instruction")
    items = st.text_area(
        "Statements, one in a line; put (r) at the end of a reversed one", height=150, key="draft items"
    ).splitlines()
    low, low_words, high, high_words = st.columns([1, 2, 1, 2])
    lowest = low.number_input("Lowest point", value=1, step=1, key="draft low")
    low_anchor = low_words.text_input("Words at the lowest", "Not at all", key="draft low words")
    highest = high.number_input("Highest point", value=7, step=1, key="draft high")
    high_anchor = high_words.text_input("Words at the highest", "Completely", key="draft high words")
    first, second, third = st.columns(3)
    higher = first.text_input("Higher means", key="draft higher")
    score = second.selectbox("Score", ["mean", "sum"], key="draft score")
    needed = third.number_input(
        "Answers needed for a score (0: all)",
        min_value=0,
        max_value=max(len(items), 1),
        value=0,
        step=1,
        key="draft needed",
    )
    if not (title.strip() and name and any(line.strip() for line in items)):
        page.paragraph("Give a title and at least one statement; the form and its checks then appear here.", "soft")
        return
    if not re.fullmatch(ID, name):
        page.told("The id begins with a letter and has letters, digits, - and _ alone, no spaces.")
        return
    draft = Draft(
        name,
        title.strip(),
        "Made for this study.",
        instruction.strip(),
        items,
        int(lowest),
        int(highest),
        low_anchor.strip(),
        high_anchor.strip(),
        title.strip(),
        "sum" if score == "sum" else "mean",
        int(needed) or None,
        higher.strip(),
        "Written for this study.",
    )
    _check_and_save(held, drafted_text(draft))


def named_after(title: str) -> str:
    """An id made of a title, "" where it has no letter to begin with."""
    return re.sub(r"[^a-z0-9]+", "_", title.casefold()).strip("_0123456789")[: LONGEST_ID - 3]


def _adapt(held: Held) -> None:
    from workbench.instrument_edits import adapted_text

    page.paragraph(
        "An adapted scale is another scale: what is known of the original does not simply hold for it. Change as little as the "
        "study needs, and report the change (Perrig et al. 2024). The file says so by itself.",
        "why",
    )
    titles = _titles(held)
    base = page.chosen("Adapt which instrument", "adapted", list(titles), titles)
    name = st.text_input("Id of the new one", f"{base}_own", key=f"adapted id {base}")
    start = adapted_text(base, name.strip(), held.folder)
    text = st.text_area("The instrument's file (TOML)", start, height=420, key=f"adapted text {base} {name}")
    with st.expander("What each key means"):
        page.handbook("instrument-toml")
    _check_and_save(held, text)


def _check_and_save(held: Held, text: str) -> None:
    from workbench.instrument_edits import checked_instrument, save_instrument

    page.heading("Checked")
    try:
        instrument = checked_instrument(text)
    except StudyError as error:
        page.tell_faults(error, "this instrument", "Mend it above.")
        return
    except WorkbenchError as error:
        page.tell_error(error)
        return
    page.paragraph("Sound: it can be saved and asked.", "done")
    _preview(instrument)
    with st.expander("The file"):
        st.code(text, language="toml", wrap_lines=True)
    replacing = st.checkbox("Replace a file of the same name (the older one is kept beside it)", key="replacing")
    if st.button("Save into the study", type="primary"):
        try:
            saved = save_instrument(held.folder, text, replacing=replacing)
        except (WorkbenchError, OSError) as error:
            page.tell_error(error)
            return
        st.session_state["instrument saved"] = (
            f"Saved as {saved}. Bring in its answers on the page Responses; it is found there by its id and wording."
        )
        page.remember(instruments_view="Browse", library=instrument.id)
        st.rerun()


page.run_page(
    "Instruments", "The questionnaires of the library and of this study, as participants see them.", show, reads=False
)
