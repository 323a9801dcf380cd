"""README.md shows what the commands really print."""

from __future__ import annotations

import re

import pytest
from make_readme import BLOCK, README, with_real_output


@pytest.fixture(scope="module")
def page():
    return README.read_text(encoding="utf-8")


def test_the_output_shown_is_the_real_one(page, demo):
    assert len(BLOCK.findall(page)) >= 4
    assert with_real_output(page, demo.folder.parent) == page


def test_what_the_demo_says_is_the_real_thing(page, demo):
    said = "\n".join(demo.lines).replace(str(demo.folder), "practice-kitchen")
    assert f"```\n{said}\n```" in page


def test_every_link_leads_somewhere(page):
    links = re.findall(r"\]\((?!https?:)([^)#]+)\)", page)
    assert links
    for link in links:
        assert (README.parent / link).exists(), link


def test_the_job_comes_first(page):
    paragraph = page.split("\n\n")[1]
    assert page.startswith("# ")
    assert "questionnaire" in paragraph
    assert "interview" in paragraph
