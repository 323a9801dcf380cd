"""An exclusion written into study.toml: all else stays byte for byte."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from workbench.study_edits import with_exclusion

FIRST = {"participant": "A07", "condition": "ladle", "reason": "headset lost tracking"}
AFTER = "# the plan\n[plan]\nlevel = 0.05 # as ever\n"


@pytest.mark.parametrize(
    "text",
    [
        "format = 1\n",
        f"format = 1\n\n{AFTER}",
        f'[[exclusions]] # those left out\nparticipant = "A01"\nreason = "ill"\n\n{AFTER}',
        f'[[exclusions]]\r\nparticipant = "A01"\r\nreason = "ill"\r\n\r\n{AFTER}',
        'exclusions = [{ participant = "A01", reason = "ill" }]\nformat = 1\n',
        "exclusions = []\n",
        "format = 1",
    ],
)
def test_one_more_stands_after_those_there_and_comments_stay(text):
    written = with_exclusion(text, FIRST)
    before = tomllib.loads(text)
    assert tomllib.loads(written) == before | {"exclusions": [*before.get("exclusions", []), FIRST]}
    for line in text.splitlines():
        if "#" in line:
            assert line in written.splitlines()


@given(st.text(min_size=1, max_size=40), st.lists(st.text(min_size=1, max_size=10), max_size=3))
def test_any_reason_is_read_back_as_it_was_given(reason, measures):
    entry = {"participant": "A01", "measures": measures, "reason": reason}
    written = with_exclusion(AFTER, entry)
    assert tomllib.loads(written)["exclusions"] == [entry]
