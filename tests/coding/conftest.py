"""A small coding project for the tests of rounds, decisions and consensus."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from coding_projects import Project, project_in


@pytest.fixture
def project(tmp_path: Path) -> Iterator[Project]:
    with project_in(tmp_path) as made:
        yield made
