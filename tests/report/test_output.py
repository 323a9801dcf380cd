"""Tables go to the screen, a file or a folder, and never over a file of a study."""

from __future__ import annotations

import pytest

from workbench.errors import UsageError
from workbench.report.output import write_tables
from workbench.report.table import Column, Table

TABLE = Table("sizes", "Sizes", (Column("n", "n", "count"),), ({"n": 3},))
OTHER = Table("places", "Places", (Column("where", "Where"),), ({"where": "there"},))


@pytest.fixture
def study(tmp_path):
    folder = tmp_path / "study"
    (folder / "responses").mkdir(parents=True)
    (folder / "study.toml").write_text("collected")
    (folder / "responses" / "answers.csv").write_text("collected")
    return folder


@pytest.mark.parametrize("place", ["study.toml", "responses/answers.csv", "responses", "."])
@pytest.mark.parametrize("tables", [[TABLE], [TABLE, OTHER]])
def test_nothing_of_a_study_is_written_over(study, place, tables):
    with pytest.raises(UsageError, match="never written over"):
        write_tables(tables, "csv", None, study / place, width=80)
    kept = {path.name: path.read_text() for path in study.rglob("*") if path.is_file()}
    assert kept == {"study.toml": "collected", "answers.csv": "collected"}


def test_a_link_into_a_study_is_no_way_round(study, tmp_path):
    (tmp_path / "link").symlink_to(study / "study.toml")
    with pytest.raises(UsageError, match="never written over"):
        write_tables([TABLE], "csv", None, tmp_path / "link", width=80)


def test_a_new_place_inside_a_study_and_an_old_one_outside_are_written(study, tmp_path):
    assert write_tables([TABLE, OTHER], "csv", None, study / "tables", width=80) == ""
    assert sorted(path.name for path in (study / "tables").iterdir()) == ["places.csv", "sizes.csv"]
    (tmp_path / "sizes.csv").write_text("earlier")
    write_tables([TABLE], "csv", None, tmp_path / "sizes.csv", width=80)
    assert (tmp_path / "sizes.csv").read_bytes() == b"n\r\n3\r\n"
