"""What the columns of a foreign table seem to hold: a guess for each, its reason in words, and how sure it is.

Guesses come from names, words and how they repeat. Nothing is read as answers here, and nothing is
written; what a guess leads to is shown by the real reader.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from difflib import SequenceMatcher
from typing import Literal

from workbench.declared import nearest
from workbench.errors import UsageError
from workbench.files import SourceTable
from workbench.instrument import Instrument
from workbench.measure import OCCASIONS, Asked
from workbench.responses.contents import (
    E_MAIL,
    IP_ADDRESS,
    MOMENT,
    MOST_WORDS,
    NOT_APPLICABLE_WORDS,
    OCCASION_WORDS,
    Contents,
    contents_of,
    says_nothing,
)
from workbench.responses.names import condition_words
from workbench.responses.wordings import SURENESS, ItemMatch, Sure, Wordings, item_matches, plain, wordings, words_of
from workbench.study import Reading, Study

Layout = Literal["row_per_participant", "row_per_session", "row_per_answer"]
Role = Literal["participant", "condition", "occasion", "item", "answer", "holds", "time", "person", "other"]
"""What a column is: one of the columns of study.toml, one that `holds` an item, or none of these."""
ROLES: tuple[Role, ...] = ("participant", "condition", "occasion", "item", "answer")
LEFT_OUT = "ignore"

ENOUGH = 0.6
"""Share of an instrument's items that must have a column before it is taken to be in the table."""


@dataclass(frozen=True, slots=True)
class Corrections:
    """What a person says about a table, beside or against the guesses.

    `columns` maps a column to one of `ROLES`, to an item ("real1", "effort.tired", "real1@still") or to "ignore";
    `condition_names` a word of the table to a condition; `reading` is how the table is read. `answer_words` maps an
    answer in words to the number it counts as, `left_out` a participant's name in the table to why its rows do not count.
    """

    instruments: tuple[str, ...] = ()
    asked: Asked | None = None
    layout: Layout | None = None
    columns: Mapping[str, str] = field(default_factory=dict)
    condition_names: Mapping[str, str] = field(default_factory=dict)
    missing_words: tuple[str, ...] = ()
    not_applicable_words: tuple[str, ...] = ()
    id: str | None = None
    reading: Reading = field(default_factory=Reading)
    answer_words: Mapping[str, float] = field(default_factory=dict)
    left_out: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Guess:
    """What one column seems to hold. `instrument`, `item` and `setting` (a condition or occasion) where it holds an item."""

    column: str
    samples: tuple[str, ...]
    role: Role
    sure: Sure
    reason: str
    instrument: str = ""
    item: str = ""
    setting: str = ""
    setting_word: str = ""

    @property
    def holds(self) -> str:
        """The guess as `--set` would say it, "" for a column that is left out."""
        if self.role == "holds":
            return f"{self.instrument}.{self.item}{f'@{self.setting}' if self.setting else ''}"
        return self.role if self.role in ROLES else ""


@dataclass(frozen=True, slots=True)
class Word:
    """How one word of the table is taken: as a condition, an occasion, a missing answer."""

    kind: Literal["condition", "occasion", "item", "missing", "not applicable"]
    word: str
    meant: str
    sure: Sure
    reason: str


@dataclass(frozen=True, slots=True)
class Unclear:
    """Something that only a person can say: `kind` is what it is about, `name` the column or word, `choices` what would do."""

    kind: Literal["column", "participant", "condition", "occasion", "condition word", "instrument", "asked"]
    name: str
    found: str
    remedy: str
    choices: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Guesses:
    """All guesses on one table; a layout and `asked` are always named, instruments where some fit."""

    guesses: tuple[Guess, ...]
    words: tuple[Word, ...]
    unclear: tuple[Unclear, ...]
    layout: Layout
    asked: Asked
    why_layout: str
    instruments: tuple[str, ...]


def counted_word(said: str) -> tuple[str, float]:
    """The word and the number of “word = number”. Raises UsageError where it is not of this form."""
    word, equals, number = (part.strip() for part in said.rpartition("="))
    if not word or not equals or not re.fullmatch(r"[+-]?[0-9]+(\.[0-9]+)?", number):
        raise UsageError(f"“{said.strip()}” should be WORD=NUMBER, such as agree=7.")
    return word, float(number) if "." in number else int(number)


def answered(said: Corrections, unclear: Unclear, answer: str) -> Corrections:
    """`said` with the answer to what was unclear."""
    match unclear.kind:
        case "condition word":
            return replace(said, condition_names={**said.condition_names, unclear.name: answer})
        case "instrument":
            return replace(said, instruments=(*said.instruments, answer))
        case "asked":
            if answer not in unclear.choices:
                raise UsageError(f"“{answer}” is not one of {', '.join(unclear.choices)}.")
            return replace(said, asked=answer)  # type: ignore[arg-type]
        case "column":
            return replace(said, columns={**said.columns, unclear.name: answer})
        case role:
            return replace(said, columns={**said.columns, answer: role})


# ------------------------------------------------------------------------------------------ the whole table


def guess_columns(table: SourceTable, study: Study, candidates: Mapping[str, Instrument], said: Corrections) -> Guesses:
    """What each column of `table` seems to hold, and what stays unclear.

    `candidates` are instruments by id, from which those in the table are guessed unless `said` names them. Raises
    UsageError where a correction names a column, item, condition or instrument that is not there.
    """
    contents = contents_of(table)
    known = {name: candidates[name] for name in said.instruments} if said.instruments else dict(candidates)
    settings = _setting_words(study, said)
    guesses = _given(contents, known, study, settings, said)
    unclear: list[Unclear] = []
    _add(guesses, _participants(contents, study, guesses, unclear))
    found = wordings(known.values())
    preferred = [*said.instruments, *study.instruments]
    items = _item_guesses(contents, guesses, known, found, preferred, settings)
    long = _item_column(contents, guesses, items, known, found, said, study)
    if long:
        item, instruments, words_taken = long
        _add(guesses, item)
        _add(guesses, _answer_column(contents, guesses, known, instruments, unclear))
    else:
        items = _without_repeats(items, unclear)
        items += _numbered(contents, guesses, items, known, preferred, said, settings, unclear)
        items = _with_settings(items, study, said, unclear)
        for guess in items:
            guesses.setdefault(guess.column, guess)
        instruments = _in_order([one.instrument for one in guesses.values() if one.role == "holds"], known)
        words_taken = []
    _all_used(said, contents, words_taken)
    layout, asked, why = _layout(table, guesses, contents, study, said, bool(long), unclear)
    words = [*words_taken, *_setting_readings(guesses, contents, study, said, asked, layout, unclear)]
    words += _missing_readings(guesses, contents, known, instruments, said)
    if not instruments:
        unclear.append(_no_instrument(said, candidates))
    ordered = tuple(guesses.get(column) or _other(contents[column]) for column in table.columns)
    return Guesses(ordered, tuple(words), tuple(unclear), layout, asked, why, tuple(instruments))


def _all_used(said: Corrections, contents: Mapping[str, Contents], words: Sequence[Word]) -> None:
    """UsageError for a correction of what is neither a column nor a word in the column of items."""
    for name in said.columns:
        if name not in contents and name not in {word.word for word in words}:
            raise UsageError(f"There is no column “{name}”. {nearest(name, list(contents))}")


def _add(guesses: dict[str, Guess], guess: Guess | None) -> None:
    if guess is not None:
        guesses.setdefault(guess.column, guess)


def _in_order(names: Iterable[str], known: Mapping[str, Instrument]) -> list[str]:
    present = set(names)
    return [name for name in known if name in present]


def _no_instrument(said: Corrections, candidates: Mapping[str, Instrument]) -> Unclear:
    found = "No columns look like the items of an instrument" + (" you named." if said.instruments else ".")
    remedy = "Name the instrument with --instrument, or the items with --set 'COLUMN=item'."
    return Unclear("instrument", "", found, remedy, tuple(sorted(candidates)))


def _other(contents: Contents) -> Guess:
    """A column that is not read: with a warning where it may say who somebody is."""
    some = contents.looked_at
    if some and any(E_MAIL.fullmatch(word) for word in some):
        return Guess(contents.column, contents.samples, "person", "sure", "holds e-mail addresses")
    if some and all(IP_ADDRESS.fullmatch(word) for word in some):
        return Guess(contents.column, contents.samples, "person", "sure", "holds network addresses")
    if contents.speaks_for("person"):
        return Guess(contents.column, contents.samples, "person", "likely", "by its name it may say who somebody is")
    if some and all(MOMENT.fullmatch(word) for word in some):
        return Guess(contents.column, contents.samples, "time", "sure", "holds dates or times")
    if contents.speaks_for("time"):
        return Guess(contents.column, contents.samples, "time", "likely", "by its name a time")
    return Guess(
        contents.column, contents.samples, "other", "likely", "is empty" if not some else "fits nothing the study reads"
    )


# ------------------------------------------------------------------------------------------ what a person said


def _given(
    contents: Mapping[str, Contents],
    known: Mapping[str, Instrument],
    study: Study,
    settings: Mapping[str, str],
    said: Corrections,
) -> dict[str, Guess]:
    guesses = {}
    for word, condition in said.condition_names.items():
        if condition not in study.conditions:
            raise UsageError(
                f"--condition-name: “{condition}” (for “{word}”) is no condition. {nearest(condition, study.conditions)}"
            )
    for column, what in said.columns.items():
        if column not in contents:  # perhaps a word in the column of items
            continue
        samples, why = contents[column].samples, "you said so"
        if what == LEFT_OUT:
            guesses[column] = Guess(column, samples, "other", "given", why)
        elif what in ROLES:
            guesses[column] = Guess(column, samples, what, "given", why)
        else:
            instrument, item, setting, word = _item_said(what, known, study, settings)
            guesses[column] = Guess(column, samples, "holds", "given", why, instrument, item, setting, word)
    return guesses


def _item_said(
    what: str, known: Mapping[str, Instrument], study: Study, settings: Mapping[str, str]
) -> tuple[str, str, str, str]:
    """Instrument, item, setting and its word in "real1", "weight_realism.real1" or "real1@still"."""
    name, at, word = what.partition("@")
    qualified = {f"{one.id}.{item.id}": (one.id, item.id) for one in known.values() for item in one.items}
    own = [one for one in known.values() if one.id in study.instruments] or list(known.values())
    fitting = list(
        dict.fromkeys((one.id, item.id) for one in (*own, *known.values()) for item in one.items if item.id == name)
    )
    if name not in qualified and not fitting:
        items = sorted({item.id for one in known.values() for item in one.items})
        roles = ", ".join(ROLES)
        raise UsageError(f"“{what}” is no item, and none of {roles} or {LEFT_OUT}. {nearest(name, items)}")
    instrument, item = qualified.get(name) or fitting[0]
    if at and plain(word) not in settings:
        raise UsageError(
            f"“{word}” in “{what}” is no condition or occasion. {nearest(word, [*study.conditions, *OCCASIONS])}"
        )
    return instrument, item, settings[plain(word)] if at else "", word


def _setting_words(study: Study, said: Corrections) -> dict[str, str]:
    """Plain words that name a condition or an occasion in a header."""
    words = {plain(word): name for word, name in OCCASION_WORDS.items() if len(word) > 3}
    return words | {
        plain(word): name for word, name in condition_words(study, said.condition_names).items() if plain(word)
    }


# ------------------------------------------------------------------------------------------ who


def _participants(
    contents: Mapping[str, Contents], study: Study, guesses: Mapping[str, Guess], unclear: list[Unclear]
) -> Guess | None:
    """The column whose words are participants of the study, or whose name says so."""
    if any(guess.role == "participant" for guess in guesses.values()):
        return None
    people = {*study.participants, *study.declared.participants.pilots}

    def fit(one: Contents) -> float:
        shared = len(people.intersection(one.words))
        return shared / (len(people) + len(one.words) - shared) + 0.5 * one.speaks_for("participant")

    free = [one for column, one in contents.items() if column not in guesses and one.words]
    best = max(free, key=fit, default=None)
    shared = len(people.intersection(best.words)) if best else 0
    if best is None or fit(best) < 0.1:
        remedy = "Say which with --participant COLUMN."
        unclear.append(Unclear("participant", "", "No column seems to name the participants.", remedy, tuple(contents)))
        return None
    of = f"{shared} of its {len(best.words)} words are participants of this study"
    if shared == len(best.words):
        return Guess(
            best.column, best.samples, "participant", "sure", f"all its {shared} words are participants of this study"
        )
    if shared:
        return Guess(best.column, best.samples, "participant", "likely", of)
    unclear.append(
        Unclear(
            "participant",
            best.column,
            f"“{best.column}” sounds like participants, but none of its words is a participant of this study.",
            "Say so with --participant COLUMN, and declare the ids, with --add-participants where study.toml lists them.",
            tuple(contents),
        )
    )
    return Guess(
        best.column,
        best.samples,
        "participant",
        "unsure",
        "by its name; none of its words is a participant of this study",
    )


# ------------------------------------------------------------------------------------------ columns that hold items


def _item_guesses(
    contents: Mapping[str, Contents],
    taken: Mapping[str, Guess],
    known: Mapping[str, Instrument],
    found: Wordings,
    preferred: Sequence[str],
    settings: Mapping[str, str],
) -> list[Guess]:
    """Columns whose header names an item, of those instruments most of whose items have a column."""
    matches: dict[str, dict[str, ItemMatch]] = {}
    for column, one in contents.items():
        if column in taken and taken[column].role != "holds":
            continue
        for match in item_matches(column, found):
            if one.mostly_answers(known[match.instrument].response_of(match.item)):
                matches.setdefault(match.instrument, {})[column] = match
    for column, guess in taken.items():
        if guess.role == "holds":
            matches.setdefault(guess.instrument, {})[column] = ItemMatch(
                guess.instrument, guess.item, "given", guess.reason
            )
    guesses: list[Guess] = []
    used: set[str] = set()
    for name in sorted(matches, key=lambda name: _preference(name, matches[name], known, preferred)):
        free = {column: match for column, match in matches[name].items() if column not in used}
        covered = len({match.item for match in free.values()}) / len(known[name].items)
        if (
            not free
            or (covered < ENOUGH and name not in preferred)
            or (len(known[name].items) == 1 and not _certain(free, name, preferred))
        ):
            continue
        used |= set(free)
        prefix = {match.rest for match in free.values()}
        for column, match in free.items():
            if column not in taken:
                setting, word = _setting_in(match.rest, settings)
                plainly = bool(setting) or not match.rest or (len(prefix) == 1 and len(free) > 1)
                sure = match.sure if plainly or match.sure != "sure" else "likely"
                reason = match.reason + (f", in {setting}" if setting else "")
                guesses.append(
                    Guess(
                        column,
                        contents[column].samples,
                        "holds",
                        sure,
                        reason,
                        name,
                        match.item,
                        setting,
                        word or match.rest,
                    )
                )
    return guesses


def _certain(free: Mapping[str, ItemMatch], name: str, preferred: Sequence[str]) -> bool:
    return name in preferred or all(match.sure in ("sure", "given") for match in free.values())


def _preference(
    name: str, matches: Mapping[str, ItemMatch], known: Mapping[str, Instrument], preferred: Sequence[str]
) -> tuple[object, ...]:
    """Given instruments first, then the study's own, then those with most of their items, and best, in the table."""
    covered = len({match.item for match in matches.values()}) / len(known[name].items)
    place = preferred.index(name) if name in preferred else len(preferred)
    return (covered < ENOUGH, place, -covered, -sum(match.strength for match in matches.values()) / len(matches), name)


def _setting_in(rest: str, settings: Mapping[str, str]) -> tuple[str, str]:
    """The condition or occasion that `rest` of a header names, and by which word; two empty ones where it names none."""
    words = rest.split()
    for length in range(len(words), 0, -1):
        for start in range(len(words) - length + 1):
            word = " ".join(words[start : start + length])
            if plain(word) in settings:
                return settings[plain(word)], word
    return "", ""


def _without_repeats(items: list[Guess], unclear: list[Unclear]) -> list[Guess]:
    """One column for each item and setting, the surest; the others are unclear."""
    kept: dict[tuple[str, str, str, str], Guess] = {}
    for guess in sorted(items, key=lambda guess: SURENESS.index(guess.sure)):
        first = kept.setdefault(
            (guess.instrument, guess.item, guess.setting, "" if guess.setting else guess.setting_word), guess
        )
        if first is not guess:
            found = f"“{guess.column}” and “{first.column}” both seem to hold {guess.item}."
            remedy = f"Say what this one is: --set '{guess.column}=ITEM' or '{guess.column}={LEFT_OUT}'."
            unclear.append(Unclear("column", guess.column, found, remedy))
    return list(kept.values())


def _numbered(
    contents: Mapping[str, Contents],
    taken: Mapping[str, Guess],
    items: Sequence[Guess],
    known: Mapping[str, Instrument],
    preferred: Sequence[str],
    said: Corrections,
    settings: Mapping[str, str],
    unclear: list[Unclear],
) -> list[Guess]:
    """Columns such as "Q1_1" to "Q1_6" that nothing names, by number and by the answers that fit."""
    used = {guess.column for guess in items} | set(taken)
    series: dict[str, dict[str, dict[int, str]]] = {}
    words: dict[str, str] = {}
    for column in contents:
        if column not in used:
            stem, setting, word, number = _numbering(column, settings)
            if number is not None:
                series.setdefault(stem, {}).setdefault(setting, {})[number] = column
                words[column] = word
    present = {guess.instrument for guess in items} | {one.instrument for one in taken.values() if one.role == "holds"}
    guesses: list[Guess] = []
    for by_setting in series.values():
        numbers = sorted(next(iter(by_setting.values())))
        whole = numbers == list(range(numbers[0], numbers[0] + len(numbers))) and numbers[0] in (0, 1)
        if not whole or any(sorted(one) != numbers for one in by_setting.values()):
            continue
        free = [name for name in known if name not in present]
        for names in (
            [list(said.instruments)] if len(said.instruments) > 1 and set(said.instruments) <= set(free) else []
        ):
            if sum(len(known[name].items) for name in names) == len(numbers):
                free = []
                guesses += _by_number(
                    names,
                    by_setting,
                    numbers,
                    contents,
                    known,
                    words,
                    "unsure",
                    "numbered in the order of the instruments you named",
                )
                present |= set(names)
        fitting = [name for name in free if _fits_numbers(known[name], by_setting, numbers, contents)]
        own = [name for name in fitting if name in preferred]
        chosen = own[:1] if said.instruments or len(own) == 1 else fitting if len(fitting) == 1 else []
        if chosen:
            sure: Sure = "likely" if said.instruments and len(fitting) == 1 else "unsure"
            why = f"numbered {numbers[0]} to {numbers[-1]}, as many as {chosen[0]} has items, and the answers fit its scale"
            guesses += _by_number(chosen, by_setting, numbers, contents, known, words, sure, why)
            present |= set(chosen)
        elif len(fitting) > 1:
            columns = list(next(iter(by_setting.values())).values())
            found = (
                f"Columns “{columns[0]}” to “{columns[-1]}” are numbered like the items of {' and of '.join(fitting)}."
            )
            unclear.append(Unclear("instrument", columns[0], found, "Name the one with --instrument.", tuple(fitting)))
    return guesses


def _numbering(column: str, settings: Mapping[str, str]) -> tuple[str, str, str, int | None]:
    """Stem, setting, its word, and number of a header such as "Q1_3" or "still Q3"; None where it has no number."""
    words = words_of(column)
    setting, word = _setting_in(" ".join(words), settings)
    if setting:
        place = next(at for at in range(len(words)) if " ".join(words[at : at + len(word.split())]) == word)
        words = words[:place] + words[place + len(word.split()) :]
    numbered = re.fullmatch(r"(.*?)(\d{1,3})", "_".join(words))
    return (numbered[1], setting, word, int(numbered[2])) if numbered else ("", "", "", None)


def _fits_numbers(
    instrument: Instrument,
    by_setting: Mapping[str, Mapping[int, str]],
    numbers: Sequence[int],
    contents: Mapping[str, Contents],
) -> bool:
    return len(instrument.items) == len(numbers) and all(
        contents[columns[number]].mostly_answers(instrument.response_of(item.id))
        for columns in by_setting.values()
        for number, item in zip(numbers, instrument.items, strict=True)
    )


def _by_number(
    names: Sequence[str],
    by_setting: Mapping[str, Mapping[int, str]],
    numbers: Sequence[int],
    contents: Mapping[str, Contents],
    known: Mapping[str, Instrument],
    words: Mapping[str, str],
    sure: Sure,
    why: str,
) -> list[Guess]:
    items = [(name, item.id) for name in names for item in known[name].items]
    return [
        Guess(
            columns[number],
            contents[columns[number]].samples,
            "holds",
            sure,
            why,
            name,
            item,
            setting,
            words[columns[number]],
        )
        for setting, columns in by_setting.items()
        for number, (name, item) in zip(numbers, items, strict=True)
    ]


def _with_settings(items: list[Guess], study: Study, said: Corrections, unclear: list[Unclear]) -> list[Guess]:
    """Items with the setting that headers name, where the same item has columns that differ in such a word."""
    by_item = Counter((guess.instrument, guess.item) for guess in items)
    several = {key for key, n in by_item.items() if n > 1}
    named = {guess.setting for guess in items if guess.setting}
    if len(named) < 2 and not several:
        return [replace(guess, setting="", setting_word="") for guess in items]
    common = set.intersection(*(set(guess.setting_word.split()) for guess in items)) if items else set()
    result, unknown = [], {}
    for guess in items:
        word = " ".join(part for part in guess.setting_word.split() if part not in common)
        if guess.setting or (guess.instrument, guess.item) not in several:
            result.append(guess)
            continue
        meant, sure, why = likely_condition(word, study)
        if meant:
            result.append(
                replace(
                    guess,
                    setting=meant,
                    setting_word=word,
                    sure=_less_sure(guess.sure, sure),
                    reason=f"{guess.reason}; {why}",
                )
            )
        else:
            unknown[word] = guess.column
            result.append(replace(guess, sure="unsure", setting_word=word))
    for word, column in unknown.items():
        shown = _as_written(word, column)
        found = f"Columns such as “{column}” differ in “{shown}”, which may stand for a condition."
        remedy = f"Say which: --condition-name '{shown}=CONDITION'. Conditions: {', '.join(study.conditions)}."
        unclear.append(Unclear("condition word", shown, found, remedy, study.conditions))
    return result


def _less_sure(one: Sure, other: Sure) -> Sure:
    return max(one, other, key=SURENESS.index)


def _as_written(word: str, text: str) -> str:
    """`word` as it is written in `text`."""
    place = text.casefold().find(word)
    return text[place : place + len(word)] if place >= 0 and word else word


# ------------------------------------------------------------------------------------------ rows per answer


def _item_column(
    contents: Mapping[str, Contents],
    taken: Mapping[str, Guess],
    items: Sequence[Guess],
    known: Mapping[str, Instrument],
    found: Wordings,
    said: Corrections,
    study: Study,
) -> tuple[Guess, list[str], list[Word]] | None:
    """The column whose words name items, their instruments, and how its words are taken; None where rows are no answers."""
    given = next((guess for guess in taken.values() if guess.role == "item"), None)
    if given is None and (said.layout not in (None, "row_per_answer") or (len(items) > 1 and said.layout is None)):
        return None
    best: tuple[float, Contents, dict[str, list[ItemMatch]]] | None = None
    for column, one in contents.items():
        if (
            (given and column != given.column)
            or (not given and column in taken)
            or not 1 < len(one.words) <= MOST_WORDS
        ):
            continue
        matches = {word: item_matches(word, found) for word in one.words}
        share = sum(bool(match) for match in matches.values()) / len(matches)
        if share >= (0.0 if given else ENOUGH) and (best is None or share > best[0]):
            best = (share, one, matches)
    if best is None:
        return (given, [], []) if given else None
    share, one, matches = best
    instruments = _instruments_named(matches, [*said.instruments, *study.instruments])
    words = []
    for word, several in matches.items():
        match = next((match for name in instruments for match in several if match.instrument == name), None)
        if word in said.columns:
            instrument, name, _, _ = _item_said(said.columns[word], known, study, {})
            instruments = [*dict.fromkeys([*instruments, instrument])]
            words.append(Word("item", word, f"{instrument}.{name}", "given", "you said so"))
        elif match:
            words.append(Word("item", word, f"{match.instrument}.{match.item}", match.sure, match.reason))
    sure: Sure = "sure" if share == 1 and all(word.sure == "sure" for word in words) else "likely"
    reason = f"{len(words)} of its {len(one.words)} words name items of {' and '.join(instruments)}"
    guess = given or Guess(one.column, one.samples, "item", sure, reason)
    return guess, instruments, words


def _instruments_named(matches: Mapping[str, Sequence[ItemMatch]], preferred: Sequence[str]) -> list[str]:
    """The fewest instruments that account for the words, the study's own and those with most words first."""
    left, chosen = {word for word, several in matches.items() if several}, []
    while left:
        counts = Counter(match.instrument for word in left for match in matches[word])
        name = min(counts, key=lambda name: (name not in preferred, -counts[name], name))
        chosen.append(name)
        left -= {word for word in left if any(match.instrument == name for match in matches[word])}
    return chosen


def _answer_column(
    contents: Mapping[str, Contents],
    taken: Mapping[str, Guess],
    known: Mapping[str, Instrument],
    instruments: Sequence[str],
    unclear: list[Unclear],
) -> Guess | None:
    """The column of answers in a table with a row per answer."""
    if any(guess.role == "answer" for guess in taken.values()):
        return None
    formats = [
        response for name in instruments for response in known[name].responses.values() if response.kind != "text"
    ]

    def fit(one: Contents) -> float:
        words = sum(not says_nothing(word) for word in one.looked_at)
        off = sum(not says_nothing(word) for word in one.off_scale(formats))
        return ((words - off) / words if words else 0.0) + one.speaks_for("answer")

    best = max((one for column, one in contents.items() if column not in taken), key=fit, default=None)
    if best is None or fit(best) < 0.5:
        unclear.append(
            Unclear(
                "column",
                "",
                "No column seems to hold the answers.",
                "Say which with --set 'COLUMN=answer'.",
                tuple(contents),
            )
        )
        return None
    named, share = best.speaks_for("answer"), fit(best) - best.speaks_for("answer")
    reason = f"{round(100 * share)} % of its different words are answers on the scales" + (
        ", and it is called so" if named else ""
    )
    return Guess(best.column, best.samples, "answer", "sure" if named and share > 0.5 else "likely", reason)


# ------------------------------------------------------------------------------------------ settings and layout


def likely_condition(word: str, study: Study) -> tuple[str, Sure, str]:
    """The condition that `word` resembles, how sure, and why; an empty one where it resembles none or several."""
    words, fits = words_of(word), {}
    for condition in study.declared.conditions:
        for name in (condition.id, condition.label):
            parts = words_of(name.replace("_", " "))
            ratio = SequenceMatcher(None, plain(word), plain(name)).ratio()
            if parts and any(words[at : at + len(parts)] == parts for at in range(len(words))):
                fits[condition.id] = f"“{word}” contains “{name}”"
            elif ratio >= 0.8 and len(plain(word)) > 3:
                fits.setdefault(condition.id, f"“{word}” is written like “{name}”")
    if len(fits) != 1:
        return "", "unsure", ""
    ((condition_id, why),) = fits.items()
    return condition_id, "likely", why


def _layout(
    table: SourceTable,
    guesses: dict[str, Guess],
    contents: Mapping[str, Contents],
    study: Study,
    said: Corrections,
    long: bool,
    unclear: list[Unclear],
) -> tuple[Layout, Asked, str]:
    """The layout, when it was asked, and why; adds the columns of conditions and occasions to `guesses`."""
    held = [guess for guess in guesses.values() if guess.role == "holds"]
    wide = len({(guess.instrument, guess.item) for guess in held}) < len(held) or any(guess.setting for guess in held)
    if not long and (said.layout == "row_per_participant" or (said.layout is None and wide)):
        before_after = any(guess.setting in OCCASIONS and guess.setting not in study.conditions for guess in held)
        asked: Asked = said.asked or ("before_after" if before_after else "per_condition" if wide else "once")
        why = (
            f"the same items have columns for each {'occasion' if asked == 'before_after' else 'condition'}"
            if wide
            else "you said so"
        )
        return "row_per_participant", asked, why
    layout: Layout = said.layout or ("row_per_answer" if long else "row_per_session")
    if said.asked in (None, "per_condition"):
        _add(guesses, _condition_column(table, contents, guesses, study, said, layout))
    if said.asked in (None, "before_after"):
        _add(guesses, _occasion_column(contents, guesses))
    roles = {guess.role for guess in guesses.values()}
    asked = said.asked or (
        "per_condition" if "condition" in roles else "before_after" if "occasion" in roles else "once"
    )
    settings: dict[Asked, Literal["condition", "occasion"]] = {"per_condition": "condition", "before_after": "occasion"}
    setting = settings.get(asked)
    for column in [
        column for column, guess in guesses.items() if guess.role in ("condition", "occasion") and guess.role != setting
    ]:
        del guesses[column]
    repeated = _repeats(table, guesses)
    if asked == "once" and repeated and not said.asked and not long:
        found = f"{repeated} participants stand in several rows, and no column names the condition or occasion."
        remedy = "Say which with --condition COLUMN, or --set 'COLUMN=occasion'."
        unclear.append(Unclear("condition", "", found, remedy, tuple(contents)))
        asked = "per_condition"
    elif setting and setting not in roles:
        flag = "--condition COLUMN" if setting == "condition" else "--set 'COLUMN=occasion'"
        unclear.append(
            Unclear(setting, "", f"No column seems to name the {setting}s.", f"Say which with {flag}.", tuple(contents))
        )
    rows = "row is one answer" if long else f"row is one participant{f' and {setting}' if setting else ''}"
    return layout, asked, f"each {rows}"


def _repeats(table: SourceTable, guesses: Mapping[str, Guess]) -> int:
    """How many participants stand in more than one row."""
    who = next((guess.column for guess in guesses.values() if guess.role == "participant"), None)
    return int((table.frame[who].str.strip().value_counts() > 1).sum()) if who else 0


def _condition_column(
    table: SourceTable,
    contents: Mapping[str, Contents],
    taken: Mapping[str, Guess],
    study: Study,
    said: Corrections,
    layout: Layout,
) -> Guess | None:
    """The column that names conditions: by its words, by its name, or as each participant has each of its words once."""
    if any(guess.role == "condition" for guess in taken.values()):
        return None
    known = {word.strip().casefold() for word in condition_words(study, said.condition_names)}

    def share(one: Contents, meant: Callable[[str], bool]) -> float:
        return sum(map(meant, one.looked_at)) / len(one.looked_at)

    few = 2 * len(study.conditions) + 4
    free = [one for column, one in contents.items() if column not in taken and 0 < len(one.words) <= few]
    by_words = [one for one in free if share(one, lambda word: word.casefold() in known) >= 0.5]
    if by_words:
        one = max(
            by_words, key=lambda one: (share(one, lambda word: word.casefold() in known), one.speaks_for("condition"))
        )
        n = sum(word.casefold() in known for word in one.words)
        sure: Sure = "sure" if n == len(one.words) else "likely"
        every = "all its" if n == len(one.words) else f"{n} of its"
        return Guess(one.column, one.samples, "condition", sure, f"{every} {len(one.words)} words are conditions")
    resembling = {word for word in {word for one in free for word in one.words} if likely_condition(word, study)[0]}
    alike = [one for one in free if share(one, lambda word: word in resembling) >= 0.5]
    if alike:
        one = max(alike, key=lambda one: one.speaks_for("condition"))
        return Guess(one.column, one.samples, "condition", "likely", "its words resemble conditions")
    called = [one for one in free if one.speaks_for("condition")]
    if called:
        return Guess(
            called[0].column,
            called[0].samples,
            "condition",
            "unsure",
            "by its name; its words are no conditions of this study",
        )
    crossed = [
        one for one in free if layout == "row_per_session" and _once_for_each(table, taken, one, len(study.conditions))
    ]
    if len(crossed) == 1 and len(study.conditions) > 1:
        reason = "most participants have each of its words once; they are no conditions of this study"
        return Guess(crossed[0].column, crossed[0].samples, "condition", "unsure", reason)
    return None


def _once_for_each(table: SourceTable, taken: Mapping[str, Guess], one: Contents, n: int) -> bool:
    """Whether `one` has `n` different words and most participants have each in exactly one row."""
    who = next((guess.column for guess in taken.values() if guess.role == "participant"), None)
    if who is None or len(one.words) != n:
        return False
    rows = table.frame[[who, one.column]].groupby(who)[one.column].agg(["size", "nunique"])
    return bool(((rows["size"] == n) & (rows["nunique"] == n)).mean() > 0.5)


def _occasion_column(contents: Mapping[str, Contents], taken: Mapping[str, Guess]) -> Guess | None:
    if any(guess.role == "occasion" for guess in taken.values()):
        return None
    for column, one in contents.items():
        if (
            column not in taken
            and one.words
            and all(_occasion(word, one.words) for word in one.words)
            and len(one.words) <= 4
        ):
            return Guess(
                column,
                one.samples,
                "occasion",
                "sure" if len(one.words) > 1 else "likely",
                "its words are before and after",
            )
    return None


def _occasion(word: str, beside: Collection[str]) -> str:
    """The occasion that `word` names; "t1" and the like by their order beside the other."""
    if word.casefold() in OCCASION_WORDS:
        return OCCASION_WORDS[word.casefold()]
    numbered = sorted(other for other in beside if re.fullmatch(r"[tT]\d", other))
    return OCCASIONS[numbered.index(word)] if len(numbered) == len(beside) == 2 and word in numbered else ""


def _setting_readings(
    guesses: Mapping[str, Guess],
    contents: Mapping[str, Contents],
    study: Study,
    said: Corrections,
    asked: Asked,
    layout: Layout,
    unclear: list[Unclear],
) -> list[Word]:
    """How the words for conditions or occasions are taken; words that say nothing are unclear."""
    column = next((guess.column for guess in guesses.values() if guess.role in ("condition", "occasion")), None)
    if layout == "row_per_participant" or column is None:
        held = {
            (guess.setting_word, guess.setting): guess
            for guess in guesses.values()
            if guess.setting and guess.setting_word
        }
        kind: Literal["condition", "occasion"] = "occasion" if asked == "before_after" else "condition"
        return [
            Word(kind, _as_written(word, guess.column), setting, guess.sure, "in the headers")
            for (word, setting), guess in held.items()
        ]
    if asked == "before_after":
        read = {word: _occasion(word, contents[column].words) for word in contents[column].words}
        return [
            Word("occasion", word, meant, "sure" if word.casefold() in OCCASION_WORDS else "likely", "before or after")
            for word, meant in read.items()
        ]
    known = {word.strip().casefold(): name for word, name in condition_words(study, {}).items()}
    given = {word.strip().casefold(): name for word, name in said.condition_names.items()}
    words, unknown = [], []
    for word in contents[column].looked_at:
        if word.casefold() in given:
            words.append(Word("condition", word, given[word.casefold()], "given", "you said so"))
        elif word.casefold() in known:
            words.append(Word("condition", word, known[word.casefold()], "sure", "is its id or label"))
        else:
            meant, sure, why = likely_condition(word, study)
            words.append(Word("condition", word, meant, sure, why or "stands for no condition of this study"))
            unknown += [] if meant else [word]
    places = [str(number) for number in range(1, len(study.conditions) + 1)]
    perhaps = (
        " If these are the places in the order of a session, they are no conditions: the order differs between participants."
        if unknown and set(unknown) <= set(places)
        else ""
    )
    for word in unknown:
        remedy = f"Say which: --condition-name '{word}=CONDITION'. {nearest(word, study.conditions)}{perhaps}"
        unclear.append(
            Unclear(
                "condition word",
                word,
                f"“{word}” in column “{column}” is no condition of this study.",
                remedy,
                study.conditions,
            )
        )
    return words


def _missing_readings(
    guesses: Mapping[str, Guess],
    contents: Mapping[str, Contents],
    known: Mapping[str, Instrument],
    instruments: Sequence[str],
    said: Corrections,
) -> list[Word]:
    """Words beside the answers that are off the response scale and often stand for no answer."""
    given = [Word("missing", word, "skipped", "given", "you said so") for word in said.missing_words]
    given += [
        Word("not applicable", word, "not applicable", "given", "you said so") for word in said.not_applicable_words
    ]
    seen = {word.word.casefold() for word in given}
    found: dict[str, Word] = {}
    for guess in guesses.values():
        for word in _words_off(guess, contents, known, instruments):
            lower = word.casefold()
            if lower in seen or lower in found or not says_nothing(word):
                continue
            if lower in NOT_APPLICABLE_WORDS:
                found[lower] = Word(
                    "not applicable", word, "not applicable", "likely", "off the response scale, and says so"
                )
            else:
                found[lower] = Word(
                    "missing", word, "skipped", "likely", "off the response scale, and often stands for no answer"
                )
    return [*given, *found.values()]


def _words_off(
    guess: Guess, contents: Mapping[str, Contents], known: Mapping[str, Instrument], instruments: Sequence[str]
) -> list[str]:
    """Words of a column of answers that are on none of its response scales."""
    if guess.role == "holds":
        return contents[guess.column].off_scale([known[guess.instrument].response_of(guess.item)])
    if guess.role != "answer":
        return []
    formats = [one for name in instruments for one in known[name].responses.values() if one.kind != "text"]
    return contents[guess.column].off_scale(formats)
