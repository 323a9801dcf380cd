"""What comes back from a packet: a page's saved file or a spreadsheet filled in, read with distrust.

Nothing is recorded here: assignments.merge_of holds what came back against the journal, and whoever calls it records what is new.
Findings name no code, since others than the rater read them while the round is open. Done twice, it stores nothing more the second time.
"""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from workbench.coding.codings import STANCES
from workbench.coding.packet import (
    CODE_COLUMNS,
    CODEBOOK_SHEET,
    CODING_SHEET,
    ENTRY_COLUMNS,
    FACTS_SHEET,
    FORMAT,
    FORMAT_VERSION,
    KINDS,
    RESULT_FORMAT,
    SHEET_COLUMNS,
    WHOLE,
    Assignment,
    expected_facts,
    hashed,
    mark_of,
)
from workbench.coding.units import Unit
from workbench.coding.working_text import occurrences
from workbench.errors import ArgumentError, Finding, StudyError
from workbench.files import PLACES_NAMED, fault, gathering, normalized, read_table, read_text
from workbench.store.operations import FIELDS, WORDS, Entry, Operation, as_text

MADE_AS_PACKET = "Name the spreadsheet that was made as the packet, filled in and saved as XLSX."
PAGE_ENDINGS, WORKBOOK_ENDINGS = (".json", ".txt"), (".xlsx", ".xlsm")
LARGEST_RESULT, MOST_OPERATIONS, LONGEST_MEMO = 20_000_000, 200_000, 20_000
"""Bytes of a result, operations in it and characters of a memo, beyond which it is no work of one rater."""


@dataclass(frozen=True, slots=True, eq=False)
class PacketResult:
    """What came back. `findings` do not block; `is_state` says that the operations are all that holds, not its history."""

    operations: tuple[Operation, ...]
    findings: tuple[Finding, ...] = ()
    is_state: bool = False


def read_packet_result(path: Path, assignment: Assignment, *, shown: str = "") -> PacketResult:
    """The operations in a result of this assignment's packet: the page's JSON, or the spreadsheet filled in.

    Raises StudyError with every fault: a result of another study, round, rater, version or packet, one that was changed by
    hand, is damaged or too large, unknown units, codes and conditions. Where words of a unit have changed since the packet
    was made, a finding says so; spans there are found again by their words or left out.
    """
    shown = shown or path.name
    ending = path.suffix.lower()
    if ending not in (*PAGE_ENDINGS, *WORKBOOK_ENDINGS):
        found = f"A result ends in .json (saved by the packet's page) or .xlsx (the spreadsheet filled in), not in {ending or 'no ending'}."
        remedy = "Name the file that the page wrote by “Save to a file”, or the spreadsheet saved as XLSX."
        raise StudyError([fault(shown, "", found, remedy)])
    if path.is_file() and path.stat().st_size > LARGEST_RESULT:
        found = f"The file has {path.stat().st_size / 1e6:,.0f} MB; a result has up to {LARGEST_RESULT / 1e6:,.0f} MB."
        raise StudyError([fault(shown, "", found, "Is it the file that the packet saved?")])
    if ending in WORKBOOK_ENDINGS:
        return _from_workbook(path, shown, assignment)
    return _from_page(path, shown, assignment)


def to_record(result: PacketResult, present: Iterable[Entry], history: Iterable[Entry]) -> list[Operation]:
    """The operations to record, given what the journal has of this rater in this round; none of it is lost or told twice.

    A page saves its operations one by one, so all are handed on and the journal knows those it has. A spreadsheet says
    only what holds: what is new or different in it is recorded, and what it no longer has is withdrawn.
    """
    if not result.is_state:
        return list(result.operations)
    latest = {(one.kind, one.key): one.id for one in history}
    holds = {(one.kind, one.key): one for one in present if one.kind in KINDS}
    wanted = {(one.kind, one.key): one for one in result.operations}
    changed = [
        replace(one, id=_id_after(one, latest.get(name, "")))
        for name, one in wanted.items()
        if name not in holds or as_text(holds[name].content) != as_text(one.content)
    ]
    gone = [
        Operation("", one.by, one.kind, one.key, None, one.round, one.transcript, one.version, "not in the spreadsheet")
        for name, one in holds.items()
        if name not in wanted
    ]
    return [*changed, *(replace(one, id=_id_after(one, latest[one.kind, one.key])) for one in gone)]


def _id_after(operation: Operation, before: str) -> str:
    """An id that is the same for the same decision after the same one before it."""
    told = [getattr(operation, name) for name in WORDS if name not in ("id", "at")]
    return hashed("\x1f".join([*told, as_text(operation.content) or "", before]))[:32]


# -------------------------------------------------------------------------------- results: a page


def _from_page(path: Path, shown: str, assignment: Assignment) -> PacketResult:
    told = _json(path, shown)
    faults = _fact_faults({name: told.get(name) for name in told}, assignment, RESULT_FORMAT, shown)
    if faults:
        raise StudyError(faults)
    hashes, listed = told.get("units"), told.get("operations")
    if not isinstance(listed, list) or not isinstance(hashes, dict) or len(listed) > MOST_OPERATIONS:
        found = "It has no list of operations, or one longer than any that a rater makes, or no hashes of units."
        raise StudyError([fault(shown, "", found, "Save it again from the packet.")])
    faults += _checksum_faults(told, shown)
    changed = {id for id, known in assignment.unit_hashes().items() if hashes.get(id) != known}
    reading = _Reading(shown, assignment, changed)
    for place, one in enumerate(listed, start=1):
        reading.add(one, place)
    faults += reading.faults
    if faults:
        raise StudyError(faults)
    findings = [*_changed_units(changed & reading.used, shown), *reading.findings]
    if not told.get("operations_sha256"):
        found = "It has no checksum, so nobody can say whether it was changed since it was saved."
        findings.append(Finding("attention", "no checksum", shown, "", found, "Ask the rater if it matters."))
    return PacketResult(tuple(reading.operations), tuple(findings))


def _json(path: Path, shown: str) -> dict[str, Any]:
    remedy = "Save it again from the packet; it is not made to be edited by hand."
    text = read_text(path, shown)
    if not text.strip():
        raise StudyError([fault(shown, "", "The file is empty.", "Save it again from the packet.")])
    try:
        told = json.loads(text, parse_constant=_no_number)
    except json.JSONDecodeError as error:
        place = f"line {error.lineno}, column {error.colno}"
        raise StudyError([fault(shown, place, f"This is not valid JSON: {error.msg}.", remedy)]) from None
    except (ValueError, RecursionError):
        found = "This is not valid JSON: brackets stand too deep, or a number is none."
        raise StudyError([fault(shown, "", found, remedy)]) from None
    if not isinstance(told, dict):
        raise StudyError([fault(shown, "", "This is not what a packet saves.", remedy)])
    return told


def _no_number(name: str) -> float:
    raise ValueError(name)


def _fact_faults(told: Mapping[str, Any], assignment: Assignment, format: str, shown: str) -> list[Finding]:
    """What says that the result is another's: of another study, round, rater, version, or packet."""
    if told.get("format") != format:
        found = "This is not the result of a packet."
        return [fault(shown, "format", found, "Name the file that the rater saved from the packet.")]
    if str(told.get("format_version")) != str(FORMAT_VERSION):
        found = f"Its format is version {_told(told.get('format_version'))}; version {FORMAT_VERSION} is read."
        return [fault(shown, "format_version", found, "Make the packet and read it with the same workbench.")]
    faults = []
    for name, expected in expected_facts(assignment).items():
        if name in ("format", "format_version", "packet") or told.get(name) == expected:
            continue
        words = name.replace("_", " ")
        found = f"The {words} is {_told(told.get(name))}; this packet's is “{expected}”."
        remedy = "Name the right file, or merge it as the round and rater that it is of."
        faults.append(fault(shown, name, found, remedy, "another packet"))
    if not faults and told.get("packet") != assignment.id:
        found = "It was saved from another packet of this round: its units are not those of the round now."
        faults.append(
            fault(shown, "packet", found, "Make the packet anew from the units it was made from.", "another packet")
        )
    return faults


def _told(value: object) -> str:
    return "missing" if value is None else f"“{str(value)[:80]}”"


def _checksum_faults(told: Mapping[str, Any], shown: str) -> list[Finding]:
    checksum = told.get("operations_sha256")
    if not checksum:
        return []
    try:
        counted = hashed(json.dumps(told["operations"], ensure_ascii=False, separators=(",", ":")))
    except UnicodeEncodeError:
        counted = ""
    if counted == checksum:
        return []
    found = (
        "Its operations are not those that were saved: the checksum does not fit. It was changed by hand or damaged."
    )
    return [fault(shown, "operations", found, "Ask the rater to save it again from the packet.", "changed by hand")]


def _changed_units(ids: Collection[str], shown: str) -> list[Finding]:
    if not ids:
        return []
    named = sorted(ids)
    more = f" and {len(named) - PLACES_NAMED} more" if len(named) > PLACES_NAMED else ""
    found = f"The words of {', '.join(named[:PLACES_NAMED])}{more} have changed since the packet was made."
    return [Finding("attention", "unit changed", shown, "", found, "Look whether the codes still fit.")]


class _Unfit(Exception):
    """An operation is not what a packet writes; the message says why."""


def checked_operation(told: object, assignment: Assignment, *, withdrawn: Collection[str] = ()) -> Operation:
    """One operation as the panel sends it, looked at as those of a packet are; ArgumentError says why it is none.

    `withdrawn` are codes, beside those of the codebook, that may be taken away but not applied.
    """
    reading = _Reading("", assignment, ())
    reading.withdrawn |= set(withdrawn)
    try:
        return reading._operation(told)[0]
    except _Unfit as unfit:
        raise ArgumentError(str(unfit)) from None


class _Reading:
    """Operations of a page's result, each looked at closely, with all that is wrong with them."""

    def __init__(self, shown: str, assignment: Assignment, changed: Collection[str]):
        self.shown, self.assignment, self.changed = shown, assignment, changed
        self.units = {f"{unit.transcript}/{unit.id}": unit for unit in assignment.units}
        self.codes = set(assignment.codebook.names)
        self.own = {one.key: one.content for one in assignment.own if one.kind == "coding" and one.content}
        self.withdrawn = self.codes | {content["code"] for content in self.own.values() if content}
        self.operations: list[Operation] = []
        self.findings: list[Finding] = []
        self.used: set[str] = set()
        self._ids: dict[str, Operation] = {}
        self._moved: dict[str, str] = {}
        self._faults: list[Finding] = []

    @property
    def faults(self) -> list[Finding]:
        """The first faults one by one, and how many more."""
        named = self._faults[:PLACES_NAMED]
        if len(self._faults) > PLACES_NAMED:
            found = f"{len(self._faults) - PLACES_NAMED} more operations are not what a packet writes."
            named.append(fault(self.shown, "", found, "Save it again from the packet.", "changed by hand"))
        return named

    def add(self, told: object, place: int) -> None:
        try:
            operation, unit = self._operation(told)
            known = self._ids.setdefault(operation.id, operation)
            if known is not operation:
                if known != operation:
                    raise _Unfit(f"Its id {operation.id} stands twice with different content.")
                return
            self.used.add(unit.id)
            self.operations.append(self._anchored(operation, unit))
        except _Unfit as unfit:
            remedy = "Save it again from the packet; it is not made to be edited by hand."
            self._faults.append(fault(self.shown, f"operation {place}", str(unfit), remedy, "changed by hand"))
        except LookupError as lost:
            remedy = "It is left out; the rater finds it in the packet, and codes it anew."
            self.findings.append(
                Finding("attention", "span lost", self.shown, f"operation {place}", str(lost.args[0]), remedy)
            )

    def _operation(self, told: object) -> tuple[Operation, Unit]:
        if not isinstance(told, dict) or set(told) != set(FIELDS):
            raise _Unfit(f"It has not the fields {', '.join(FIELDS)}.")
        if not all(isinstance(told[name], str) for name in WORDS):
            raise _Unfit("A field that holds words holds something else.")
        operation = Operation(**told)
        self._check_words(operation)
        unit = self._unit(operation)
        if operation.content is not None and not isinstance(operation.content, dict):
            raise _Unfit("`content` is neither a table nor null.")
        match operation.kind:
            case "coding":
                self._check_coding(operation, unit)
            case "rated":
                if operation.content not in (None, {"participant": unit.participant, "unit": unit.id}):
                    raise _Unfit("`content` of a rated unit has not its participant and unit alone.")
                self._check_key(operation, unit)
            case "memo":
                self._check_memo(operation, unit)
            case _:
                raise _Unfit(f"`kind` is {_told(operation.kind)}; a packet writes {', '.join(KINDS)}.")
        return operation, unit

    def _check_words(self, operation: Operation) -> None:
        if not re.fullmatch(r"[0-9a-f]{32}", operation.id):
            raise _Unfit(f"`id` is {_told(operation.id)}, not 32 hexadecimal digits.")
        expected = {"by": self.assignment.rater, "round": self.assignment.round, "version": self.assignment.version}
        for name, value in expected.items():
            if getattr(operation, name) != value:
                raise _Unfit(f"`{name}` is {_told(getattr(operation, name))}, not “{value}”.")
        if operation.why not in ("", "undo", "redo"):
            raise _Unfit(f"`why` is {_told(operation.why)}; a packet writes undo, redo or nothing.")
        try:
            if datetime.fromisoformat(operation.at).tzinfo is None:
                raise ValueError
        except ValueError:
            raise _Unfit(f"`at` is {_told(operation.at)}, not a time in UTC.") from None
        try:
            (as_text(operation.content) or "").encode() + operation.key.encode()
        except (ArgumentError, UnicodeEncodeError):
            raise _Unfit("It holds what cannot be stored.") from None

    def _unit(self, operation: Operation) -> Unit:
        start = "unit/" if operation.kind == "memo" else f"{operation.round}/{operation.transcript}/"
        id = operation.key.removeprefix(start).partition("/")[0]
        unit = self.units.get(f"{operation.transcript}/{id}")
        if unit is None or not operation.key.startswith(start):
            raise _Unfit(f"`key` is {_told(operation.key)}; this packet has no such unit.")
        return unit

    def _check_key(self, operation: Operation, unit: Unit, middle: str = "") -> None:
        expected = f"{self.assignment.prefix(unit)}{middle}{self.assignment.rater}"
        if operation.key != expected:
            raise _Unfit(f"`key` is {_told(operation.key)}, not “{expected}”.")

    def _check_memo(self, operation: Operation, unit: Unit) -> None:
        if not re.fullmatch(rf"unit/{re.escape(unit.id)}/[0-9a-f]{{32}}", operation.key):
            raise _Unfit(f"`key` is {_told(operation.key)}, not that of a memo.")
        if (content := operation.content) is None:
            return
        if set(content) != {"on", "name", "text"} or not isinstance(content["text"], str):
            raise _Unfit("`content` of a memo has not on, name and text.")
        if content["on"] != "unit" or content["name"] != unit.id:
            raise _Unfit("The memo is not on the unit that its key names.")
        if not 0 < len(content["text"]) <= LONGEST_MEMO:
            raise _Unfit(f"The memo has {len(content['text']):,} characters; 1 to {LONGEST_MEMO:,} are taken.")

    def _check_owner(self, content: Mapping[str, Any], unit: Unit) -> None:
        if content["unit"] != unit.id or content["participant"] != unit.participant:
            raise _Unfit("`unit` or `participant` in it is another's.")

    def _check_coding(self, operation: Operation, unit: Unit) -> None:
        if (content := operation.content) is None:
            self._check_withdrawn(operation, unit)
            return
        names = {"participant", "unit", "start", "end", "quote", "code", "about", "stance"}
        if set(content) != names:
            raise _Unfit(f"`content` of a coding has not {', '.join(sorted(names))}.")
        self._check_owner(content, unit)
        is_known = isinstance(content["code"], str) and content["code"] in self.codes
        if not is_known and self.own.get(operation.key) != content:
            raise _Unfit(f"The codebook has no code {_told(content['code'])}.")
        about = content["about"]
        if not isinstance(about, list) or about != [one for one in self.assignment.conditions if one in about]:
            raise _Unfit(f"`about` is {_told(about)}; it lists conditions of the study, each once and in its order.")
        if content["stance"] not in STANCES:
            raise _Unfit(f"`stance` is {_told(content['stance'])}; it is for, against, mixed or empty.")
        place = self._checked_place(content, unit)
        self._check_key(operation, unit, f"{place}/{content['code']}/")

    def _check_withdrawn(self, operation: Operation, unit: Unit) -> None:
        inner = operation.key.removeprefix(self.assignment.prefix(unit))
        place, _, rest = inner.partition("/")
        code = rest.removesuffix(f"/{self.assignment.rater}")
        if code not in self.withdrawn or not re.fullmatch(r"-|\d{1,9}-\d{1,9}", place):
            raise _Unfit(f"`key` is {_told(operation.key)}; no code or no place of this packet.")

    def _checked_place(self, content: Mapping[str, Any], unit: Unit) -> str:
        """The place as the key has it."""
        start, end, quote = content["start"], content["end"], content["quote"]
        if self.assignment.kind != "spans":
            if start is not None or end is not None or quote != "":
                raise _Unfit("It codes a part of a unit, and this round codes whole units.")
            return WHOLE
        if type(start) is not int or type(end) is not int or not isinstance(quote, str) or not 0 <= start < end:
            raise _Unfit("`start`, `end` and `quote` are no span of words.")
        if len(quote) != end - start:
            raise _Unfit(f"`quote` has {len(quote)} characters, and its place {end - start}.")
        if unit.id not in self.changed and unit.text[start:end] != quote:
            raise _Unfit(f"`quote` is {_told(quote)}; other words stand there.")
        return f"{start}-{end}"

    def _anchored(self, operation: Operation, unit: Unit) -> Operation:
        """The operation with its span where its words stand now; LookupError where they do not stand once."""
        content = operation.content
        if operation.kind != "coding" or self.assignment.kind != "spans" or unit.id not in self.changed:
            return operation
        if content is None:
            return replace(operation, key=self._moved.get(operation.key, operation.key))
        start, quote = content["start"], content["quote"]
        if unit.text[start : start + len(quote)] == quote:
            return operation
        places = list(occurrences(quote, unit.text))
        if len(places) != 1:
            times = f"{len(places)} times" if places else "no more"
            raise LookupError(f"A code stood on words that stand {times} in {unit.id}.")
        moved = content | {"start": places[0], "end": places[0] + len(quote)}
        key = f"{self.assignment.prefix(unit)}{moved['start']}-{moved['end']}/{moved['code']}/{operation.by}"
        self._moved[operation.key] = key
        return replace(operation, key=key, content=moved)


# ------------------------------------------------------------------------- results: a spreadsheet


def _from_workbook(path: Path, shown: str, assignment: Assignment) -> PacketResult:
    if assignment.kind == "spans":
        found = "Free spans cannot come from a spreadsheet."
        raise StudyError([fault(shown, "", found, "Name the file that the packet's page saved.")])
    faults: list[Finding] = []
    with gathering(faults):
        facts = read_table(path, shown, sheet=FACTS_SHEET).frame
        if list(facts.columns[:2]) != ["fact", "value"]:
            found = "It has no columns fact and value."
            raise StudyError([fault(shown, f"sheet {FACTS_SHEET}", found, MADE_AS_PACKET)])
        told = dict(zip(facts["fact"].str.strip(), facts["value"].str.strip(), strict=True))
        faults += _fact_faults(told, assignment, FORMAT, shown)
    if faults:
        raise StudyError([replace(one, remedy=one.remedy or MADE_AS_PACKET) for one in faults])
    table = read_table(path, shown, sheet=CODING_SHEET).frame
    missing = [name for name in SHEET_COLUMNS if name not in table.columns and name not in ("before", "words")]
    if missing:
        found = f"The sheet “{CODING_SHEET}” has no column {', '.join(missing)}."
        raise StudyError([fault(shown, "row 1", found, "Put the names of the columns back.", "changed by hand")])
    reading = _Rows(shown, assignment)
    for number, row in zip(table.index, table.to_dict("records"), strict=True):
        reading.add(int(number), {str(name): normalized(str(words)).strip() for name, words in row.items()})
    reading.close()
    if reading.faults:
        raise StudyError(reading.faults)
    return PacketResult(tuple(reading.operations.values()), tuple(_changed_units(reading.changed, shown)), True)


class _Rows:
    """The rows of a spreadsheet that was filled in, and all that is wrong with them."""

    def __init__(self, shown: str, assignment: Assignment):
        self.shown, self.assignment = shown, assignment
        self.units = {unit.id: unit for unit in assignment.units}
        self.codes = {_folded(name): name for name in assignment.codebook.names}
        named = [(one, id) for id, label in assignment.conditions.items() for one in (label, id)]
        self.conditions = {_folded(words): id for words, id in named}
        self.operations: dict[tuple[str, str], Operation] = {}
        self.faults: list[Finding] = []
        self.changed: set[str] = set()
        self._nothing: dict[str, int] = {}
        self._coded: set[str] = set()

    def add(self, row: int, cells: Mapping[str, str]) -> None:
        unit = self.units.get(cells["unit"])
        filled = [name for name in ENTRY_COLUMNS if cells.get(name)]
        if not filled:
            return
        if unit is None:
            remedy = "Put the unit's id back; it stands in the packet as it was made."
            self._fault(row, "unit", f"This packet has no unit {_told(cells['unit'])}.", remedy)
            return
        if cells["mark"] != mark_of(unit):
            self.changed.add(unit.id)
        about, stance = self._about(row, cells["about"]), self._stance(row, cells["stance"])
        codes = [self._code(row, name, cells[name]) for name in CODE_COLUMNS if cells[name]]
        if (about or stance) and not codes:
            self._fault(row, "about", "About or stance stands here without a code.", "Choose a code, or empty them.")
        for code in filter(None, codes):
            self._coded.add(unit.id)
            place: dict[str, Any] = {"participant": unit.participant, "unit": unit.id, "start": None, "end": None}
            content = place | {"quote": "", "code": code, "about": about, "stance": stance}
            key = f"{self.assignment.prefix(unit)}{WHOLE}/{code}/{self.assignment.rater}"
            self._put(row, unit, "coding", key, content)
        if cells["nothing"]:
            if _folded(cells["nothing"]) not in ("yes", "y", "x", "1", "true"):
                self._fault(row, "nothing", f"This is {_told(cells['nothing'])}.", "Write yes, or leave it empty.")
            self._nothing.setdefault(unit.id, row)
            key = f"{self.assignment.prefix(unit)}{self.assignment.rater}"
            self._put(row, unit, "rated", key, {"participant": unit.participant, "unit": unit.id})
        if cells["memo"]:
            if len(cells["memo"]) > LONGEST_MEMO:
                found = f"The memo has {len(cells['memo']):,} characters."
                self._fault(row, "memo", found, f"Up to {LONGEST_MEMO:,} are taken.")
            content = {"on": "unit", "name": unit.id, "text": cells["memo"]}
            self._put(row, unit, "memo", f"unit/{unit.id}/{hashed(self.assignment.id + unit.id)[:32]}", content)

    def close(self) -> None:
        """What only all rows together show."""
        for unit, row in self._nothing.items():
            if unit in self._coded:
                found = f"“Nothing applies” stands for {unit}, and a code does too."
                self._fault(row, "nothing", found, "Keep one of the two.")
        if len(self.faults) > PLACES_NAMED:
            found = f"{len(self.faults) - PLACES_NAMED} more cells cannot be read."
            self.faults[PLACES_NAMED:] = [fault(self.shown, "", found, "Mend those named first.", "wrong value")]

    def _fault(self, row: int, column: str, found: str, remedy: str) -> None:
        self.faults.append(fault(self.shown, f"row {row}, column {column}", found, remedy, "wrong value"))

    def _code(self, row: int, column: str, words: str) -> str:
        code = self.codes.get(_folded(words), "")
        if not code:
            found = f"The codebook has no code {_told(words)}."
            self._fault(row, column, found, f"Choose one of the sheet “{CODEBOOK_SHEET}”.")
        return code

    def _about(self, row: int, words: str) -> list[str]:
        named = [one.strip() for one in words.split("+") if one.strip()]
        unknown = [one for one in named if _folded(one) not in self.conditions]
        for one in unknown:
            found = f"{_told(one)} is no condition; they are {', '.join(self.assignment.conditions)}."
            self._fault(row, "about", found, "Correct it; several are joined by +.")
        about = {self.conditions[_folded(one)] for one in named if one not in unknown}
        return [id for id in self.assignment.conditions if id in about]

    def _stance(self, row: int, words: str) -> str:
        if _folded(words) in STANCES:
            return _folded(words)
        self._fault(row, "stance", f"This is {_told(words)}.", "Write for, against, mixed, or nothing.")
        return ""

    def _put(self, row: int, unit: Unit, kind: str, key: str, content: dict[str, Any]) -> None:
        known = self.operations.get((kind, key))
        if known is not None and known.content != content:
            found = f"This says something else about {unit.id} than a row above, of the same code or memo."
            self._fault(row, "unit", found, "Keep one of the two.")
            return
        made = Operation(
            "",
            self.assignment.rater,
            kind,
            key,
            content,
            round=self.assignment.round,
            transcript=unit.transcript,
            version=self.assignment.version,
        )
        self.operations[kind, key] = replace(made, id=_id_after(made, ""))


def _folded(words: str) -> str:
    return " ".join(words.split()).casefold()
