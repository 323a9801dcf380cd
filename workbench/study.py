"""study.toml: what a study is, who takes part, where its files are, and the analysis plan.

Reading gives a `Study` whose parts agree with each other, or a StudyError with every fault at once.
The plan is hashed apart from the rest, so that mapping a column never looks like changing the plan.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal, Self, get_args

from pydantic import Field, model_validator

from workbench.declared import Contradictions, Declared, Location, nearest, parse
from workbench.errors import Finding, StudyError
from workbench.files import (
    Decimal,
    Delimiter,
    SourceTable,
    fault,
    gathering,
    is_text_encoding,
    read_table,
    read_text,
    read_toml,
    write_atomically,
)
from workbench.instrument import Id, Instrument, Number, find_instrument

STUDY_FILE = "study.toml"
RESULTS = "results"


class Condition(Declared):
    """One version that every participant tries."""

    id: Id = Field(description="Short name, used in files, plan and results.", examples=["still"])
    label: str = Field(description="Its name in tables and figures.", examples=["Still"])
    about: str = Field("", description="What sets it apart.", examples=["The pot moves as modelled."])
    factors: dict[Id, str] = Field(
        default_factory=dict,
        description="Level on each factor, where the design is factorial: each combination of levels is one condition.",
        examples=[{"sound": "none"}],
    )


class Permissions(Declared):
    """What one participant, or everybody by default, allows."""

    quotes: bool = Field(False, description="Words may be quoted.", examples=[True])
    share: bool = Field(False, description="Data may be shared with named others.", examples=[False])
    archive: bool = Field(False, description="Data may go into an archive.", examples=[False])


class Reading(Declared):
    """How a table is read, where that is not found by itself."""

    sheet: str | int | None = Field(
        None,
        description="For a workbook: the sheet, by name or counted from 1; the first where not given.",
        examples=["Answers"],
    )
    first_row: int | None = Field(
        None,
        ge=1,
        description="Row of the header, where something stands above it; the first row that is not blank where not given.",
        examples=[4],
    )
    header_rows: Literal[1, 2] = Field(
        1,
        description="Rows of the header. Two are joined as “top / sub”; a top name goes on to the right over empty cells, as in merged headings, unless nothing stands below it.",
        examples=[2],
    )
    encoding: str | None = Field(
        None,
        description="Encoding of a text file; UTF-8 and UTF-16 are found, Windows-1252 is guessed.",
        examples=["cp1252"],
    )
    delimiter: Delimiter | None = Field(
        None,
        description="What stands between cells; found from the first rows where not given.",
        examples=["semicolon"],
    )
    decimal: Decimal | None = Field(
        None,
        description="Decimal mark of the numbers. A comma is found by itself in a file delimited by semicolons where no number has a point.",
        examples=["comma"],
    )

    @model_validator(mode="after")
    def _known_encoding(self) -> Self:
        if self.encoding is not None and not is_text_encoding(self.encoding):
            found = f"“{self.encoding}” is no encoding of text."
            remedy = "Common ones: utf-8, utf-16, cp1252, cp1250, mac-roman, shift_jis."
            raise Contradictions([(("encoding",), found, remedy)])
        return self


def _reading(of: str) -> Any:
    return Field(
        Reading(),
        description=f"How {of} is read, where that is not found by itself.",
        examples=[{"first_row": 4, "decimal": "comma"}],
    )


class Participants(Declared):
    """Who takes part. Give `ids`, or a `file` with a row per participant."""

    ids: list[str] = Field(default_factory=list, description="Participant ids.", examples=[["A01", "A02"]])
    file: str | None = Field(None, description="A table with a row per participant.", examples=["participants.csv"])
    column: str = Field("participant", description="Its column of participant ids.", examples=["participant"])
    sequence_column: str | None = Field(
        None, description="Its column that names the assigned sequence.", examples=["sequence"]
    )
    reading: Reading = _reading("the table")
    pilots: list[str] = Field(
        default_factory=list, description="Pilot participants: their rows are left out and counted.", examples=[["P01"]]
    )
    withdrawn: int = Field(
        0, ge=0, description="How many withdrew and were erased; a count without names.", examples=[1]
    )
    default_permissions: Permissions = Field(
        Permissions(),
        description="Permissions of everybody not named below; nothing is allowed unless stated.",
        examples=[{"quotes": True}],
    )
    permissions: dict[str, Permissions] = Field(
        default_factory=dict, description="Permissions by participant.", examples=[{"A07": {"quotes": False}}]
    )


class SessionLog(Declared):
    """In which order the conditions were really run."""

    file: str = Field(description="A table with a row per participant and position.", examples=["session_log.csv"])
    participant: str = Field("participant", description="Column of participants.", examples=["participant"])
    position: str = Field("position", description="Column of positions, counted from 1.", examples=["position"])
    condition: str = Field("condition", description="Column of conditions.", examples=["condition"])
    reading: Reading = _reading("the table")


class InstrumentUse(Declared):
    """An instrument that a questionnaire contains."""

    id: Id = Field(
        description="Its name in the study's instruments folder or in the library.", examples=["weight_realism"]
    )
    version: str = Field(description="The version that was used.", examples=["1.0"])


class Columns(Declared):
    """Which columns of a response file hold what."""

    participant: str = Field("participant", description="Column of participants.", examples=["Participant"])
    condition: str = Field(
        "condition", description="Column of conditions; not needed for `row_per_participant`.", examples=["Version"]
    )
    occasion: str = Field(
        "occasion", description="Column of occasions, for before/after questionnaires.", examples=["when"]
    )
    item: str = Field("item", description="Column of items, for `row_per_answer`.", examples=["question"])
    answer: str = Field("answer", description="Column of answers, for `row_per_answer`.", examples=["answer"])
    pattern: str = Field(
        "{item}",
        description="Name of an item's column, made of {item}, {condition} and {occasion}.",
        examples=["{condition}_{item}"],
    )

    seconds: str | None = Field(
        None,
        description="Column of the seconds that answering took, for a row or (`row_per_answer`) for an answer.",
        examples=["duration"],
    )
    started: str | None = Field(
        None,
        description="Column of when a row was begun (ISO 8601, such as 2026-03-09 14:05:10); needs `finished`.",
        examples=["started"],
    )
    finished: str | None = Field(None, description="Column of when it was sent.", examples=["submitted"])

    @model_validator(mode="after")
    def _names_the_item(self) -> Self:
        if (self.started is None) != (self.finished is None):
            lacking = "started" if self.started is None else "finished"
            raise Contradictions([((lacking,), "A time needs both ends.", "Name the column of the other end too.")])
        if "{item}" not in self.pattern:
            raise Contradictions(
                [(("pattern",), f"“{self.pattern}” does not say where the item's name stands.", "Put {item} into it.")]
            )
        return self


class TurnedRound(Declared):
    """An item whose answers run the wrong way in one file, because a form or an export had its key set wrongly."""

    file: str = Field(description="The response file.", examples=["responses/week2.csv"])
    item: str = Field(
        description="The item, with its instrument before a point where two share a name.", examples=["real4"]
    )
    reason: str = Field(
        min_length=1, description="How that is known; it is printed.", examples=["form of week 2 checked"]
    )


class RowLeftOut(Declared):
    """A row of a response file that does not count, such as one of two that contradict each other."""

    file: str = Field(description="The response file.", examples=["responses/week2.csv"])
    row: int = Field(ge=1, description="The row, as a spreadsheet numbers it.", examples=[17])
    participant: str = Field(description="Whose row it is, so that a shifted row is noticed.", examples=["A07"])
    reason: str = Field(
        min_length=1, description="Why it does not count; it is printed.", examples=["sent twice by mistake"]
    )


class Questionnaire(Declared):
    """A form that participants filled in: one or more instruments, in one or more files."""

    id: Id = Field(description="Short name.", examples=["after_version"])
    label: str = Field("", description="Its name in words.", examples=["After each version"])
    asked: Literal["once", "before_after", "per_condition"] = Field(
        description="Asked once, before and after the session, or after each condition.", examples=["per_condition"]
    )
    instruments: list[InstrumentUse] = Field(
        min_length=1,
        description="The instruments it contains.",
        examples=[[{"id": "weight_realism", "version": "1.0"}]],
    )
    files: list[str] = Field(
        min_length=1,
        description="Response files (CSV or XLSX), read one after the other.",
        examples=[["responses/after_version.csv"]],
    )
    turned_round: list[TurnedRound] = Field(
        default_factory=list,
        description="Items whose answers run the wrong way in one file: they are turned round when they are read, the file stays.",
        examples=[[{"file": "responses/week2.csv", "item": "real4", "reason": "form of week 2 checked"}]],
    )
    rows_left_out: list[RowLeftOut] = Field(
        default_factory=list,
        description="Rows that do not count, with the reason; the file stays.",
        examples=[
            [{"file": "responses/week2.csv", "row": 17, "participant": "A07", "reason": "sent twice by mistake"}]
        ],
    )
    reading: Reading = _reading("each of the files")
    layout: Literal["row_per_participant", "row_per_session", "row_per_answer"] = Field(
        "row_per_session",
        description="`row_per_participant`: columns for each condition (or occasion) and item. `row_per_session`: a row per participant and condition (or occasion). `row_per_answer`: a row per single answer.",
        examples=["row_per_session"],
    )
    columns: Columns = Field(
        Columns(), description="Which columns hold what.", examples=[{"participant": "Participant"}]
    )
    items: dict[str, str] = Field(
        default_factory=dict,
        description="Columns (or, for `row_per_answer`, words in the item column) whose names do not follow the pattern, and the item each holds; for `row_per_participant` the item, an @ and the condition or occasion: `real1@still`.",
        examples=[{"Q1. It felt heavy": "real1"}],
    )
    condition_names: dict[str, str] = Field(
        default_factory=dict,
        description="Words in the file and the condition each stands for, where they are not its id or label.",
        examples=[{"Version A": "still"}],
    )
    occasion_names: dict[str, Literal["before", "after"]] = Field(
        default_factory=dict, description="Words in the file for before and after.", examples=[{"pre": "before"}]
    )
    answer_words: dict[str, Number] = Field(
        default_factory=dict,
        description="Answers in words and the number each counts as, where the instrument does not have these words.",
        examples=[{"stimme voll zu": 7}],
    )
    missing_words: list[str] = Field(
        default_factory=list, description="Answers that mean skipped, beside the empty cell.", examples=[["-99"]]
    )
    not_applicable_words: list[str] = Field(
        default_factory=list, description="Answers that mean not applicable.", examples=[["n/a"]]
    )


class TrialMeasure(Declared):
    """A summary of the trials of a participant in a condition."""

    id: Id = Field(description="Name of the measure.", examples=["guess_error"])
    label: str = Field(description="Its name in words.", examples=["Error of the guess"])
    column: str = Field(description="Column that is summarized.", examples=["guess"])
    summary: Literal["mean", "median", "share"] = Field(
        description="Mean or median of the numbers, or share of rows that equal `equals`.", examples=["mean"]
    )
    equals: str | None = Field(
        None,
        description="The answer that is counted, for `share`: a word, or the name of a column in square brackets.",
        examples=["yes"],
    )
    minus: str | None = Field(None, description="Column subtracted from it first.", examples=["filling"])
    absolute: bool = Field(False, description="Take the size of the difference without its sign.", examples=[True])
    unit: str = Field("", description="Unit.", examples=["percentage points"])
    higher: str = Field("", description="What a higher value means.", examples=["less accurate"])

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        faults: list[tuple[Location, str, str]] = []
        if self.id in ("participant", "condition", "occasion"):
            faults.append((("id",), f"“{self.id}” cannot be the name of a measure.", "Name what is measured."))
        if self.summary == "share" and not self.equals:
            faults.append((("equals",), "A share of what is not said.", "Give the answer that is counted."))
        if self.summary != "share" and self.equals is not None:
            faults.append(
                (("equals",), f"A {self.summary} counts no answers.", 'Give `summary = "share"`, or leave it out.')
            )
        if self.summary == "share" and (self.minus is not None or self.absolute):
            faults.append((("summary",), "A share has no differences.", "Leave out `minus` and `absolute`."))
        if faults:
            raise Contradictions(faults)
        return self


class Trials(Declared):
    """Repeated trials within each condition. They are summarized per participant and condition before any test."""

    id: Id = Field(description="Short name.", examples=["lifts"])
    files: list[str] = Field(min_length=1, description="Tables with a row per trial.", examples=[["trials.csv"]])
    reading: Reading = _reading("each of the files")
    participant: str = Field("participant", description="Column of participants.", examples=["participant"])
    condition: str = Field("condition", description="Column of conditions.", examples=["condition"])
    measures: list[TrialMeasure] = Field(
        default_factory=list,
        description="What is made of the trials.",
        examples=[[{"id": "guess_error", "label": "Error of the guess", "column": "guess", "summary": "mean"}]],
    )


class Preference(Declared):
    """A ranking of the conditions, or the choice of one."""

    file: str = Field(description="A table with a row per participant.", examples=["ranking.csv"])
    kind: Literal["ranking", "choice"] = Field(
        "ranking", description="All conditions ranked, or one chosen.", examples=["ranking"]
    )
    participant: str = Field("participant", description="Column of participants.", examples=["participant"])
    columns: dict[Id, str] = Field(
        default_factory=dict,
        description="For a ranking: the column of each condition's rank, 1 = liked best.",
        examples=[{"still": "rank_still"}],
    )
    choice: str = Field(
        "choice", description="For a choice: the column of the chosen condition.", examples=["favourite"]
    )
    reason: str | None = Field(None, description="Column of reasons in words.", examples=["reason"])
    reading: Reading = _reading("the table")


class Round(Declared):
    """A round of coding."""

    id: Id = Field(description="Its name in the codings files.", examples=["reliability"])
    kind: Literal["pilot", "reliability", "main", "consensus"] = Field(
        description="Pilot rounds revise the codebook; agreement is reported from reliability rounds.",
        examples=["reliability"],
    )


class Question(Declared):
    """A question of the interview guide."""

    id: Id = Field(description="Short name.", examples=["weight"])
    label: str = Field("", description="The question in words.", examples=["How the weight felt"])
    headings: list[str] = Field(
        default_factory=list,
        description="Lines that begin its part in a transcript; id and label always do.",
        examples=[["Weight"]],
    )


class Interviews(Declared):
    """Interviews and their coding."""

    mode: Literal["coding reliability", "codebook", "reflexive"] = Field(
        description="School of analysis; `reflexive` shows no coefficients.", examples=["coding reliability"]
    )
    interviewed: list[str] = Field(
        default_factory=list,
        description="Participants who were interviewed; those in the codings where not given.",
        examples=[["A01", "A04"]],
    )
    raters: list[str] = Field(default_factory=list, description="Raters.", examples=[["R1", "R2"]])
    primary_rater: str | None = Field(
        None, description="Whose codings count where there is no consensus.", examples=["R1"]
    )
    rounds: list[Round] = Field(
        default_factory=list,
        description="Rounds of coding, in order.",
        examples=[[{"id": "reliability", "kind": "reliability"}]],
    )
    codings: list[str] = Field(
        default_factory=list,
        description="Tables of codings; the handbook page on codings explains their columns.",
        examples=[["codings/reliability.csv"]],
    )
    reading: Reading = _reading("each table of codings")
    code_labels: dict[str, str] = Field(
        default_factory=dict, description="Codes in words.", examples=[{"HEAVY": "Feels heavy"}]
    )
    transcripts: list[str] = Field(
        default_factory=list,
        description="Transcript files (VTT, SRT, TXT, DOCX or CSV), by name or with {participant} where the id stands in the name.",
        examples=[["transcripts/{participant}.vtt"]],
    )
    transcript_participants: dict[str, str] = Field(
        default_factory=dict,
        description="Whose transcript a file is, where its name does not say it.",
        examples=[{"transcripts/recording 3.docx": "A07"}],
    )
    translations: list[str] = Field(
        default_factory=list,
        description="Translations of transcripts, turn by turn, shown beside the original.",
        examples=[["transcripts/translations/{participant}.txt"]],
    )
    languages: dict[str, str] = Field(
        default_factory=dict,
        description="Language of a participant's interview (BCP 47), where it is not the study's.",
        examples=[{"A17": "de"}],
    )
    speakers: dict[str, Literal["participant", "interviewer", "other"]] = Field(
        default_factory=dict,
        description="Role of each speaker's name; a speaker named like the participant is the participant.",
        examples=[{"Interviewer": "interviewer"}],
    )
    guide: list[Question] = Field(
        default_factory=list,
        description="Questions of the interview guide, and the headings that begin their part of a transcript.",
        examples=[[{"id": "weight", "label": "How the weight felt", "headings": ["Weight"]}]],
    )
    condition_headings: dict[str, Id] = Field(
        default_factory=dict,
        description="Headings that begin the part about one condition.",
        examples=[{"Second version": "slosh"}],
    )
    units: Literal["answers", "sentences", "spans"] = Field(
        "answers",
        description="What is coded: whole answers, sentences, or free spans of words.",
        examples=["answers"],
    )
    codebook: str | None = Field(None, description="The codebook with its versions (CSV).", examples=["codebook.csv"])
    names: str | None = Field(
        None,
        description="A private list of names to replace (CSV), beside those that are looked for; keep it out of what is shared.",
        examples=["private/names.csv"],
    )


class Exclusion(Declared):
    """Answers left out of the analysis, with the reason."""

    participant: str = Field(description="Whose answers.", examples=["A07"])
    condition: Id | None = Field(None, description="In which condition; all where not given.", examples=["ladle"])
    measures: list[Id] = Field(
        default_factory=list, description="Which measures; all where not given.", examples=[["guess_error"]]
    )
    reason: str = Field(min_length=1, description="Why; it is printed.", examples=["headset lost tracking"])


class Contrast(Declared):
    """A comparison of weighted conditions, fixed before the data were seen."""

    id: Id = Field(description="Short name.", examples=["coach_against_rest"])
    label: str = Field(description="The question in words.", examples=["Coach against the mean of the others"])
    measures: list[Id] = Field(min_length=1, description="Measures it is tested on.", examples=[["effectiveness"]])
    weights: dict[Id, Number] = Field(
        description="Weight of each condition; they add up to zero.", examples=[{"coach": 1, "still": -1}]
    )


class Family(Declared):
    """Tests that are corrected together."""

    id: Id = Field(description="Short name, shown beside each p.", examples=["primary_pairs"])
    tests: Literal["omnibus", "pairs", "contrasts", "factors", "equivalence"] = Field(
        description="Which tests of the measures belong to it.", examples=["pairs"]
    )
    measures: list[Id] = Field(min_length=1, description="Their measures.", examples=[["weight_realism"]])
    correction: Literal["holm", "bonferroni", "hochberg", "benjamini-hochberg", "none"] = Field(
        "holm", description="Correction for multiple tests.", examples=["holm"]
    )


class Bounds(Declared):
    """Differences that count as too small to matter."""

    low: Number = Field(description="Lower bound of the difference.", examples=[-0.5])
    high: Number = Field(description="Upper bound of the difference.", examples=[0.5])

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.low >= self.high:
            raise Contradictions([((), f"low is {self.low:g} and high is {self.high:g}.", "Low must be below high.")])
        return self


class Thresholds(Declared):
    """Values fixed beforehand that intervals are read against. They are never a verdict by themselves."""

    reliability: Number | None = Field(None, ge=0, le=1, description="For alpha and omega.", examples=[0.7])
    agreement: Number | None = Field(None, ge=-1, le=1, description="For agreement between raters.", examples=[0.6])


class Frozen(Declared):
    """When the plan was fixed, and its hash then. Written by `workbench plan STUDY freeze`."""

    on: date = Field(description="Date of freezing.", examples=[date(2026, 3, 2)])
    hash: str = Field(description="SHA-256 of the plan at that time.", examples=["9f…"])


class Departure(Declared):
    """A departure from the frozen plan, declared."""

    what: str = Field(description="What was done differently.", examples=["A test of order effects was added."])
    why: str = Field(description="Why.", examples=["One participant was run in the wrong order."])
    on: date | None = Field(None, description="When it was decided.", examples=[date(2026, 4, 20)])


class Plan(Declared):
    """The analysis plan: decisions that belong before the data."""

    primary: list[Id] = Field(default_factory=list, description="Primary measures.", examples=[["weight_realism"]])
    target_n: int | None = Field(None, ge=1, description="Planned number of participants.", examples=[24])
    smallest_effects: dict[Id, Annotated[Number, Field(gt=0)]] = Field(
        default_factory=dict,
        description="Smallest difference that matters, by measure and in its unit.",
        examples=[{"weight_realism": 0.5}],
    )
    level: float = Field(
        0.05, gt=0, lt=1, description="Significance level; intervals are at 1 - level.", examples=[0.05]
    )
    families: list[Family] = Field(
        default_factory=list,
        description="Families of tests. Tests in none are exploratory, and corrected within their own measure; equivalence tests are planned by their bounds.",
        examples=[[{"id": "primary_pairs", "tests": "pairs", "measures": ["weight_realism"]}]],
    )
    omnibus_gates_pairs: bool = Field(
        True,
        description="Whether pairs count as shown only where the omnibus test is below the level.",
        examples=[True],
    )
    zeros: Literal["pratt", "drop"] = Field(
        "pratt",
        description="Zero differences in the signed-rank test: ranked with the rest and then left out, or left out first.",
        examples=["pratt"],
    )
    missing: Literal["instrument", "half", "complete"] = Field(
        "instrument",
        description="Answers a score needs: as the instrument says, at least half of the items, or all.",
        examples=["instrument"],
    )
    cases: Literal["complete", "available"] = Field(
        "complete",
        description="Pairs and contrasts over participants with all conditions, or over those with each condition that is compared.",
        examples=["complete"],
    )
    contrasts: list[Contrast] = Field(
        default_factory=list,
        description="Planned contrasts.",
        examples=[
            [
                {
                    "id": "coach_against_still",
                    "label": "Coach against still",
                    "measures": ["effectiveness"],
                    "weights": {"coach": 1, "still": -1},
                }
            ]
        ],
    )
    equivalence: dict[Id, Bounds] = Field(
        default_factory=dict,
        description="Equivalence bounds by measure: every pair of conditions is tested against them.",
        examples=[{"effort": {"low": -0.5, "high": 0.5}}],
    )
    thresholds: Thresholds = Field(
        Thresholds(), description="Thresholds fixed beforehand.", examples=[{"reliability": 0.7}]
    )
    seed: int = Field(1, ge=0, description="Seed of everything random (resampling, Monte Carlo).", examples=[20260302])
    frozen: Frozen | None = Field(
        None, description="When the plan was fixed, and its hash.", examples=[{"on": date(2026, 3, 2), "hash": "9f…"}]
    )
    departures: list[Departure] = Field(
        default_factory=list,
        description="Departures from the frozen plan.",
        examples=[
            [{"what": "A test of order effects was added.", "why": "One participant was run in the wrong order."}]
        ],
    )


class Store(Declared):
    """Where decisions are kept: codings, corrections, codebook versions, consensus."""

    url: str | None = Field(
        None,
        description="A PostgreSQL database that the lab shares, as an SQLAlchemy URL without password (PGPASSWORD or a password file holds it); a file in the study folder where not given.",
        examples=["postgresql+psycopg://lab@db.example.org/kitchen"],
    )


class ChosenQuote(Declared):
    """A quote that the researcher chose. Its words are looked for in the unit, letter by letter."""

    unit: str = Field(description="The unit it stands in.", examples=["A04-018"])
    words: str = Field(
        min_length=1,
        description="The words, as they stand in the working text.",
        examples=["My eyes said full and my arms said empty."],
    )


class ChosenExemplar(ChosenQuote):
    """A quote that the researcher chose for a code about a condition. Its words are looked for in the unit, letter by letter."""

    code: str = Field(description="The code.", examples=["HEAVY"])
    condition: Id = Field(description="The condition it speaks about.", examples=["slosh"])


JointKind = Literal["statistics by themes", "side by side", "participants by themes", "condition by code"]
JOINT_KINDS: tuple[JointKind, ...] = get_args(JointKind)


class JointDisplay(Declared):
    """How scores and interviews are set side by side; the constructs that are compared stand in `constructs`."""

    kinds: list[JointKind] = Field(
        list(JOINT_KINDS),
        description="Which displays are made, each where the study has the data for it: per construct what the scores and the interviews show; per construct both by condition, as a figure and a table; who raised which theme (which code, where the codebook has no themes); who raised which code about which condition, with an exemplar.",
        examples=[["statistics by themes", "side by side"]],
    )
    exemplars: list[ChosenExemplar] = Field(
        default_factory=list,
        description="Quotes in place of those that the stated rule finds for a code about a condition.",
        examples=[[{"code": "HEAVY", "condition": "slosh", "unit": "A01-014", "words": "Heavy, the swaying one."}]],
    )


class Construct(Declared):
    """What a measure and some codes are both about, for the joint display."""

    id: Id = Field(description="Short name.", examples=["realism"])
    label: str = Field(description="Its name in words.", examples=["How real the weight feels"])
    measure: Id = Field(description="The measure.", examples=["weight_realism"])
    codes: list[str] = Field(default_factory=list, description="The codes.", examples=[["HEAVY", "SWAY"]])
    themes: list[str] = Field(
        default_factory=list,
        description="Themes of the codebook, all of whose codes belong to it.",
        examples=[["WEIGHT"]],
    )
    supporting: ChosenQuote | None = Field(
        None,
        description="Quote of someone whose scores follow the group; found by the stated rule where not given.",
        examples=[{"unit": "A01-014", "words": "Heavy, the swaying one."}],
    )
    contrary: ChosenQuote | None = Field(
        None,
        description="Quote of someone whose scores contradict the group; found by the stated rule where not given.",
        examples=[{"unit": "A04-018", "words": "My eyes said full and my arms said empty."}],
    )
    verdict: Literal["agreement", "complementary", "dissonance", "silence"] | None = Field(
        None, description="The researcher's reading of both strands together.", examples=["complementary"]
    )
    reason: str = Field(
        "",
        description="Why this verdict.",
        examples=["Ratings and words point to the same version, for different reasons."],
    )
    inference: str = Field(
        "", description="What follows.", examples=["Visible movement carries the impression of weight."]
    )

    @model_validator(mode="after")
    def _names_codes(self) -> Self:
        if not (self.codes or self.themes):
            raise Contradictions([(("codes",), "No code and no theme is named.", "Name what speaks of the measure.")])
        return self


class Declaration(Declared):
    """The whole of study.toml."""

    format: int = Field(ge=1, le=1, description="Version of this file format.", examples=[1])
    id: Id = Field(description="Short name of the study.", examples=["practice-kitchen"])
    title: str = Field(description="Title.", examples=["A practice kitchen in mixed reality"])
    note: str = Field(
        "",
        description="A sentence printed on every report, such as that the data are invented.",
        examples=["All people and data are invented."],
    )
    language: str = Field("en", description="Language of the study (BCP 47).", examples=["en"])
    conditions: list[Condition] = Field(
        min_length=1,
        description="The conditions, in the order of tables.",
        examples=[[{"id": "still", "label": "Still"}]],
    )
    participants: Participants = Field(description="Who takes part.", examples=[{"ids": ["A01", "A02"]}])
    sequences: dict[str, list[Id]] = Field(
        default_factory=dict, description="Orders of conditions by name.", examples=[{"1": ["still", "slosh"]}]
    )
    session_log: SessionLog | None = Field(
        None, description="The orders as run.", examples=[{"file": "session_log.csv"}]
    )
    questionnaires: list[Questionnaire] = Field(
        default_factory=list,
        description="The questionnaires.",
        examples=[
            [
                {
                    "id": "after_version",
                    "asked": "per_condition",
                    "instruments": [{"id": "weight_realism", "version": "1.0"}],
                    "files": ["responses/after_version.csv"],
                }
            ]
        ],
    )
    trials: list[Trials] = Field(
        default_factory=list,
        description="Tables of trials.",
        examples=[
            [
                {
                    "id": "lifts",
                    "files": ["trials.csv"],
                    "measures": [
                        {"id": "guess_error", "label": "Error of the guess", "column": "guess", "summary": "mean"}
                    ],
                }
            ]
        ],
    )
    preference: Preference | None = Field(
        None,
        description="Preference between the conditions.",
        examples=[{"file": "ranking.csv", "columns": {"still": "rank_still", "slosh": "rank_slosh"}}],
    )
    interviews: Interviews | None = Field(
        None,
        description="Interviews and their coding.",
        examples=[{"mode": "coding reliability", "raters": ["R1", "R2"], "codings": ["codings/reliability.csv"]}],
    )
    store: Store = Field(
        Store(),
        description="Where decisions are kept.",
        examples=[{"url": "postgresql+psycopg://lab@db.example.org/kitchen"}],
    )
    exclusions: list[Exclusion] = Field(
        default_factory=list,
        description="What is left out, with reasons.",
        examples=[[{"participant": "A07", "condition": "ladle", "reason": "headset lost tracking"}]],
    )
    constructs: list[Construct] = Field(
        default_factory=list,
        description="Rows of the joint display.",
        examples=[
            [
                {
                    "id": "realism",
                    "label": "How real the weight feels",
                    "measure": "weight_realism",
                    "codes": ["HEAVY", "SWAY"],
                }
            ]
        ],
    )
    joint: JointDisplay = Field(
        JointDisplay(),
        description="Which joint displays are made, and quotes chosen for them.",
        examples=[{"kinds": ["side by side", "condition by code"]}],
    )
    plan: Plan = Field(Plan(), description="The analysis plan.", examples=[{"primary": ["weight_realism"]}])


@dataclass(frozen=True, slots=True, eq=False)
class Study:
    """A study folder whose study.toml, instruments and participants have been read.

    `participants` are the declared ids without pilots, in order; `assigned` maps a participant to
    the name of the sequence assigned; `instruments` are by id; `notes` are findings that do not block.
    """

    folder: Path
    declared: Declaration
    participants: tuple[str, ...]
    assigned: dict[str, str]
    instruments: dict[str, Instrument]
    notes: tuple[Finding, ...] = ()

    @property
    def plan(self) -> Plan:
        return self.declared.plan

    @property
    def conditions(self) -> tuple[str, ...]:
        return tuple(condition.id for condition in self.declared.conditions)

    @property
    def condition_labels(self) -> dict[str, str]:
        return {condition.id: condition.label for condition in self.declared.conditions}

    def path(self, name: str) -> Path:
        return self.folder / name

    def permissions_of(self, participant: str) -> Permissions:
        """What a participant allows."""
        who = self.declared.participants
        return who.permissions.get(participant, who.default_permissions)

    def table(self, file: str, reading: Reading) -> SourceTable:
        """A collected table, read as declared; StudyError with its faults."""
        return read_table(self.path(file), file, **reading.model_dump())

    def measure_ids(self) -> set[str]:
        """Ids of all measures that the declared instruments and trials give."""
        scales = {scale.id for instrument in self.instruments.values() for scale in instrument.scales}
        return scales | {measure.id for trials in self.declared.trials for measure in trials.measures}


def open_study(folder: Path, file: str = STUDY_FILE) -> Study:
    """The study in `folder`; `file` is what stands there for its study.toml, such as a changed one that is checked first.

    Raises StudyError with every fault of study.toml, of the instruments it names and of the table
    of participants, each with its place and what to do.
    """
    remedy = "Give the folder that holds study.toml; `workbench new` makes one."
    if not folder.is_dir():
        found = "This is a file, not a study folder." if folder.exists() else "There is no such folder."
        raise StudyError([fault(str(folder), "", found, remedy, "missing folder")])
    if not (folder / file).exists():
        raise StudyError([fault(str(folder), "", "There is no study.toml in this folder.", remedy, "missing file")])
    declared = parse(Declaration, read_toml(folder / file, STUDY_FILE), STUDY_FILE)
    findings: list[Finding] = []
    instruments: dict[str, Instrument] = {}
    for place, use in _instrument_uses(declared):
        with gathering(findings):
            instruments[use.id] = find_instrument(use.id, use.version, folder, place)
    participants: tuple[str, ...] = ()
    assigned: dict[str, str] = {}
    notes: tuple[Finding, ...] = ()
    with gathering(findings):
        participants, assigned, notes = _participants(declared, folder)
    study = Study(folder, declared, participants, assigned, instruments, notes)
    findings += _contradictions(study, names_are_known=not findings)
    if findings:
        raise StudyError(findings)
    return study


def _instrument_uses(declared: Declaration) -> list[tuple[str, InstrumentUse]]:
    return [
        (f"questionnaires[{number}].instruments[{position}]", use)
        for number, questionnaire in enumerate(declared.questionnaires, start=1)
        for position, use in enumerate(questionnaire.instruments, start=1)
    ]


def _participants(declared: Declaration, folder: Path) -> tuple[tuple[str, ...], dict[str, str], tuple[Finding, ...]]:
    """The participants, the sequences assigned to them, and notes on their table."""
    who = declared.participants
    ids, assigned = list(who.ids), {}
    notes: tuple[Finding, ...] = ()
    if who.file is not None:
        table = read_table(folder / who.file, who.file, **who.reading.model_dump())
        notes = table.notes
        needed = [who.column] + ([who.sequence_column] if who.sequence_column else [])
        absent = [column for column in needed if column not in table.columns]
        if absent:
            raise StudyError(
                [
                    fault(
                        who.file,
                        table.header,
                        f"There is no column “{column}”.",
                        nearest(column, table.columns),
                        "missing column",
                    )
                    for column in absent
                ]
            )
        listed = table.frame[who.column].str.strip()
        faults = [
            fault(who.file, f"row {row}", "This row names no participant.", "Fill in the id, or remove the row.")
            for row in listed.index[listed == ""]
        ]
        faults += [
            fault(who.file, f"row {row}", f"“{name}” stands in an earlier row already.", "Keep one row.", "duplicate")
            for row, name in listed[listed.duplicated() & (listed != "")].items()
        ]
        if faults:
            raise StudyError(faults)
        ids = ids or list(listed)
        if who.sequence_column:
            assigned = {
                one: sequence.strip()
                for one, sequence in zip(listed, table.frame[who.sequence_column], strict=True)
                if sequence.strip()
            }
    known = set(ids)
    return (
        tuple(one for one in ids if one not in who.pilots),
        {one: name for one, name in assigned.items() if one in known},
        notes,
    )


def _contradictions(study: Study, *, names_are_known: bool) -> list[Finding]:
    """What single keys cannot show: repeated ids, and names that nothing declares."""
    findings = [*_repeated_names(study), *_ambiguous_condition_words(study), *_unclear_participants(study)]
    findings += [*_unknown_conditions(study), *_unsound_contrasts(study), *_unsound_sequences(study)]
    findings += [*_unsound_preference(study), *_unknown_rater(study), *_corrections_of_other_files(study)]
    if names_are_known:
        findings += [*_unknown_measures(study), *_tests_in_two_families(study), *_untested_measures(study)]
        findings += _families_of_no_tests(study)
        findings += [*_unknown_participants(study), *_unknown_sequences(study)]
    return findings


def _repeated_names(study: Study) -> list[Finding]:
    declared, interviews = study.declared, study.declared.interviews
    scales = [scale.id for one in study.instruments.values() for scale in one.scales]
    named: dict[str, Iterable[str]] = {
        "conditions": study.conditions,
        "participants.ids": declared.participants.ids,
        "participants.pilots": declared.participants.pilots,
        "questionnaires": [one.id for one in declared.questionnaires],
        "questionnaires.instruments": [use.id for _, use in _instrument_uses(declared)],
        "trials": [one.id for one in declared.trials],
        "scales and trials.measures": [*scales, *(one.id for trials in declared.trials for one in trials.measures)],
        "interviews.rounds": [one.id for one in interviews.rounds] if interviews else [],
        "interviews.raters": interviews.raters if interviews else [],
        "interviews.interviewed": interviews.interviewed if interviews else [],
        "interviews.codings": interviews.codings if interviews else [],
        "interviews.transcripts": interviews.transcripts if interviews else [],
        "interviews.guide": [one.id for one in interviews.guide] if interviews else [],
        "constructs": [one.id for one in declared.constructs],
        "joint.kinds": declared.joint.kinds,
        "joint.exemplars": [f"{one.code} about {one.condition}" for one in declared.joint.exemplars],
        "plan.primary": declared.plan.primary,
        "plan.families": [one.id for one in declared.plan.families],
        "plan.contrasts": [one.id for one in declared.plan.contrasts],
    }
    return [finding for place, names in named.items() for finding in _repeats(place, names)]


def _repeats(place: str, names: Iterable[str]) -> list[Finding]:
    return [
        fault(
            STUDY_FILE, place, f"The name “{name}” is used {count} times.", "Give each its own name.", "repeated name"
        )
        for name, count in Counter(names).items()
        if count > 1
    ]


def _ambiguous_condition_words(study: Study) -> list[Finding]:
    """Words that name two conditions, since response files may say id or label in capitals or not."""
    meant: dict[str, dict[str, str]] = {}
    for condition in study.declared.conditions:
        for word in (condition.id, condition.label):
            meant.setdefault(word.strip().casefold(), {})[condition.id] = word
    findings = [
        fault(
            STUDY_FILE,
            "conditions",
            f"“{next(iter(words.values()))}” can mean {' and '.join(words)}: ids and labels are read alike in capitals or not.",
            "Word the ids and labels differently.",
            "repeated name",
        )
        for word, words in meant.items()
        if len(words) > 1 and word
    ]
    return findings + [
        fault(
            STUDY_FILE, f"conditions[{number}].label", "The label is empty.", "Give it a name in words.", "wrong value"
        )
        for number, condition in enumerate(study.declared.conditions, 1)
        if not condition.label.strip()
    ]


def _unclear_participants(study: Study) -> list[Finding]:
    who = study.declared.participants
    findings = [
        fault(
            STUDY_FILE,
            f"participants.{key}",
            f"“{name}” is empty, or has spaces at its ends.",
            "Files are read without such spaces; write the id without them.",
            "wrong value",
        )
        for key, names in (("ids", who.ids), ("pilots", who.pilots))
        for name in names
        if not name or name != name.strip()
    ]
    if who.sequence_column and who.file is None:
        found, remedy = "There is no table that could have this column.", "Name the table in participants.file."
        findings.append(fault(STUDY_FILE, "participants.sequence_column", found, remedy, "missing key"))
    return findings


def _unknown(place: str, what: str, name: str, known: Iterable[str]) -> Finding:
    return fault(
        STUDY_FILE, place, f"“{name}” is no {what} of this study.", nearest(name, sorted(known)), f"unknown {what}"
    )


def _unknown_conditions(study: Study) -> list[Finding]:
    declared = study.declared
    named = [
        (f"sequences.{name}", condition) for name, sequence in declared.sequences.items() for condition in sequence
    ]
    named += [
        (f"questionnaires[{number}].condition_names", condition)
        for number, one in enumerate(declared.questionnaires, 1)
        for condition in one.condition_names.values()
    ]
    named += [
        (f"exclusions[{number}]", one.condition) for number, one in enumerate(declared.exclusions, 1) if one.condition
    ]
    named += [
        (f"plan.contrasts[{number}].weights", condition)
        for number, one in enumerate(declared.plan.contrasts, 1)
        for condition in one.weights
    ]
    named += [
        ("preference.columns", condition) for condition in (declared.preference.columns if declared.preference else {})
    ]
    named += [(f"joint.exemplars[{number}]", one.condition) for number, one in enumerate(declared.joint.exemplars, 1)]
    headings = declared.interviews.condition_headings if declared.interviews else {}
    named += [("interviews.condition_headings", condition) for condition in headings.values()]
    return [
        _unknown(place, "condition", condition, study.conditions)
        for place, condition in named
        if condition not in study.conditions
    ]


def _unsound_contrasts(study: Study) -> list[Finding]:
    findings = []
    for number, one in enumerate(study.plan.contrasts, 1):
        total = sum(one.weights.values())
        if abs(total) > 1e-9 or not any(one.weights.values()):
            found = f"The weights add up to {total:g}." if any(one.weights.values()) else "No condition has a weight."
            remedy = "Weights of a contrast must add up to zero, and not all be zero."
            findings.append(fault(STUDY_FILE, f"plan.contrasts[{number}].weights", found, remedy, "wrong value"))
    return findings


def _unsound_sequences(study: Study) -> list[Finding]:
    return [
        fault(
            STUDY_FILE,
            f"sequences.{name}",
            "A sequence must hold every condition once.",
            f"Conditions here: {', '.join(study.conditions)}.",
            "wrong value",
        )
        for name, sequence in study.declared.sequences.items()
        if sorted(sequence) != sorted(study.conditions) and set(sequence) <= set(study.conditions)
    ]


def _unsound_preference(study: Study) -> list[Finding]:
    declared = study.declared.preference
    if declared is None or declared.kind != "ranking":
        return []
    absent = [condition for condition in study.conditions if condition not in declared.columns]
    findings = _repeats("preference.columns", declared.columns.values())
    if absent:
        found, remedy = f"No rank column is named for {', '.join(absent)}.", "Name the column of every condition."
        findings.append(fault(STUDY_FILE, "preference.columns", found, remedy, "missing key"))
    return findings


def _unknown_measures(study: Study) -> list[Finding]:
    plan, known = study.plan, study.measure_ids()
    named = [("plan.primary", measure) for measure in plan.primary]
    named += [("plan.smallest_effects", measure) for measure in plan.smallest_effects]
    named += [("plan.equivalence", measure) for measure in plan.equivalence]
    named += [
        (f"plan.families[{number}]", measure) for number, one in enumerate(plan.families, 1) for measure in one.measures
    ]
    named += [
        (f"plan.contrasts[{number}]", measure)
        for number, one in enumerate(plan.contrasts, 1)
        for measure in one.measures
    ]
    named += [(f"constructs[{number}]", one.measure) for number, one in enumerate(study.declared.constructs, 1)]
    named += [
        (f"exclusions[{number}].measures", measure)
        for number, one in enumerate(study.declared.exclusions, 1)
        for measure in one.measures
    ]
    return [_unknown(place, "measure", measure, known) for place, measure in named if measure not in known]


def _tests_in_two_families(study: Study) -> list[Finding]:
    counts = Counter((one.tests, measure) for one in study.plan.families for measure in one.measures)
    return [
        fault(
            STUDY_FILE,
            "plan.families",
            f"The {tests} tests of “{measure}” stand in families {count} times.",
            "A test belongs to one family.",
            "repeated name",
        )
        for (tests, measure), count in counts.items()
        if count > 1
    ]


def _untested_measures(study: Study) -> list[Finding]:
    """Tests planned for measures that are only described, as they were not asked in each condition."""
    asked = {
        scale.id: questionnaire.asked
        for questionnaire in study.declared.questionnaires
        for use in questionnaire.instruments
        for scale in study.instruments[use.id].scales
    }
    words = {"once": "once", "before_after": "before and after"}
    planned = [(f"families[{number}].measures", one.measures) for number, one in enumerate(study.plan.families, 1)]
    planned += [(f"contrasts[{number}].measures", one.measures) for number, one in enumerate(study.plan.contrasts, 1)]
    planned += [("equivalence", list(study.plan.equivalence))]
    return [
        fault(
            STUDY_FILE,
            f"plan.{place}",
            f"“{measure}” was asked {words[asked[measure]]}, so nothing compares it across conditions.",
            "Leave it out of the tests; it is described.",
            "contradiction",
        )
        for place, measures in planned
        for measure in measures
        if asked.get(measure) in words
    ]


def _corrections_of_other_files(study: Study) -> list[Finding]:
    """Answers turned round and rows left out in files that the questionnaire does not read."""
    return [
        fault(
            STUDY_FILE,
            f"questionnaires[{number}].{key}",
            f"“{one.file}” is no file of this questionnaire.",
            nearest(one.file, questionnaire.files),
            "contradiction",
        )
        for number, questionnaire in enumerate(study.declared.questionnaires, 1)
        for key in ("turned_round", "rows_left_out")
        for one in getattr(questionnaire, key)
        if one.file not in questionnaire.files
    ]


def _families_of_no_tests(study: Study) -> list[Finding]:
    """Families of equivalence tests without bounds, and of factors where no condition has any."""
    findings = []
    factorial = any(condition.factors for condition in study.declared.conditions)
    for number, one in enumerate(study.plan.families, 1):
        place = f"plan.families[{number}]"
        if one.tests == "factors" and not factorial:
            remedy = "Give the conditions their levels under `factors`, or leave the family out."
            findings.append(fault(STUDY_FILE, place, "No condition has factors.", remedy, "contradiction"))
        if one.tests == "equivalence":
            findings += [
                fault(
                    STUDY_FILE,
                    place,
                    f"No bounds are stated for “{measure}”.",
                    "State them under plan.equivalence, or leave the measure out of the family.",
                    "contradiction",
                )
                for measure in one.measures
                if measure not in study.plan.equivalence
            ]
    return findings


def _unknown_rater(study: Study) -> list[Finding]:
    interviews = study.declared.interviews
    if interviews is None or interviews.primary_rater in (None, *interviews.raters):
        return []
    return [_unknown("interviews.primary_rater", "rater", interviews.primary_rater or "", interviews.raters)]


def _unknown_participants(study: Study) -> list[Finding]:
    declared = study.declared
    if not study.participants:
        remedy = "List them in `participants.ids`, or name a `participants.file` with a row for each."
        return [fault(STUDY_FILE, "participants", "No participants are declared.", remedy, "missing key")]
    named = [(f"exclusions[{number}]", one.participant) for number, one in enumerate(declared.exclusions, 1)]
    named += [("participants.permissions", one) for one in declared.participants.permissions]
    if interviews := declared.interviews:
        named += [("interviews.interviewed", one) for one in interviews.interviewed]
        named += [("interviews.transcript_participants", one) for one in interviews.transcript_participants.values()]
        named += [("interviews.languages", one) for one in interviews.languages]
    return [
        _unknown(place, "participant", one, study.participants) for place, one in named if one not in study.participants
    ]


def _unknown_sequences(study: Study) -> list[Finding]:
    sequences = study.declared.sequences
    return [
        fault(
            study.declared.participants.file or STUDY_FILE,
            f"participant {one}",
            f"“{name}” is no sequence of this study.",
            nearest(name, sorted(sequences)),
            "unknown sequence",
        )
        for one, name in study.assigned.items()
        if sequences and name not in sequences
    ]


def plan_hash(plan: Plan) -> str:
    """SHA-256 of the plan's decisions, without the note of its freezing and the departures.

    The hash is over sorted JSON, so comments, spacing, the order of keys and writing 1 as 1.0 do not change it.
    Values at their default are left out: saying a default changes nothing, and keys that a later version of this
    package adds leave the hash of an old plan as it was. So a default, once released, stays.
    """
    content = plan.model_dump_json(exclude={"frozen", "departures"}, exclude_defaults=True)
    same_numbers = json.loads(content, parse_float=_whole_where_it_is)
    return hashlib.sha256(json.dumps(same_numbers, sort_keys=True, ensure_ascii=False).encode()).hexdigest()


def _whole_where_it_is(number: str) -> Number:
    value = float(number)
    return int(value) if value.is_integer() else value


def plan_changed(plan: Plan) -> bool:
    """Whether a frozen plan is no longer the one that was frozen."""
    return plan.frozen is not None and plan.frozen.hash != plan_hash(plan)


def freeze_plan(study: Study, on: date) -> str:
    """Write the date and the plan's hash into study.toml, comments kept; returns the hash.

    Raises StudyError when the plan is frozen already: a frozen plan is not frozen anew.
    """
    plan = parse(Declaration, read_toml(study.path(STUDY_FILE), STUDY_FILE), STUDY_FILE).plan
    if plan.frozen is not None:
        found = f"The plan was frozen on {plan.frozen.on}."
        raise StudyError(
            [fault(STUDY_FILE, "plan.frozen", found, "Declare what changed under plan.departures.", "frozen plan")]
        )
    hash_now = plan_hash(plan)
    import tomlkit

    document = tomlkit.parse(read_text(study.path(STUDY_FILE), STUDY_FILE))
    note = tomlkit.inline_table()
    note.update({"on": on, "hash": hash_now})
    if "plan" not in document:
        document["plan"] = tomlkit.table()
    document["plan"]["frozen"] = note
    write_atomically(study.path(STUDY_FILE), tomlkit.dumps(document))
    return hash_now
