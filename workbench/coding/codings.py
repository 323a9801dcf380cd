"""Files of codings to a table, and the one rule for which codings count.

A row with an empty code says "rated, nothing applies"; no row says "not rated".
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from workbench.errors import Finding, StudyError
from workbench.files import SourceTable, fault, gathering, read_table
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


def read_codings(study: Study) -> Codings | None:
    """The codings, or None where the study declares no files of codings.

    Raises StudyError for unknown columns, participants, raters, rounds, conditions and stances, and rows that stand twice.
    """
    import pandas as pd

    interviews = study.declared.interviews
    if interviews is None or not interviews.codings:
        return None
    faults: list[Finding] = []
    notes: list[Finding] = []
    parts = []
    for file in interviews.codings:
        with gathering(faults):
            part, further = _rows(study, interviews, read_table(study.path(file), file))
            parts.append(part)
            notes += further
    rows = (
        pd.concat(parts, ignore_index=True)
        if parts
        else pd.DataFrame({name: [] for name in (*CODING_COLUMNS, "file", "row")})
    )
    faults += _stand_twice(rows)
    if faults:
        raise StudyError(faults)
    interviewed = tuple(interviews.interviewed) or tuple(
        one for one in study.participants if one in set(rows["participant"])
    )
    uninvited = sorted(set(rows["participant"]) - set(interviewed))
    if uninvited:
        remedy = "Add them to interviews.interviewed, or correct the codings."
        notes.append(
            Finding(
                "attention",
                "coded, not interviewed",
                "study.toml",
                "interviews.interviewed",
                f"{', '.join(uninvited)} have codings but are not listed as interviewed.",
                remedy,
            )
        )
    return Codings(rows, interviewed, tuple(notes))


def _rows(study: Study, interviews: Interviews, table: SourceTable) -> tuple[pd.DataFrame, list[Finding]]:
    require_columns(table, CODING_COLUMNS, "interviews.codings")
    faults: list[Finding] = []
    frame, notes = table.frame, list[Finding]()
    with gathering(faults):
        frame, notes = without_pilots(table, "participant", study)
    frame = frame[list(CODING_COLUMNS)].apply(lambda column: column.str.strip())
    raters, rounds = [*interviews.raters, CONSENSUS], [one.id for one in interviews.rounds]
    for column, known, what in (("rater", raters, "rater"), ("round", rounds, "round"), ("stance", STANCES, "stance")):
        with gathering(faults):
            listed = {word: word for word in known}
            frame[column] = matched(
                frame[column],
                listed,
                table.file,
                what,
                f"Correct it{'' if what == 'stance' else f', or declare it under interviews.{what}s'}.",
            )
    with gathering(faults):
        frame["about"] = _conditions_spoken_of(study, frame["about"], table.file)
    faults += [
        fault(
            table.file,
            rows_named(frame.index[frame[column] == ""]),
            f"No {column} is named.",
            "Fill it in.",
            "wrong value",
        )
        for column in ("unit", "transcript")
        if (frame[column] == "").any()
    ]
    if faults:
        raise StudyError(faults)
    return frame.assign(file=table.file, row=frame.index), notes


def _conditions_spoken_of(study: Study, about: pd.Series, file: str) -> pd.Series:
    parts = about[about != ""].str.split("+").explode()
    ids = matched(parts, condition_words(study, {}), file, "condition", "Several conditions are joined by +.")
    return about.where(about == "", ids.groupby(level=0).agg("+".join).reindex(about.index, fill_value=""))


def _stand_twice(rows: pd.DataFrame) -> list[Finding]:
    which = ["transcript", "unit", "start", "end", "rater", "round", "code", "about"]
    repeated = rows[rows.duplicated(which, keep="first")]
    faults = [
        fault(
            file,
            rows_named(part["row"]),
            "These codings stand there already.",
            "Remove the repeated rows.",
            "duplicate",
        )
        for file, part in repeated.groupby("file", sort=False)
    ]
    applied = rows[rows["code"] != ""]
    mixed = rows[(rows["code"] == "")].merge(
        applied[["unit", "rater", "round"]].drop_duplicates(), on=["unit", "rater", "round"]
    )
    for file, part in mixed.groupby("file", sort=False):
        units = list(dict.fromkeys(part["unit"]))
        named = ", ".join(units[:ROWS_NAMED])
        faults.append(
            fault(
                file,
                rows_named(part["row"]),
                f"“Nothing applies” stands beside a code of the same rater and round for {named}.",
                "Keep one of the two.",
                "contradiction",
            )
        )
    return faults


def current_version(rows: pd.DataFrame) -> str:
    """The newest codebook version among codings: by number where versions are numbers, else by name."""
    versions = [version for version in rows["codebook_version"].unique() if version]
    return max(
        versions,
        key=lambda version: ([int(part) if part.isdigit() else -1 for part in version.split(".")], version),
        default="",
    )


def codings_that_count(rows: pd.DataFrame, interviews: Interviews) -> pd.DataFrame:
    """The codings that every table counts.

    For a unit with a consensus, that; else what the primary rater coded in its latest round;
    only under the current codebook. Without a declared primary rater the first declared rater is it.
    """
    current = rows[rows["codebook_version"] == current_version(rows)]
    consensus_rounds = [one.id for one in interviews.rounds if one.kind == "consensus"]
    agreed = current[current["round"].isin(consensus_rounds) | (current["rater"] == CONSENSUS)]
    primary = interviews.primary_rater or next(iter(interviews.raters), "")
    own = current[
        (current["rater"] == primary) & ~current["unit"].isin(agreed["unit"]) & ~current.index.isin(agreed.index)
    ]
    order = {one.id: position for position, one in enumerate(interviews.rounds)}
    latest = own["round"].map(order) == own.groupby("unit")["round"].transform(lambda names: names.map(order).max())
    import pandas as pd

    return pd.concat([agreed, own[latest]]).sort_index()


def unit_by_rater(rows: pd.DataFrame, code: str, raters: list[str]) -> pd.DataFrame:
    """(units, raters): 1 where a rater applied the code to a unit, 0 where they rated it without, NaN where not rated."""
    rated = rows.assign(applied=(rows["code"] == code).astype(float))
    return rated.groupby(["unit", "rater"])["applied"].max().unstack("rater").reindex(columns=raters)
