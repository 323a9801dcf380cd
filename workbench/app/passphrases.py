"""Who may sign in as which rater: passphrases as scrypt hashes, and sessions, in files that their owner alone may read.

`private/raters.toml` holds a salt and a hash for each rater, never a passphrase. A session is known by the hash of its token,
so that nobody who reads the file can take it over. Scrypt with n = 2^15, r = 8, p = 3 takes 32 MB and a part of a second.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import secrets
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from workbench.errors import StudyError, UsageError
from workbench.files import fault, write_atomically
from workbench.pseudonyms.key import open_to_others
from workbench.study import Study

RATERS_FILE = "private/raters.toml"
SESSIONS_FILE = "private/.sessions.json"
"""Hidden, so that signing in does not count as a change of the study's files."""

SHORTEST = 10
"""Characters of a passphrase."""
SESSION_HOURS = 12
N, R, P = 2**15, 8, 3
_OWNER_ONLY = 0o600

_lock = threading.Lock()
_ONE_AT_A_TIME = threading.Lock()
"""Whoever tries many passphrases at once waits in line."""


@dataclass(frozen=True, slots=True, repr=False)
class Secret:
    """What is kept of a passphrase; it has no representation in words."""

    salt: str
    hash: str


def set_passphrase(study: Study, rater: str, passphrase: str) -> None:
    """Keep the hash of a rater's passphrase, and end the rater's sessions.

    Raises UsageError for somebody who is no rater of the study, and for a passphrase that is too short.
    """
    from workbench.coding.rounds import require_rater

    require_rater(study, rater)
    if len(passphrase) < SHORTEST:
        raise UsageError(
            f"The passphrase has {len(passphrase)} characters; take {SHORTEST} or more, such as four words."
        )
    kept = _kept(study)
    salt = secrets.token_bytes(16)
    kept[rater] = Secret(salt.hex(), _hash(passphrase, salt).hex())
    _write_private(study.path(RATERS_FILE), _as_toml(kept))
    with _lock:
        _write_sessions(
            study.folder, {key: one for key, one in _sessions(study.folder).items() if one["rater"] != rater}
        )


def raters_with_passphrase(study: Study) -> tuple[str, ...]:
    """The raters of the study who can sign in.

    Raises StudyError where others than its owner may read the file, or it is damaged.
    """
    interviews = study.declared.interviews
    kept = _kept(study)
    return tuple(one for one in (interviews.raters if interviews else ()) if one in kept)


def is_passphrase_of(study: Study, rater: str, passphrase: str) -> bool:
    """Whether this is the rater's passphrase; it takes as long for one who has none."""
    kept = _kept(study).get(rater)
    with _ONE_AT_A_TIME:
        hashed = _hash(passphrase, bytes.fromhex(kept.salt) if kept else b"\0" * 16)
    return kept is not None and rater in raters_with_passphrase(study) and hmac.compare_digest(hashed.hex(), kept.hash)


def _hash(passphrase: str, salt: bytes) -> bytes:
    from workbench.files import normalized

    return hashlib.scrypt(normalized(passphrase).encode(), salt=salt, n=N, r=R, p=P, maxmem=2**27, dklen=32)


def _kept(study: Study) -> dict[str, Secret]:
    import tomllib

    path = study.path(RATERS_FILE)
    if not path.exists():
        return {}
    if faults := open_to_others(path, RATERS_FILE, "blocks"):
        raise StudyError(faults)
    try:
        told = tomllib.loads(path.read_text(encoding="utf-8"))
        return {one: Secret(bytes.fromhex(words["salt"]).hex(), str(words["scrypt"])) for one, words in told.items()}
    except (ValueError, KeyError, TypeError):
        remedy = "Remove it, and set the passphrases anew: workbench rater STUDY NAME."
        raise StudyError([fault(RATERS_FILE, "", "This is no file of raters' passphrases.", remedy)]) from None


def _as_toml(kept: dict[str, Secret]) -> str:
    import tomlkit

    document = tomlkit.document()
    document.add(tomlkit.comment("Hashes of raters' passphrases; `workbench rater` writes them."))
    for rater, one in kept.items():
        document[rater] = {"salt": one.salt, "scrypt": one.hash}
    return tomlkit.dumps(document)


def _write_private(path: Path, text: str) -> None:
    """Write a file that is at no moment readable for others."""
    path.parent.mkdir(parents=True, mode=0o700, exist_ok=True)
    os.close(os.open(path, os.O_CREAT | os.O_WRONLY, _OWNER_ONLY))
    os.chmod(path, _OWNER_ONLY)
    write_atomically(path, text)


# ---------------------------------------------------------------------------------------- sessions


def begin_session(folder: Path, rater: str) -> str:
    """The token of a new session, which ends by itself after SESSION_HOURS."""
    token = secrets.token_urlsafe(32)
    with _lock:
        now = time.time()
        kept = {key: one for key, one in _sessions(folder).items() if one["until"] > now}
        _write_sessions(folder, kept | {_known_by(token): {"rater": rater, "until": now + 3600 * SESSION_HOURS}})
    return token


def end_session(folder: Path, token: str) -> None:
    """Forget a session."""
    with _lock:
        kept = _sessions(folder)
        if kept.pop(_known_by(token), None):
            _write_sessions(folder, kept)


def rater_of_session(folder: Path, token: str) -> str:
    """Whose session a token belongs to; "" where there is none or it has ended."""
    found = _sessions(folder).get(_known_by(token)) if token else None
    return str(found["rater"]) if found and found["until"] > time.time() else ""


def cookie_name(folder: Path) -> str:
    """A name of its own for each study, since a browser keeps cookies of one machine together, whatever the port."""
    return f"workbench_{hashlib.sha256(str(folder.resolve()).encode()).hexdigest()[:12]}"


def _known_by(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()


def _sessions(folder: Path) -> dict[str, dict[str, Any]]:
    path = folder / SESSIONS_FILE
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
        return {key: {"rater": str(one["rater"]), "until": float(one["until"])} for key, one in told.items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def _write_sessions(folder: Path, sessions: dict[str, dict[str, Any]]) -> None:
    _write_private(folder / SESSIONS_FILE, json.dumps(sessions))
