"""Agreement between raters, per code and round, with participants as clusters.

Codings before consensus are compared; units that revised the codebook (pilot rounds) are refused in every later
round. Agreement is not validity, and no coefficient rates a rater. What raters disagree about is in
`disagreements`, change over time in `drift`, the size of samples in `agreement_sample`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import isnan
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.analysis.agreement_attributes import AttributeAgreement, attribute_agreement
from workbench.analysis.agreement_sample import HALF_WIDTH, PLANNED_KAPPA, SamplePlan, sample_plan
from workbench.analysis.disagreements import Disagreements, disagreements
from workbench.analysis.drift import Drift, drift
from workbench.analysis.ratings import Ratings, known_codes, numbered, ratings_of
from workbench.analysis.spans import SpanAgreement, span_agreement
from workbench.codebook.model import Change, Codebooks, changes, version_age
from workbench.coding.codings import CONSENSUS, UNIT, in_latest_version
from workbench.stats.agreement import (
    AgreementCoefficient,
    AlphaCoefficient,
    PercentAgreement,
    SpecificAgreement,
    cohen_kappa,
    fleiss_kappa,
    gwet_ac,
    krippendorff_alpha,
    percent_agreement,
    set_alpha,
    specific_agreement,
)
from workbench.study import Interviews, Round, Study

if TYPE_CHECKING:
    import pandas as pd

RESAMPLES = 1000
FEW_CLUSTERS = 15
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True, eq=False)
class CodeAgreement:
    """Agreement on one code in one round: applied or not, unit by unit.

    Some rater applied it to `n_applied` of the `n_units` with two ratings or more. `n_single` units were rated by one rater only; on `n_unusable` more only one rater's codebook version had the code.
    `prevalence` is the share of units to which each rater applied it. `kappa` is Cohen's with two
    raters and Fleiss' with more. Bootstrap intervals resample participants.
    """

    code: str
    n_units: int
    n_applied: int
    n_single: int
    n_unusable: int
    prevalence: dict[str, float]
    percent: PercentAgreement
    specific: SpecificAgreement
    kappa: AgreementCoefficient
    ac1: AgreementCoefficient
    alpha: AlphaCoefficient
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class Resolution:
    """What became of the units that two raters coded.

    For `n_settled` of them a consensus stands: the common coding of all raters (`n_as_all`), that of one (`n_as`), or
    `n_other`. `share_same` is the share of units with one agreed coding, after consensus.
    """

    n_settled: int
    n_as_all: int
    n_as: dict[str, int]
    n_other: int
    share_same: float


@dataclass(frozen=True, slots=True, eq=False)
class RoundAgreement:
    """Agreement in one round of coding. `participants` with double-coded units are what is resampled.

    `n_refused` units stood in a pilot round and are left out; of the `n_units` others two raters rated `n_double`. `same_sets` is the
    share of units to which raters gave the same codes, `overall` alpha over sets of codes. `changes` are
    those of the codebook since the round before, where a codebook is given. `drift`, `sample` and
    `resolution` are None where nothing is to be said; `reason` says why a round has no coefficients.
    """

    round: Round
    codebook_version: str
    raters: tuple[str, ...]
    n_units: int
    n_double: int
    n_refused: int
    participants: int
    codes: tuple[CodeAgreement, ...]
    same_sets: PercentAgreement
    overall: AlphaCoefficient
    about: tuple[AttributeAgreement, ...]
    spans: SpanAgreement | None
    changes: tuple[Change, ...]
    drift: Drift | None
    sample: SamplePlan | None
    disagreements: Disagreements
    resolution: Resolution | None
    reason: str

    @property
    def few_clusters(self) -> bool:
        """Whether resampling so few participants makes intervals too narrow."""
        return self.participants < FEW_CLUSTERS

    @property
    def reported(self) -> bool:
        """Whether its figures may stand in a paper: two raters coded, on units that revised no codebook."""
        return self.round.kind != "pilot" and self.n_double > 0


def agreement(
    study: Study,
    rows: pd.DataFrame,
    *,
    resamples: int = RESAMPLES,
    half_width: float = HALF_WIDTH,
    kappa: float = PLANNED_KAPPA,
    codebooks: Codebooks | None = None,
    texts: Mapping[str, str] | None = None,
    progress: Progress = lambda done, total: None,
) -> list[RoundAgreement]:
    """Agreement in every round of independent coding, also where nothing was coded twice; none in a reflexive study.

    `half_width` and `kappa` are what further units are planned for. Without `codebooks` a version has the codes that
    anybody used under it. `texts` has the words of units, whose lengths matter where spans are coded.
    """
    interviews = study.declared.interviews
    if interviews is None or interviews.mode == "reflexive":
        return []
    rows = rows.astype(object)  # strings that come out one by one, quickly
    known = known_codes(rows)
    for book in codebooks.versions if codebooks else ():
        known[book.version] = known.get(book.version, frozenset()) | frozenset(book.names)
    coded = [one for one in interviews.rounds if one.kind != "consensus" and (rows["round"] == one.id).any()]
    piloted = _units_in(rows, [one.id for one in interviews.rounds if one.kind == "pilot"])
    own = rows[rows["rater"] != CONSENSUS]
    asked = _Asked(study, interviews, rows, known, resamples, half_width, kappa, texts or {})
    found: list[RoundAgreement] = []
    for number, one in enumerate(coded):
        progress(number, len(coded))
        here = in_latest_version(own[own["round"] == one.id])
        changed = _changes(codebooks, found, here)
        found.append(_in_round(asked, one, here, piloted if one.kind != "pilot" else frozenset(), changed))
    progress(len(coded), len(coded))
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Asked:
    """What all rounds share."""

    study: Study
    interviews: Interviews
    rows: pd.DataFrame
    known: Mapping[str, frozenset[str]]
    resamples: int
    half_width: float
    kappa: float
    texts: Mapping[str, str]

    @property
    def level(self) -> float:
        return 1 - self.study.plan.level

    def rng(self, stream: int = 0) -> np.random.Generator:
        """Randomness from the plan's seed; each kind of result has a stream of its own."""
        return np.random.default_rng([self.study.plan.seed, stream] if stream else self.study.plan.seed)


def _changes(codebooks: Codebooks | None, found: Sequence[RoundAgreement], rows: pd.DataFrame) -> tuple[Change, ...]:
    """What the codebook changed between the version of the round before and that of `rows`, where both are known."""
    books = {book.version: book for book in codebooks.versions} if codebooks else {}
    before = found[-1].codebook_version if found else ""
    now = max(rows["codebook_version"].unique(), key=version_age, default="")
    return tuple(changes(books[before], books[now])) if before in books and now in books and before != now else ()


def _units_in(rows: pd.DataFrame, rounds: list[str]) -> frozenset[tuple[str, str]]:
    return frozenset(rows.loc[rows["round"].isin(rounds), UNIT].itertuples(index=False, name=None))


def _in_round(
    asked: _Asked, one: Round, rows: pd.DataFrame, refused: frozenset[tuple[str, str]], changed: tuple[Change, ...]
) -> RoundAgreement:
    raters = [rater for rater in asked.interviews.raters if rater in set(rows["rater"])]
    everything = ratings_of(rows, raters, asked.known)
    left_out = np.array([unit in refused for unit in everything.units], dtype=bool) & bool(everything.double.any())
    ratings = everything.only(~left_out)
    double = ratings.only(ratings.double)
    twice = set(double.units)
    kept = rows[[unit in twice for unit in rows[UNIT].itertuples(index=False, name=None)]]
    level, resamples, any_double = asked.level, asked.resamples, bool(twice)
    rng, further = asked.rng(), asked.rng(1)
    codes = [
        _on_code(ratings, place, level, resamples, rng, further) for place in range(len(ratings.codes) * any_double)
    ]
    drawn: dict[str, Any] = {"clusters": double.clusters, "resamples": resamples, "level": level}
    sets = double.sets if any_double else np.empty((0, 2), dtype=object)
    overall = set_alpha(sets, rng=rng, **drawn)
    return RoundAgreement(
        one,
        " and ".join(version for version in everything.versions if version),
        tuple(raters),
        len(ratings.units),
        len(double.units),
        int(left_out.sum()),
        len(set(double.participants)),
        tuple(codes),
        percent_agreement(numbered(sets, max(len(raters), 2)), rng=further, **drawn),
        overall,
        attribute_agreement(kept, double, level, resamples, asked.rng(2)) if any_double else (),
        span_agreement(kept, double, asked.texts, level, resamples, asked.rng(3)) if any_double else None,
        changed,
        drift(double, level, resamples, asked.rng(4)) if any_double else None,
        _sample(asked, one, double, level) if any_double and one.kind != "pilot" else None,
        disagreements(double, _neighbours(asked.rows), overall.value),
        _resolution(asked, double) if any_double else None,
        _why_none(ratings, len(double.units), int(left_out.sum())),
    )


def _why_none(ratings: Ratings, n_double: int, n_refused: int) -> str:
    if n_double:
        return ""
    if not ratings.units:
        return f"All {n_refused} units stood in a pilot round, so none may be counted."
    if len(ratings.raters) < 2:
        return f"Only {', '.join(ratings.raters) or 'nobody'} coded here, so there is no agreement to look at."
    return f"No unit was coded by two of {', '.join(ratings.raters)}."


def _on_code(
    ratings: Ratings, place: int, level: float, resamples: int, rng: np.random.Generator, further: np.random.Generator
) -> CodeAgreement:
    applied, clusters = ratings.applied[:, :, place], ratings.clusters
    usable = (~np.isnan(applied)).sum(axis=1)
    n_rated = ratings.rated.sum(axis=1)
    two = len(ratings.raters) == 2
    drawn: dict[str, Any] = {"clusters": clusters, "resamples": resamples, "level": level}
    kappa = (cohen_kappa if two else fleiss_kappa)(applied, categories=[0, 1], rng=rng, **drawn)
    ac1 = gwet_ac(applied, categories=[0, 1], rng=rng, **drawn)
    alpha = krippendorff_alpha(applied, categories=[0, 1], rng=rng, **drawn)
    prevalence = {rater: _mean(ratings.applied[:, number, place]) for number, rater in enumerate(ratings.raters)}
    n_unusable = int(((n_rated > 1) & (usable < 2)).sum())
    return CodeAgreement(
        ratings.codes[place],
        int((usable > 1).sum()),
        int((applied[usable > 1] == 1).any(axis=1).sum()),
        int((n_rated == 1).sum()),
        n_unusable,
        prevalence,
        percent_agreement(applied, rng=further, **drawn),
        specific_agreement(applied, rng=further, **drawn),
        kappa,
        ac1,
        alpha,
        _remark(ratings, place, prevalence, n_unusable, kappa.reason),
    )


def _mean(values: np.ndarray) -> float:
    given = values[~np.isnan(values)]
    return float(given.mean()) if len(given) else float("nan")


def _remark(ratings: Ratings, place: int, prevalence: dict[str, float], n_unusable: int, reason: str) -> str:
    """Who could not use the code, or did not, and why a coefficient is undefined."""
    without = [rater for rater, share in prevalence.items() if isnan(share)]
    never = [rater for rater, share in prevalence.items() if share == 0]
    told = []
    if n_unusable:
        who = ", ".join(without) if without else "one of the raters"
        told.append(f"{n_unusable} units left out: the codebook version of {who} did not have the code")
    if never and len(never) == len(prevalence) - len(without):
        told.append("nobody applied it here, so agreement on it shows nothing")
    elif never:
        told.append(f"never applied by {', '.join(never)}")
    if reason and not (never and len(never) == len(prevalence)):
        told.append(reason)
    return "; ".join(told)


def _sample(asked: _Asked, one: Round, double: Ratings, level: float) -> SamplePlan:
    """What further units would show; those at hand are coded by one rater, outside pilot rounds."""
    pilots = {other.id for other in asked.interviews.rounds if other.kind == "pilot"}
    rows = asked.rows[~asked.rows["round"].isin(pilots) & (asked.rows["rater"] != CONSENSUS)]
    seen = set(double.units)
    at_hand = rows[[unit not in seen for unit in rows[UNIT].itertuples(index=False, name=None)]]
    likely = at_hand.drop_duplicates([*UNIT, "code"])["code"].value_counts().to_dict()
    return sample_plan(
        double,
        likely,
        len(at_hand.drop_duplicates(UNIT)),
        half_width=asked.half_width,
        kappa=asked.kappa,
        level=level,
        rng=asked.rng(5),
    )


def _neighbours(rows: pd.DataFrame) -> dict[tuple[str, str], tuple[tuple[str, str], ...]]:
    """The units beside each unit in its transcript, of all that were coded; numbers in names sort as numbers."""
    beside = {}
    for transcript, part in rows.groupby("transcript"):
        units = [(str(transcript), unit) for unit in sorted(part["unit"].unique(), key=version_age)]
        for place, unit in enumerate(units):
            beside[unit] = (*units[max(place - 1, 0) : place], *units[place + 1 : place + 2])
    return beside


def _resolution(asked: _Asked, double: Ratings) -> Resolution | None:
    """How the double-coded units stand with the consensus; None where no consensus was coded."""
    rounds = {one.id for one in asked.interviews.rounds if one.kind == "consensus"}
    rows = asked.rows[asked.rows["round"].isin(rounds) | (asked.rows["rater"] == CONSENSUS)]
    agreed = {
        unit: frozenset(code for code in part["code"] if code)
        for unit, part in in_latest_version(rows).groupby(UNIT)
        if unit in set(double.units)
    }
    if not agreed:
        return None
    n_as, n_all, n_same = dict.fromkeys(double.raters, 0), 0, 0
    for unit, sets in zip(double.units, double.sets, strict=True):
        given = {rater: one for rater, one in zip(double.raters, sets, strict=True) if one is not None}
        same = len(set(given.values())) == 1
        n_same += same or unit in agreed
        if unit in agreed:
            theirs = [rater for rater, one in given.items() if one == agreed[unit]]
            if len(theirs) == len(given):
                n_all += 1
            elif theirs:
                for rater in theirs:
                    n_as[rater] += 1
    n_other = sum(
        agreed[unit] not in sets for unit, sets in zip(double.units, double.sets, strict=True) if unit in agreed
    )
    return Resolution(len(agreed), n_all, n_as, n_other, n_same / len(double.units))
