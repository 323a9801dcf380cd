"""Looking for what identifies a person in transcripts. Each hit is a proposal: a person confirms or rejects it.

No search of this kind is complete. Nicknames, a rare job, a remark that only one person could make: none of these has a
form by which it could be found. Whoever shares a transcript has to read it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal, Protocol

from workbench.pseudonyms.key import KnownName
from workbench.pseudonyms.replacing import ANY_CASE, GENITIVE, phrase_key, whole_words

Likelihood = Literal["certain", "likely", "possible"]
LIKELIHOODS: tuple[Likelihood, ...] = ("certain", "likely", "possible")

REMINDER = (
    "No automatic search finds everything that identifies a person: nicknames, a rare job, an event, or a remark that "
    "only one person could make have no form to look for. Read every transcript before it leaves the study."
)
MANY_IN_GERMAN = "German writes every noun with a capital, so most of the possible names here are ordinary nouns. Likely ones stand first."

CONTEXT = 40
"""Characters shown on either side of a candidate."""


class TurnLike(Protocol):
    """A turn, as far as the search looks at it."""

    @property
    def number(self) -> int: ...
    @property
    def text(self) -> str: ...


class TranscriptLike(Protocol):
    """A transcript, as far as the search looks at it."""

    @property
    def name(self) -> str: ...
    @property
    def language(self) -> str: ...
    @property
    def turns(self) -> Sequence[TurnLike]: ...


@dataclass(frozen=True, slots=True)
class Candidate:
    """Words that may identify someone, from `start` to `end` (code points) of a turn; `context` has them in […]."""

    kind: str
    phrase: str
    transcript: str
    turn: int
    start: int
    end: int
    context: str
    why: str
    likelihood: Likelihood = "likely"


@dataclass(frozen=True, slots=True)
class _Hit:
    start: int
    end: int
    kind: str
    why: str
    likelihood: Likelihood


# ------------------------------------------------------------------------- what has a form of its own
# Every pattern begins at a character that few texts are full of, and repeats are bounded, so that a long turn is read
# in time proportional to its length.

_EMAIL = re.compile(r"(?<![\w.+-])[\w.+-]{1,64}@[\w-]{1,63}(?:\.[\w-]{1,63}){1,6}")
_EMAIL_SPOKEN = re.compile(
    r"(?<!\w)\w{2,30}(?: (?:dot|punkt|minus) \w{1,30}){0,2} (?:at|ät|Klammeraffe) \w{2,30} (?:dot|punkt) \w{2,6}(?!\w)",
    re.IGNORECASE,
)
_LINK = re.compile(r"(?<![\w@])(?:https?://|www\.)[^\s<>\"]{1,300}", re.IGNORECASE)
_DOMAIN = re.compile(
    r"(?<![\w.@-])[\w-]{2,63}(?:\.[\w-]{2,63}){0,3}\.(?:com|org|net|info|eu|de|at|ch|fr|nl|uk|ie|io)(?:/\S{0,100})?(?![\w.]*\w)"
)
_HANDLE = re.compile(r"(?<![\w.@])@[\w.]{2,40}")
_DIGITS = re.compile(r"(?<![\w.,])(?:\+|\()?\d[\d ()/.\-–]{4,26}\d(?!\w)")
_DIGIT_WORDS = (
    "oh|zero|one|two|three|four|five|six|seven|eight|nine|double|triple|plus|"
    "null|eins|zwei|zwo|drei|vier|fünf|sechs|sieben|acht|neun"
)
_DIGITS_SPOKEN = re.compile(
    rf"(?<!\w)(?:{_DIGIT_WORDS})(?:[ ,\-–]{{1,3}}(?:{_DIGIT_WORDS})){{5,20}}(?!\w)", re.IGNORECASE
)
_MONTHS = (
    "January|February|March|April|May|June|July|August|September|October|November|December|"
    "Januar|Jänner|Februar|März|Mai|Juni|Juli|Oktober|Dezember"
)
_DATE = re.compile(
    rf"(?<![\w.])(?:\d{{4}}-\d{{2}}-\d{{2}}|\d{{1,2}}[./-] ?\d{{1,2}}[./-] ?(?:\d{{4}}|\d{{2}})"
    rf"|\d{{1,2}}(?:st|nd|rd|th|\.)? (?:of )?(?:{_MONTHS})(?:,? \d{{4}})?|(?:{_MONTHS}) \d{{1,2}}(?:st|nd|rd|th)?(?:,? \d{{4}})?)(?!\w)"
)
_BORN = re.compile(
    r"\b(?:born|birthday|date of birth|geboren|Geburtstag|Geburtsdatum|Jahrgang)\b[^.!?\n]{0,30}?\b((?:19|20)\d\d)\b",
    re.IGNORECASE,
)
_BORN_BEFORE = re.compile(r"\b(?:born|birthday|birth|geboren|Geburtstag|Geburtsdatum)\b", re.IGNORECASE)
_CAPITALISED = r"[^\W\d_a-zß-öø-ÿ][^\W\d_]{1,30}"
_STREET = re.compile(
    rf"(?<!\w)(?:\d{{1,4}}[a-z]?,? )?(?:{_CAPITALISED} ){{1,3}}"
    r"(?:Street|Road|Avenue|Lane|Drive|Square|Crescent|Terrace|Gardens|Boulevard|Close|St|Rd|Ave)(?!\w)"
)
_STRASSE = re.compile(
    rf"(?<!\w)(?:{_CAPITALISED}(?:straße|strasse|str\.|gasse|allee)|(?:{_CAPITALISED}[ -]){{1,2}}(?:Straße|Strasse|Str\.|Gasse|Allee))"
    r"(?: \d{1,4} ?[a-z]?(?!\w))?"
    rf"|(?<!\w){_CAPITALISED}(?:weg|platz|ring|ufer|damm|steig) \d{{1,4}} ?[a-z]?(?!\w)"
)
_POSTCODE = re.compile(rf"(?<![\w.,])\d{{5}} {_CAPITALISED}|(?<!\w)[A-Z]{{1,2}}\d[A-Z\d]? \d[A-Z]{{2}}(?!\w)")


def _emails(text: str) -> Iterator[_Hit]:
    for match in _EMAIL.finditer(text):
        end = match.end() - len(match[0]) + len(match[0].rstrip(".-"))
        yield _Hit(match.start(), end, "e-mail address", "has the form of an e-mail address", "certain")
    for match in _EMAIL_SPOKEN.finditer(text):
        yield _Hit(*match.span(), "e-mail address", "sounds like an e-mail address", "likely")


def _links(text: str) -> Iterator[_Hit]:
    for pattern, kind, why in (
        (_LINK, "link", "has the form of a link"),
        (_DOMAIN, "link", "has the form of an internet address"),
        (_HANDLE, "account", "has the form of an account name"),
    ):
        for match in pattern.finditer(text):
            yield _Hit(match.start(), match.start() + len(match[0].rstrip(".,;:!?)")), kind, why, "likely")


def _phones(text: str) -> Iterator[_Hit]:
    for match in _DIGITS.finditer(text):
        why = _like_a_phone(match[0])
        if why:
            likelihood: Likelihood = "possible" if why.startswith("a long") else "likely"
            yield _Hit(*match.span(), "phone number", why, likelihood)
    for match in _DIGITS_SPOKEN.finditer(text):
        yield _Hit(*match.span(), "phone number", "six or more digits are said one by one", "likely")


def _like_a_phone(words: str) -> str:
    """Why a run of digits looks like a phone number, "" where it does not: national and international forms."""
    digits = re.sub(r"\D", "", words)
    if (
        not 6 <= len(digits) <= 15
        or _DATE.fullmatch(words)
        or re.fullmatch(r"\d{1,2}[.:]\d\d(?: ?[-–] ?\d{1,2}[.:]\d\d)?", words)
    ):
        return ""
    if words.startswith("+") or digits.startswith("00"):
        return "digits after a country code"
    if words.startswith(("0", "(0")):
        return "digits that begin with 0, as numbers with an area code do"
    if re.fullmatch(r"\(?\d{3}\)?[ .\-]{0,2}\d{3}[ .\-]\d{4}|\d{3}[.\-]\d{4}", words):
        return "digits in groups of three and four"
    if re.fullmatch(r"\d{2}(?: \d{2}){3,4}", words):
        return "digits in pairs"
    if re.fullmatch(r"\d{1,3}(?:[., ]\d{3})+|(?:19|20)\d\d ?[-–/] ?(?:19|20)\d\d", words):
        return ""
    return "a long number, of a phone or an account" if len(digits) >= 7 else ""


def _dates(text: str) -> Iterator[_Hit]:
    for match in _DATE.finditer(text):
        born = _BORN_BEFORE.search(text, max(0, match.start() - CONTEXT), match.start())
        has_year = re.search(r"\d{4}|[./-] ?\d{2}$", match[0])
        kind = "date of birth" if born else "date"
        yield _Hit(
            *match.span(),
            kind,
            "a date after a word for birth" if born else "a date",
            "likely" if born or has_year else "possible",
        )
    for match in _BORN.finditer(text):
        yield _Hit(*match.span(1), "date of birth", "a year after a word for birth", "likely")


def _addresses(text: str) -> Iterator[_Hit]:
    for pattern, why in ((_STREET, "a street"), (_STRASSE, "a street"), (_POSTCODE, "a postcode")):
        for match in pattern.finditer(text):
            yield _Hit(*match.span(), "address", f"has the form of {why}", "likely")


# --------------------------------------------------------------------------------------------- names

_TITLES = (
    "Mr|Mrs|Ms|Miss|Mister|Dr|Prof|Professor|Sir|Madam|Uncle|Aunt|Auntie|Grandma|Grandpa|Saint|"
    "Chef|Chefin|Herr|Herrn|Frau|Doktor|Onkel|Tante|Oma|Opa|Monsieur|Madame"
)
_PLACES = "Restaurant|Hotel|Café|Cafe|Bistro|Brasserie|Gasthaus|Gasthof|Wirtshaus|Kantine|Bäckerei|Konditorei|Schule|School|College"
_NAME = rf"{_CAPITALISED}(?:[ -]{_CAPITALISED}){{0,2}}"
_AFTER_TITLE = re.compile(rf"(?<!\w)(?:{_TITLES})\.? ((?:(?:von|van|de) |O['’])?{_NAME})")
_INTRODUCED = re.compile(
    rf"(?<!\w)(?:called|named|name is|name's|I'm|I am|heiße|heisse|heißt|heisst|namens|Name ist|genannt|ich bin) (?:der |die |the )?({_NAME})(?!\w)"
)
_AFTER_PLACE = re.compile(rf"(?<!\w)(?:{_PLACES}) (?:(?:zum|zur|am|im|at|the|of) )?({_NAME})")
_FIRM = re.compile(rf"(?<!\w)({_NAME}) (?:GmbH|AG|KG|Ltd|Limited|Inc|LLC)(?!\w)")
_WORD = re.compile(r"[^\W\d_]+(?:['’-][^\W\d_]+)*")
_CONTRACTED = re.compile(r"['’](?:s|d|ll|ve|m|re)?$")
"""A genitive, or a verb that was drawn into the word before."""
_SENTENCE_ENDS = re.compile(r"(?:^|[.!?…:\n]|[.!?…][\"'”’»)]|[–—-]{1,2})\s*[\"'“‘„«(\[]*$")

_NO_NAMES_LISTED = """
    I OK Okay ID TV VR MR XR PC UK US USA EU AI
    Monday Tuesday Wednesday Thursday Friday Saturday Sunday January February March April May June July August
    September October November December Christmas Easter English German French Italian Spanish Turkish Polish Dutch
    European American British Mr Mrs Ms Miss Mister Dr Prof Professor Sir Madam Uncle Aunt Auntie Grandma Grandpa God Jesus
    Montag Dienstag Mittwoch Donnerstag Freitag Samstag Sonnabend Sonntag Januar Jänner Februar März Mai Juni Juli
    Oktober Dezember Weihnachten Ostern Herr Herrn Frau Doktor Onkel Tante Oma Opa Sie Ihnen Ihr Ihre Ihren
"""
_BEFORE_NOUNS_LISTED = """
    der die das den dem des ein eine einen einem einer eines kein keine keinen keinem keiner mein meine meinen meinem
    meiner dein deine sein seine seinen seinem seiner ihr ihre ihren ihrem ihrer unser unsere unseren euer eure dieser diese
    dieses diesen diesem jeder jede jedes jeden jedem welcher welche welches so viel viele wenig wenige mehr alle allen
    paar bisschen manche mancher solche zwei drei vier fünf sechs sieben acht neun zehn
"""
_NO_NAMES = frozenset(_NO_NAMES_LISTED.split())
_BEFORE_NOUNS = frozenset(_BEFORE_NOUNS_LISTED.split())


def _cued_names(text: str) -> Iterator[_Hit]:
    """Names that a word before or after them gives away."""
    for pattern, kind, why in (
        (_AFTER_TITLE, "name", "stands after a title"),
        (_INTRODUCED, "name", "stands after a word that introduces a name"),
        (_AFTER_PLACE, "workplace", "stands after a word for a house or school"),
        (_FIRM, "workplace", "stands before the form of a firm"),
    ):
        for match in pattern.finditer(text):
            if match[1] not in _NO_NAMES:
                yield _Hit(*match.span(1), kind, why, "likely")


def _known_names(text: str, names: Sequence[KnownName]) -> Iterator[_Hit]:
    for one in names:
        for match in whole_words(one.name, one.kind in ANY_CASE).finditer(text):
            yield _Hit(*match.span(), one.kind, "is on the private list", "certain")
        if one.name.lower() != one.name:
            small = re.compile(rf"(?<!\w){re.escape(one.name.lower())}{GENITIVE}")
            for match in small.finditer(text):
                why = "is on the private list, but in small letters here"
                yield _Hit(*match.span(), one.kind, why, "possible")


@dataclass(frozen=True, slots=True)
class _Capitals:
    """What all transcripts of a language say about a word: is it ever written small, ever with a capital mid-sentence?"""

    small: frozenset[str]
    within: frozenset[str]


def _capitals(texts: Iterable[str]) -> _Capitals:
    small: set[str] = set()
    within: set[str] = set()
    for text in texts:
        for match in _WORD.finditer(text):
            word = match[0]
            if word[0].islower():
                small.add(word.casefold())
            elif not _begins_a_sentence(text, match.start()):
                within.add(word)
    return _Capitals(frozenset(small), frozenset(within))


def _begins_a_sentence(text: str, place: int) -> bool:
    return bool(_SENTENCE_ENDS.search(text[max(0, place - 8) : place]))


def _capitalised(
    text: str, german: bool, capitals: _Capitals, named: Collection[str], ordinary: Collection[str]
) -> Iterator[_Hit]:
    """Words with a capital that no rule of spelling explains; in German, those that no article announces as a noun."""
    why = "has a capital where few nouns stand" if german else "has a capital inside a sentence"
    in_names = set() if german else _in_names_of_several(text)
    before = ""
    for match in _WORD.finditer(text):
        previous, before = before, match[0].casefold()
        word = _CONTRACTED.sub("", match[0])
        stem = word.removesuffix("s")
        if not _may_be_a_name(word) or word.casefold() in ordinary:
            continue
        if word in named or stem in named:
            end = match.start() + len(word if word in named else stem)
            yield _Hit(match.start(), end, "name", "is called a name elsewhere", "likely")
            continue
        is_written_small = not capitals.small.isdisjoint((word.casefold(), stem.casefold()))
        is_only_first = match[0] not in capitals.within and _begins_a_sentence(text, match.start())
        is_explained = is_written_small or is_only_first or (german and _like_a_noun(word, previous))
        if match.start() in in_names or not is_explained:
            yield _Hit(match.start(), match.start() + len(word), "possible name", why, "possible")


def _may_be_a_name(word: str) -> bool:
    return len(word) > 1 and word[0].isupper() and _NO_NAMES.isdisjoint((word, word.removesuffix("s")))


def _in_names_of_several(text: str) -> set[int]:
    """Where words begin that stand with a capital beside another such word: “the Copper Pot”, of ordinary words or not."""
    inside = [
        match
        for match in _WORD.finditer(text)
        if _may_be_a_name(_CONTRACTED.sub("", match[0])) and not _begins_a_sentence(text, match.start())
    ]
    pairs = [(one, other) for one, other in pairwise(inside) if text[one.end() : other.start()] == " "]
    return {one.start() for pair in pairs for one in pair}


def _joined(hits: Iterable[_Hit], text: str) -> Iterator[_Hit]:
    """Possible names in a row as one."""
    before: _Hit | None = None
    for hit in hits:
        if before and hit.likelihood == before.likelihood == "possible" and text[before.end : hit.start] == " ":
            before = replace(before, end=hit.end)
            continue
        if before:
            yield before
        before = hit
    if before:
        yield before


_NOUN_ENDS = ("ung", "ungen", "heit", "keit", "schaft", "tion", "tät", "chen", "nis", "ismus", "ling")
_ADJECTIVE_ENDS = ("en", "er", "es", "em", "ige", "liche")


def _like_a_noun(word: str, previous: str) -> bool:
    """Whether a German word has the ending of a noun, or stands after an article or what looks like an adjective."""
    after_adjective = len(previous) > 4 and previous.endswith(_ADJECTIVE_ENDS)
    return word.endswith(_NOUN_ENDS) or previous in _BEFORE_NOUNS or after_adjective


# ---------------------------------------------------------------------------------------- the search

_SEARCHES: tuple[Callable[[str], Iterator[_Hit]], ...] = (_emails, _links, _dates, _phones, _addresses, _cued_names)


def find_identifiers(
    transcripts: Sequence[TranscriptLike],
    known_names: Sequence[KnownName] = (),
    language: str = "en",
    *,
    ordinary: Collection[str] = (),
    progress: Callable[[int, int], None] | None = None,
) -> list[Candidate]:
    """What may identify someone: e-mail addresses, phone numbers, dates, links, addresses and names.

    Certain ones first, then likely, then possible ones, each in the order of the transcripts. `language` (BCP 47) is that
    of transcripts which do not say theirs; `ordinary` are words that identify nobody here, such as the names of conditions.
    Of hits that overlap the more likely stays, then the longer. The result is a list of proposals and never complete
    (REMINDER says so); in German, where every noun has a capital, possible names are many (MANY_IN_GERMAN).
    """
    german = {one.name: (one.language or language).lower().startswith("de") for one in transcripts}
    capitals = {
        is_german: _capitals(turn.text for one in transcripts if german[one.name] == is_german for turn in one.turns)
        for is_german in set(german.values())
    }
    named = {
        part
        for one in transcripts
        for turn in one.turns
        for hit in _cued_names(turn.text)
        if hit.kind == "name"
        for part in re.split(r"[ -]", turn.text[hit.start : hit.end])
        if part.casefold() not in capitals[german[one.name]].small
    }
    plain = {phrase_key(word).casefold() for word in ordinary}
    candidates: list[Candidate] = []
    for done, one in enumerate(transcripts):
        if progress:
            progress(done, len(transcripts))
        for turn in one.turns:
            hits = [hit for search in _SEARCHES for hit in search(turn.text)]
            hits += _known_names(turn.text, known_names)
            hits += _joined(
                _capitalised(turn.text, german[one.name], capitals[german[one.name]], named, plain), turn.text
            )
            candidates += [_candidate(hit, one.name, turn) for hit in _without_overlaps(hits, len(turn.text))]
    return sorted(candidates, key=lambda found: LIKELIHOODS.index(found.likelihood))


def _without_overlaps(hits: Iterable[_Hit], length: int) -> list[_Hit]:
    kept: list[_Hit] = []
    covered = bytearray(length)
    for hit in sorted(hits, key=lambda one: (LIKELIHOODS.index(one.likelihood), one.start - one.end, one.start)):
        if hit.start < hit.end and not any(covered[hit.start : hit.end]):
            covered[hit.start : hit.end] = b"\1" * (hit.end - hit.start)
            kept.append(hit)
    return sorted(kept, key=lambda one: one.start)


def _candidate(hit: _Hit, transcript: str, turn: TurnLike) -> Candidate:
    text = turn.text
    phrase = text[hit.start : hit.end]
    context = f"{text[max(0, hit.start - CONTEXT) : hit.start]}[{phrase}]{text[hit.end : hit.end + CONTEXT]}"
    return Candidate(
        hit.kind,
        phrase,
        transcript,
        turn.number,
        hit.start,
        hit.end,
        " ".join(context.split()),
        hit.why,
        hit.likelihood,
    )
