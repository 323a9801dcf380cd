"""A new study folder: a study.toml that passes `check`, and the empty sheets it names."""

from __future__ import annotations

import csv
import io
import json
import re
import unicodedata
from collections.abc import Sequence
from pathlib import Path

from workbench.declared import nearest
from workbench.errors import UsageError
from workbench.files import swapped_in, write_atomically
from workbench.instrument import Instrument, library, read_instrument
from workbench.orders import williams_square

DEFAULT_CONDITIONS = ("Version A", "Version B", "Version C")
DEFAULT_INSTRUMENTS = ("weight_realism", "effectiveness")

_STUDY = """\
# A study is a folder. This file says what was planned, who took part and where the collected files are.
# Every key is explained in the handbook page "study-toml". Collected files are never changed by the workbench.
# Check this folder with:   workbench check {folder}

format = 1
id = {id}
title = {title}
note = ""                       # a sentence for every report

# ---- Conditions, in the order of tables -------------------------------------------------------------
{conditions}
# ---- Participants -------------------------------------------------------------------------------------
[participants]
file = "participants.csv"       # a row per participant; "sequence" names the order assigned
sequence_column = "sequence"
pilots = []                     # their rows are left out and counted
withdrawn = 0                   # how many withdrew and were erased
default_permissions = {{ quotes = false, share = false, archive = false }}

# Orders of a Williams square: each condition in every place, and after every other, equally often.
[sequences]
{sequences}
# Uncomment when the order as run is logged (columns participant, position, condition):
# [session_log]
# file = "session_log.csv"

# ---- Questionnaires ------------------------------------------------------------------------------------
[[questionnaires]]
id = "after_condition"
label = "After each condition"
asked = "per_condition"         # or "once", "before_after"
layout = "row_per_session"      # a row per participant and condition
files = ["responses/after_condition.csv"]
instruments = [{uses}]
# Where your columns are called otherwise:
# columns = {{ participant = "Participant", condition = "Version", pattern = "{{item}}" }}
# items = {{ "Q1. It felt heavy" = {first_item} }}
# condition_names = {{ "A" = {first_condition} }}

# ---- The analysis plan: decide before the data, then:   workbench plan {folder} freeze --------------------
[plan]
primary = [{primary}]
target_n = {n}
level = 0.05
zeros = "pratt"                 # zero differences: ranked with the rest, then left out; or "drop"
missing = "instrument"          # answers a score needs: as the instrument says; or "half", "complete"
cases = "complete"              # pairs over participants with all conditions; or "available"
omnibus_gates_pairs = true
seed = 1
# smallest_effects = {{ {first_measure} = 0.5 }}
thresholds = {{ reliability = 0.7 }}

[[plan.families]]
id = "omnibus"
tests = "omnibus"
measures = [{primary}]
correction = "holm"
{families}"""


def new_study(
    folder: Path, *, title: str, conditions: Sequence[str], participants: int, instruments: Sequence[str]
) -> None:
    """Write a study folder that passes `check`.

    `conditions` are labels, from which ids are made; `instruments` are names in the library. Raises
    UsageError when the folder holds anything, a label gives no id of its own, or an instrument is unknown.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UsageError(f"{folder} exists and is not empty; name a new folder.")
    if participants < 1:
        raise UsageError(f"{participants} participants cannot be planned; give 1 or more.")
    known = library()
    for name in instruments:
        if name not in known:
            raise UsageError(f"There is no instrument “{name}”. {nearest(name, sorted(known))}")
    ids = _condition_ids(conditions)
    chosen = [read_instrument(known[name], f"{name}.toml") for name in instruments]
    orders = williams_square(ids) if len(ids) > 1 else [ids]
    assigned = [(f"P{number:02d}", str((number - 1) % len(orders) + 1)) for number in range(1, participants + 1)]
    with swapped_in(folder) as aside:
        write_atomically(
            aside / "study.toml",
            _study_toml(folder.name, title, dict(zip(ids, conditions, strict=True)), orders, participants, chosen),
        )
        write_atomically(aside / "participants.csv", _sheet(["participant", "sequence"], assigned))
        header = ["participant", "condition", *(item.id for one in chosen for item in one.items)]
        write_atomically(aside / "responses" / "after_condition.csv", _sheet(header, []))


def _condition_ids(labels: Sequence[str]) -> list[str]:
    plain = [unicodedata.normalize("NFKD", label.casefold()).encode("ascii", "ignore").decode() for label in labels]
    ids = [re.sub(r"[^a-z0-9]+", "_", label).strip("_") for label in plain]
    ids = [name if name[:1].isalpha() else f"c_{name}" for name in ids]
    if len(set(ids)) < len(ids) or "c_" in ids:
        raise UsageError(
            f"The conditions {', '.join(labels)} do not give distinct names of letters and digits ({', '.join(ids)}); word them differently."
        )
    return ids


def _study_toml(
    folder: str,
    title: str,
    labels: dict[str, str],
    orders: Sequence[Sequence[str]],
    n: int,
    chosen: Sequence[Instrument],
) -> str:
    measures = [scale.id for one in chosen for scale in one.scales]
    first = measures[0] if measures else ""
    return _STUDY.format(
        folder=folder,
        id=_quoted(re.sub(r"[^A-Za-z0-9_-]+", "-", folder).strip("-_") or "study")
        if folder[:1].isalpha()
        else _quoted("study"),
        title=_quoted(title),
        conditions="".join(
            f"[[conditions]]\nid = {_quoted(name)}\nlabel = {_quoted(label)}\n\n" for name, label in labels.items()
        ),
        sequences="".join(f"{number} = {_listed(order)}\n" for number, order in enumerate(orders, start=1)),
        uses=", ".join(f"{{ id = {_quoted(one.id)}, version = {_quoted(one.version)} }}" for one in chosen),
        first_item=_quoted(chosen[0].items[0].id),
        first_condition=_quoted(next(iter(labels))),
        first_measure=first,
        primary=", ".join(map(_quoted, measures)),
        n=n,
        families="".join(
            f'\n[[plan.families]]\nid = "pairs_{name}"\ntests = "pairs"\nmeasures = [{_quoted(name)}]\ncorrection = "holm"\n'
            for name in measures
        ),
    )


def _quoted(text: str) -> str:
    """A TOML basic string: JSON's escapes are TOML's."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _listed(names: Sequence[str]) -> str:
    return f"[{', '.join(map(_quoted, names))}]"


def _sheet(header: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    out = io.StringIO()
    csv.writer(out).writerows([header, *rows])
    return out.getvalue()
