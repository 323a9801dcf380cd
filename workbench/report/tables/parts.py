"""What several tables share: columns of estimates and tests, cautions, small words."""

from __future__ import annotations

from collections.abc import Sequence

from workbench.analysis.comparison import Comparison
from workbench.analysis.families import Test
from workbench.report.numbers import PLAN, cell
from workbench.report.table import Column, Kind
from workbench.stats.intervals import Interval
from workbench.study import Study

SMALL_SAMPLE = "With samples of this size intervals are wide; no significance is no proof of no difference."


UNVALIDATED = "Reliability is not validity: it does not show that a scale measures what it is named after."


SHARE = Column("share", "", "share")


def estimate(key: str, label: str, kind: Kind = "bounded", help: str = "") -> Column:
    """A column of a value with its interval."""
    return Column(key, label, kind, low=f"{key}_low", high=f"{key}_high", help=help)


def bounds(key: str, interval: Interval) -> dict[str, float]:
    return {f"{key}_low": interval.low, f"{key}_high": interval.high}


TEST_COLUMNS = (
    Column(
        "planned",
        "Standing",
        help="Planned: in a family of the plan, or by bounds stated there. Exploratory: neither, and corrected within its own measure.",
    ),
    Column("family", "Family"),
    Column("correction", "Correction"),
    Column("p", "p", "p", help="Exact where it could be had, else asymptotic."),
    Column("p_kind", "Kind of p"),
    Column("p_adjusted", "p adjusted", "p", help="Adjusted inside the family."),
)


def test_fields(test: Test) -> dict[str, object]:
    return {
        "planned": "planned" if test.planned else "exploratory",
        "family": test.family,
        "correction": test.correction,
        "p": test.p,
        "p_kind": "exact" if test.exact else "asymptotic",
        "p_adjusted": test.adjusted,
    }


def cases(study: Study) -> str:
    if study.plan.cases == "complete":
        return "participants with a value in every condition"
    return "participants with a value in each condition that is compared"


def reading_note(study: Study) -> list[str]:
    gate = (
        " “gated”: the plan lets pairs count only behind an omnibus test at or below the level."
        if study.plan.omnibus_gates_pairs
        else ""
    )
    return [
        f"Shown: the adjusted p is at or below {cell(PLAN, ['level'], 'value', f'{study.plan.level:g}')}.{gate} "
        "“never”: with its ties and zeros the comparison could never have reached the level."
    ]


def shown_as(comparison: Comparison, test: Test, *, gated: bool = False) -> str:
    """Whether a test counts as shown: "yes", or why not."""
    if comparison.shown(test):
        return "gated" if gated else "yes"
    return "never" if test.attainable > comparison.level else "no"


def code_labels(study: Study) -> dict[str, str]:
    return study.declared.interviews.code_labels if study.declared.interviews else {}


def place_name(study: Study, setting: str) -> str:
    return study.condition_labels.get(setting, setting or "once")


def listing(names: Sequence[str]) -> str:
    return ", ".join(names)


def joined(*remarks: str) -> str:
    return "; ".join(remark.rstrip(".") for remark in dict.fromkeys(remarks) if remark)
