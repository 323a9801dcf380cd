"""The key and the private list of names: no results, packet, export or table takes a phrase from them."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest
import typer
from study_folders import instrument, questionnaire, sheet, study_in
from typer.testing import CliRunner

from workbench.cli import app
from workbench.pseudonyms.key import KEY_FILE
from workbench.results.folder import input_files

pytestmark = pytest.mark.xdist_group("test_private")
"""What the whole module shares is made once."""

HIDDEN, LISTED = "Qwendolin Harrow", "Xaverine"
TALK = f"Interviewer: How was it?\nA01: It was {HIDDEN}'s pot, really heavy. {HIDDEN.upper()} said so.\n"
FURTHER = [
    ["transcripts", "--transcript", "A01"],
    ["transcripts", "--find", "pot*"],
    ["transcripts", "--collocations", "frequency"],
    ["codebook", "changes"],
    ["agreement", "--words"],
    ["consensus", "--round", "second"],
    ["trace", "descriptives/ease.The_still_one/mean"],
]
"""Other tables of commands that have several, and commands that need more than the study."""

runner = CliRunner()


def commands() -> dict[str, list[str]]:
    """Every command that shows tables, with the arguments beside the study that it needs."""
    known = typer.main.get_command(app).commands  # type: ignore[attr-defined]
    return {
        name: [one.name for one in command.params if one.param_type_name == "argument" and one.required]
        for name, command in known.items()
        if any(one.name == "format" for one in command.params)
    }


def done(arguments: list[str]) -> str:
    found = runner.invoke(app, arguments)
    assert found.exit_code == 0, found.output
    return found.output


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """A small study whose key hides a phrase that stands in a transcript, with its report and a packet."""
    folder = tmp_path_factory.mktemp("study")
    study_in(
        folder,
        instruments=[instrument("ease", ["q1", "q2"])],
        questionnaires=[questionnaire("after", ["ease"])],
        files={
            "after.csv": sheet("participant condition q1 q2", "A01 still 1 2", "A01 slosh 5 6", "A02 still 2 2", "A02 slosh 6 7", "A03 still 3 2", "A03 slosh 3 4"),
            "t/A01.txt": TALK,
            "t/A02.txt": "Interviewer: How was it?\nA02: Light as a pot of nothing.\n",
            "codebook.csv": "version,kind,code,label,definition\n1,version,,,\n1,code,HEFT,Heft,weight\n",
            "codings.csv": "".join(
                ["participant,transcript,unit,rater,round,codebook_version,code,about,stance,start,end\n"]
                + [f"{one},{one},{one}-002,{rater},rely,1,HEFT,still,for,,\n" for one in ("A01", "A02") for rater in ("R1", "R2")]
            ),
            "private/names.csv": f"name,kind,replacement\n{LISTED},,\n",
        },
        interviews={
            "mode": "coding reliability",
            "raters": ["R1", "R2"],
            "primary_rater": "R1",
            "rounds": [{"id": one, "kind": "reliability"} for one in ("rely", "second")],
            "codings": ["codings.csv"],
            "codebook": "codebook.csv",
            "transcripts": ["t/{participant}.txt"],
            "speakers": {"Interviewer": "interviewer"},
            "names": "private/names.csv",
        },
        constructs=[{"id": "ease", "label": "Ease", "measure": "ease", "codes": ["HEFT"]}],
    )  # fmt: skip
    (folder / "private" / "names.csv").chmod(0o600)
    done(["pseudonyms", str(folder), "confirm", "--phrase", HIDDEN, "--replacement", "[name 1]", "--by", "R1"])
    for rater, codes in (("R1", ["HEFT"]), ("R2", [])):
        for unit in ("A01-002", "A02-002"):
            done(["code", str(folder), unit, *codes, "--round", "second", "--by", rater])
        done(["round", str(folder), "submit", "--round", "second", "--by", rater, "--why", "all of it"])
    done(["report", str(folder)])
    done(["packet", str(folder), "make", "--round", "rely", "--rater", "R2"])
    return folder


def told_by(content: bytes) -> Iterator[bytes]:
    yield content
    if content.startswith(b"PK"):
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            for name in archive.namelist():
                yield from told_by(archive.read(name))


def is_told(content: bytes) -> bool:
    return any(word.encode().lower() in told.lower() for word in (*HIDDEN.split(), LISTED) for told in told_by(content))


def test_no_file_but_key_list_and_transcript_holds_the_phrase(folder):
    holding = {
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if path.is_file() and is_told(path.read_bytes())
    }
    assert holding == {KEY_FILE, "private/names.csv", "t/A01.txt"}
    assert sum(path.is_file() for path in (folder / "results").rglob("*")) > 20
    assert len(list((folder / "packets").iterdir())) == 2


def test_the_manifest_neither_names_nor_hashes_what_is_private(folder):
    manifest = (folder / "results" / "manifest.json").read_text(encoding="utf-8")
    assert "private" not in manifest
    files = ["study.toml", "after.csv", "codings.csv", "codebook.csv", "t/A01.txt", "t/A02.txt"]
    assert list(json.loads(manifest)["inputs"]) == [*files, "decisions.sqlite"]


def test_a_table_beside_the_key_is_no_input_of_the_manifest(tmp_path):
    table = {"private/who.csv": "participant\nA01\n"}
    study = study_in(tmp_path, participants={"file": "private/who.csv"}, files=table)
    assert input_files(study.declared) == ["study.toml"]


@pytest.mark.parametrize(
    "arguments",
    [
        *([name] for name, needed in commands().items() if needed == ["study"] and name not in ("report", "consensus")),
        *FURTHER,
    ],
)
def test_no_table_of_a_command_holds_the_phrase(folder, arguments):
    name, *rest = arguments
    output = done([name, str(folder), *rest, "--format", "json"])
    assert name == "pseudonyms" or not is_told(output.encode())
    assert "[name 1]" in output or not (name in ("units", "consensus") or "--transcript" in rest)
