"""The key: decisions and their log, a file for its owner alone, and what the journal may know."""

from __future__ import annotations

import csv
import hashlib
import hmac
import os
import stat
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from study_folders import faults_of, kinds

from workbench.errors import ArgumentError
from workbench.pseudonyms.key import (
    KeyEntry,
    KnownName,
    PseudonymKey,
    load_key,
    next_replacement,
    open_to_others,
    proposed,
    read_known_names,
)

NOW = datetime(2026, 3, 2, 9, 30, tzinfo=UTC)
ANNA = KeyEntry("Anna", "name", "[name 1]", "confirmed", by="R1")
ONLY_POSIX = pytest.mark.skipif(os.name != "posix", reason="permissions of this kind are known on POSIX systems alone")


def key(*entries: KeyEntry) -> PseudonymKey:
    made = PseudonymKey()
    for one in entries:
        made = made.decide(one, at=NOW)
    return made


def test_every_decision_stays_and_the_last_one_counts():
    made = key(ANNA, replace(ANNA, decision="rejected", by="R2"), replace(ANNA, phrase="Bo", replacement="[name 2]"))
    assert [(one.phrase, one.decision, one.by) for one in made.log] == [
        ("Anna", "confirmed", "R1"), ("Anna", "rejected", "R2"), ("Bo", "confirmed", "R1"),
    ]  # fmt: skip
    assert [one.phrase for one in made.confirmed] == ["Bo"]
    assert made.log[0].at == "2026-03-02T09:30:00+00:00"


def test_a_decision_for_a_place_does_not_replace_the_one_for_everywhere():
    made = key(ANNA, replace(ANNA, decision="rejected", transcript="A01", turn="2", start=0))
    assert len(made.entries) == 2


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"by": ""}, "`by` is empty"),
        ({"phrase": "  "}, "`phrase` is empty"),
        ({"replacement": " "}, "`replacement` is empty"),
        ({"replacement": "little anna"}, "holds the phrase itself"),
        ({"decision": "maybe"}, "confirmed or rejected"),
    ],
)
def test_decisions_that_are_none(change, message):
    with pytest.raises(ArgumentError, match=message):
        key(replace(ANNA, **change))


def test_the_file_is_written_and_read_again(tmp_path):
    path = tmp_path / "private" / "pseudonyms.csv"
    made = key(
        replace(ANNA, phrase='An "odd", phrase', why="said twice"),
        replace(ANNA, transcript="A01", turn="12a", start=0),
        replace(ANNA, phrase="+44 20", replacement="[phone number 1]"),
    )
    made.save(path)
    back = load_key(path)
    assert (back.log, back.salt) == (made.log, made.salt)
    made.decide(replace(ANNA, phrase="Bo"), at=NOW).save(path)
    assert len(load_key(path).log) == 4


@ONLY_POSIX
def test_the_file_is_for_its_owner_alone(tmp_path):
    path = tmp_path / "private" / "pseudonyms.csv"
    before = os.umask(0)
    try:
        key(ANNA).save(path)
    finally:
        os.umask(before)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700


@ONLY_POSIX
@pytest.mark.parametrize("mode", [0o640, 0o604, 0o620, 0o666])
def test_a_key_that_others_may_read_or_change_is_refused(tmp_path, mode):
    path = tmp_path / "pseudonyms.csv"
    key(ANNA).save(path)
    path.chmod(mode)
    (found,) = faults_of(load_key, path)
    assert found.kind == "private file open"
    assert "chmod 600" in found.remedy
    key(ANNA).save(path)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_a_key_that_is_not_there_is_empty(tmp_path):
    assert load_key(tmp_path / "none.csv").log == ()


@pytest.mark.parametrize(
    ("row", "kind"),
    [
        ({"decision": "perhaps"}, "wrong value"),
        ({"phrase": ""}, "wrong value"),
        ({"start": "x"}, "wrong value"),
    ],
)
def test_rows_that_are_no_decisions(tmp_path, row, kind):
    path = tmp_path / "pseudonyms.csv"
    key(ANNA).save(path)
    with path.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    rows[1] |= row
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    assert kinds(faults_of(load_key, path)) == [kind]


def test_a_key_without_its_salt_or_columns_is_refused(tmp_path):
    path = tmp_path / "pseudonyms.csv"
    key(ANNA).save(path)
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    path.write_text("".join([lines[0], *lines[2:]]), encoding="utf-8")
    assert "salt" in faults_of(load_key, path)[0].found
    path.write_text("phrase,kind\nAnna,name\n", encoding="utf-8")
    assert "no key" in faults_of(load_key, path)[0].found


def test_the_journal_gets_a_hash_and_never_the_phrase():
    made = key(ANNA)
    content = made.journal_content(made.entries[0])
    assert "Anna" not in str(content)
    assert content["replacement"] == "[name 1]"
    expected = hmac.new(bytes.fromhex(made.salt), b"Anna", hashlib.sha256).hexdigest()
    assert content["hash"] == made.hash_of("  Anna ") == expected
    assert key(ANNA).hash_of("Anna") != expected  # another study, another salt


def test_whoever_withdraws_is_taken_out_with_all_history():
    made = key(ANNA, replace(ANNA, decision="rejected"), replace(ANNA, phrase="Bo", replacement="[name 2]"))
    left = made.without(["Anna"])
    assert [one.phrase for one in left.log] == ["Bo"]
    assert left.salt == made.salt


def test_proposals_are_consistent_and_free():
    made = key(ANNA, replace(ANNA, phrase="No", decision="rejected"))
    known = [KnownName("Cleo", "name", "Carla"), KnownName("The Ox", "workplace")]
    phrases = [
        ("Anna", "name"),
        ("Bo", "possible name"),
        ("Cleo", "name"),
        ("The Ox", "name"),
        ("Bo", "name"),
        ("No", "name"),
        ("07", "phone number"),
    ]
    assert proposed(phrases, known, made) == {
        "Bo": "[name 2]", "Cleo": "Carla", "The Ox": "[workplace 1]", "07": "[phone number 1]",
    }  # fmt: skip
    assert next_replacement("name", ["[name 1]", "[name 3]"]) == "[name 2]"


def test_the_private_list_of_names(tmp_path):
    path = tmp_path / "names.csv"
    path.write_text("name,kind,replacement\nAnna,,Berta\nThe Ox,workplace,\n,,\nAnna,name,Berta\n", encoding="utf-8")
    path.chmod(0o600)
    names, notes = read_known_names(path, "names.csv")
    assert names == [KnownName("Anna", "name", "Berta"), KnownName("The Ox", "workplace", "")]
    assert notes == []
    path.write_text("name,replacement\nAnna,Berta\nAnna,Carla\n", encoding="utf-8")
    assert kinds(faults_of(read_known_names, path, "names.csv")) == ["contradiction"]
    path.write_text("person\nAnna\n", encoding="utf-8")
    assert kinds(faults_of(read_known_names, path, "names.csv")) == ["unknown column", "missing column"]


@ONLY_POSIX
def test_a_private_list_that_others_may_read_asks_for_attention(tmp_path):
    path = tmp_path / "names.csv"
    path.write_text("name\nAnna\n", encoding="utf-8")
    path.chmod(0o644)
    names, notes = read_known_names(path, "names.csv")
    assert len(names) == 1
    assert [one.severity for one in notes] == ["attention"]
    assert open_to_others(path, "names.csv", "blocks")[0].severity == "blocks"
