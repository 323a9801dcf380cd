"""Factorial designs: main effects and two-way interactions as contrasts of each person's values.

Only complete layouts count: every combination of the levels is one condition. Conditions without levels (a
baseline beside the factorial) are left out and named. The test of a contrast belongs to `comparison`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, product
from math import prod

from workbench.errors import Finding
from workbench.study import STUDY_FILE, Condition


@dataclass(frozen=True, slots=True)
class Layout:
    """The levels of each factor, and the condition of each combination of levels (in the order of `levels`).

    `outside` are conditions without levels. `reason` says why there is no factorial analysis; all else is then empty.
    """

    levels: Mapping[str, tuple[str, ...]]
    conditions: Mapping[tuple[str, ...], str]
    outside: tuple[str, ...]
    reason: str


@dataclass(frozen=True, slots=True)
class Effect:
    """A main effect or a two-way interaction between levels, as weights of conditions.

    A main effect is the mean over one level minus that over another; an interaction is the difference between two
    such differences. Both are in the unit of the measure.
    """

    kind: str
    factors: tuple[str, ...]
    label: str
    weights: Mapping[str, float]


def layout(conditions: Sequence[Condition]) -> Layout | None:
    """The factorial layout of the conditions; None where no condition has factors.

    A layout that cannot be analysed comes back with the reason: a factor that some conditions lack, one that never
    varies, a combination of levels that is missing or stands twice, or a single factor (pairs say the same).
    """
    inside = [one for one in conditions if one.factors]
    if not inside:
        return None
    names = tuple(dict.fromkeys(name for one in inside for name in one.factors))
    reason = _lacking(inside, names)
    if reason:
        return _refused(reason)
    levels = {name: tuple(dict.fromkeys(one.factors[name] for one in inside)) for name in names}
    reason = _unusable(inside, levels)
    if reason:
        return _refused(reason)
    return Layout(
        levels,
        {tuple(one.factors[name] for name in names): one.id for one in inside},
        tuple(one.id for one in conditions if not one.factors),
        "",
    )


def _refused(reason: str) -> Layout:
    return Layout({}, {}, (), reason)


def _lacking(inside: Sequence[Condition], names: Sequence[str]) -> str:
    lacks = [f"{one.label} has no level of {name}" for one in inside for name in names if name not in one.factors]
    return "; ".join(lacks)


def _unusable(inside: Sequence[Condition], levels: Mapping[str, tuple[str, ...]]) -> str:
    if len(levels) == 1:
        return f"there is one factor ({next(iter(levels))}), and the pairs of conditions say what it does"
    constant = [name for name, values in levels.items() if len(values) == 1]
    if constant:
        return f"{' and '.join(constant)} has the same level in every condition"
    found = [tuple(one.factors[name] for name in levels) for one in inside]
    twice = [" with ".join(cell) for cell in dict.fromkeys(found) if found.count(cell) > 1]
    if twice:
        return f"two conditions have the levels {', and two have '.join(twice)}"
    absent = [" with ".join(cell) for cell in product(*levels.values()) if cell not in found]
    return f"no condition has the levels {', or '.join(absent)}" if absent else ""


def layout_findings(conditions: Sequence[Condition]) -> list[Finding]:
    """A finding where factors are declared and cannot be analysed."""
    found = layout(conditions)
    if found is None or not found.reason:
        return []
    remedy = (
        "Give every condition of the factorial a level of each factor, each combination once; or leave factors out."
    )
    told = f"Factors are not analysed: {found.reason}."
    return [Finding("attention", "incomplete factorial", STUDY_FILE, "conditions.factors", told, remedy)]


def effects(found: Layout) -> list[Effect]:
    """Every main effect and two-way interaction between each two levels, main effects first.

    Other factors are averaged over. Weights of a main effect add up to 1 and -1.
    """
    if found.reason:
        return []
    main = [_main(found, name, pair) for name, values in found.levels.items() for pair in combinations(values, 2)]
    crossed = [
        _interaction(found, (first, second), one, other)
        for first, second in combinations(found.levels, 2)
        for one in combinations(found.levels[first], 2)
        for other in combinations(found.levels[second], 2)
    ]
    return main + crossed


def _main(found: Layout, name: str, levels: tuple[str, ...]) -> Effect:
    return Effect("main effect", (name,), f"{levels[0]} − {levels[1]}", _weights(found, {name: levels}))


def _interaction(found: Layout, names: tuple[str, str], one: tuple[str, ...], other: tuple[str, ...]) -> Effect:
    label = f"({one[0]} − {one[1]}) at {other[0]} minus at {other[1]}"
    return Effect("interaction", names, label, _weights(found, dict(zip(names, (one, other), strict=True))))


def _weights(found: Layout, compared: Mapping[str, tuple[str, ...]]) -> dict[str, float]:
    """Weights by condition: signed by its level of each compared factor, over the combinations averaged over."""
    names = list(found.levels)
    averaged = prod(len(levels) for name, levels in found.levels.items() if name not in compared)
    signs = {
        condition: prod(_sign(cell[names.index(name)], levels) for name, levels in compared.items())
        for cell, condition in found.conditions.items()
    }
    return {condition: sign / averaged for condition, sign in signs.items() if sign}


def _sign(level: str, levels: tuple[str, ...]) -> int:
    """1 for the first of two levels, -1 for the second, 0 for any other."""
    return (level == levels[0]) - (level == levels[1])
