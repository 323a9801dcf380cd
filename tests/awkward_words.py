"""Words that no one would choose: markup, commands, formulas, other scripts, emoji, very long names; a table and a report of them."""

from __future__ import annotations

from workbench.report.document import Headline, Part, Report, Section
from workbench.report.table import Column, Table

AWKWARD = [
    r"\input{/etc/passwd} \write18{rm} % & # _ ^ ~ $x$ {",
    "50 % of 3 < 5 & 7 > 2",
    "שלום עולם",
    "مرحبا",
    "👩\u200d🔬 laboratory 🧪",
    "x" * 200,
    "word " * 40,
    "[5pt] * [",
    "“quoted” – ‘so’ … a−b χ² = .5, η²",
    "two\nlines",
    "",
    "=SUM(A1)",
    "Łódź Größe naïve ſ ŋ",
]
COLUMNS = (Column("label", "La_bel & co"), Column("n", "n", "count"), Column("p", "p", "p"))


def awkward_table(words: list[str] = AWKWARD) -> Table:
    rows = tuple({"label": text, "n": place, "p": 0.0004 * place} for place, text in enumerate(words))
    return Table("awkward", "A title with 100 % & $5_000", COLUMNS, rows, ("A note: ~ ^ \\ {}", *words))


def awkward_report() -> Report:
    headlines = tuple(Headline(text, "primary", text, text) for text in AWKWARD)
    part = Part(AWKWARD[0], tuple(AWKWARD), (), (awkward_table(), awkward_table(AWKWARD * 4)))
    sections = (Section("s", AWKWARD[2], (part,)),)
    return Report(AWKWARD[0], AWKWARD[3], "en", headlines, sections, tuple(AWKWARD), (("a_b", "c%"),), ("nothing",))
