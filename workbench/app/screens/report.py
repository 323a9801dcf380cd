"""Report: choose its parts, build it, look at it and take it with you."""

from __future__ import annotations

from typing import Any

import streamlit as st

from workbench.app import page
from workbench.app.held import Held
from workbench.app.jobs import Job, Stopped

EVERY = 0.4
"""Seconds between two looks at how far the work is."""
LOOK_HEIGHT = 900


def show(held: Held) -> None:
    from workbench.results.folder import write_results
    from workbench.results.parts import build

    evidence = held.evidence
    page.paragraph(
        "The report says what the data fill of a reporting standard: numbers taking part, exclusions, what is missing, "
        "reliability, exact p, effects with intervals, planned and exploratory apart. Rationale, recruitment, ethics and limits are yours to "
        "write (JARS-Quant, Appelbaum et al. 2018, as we recall it).",
        "why",
    )
    built = _worked("report", held, "Build the report", lambda progress: build(evidence, progress))
    if built is not None:
        _choose(held, built)
    page.heading("The results folder")
    page.paragraph(
        "Tables as CSV and JSON, figures as SVG, the whole report and a manifest of inputs, plan, versions and seed go to "
        "results/ in the study folder, as with the command “workbench report”. Earlier results stay whole until the new ones are complete.",
        "soft",
    )
    written = _worked(
        "folder", held, "Write the results folder", lambda progress: write_results(held.folder, progress=progress)
    )
    if written is not None:
        page.told("The results folder is written: results/report.html is its page.", "done")


def _worked(name: str, held: Held, label: str, work: Any) -> Any:
    """The result of work for these files; until it is there, a button that starts it, or progress with a way to stop."""
    key = f"job {name} {held.stamp}"
    job: Job[Any] | None = st.session_state.get(key)
    if job is None or (isinstance(job.error, Stopped)):
        if job is not None:
            page.told(str(job.error), "done")
        if st.button(label, type="primary" if name == "report" else "secondary"):
            st.session_state[key] = Job(work)
            st.rerun()
        return None
    if job.running:
        _watch(name, job)
        return None
    if job.error is not None:
        del st.session_state[key]
        raise job.error
    return job.result


@st.fragment(run_every=EVERY)
def _watch(name: str, job: Job[Any]) -> None:
    if not job.running:
        st.rerun()
    st.progress(job.share, text=f"{round(100 * job.share)} % done; a busy machine may need a minute")
    if st.button("Stop", key=f"stop {name}"):
        job.stop()


def _choose(held: Held, built: Any) -> None:
    from workbench.results.parts import packed, page_of

    page.heading("Its parts")
    columns = st.columns(3)
    chosen = [
        anchor
        for number, (anchor, title) in enumerate(built.parts)
        if columns[number % 3].checkbox(title, value=True, key=f"part {anchor}")
    ]
    name = built.analysis.evidence.study.declared.id
    markup = held.once(f"page {chosen}", lambda: page_of(built, chosen))
    left, right = st.columns(2)
    left.download_button("Download the report (HTML)", markup, f"{name}-report.html", "text/html", on_click="ignore")
    right.download_button(
        "Download report, tables and figures (ZIP)",
        lambda: packed(built, markup),
        f"{name}-results.zip",
        "application/zip",
        on_click="ignore",
    )
    page.heading("A look at it")
    st.iframe(markup, height=LOOK_HEIGHT, alt="The report")


page.run_page("Report", "Build it, choose its parts, look at it, take it with you.", show)
