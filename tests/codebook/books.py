"""Small codebooks for the tests."""

from __future__ import annotations

import csv
import io
from pathlib import Path

from hypothesis import strategies as st

from workbench.codebook.model import Code, Codebook, Codebooks, Theme
from workbench.codebook.tables import COLUMNS, read_codebooks

FULL = {
    "label": "Apple",
    "definition": "red fruit",
    "when_to_use": "for fruit that is red",
    "when_not_to_use": "for pears",
    "example": "I ate it",
    "near_miss": "I saw it",
}


def written(folder: Path, *rows: dict[str, str], columns: tuple[str, ...] = COLUMNS) -> Path:
    """A codebook file of these rows; version 1 where a row names none."""
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, columns, restval="")
    writer.writeheader()
    writer.writerows({"version": "1"} | row for row in rows)
    path = folder / "codebook.csv"
    path.write_text(out.getvalue(), encoding="utf-8")
    return path


def read(folder: Path, *rows: dict[str, str]) -> Codebooks:
    return read_codebooks(written(folder, *rows), "codebook.csv")


_LETTERS = st.characters(exclude_categories=("Cs", "Cc", "Zl", "Zp"), include_characters="\n#*`:\\- .Label")
TEXTS = st.text(_LETTERS, max_size=40).map(str.strip)
_NAMES = st.text(st.characters(categories=("Lu", "Ll", "Nd"), include_characters=" _-"), min_size=1, max_size=8).map(
    lambda text: " ".join(text.split())
)


@st.composite
def codebooks(draw: st.DrawFn) -> Codebook:
    """Any codebook that a file can hold: codes below others, in themes, with any text in the fields."""
    names = draw(st.lists(_NAMES.filter(bool), min_size=1, max_size=5, unique_by=str.casefold))
    themes = draw(st.lists(_NAMES.filter(bool), max_size=2, unique=True))
    codes = []
    for place, name in enumerate(names):
        codes.append(
            Code(
                name,
                theme=draw(st.sampled_from(["", *themes])),
                parent=draw(st.sampled_from(["", *names[:place]])),
                **{field: draw(TEXTS) for field in ("label", "definition", "when_not_to_use", "near_miss", "reason")},
                merged_from=tuple(draw(st.lists(st.sampled_from("XYZ"), unique=True))),
            )
        )
    return Codebook("1", tuple(codes), tuple(Theme(one, draw(TEXTS), draw(TEXTS)) for one in themes))
