"""What a researcher does next with a study, from what is there and what is not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from workbench.errors import Finding
from workbench.measure import Measure
from workbench.study import Study


@dataclass(frozen=True, slots=True)
class NextStep:
    """What to do, why, and the page where it is done."""

    what: str
    why: str
    page: Literal["study", "responses", "reliability"]


def next_step(study: Study, measures: Sequence[Measure], findings: Sequence[Finding]) -> NextStep:
    """The first thing that is open, in the order in which a study is done: data, plan, findings, reading."""
    declared = study.declared
    if not declared.questionnaires and not declared.trials:
        return NextStep("Bring in a table of answers.", "study.toml names no file of answers yet.", "responses")
    if not any(one.values["value"].notna().any() for one in measures):
        return NextStep(
            "Bring in a table of answers.", "The files that study.toml names hold no answers yet.", "responses"
        )
    if study.plan.frozen is None:
        return NextStep(
            "Fix the plan with a date.",
            "What is decided after a look at the results is exploratory, however it is meant.",
            "study",
        )
    open_ones = sum(one.severity == "attention" for one in findings)
    if open_ones:
        plural = "" if open_ones == 1 else "s"
        return NextStep(
            f"Look at the {open_ones} finding{plural} below.",
            "None of them changes the analysis by itself; each is left as it is, reported, or excluded by a rule.",
            "study",
        )
    return NextStep(
        "Read the reliability of the scales, then the conditions.",
        "A difference on a scale says no more than the scale measures consistently.",
        "reliability",
    )
