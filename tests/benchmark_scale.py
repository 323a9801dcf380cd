"""How time and memory grow with the number of answers: python tests/benchmark_scale.py

Makes studies of 100, 1,000 and 10,000 invented people, 4 conditions and 25 items in a CSV with a row per answer; reads,
scores, checks and compares each in a process of its own; prints and writes `workbench/handbook/scale.md`. Nothing fails
for being slow.
"""

from __future__ import annotations

import argparse
import json
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
from typing import Any

import numpy as np
from study_folders import instrument, questionnaire, study_in

SCALE_PAGE = Path(__file__).resolve().parent.parent / "workbench" / "handbook" / "scale.md"
SEED = 20261125
PEOPLE = (100, 1_000, 10_000)
CONDITIONS = ("still", "slosh", "ladle", "coach")
ITEMS = [f"q{number}" for number in range(1, 26)]
REVERSED = ("q2", "q9")
SKIPPED = 100
"""One answer in so many is left out."""
SECONDS, MEBIBYTES = 15, 1536
"""What a million answers may take."""
STEPS = ("open", "read", "score", "check", "compare")


def make_study(folder: Path, people: int) -> None:
    """A study with a true difference between the conditions, and a row per answer."""
    rng = np.random.default_rng(SEED)
    names = [f"P{number:05}" for number in range(1, people + 1)]
    person = rng.normal(size=(people, 1, 1)) + 0.3 * np.arange(len(CONDITIONS))[:, None]
    answers = np.clip(np.round(4 + person + rng.normal(size=(people, len(CONDITIONS), len(ITEMS)))), 1, 7).astype(int)
    for item in REVERSED:
        place = ITEMS.index(item)
        answers[:, :, place] = 8 - answers[:, :, place]
    skipped = rng.random(answers.shape) < 1 / SKIPPED
    rows = (
        f"{name},{condition},{item},{'' if skipped[at] else answers[at]}\n"
        for who, name in enumerate(names)
        for where, condition in enumerate(CONDITIONS)
        for what, item in enumerate(ITEMS)
        for at in [(who, where, what)]
    )
    study_in(
        folder,
        instruments=[instrument("long", ITEMS, reverse=REVERSED, answers_needed=20)],
        files={"people.csv": "\n".join(["participant", *names]) + "\n"}
        | {"form.csv": "participant,condition,item,answer\n" + "".join(rows)},
        conditions=CONDITIONS,
        participants={"file": "people.csv"},
        questionnaires=[questionnaire("form", ["long"], layout="row_per_answer")],
    )


def measure(folder: Path) -> dict[str, float]:
    """Seconds of each step and the peak of memory in MiB, in this process."""
    import pandas as pd

    from workbench.analysis.comparison import compare
    from workbench.quality.findings import quality_findings
    from workbench.responses.questionnaires import read_responses
    from workbench.scoring import scale_measures
    from workbench.study import open_study

    pd.DataFrame({"warm": ["up"]}, dtype="str")
    took: dict[str, float] = {}

    def timed(step: str, work: Callable[[], Any]) -> Any:
        begun = time.perf_counter()
        result = work()
        took[step] = time.perf_counter() - begun
        return result

    before = time.process_time()
    study = timed("open", lambda: open_study(folder))
    responses = timed("read", lambda: read_responses(study))
    measures = timed("score", lambda: scale_measures(study, responses))
    timed("check", lambda: quality_findings(study, responses, measures, None))
    timed("compare", lambda: compare(measures, study.participants, study.conditions, study.plan))
    took["total"] = sum(took.values())
    took["processor"] = time.process_time() - before
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    took["memory"] = peak / 2**20 if sys.platform == "darwin" else peak / 2**10
    return took


def in_own_process(people: int) -> dict[str, float]:
    with tempfile.TemporaryDirectory() as folder:
        make_study(Path(folder), people)
        command = [sys.executable, __file__, "--measure", folder]
        done = subprocess.run(command, check=True, capture_output=True, text=True)
    found: dict[str, float] = json.loads(done.stdout)
    return found


PAGE = """# Scale

`python tests/benchmark_scale.py` makes this page: a CSV with a row per answer, 25 items after each of 4 conditions, is read,
scored, checked and compared, each size in a process of its own. Times are in seconds, from one machine on one day that may have done
other work; no test depends on them. Where other work went on, the processor's time says more than the clock's.

{made}

{table}

Wanted at a million answers: {seconds} s and {memory:,} MiB. Measured: {total:.1f} s and {peak:,.0f} MiB. Memory includes {base:,.0f} MiB that
the libraries take before anything is read (the peak at the smallest size).

Compared with the p values of `workbench compare`: exact ones where they can be had, the asymptotic one of the omnibus test beyond 500 people.

Files beyond {largest:,.0f} MB are not read; lines, columns and cells have limits too, which the page `files` names.
"""


def table(found: dict[int, dict[str, float]]) -> str:
    """Steps as rows, sizes as columns, and how each step grew."""
    sizes = [f"{people * len(CONDITIONS) * len(ITEMS):,} answers" for people in found]
    growth = ["10 x the first", "100 x the first"]
    lines = [" | ".join(["", "step", *sizes, *growth, ""]), "|".join(["", "---", *["---:"] * (len(sizes) + 2), ""])]
    for step in (*STEPS, "total", "processor", "memory"):
        values = [one[step] for one in found.values()]
        shown = [f"{value:,.0f} MiB" if step == "memory" else f"{value:.2f}" for value in values]
        lines.append(" | ".join(["", step, *shown, *(f"{value / values[0]:.1f} x" for value in values[1:]), ""]))
    return "\n".join(line.strip() for line in lines)


def made() -> str:
    packages = ", ".join(f"{name} {version(name)}" for name in ("numpy", "pandas", "pyarrow"))
    load = f", load {os.getloadavg()[0]:.1f} of other work at the end" if hasattr(os, "getloadavg") else ""
    return (
        f"Made {date.today().isoformat()} on {os.cpu_count()} cores ({platform.machine()}{load}), "
        f"Python {platform.python_version()}, {packages}, seed {SEED}."
    )


def main() -> int:
    from workbench.files import LARGEST_FILE

    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--measure", type=Path, help="measure one study folder and print it as JSON")
    arguments.add_argument("--people", type=int, nargs=3, default=list(PEOPLE), metavar="N")
    asked = arguments.parse_args()
    if asked.measure:
        print(json.dumps(measure(asked.measure)))
        return 0
    found = {}
    for people in asked.people:
        found[people] = in_own_process(people)
        print(people, {step: round(value, 2) for step, value in found[people].items()}, flush=True)
    last = found[asked.people[-1]]
    page = PAGE.format(
        made=made(),
        table=table(found),
        seconds=SECONDS,
        memory=MEBIBYTES,
        total=last["total"],
        peak=last["memory"],
        base=found[asked.people[0]]["memory"],
        largest=LARGEST_FILE / 1e6,
    )
    if asked.people == list(PEOPLE):
        SCALE_PAGE.write_text(page, encoding="utf-8")
    print(page)
    return 0


if __name__ == "__main__":
    sys.exit(main())
