"""A new study folder: a study.toml that passes `check`, and the empty sheets it names."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import shlex
import unicodedata
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from workbench.declared import nearest
from workbench.errors import UsageError
from workbench.files import swapped_in, write_atomically
from workbench.instrument import LONGEST_ID, Instrument, library, read_instrument
from workbench.orders import williams_square
from workbench.study import STUDY_FILE

DEFAULT_CONDITIONS = ("Version A", "Version B", "Version C")
DEFAULT_INSTRUMENTS = ("weight_realism", "effectiveness")

_STUDY = """\
# A study is a folder. This file says what was planned, who took part and where the collected files are.
# Every key is explained in the handbook page "study-toml". Collected files are never changed by the workbench.
# Check this folder with:   workbench check {argument}

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

# ---- The analysis plan: decide before the data, then:   workbench plan {argument} freeze --------------------
[plan]
primary = {primary}
target_n = {n}
level = 0.05
zeros = "pratt"                 # zero differences: ranked with the rest, then left out; or "drop"
missing = "instrument"          # answers a score needs: as the instrument says; or "half", "complete"
cases = "complete"              # pairs over participants with all conditions; or "available"
omnibus_gates_pairs = true
seed = 1
# smallest_effects = {{ {first_measure} = 0.5 }}
thresholds = {{ reliability = 0.7 }}
{families}"""


def new_study(
    folder: Path, *, title: str, conditions: Sequence[str], participants: int, instruments: Sequence[str]
) -> None:
    """Write a study folder that passes `check`.

    `conditions` are labels, from which ids are made; `instruments` are names in the library. Raises
    UsageError when the folder holds anything, two labels give one id, or an instrument is unknown.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UsageError(f"{folder} exists and is not empty; name a new folder.")
    if participants < 1:
        raise UsageError(f"{participants} participants cannot be planned; give 1 or more.")
    if not conditions or not instruments:
        raise UsageError("A study needs at least one condition and one instrument.")
    for text in (title, *conditions):
        if any(unicodedata.category(character) == "Cs" for character in text):
            raise UsageError(f"{text!r} is not text; give it in UTF-8.")
    labels = dict(zip(_condition_ids(conditions), conditions, strict=True))
    chosen = _instruments(instruments)
    orders = williams_square(list(labels)) if len(labels) > 1 else [list(labels)]
    assigned = [(f"P{number:02d}", str((number - 1) % len(orders) + 1)) for number in range(1, participants + 1)]
    name = Path(os.path.realpath(folder)).name
    with swapped_in(folder) as aside:
        write_atomically(aside / STUDY_FILE, _study_toml(name, title, labels, orders, participants, chosen))
        write_atomically(aside / "participants.csv", _sheet(["participant", "sequence"], assigned))
        header = ["participant", "condition", *_item_columns(chosen)]
        write_atomically(aside / "responses" / "after_condition.csv", _sheet(header, []))


def _instruments(names: Sequence[str]) -> list[Instrument]:
    known = library()
    for name in names:
        if name not in known:
            raise UsageError(f"There is no instrument “{name}”. {nearest(name, sorted(known))}")
    chosen = [read_instrument(known[name], f"{name}.toml") for name in dict.fromkeys(names)]
    owners: dict[str, str] = {}
    for one in chosen:
        for scale in one.scales:
            if owners.setdefault(scale.id, one.id) != one.id:
                raise UsageError(f"{owners[scale.id]} and {one.id} both have a scale “{scale.id}”; choose one of them.")
    return chosen


def _item_columns(instruments: Sequence[Instrument]) -> list[str]:
    """A column for each item, with the instrument's name before it where two instruments have the same item id."""
    times = Counter(item.id for one in instruments for item in one.items)
    return [item.id if times[item.id] == 1 else f"{one.id}.{item.id}" for one in instruments for item in one.items]


def _condition_ids(labels: Sequence[str]) -> list[str]:
    """An id from each label's Latin letters and digits, or from its place where it has none."""
    if not all(label.strip() for label in labels):
        raise UsageError("A condition has an empty label; give each a name in words.")
    plain = [unicodedata.normalize("NFKD", label.casefold()).encode("ascii", "ignore").decode() for label in labels]
    words = [re.sub(r"[^a-z0-9]+", "_", label).strip("_") for label in plain]
    ids = [
        (word if word[:1].isalpha() else f"condition_{word or place}")[:LONGEST_ID].rstrip("_")
        for place, word in enumerate(words, start=1)
    ]
    if len(set(ids)) < len(ids) or len({label.strip().casefold() for label in labels}) < len(labels):
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
    families = [("omnibus", "omnibus", measures)] if measures else []
    families += [(f"pairs_{name}"[:LONGEST_ID], "pairs", [name]) for name in measures]
    return _STUDY.format(
        argument=shlex.quote(folder) if folder.isprintable() else "STUDY",
        id=_quoted(_study_id(folder)),
        title=_quoted(title),
        conditions="".join(
            f"[[conditions]]\nid = {_quoted(name)}\nlabel = {_quoted(label)}\n\n" for name, label in labels.items()
        ),
        sequences="".join(f"{number} = {_listed(order)}\n" for number, order in enumerate(orders, start=1)),
        uses=", ".join(f"{{ id = {_quoted(one.id)}, version = {_quoted(one.version)} }}" for one in chosen),
        first_item=_quoted(chosen[0].items[0].id),
        first_condition=_quoted(next(iter(labels))),
        first_measure=measures[0] if measures else "measure",
        primary=_listed(measures),
        n=n,
        families="".join(
            f'\n[[plan.families]]\nid = {_quoted(family)}\ntests = {_quoted(tests)}\nmeasures = {_listed(names)}\ncorrection = "holm"\n'
            for family, tests, names in families
        ),
    )


def _study_id(folder: str) -> str:
    name = re.sub(r"[^A-Za-z0-9_-]+", "-", folder).strip("-_")[:LONGEST_ID]
    return name if name[:1].isalpha() else "study"


def _quoted(text: str) -> str:
    """A TOML basic string: JSON's escapes are TOML's."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _listed(names: Sequence[str]) -> str:
    return f"[{', '.join(map(_quoted, names))}]"


def _sheet(header: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    out = io.StringIO()
    csv.writer(out).writerows([header, *rows])
    return out.getvalue()
