"""Both strands side by side: what a measure shows across conditions, and who spoke of what about them, in whose words.

The researcher's verdict is theirs; here is the evidence, and a flag where one strand is silent. Also exemplars: a quote for each
code about each condition.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import isnan, nan
from typing import TYPE_CHECKING, Literal

import numpy as np

from workbench.analysis.comparison import Comparison
from workbench.coding.codings import about_condition
from workbench.coding.presence import ANY, CodePresence
from workbench.errors import Finding
from workbench.stats.intervals import Interval, median_interval, undefined_interval
from workbench.study import STUDY_FILE, ChosenExemplar, ChosenQuote, Construct

if TYPE_CHECKING:
    import pandas as pd

MOST_QUOTES = 2
"""Quotes of one participant in the whole display."""

WORDS_IN_QUOTE = 60
"""Longer units are taken only where there is none shorter; nothing is cut out of a unit."""

Side = Literal["supporting", "contrary"]

QUOTE_RULE = (
    "Quotes are chosen by rule unless somebody chose them: one of a participant who scores the group's highest condition above the mean "
    "of their other conditions (supporting), one of a participant who scores it below (contrary); each from a unit with a "
    f"code of the construct about that condition, the stance that fits first, then the participant whose difference is most "
    f"typical (supporting) or largest (contrary), then the longest unit of at most {WORDS_IN_QUOTE} words; at most {MOST_QUOTES} of one participant, "
    "only of those who allow it, and from no unit with words that may identify a person and are not decided on."
)

MOST_EXEMPLARS = 3
"""Exemplars of one participant in the whole table of codes by condition."""

WORDS_IN_EXEMPLAR = 30
"""Longer units are taken only where there is none shorter; nothing is cut out of a unit."""

EXEMPLAR_RULE = (
    "Exemplars are chosen by rule unless somebody chose them: for each code about each condition one unit with that code about that "
    "condition, first of the stance that most of those who raised it took, then of a unit about that condition alone, then of the participant "
    f"with the fewest exemplars so far, then the longest unit of at most {WORDS_IN_EXEMPLAR} words; no unit twice, at most "
    f"{MOST_EXEMPLARS} of one participant, only of those who allow it, and from no unit with words that may identify a person and are "
    "not decided on. Codes and conditions that the fewest people can be quoted on are served first."
)


@dataclass(frozen=True, slots=True)
class Spoken:
    """The words of a unit in the working text; `withheld` says why they are not quoted, "" where they may be."""

    unit: str
    participant: str
    text: str
    language: str
    translation: str
    withheld: str = ""


@dataclass(frozen=True, slots=True)
class Quote:
    """A quote in the display: whose, about which condition, under which code and stance.

    `difference` is the participant's score in that condition minus the mean of their others. `by_rule` is False where
    the researcher chose it.
    """

    side: Side
    participant: str
    unit: str
    code: str
    condition: str
    stance: str
    difference: float
    words: str
    language: str
    translation: str
    by_rule: bool


@dataclass(frozen=True, slots=True)
class CodeStances:
    """How many of those interviewed raised a code about a condition, each counted once by stance.

    `neither` are those who spoke both for and against, mixed, or without a stance.
    """

    code: str
    interviewed: int
    in_favor: int
    against: int
    neither: int

    @property
    def raised(self) -> int:
        return self.in_favor + self.against + self.neither


@dataclass(frozen=True, slots=True, eq=False)
class ConditionSides:
    """One condition as both strands show it: its scores with their median, and who raised which code about it.

    `interval` is that of the median; `missing` counts participants without a value, NaN where nothing was compared.
    """

    condition: str
    values: tuple[float, ...]
    missing: float
    median: float
    interval: Interval
    codes: tuple[CodeStances, ...]


@dataclass(frozen=True, slots=True)
class Exemplar:
    """A code about a condition: how many of those interviewed raised it, and one of them in their words.

    `why` says why nobody is quoted, "" where somebody is. `by_rule` is False where the researcher chose it.
    """

    code: str
    condition: str
    participants: int
    interviewed: int
    participant: str = ""
    unit: str = ""
    stance: str = ""
    words: str = ""
    language: str = ""
    translation: str = ""
    by_rule: bool = True
    why: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Exemplars:
    """The exemplars of all codes about all conditions; `findings` tell of chosen quotes that are not shown."""

    items: tuple[Exemplar, ...] = ()
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class JointRow:
    """One construct: its measure compared, the presence of each of its codes about each condition, and quotes.

    `codes` are its codes, those of its themes among them. `silent` names the strand that says nothing: "interviews" where
    nobody raised any of the codes, "scores" where nothing could be tested on the measure, "scores and interviews", or "" where both speak.
    `highest` is the condition that the group scores highest; `follow` and `contradict` count those interviewed who score it
    above, and below, the mean of their other conditions. `sides` are the conditions as both strands show them, and
    `anything` counts those who raised each code about anything at all.
    """

    construct: Construct
    comparison: Comparison | None
    presence: tuple[CodePresence, ...]
    silent: str
    codes: tuple[str, ...] = ()
    highest: str = ""
    follow: int = 0
    contradict: int = 0
    quotes: tuple[Quote, ...] = ()
    findings: tuple[Finding, ...] = field(default=())
    sides: tuple[ConditionSides, ...] = ()
    anything: tuple[CodeStances, ...] = ()


def joint_rows(
    constructs: Sequence[Construct],
    comparisons: Sequence[Comparison],
    presence: Sequence[CodePresence],
    *,
    themes: Mapping[str, Sequence[str]] | None = None,
    counted: pd.DataFrame | None = None,
    spoken: Mapping[str, Spoken] | None = None,
    interviewed: Sequence[str] = (),
    conditions: Sequence[str] = (),
) -> list[JointRow]:
    """A row per construct that study.toml declares, in its order.

    `themes` are the codes of each theme; `counted` the codings that count and `spoken` the words of each unit, where the
    study has transcripts: without them there are no quotes. `conditions` are those that both strands are shown for.
    """
    by_measure = {one.measure.id: one for one in comparisons}
    used: Counter[str] = Counter()
    rows = []
    for construct in constructs:
        row = _row(construct, by_measure.get(construct.measure), presence, themes or {})
        if row.comparison is not None and counted is not None and len(interviewed):
            row = _with_pattern(row, interviewed)
            row = _with_quotes(row, counted, spoken or {}, interviewed, used)
        anything = tuple(stances_of(code, ANY, counted, interviewed) for code in row.codes)
        rows.append(replace(row, sides=_sides(row, counted, interviewed, conditions), anything=anything))
    return rows


def codes_of(construct: Construct, themes: Mapping[str, Sequence[str]]) -> tuple[str, ...]:
    """The codes of a construct, then those of its themes, each once."""
    return tuple(dict.fromkeys((*construct.codes, *(code for one in construct.themes for code in themes.get(one, ())))))


def _row(
    construct: Construct,
    comparison: Comparison | None,
    presence: Sequence[CodePresence],
    themes: Mapping[str, Sequence[str]],
) -> JointRow:
    codes = codes_of(construct, themes)
    mine = tuple(one for code in codes for one in presence if one.code == code)
    tested = comparison is not None and bool(comparison.omnibus or comparison.pairs or comparison.contrasts)
    raised = any(one.participants for one in mine if one.condition == ANY)
    strands = [name for name, speaks in (("scores", tested), ("interviews", raised)) if not speaks]
    return JointRow(construct, comparison, mine, " and ".join(strands), codes)


# --------------------------------------------------------------------------------------- both sides


def _sides(
    row: JointRow, counted: pd.DataFrame | None, interviewed: Sequence[str], conditions: Sequence[str]
) -> tuple[ConditionSides, ...]:
    described = {one.condition: one for one in row.comparison.descriptions} if row.comparison else {}
    found = []
    for condition in conditions:
        values: list[float] = []
        level = 1 - row.comparison.level if row.comparison else 0.95
        if row.comparison is not None:
            cells = row.comparison.measure.values
            values = cells.loc[cells["condition"] == condition, "value"].dropna().tolist()
        interval = median_interval(np.array(values), level=level) if values else undefined_interval(level, "no values")
        median, missing = float(np.median(values)) if values else nan, nan
        if condition in described:
            missing = described[condition].missing
        codes = tuple(stances_of(code, condition, counted, interviewed) for code in row.codes)
        found.append(ConditionSides(condition, tuple(values), missing, median, interval, codes))
    return tuple(found)


def stances_of(code: str, condition: str, counted: pd.DataFrame | None, interviewed: Sequence[str]) -> CodeStances:
    """Those interviewed who raised a code about a condition (or ANY), by what all their units about it say together."""
    if counted is None:
        return CodeStances(code, len(interviewed), 0, 0, 0)
    rows = _about(counted, code, condition)
    rows = rows[rows["participant"].isin(interviewed)]
    together = [frozenset(several) for _, several in rows.groupby("participant")["stance"]]
    in_favor, against = (sum(one - {""} == {stance} for one in together) for stance in ("for", "against"))
    return CodeStances(code, len(interviewed), in_favor, against, len(together) - in_favor - against)


def _about(counted: pd.DataFrame, code: str, condition: str) -> pd.DataFrame:
    """The rows with a code about a condition, or about anything."""
    rows = counted[counted["code"] == code]
    return rows if condition == ANY else about_condition(rows, condition)


# ------------------------------------------------------------------------------------- the pattern


def _with_pattern(row: JointRow, interviewed: Sequence[str]) -> JointRow:
    """The row with the group's highest condition, and how those interviewed score it."""
    highest = highest_condition(row.comparison) if row.comparison else ""
    if not highest or row.comparison is None:
        return row
    against = differences(row.comparison, highest, interviewed).values()
    follow = sum(one > 0 for one in against)
    return replace(row, highest=highest, follow=follow, contradict=sum(one < 0 for one in against))


def highest_condition(comparison: Comparison) -> str:
    """The condition with the highest mean rank, or mean where there is no omnibus test; "" where none is alone at the top."""
    names = [one.condition for one in comparison.descriptions]
    values = [one.mean for one in comparison.descriptions]
    if comparison.omnibus is not None:
        values = [float(rank) for rank in comparison.omnibus.result.mean_ranks]
    known = [value for value in values if not isnan(value)]
    if len(known) < 2 or known.count(max(known)) > 1:
        return ""
    return names[values.index(max(known))]


def differences(comparison: Comparison, condition: str, participants: Sequence[str]) -> dict[str, float]:
    """Each participant's score in a condition minus the mean of their others; only those who have both."""
    conditions = [one.condition for one in comparison.descriptions]
    wide = comparison.measure.by_condition(participants, conditions)
    found = (wide[condition] - wide.drop(columns=condition).mean(axis=1)).round(9).dropna()
    return {str(who): float(value) for who, value in found.items()}


# ------------------------------------------------------------------------------------------ quotes


def _with_quotes(
    row: JointRow,
    counted: pd.DataFrame,
    spoken: Mapping[str, Spoken],
    interviewed: Sequence[str],
    used: Counter[str],
) -> JointRow:
    """The row with a supporting and a contrary quote, chosen by hand or by rule; `used` counts quotes by participant."""
    quotes: list[Quote] = []
    findings: list[Finding] = []
    against = differences(row.comparison, row.highest, interviewed) if row.comparison and row.highest else {}
    asked: tuple[tuple[Side, ChosenQuote | None], ...] = (
        ("supporting", row.construct.supporting),
        ("contrary", row.construct.contrary),
    )
    for side, chosen in asked:
        if chosen is not None:
            quote, fault = _by_hand(row, side, chosen, counted, spoken, against)
            findings += [fault] if fault else []
        else:
            quote = _by_rule(row, side, counted, spoken, against, used)
        if quote is not None:
            quotes.append(quote)
            used[quote.participant] += 1
    return replace(row, quotes=tuple(quotes), findings=tuple(findings))


def _by_hand(
    row: JointRow,
    side: Side,
    chosen: ChosenQuote,
    counted: pd.DataFrame,
    spoken: Mapping[str, Spoken],
    against: Mapping[str, float],
) -> tuple[Quote | None, Finding | None]:
    """A chosen quote, or why it is not shown."""
    unit, found = _chosen_unit(chosen, spoken)
    if unit is None:
        return None, _not_shown(f"constructs.{row.construct.id}.{side}", found)
    coded = counted[(counted["unit"] == chosen.unit) & counted["code"].isin(row.codes)]
    code, stance = (str(coded.iloc[0]["code"]), str(coded.iloc[0]["stance"])) if len(coded) else ("", "")
    quote = Quote(
        side,
        unit.participant,
        unit.unit,
        code,
        row.highest,
        stance,
        against.get(unit.participant, nan),
        chosen.words,
        unit.language,
        unit.translation,
        False,
    )
    return quote, None


def _chosen_unit(chosen: ChosenQuote, spoken: Mapping[str, Spoken]) -> tuple[Spoken | None, str]:
    """The unit of a chosen quote, or None and why it is not shown: an unknown unit, other words, no permission."""
    unit = spoken.get(chosen.unit)
    if unit is None:
        return None, f"There is no unit “{chosen.unit}”."
    if unit.withheld:
        return None, f"{chosen.unit}: {unit.withheld}."
    if chosen.words not in unit.text:
        return None, f"These words do not stand in {chosen.unit}: “{chosen.words[:60]}”."
    return unit, ""


def _not_shown(place: str, found: str) -> Finding:
    remedy = "Copy the words from `workbench units`, decide on what `workbench pseudonyms` finds, or leave the quote to the rule."
    return Finding("attention", "quote not shown", STUDY_FILE, place, found, remedy)


def _by_rule(
    row: JointRow,
    side: Side,
    counted: pd.DataFrame,
    spoken: Mapping[str, Spoken],
    against: Mapping[str, float],
    used: Counter[str],
) -> Quote | None:
    """The quote that QUOTE_RULE picks; None where nobody fits."""
    fits = {who: value for who, value in against.items() if (value > 0 if side == "supporting" else value < 0)}
    if not fits:
        return None
    rows = counted[counted["code"].isin(row.codes) & counted["participant"].isin(list(fits))]
    rows = about_condition(rows, row.highest)
    candidates = [
        (spoken[unit], str(code), str(stance))
        for unit, code, stance in zip(rows["unit"], rows["code"], rows["stance"], strict=True)
        if unit in spoken and not spoken[unit].withheld and used[spoken[unit].participant] < MOST_QUOTES
    ]
    if not candidates:
        return None
    order = _order(side, fits)
    unit, code, stance = min(candidates, key=order)
    return Quote(
        side,
        unit.participant,
        unit.unit,
        code,
        row.highest,
        stance,
        fits[unit.participant],
        unit.text,
        unit.language,
        unit.translation,
        True,
    )


def _order(side: Side, fits: Mapping[str, float]) -> Callable[[tuple[Spoken, str, str]], tuple[object, ...]]:
    """What comes first by the rule: stance, participant, length, then place in the study."""
    wanted = ("for", "mixed", "", "against") if side == "supporting" else ("against", "mixed", "", "for")
    typical = float(np.median(list(fits.values())))

    def key(candidate: tuple[Spoken, str, str]) -> tuple[object, ...]:
        unit, _, stance = candidate
        difference = fits[unit.participant]
        far = abs(difference - typical) if side == "supporting" else difference
        place = wanted.index(stance) if stance in wanted else len(wanted)
        return place, far, *_by_length(unit.text, WORDS_IN_QUOTE), unit.unit

    return key


# --------------------------------------------------------------------------------------- exemplars


def exemplars(
    presence: Sequence[CodePresence],
    counted: pd.DataFrame,
    spoken: Mapping[str, Spoken],
    interviewed: Sequence[str],
    chosen: Sequence[ChosenExemplar] = (),
) -> Exemplars:
    """An exemplar for each code about each condition, in the order of `presence`: chosen by hand or by EXEMPLAR_RULE, or why there is none."""
    cells = {(one.code, one.condition): one for one in presence if one.condition != ANY}
    mine = counted[counted["participant"].isin(interviewed)]
    rows = {cell: _about(mine, *cell) for cell in cells}
    found: dict[tuple[str, str], Exemplar] = {}
    findings: list[Finding] = []
    for number, one in enumerate(chosen, start=1):
        cell = (one.code, one.condition)
        unit, fault = _chosen_unit(one, spoken)
        coded = rows[cell][rows[cell]["unit"] == one.unit] if cell in rows else mine.iloc[:0]
        if unit is not None and coded.empty:
            unit, fault = None, f"{one.unit} does not count as {one.code} about {one.condition}."
        if unit is None:
            findings.append(_not_shown(f"joint.exemplars[{number}]", fault))
        else:
            found[cell] = _exemplar(cells[cell], unit, str(coded.iloc[0]["stance"]), one.words)
    used = Counter(one.participant for one in found.values())
    quoted = {one.unit for one in found.values()}
    can_be_quoted = {cell: {unit.participant for unit, _, _ in _quotable(rows[cell], spoken)} for cell in cells}
    for cell in sorted((one for one in cells if one not in found), key=lambda one: len(can_be_quoted[one])):
        found[cell] = _exemplar_by_rule(cells[cell], rows[cell], spoken, used, quoted)
        used[found[cell].participant] += 1
        quoted.add(found[cell].unit)
    return Exemplars(tuple(found[cell] for cell in cells), tuple(findings))


def _exemplar(
    cell: CodePresence, unit: Spoken, stance: str, words: str | None = None, *, by_rule: bool = False
) -> Exemplar:
    """`unit` as the exemplar of a code about a condition: all its words, or those that were chosen."""
    return Exemplar(
        cell.code,
        cell.condition,
        cell.participants,
        cell.interviewed,
        unit.participant,
        unit.unit,
        stance,
        words or unit.text,
        unit.language,
        unit.translation,
        by_rule,
    )


def _quotable(rows: pd.DataFrame, spoken: Mapping[str, Spoken]) -> list[tuple[Spoken, str, bool]]:
    """The units among `rows` that may be quoted, with their stance and whether they are about one condition alone."""
    return [
        (spoken[unit], str(stance), "+" not in about)
        for unit, stance, about in zip(rows["unit"], rows["stance"], rows["about"], strict=True)
        if unit in spoken and not spoken[unit].withheld
    ]


def _exemplar_by_rule(
    cell: CodePresence,
    rows: pd.DataFrame,
    spoken: Mapping[str, Spoken],
    used: Counter[str],
    quoted: set[str],
) -> Exemplar:
    """The exemplar that EXEMPLAR_RULE picks, or why there is none."""
    candidates = [
        one
        for one in _quotable(rows, spoken)
        if used[one[0].participant] < MOST_EXEMPLARS and one[0].unit not in quoted
    ]
    if not candidates:
        why = _why_none(rows, spoken)
        return Exemplar(cell.code, cell.condition, cell.participants, cell.interviewed, why=why)
    takers = rows.groupby("stance")["participant"].nunique()
    usual = max(("for", "against", "mixed", ""), key=lambda stance: int(takers.get(stance, 0)))

    def order(candidate: tuple[Spoken, str, bool]) -> tuple[object, ...]:
        unit, stance, alone = candidate
        return stance != usual, not alone, used[unit.participant], *_by_length(unit.text, WORDS_IN_EXEMPLAR), unit.unit

    unit, stance, _ = min(candidates, key=order)
    return _exemplar(cell, unit, stance, by_rule=True)


def _why_none(rows: pd.DataFrame, spoken: Mapping[str, Spoken]) -> str:
    if rows.empty:
        return "nobody raised it"
    known = [spoken[unit] for unit in rows["unit"] if unit in spoken]
    if not known:
        return "their words are not among the transcripts"
    if all(one.withheld for one in known):
        return "; ".join(dict.fromkeys(one.withheld for one in known))
    return f"those who may be quoted stand elsewhere already, {MOST_EXEMPLARS} times or with the same words"


def _by_length(text: str, most: int) -> tuple[bool, int]:
    """What comes first: the longest text of at most `most` words, then the shortest beyond."""
    words = len(text.split())
    return words > most, -words if words <= most else words
