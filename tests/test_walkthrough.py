"""The handbook's walk through the interviews shows what its commands really print, in its order."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest
from make_readme import MORE
from make_walkthrough import FENCED, PAGE, SHOWN, STUDY, commands_without_output, played
from typer.testing import CliRunner

from workbench.cli.main import app
from workbench.results.demo import copy_demo

STEPS = (
    "demo", "transcripts", "pseudonyms", "units", "codebook", "round", "import", "packet", "agreement", "recode",
    "consensus", "excerpts", "trail", "export",
)  # fmt: skip

pytestmark = [pytest.mark.xdist_group("test_walkthrough"), pytest.mark.full]
"""What the whole module shares is made once; the page is long."""


@pytest.fixture(scope="module")
def page() -> str:
    return PAGE.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def blocks(page: str) -> list[str]:
    return [block["body"] for block in FENCED.finditer(page)]


@pytest.fixture(scope="module")
def walked(page: str, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """The folder in which the page was played, and the page with the output made anew."""
    folder = tmp_path_factory.mktemp("walked")
    return folder, played(page, folder)


def test_the_output_shown_is_the_real_one(page, walked):
    assert walked[1] == page


def test_the_trail_says_each_step_in_words(walked):
    with (walked[0] / "trail.csv").open(encoding="utf-8", newline="") as file:
        told = {(row["kind"], row["what"]) for row in csv.DictReader(file)}
    assert ("correction", "correction of A01") in told
    assert ("pseudonym", "decision on a phrase that the key holds") in told
    assert ("submission", "pilot submitted") in told
    assert ("consensus", "GUIDANCE on A01-028 (slip)") in told
    assert not [what for _, what in told if re.search("[0-9a-f]{16}", what)]


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--units", "listed.csv"], "listed.csv names 1 units that are not there: A99-002"),
        (["--units", "other.csv"], "There is no column “unit”"),
        (["--units", "none.csv"], "none.csv"),
        (["--without", "main"], "“main” has no units of its own"),
        (["--without", "mian"], "“mian” is no round of this study"),
    ],
)
def test_units_that_cannot_be_a_round_are_named(options, told, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    copy_demo(Path(STUDY), coded=False)
    (tmp_path / "listed.csv").write_text("unit\nA01-002\nA99-002\n", encoding="utf-8")
    (tmp_path / "other.csv").write_text("place\nA01-002\n", encoding="utf-8")
    found = CliRunner().invoke(app, ["round", STUDY, "begin", "--round", "pilot", "--by", "R1", *options])
    assert found.exit_code in (1, 2)
    assert told in found.output
    assert "Traceback" not in found.output


def test_every_step_has_its_command(blocks):
    commands = [shown["command"] for body in blocks if (shown := SHOWN.match(body))]
    commands += [command for body in blocks for command in commands_without_output(body)]
    assert {command.split()[0] for command in commands} >= set(STEPS)
    assert all(STUDY in command for command in commands)


def test_blocks_are_short_and_hold_no_times_and_no_ids(blocks):
    for body in blocks:
        assert len(body.splitlines()) <= 24, body
        assert not re.search(r"20\d\d-\d\d-\d\d[T ]\d\d:|[0-9a-f]{32}", body), body
        assert body.count(MORE) <= 1


def test_every_link_leads_somewhere(page):
    links = re.findall(r"\]\((?!https?:)([^)#]+)\)", page)
    assert links
    for link in links:
        assert (PAGE.parent / link).exists(), link
