"""Files of codings to a table, and the one rule for which codings count.

A row with an empty code says "rated, nothing applies"; no row says "not rated". A unit is known by its
transcript and its name in there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from workbench.codebook.model import version_age
from workbench.errors import Finding, StudyError
from workbench.files import SourceTable, fault, gathering
from workbench.responses.names import ROWS_NAMED, condition_words, matched, require_columns, rows_named, without_pilots
from workbench.study import Interviews, Study

if TYPE_CHECKING:
    import pandas as pd

CODING_COLUMNS = (
    "participant",
    "transcript",
    "unit",
    "start",
    "end",
    "rater",
    "round",
    "codebook_version",
    "code",
    "about",
    "stance",
)
UNIT = ["transcript", "unit"]
"""The columns that tell one unit from every other."""
STANCES = ("for", "against", "mixed", "")
CONSENSUS = "consensus"


@dataclass(frozen=True, slots=True, eq=False)
class Codings:
    """`rows` as collected, in the columns of a codings file plus file and row; `findings` are those that do not block.

    `about` holds condition ids joined by "+"; `interviewed` the participants who were interviewed.
    """

    rows: pd.DataFrame
    interviewed: tuple[str, ...]
    findings: tuple[Finding, ...]

    @property
    def codes(self) -> list[str]:
        """The codes that were used, in alphabetical order."""
        return sorted(code for code in self.rows["code"].unique() if code)


def read_codings(
    study: Study,
    stored: pd.DataFrame | None = None,
    held: Callable[[pd.DataFrame], pd.DataFrame] = lambda rows: rows,
) -> Codings | None:
    """The codings of files, and those of the journal (`stored`, in the same columns); None where there are none of either.

    `held` brings codings that still hold to the current version of the codebook, so that findings tell only of others.

    Raises StudyError for unknown columns, participants, raters, rounds, conditions and stances, rows that
    stand twice, and codings that contradict each other.
    """
    import pandas as pd

    interviews = study.declared.interviews
    if interviews is None or not (interviews.codings or (stored is not None and len(stored))):
        return None
    faults: list[Finding] = []
    notes: list[Finding] = []
    parts = [] if stored is None else [stored]
    for file in interviews.codings:
        with gathering(faults):
            part, further = _rows(study, interviews, study.table(file, interviews.reading), faults)
            parts.append(part)
            notes += further
    if parts:
        rows = pd.concat(parts, ignore_index=True)
        faults += [*_stand_twice(rows), *_nothing_beside_a_code(rows), *_two_speakers(rows), *_no_version(rows)]
    if faults:
        raise StudyError(faults)
    interviewed = tuple(interviews.interviewed) or tuple(
        one for one in study.participants if one in set(rows["participant"])
    )
    notes += [*_alike(rows), *_not_counted(held(rows), interviews), *_interviewed_or_coded(rows, interviewed)]
    return Codings(rows, interviewed, tuple(notes))


def _rows(
    study: Study, interviews: Interviews, table: SourceTable, faults: list[Finding]
) -> tuple[pd.DataFrame, list[Finding]]:
    """The codings in one file, with notes; what cannot be read is added to `faults` and left out."""
    require_columns(table, CODING_COLUMNS, "interviews.codings")
    frame, notes = without_pilots(table, "participant", study, faults)
    frame = frame[list(CODING_COLUMNS)].apply(lambda column: column.str.strip())
    raters, rounds = [*interviews.raters, CONSENSUS], [one.id for one in interviews.rounds]
    for column, known in (("rater", raters), ("round", rounds), ("stance", STANCES)):
        remedy = "Correct it." if column == "stance" else f"Correct it, or declare it under interviews.{column}s."
        frame[column] = matched(frame[column], {word: word for word in known}, table.file, column, remedy, faults)
    frame["about"] = _conditions_spoken_of(study, frame["about"], table.file, faults)
    for column in UNIT:
        nameless = frame.index[frame[column] == ""]
        if len(nameless):
            faults.append(
                fault(table.file, rows_named(nameless), f"No {column} is named.", "Fill it in.", "wrong value")
            )
    whole = frame[["rater", "round", "stance", "about"]].notna().all(axis=1) & (frame[UNIT] != "").all(axis=1)
    return frame[whole].assign(file=table.file, row=frame.index[whole]), notes


def about_condition(rows: pd.DataFrame, condition: str) -> pd.DataFrame:
    """The codings among `rows` that are about a condition, alone or with others."""
    return rows.loc[[condition in named.split("+") for named in rows["about"]]]


def _conditions_spoken_of(study: Study, about: pd.Series, file: str, faults: list[Finding]) -> pd.Series:
    """Condition ids joined by "+", each once and in the study's order; NaN where one is unknown, which is a fault."""
    joined = {}
    for words in about[about != ""].unique():
        rows = about[about == words]
        parts = rows.str.split("+").explode()
        ids = matched(
            parts, condition_words(study, {}), file, "condition", "Several conditions are joined by +.", faults
        )
        named = set(ids)
        joined[words] = "+".join(one for one in study.conditions if one in named) if ids.notna().all() else None
    return about.map({"": ""} | joined)


def _stand_twice(rows: pd.DataFrame) -> list[Finding]:
    repeated = rows[rows.duplicated([*UNIT, "start", "end", "rater", "round", "codebook_version", "code", "about"])]
    return [
        fault(
            str(file),
            rows_named(part["row"]),
            "These codings stand there already.",
            "Remove the repeated rows.",
            "duplicate",
        )
        for file, part in repeated.groupby("file", sort=False)
    ]


def _nothing_beside_a_code(rows: pd.DataFrame) -> list[Finding]:
    rated = [*UNIT, "rater", "round", "codebook_version"]
    applied = rows[rows["code"] != ""]
    mixed = rows[rows["code"] == ""].merge(applied[rated].drop_duplicates(), on=rated)
    found = "“Nothing applies” stands beside a code of the same rater and round for {units}."
    return [
        fault(
            str(file),
            rows_named(part["row"]),
            found.format(units=_units(part)),
            "Keep one of the two.",
            "contradiction",
        )
        for file, part in mixed.groupby("file", sort=False)
    ]


def _two_speakers(rows: pd.DataFrame) -> list[Finding]:
    speakers = rows.groupby(UNIT)["participant"].transform("nunique")
    found = "{units} stand under more than one participant."
    return [
        fault(
            str(file),
            rows_named(part["row"]),
            found.format(units=_units(part)),
            "Correct the participant.",
            "contradiction",
        )
        for file, part in rows[speakers > 1].groupby("file", sort=False)
    ]


def _no_version(rows: pd.DataFrame) -> list[Finding]:
    """Codings without a codebook version where others have one: nobody can say whether they count."""
    without = rows[rows["codebook_version"] == ""]
    if len(without) == len(rows):
        return []
    return [
        fault(
            str(file),
            f"{rows_named(part['row'])}, column codebook_version",
            "No codebook version is named.",
            "Fill it in.",
            "wrong value",
        )
        for file, part in without.groupby("file", sort=False)
    ]


def _alike(rows: pd.DataFrame) -> list[Finding]:
    """Codes that differ in capitals or spaces alone."""
    codes = sorted(code for code in rows["code"].unique() if code)
    alike: dict[str, list[str]] = {}
    for code in codes:
        alike.setdefault("".join(code.casefold().split()), []).append(code)
    return [
        Finding(
            "attention",
            "codes spelled alike",
            ", ".join(dict.fromkeys(rows.loc[rows["code"].isin(several), "file"])),
            "column code",
            f"{' and '.join(f'“{code}”' for code in several)} are counted as different codes.",
            "If they are one code, spell it alike.",
        )
        for several in alike.values()
        if len(several) > 1
    ]


def _not_counted(rows: pd.DataFrame, interviews: Interviews) -> list[Finding]:
    """Units that were coded and that no table counts."""
    counted = codings_that_count(rows, interviews)
    units = rows[[*UNIT, "participant"]].drop_duplicates(UNIT)
    left = units[~_index(units).isin(_index(counted))]
    current = current_version(rows)
    newly = _index(left).isin(_index(rows[rows["codebook_version"] == current]))
    primary = _primary_rater(interviews)
    told = (
        (
            left[~newly],
            f"were coded only under an older codebook than {current}",
            "Code them anew, or say that they are left out.",
        ),
        (
            left[newly],
            f"have no consensus and were not coded by {primary}",
            "Reach a consensus, or name interviews.primary_rater.",
        ),
    )
    return [
        Finding(
            "attention",
            "codings not counted",
            ", ".join(dict.fromkeys(rows.loc[_index(rows).isin(_index(part)), "file"])),
            _units(part),
            f"{len(part)} units of {part['participant'].nunique()} participants {why}, so no table counts them.",
            remedy,
        )
        for part, why, remedy in told
        if len(part)
    ]


def _interviewed_or_coded(rows: pd.DataFrame, interviewed: tuple[str, ...]) -> list[Finding]:
    """Participants with codings who are not listed as interviewed, and the other way round."""
    coded = set(rows["participant"])
    told = (
        (
            sorted(coded - set(interviewed)),
            "coded, not interviewed",
            "{names} have codings but are not listed as interviewed.",
        ),
        (
            sorted(set(interviewed) - coded),
            "interviewed, not coded",
            "{names} are listed as interviewed but have no codings; they stay in the number of those interviewed.",
        ),
    )
    return [
        Finding(
            "attention",
            kind,
            "study.toml",
            "interviews.interviewed",
            found.format(names=", ".join(names)),
            "Correct interviews.interviewed, or the codings.",
        )
        for names, kind, found in told
        if names
    ]


def _index(rows: pd.DataFrame) -> pd.MultiIndex:
    import pandas as pd

    return pd.MultiIndex.from_frame(rows[UNIT])


def _units(rows: pd.DataFrame) -> str:
    names = list(dict.fromkeys(f"{unit} of {transcript}" for transcript, unit in rows[UNIT].itertuples(index=False)))
    more = f" and {len(names) - ROWS_NAMED} more units" if len(names) > ROWS_NAMED else ""
    return ", ".join(names[:ROWS_NAMED]) + more


def current_version(rows: pd.DataFrame) -> str:
    """The newest codebook version among codings; the numbers in a version compare as numbers, so 10 is newer than 2."""
    return max((version for version in rows["codebook_version"].unique() if version), key=version_age, default="")


def codings_that_count(rows: pd.DataFrame, interviews: Interviews) -> pd.DataFrame:
    """The codings that every table counts.

    For a unit with a consensus, the latest consensus; else what the primary rater coded in its latest round;
    only under the current codebook. Without a declared primary rater the first declared rater is it.
    """
    import pandas as pd

    current = rows[rows["codebook_version"] == current_version(rows)]
    consensus_rounds = [one.id for one in interviews.rounds if one.kind == "consensus"]
    is_agreed = current["round"].isin(consensus_rounds) | (current["rater"] == CONSENSUS)
    agreed, own = current[is_agreed], current[~is_agreed & (current["rater"] == _primary_rater(interviews))]
    own = own[~_index(own).isin(_index(agreed))]
    return pd.concat([_in_latest_round(agreed, interviews), _in_latest_round(own, interviews)]).sort_index()


def _primary_rater(interviews: Interviews) -> str:
    return interviews.primary_rater or next(iter(interviews.raters), "")


def _in_latest_round(rows: pd.DataFrame, interviews: Interviews) -> pd.DataFrame:
    """The rows of each unit's latest round."""
    order = rows["round"].map({one.id: place for place, one in enumerate(interviews.rounds)}).astype(float)
    return rows[order == order.groupby([rows[name] for name in UNIT]).transform("max")]


def in_latest_version(rows: pd.DataFrame) -> pd.DataFrame:
    """The rows of the latest codebook version under which each rater coded each unit."""
    versions = sorted(rows["codebook_version"].unique(), key=version_age)
    age = rows["codebook_version"].map({version: place for place, version in enumerate(versions)}).astype(float)
    return rows[age == age.groupby([rows[name] for name in (*UNIT, "rater")]).transform("max")]
