"""The report checks itself: planted errors are found in every format, and nothing is found where all is well."""

from __future__ import annotations

import io
import math
import re
import zipfile

import pytest
from scipy.stats import chi2

from workbench.report.reread import ReadTable, Reread, from_html, from_latex, from_markdown, from_word
from workbench.report.self_check import Grain, Known, check_document, self_check_table, told
from workbench.results.chain import all_tables
from workbench.results.documents import known_of

READERS = {
    "report.html": lambda content: from_html(content.decode()),
    "report.docx": from_word,
    "report.tex": lambda content: from_latex(content.decode()),
    "report.md": lambda content: from_markdown(content.decode()),
}


@pytest.fixture(scope="module")
def known(demo) -> Known:
    return known_of(demo.analysis, list(all_tables(demo.analysis)))


def planted(demo, document: str, pattern: str, replacement: str) -> bytes:
    """The document with the first place that fits `pattern` changed."""
    content = (demo.results / document).read_bytes()
    if not document.endswith(".docx"):
        changed, times = re.subn(pattern, replacement, content.decode(), count=1, flags=re.DOTALL)
        assert times == 1, pattern
        return changed.encode()
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as source, zipfile.ZipFile(out, "w") as target:
        for name in source.namelist():
            part = source.read(name)
            if name == "word/document.xml":
                changed, times = re.subn(pattern, replacement, part.decode(), count=1, flags=re.DOTALL)
                assert times == 1, pattern
                part = changed.encode()
            target.writestr(name, part)
    return out.getvalue()


CELL = r"(</w:t></w:r></w:p></w:tc>(?:(?!<w:t ).)*<w:t [^>]*>)"
"""What lies between two cells of a Word table."""

ERRORS = {
    "chi-square in a sentence": ("report.md", r"(n = \d+\) = )\d+\.", r"\g<1>3."),
    "p in a sentence": ("report.md", r"(χ²\(3, n = 22\) = 2\.\d+, p = )\.\d+", r"\g<1>.045"),
    "degrees of freedom": ("report.md", r"χ²\(3,", "χ²(2,"),
    "n of a test": ("report.md", r"(χ²\(3, n = )\d+", r"\g<1>12"),
    "W": ("report.md", r"W = \.\d\d", "W = .72"),
    "an adjusted p below its own": ("report.md", r"(\| \.\d{3} \| )\.\d{3}( \| no \|)", r"\g<1>.001\2"),
    "a shift outside its interval": ("report.docx", r"by 0\.\d\d \[0", "by 7.92 [0"),
    "an interval turned round": ("report.docx", r"by (\d\.\d\d) \[(\d\.\d\d), (\d\.\d\d)\]", r"by \1 [\3, \2]"),
    "more pairs than there are": ("report.docx", r"The other \d of 6", "The other 8 of 6"),
    "an impossible p": ("report.docx", r"p = \.459", "p = 1.459"),
    "a mean off the scale": ("report.tex", r"(Still & 22 & 1 & \S+ \[\S+ \S+\] & )\d\.\d\d", r"\g<1>8.01"),
    "too large a spread": ("report.tex", r"(Still & 22 & 1 & \S+ \[\S+ \S+\] & \d\.\d\d & )\d", r"\g<1>4"),
    "people who are nowhere": ("report.tex", r"Still & 22 & 1 & ", "Still & 20 & 1 & "),
    "a median outside its quartiles": ("report.tex", r"(Still & 22 & 1 & )\d\.\d\d", r"\g<1>6.99"),
    "more different than there are pairs": ("report.html", r'(n_nonzero">)\d+', r"\g<1>33"),
    "an adjusted p in a table": ("report.html", r'(pairs/effort[^>]*p_adjusted">)[.\d]+', r"\g<1>.001"),
    "an alpha outside its interval": ("report.html", r'(reliability/[^>]*/alpha">)\.\d\d', r"\g<1>.05"),
    "an alpha above 1": ("report.md", r"\| \.\d\d (\\\[\.\d\d, \.\d\d\\\] \| \.\d\d \\\[)", r"| 1.20 \1"),
    "a mean rank": ("report.md", r"(\| Still \| \d+ \|(?: \d+ \|){5} )\d\.\d\d", r"\g<1>1.05"),
    "a share": ("report.html", r'(code_by_condition/[^>]*/share">)\d+', r"\g<1>1"),
    "a number that the results do not have": (
        "report.html",
        r'(data-id="pairs/[^"]*/hodges_lehmann"[^>]*>)\d',
        r"\g<1>9",
    ),
    "an id that the results do not have": ("report.html", r'data-id="omnibus/effort/p"', 'data-id="omnibus/effort/q"'),
    "two parts that are no whole": ("report.md", r"(\| Still − Slosh \| exploratory \| 22 \| )\d+", r"\g<1>21"),
}


@pytest.mark.parametrize("error", ERRORS)
def test_a_planted_error_is_found(demo, known, error):
    document, pattern, replacement = ERRORS[error]
    found, _ = check_document(document, READERS[document](planted(demo, document, pattern, replacement)), known)
    assert found, error
    assert all(one.document == document and one.found and one.expected for one in found)


def test_twenty_errors_are_planted():
    assert len(ERRORS) >= 20


@pytest.mark.parametrize("document", READERS)
def test_nothing_is_found_in_the_demo(demo, known, document):
    found, made = check_document(document, READERS[document]((demo.results / document).read_bytes()), known)
    assert found == []
    assert made > 300


def test_the_four_formats_say_the_same(demo):
    """Every table has the same cells in all of them."""
    read = {document: reader((demo.results / document).read_bytes()) for document, reader in READERS.items()}
    first = read["report.html"].tables
    for document, other in read.items():
        assert len(other.tables) == len(first), document
        for one, two in zip(first, other.tables, strict=True):
            assert one.header == two.header, (document, one.caption)
            assert len(one.rows) == len(two.rows), (document, one.caption)
            if document != "report.md":  # where markup is left out
                assert one.rows == two.rows, (document, one.caption)


# ---------------------------------------------------------------------------------- checks one by one


def problems(sentence: str = "", known: Known | None = None, **cells: str) -> list[str]:
    read = Reread()
    if sentence:
        read.sentences.append(("Heading", sentence))
    if cells:
        read.tables.append(ReadTable("Effort", "Table", list(cells), [list(cells.values())]))
    return [one.found for one in check_document("report.md", read, known or Known())[0]]


@pytest.mark.parametrize("statistic", [0.35, 2.64, 7.815, 16.71])
def test_p_from_chi_square_is_that_of_the_distribution(statistic):
    p = f"{chi2.sf(statistic, 3):.3f}".removeprefix("0")
    told = f"p = {p}" if p != ".001" and float(p) >= 0.001 else "p < .001"
    n, w = 22, statistic / 66
    assert problems(f"χ²(3, n = {n}) = {statistic:.2f}, {told}, W = {f'{w:.2f}'.removeprefix('0')}") == []


def test_an_exact_p_is_one_that_the_results_have():
    sentence = "χ²(3, n = 6) = 7.80, p = .030, W = .43"
    assert problems(sentence)
    assert problems(sentence, Known(exact=frozenset({("3", "6", "7.80", ".030")}))) == []


@pytest.mark.parametrize(
    ("n", "mean", "fits"),
    [(28, "5.19", False), (28, "5.18", True), (28, "5.21", True), (20, "3.45", True), (20, "3.47", False)],
)
def test_granularity_of_means(n, mean, fits):
    """28 whole numbers cannot have the mean 5.19: the example of Brown & Heathers 2017 (from memory)."""
    known = Known(grains={"Effort": Grain(1, 7, 1.0)})
    assert (problems(known=known, n=str(n), M=mean, SD="1.00") == []) is fits


def test_spread_against_range():
    known = Known(grains={"Effort": Grain(1, 7, 0.0)})
    most = math.sqrt(3 * 3 * 10 / 9)
    assert problems(known=known, n="10", M="4.00", SD=f"{most:.2f}") == []
    assert problems(known=known, n="10", M="4.00", SD=f"{most + 0.01:.2f}")
    assert problems(known=known, n="10", M="6.90", SD="2.00")


@pytest.mark.parametrize(
    ("sentence", "fits"), [("14 of 24 (58 %)", True), ("14 of 24 (59 %)", False), ("25 of 24", False), ("0 of 0", True)]
)
def test_shares_and_parts(sentence, fits):
    assert (problems(sentence) == []) is fits


def test_the_outcome_in_words_and_as_a_table():
    found, made = check_document("report.md", Reread([("H", "25 of 24")]), Known())
    assert "25 of 24" in told(found, made)
    assert "nothing" in told([], 3)
    assert self_check_table(found, made).rows[0]["expected"] == "at most 24"
