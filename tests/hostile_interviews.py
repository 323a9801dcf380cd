"""A small study whose words and codes try to break things: markup, formulas, emoji, both reading directions."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path

from study_folders import study_in

from workbench.codebook.model import Code, Codebook, Codebooks, Theme, with_changes
from workbench.codebook.tables import codebooks_csv
from workbench.coding.codings import CODING_COLUMNS
from workbench.study import Study

FORMULA, MARKUP, PLAIN = '=HYPERLINK("x")', "<b>& 50 % a/b", "HEFT"
BOOK = Codebook(
    "1",
    (Code(FORMULA, "=1+1", "T", definition="d"), Code(MARKUP, "<i>Markup</i>", "T"), Code(PLAIN, "Weight")),
    (Theme("T", "Traps"),),
)
A01 = """I: <script>alert(1)</script> and now?
A01: =SUM(A1) 🥄🥄 is <b>heavy</b>, very *heavy*. 👩🏽‍🍳 Heavy!
I: Mhm.
A01: And "quoted", so.
I: Anything else?
A01: # No.
"""
A02 = """I: מה הרגשת?
A02: הסיר היה כבד מאוד, heavy ממש 🥄 (כן).
I: תודה.
"""
A03 = """I: Go on.
A03: ZANZIBAR was heavy.
I: Who else?
A03: Only ZANZIBAR.
"""
ROWS = (
    ("A01", "A01-002", "", "", "R1", PLAIN, "still+slosh", "mixed"),
    ("A01", "A01-002", "24", "29", "R1", MARKUP, "slosh", "against"),
    ("A01", "A01-002", "0", "8", "R1", FORMULA, "", ""),
    ("A01", "A01-006", "", "", "R1", "", "", ""),
    ("A02", "A02-002", "", "", "R1", PLAIN, "still", "for"),
    ("A02", "A02-002", "9", "12", "R1", MARKUP, "", ""),
    ("A03", "A03-002", "", "", "R1", PLAIN, "still", "against"),
    ("A03", "A03-004", "", "", "R1", PLAIN, "", ""),
)


def hostile_study(folder: Path, *, share: Sequence[str] = ("A01", "A02", "A03"), codings: bool = True) -> Study:
    """The study in a folder; A03 does not allow quotes, `share` are those who allow sharing."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(CODING_COLUMNS)
    for who, unit, start, end, rater, *coded in ROWS:
        writer.writerow([who, who, unit, start, end, rater, "main", "1", *coded])
    permissions = {who: {"quotes": who != "A03", "share": who in share} for who in ("A01", "A02", "A03")}
    interviews = {
        "mode": "coding reliability",
        "raters": ["R1", "R2"],
        "primary_rater": "R1",
        "rounds": [{"id": "main", "kind": "main"}],
        "transcripts": ["transcripts/{participant}.txt"],
        "speakers": {"I": "interviewer"},
        "languages": {"A02": "he"},
        "codebook": "codebook.csv",
    }
    files = {f"transcripts/{who}.txt": text for who, text in (("A01", A01), ("A02", A02), ("A03", A03))}
    files |= {"codebook.csv": codebooks_csv(Codebooks(with_changes([BOOK]))), "codings.csv": out.getvalue()}
    return study_in(
        folder,
        files=files,
        participants={"ids": ["A01", "A02", "A03"], "permissions": permissions},
        interviews=interviews | ({"codings": ["codings.csv"]} if codings else {}),
        language="en",
    )
