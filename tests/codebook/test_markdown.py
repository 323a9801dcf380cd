"""A codebook as a page, and back."""

from __future__ import annotations

from dataclasses import replace

import pytest
from codebook.books import codebooks
from hypothesis import given
from study_folders import faults_of

from workbench.codebook.markdown import codebook_markdown, read_markdown
from workbench.codebook.model import Code, Codebook, Theme

BOOK = Codebook(
    "2",
    (
        Code("A", "Apple", "FRUIT", definition="red\n\n# not a heading\n**Label.** no field", merged_from=("X", "Y")),
        Code("B", parent="A"),
    ),
    (Theme("FRUIT", "Fruit", "grows on trees"),),
    parent_version="1",
    author="R1",
    reason="pilot",
    retired={"C": "rare"},
)


def test_a_page_reads_as_it_should():
    page = codebook_markdown(BOOK)
    assert page.startswith("# Codebook, version 2\n\n**Made from version.** 1\n\n**Author.** R1\n\n**Reason.** pilot\n")
    assert (
        "## Theme `FRUIT`\n\n**Label.** Fruit\n\n**Definition.** grows on trees\n\n### `A`\n\n**Label.** Apple" in page
    )
    assert "**Merged from.** X;Y" in page
    assert page.endswith(
        "## Codes without a theme\n\n### `B`\n\n**Below.** A\n\n## Retired\n\n### `C`\n\n**Reason.** rare\n"
    )


def test_text_that_looks_like_markup_comes_back():
    assert read_markdown(codebook_markdown(BOOK), "page.md") == BOOK


@given(codebooks())
def test_what_is_written_is_read_again(book):
    back = read_markdown(codebook_markdown(book), "page.md")
    by_theme = [code for theme in [*(one.theme for one in book.themes), ""] for code in book.codes_of(theme)]
    assert back == replace(book, codes=tuple(by_theme))


@pytest.mark.parametrize(
    ("page", "places"),
    [
        ("# Something else\n", ["line 1"]),
        ("", ["line 1"]),
        ("# Codebook, version 1\n\n### A\n\n## `B`\n", ["line 3", "line 5"]),
        ("# Codebook, version 1\n\n### `A`\n\n**Colour.** red\n", ["line 5"]),
        ("# Codebook, version 1\n\n### `A`\n\n**Label.** red\n**Label.** blue\n", ["line 6"]),
        ("# Codebook, version 1\n\n### `A`\n\nwords of nobody\n", ["line 5"]),
    ],
)
def test_other_pages_are_refused(page, places):
    assert [one.place for one in faults_of(read_markdown, page, "page.md")] == places
