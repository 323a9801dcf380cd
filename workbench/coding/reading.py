"""Reading what was coded: excerpts of a code with what stands around them, codes on the same units, codes by theme, memos.

All of it from the codings that count (`collected.counting`). Words of participants who do not allow quotes are not in the results:
what is withheld is counted.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import nan
from typing import TYPE_CHECKING

from workbench.codebook.model import Codebook
from workbench.coding.codings import CODING_COLUMNS, CONSENSUS, UNIT
from workbench.coding.collected import collected_codings, counting
from workbench.coding.decisions import CODING, MEMO, RATED, THEME, ClosedView
from workbench.coding.material import Material
from workbench.coding.placed import Coded, coded_of, source_texts, spoken_by
from workbench.coding.rounds import interviews_of
from workbench.coding.units import Unit
from workbench.coding.working_text import WorkingTranscript, WorkingTurn
from workbench.declared import nearest
from workbench.errors import ArgumentError, UsageError
from workbench.store.opening import has_store, open_store
from workbench.store.operations import Entry
from workbench.study import Permissions, Study

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True, eq=False)
class Decided:
    """What was decided while coding, as nobody sees it: files of codings, and closed rounds of the journal.

    `rows` are all codings, `counted` those that count; `times` are by the number of a row in the journal. `permissions` are
    those recorded since study.toml was written.
    """

    study: Study
    rows: pd.DataFrame
    counted: pd.DataFrame
    times: Mapping[int, str]
    themes: tuple[Entry, ...]
    memos: tuple[Entry, ...]
    permissions: Mapping[str, Permissions]

    def permissions_of(self, participant: str) -> Permissions:
        """What a participant allows: as recorded last, else as study.toml says."""
        return self.permissions.get(participant, self.study.permissions_of(participant))


def read_decided(study: Study, material: Material) -> Decided:
    """The codings of a study, from its files and the closed rounds of its journal, and what was decided about them.

    Raises StudyError for files that cannot be read, UsageError where the study declares no interviews.
    """
    import pandas as pd

    interviews = interviews_of(study)
    versions = material.codebooks.versions if material.codebooks else ()
    codings = collected_codings(study, versions)
    kept: dict[str, tuple[Entry, ...]] = dict.fromkeys((THEME, MEMO), ())
    times: dict[int, str] = {}
    if has_store(study):
        with open_store(study, create=False) as journal:
            view = ClosedView(journal, study)
            kept = {kind: tuple(view.present(kind)) for kind in kept}
            times = {one.seq: one.at for one in view.present((CODING, RATED, CONSENSUS))}
    rows = codings.rows if codings else pd.DataFrame(columns=[*CODING_COLUMNS, "file", "row"], dtype="str")
    counted = counting(rows, interviews, versions) if codings else rows
    return Decided(study, rows, counted, times, kept[THEME], kept[MEMO], material.permissions)


def themes_of(codebook: Codebook | None, recorded: Iterable[Entry]) -> dict[str, tuple[str, ...]]:
    """The codes of each theme: as the codebook groups them, and as was recorded since."""
    themes = (
        {one.theme: tuple(code.code for code in codebook.codes_of(one.theme)) for one in codebook.themes}
        if codebook
        else {}
    )
    return themes | {one.key: tuple(one.content["codes"]) for one in recorded if one.content}


# ---------------------------------------------------------------------------------------- excerpts


@dataclass(frozen=True, slots=True)
class Said:
    """What somebody says beside an excerpt."""

    speaker: str
    text: str


@dataclass(frozen=True, slots=True)
class Excerpt:
    """A unit under a code, with what is said before and after it.

    `words` is the whole unit; where only some of them were coded, they stand from `start` to `end`. `translation` is that
    of the turns the unit stands in.
    """

    participant: str
    transcript: str
    unit: str
    turn: str
    question: str
    code: str
    about: tuple[str, ...]
    stance: str
    words: str
    start: int | None
    end: int | None
    before: tuple[Said, ...]
    after: tuple[Said, ...]
    translation: str
    language: str
    rater: str
    round: str

    def marked(self, begins: str = "«", ends: str = "»") -> str:
        """The words, with marks around those that were coded where that is not the whole unit."""
        before, coded, after = self.parts()
        return f"{before}{begins}{coded}{ends}{after}" if before or after else coded

    def parts(self) -> tuple[str, str, str]:
        """The words before, in and after what was coded."""
        if self.start is None or self.end is None:
            return "", self.words, ""
        return self.words[: self.start], self.words[self.start : self.end], self.words[self.end :]


@dataclass(frozen=True, slots=True, eq=False)
class Excerpts:
    """The excerpts of some codes that may be shown.

    `counts` are excerpts by participant, those withheld among them; `withheld` those of participants who do not allow quotes;
    `n_lost` codings have no place in the transcripts.
    """

    codes: tuple[str, ...]
    items: tuple[Excerpt, ...]
    counts: Mapping[str, int]
    withheld: Mapping[str, int]
    n_lost: int


def excerpts(
    decided: Decided,
    material: Material,
    codes: Sequence[str],
    *,
    condition: str = "",
    participant: str = "",
    stance: str = "",
    context: int = 1,
) -> Excerpts:
    """The excerpts of codes, in the order of the study's participants and of the transcripts.

    Only those about `condition`, by `participant`, of this `stance`, where given; `context` turns are shown before and after.
    Raises UsageError for an unknown condition, participant or stance, ArgumentError for a negative `context`.
    """
    _require_known("condition", condition, decided.study.conditions)
    _require_known("participant", participant, list(decided.study.participants))
    _require_known("stance", stance, ("for", "against", "mixed"))
    if context < 0:
        raise ArgumentError(f"`context` is {context}; 0 or more turns are needed.")
    rows = decided.counted[decided.counted["code"].isin(codes)]
    sources = source_texts(material)
    coded, lost = coded_of(rows, sources)
    chosen = [
        one
        for one in coded
        if (not condition or condition in one.about)
        and participant in ("", one.participant)
        and stance in ("", one.stance)
    ]
    people = {who: place for place, who in enumerate(decided.study.participants)}
    place = {unit.id: number for number, unit in enumerate(material.all_units())}
    chosen.sort(key=lambda one: (people.get(one.participant, len(people)), place[one.unit], one.start or 0, one.code))
    counts = Counter(one.participant for one in chosen)
    withheld = {who: number for who, number in counts.items() if not decided.permissions_of(who).quotes}
    items = tuple(
        _excerpt(one, material.working[one.transcript], sources[one.transcript].units[one.unit], context)
        for one in chosen
        if one.participant not in withheld
    )
    return Excerpts(tuple(codes), items, counts, withheld, sum(map(len, lost.places.values())))


def _require_known(what: str, name: str, known: Sequence[str]) -> None:
    if name and name not in known:
        raise UsageError(f"“{name}” is no {what} of this study. {nearest(name, known)}")


def codes_asked(name: str, *, theme: bool, codes: Sequence[str], themes: Mapping[str, Sequence[str]]) -> list[str]:
    """The one code of this name, or those of a theme; UsageError where there is none."""
    known = list(themes) if theme else codes
    if name not in known:
        what = "theme" if theme else "code"
        raise UsageError(f"“{name}” is no {what} of this study. {nearest(name, known)}")
    return list(themes[name]) if theme else [name]


def _excerpt(one: Coded, transcript: WorkingTranscript, unit: Unit, context: int) -> Excerpt:
    turns = list(transcript.turns)
    of_unit = {piece.turn for piece in unit.pieces}
    inside = [place for place, turn in enumerate(turns) if turn.id in of_unit]
    first, last = turns[inside[0]], turns[inside[-1]]
    before = turns[max(0, inside[0] - context) : inside[0]]
    after = turns[inside[-1] + 1 : inside[-1] + 1 + context]
    own_before = _own(transcript, first, first.text[: unit.pieces[0].start]) if context else []
    own_after = _own(transcript, last, last.text[unit.pieces[-1].end :]) if context else []
    return Excerpt(
        one.participant,
        one.transcript,
        one.unit,
        unit.turn,
        unit.question,
        one.code,
        one.about,
        one.stance,
        unit.text,
        one.start,
        one.end,
        (*_said(transcript, before), *own_before),
        (*own_after, *_said(transcript, after)),
        "\n".join(turns[place].translation for place in inside if turns[place].translation),
        transcript.language,
        one.rater,
        one.round,
    )


def _said(transcript: WorkingTranscript, turns: Iterable[WorkingTurn]) -> Iterator[Said]:
    return (Said(spoken_by(transcript, turn), turn.text) for turn in turns)


def _own(transcript: WorkingTranscript, turn: WorkingTurn, words: str) -> list[Said]:
    """What the participant says in the same turn beside a unit that is part of it."""
    return [Said(spoken_by(transcript, turn), words.strip())] if words.strip() else []


# ------------------------------------------------------------------------------- codes among codes


@dataclass(frozen=True, slots=True)
class Cooccurrence:
    """Two codes on the same units: on how many, of how many participants; the units of each; Jaccard's index of the units.

    `jaccard` = units with both / units with either.
    """

    first: str
    second: str
    units: int
    participants: int
    units_first: int
    units_second: int

    @property
    def jaccard(self) -> float:
        """Units with both codes, as a share of those with either; NaN where there are none."""
        either = self.units_first + self.units_second - self.units
        return self.units / either if either else nan


def cooccurrences(counted: pd.DataFrame) -> list[Cooccurrence]:
    """Every pair of codes that stand on a same unit, the most frequent first."""
    whose: dict[tuple[str, ...], str] = {}
    on: dict[str, set[tuple[str, ...]]] = {}
    for *unit, code, participant in counted[[*UNIT, "code", "participant"]].itertuples(index=False, name=None):
        if code:
            on.setdefault(code, set()).add(tuple(unit))
            whose[tuple(unit)] = participant
    found = []
    for first, second in combinations(sorted(on), 2):
        if both := on[first] & on[second]:
            people = {whose[unit] for unit in both}
            found.append(Cooccurrence(first, second, len(both), len(people), len(on[first]), len(on[second])))
    return sorted(found, key=lambda one: (-one.units, one.first, one.second))


@dataclass(frozen=True, slots=True)
class CodeInTheme:
    """A code of a theme: participants and units with the code, and with any code of the theme. A theme "" holds the rest."""

    theme: str
    code: str
    participants: int
    units: int
    theme_participants: int
    theme_units: int


def codes_by_theme(counted: pd.DataFrame, themes: Mapping[str, Sequence[str]]) -> list[CodeInTheme]:
    """Every code of every theme, then those of none that were used."""
    grouped = {code for codes in themes.values() for code in codes}
    rest = tuple(sorted(code for code in counted["code"].unique() if code and code not in grouped))
    found = []
    for theme, codes in [*themes.items(), *([("", rest)] if rest else [])]:
        of_theme = counted[counted["code"].isin(list(codes))]
        for code in codes:
            mine = of_theme[of_theme["code"] == code]
            found.append(CodeInTheme(theme, code, *_people_and_units(mine), *_people_and_units(of_theme)))
    return found


def _people_and_units(rows: pd.DataFrame) -> tuple[int, int]:
    return int(rows["participant"].nunique()), len(rows[UNIT].drop_duplicates())


# ------------------------------------------------------------------------------------------- memos


@dataclass(frozen=True, slots=True)
class Memo:
    """A memo that may be seen; `text` is None where it is on words of a participant who does not allow quotes."""

    on: str
    name: str
    by: str
    at: str
    round: str
    text: str | None


def memos(decided: Decided, material: Material) -> list[Memo]:
    """The memos of closed rounds, and those of no round once none is open."""
    found = []
    named = whose(material)
    for one in decided.memos:
        content = one.content or {}
        participant = participant_of(one, named)
        shown = not participant or decided.permissions_of(participant).quotes
        found.append(
            Memo(content["on"], content["name"], one.by, one.at, one.round, content["text"] if shown else None)
        )
    return found


def whose(material: Material) -> dict[str, str]:
    """The participant of each transcript and of each unit, by its name."""
    units = {unit.id: unit.participant for unit in material.all_units()}
    return units | {name: one.participant for name, one in material.working.items()}


def participant_of(entry: Entry, named: Mapping[str, str]) -> str:
    """Whose words an entry of the journal is about, by what `whose` tells; "" for nobody's in particular."""
    content = entry.content or {}
    name = str(content.get("name", "")) if entry.kind == MEMO else ""
    return str(content.get("participant") or named.get(entry.transcript) or named.get(name, ""))
