"""The key: which phrase became which replacement, who decided it and when. It tells who people are, so it is guarded.

It lies in a file of its own inside the study folder, readable by its owner alone, and no export takes it. Every decision
is a row that stays; the last one of a phrase and place counts. What goes to the journal is a salted hash, never the phrase.
"""

from __future__ import annotations

import csv
import hashlib
import hmac
import io
import os
import secrets
import stat
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

from workbench.errors import ArgumentError, Finding, StudyError
from workbench.files import fault, gathering, read_table, write_atomically
from workbench.pseudonyms.replacing import phrase_key

KEY_FILE = "private/pseudonyms.csv"
"""Where the key lies inside a study folder."""

Decision = Literal["confirmed", "rejected"]
DECISIONS: tuple[Decision, ...] = ("confirmed", "rejected")

_COLUMNS = ("phrase", "kind", "replacement", "decision", "by", "at", "transcript", "turn", "start", "why")
_SALT = "salt"
_OWNER_ONLY = 0o600


@dataclass(frozen=True, slots=True)
class KeyEntry:
    """One decision on a phrase. `transcript`, `turn` (its id) and `start` bind it to a place; "" and None mean everywhere."""

    phrase: str
    kind: str
    replacement: str
    decision: Decision
    by: str = ""
    at: str = ""
    transcript: str = ""
    turn: str = ""
    start: int | None = None
    why: str = ""

    @property
    def place(self) -> tuple[str, str, str, int | None]:
        """What it decides on: a phrase, everywhere or at one place."""
        return phrase_key(self.phrase), self.transcript, self.turn, self.start


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class PseudonymKey:
    """The decisions in the order they were made, the log; `salt` makes the hashes of this study its own.

    It has no representation in words, so that no log or message shows it by accident.
    """

    log: tuple[KeyEntry, ...] = ()
    salt: str = ""

    @property
    def entries(self) -> tuple[KeyEntry, ...]:
        """The decisions that count: the last one of each phrase and place."""
        return tuple({one.place: one for one in self.log}.values())

    @property
    def confirmed(self) -> tuple[KeyEntry, ...]:
        """Those of the decisions that count which replace something."""
        return tuple(one for one in self.entries if one.decision == "confirmed")

    def decide(self, entry: KeyEntry, *, at: datetime | None = None) -> PseudonymKey:
        """The key with one decision more, dated now unless it has a date.

        Raises ArgumentError for a decision without its person, without a phrase, or confirmed without a replacement, and
        for a replacement that holds the phrase.
        """
        if entry.decision not in DECISIONS:
            raise ArgumentError(f"`decision` is “{entry.decision}”; it can be {' or '.join(DECISIONS)}.")
        if not entry.by:
            raise ArgumentError("`by` is empty; a decision needs the person who made it.")
        if not phrase_key(entry.phrase):
            raise ArgumentError("`phrase` is empty; a decision is about the words that identify someone.")
        if entry.decision == "confirmed" and not entry.replacement.strip():
            raise ArgumentError("`replacement` is empty; a confirmed phrase needs one, such as “[name 1]”.")
        if entry.decision == "confirmed" and phrase_key(entry.phrase).casefold() in entry.replacement.casefold():
            raise ArgumentError("`replacement` holds the phrase itself, so nothing would be hidden.")
        moment = entry.at or (at or datetime.now(UTC)).isoformat(timespec="seconds")
        dated = replace(entry, phrase=phrase_key(entry.phrase), at=moment)
        return PseudonymKey((*self.log, dated), self.salt or secrets.token_hex(16))

    def hash_of(self, phrase: str) -> str:
        """The salted hash of a phrase (HMAC with SHA-256, hexadecimal), which stands for it outside the key."""
        if not self.salt:
            raise ArgumentError("The key has no salt yet; it gets one with its first decision.")
        return hmac.new(bytes.fromhex(self.salt), phrase_key(phrase).encode(), hashlib.sha256).hexdigest()

    def journal_content(self, entry: KeyEntry) -> dict[str, Any]:
        """What the journal may know of a decision: hash, replacement, kind, decision and place, never the phrase."""
        return {
            "hash": self.hash_of(entry.phrase),
            "replacement": entry.replacement,
            "kind": entry.kind,
            "decision": entry.decision,
            "transcript": entry.transcript,
            "turn": entry.turn,
            "start": entry.start,
        }

    def without(self, phrases: Iterable[str]) -> PseudonymKey:
        """The key without these phrases and their history, for one who withdraws."""
        gone = {phrase_key(one) for one in phrases}
        return PseudonymKey(tuple(one for one in self.log if phrase_key(one.phrase) not in gone), self.salt)

    def save(self, path: Path) -> None:
        """Write the key whole or not at all, readable and writable by its owner alone (mode 0600, folder 0700)."""
        out = io.StringIO(newline="")
        writer = csv.DictWriter(out, _COLUMNS, lineterminator="\n", restval="")
        writer.writeheader()
        writer.writerow({"kind": _SALT, "replacement": self.salt})
        writer.writerows(
            {name: "" if getattr(one, name) is None else getattr(one, name) for name in _COLUMNS} for one in self.log
        )
        if not path.parent.exists():
            path.parent.mkdir(parents=True, mode=0o700)
        os.close(os.open(path, os.O_CREAT | os.O_WRONLY, _OWNER_ONLY))  # so that it never is readable for others
        os.chmod(path, _OWNER_ONLY)
        write_atomically(path, out.getvalue())


def load_key(path: Path, shown: str = KEY_FILE) -> PseudonymKey:
    """The key in a file, an empty one where there is no file yet.

    Raises StudyError where others than its owner may read or change the file (on systems that know such permissions), and
    for rows that are no decisions.
    """
    if not path.exists():
        return PseudonymKey()
    faults = open_to_others(path, shown, "blocks")
    if faults:
        raise StudyError(faults)
    table = read_table(path, shown, delimiter="comma", encoding="utf-8")
    missing = [name for name in _COLUMNS if name not in table.columns]
    if missing:
        found = f"The columns {', '.join(missing)} are not there, so this is no key."
        raise StudyError([fault(shown, table.header, found, "Put the file of before back in its place.")])
    rows = {
        int(number): dict(zip(_COLUMNS, cells, strict=True))
        for number, *cells in table.frame[list(_COLUMNS)].itertuples()
    }
    salt = next((row["replacement"] for row in rows.values() if row["kind"] == _SALT), "")
    log: list[KeyEntry] = []
    for number, row in rows.items():
        if row["kind"] != _SALT:
            with gathering(faults):
                log.append(_entry(row, f"row {number}", shown))
    if log and not _is_salt(salt):
        faults.append(fault(shown, "", "The row of the salt is gone or damaged.", "Put the file of before back."))
    if faults:
        raise StudyError(faults)
    return PseudonymKey(tuple(log), salt)


def _is_salt(text: str) -> bool:
    return len(text) == 32 and all(one in "0123456789abcdef" for one in text)


def _entry(row: dict[str, str], place: str, shown: str) -> KeyEntry:
    decision, start = row["decision"], row["start"]
    if decision not in DECISIONS or not row["phrase"].strip() or not (start.isdecimal() or not start):
        found = (
            "This row is no decision: it needs a phrase, confirmed or rejected, and as start a whole number or nothing."
        )
        raise StudyError([fault(shown, place, found, "Correct it, or put the file of before back.", "wrong value")])
    texts = {name: row[name] for name in _COLUMNS if name not in ("decision", "start")}
    return KeyEntry(**texts, decision=decision, start=int(start) if start else None)


def open_to_others(path: Path, shown: str, severity: Literal["blocks", "attention"]) -> list[Finding]:
    """A finding where others than the owner of a private file may read or change it; none on systems without such modes."""
    if os.name != "posix":
        return []
    mode = stat.S_IMODE(path.stat().st_mode)
    if not mode & 0o077:
        return []
    found = f"Others than its owner may read or change this file (mode {mode:04o}); it tells who people are."
    remedy = f"Take that away: chmod 600 {shown}. Ask yourself who may have read it."
    return [Finding(severity, "private file open", shown, "", found, remedy)]


@dataclass(frozen=True, slots=True)
class KnownName:
    """A name on the researcher's private list; `kind` is a word such as name or workplace, `replacement` may be empty."""

    name: str
    kind: str = "name"
    replacement: str = ""


def read_known_names(path: Path, shown: str) -> tuple[list[KnownName], list[Finding]]:
    """The private list of names (CSV: name, kind, replacement), and a finding where others may read it.

    Raises StudyError for other columns, and for a name that stands twice with different replacements.
    """
    table = read_table(path, shown)
    unknown = [name for name in table.columns if name not in ("name", "kind", "replacement")]
    faults = [
        fault(shown, table.header, f"“{name}” is no column here.", "Known: name, kind, replacement.", "unknown column")
        for name in unknown
    ]
    if "name" not in table.columns:
        faults.append(fault(shown, table.header, "The column “name” is not there.", "Add it.", "missing column"))
    if faults:
        raise StudyError(faults)
    names: dict[str, KnownName] = {}
    for number, row in table.frame.iterrows():
        one = KnownName(
            phrase_key(row["name"]), row.get("kind", "").strip() or "name", row.get("replacement", "").strip()
        )
        before = names.setdefault(one.name, one)
        if one.name and before.replacement != one.replacement:
            found = f"“{one.name}” has two replacements."
            faults.append(fault(shown, f"row {number}", found, "Keep one of them.", "contradiction"))
    if faults:
        raise StudyError(faults)
    return [one for one in names.values() if one.name], open_to_others(path, shown, "attention")


def next_replacement(kind: str, taken: Iterable[str]) -> str:
    """The first free replacement of a kind: “[name 1]”, “[name 2]” …"""
    used, number = set(taken), 1
    while f"[{kind} {number}]" in used:
        number += 1
    return f"[{kind} {number}]"


def proposed(phrases: Sequence[tuple[str, str]], known: Sequence[KnownName], key: PseudonymKey) -> dict[str, str]:
    """A replacement for each (phrase, kind) that is not decided yet: the chosen one of the list, or the next of its kind.

    A phrase gets one replacement everywhere. Kinds that are only possible names count as names.
    """
    chosen = {phrase_key(one.name): one for one in known}
    decided = {phrase_key(one.phrase) for one in key.entries if not one.transcript}
    taken = {one.replacement for one in key.log} | {one.replacement for one in known if one.replacement}
    proposals: dict[str, str] = {}
    for phrase, kind in phrases:
        name = phrase_key(phrase)
        if name in decided or name in proposals:
            continue
        listed = chosen.get(name)
        replacement = listed.replacement if listed else ""
        if not replacement:
            word = listed.kind if listed else kind.removeprefix("possible ")
            replacement = next_replacement(word, taken)
        proposals[name] = replacement
        taken.add(replacement)
    return proposals
