"""A report of chosen parts, and the archive of everything."""

from __future__ import annotations

import io
import zipfile

import pytest
from study_folders import instrument, questionnaire, sheet, study_in

from workbench.results.chain import collect
from workbench.results.parts import build, packed, page_of


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    folder = tmp_path_factory.mktemp("parts")
    rows = [f"A0{person} {where} {person} {6 - person}" for person in (1, 2, 3) for where in ("still", "slosh")]
    study_in(
        folder,
        instruments=[instrument("calm", ["q1", "q2"])],
        files={"calm.csv": sheet("participant condition q1 q2", *rows)},
        questionnaires=[questionnaire("calm", ["calm"])],
    )
    return build(collect(folder))


def test_only_the_chosen_sections_are_printed(built):
    anchors = [anchor for anchor, _ in built.parts]
    page = page_of(built, ["method"])
    assert 'href="#method"' in page
    assert not any(f'href="#{anchor}"' in page for anchor in anchors if anchor != "method")
    assert 'href="#cautions"' in page
    assert all(f'href="#{anchor}"' in page_of(built, anchors) for anchor in anchors)


def test_the_archive_holds_page_tables_and_figures_and_is_the_same_each_time(built):
    content = packed(built, "<p>page</p>")
    assert packed(built, "<p>page</p>") == content
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        names = set(archive.namelist())
        assert archive.read("report.html") == b"<p>page</p>"
    assert {"tables/pairs.csv", "tables/scores.csv", "figures/points_calm.svg"} <= names


def test_building_stops_where_progress_raises(built):
    def stop(done: int, total: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        build(built.analysis.evidence, stop)
