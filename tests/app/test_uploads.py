"""Names of files from outside are never used as paths."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from workbench.app.uploads import kept_upload, safe_name, tables_in


@pytest.mark.parametrize(
    ("name", "safe"),
    [
        ("answers week 1.csv", "answers week 1.csv"),
        ("../../etc/x.csv", "x.csv"),
        ("C:\\data\\x.csv", "x.csv"),
        ("<img src=x>.csv", "img src_x_.csv"),
        ("..", "table.csv"),
        ("", "table.csv"),
        (".hidden.csv", "hidden.csv"),
    ],
)
def test_names_lose_what_could_be_a_path(name, safe):
    assert safe_name(name) == safe


@given(st.text(max_size=300))
def test_every_name_is_the_name_of_a_visible_file(name):
    safe = safe_name(name)
    assert safe
    assert not set(safe) & set('/\\:*?"<>|\0\n')
    assert not safe.startswith(".")
    assert len(safe) <= 80


def test_an_upload_stays_in_its_folder(tmp_path):
    kept = kept_upload(tmp_path / ".", "../../out.csv", b"a,b\n")
    assert kept.resolve().parent == tmp_path.resolve()
    assert kept.read_bytes() == b"a,b\n"


def test_tables_of_a_study_are_listed_without_results_and_hidden_files(tmp_path):
    for name in ("a.csv", "responses/b.XLSX", "results/tables/c.csv", ".d.csv", "notes.md"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text("x")
    assert tables_in(tmp_path) == ["a.csv", "responses/b.XLSX"]
