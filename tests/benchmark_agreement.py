"""How quick agreement is on large codings: python tests/benchmark_agreement.py

Prints a line for each task and rewrites the section on agreement in `workbench/handbook/speed.md`. Nothing fails for being slow. One thread
each. Krippendorff's alpha is compared with a loop over `krippendorff.alpha`; everything else runs in a process of its own, whose peak
memory is told.
"""

from __future__ import annotations

import os
import platform
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import date
from importlib.metadata import version
from pathlib import Path

import krippendorff
import numpy as np
import pandas as pd
from study_folders import study_in
from threadpoolctl import threadpool_limits

from workbench.analysis.agreement import agreement
from workbench.coding.codings import CODING_COLUMNS
from workbench.report.tables.agreement import agreement_made
from workbench.stats.agreement import krippendorff_alpha

SPEED_PAGE = Path(__file__).resolve().parent.parent / "workbench" / "handbook" / "speed.md"
HEADING = "## Agreement between raters"
SEED = 20261125
RESAMPLES = 1000
LOOPED = 20
"""Resamples that a loop over another library is timed for; its time for all is scaled from these."""
UNITS, RATERS, CODES, PARTICIPANTS = 10_000, 4, 60, 40


def seconds(work: Callable[[], object], *, repeats: int = 3) -> float:
    """The shortest of `repeats` times, after a first call that is not counted."""
    work()
    times = []
    for _ in range(repeats):
        begun = time.perf_counter()
        work()
        times.append(time.perf_counter() - begun)
    return min(times)


def alpha_lines() -> list[str]:
    rng = np.random.default_rng(SEED)
    code = rng.integers(1, 11, size=(UNITS, 1))
    ratings = np.where(rng.random((UNITS, 3)) < 0.8, code, rng.integers(1, 11, size=(UNITS, 3)))
    clusters = np.repeat(np.arange(PARTICIPANTS), UNITS // PARTICIPANTS)
    loop = seconds(
        lambda: [
            krippendorff.alpha(ratings[rng.integers(0, UNITS, UNITS)].T, level_of_measurement="nominal")
            for _ in range(LOOPED)
        ]
    )
    theirs = loop * RESAMPLES / LOOPED
    told = []
    for drawn, groups in (("units", None), (f"{PARTICIPANTS} participants", clusters)):
        ours = seconds(lambda groups=groups: krippendorff_alpha(ratings, clusters=groups, resamples=RESAMPLES, rng=rng))
        told.append(
            f"| Krippendorff's alpha, {UNITS:,} units x 3 raters, 10 codes, {RESAMPLES:,} resamples of {drawn}, against a loop over krippendorff.alpha "
            f"({LOOPED} timed, scaled) | {theirs / ours:,.0f} x ({ours * 1000:.1f} ms against {theirs:.2f} s) | 200 x |"
        )
    return told


def large_codings() -> pd.DataFrame:
    """Codings in which each rater finds most of the codes that are there, and a few that are not."""
    rng = np.random.default_rng(SEED)
    there = rng.random((UNITS, CODES)) < 0.03
    rows = []
    for rater in range(RATERS):
        applied = (there & (rng.random(there.shape) < 0.85)) | (rng.random(there.shape) < 0.002)
        for unit in range(UNITS):
            who = f"P{unit * PARTICIPANTS // UNITS:02}"
            for code in np.flatnonzero(applied[unit]).tolist() or [-1]:
                name = "" if code < 0 else f"C{code:02}"
                rows.append(
                    (
                        who,
                        who,
                        f"{who}-{unit:05}",
                        "",
                        "",
                        f"R{rater}",
                        "rely",
                        "1",
                        name,
                        "still" if name else "",
                        "for" if name else "",
                    )
                )
    return pd.DataFrame(rows, columns=list(CODING_COLUMNS)).astype("str")


def everything() -> None:
    """Prints seconds and the peak of memory of the whole analysis with its tables."""
    interviews = {
        "mode": "coding reliability",
        "raters": [f"R{rater}" for rater in range(RATERS)],
        "rounds": [{"id": "rely", "kind": "reliability"}],
    }
    with tempfile.TemporaryDirectory() as folder, threadpool_limits(1):
        study = study_in(Path(folder), interviews=interviews)
        rows = large_codings()
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        begun, cpu = time.perf_counter(), time.process_time()
        found = agreement(study, rows, resamples=RESAMPLES)
        agreement_made(study, found)
        took, worked = time.perf_counter() - begun, time.process_time() - cpu
    print(f"{took:.1f} {worked:.1f} {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} {before:.0f}")


def everything_line() -> str:
    told = subprocess.run([sys.executable, __file__, "everything"], check=True, capture_output=True, text=True).stdout
    took, worked, peak, before = told.split()
    return (
        f"| everything that `agreement` says of {UNITS:,} units x {RATERS} raters x {CODES} codes ({PARTICIPANTS} participants, {RESAMPLES:,} resamples of participants), "
        f"with its tables | {took} s ({worked} s of processor), peak {peak} MiB ({before} MiB of it before it began) | 20 s, 1,024 MiB |"
    )


def main() -> None:
    with threadpool_limits(1):
        lines = alpha_lines()
    lines.append(everything_line())
    load = os.getloadavg()[0]
    libraries = ", ".join(f"{name} {version(name)}" for name in ("numpy", "scipy", "pandas", "krippendorff"))
    made = (
        f"`python tests/benchmark_agreement.py` makes this section. Where other work went on, the processor's time says more than the clock's. Made {date.today().isoformat()} on {os.cpu_count()} cores ({platform.machine()}, load {load:.1f}), "
        f"Python {platform.python_version()}, {libraries}, seed {SEED}."
    )
    section = "\n".join([HEADING, "", made, "", "| task | measured | aim |", "|---|---|---|", *lines, ""])
    page = SPEED_PAGE.read_text(encoding="utf-8").split(HEADING)[0].rstrip() + "\n\n"
    SPEED_PAGE.write_text(page + section, encoding="utf-8")
    print(section)


if __name__ == "__main__":
    everything() if sys.argv[1:] == ["everything"] else main()
