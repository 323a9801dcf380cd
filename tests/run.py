"""Make an environment for the tests and run everything: python3 tests/run.py [--full] [pytest arguments].

The package is installed as a wheel, so the tests see what a person installs. `--full` adds the long
work (marked `full`) and draws new examples where a test tries many. Needs Python 3.11 or newer with venv; nothing else has to be installed beforehand.
"""

from __future__ import annotations

import os
import subprocess
import sys
import venv
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

CHECKOUT = Path(__file__).resolve().parent.parent
ENVIRONMENT = CHECKOUT / ".test-env"
PROGRAMS = ENVIRONMENT / ("Scripts" if os.name == "nt" else "bin")

BARE = CHECKOUT / ".test-env-bare"
"""Holds numpy and scipy alone beside the package: what `workbench.stats` may need."""
BARE_PYTHON = str(BARE / PROGRAMS.name / "python")

BARE_TESTS = ["tests/stats/test_r_values.py", "tests/stats/test_large_samples.py"]
"""Tests of the statistics against values in files, which need no other library."""

STEPS = {
    "style": ["ruff", "check", "."],
    "format": ["ruff", "format", "--check", "."],
    "types": ["mypy"],
    "layers": ["lint-imports", "--no-cache"],
}


def main(arguments: list[str]) -> int:
    if sys.version_info < (3, 11):  # noqa: UP036 (said before anything is installed)
        print("Python 3.11 or newer is needed.", file=sys.stderr)
        return 2
    full = "--full" in arguments
    if full:
        os.environ["HYPOTHESIS_PROFILE"] = "drawn"
    further = [argument for argument in arguments if argument != "--full"]
    prepare()
    failed = [name for name, command in STEPS.items() if run(name, command)]
    selection = [] if full else ["-m", "not full"]
    tests = ["pytest", "-n", str(min(os.cpu_count() or 1, 4)), "--dist", "loadgroup", *selection, *further]
    failed += ["tests"] if run("tests", tests) else []
    failed += ["statistics with numpy and scipy alone"] if run_bare() else []
    if failed:
        print(f"\nFailed: {', '.join(failed)}.", file=sys.stderr)
    return 1 if failed else 0


def prepare() -> None:
    """Both environments, side by side."""
    with ThreadPoolExecutor() as together:
        for done in (together.submit(prepare_all), together.submit(prepare_bare)):
            done.result()


def prepare_all() -> None:
    """The environment of the tests, with this checkout installed anew."""
    if not (PROGRAMS / "python").exists():
        print(f"Making the environment {ENVIRONMENT.name} (some minutes the first time) …", flush=True)
        venv.create(ENVIRONMENT, with_pip=True, clear=True)
    pip = [str(PROGRAMS / "python"), "-m", "pip", "install", "--quiet", "--no-compile", "--disable-pip-version-check"]
    subprocess.run([*pip, ".[test]"], cwd=CHECKOUT, check=True)
    subprocess.run([*pip, "--force-reinstall", "--no-deps", "."], cwd=CHECKOUT, check=True)


def prepare_bare() -> None:
    """The environment where only numpy and scipy are installed beside the package."""
    if not Path(BARE_PYTHON).exists():
        venv.create(BARE, with_pip=True, clear=True)
    pip = [BARE_PYTHON, "-m", "pip", "install", "--quiet", "--no-compile", "--disable-pip-version-check"]
    subprocess.run([*pip, "numpy", "scipy", "pytest"], cwd=CHECKOUT, check=True)
    subprocess.run([*pip, "--force-reinstall", "--no-deps", "."], cwd=CHECKOUT, check=True)


def run_bare() -> int:
    """Run the tests of the statistics where only numpy and scipy are installed."""
    print("\n── statistics with numpy and scipy alone", flush=True)
    return subprocess.run([BARE_PYTHON, "-m", "pytest", "-q", *BARE_TESTS], cwd=CHECKOUT, check=False).returncode


def run(name: str, command: list[str]) -> int:
    print(f"\n── {name}: {' '.join(command)}", flush=True)
    return subprocess.run([str(PROGRAMS / command[0]), *command[1:]], cwd=CHECKOUT, check=False).returncode


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
