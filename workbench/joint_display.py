"""Both strands side by side: what a measure shows across conditions, and who spoke of what about them, in whose words.

The researcher's verdict is theirs; here is the evidence, and a flag where one strand is silent.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import isnan, nan
from typing import TYPE_CHECKING, Literal

import numpy as np

from workbench.analysis.comparison import Comparison
from workbench.coding.presence import ANY, CodePresence
from workbench.errors import Finding
from workbench.study import STUDY_FILE, ChosenQuote, Construct

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


@dataclass(frozen=True, slots=True, eq=False)
class JointRow:
    """One construct: its measure compared, the presence of each of its codes about each condition, and quotes.

    `codes` are its codes, those of its themes among them. `silent` names the strand that says nothing: "interviews" where
    nobody raised any of the codes, "scores" where nothing could be tested on the measure, "scores and interviews", or "" where both speak.
    `highest` is the condition that the group scores highest; `follow` and `contradict` count those interviewed who score it
    above, and below, the mean of their other conditions.
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


def joint_rows(
    constructs: Sequence[Construct],
    comparisons: Sequence[Comparison],
    presence: Sequence[CodePresence],
    *,
    themes: Mapping[str, Sequence[str]] | None = None,
    counted: pd.DataFrame | None = None,
    spoken: Mapping[str, Spoken] | None = None,
    interviewed: Sequence[str] = (),
) -> list[JointRow]:
    """A row per construct that study.toml declares, in its order.

    `themes` are the codes of each theme; `counted` the codings that count and `spoken` the words of each unit, where the
    study has transcripts: without them there are no quotes.
    """
    by_measure = {one.measure.id: one for one in comparisons}
    used: Counter[str] = Counter()
    rows = []
    for construct in constructs:
        row = _row(construct, by_measure.get(construct.measure), presence, themes or {})
        if row.comparison is not None and counted is not None and len(interviewed):
            row = _with_pattern(row, interviewed)
            row = _with_quotes(row, counted, spoken or {}, interviewed, used)
        rows.append(row)
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
    """A chosen quote, or why it is not shown: an unknown unit, other words, no permission."""
    unit = spoken.get(chosen.unit)
    found = ""
    if unit is None:
        found = f"There is no unit “{chosen.unit}”."
    elif unit.withheld:
        found = f"{chosen.unit}: {unit.withheld}."
    elif chosen.words not in unit.text:
        found = f"These words do not stand in {chosen.unit}: “{chosen.words[:60]}”."
    if found or unit is None:
        place = f"constructs.{row.construct.id}.{side}"
        remedy = "Copy the words from `workbench units`, decide on what `workbench pseudonyms` finds, or leave the quote to the rule."
        return None, Finding("attention", "quote not shown", STUDY_FILE, place, found, remedy)
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
    rows = rows.loc[[row.highest in named.split("+") for named in rows["about"]]]
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
        words = len(unit.text.split())
        difference = fits[unit.participant]
        far = abs(difference - typical) if side == "supporting" else difference
        place = wanted.index(stance) if stance in wanted else len(wanted)
        return place, far, words > WORDS_IN_QUOTE, -words if words <= WORDS_IN_QUOTE else words, unit.unit

    return key
