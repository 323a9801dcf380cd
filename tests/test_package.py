"""The package as it is installed: from a wheel outside the checkout, with what ships found."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

CHECKOUT = Path(__file__).parent.parent


@pytest.fixture(scope="session")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    build = [sys.executable, "-m", "build", "--no-isolation", "--outdir", str(folder), str(CHECKOUT)]
    subprocess.run(build, check=True, capture_output=True)
    (made,) = folder.glob("*.whl")
    return made


def names_in(archive: Path) -> set[str]:
    with zipfile.ZipFile(archive) as packed:
        return set(packed.namelist())


def test_the_wheel_was_built_from_the_sdist_and_holds_what_ships(wheel):
    names = names_in(wheel)
    for path in [*(CHECKOUT / "instruments").glob("*.toml"), *(CHECKOUT / "demo_responses").rglob("*.*")]:
        assert f"workbench/_shipped/{path.relative_to(CHECKOUT).as_posix()}" in names
    for path in (CHECKOUT / "workbench" / "handbook").glob("*.md"):
        assert f"workbench/handbook/{path.name}" in names
    for part in (
        "report/report.html.jinja",
        "report/checklists.toml",
        "coding/panel/panel.js",
        "coding/panel/packet.html.jinja",
        "app/look.css",
    ):
        assert f"workbench/{part}" in names
    assert not any(name.startswith("tests/") for name in names)


def test_an_installed_wheel_runs_outside_the_checkout(wheel, tmp_path):
    place = tmp_path / "installed"
    install = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--target", str(place), str(wheel)]
    subprocess.run(install, check=True, capture_output=True)
    work = tmp_path / "work"
    work.mkdir()
    environment = os.environ | {"PYTHONPATH": str(place)}
    for command in (
        ["demo", "kitchen", "--uncoded"],
        ["check", "kitchen"],
        ["instrument", "weight_realism", "--format", "html"],
    ):
        run = [sys.executable, "-P", "-m", "workbench.cli", *command]
        found = subprocess.run(run, cwd=work, env=environment, capture_output=True, text=True, check=False)
        assert found.returncode == 0, found.stderr
    assert "<!DOCTYPE html>" in found.stdout
    assert (work / "kitchen" / "transcripts" / "A01.vtt").exists()
    where = [sys.executable, "-P", "-c", "import workbench; print(workbench.__file__)"]
    used = subprocess.run(where, cwd=work, env=environment, capture_output=True, text=True, check=True)
    assert Path(used.stdout.strip()).is_relative_to(place)


def test_statistics_load_neither_pandas_nor_streamlit():
    code = (
        "import sys, pkgutil, importlib, workbench.stats as stats; "
        "[importlib.import_module(f'workbench.stats.{one.name}') for one in pkgutil.iter_modules(stats.__path__)]; "
        "print([name for name in ('pandas', 'pingouin', 'streamlit', 'pydantic', 'altair') if name in sys.modules])"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"
