"""Both strands side by side: what a measure shows across conditions, and who spoke of what about them.

The researcher's verdict is theirs; here is the evidence, and a flag where one strand is silent.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from workbench.analysis.comparison import Comparison
from workbench.coding.presence import ANY, CodePresence
from workbench.study import Construct


@dataclass(frozen=True, slots=True, eq=False)
class JointRow:
    """One construct: its measure compared, and the presence of each of its codes about each condition.

    `silent` names the strand that says nothing: "interviews" where nobody raised any of the codes,
    "scores" where nothing could be tested on the measure, "scores and interviews", or "" where both speak.
    """

    construct: Construct
    comparison: Comparison | None
    presence: tuple[CodePresence, ...]
    silent: str


def joint_rows(
    constructs: Sequence[Construct], comparisons: Sequence[Comparison], presence: Sequence[CodePresence]
) -> list[JointRow]:
    """A row per construct that study.toml declares, in its order."""
    by_measure = {one.measure.id: one for one in comparisons}
    return [_row(construct, by_measure.get(construct.measure), presence) for construct in constructs]


def _row(construct: Construct, comparison: Comparison | None, presence: Sequence[CodePresence]) -> JointRow:
    mine = tuple(one for code in construct.codes for one in presence if one.code == code)
    tested = comparison is not None and bool(comparison.omnibus or comparison.pairs or comparison.contrasts)
    raised = any(one.participants for one in mine if one.condition == ANY)
    strands = [name for name, speaks in (("scores", tested), ("interviews", raised)) if not speaks]
    return JointRow(construct, comparison, mine, " and ".join(strands))
