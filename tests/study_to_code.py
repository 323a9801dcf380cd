"""A study to code in the app: invented words in many scripts, with markup, emoji and a turn of 5,000 words."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from packets import COMBINED, FAMILY, FLAG
from study_folders import study_in

from workbench.codebook.model import Code, Codebook, Codebooks, Theme, with_changes
from workbench.codebook.tables import codebooks_csv
from workbench.study import Study

BOOK = Codebook(
    "1",
    (
        Code("HEFT", "The pot has weight", "WEIGHT", definition="Said to be heavy or light.", when_to_use="Weight."),
        Code("SWAY", "Sees the soup move", "WEIGHT", definition="The soup moves."),
        Code("VOICE", "The voice helps", definition="The voice is spoken of."),
    ),
    (Theme("WEIGHT", "How weight comes across"),),
)
MANY = f"""I: Invented for tests. How was the pot?
A01: Heavy {FAMILY} and real {FLAG}. Über alle Maßen, n{COMBINED}tt and warm.
I: And then?
A01: שלום למטבח הקטן, that is it.
I: Anything else?
A01: Bye then.
"""
MARKUP = """I: Go on.
A02: <script>document.title = "run"</script><img src="https://example.org/i.png" onerror="document.title='run'"> ![i](https://example.org/m.png)
I: More?
A02: """
PLAIN = "I: Tell me.\n{who}: It was heavy.\nI: And the soup?\n{who}: It came late.\nI: The voice?\n{who}: She helped {who}.\n"


def study_to_code(folder: Path, *, units: str = "answers", raters: int = 2, long: int = 0) -> Study:
    """Three short transcripts; `long` adds one, A04, of so many answers."""
    words = " ".join(f"word{number}" for number in range(5000))
    files = {
        "transcripts/A01.txt": MANY,
        "transcripts/A02.txt": MARKUP + words + "\n",
        "transcripts/A03.txt": PLAIN.format(who="A03"),
        "codebook.csv": codebooks_csv(Codebooks(with_changes([BOOK]))),
    }
    people = ["A01", "A02", "A03"]
    if long:
        people.append("A04")
        files["transcripts/A04.txt"] = "".join(
            f"I: Question {one}?\nA04: Answer number {one} it is.\n" for one in range(long)
        )
    interviews: dict[str, Any] = {
        "mode": "coding reliability",
        "raters": [f"R{number}" for number in range(1, raters + 1)],
        "primary_rater": "R1",
        "rounds": [{"id": "first", "kind": "reliability"}, {"id": "agreed", "kind": "consensus"}],
        "transcripts": ["transcripts/{participant}.txt"],
        "speakers": {"I": "interviewer"},
        "languages": {"A02": "en"},
        "units": units,
        "codebook": "codebook.csv",
    }
    permissions = {who: {"quotes": True, "share": True} for who in people}
    return study_in(
        folder,
        files=files,
        participants={"ids": people, "permissions": permissions},
        interviews=interviews,
        language="en",
    )
