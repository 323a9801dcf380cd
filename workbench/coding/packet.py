"""A packet: what one rater needs to code a round elsewhere, in one file, and what comes back from it.

A packet is a page that works without a network, or a spreadsheet. Nothing of another rater goes in. Nothing is read from
or written to the study here (what comes back is read in packet_result). A command makes the assignment and writes the file:

    assignment = Assignment(
        study=study.declared.id, title=study.declared.title, round="reliability", rater="R2", kind="answers",
        transcripts=tuple(material.working.values()), units=drawn, codebook=material.codebooks.version("2"),
        conditions={one.id: one.label for one in study.declared.conditions},
    )
    names = packet_names(assignment)
    write_atomically(folder / names.page, make_packet(assignment))
    write_atomically(folder / names.workbook, make_packet_workbook(assignment))
"""

from __future__ import annotations

import hashlib
import io
import json
import re
from base64 import b64encode
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from importlib import resources
from typing import TYPE_CHECKING, Any

from workbench.codebook.model import Codebook
from workbench.coding.codings import STANCES
from workbench.coding.units import Kind, Unit
from workbench.coding.working_text import WorkingTranscript
from workbench.errors import ArgumentError, UsageError
from workbench.store.operations import FIELDS, Operation

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

FORMAT, RESULT_FORMAT, FORMAT_VERSION = "workbench-packet", "workbench-packet-result", 1
KINDS = ("coding", "rated", "memo")
"""The kinds of decisions that a packet takes."""

CODE_COLUMNS = ("code1", "code2", "code3", "code4", "code5")
ENTRY_COLUMNS = ("nothing", *CODE_COLUMNS, "about", "stance", "memo")
SHEET_COLUMNS = ("unit", "before", "words", *ENTRY_COLUMNS, "mark")
CODING_SHEET, CODEBOOK_SHEET, FACTS_SHEET = "coding", "codebook", "packet"
LONGEST_CELL = 32_000
"""Characters of a cell that a spreadsheet program shows for certain; longer words are cut and say so."""

WHOLE = "-"
"""The place of a whole unit in a coding's key."""

CAUTION = (
    "People said this in confidence, for this study alone. Code it where nobody looks over your shoulder, pass neither this file nor "
    "your result on, name nobody, and delete both when the study team says that your work has arrived. If you know who is "
    "speaking, or something should not be in here, stop and tell the study team."
)
PAGE_GUIDE = (
    "Read the codebook first: a code's rules show when you look for it. Code by them, not by what you think the study should find.",
    "Code alone. Speak with the other rater about codes only after both of you have handed in.",
    "Go unit by unit. Press Enter, type part of a code, and Enter again; several codes may stand on one unit.",
    "Say what the words speak of, one condition, several or none, and whether they are for it, against it or mixed. After a stroke you can type both.",
    "Where no code fits, say “nothing applies”. A unit without either counts as not read.",
    "Doubts go in a memo; it does not count as a code.",
    "Your work stays in this browser. Save it to a file when you are done, and now and then before; send that file back.",
)
SHEET_GUIDE = (
    "Read the sheet “codebook” first. Code by its rules, alone, and speak with the other rater only after both have handed in.",
    "Each row of the sheet “coding” is a unit. Choose its codes in code1 to code5, or “yes” under nothing where no code fits.",
    "A row with neither counts as not read.",
    "about: the conditions the words speak of, joined by + (still+slosh), empty for none; stance: for, against, mixed, or empty. Both hold for all codes of the row.",
    "For a code with another about or stance, insert a row, copy unit and mark into it, and go on there.",
    "Doubts go under memo. Leave unit, words and mark as they are, and save as XLSX.",
)

# ------------------------------------------------------------------------------------- assignment


@dataclass(frozen=True, slots=True, eq=False)
class Assignment:
    """What one rater codes in one round.

    `transcripts` hold the working text; those without a unit in `units` do not go into the packet. `conditions` and
    `questions` are labels by id. `own` are operations of this rater in this round to go on from. Raises ArgumentError
    where they do not fit each other.
    """

    study: str
    title: str
    round: str
    rater: str
    kind: Kind
    transcripts: tuple[WorkingTranscript, ...]
    units: tuple[Unit, ...]
    codebook: Codebook
    conditions: Mapping[str, str]
    questions: Mapping[str, str] = field(default_factory=dict)
    has_stances: bool = True
    own: tuple[Operation, ...] = ()

    def __post_init__(self) -> None:
        for name in ("study", "round", "rater"):
            if not getattr(self, name).strip() or "/" in getattr(self, name):
                raise ArgumentError(f"`{name}` is “{getattr(self, name)}”; a name without / is needed.")
        if not self.units or not self.codebook.codes:
            raise ArgumentError("`units` or `codebook` is empty; a packet needs at least one unit and one code.")
        if len({unit.id for unit in self.units}) < len(self.units):
            raise ArgumentError("`units` has an id twice; each unit needs an id of its own.")
        texts = {one.name: one.texts() for one in self.transcripts}
        for unit in self.units:
            if any(piece.turn not in texts.get(unit.transcript, {}) for piece in unit.pieces):
                raise ArgumentError(f"`units` has “{unit.id}”, whose turns are not in `transcripts`.")
        if any(one.by != self.rater or one.round != self.round for one in self.own):
            raise ArgumentError("`own` has an operation of another rater or round; a packet holds nothing of others.")

    @property
    def version(self) -> str:
        """The version of the codebook."""
        return self.codebook.version

    @property
    def id(self) -> str:
        """The packet's id: the same study, round, rater, version and units have the same, whatever was corrected in them."""
        told = (self.study, self.round, self.rater, self.version, self.kind, *(unit.id for unit in self.units))
        return hashed("\x1f".join(told))[:32]

    @property
    def units_sha256(self) -> str:
        """The SHA-256 of all units with their words."""
        return hashed("\x1e".join(f"{unit.id}\x1f{unit.text}" for unit in self.units))

    def unit_hashes(self) -> dict[str, str]:
        """The SHA-256 of each unit's words."""
        return {unit.id: hashed(unit.text) for unit in self.units}

    def prefix(self, unit: Unit) -> str:
        """The beginning of the keys of all decisions about a unit."""
        return f"{self.round}/{unit.transcript}/{unit.id}/"


def hashed(text: str) -> str:
    """The SHA-256 of a text."""
    return hashlib.sha256(text.encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class PacketNames:
    """Names of files that say whose they are."""

    page: str
    workbook: str
    result: str


def packet_names(assignment: Assignment) -> PacketNames:
    """The names of the page, of the spreadsheet, and of the file that the page saves."""
    words = (assignment.study, assignment.round, assignment.rater)
    stem = "-".join(re.sub(r"[^\w.-]+", "_", word).strip("._") or "x" for word in words)
    return PacketNames(f"{stem}.html", f"{stem}.xlsx", f"{stem}-coded.json")


# ------------------------------------------------------------------------------------------- page


def make_packet(assignment: Assignment) -> str:
    """The packet as a page of HTML that needs nothing else: no network, no server, no other file."""
    import jinja2

    style = _part("packet.css") + _part("panel.css")
    script = _part("panel.js") + _part("packet.js")
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined)
    data = _page_data(assignment)
    return environment.from_string(_part("packet.html.jinja")).render(
        title=assignment.title or assignment.study,
        study=assignment.study,
        round=assignment.round,
        rater=assignment.rater,
        version=assignment.version,
        n_units=len(assignment.units),
        n_transcripts=len(data["transcripts"]),
        unit_word="sentence" if assignment.kind == "sentences" else "answer",
        caution=CAUTION,
        guide=PAGE_GUIDE,
        packet_id=assignment.id,
        format_version=FORMAT_VERSION,
        units_sha256=assignment.units_sha256,
        data=_in_html(data),
        style=style,
        style_hash=_csp_hash(style),
        script=script,
        script_hash=_csp_hash(script),
    )


def _part(name: str) -> str:
    return resources.files("workbench.coding").joinpath("panel", name).read_text(encoding="utf-8")


def _csp_hash(text: str) -> str:
    return b64encode(hashlib.sha256(text.encode()).digest()).decode()


def _in_html(data: Mapping[str, Any]) -> str:
    """JSON that ends no script element, whatever people said."""
    return json.dumps(data, ensure_ascii=False, separators=(",", ":")).replace("<", "\\u003c")


def _page_data(assignment: Assignment) -> dict[str, Any]:
    return {
        "format": FORMAT,
        "result_format": RESULT_FORMAT,
        "format_version": FORMAT_VERSION,
        "id": assignment.id,
        "study": assignment.study,
        "round": assignment.round,
        "by": assignment.rater,
        "version": assignment.version,
        "kind": assignment.kind,
        "units_sha256": assignment.units_sha256,
        "result_file": packet_names(assignment).result,
        "codes": codes_shown(assignment.codebook),
        "conditions": [{"id": id, "label": label} for id, label in assignment.conditions.items()],
        "questions": dict(assignment.questions),
        "stances": assignment.has_stances,
        "transcripts": [one for one in _transcripts(assignment) if one["units"]],
        "operations": [asdict_of(one) for one in assignment.own],
    }


def codes_shown(codebook: Codebook) -> list[dict[str, str]]:
    """The codes as the panel shows them: their rules, without who wrote or changed them and why."""
    themes = {one.theme: one.label or one.theme for one in codebook.themes}
    names = ("code", "label", "definition", "full_definition", "when_to_use", "when_not_to_use", "example", "near_miss")
    return [
        {name: getattr(one, name) for name in names if getattr(one, name)}
        | ({"theme": themes.get(one.theme, one.theme)} if one.theme else {})
        for one in codebook.codes
    ]


def _transcripts(assignment: Assignment) -> Iterator[dict[str, Any]]:
    hashes = assignment.unit_hashes()
    for one in assignment.transcripts:
        units = [unit for unit in assignment.units if unit.transcript == one.name]
        yield transcript_shown(one, units) | {
            "units": [unit_shown(unit) | {"sha256": hashes[unit.id]} for unit in units]
        }


def transcript_shown(transcript: WorkingTranscript, units: Sequence[Unit]) -> dict[str, Any]:
    """A transcript as the panel takes it. Speakers are told by role alone, not by name."""
    turns = [
        {
            "id": turn.id,
            "role": turn.role,
            "text": turn.text,
            "time": _clock(turn.start),
            "question": turn.question,
            "condition": turn.condition,
            "translation": turn.translation,
        }
        for turn in transcript.turns
    ]
    named = {"name": transcript.name, "participant": transcript.participant, "language": transcript.language}
    return {"transcript": named, "turns": turns, "units": [unit_shown(unit) for unit in units]}


def unit_shown(unit: Unit) -> dict[str, Any]:
    """A unit as the panel takes it."""
    pieces = [asdict(piece) for piece in unit.pieces]
    return {"id": unit.id, "participant": unit.participant, "text": unit.text, "pieces": pieces}


def _clock(seconds: float | None) -> str:
    """Seconds as minutes and seconds: "2:05"; "" where they are not known."""
    return "" if seconds is None else f"{int(seconds) // 60}:{int(seconds) % 60:02d}"


def asdict_of(operation: Operation) -> dict[str, Any]:
    """The fields of an operation, without those that only the store knows."""
    return {name: getattr(operation, name) for name in FIELDS}


# ------------------------------------------------------------------------------------ spreadsheet


def make_packet_workbook(assignment: Assignment) -> bytes:
    """The packet as an XLSX workbook: a row for each unit, the codebook on a sheet of its own.

    Raises UsageError for free spans, which no spreadsheet can mark.
    """
    import openpyxl

    if assignment.kind == "spans":
        raise UsageError("Free spans cannot be marked in a spreadsheet; make the packet as a page.")
    book = openpyxl.Workbook()
    _write_sheet(book.worksheets[0], CODING_SHEET, SHEET_COLUMNS, _unit_rows(assignment), (14, 40, 80, 9))
    codes = codes_shown(assignment.codebook)
    names = ("code", "label", "theme", "definition", "full_definition", "when_to_use", "when_not_to_use")
    columns = (*names, "example", "near_miss")
    rows = [[one.get(name, "") for name in columns] for one in codes]
    _write_sheet(book.create_sheet(), CODEBOOK_SHEET, columns, rows, (16, 26, 22, 44, 44, 44, 44, 44, 44))
    _write_sheet(book.create_sheet(), FACTS_SHEET, ("fact", "value"), _facts(assignment), (20, 110))
    _add_lists(book.worksheets[0], assignment)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _facts(assignment: Assignment) -> list[list[str]]:
    told = expected_facts(assignment) | {"units_sha256": assignment.units_sha256, "title": assignment.title}
    return [
        *([name, value] for name, value in told.items()),
        ["care", CAUTION],
        *(["how to code", line] for line in SHEET_GUIDE),
    ]


def expected_facts(assignment: Assignment) -> dict[str, str]:
    """What says whose result a file is."""
    return {
        "format": FORMAT,
        "format_version": str(FORMAT_VERSION),
        "study": assignment.study,
        "round": assignment.round,
        "rater": assignment.rater,
        "codebook_version": assignment.version,
        "packet": assignment.id,
    }


def _unit_rows(assignment: Assignment) -> Iterator[list[str]]:
    transcripts = {one.name: one for one in assignment.transcripts}
    for unit in assignment.units:
        turns = transcripts[unit.transcript].turns
        place = next(at for at, turn in enumerate(turns) if turn.id == unit.turn)
        before = next((turn.text for turn in reversed(turns[:place]) if turn.role != "participant"), "")
        yield [unit.id, before, unit.text, *[""] * len(ENTRY_COLUMNS), mark_of(unit)]


def mark_of(unit: Unit) -> str:
    """By which a row is known to hold the words of the study's unit."""
    return f"h{hashed(unit.text)[:16]}"


def _write_sheet(
    sheet: Worksheet, title: str, columns: Sequence[str], rows: Iterable[Sequence[str]], widths: Sequence[int]
) -> None:
    from openpyxl.styles import Alignment, Font
    from openpyxl.utils import get_column_letter

    sheet.title = title
    for number, row in enumerate([columns, *rows], start=1):
        for column, words in enumerate(row, start=1):
            cell = sheet.cell(number, column)
            _write_words(cell, words)
            cell.alignment = Alignment(wrap_text=True, vertical="top")
    for cell in sheet[1]:
        cell.font = Font(bold=True)
    for column, width in enumerate(widths, start=1):
        sheet.column_dimensions[get_column_letter(column)].width = width
    sheet.freeze_panes = "B2"


def _write_words(cell: Any, words: str) -> None:
    """Words as words: what begins like a formula is none."""
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

    shown = ILLEGAL_CHARACTERS_RE.sub("�", words)
    if len(shown) > LONGEST_CELL:
        shown = f"{shown[:LONGEST_CELL]} […] (cut here; the page has all of it)"
    if shown:
        cell.value = shown
        cell.data_type = "s"
        cell.quotePrefix = shown[0] in "=+-@\t\r"


def _add_lists(sheet: Worksheet, assignment: Assignment) -> None:
    """Lists to choose from in the columns that a rater fills in."""
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.datavalidation import DataValidation

    last = max(len(assignment.units) * 3, 100) + 1
    codes = f"'{CODEBOOK_SHEET}'!$A$2:$A${len(assignment.codebook.codes) + 1}"
    lists = dict.fromkeys(CODE_COLUMNS, (codes, True)) | {"nothing": ('"yes"', True)}
    lists["stance"] = (f'"{",".join(filter(None, STANCES))}"', True)
    among = ",".join(assignment.conditions)
    if among and len(among) <= 250:
        lists["about"] = (f'"{among}"', False)
    for name, (formula, is_strict) in lists.items():
        letter = get_column_letter(SHEET_COLUMNS.index(name) + 1)
        validation = DataValidation(type="list", formula1=formula, allow_blank=True, showErrorMessage=is_strict)
        validation.error = f"Choose from the list under {name}."
        validation.add(f"{letter}2:{letter}{last}")
        sheet.add_data_validation(validation)
