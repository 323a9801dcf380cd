"""The pages of the app, in the order of the work: the one list to which a new page is added."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

PAGES_FOLDER = Path(__file__).with_name("screens")  # a folder called pages would be taken up by Streamlit itself


@dataclass(frozen=True, slots=True)
class PageEntry:
    """A page: `name` is its file and address, `title` stands in the navigation under the heading `part`."""

    name: str
    title: str
    part: str

    @property
    def file(self) -> Path:
        return PAGES_FOLDER / f"{self.name}.py"


PAGES = (
    PageEntry("study", "Study", "Data"),
    PageEntry("instruments", "Instruments", "Data"),
    PageEntry("responses", "Responses", "Data"),
    PageEntry("interviews", "Transcripts", "Interviews"),
    PageEntry("rounds", "Rounds", "Interviews"),
    PageEntry("coding", "Coding", "Interviews"),
    PageEntry("reading", "Reading", "Interviews"),
    PageEntry("agreement", "Agreement", "Interviews"),
    PageEntry("reliability", "Reliability", "Results"),
    PageEntry("conditions", "Conditions", "Results"),
    PageEntry("preferences", "Preferences", "Results"),
    PageEntry("report", "Report", "Results"),
)
