"""Who may sign in: passphrases are kept as hashes alone, sessions by hashes of tokens, and forms from elsewhere are refused."""

from __future__ import annotations

import asyncio
import json
import stat
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

import pytest
from starlette.applications import Starlette
from study_to_code import study_to_code
from typer.testing import CliRunner

from workbench.app import passphrases, signin
from workbench.app.launch import STUDY_VARIABLE
from workbench.cli import app
from workbench.errors import StudyError, UsageError

WORDS = "four calm wörds here"
HERE = "http://testserver"


@pytest.fixture
def study(tmp_path, monkeypatch):
    monkeypatch.setattr(passphrases, "N", 2**4)  # quick; the real cost is in test_a_hash_is_costly
    monkeypatch.setattr(signin, "WAIT", 0.0)
    monkeypatch.setenv(STUDY_VARIABLE, str(tmp_path))
    return study_to_code(tmp_path)


class Client:
    """Asks the two pages without a server, and keeps the cookie."""

    def __init__(self) -> None:
        self.app = Starlette(routes=signin.routes())
        self.cookie = ""

    def ask(self, method: str, address: str, form: dict[str, str] | None = None, origin: str | None = None) -> Answer:
        sent: list[dict[str, Any]] = []
        given = {"host": "testserver", "cookie": self.cookie} | ({"origin": origin} if origin else {})
        scope = {
            "type": "http", "method": method, "path": address, "query_string": b"", "scheme": "http", "root_path": "",
            "headers": [(name.encode(), words.encode()) for name, words in given.items()],
        }  # fmt: skip

        async def receive() -> dict[str, Any]:
            return {"type": "http.request", "body": urlencode(form or {}).encode()}

        async def send(message: Any) -> None:
            sent.append(message)

        with ThreadPoolExecutor(1) as aside:  # a browser of other tests may have a loop of its own running here
            aside.submit(asyncio.run, self.app(scope, receive, send)).result()
        headers = {name.decode(): words.decode() for name, words in sent[0]["headers"]}
        self.cookie = headers.get("set-cookie", self.cookie).partition(";")[0]
        return Answer(sent[0]["status"], headers, b"".join(one.get("body", b"") for one in sent).decode())


@dataclass(frozen=True)
class Answer:
    status: int
    headers: dict[str, str]
    text: str


@pytest.fixture
def client(study):
    return Client()


def test_a_passphrase_is_kept_as_a_hash_that_its_owner_alone_may_read(study):
    passphrases.set_passphrase(study, "R1", WORDS)
    path = study.path(passphrases.RATERS_FILE)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    assert WORDS not in path.read_text(encoding="utf-8")
    assert passphrases.raters_with_passphrase(study) == ("R1",)
    assert passphrases.is_passphrase_of(study, "R1", WORDS)
    assert passphrases.is_passphrase_of(study, "R1", "four calm wo\u0308rds here")
    assert not passphrases.is_passphrase_of(study, "R1", WORDS.upper())
    assert not passphrases.is_passphrase_of(study, "R2", WORDS)


def test_two_raters_with_the_same_words_have_other_hashes(study):
    for rater in ("R1", "R2"):
        passphrases.set_passphrase(study, rater, WORDS)
    kept = passphrases._kept(study)
    assert kept["R1"].hash != kept["R2"].hash


def test_a_hash_is_costly():
    assert (passphrases.N, passphrases.R, passphrases.P) == (2**15, 8, 3)


@pytest.mark.parametrize(("rater", "words", "said"), [("R9", WORDS, "no rater"), ("R1", "short", "10 or more")])
def test_who_is_no_rater_and_what_is_too_short_is_told(study, rater, words, said):
    with pytest.raises(UsageError, match=said):
        passphrases.set_passphrase(study, rater, words)


def test_a_file_that_others_may_read_or_that_is_damaged_blocks(study):
    passphrases.set_passphrase(study, "R1", WORDS)
    path = study.path(passphrases.RATERS_FILE)
    path.chmod(0o644)
    with pytest.raises(StudyError, match="Others than its owner"):
        passphrases.is_passphrase_of(study, "R1", WORDS)
    path.chmod(0o600)
    path.write_text("R1 = 3\n")
    with pytest.raises(StudyError, match="no file of raters"):
        passphrases.raters_with_passphrase(study)


def test_a_session_is_known_by_its_token_alone_and_ends(study, monkeypatch):
    token = passphrases.begin_session(study.folder, "R1")
    assert token not in (study.folder / passphrases.SESSIONS_FILE).read_text()
    assert passphrases.rater_of_session(study.folder, token) == "R1"
    known = next(iter(json.loads((study.folder / passphrases.SESSIONS_FILE).read_text())))
    assert passphrases.rater_of_session(study.folder, known) == ""
    now = passphrases.time.time()
    monkeypatch.setattr(passphrases.time, "time", lambda: now + 3600 * passphrases.SESSION_HOURS + 1)
    assert passphrases.rater_of_session(study.folder, token) == ""


def test_a_new_passphrase_ends_the_raters_sessions_and_no_others(study):
    one, two = (passphrases.begin_session(study.folder, rater) for rater in ("R1", "R2"))
    passphrases.set_passphrase(study, "R1", WORDS)
    assert passphrases.rater_of_session(study.folder, one) == ""
    assert passphrases.rater_of_session(study.folder, two) == "R2"


def test_signing_in_does_not_count_as_a_change_of_the_study(study):
    from workbench.app.held import stamp

    study.path("private").mkdir(mode=0o700)
    before = stamp(study.folder)
    passphrases.begin_session(study.folder, "R1")
    assert stamp(study.folder) == before


def test_the_form_signs_in_and_out(study, client):
    passphrases.set_passphrase(study, "R1", WORDS)
    assert "R2" not in client.ask("GET", "/signin").text
    wrong = client.ask("POST", "/signin", {"rater": "R1", "passphrase": "wrong words here"}, HERE)
    assert (wrong.status, "not the passphrase" in wrong.text, "set-cookie" in wrong.headers) == (403, True, False)
    right = client.ask("POST", "/signin", {"rater": "R1", "passphrase": WORDS}, HERE)
    assert (right.status, right.headers["location"]) == (303, "/coding")
    assert {"httponly", "samesite=strict"} <= set(right.headers["set-cookie"].lower().split("; "))
    name, _, token = client.cookie.partition("=")
    assert signin.rater_signed_in(study.folder, {name: token}) == "R1"
    out = client.ask("POST", "/signout", {}, HERE)
    assert out.headers["clear-site-data"] == '"storage"'
    assert signin.rater_signed_in(study.folder, {name: token}) == ""


@pytest.mark.parametrize("origin", [None, "https://example.org", "null"])
def test_a_form_from_elsewhere_does_nothing(study, client, origin):
    passphrases.set_passphrase(study, "R1", WORDS)
    for address in ("/signin", "/signout"):
        answer = client.ask("POST", address, {"rater": "R1", "passphrase": WORDS}, origin)
        assert (answer.status, "set-cookie" in answer.headers) == (403, False)


def test_a_form_that_is_far_too_long_is_not_read(study, client):
    passphrases.set_passphrase(study, "R1", WORDS)
    assert client.ask("POST", "/signin", {"rater": "R1", "passphrase": WORDS, "more": "x" * 5000}, HERE).status == 403


def test_the_command_asks_twice_and_tells_no_word_of_it(study):
    run = CliRunner().invoke(app, ["rater", str(study.folder), "R1"], input=f"{WORDS}\n{WORDS}\n")
    assert run.exit_code == 0, run.output
    assert "R1 can sign in" in run.output
    assert WORDS not in run.output
    assert passphrases.is_passphrase_of(study, "R1", WORDS)
    assert CliRunner().invoke(app, ["rater", str(study.folder), "R9"], input="x\n").exit_code == 2
