"""A small coding project: two raters, four rounds, units of three participants, a codebook, an empty journal."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from study_folders import study_in

from workbench.codebook.model import Code, Codebook, with_changes
from workbench.coding.decisions import ClosedView, RaterView
from workbench.coding.rounds import begin_round, submit_round
from workbench.store.journal import Journal
from workbench.store.opening import open_store
from workbench.study import Interviews, Study

ROUNDS = [
    {"id": "pilot", "kind": "pilot"},
    {"id": "rely", "kind": "reliability"},
    {"id": "main", "kind": "main"},
    {"id": "agreed", "kind": "consensus"},
]


@dataclass(frozen=True)
class Unit:
    """A unit as raters meet it."""

    id: str
    transcript: str
    participant: str
    text: str = "The pot felt really heavy when I lifted it."


def some_units(**counts: int) -> list[Unit]:
    """So many units of each participant."""
    return [Unit(f"{who}-{2 * n:03d}", who, who) for who, count in counts.items() for n in range(1, count + 1)]


FIRST = Codebook("1", (Code("HEFT", definition="weight"), Code("SWAY"), Code("PLAY")), author="R1")
SECOND = Codebook(
    "2",
    (
        Code("HEAVY", definition="weight felt", split_from="HEFT"),
        Code("LIGHT", definition="no weight felt", split_from="HEFT"),
        Code("SWING", renamed_from="SWAY"),
    ),
    retired={"PLAY": "too rare"},
)
VERSIONS = with_changes([FIRST, SECOND])


@dataclass(frozen=True)
class Project:
    """What the tests of coding need at hand."""

    study: Study
    journal: Journal
    units: list[Unit]

    @property
    def one(self) -> RaterView:
        return RaterView(self.journal, self.study, "R1")

    @property
    def other(self) -> RaterView:
        return RaterView(self.journal, self.study, "R2")

    @property
    def nobody(self) -> ClosedView:
        return ClosedView(self.journal, self.study)

    @property
    def interviews(self) -> Interviews:
        assert self.study.declared.interviews is not None
        return self.study.declared.interviews

    def begin(self, round: str = "rely", units: list[Unit] | None = None) -> None:
        begin_round(self.journal, self.study, round, self.units if units is None else units, by="R1")

    def close(self, round: str = "rely") -> None:
        for rater in ("R1", "R2"):
            submit_round(self.journal, self.study, round, rater=rater, why="that will do")


@contextmanager
def project_in(folder: Path) -> Iterator[Project]:
    """The project in a folder."""
    study = study_in(
        folder,
        interviews={
            "mode": "coding reliability",
            "raters": ["R1", "R2"],
            "primary_rater": "R1",
            "rounds": ROUNDS,
        },
    )
    with open_store(study) as journal:
        yield Project(study, journal, some_units(A01=4, A02=2, A03=1))
