"""The report checks itself: written documents are read back, and what can be worked out anew is worked out anew.

p from statistic and degrees of freedom, W from chi-square, means against n and the steps of the scale (after the
granularity test of Brown & Heathers 2017, Social Psychological and Personality Science 8:363), spreads against
the range, shares against counts, and every number that bears an id against the results. A number that is rounded is taken for
all it could have been before.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from math import ceil, floor, inf, isfinite, sqrt

from workbench.report.reread import ReadTable, Reread
from workbench.report.table import Column, Table

_NUMBER = r"[−-]?(?:\d+(?:\.\d+)?|\.\d+)"
_SLACK = 1e-9


@dataclass(frozen=True, slots=True)
class Inconsistency:
    """Something in a document that does not fit together: where it stands, what it says, and what would fit."""

    document: str
    place: str
    found: str
    expected: str


@dataclass(frozen=True, slots=True)
class Grain:
    """The values one measure can take: from `low` to `high` in steps of `step` (0: any value between)."""

    low: float
    high: float
    step: float


@dataclass(frozen=True, slots=True)
class Known:
    """What the checks know of the study: grains by label of the measure, tests whose p is exact, numbers by id.

    `exact` holds (df, n, chi-square, p) as shown, of tests whose p comes from another distribution than chi-square's;
    `shown` each number by id, in every style that it may have.
    """

    grains: Mapping[str, Grain] = field(default_factory=dict)
    exact: frozenset[tuple[str, str, str, str]] = frozenset()
    shown: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    participants: int = 0


@dataclass(frozen=True, slots=True)
class _Rounded:
    """A number as shown, and from where to where it could reach before rounding."""

    low: float
    high: float
    value: float

    def meets(self, low: float, high: float) -> bool:
        return self.low <= high + _SLACK and low <= self.high + _SLACK


def _rounded(text: str) -> _Rounded | None:
    """A shown number; None for text, undefined and infinite."""
    plain = text.strip().replace("−", "-").removesuffix(" %").removesuffix("%")
    if re.fullmatch(r"< \.001", plain):
        return _Rounded(0.0, 0.001, 0.0005)
    if not re.fullmatch(r"-?(?:\d+(?:\.\d+)?|\.\d+)", plain):
        return None
    half = 0.5 * 10.0 ** -len(plain.partition(".")[2])
    value = float(plain)
    return _Rounded(value - half, value + half, value)


def check_document(document: str, read: Reread, known: Known) -> tuple[list[Inconsistency], int]:
    """What does not fit in a document, and how many checks were made."""
    found: list[Inconsistency] = []
    made = 0
    for place, problem in _problems(read, known):
        made += 1
        if problem:
            found.append(Inconsistency(document, place[:120], *problem))
    return list(dict.fromkeys(found)), made


_Problem = tuple[str, str] | None


def _problems(read: Reread, known: Known) -> Iterator[tuple[str, _Problem]]:
    for heading, sentence in read.sentences:
        for problem in _in_sentence(sentence, known):
            yield f"{heading}: {sentence[:60]}", problem
    for table in read.tables:
        for row in table.rows:
            cells = dict(zip(table.header, row, strict=False))
            for problem in _in_row(table, cells, known):
                yield f"{table.heading}, {table.caption}: {row[0] if row else ''}", problem
    for identity, text in read.numbers:
        yield identity, _against_results(identity, text, known)


# ------------------------------------------------------------------------------------------ sentences


def _in_sentence(sentence: str, known: Known) -> Iterator[_Problem]:
    pattern = rf"χ²\((\d+), n = (\d+)\) = ({_NUMBER}), p (?:= )?(< \.001|{_NUMBER})(?:, adjusted p (?:= )?(< \.001|{_NUMBER}))?, W = ({_NUMBER})"
    for match in re.finditer(pattern, sentence):
        df, n, statistic, p, adjusted, w = match.groups()
        yield _p_of_chi_square(df, n, statistic, p, known)
        yield _w_of_chi_square(df, n, statistic, w)
        if adjusted:
            yield _not_below(adjusted, p, "An adjusted p", "its own p")
    for match in re.finditer(rf"by ({_NUMBER}) \[({_NUMBER}), ({_NUMBER})\]", sentence):
        yield _inside(*match.groups())
    for match in re.finditer(rf"\[({_NUMBER}), ({_NUMBER})\]", sentence):
        yield _in_order(match[1], match[2])
    for match in re.finditer(r"\b(\d+) of (\d+)\b(?: \((\d+) %\))?", sentence):
        yield _part_of(match[1], match[2])
        if match[3]:
            yield _share_of(match[1], match[2], match[3])
    for match in re.finditer(rf"\bp = ({_NUMBER})", sentence):
        yield _between(match[1], 0, 1, "A p")
    for match in re.finditer(rf"\bW = ({_NUMBER})", sentence):
        yield _between(match[1], 0, 1, "W")


def _p_of_chi_square(df: str, n: str, statistic: str, p: str, known: Known) -> _Problem:
    from scipy.special import chdtrc

    shown, value = _rounded(p), _rounded(statistic)
    if shown is None or value is None:
        return None
    low, high = float(chdtrc(int(df), value.high)), float(chdtrc(int(df), max(value.low, 0.0)))
    if shown.meets(low, high) or (df, n, statistic, p) in known.exact:
        return None
    return (
        f"p {p} with chi-square {statistic} on {df} degrees of freedom (n = {n})",
        f"p from {low:.4f} to {high:.4f}, or the exact p of the results",
    )


def _w_of_chi_square(df: str, n: str, statistic: str, w: str) -> _Problem:
    value, shown = _rounded(statistic), _rounded(w)
    if value is None or shown is None or not int(n) * int(df):
        return None
    low, high = value.low / (int(n) * int(df)), value.high / (int(n) * int(df))
    return (
        None
        if shown.meets(low, high)
        else (f"W {w} with chi-square {statistic}, n = {n}, df = {df}", f"W from {low:.4f} to {high:.4f}")
    )


def _not_below(text: str, other: str, what: str, than: str) -> _Problem:
    one, two = _rounded(text), _rounded(other)
    if one is None or two is None or one.high >= two.low - _SLACK:
        return None
    return f"{what} of {text} below {than}, {other}", "at least as large"


def _inside(value: str, low: str, high: str) -> _Problem:
    numbers = [_rounded(text) for text in (value, low, high)]
    if any(one is None for one in numbers):
        return None
    one, two, three = (number for number in numbers if number)
    fits = two.low - _SLACK <= one.high and one.low <= three.high + _SLACK
    return None if fits else (f"{value} outside its interval [{low}, {high}]", "an estimate inside it")


def _in_order(low: str, high: str) -> _Problem:
    one, two = _rounded(low), _rounded(high)
    return (f"[{low}, {high}]", "the low end first") if one and two and one.value > two.value else None


def _part_of(part: str, whole: str) -> _Problem:
    return (f"{part} of {whole}", f"at most {whole}") if int(part) > int(whole) else None


def _share_of(part: str, whole: str, percent: str) -> _Problem:
    shown = _rounded(percent)
    if shown is None or not int(whole):
        return None
    share = 100 * int(part) / int(whole)
    return None if shown.meets(share, share) else (f"{percent} % for {part} of {whole}", f"{share:.1f} %")


def _between(text: str, low: float, high: float, what: str) -> _Problem:
    shown = _rounded(text)
    if shown is None or shown.meets(low, high):
        return None
    return f"{what} of {text}", f"from {low:g} to {high:g}"


# --------------------------------------------------------------------------------------------- tables


def _in_row(table: ReadTable, cells: Mapping[str, str], known: Known) -> Iterator[_Problem]:
    for label, cell in cells.items():
        yield from _in_cell(label, cell)
    if {"χ²", "df", "n", "p", "W"} <= cells.keys() and _rounded(cells["df"]) and _rounded(cells["n"]):
        yield _p_of_chi_square(cells["df"], cells["n"], cells["χ²"], cells["p"], known)
        yield _w_of_chi_square(cells["df"], cells["n"], cells["χ²"], cells["W"].split(" [")[0])
    if {"p", "p adjusted"} <= cells.keys():
        yield _not_below(cells["p adjusted"], cells["p"], "An adjusted p", "its own p")
    for part, whole in (
        ("Non-zero", "n"),
        ("Same decision", "Other choices"),
        ("Double coded", "Units"),
        ("Raised it", "Interviewed"),
    ):
        if part in cells and whole in cells:
            yield _count_of(cells[part], cells[whole])
    if {"Raised it", "Interviewed", "Share"} <= cells.keys() and cells["Interviewed"].isdecimal():
        yield _share_of(cells["Raised it"], cells["Interviewed"], cells["Share"])
    if {"First above", "Second above", "Same rank", "n"} <= cells.keys():
        yield _adds_up([cells["First above"], cells["Second above"]], cells["n"])
    if "Mean rank" in cells:
        yield _mean_rank(cells)
    if {"n", "M", "SD"} <= cells.keys():
        yield from _descriptives(table, cells, known)


def _in_cell(label: str, cell: str) -> Iterator[_Problem]:
    match = re.fullmatch(rf"({_NUMBER}) \[({_NUMBER}), ({_NUMBER})\]", cell)
    if match:
        yield _in_order(match[2], match[3])
    if match and label in ("Shift", "Mdn", "Alpha"):
        yield _inside(*match.groups())
    value = cell.split(" [")[0]
    if label in ("p", "p adjusted", "Smallest p", "Largest p"):
        yield _between(value, 0, 1, label)
    if label in ("r", "W", "Alpha", "Kappa", "AC1", "Omega", "Within persons"):
        yield _between(value, -1 if label == "r" else -inf, 1, label)


def _count_of(part: str, whole: str) -> _Problem:
    return _part_of(part, whole) if part.isdecimal() and whole.isdecimal() else None


def _adds_up(parts: Sequence[str], whole: str) -> _Problem:
    if not all(part.isdecimal() for part in (*parts, whole)) or sum(map(int, parts)) == int(whole):
        return None
    return f"{' and '.join(parts)}, together not {whole}", whole


def _mean_rank(cells: Mapping[str, str]) -> _Problem:
    counts = [int(cells[label]) for label in cells if re.fullmatch(r"Rank \d+", label) and cells[label].isdecimal()]
    shown = _rounded(cells["Mean rank"])
    if shown is None or not sum(counts) or cells.get("Shared ranks", "0") != "0":
        return None
    mean = sum(rank * count for rank, count in enumerate(counts, start=1)) / sum(counts)
    return None if shown.meets(mean, mean) else (f"a mean rank of {cells['Mean rank']}", f"{mean:.2f} from the counts")


def _descriptives(table: ReadTable, cells: Mapping[str, str], known: Known) -> Iterator[_Problem]:
    mean, sd = _rounded(cells["M"]), _rounded(cells["SD"])
    grain = next((known.grains[label] for label in _measures_of(table, cells, known)), None)
    if not cells["n"].isdecimal() or mean is None:
        return
    n = int(cells["n"])
    if cells.get("Missing", "").isdecimal() and known.participants and n + int(cells["Missing"]) != known.participants:
        yield f"{n} values and {cells['Missing']} missing", f"{known.participants} together"
    if sd is not None and sd.value < 0:
        yield f"an SD of {cells['SD']}", "0 or more"
    if grain is None:
        return
    yield _mean_on_grain(mean, n, grain, cells["M"])
    if sd is not None and isfinite(grain.low) and isfinite(grain.high) and n > 1:
        yield _sd_within_range(mean, sd, n, grain, cells)


def _measures_of(table: ReadTable, cells: Mapping[str, str], known: Known) -> list[str]:
    """The measure of a row: named in the row, or in the heading that it stands under."""
    named = [cells.get(label, "") for label in ("Label", "Measure")]
    headed = re.sub(r" \((primary|exploratory)\)$", "", table.heading)
    return [label for label in (*named, headed) if label in known.grains]


def _mean_on_grain(mean: _Rounded, n: int, grain: Grain, text: str) -> _Problem:
    if not mean.meets(grain.low, grain.high):
        return f"a mean of {text}", f"from {grain.low:g} to {grain.high:g}"
    if not grain.step or not isfinite(grain.low):
        return None
    unit = grain.step / n
    first, last = ceil((mean.low - grain.low) / unit - 1e-6), floor((mean.high - grain.low) / unit + 1e-6)
    return (
        None
        if first <= last
        else (
            f"a mean of {text} of {n} values in steps of {grain.step:.4g}",
            f"{grain.low + last * unit:.3f} or {grain.low + first * unit:.3f}",
        )
    )


def _sd_within_range(mean: _Rounded, sd: _Rounded, n: int, grain: Grain, cells: Mapping[str, str]) -> _Problem:
    middle = min(max((grain.low + grain.high) / 2, mean.low), mean.high)
    most = sqrt(max((grain.high - middle) * (middle - grain.low), 0.0) * n / (n - 1))
    return (
        None
        if sd.low <= most + _SLACK
        else (f"an SD of {cells['SD']} with a mean of {cells['M']} and n = {n}", f"at most {most:.2f}")
    )


# -------------------------------------------------------------------------------------------- results


def _against_results(identity: str, text: str, known: Known) -> _Problem:
    """A number that bears an id, as the results have it; the sign of a shift told from its other end may be turned."""
    if identity not in known.shown:
        return f"{text} bears the id {identity}", "an id of the results"
    there = known.shown[identity]
    told = text.removeprefix("p = ").removeprefix("p ")
    turned = "/hodges_lehmann" in identity and told.lstrip("−") in [one.lstrip("−") for one in there]
    return None if told in there or turned else (f"{told} under the id {identity}", " or ".join(there))


def self_check_table(found: Sequence[Inconsistency], made: int) -> Table:
    """What the report found wrong in itself: nothing, where all is well."""
    columns = (
        Column("document", "Document"),
        Column("place", "Where"),
        Column("found", "What stands there"),
        Column("expected", "What would fit"),
    )
    rows = tuple({column.key: getattr(one, column.key) for column in columns} for one in found)
    return Table(
        "self_check", "Numbers that do not fit together", columns, rows, (f"{made} checks of the written documents.",)
    )


def told(found: Sequence[Inconsistency], made: int) -> str:
    """The outcome in a sentence."""
    if not found:
        return f"The report was read back: {made} checks, nothing that does not fit together."
    first = found[0]
    return f"The report was read back: {len(found)} of {made} checks found something that does not fit, first in {first.document}, {first.place}: {first.found}; expected: {first.expected}."
