"""Journals to test with: in SQLite and on a PostgreSQL server, each empty at first."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path

import pytest
from postgres_server import Server, missing, postgres_server
from study_folders import study_in

from workbench.store.journal import Journal
from workbench.store.opening import open_store
from workbench.study import Study

NAMES = count(1)


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    """A running PostgreSQL server."""
    if why := missing():
        pytest.skip(why)
    with postgres_server() as running:
        yield running


@pytest.fixture(params=["sqlite", "postgresql"])
def study(request: pytest.FixtureRequest, tmp_path: Path) -> Study:
    """A study whose decisions are kept in one or the other."""
    if request.param == "sqlite":
        return study_in(tmp_path / "study")
    url = request.getfixturevalue("server").url
    return study_in(tmp_path / "study", id=f"s{next(NAMES)}", store={"url": url})


@pytest.fixture
def journal(study: Study) -> Iterator[Journal]:
    with open_store(study) as opened:
        yield opened


@pytest.fixture
def another(study: Study, tmp_path: Path) -> Callable[[], Journal]:
    """Makes further empty journals of the same sort."""

    def make() -> Journal:
        number = next(NAMES)
        return open_store(
            study_in(
                tmp_path / f"other{number}", id=f"s{number}", store=study.declared.store.model_dump(exclude_none=True)
            )
        )

    return make


LONG_ON_A_SERVER = (
    "test_what_was_acknowledged_is_there_after_the_writer_was_killed",
    "test_the_present_state_is_what_a_plain_model_and_a_rebuild_say",
)
"""Run on SQLite each time; on a server they take their time, and are part of --full."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if getattr(item, "originalname", "") in LONG_ON_A_SERVER and "postgresql" in item.name:
            item.add_marker(pytest.mark.full)
