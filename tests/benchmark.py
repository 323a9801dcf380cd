"""How quick the statistics are, mostly as ratios to other libraries in one run: python tests/benchmark.py

Prints a line for each comparison and writes `workbench/handbook/speed.md`. Nothing fails for being slow: milliseconds
belong to a machine, a ratio less so. One thread each, so that no side gains or loses by threads waiting for each other.
"""

from __future__ import annotations

import os
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import date
from functools import cache
from importlib.metadata import version
from pathlib import Path

import krippendorff
import numpy as np
import pandas as pd
import pingouin
import scipy
from threadpoolctl import threadpool_limits

from workbench.stats import agreement, comparison, reliability
from workbench.stats._exact import RandomOrders

SPEED_PAGE = Path(__file__).resolve().parent.parent / "workbench" / "handbook" / "speed.md"
DEMO = Path(__file__).resolve().parent.parent / "demo_responses"
SEED = 20261125
RESAMPLES = 1000
LOOPED = 20
"""Resamples that a loop over another library is timed for; its time for all is scaled from these."""


@dataclass(frozen=True, slots=True)
class Line:
    """A task, what was measured, what was aimed at, and whether that was met (None: there was no aim)."""

    task: str
    found: str
    aim: str
    met: bool | None


def seconds(work: Callable[[], object], *, repeats: int = 5) -> float:
    """The shortest of `repeats` times, which other work on the machine disturbs least; a first call is not counted."""
    work()
    return min(_once(work) for _ in range(repeats))


def _once(work: Callable[[], object]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def shown(duration: float) -> str:
    return f"{duration * 1000:.3g} ms" if duration < 1 else f"{duration:.2f} s"


def ratio(task: str, ours: float, theirs: float, *, at_least: float) -> Line:
    found = f"{theirs / ours:,.0f} x ({shown(ours)} against {shown(theirs)})"
    return Line(task, found, f"{at_least:,.0f} x", theirs / ours >= at_least)


def duration(task: str, ours: float, *, under: float) -> Line:
    return Line(task, shown(ours), shown(under), ours < under)


def seven_points(rng: np.random.Generator, *shape: int, mean: float = 4) -> np.ndarray:
    return np.clip(np.round(rng.normal(mean, 1.4, shape)), 1, 7)


def scale_answers(rng: np.random.Generator, n: int, items: int) -> np.ndarray:
    return np.clip(np.round(4 + rng.normal(size=(n, 1)) + rng.normal(size=(n, items))), 1, 7)


def ratings(rng: np.random.Generator, units: int) -> np.ndarray:
    """Three raters who choose the same of ten codes for most units."""
    code = rng.integers(1, 11, size=(units, 1))
    return np.where(rng.random((units, 3)) < 0.8, code, rng.integers(1, 11, size=(units, 3)))


def signed_rank_lines(rng: np.random.Generator) -> Iterator[Line]:
    x, y = seven_points(rng, 50, mean=4.5), seven_points(rng, 50)
    permutations = scipy.stats.PermutationMethod(n_resamples=9999, rng=rng)
    yield ratio(
        "signed-rank test, 50 pairs with ties: exact p with all effects and intervals, against the p of "
        "scipy.stats.wilcoxon from 9,999 permutations",
        seconds(lambda: comparison.signed_rank(x, y)),
        seconds(lambda: scipy.stats.wilcoxon(x - y, zero_method="pratt", method=permutations), repeats=2),
        at_least=2000,
    )
    x, y = seven_points(rng, 200, mean=4.5), seven_points(rng, 200)
    yield duration("signed-rank test, 200 pairs, all fields", seconds(lambda: comparison.signed_rank(x, y)), under=0.01)
    conditions = seven_points(rng, 12_500, 4).T
    pairs = [(first, second) for first in range(4) for second in range(first)]
    yield duration(
        "signed-rank test, 12,500 people, all 6 pairs of 4 conditions, all fields (normal p)",
        seconds(lambda: [comparison.signed_rank(conditions[a], conditions[b]) for a, b in pairs], repeats=2),
        under=1,
    )


def friedman_lines(rng: np.random.Generator) -> Iterator[Line]:
    for k, n, under in ((3, 40, 0.015), (4, 24, 1.5), (4, 40, 3.0)):
        scores = seven_points(rng, n, k)
        took = seconds(lambda scores=scores: comparison.friedman(scores, exact="always"), repeats=3)
        yield duration(f"Friedman test with exact p under ties, {k} conditions, {n} people", took, under=under)


def shared_lines(rng: np.random.Generator) -> Iterator[Line]:
    tables = [seven_points(rng, 300, 6) for _ in range(10)]

    def drawn(orders: RandomOrders | None) -> None:
        for table in tables:
            comparison.friedman(table, draws=10_000, rng=np.random.default_rng(SEED), orders=orders)

    yield ratio(
        "Friedman test of 10 measures, 6 conditions, 300 people, 10,000 random orders shared, against orders drawn for each",
        seconds(lambda: drawn(RandomOrders()), repeats=2),
        seconds(lambda: drawn(None), repeats=2),
        at_least=3,
    )


def report_lines(_: np.random.Generator) -> Iterator[Line]:
    """The whole report from a cold start, once: what a person waits for."""
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "workbench.cli", "report", str(DEMO), "--out", str(Path(folder, "results"))]
        before = os.times()
        took = _once(lambda: subprocess.run(command, check=True, capture_output=True))
        after = os.times()
    of_processors = after.children_user + after.children_system - before.children_user - before.children_system
    line = duration("report of the demo study, all formats, from a cold start", took, under=15)
    yield replace(line, found=f"{line.found} ({shown(of_processors)} of processors)")


def reliability_lines(rng: np.random.Generator) -> Iterator[Line]:
    answers = scale_answers(rng, 10_000, 20)
    frame = pd.DataFrame(answers)
    loop = seconds(
        lambda: [pingouin.cronbach_alpha(frame.iloc[rng.integers(0, len(frame), len(frame))]) for _ in range(LOOPED)],
        repeats=3,
    )
    yield ratio(
        f"Cronbach's alpha, 10,000 x 20, 1,000 resamples, against a loop over pingouin.cronbach_alpha ({LOOPED} timed, scaled)",
        seconds(lambda: reliability.cronbach_alpha(answers, resamples=RESAMPLES, rng=rng)),
        loop * RESAMPLES / LOOPED,
        at_least=30,
    )
    few = scale_answers(rng, 30, 6)
    took = seconds(lambda: reliability.omega_total(few, resamples=RESAMPLES, rng=rng), repeats=3)
    yield duration("omega, 30 x 6, 1,000 resamples", took, under=1.5)


def agreement_lines(rng: np.random.Generator) -> Iterator[Line]:
    @cache
    def ours(units: int) -> float:
        coded = ratings(rng, units)
        return seconds(lambda: agreement.krippendorff_alpha(coded, resamples=RESAMPLES, rng=rng), repeats=2)

    coded = ratings(rng, 10_000)
    loop = seconds(
        lambda: [
            krippendorff.alpha(coded[rng.integers(0, len(coded), len(coded))].T, level_of_measurement="nominal")
            for _ in range(LOOPED)
        ],
        repeats=3,
    )
    yield ratio(
        f"Krippendorff's alpha, 10,000 units x 3 raters, 10 codes, 1,000 resamples, against a loop over "
        f"krippendorff.alpha ({LOOPED} timed, scaled)",
        ours(10_000),
        loop * RESAMPLES / LOOPED,
        at_least=200,
    )
    for times in (10, 100):
        grown = ours(10_000 * times)
        found = f"{grown / ours(10_000):.0f} x the time ({shown(grown)})"
        yield Line(f"the same with {times} x the units", found, "", None)


def lines() -> Iterator[Line]:
    rng = np.random.default_rng(SEED)
    several = (
        signed_rank_lines,
        friedman_lines,
        shared_lines,
        reliability_lines,
        agreement_lines,
        report_lines,
    )
    for measured in several:
        yield from measured(rng)


def verdict(line: Line) -> str:
    return "" if line.met is None else "met" if line.met else "**missed**"


PAGE = """# Speed

`python tests/benchmark.py` makes this page. Times are from one machine on one day, shared with other work; no test depends on
them. A ratio compares both sides in the same run, one thread each.

{made}

| task | measured | aim | |
|---|---|---|---|
{rows}
"""


def made() -> str:
    packages = ("numpy", "scipy", "pandas", "pingouin", "krippendorff")
    return (
        f"Made {date.today().isoformat()} on {os.cpu_count()} cores ({platform.machine()}, load {os.getloadavg()[0]:.1f}), Python {platform.python_version()}, "
        f"{', '.join(f'{name} {version(name)}' for name in packages)}, seed {SEED}."
    )


def main() -> int:
    measured = []
    with threadpool_limits(limits=1):
        for line in lines():
            print(
                " | ".join(filter(None, (line.task, line.found, line.aim and f"aim {line.aim}", verdict(line)))),
                flush=True,
            )
            measured.append(line)
    rows = "\n".join(f"| {line.task} | {line.found} | {line.aim} | {verdict(line)} |" for line in measured)
    further = SPEED_PAGE.read_text(encoding="utf-8").partition("\n## ")
    SPEED_PAGE.write_text(PAGE.format(made=made(), rows=rows) + "".join(further[1:]), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
