"""What a person should look at in a codebook. None of it blocks: a codebook is allowed to grow."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from workbench.codebook.model import Code, Codebook, Codebooks
from workbench.errors import Finding, Severity

OVERLAP = 0.25
"""Cosine similarity of two definitions from which the pair is named: a convention of ours, not a published value."""

WORDS_NAMED, CODES_NAMED = 6, 12
"""How many shared words of a pair are named, and how many codes in one finding."""

OVERLAP_BASIS = (
    f"TF-IDF cosine similarity of {OVERLAP:g} or more between definitions; this threshold is a convention of ours. "
    "It compares words, not meanings."
)
FIELDS_BASIS = "MacQueen et al. (1998): definition, when to use, when not to use, example."

_ASKED = {
    "definition": "no definition",
    "when_to_use": "no rule when to use it",
    "when_not_to_use": "no rule when not to use it",
    "example": "no typical example",
    "near_miss": "no near miss",
    "label": "no label",
}


@dataclass(frozen=True, slots=True)
class Overlap:
    """Two codes with alike definitions: cosine `similarity`, 0 to 1, and the `words` that make most of it."""

    first: str
    second: str
    similarity: float
    words: tuple[str, ...]


def codebook_findings(
    codebooks: Codebooks,
    *,
    used: Mapping[str, Mapping[str, int]] | None = None,
    texts: Iterable[str] = (),
    language: str = "en",
) -> list[Finding]:
    """What to look at in the current version, in what led to it, and in how it was used.

    `used` counts how often each code was applied under each version, {version: {code: times}}; `texts` are the turns of
    the transcripts, in which examples are looked for word by word where any are given. `language` (BCP 47) decides
    which common words do not count towards an overlap: English has a list of them, other languages have none.
    """
    current, shown = codebooks.current, codebooks.file
    return [
        *_missing_fields(current, shown),
        *_alike(current, shown),
        *_unknown_above(current, shown),
        *_unclear_origins(codebooks),
        *_gone_without_reason(codebooks),
        *_overlapping(current, shown, language),
        *_examples_not_said(current, shown, list(texts)),
        *(_use(codebooks, used) if used is not None else []),
    ]


def _finding(
    severity: Severity, kind: str, shown: str, place: str, found: str, remedy: str, basis: str = ""
) -> Finding:
    return Finding(severity, kind, shown, place, found, remedy, basis)


def _place(codebook: Codebook, *codes: Code) -> str:
    rows = [f"{one.row}" for one in codes if one.row]
    where = f"version {codebook.version}"
    return f"{where}, {'row' if len(rows) == 1 else 'rows'} {', '.join(rows)}" if rows else where


def _named(names: Sequence[str]) -> str:
    more = f" and {len(names) - CODES_NAMED} more" if len(names) > CODES_NAMED else ""
    return ", ".join(names[:CODES_NAMED]) + more


def _missing_fields(codebook: Codebook, shown: str) -> list[Finding]:
    """One finding for each field that some codes lack; what a parent code leaves to its children counts too."""
    findings = []
    for name, words in _ASKED.items():
        without = [one for one in codebook.codes if not getattr(one, name)]
        if name == "definition":
            without = [one for one in without if not one.full_definition]
        if without:
            severity: Severity = "note" if name in ("label", "near_miss") else "attention"
            found = f"{_named([one.code for one in without])}: {words}."
            remedy = "Two people code alike only what is written down; fill it in."
            place = _place(codebook, *without[:CODES_NAMED])
            findings.append(_finding(severity, "incomplete code", shown, place, found, remedy, FIELDS_BASIS))
    undefined = [one.theme for one in codebook.themes if not one.definition]
    if undefined:
        found = f"{_named(undefined)}: themes without a definition."
        remedy = "Say what their codes have in common."
        findings.append(_finding("note", "incomplete theme", shown, _place(codebook), found, remedy))
    return findings


def _alike(codebook: Codebook, shown: str) -> list[Finding]:
    """Codes that differ in capitals or spaces alone, and labels that several codes have."""
    findings = []
    for field, what, remedy in (
        ("code", "differ in capitals or spaces alone", "Rename one of them; raters will mix them up."),
        ("label", "have the same label", "Give each its own words; readers see labels alone."),
    ):
        groups: dict[str, list[Code]] = {}
        for one in codebook.codes:
            groups.setdefault("".join(getattr(one, field).casefold().split()), []).append(one)
        for words, several in groups.items():
            if words and len(several) > 1:
                found = f"{_named([one.code for one in several])} {what}."
                place = _place(codebook, *several)
                findings.append(_finding("attention", "codes alike", shown, place, found, remedy))
    return findings


def _unknown_above(codebook: Codebook, shown: str) -> list[Finding]:
    known = set(codebook.names)
    return [
        _finding(
            "attention",
            "unknown parent",
            shown,
            _place(codebook, one),
            f"{one.code} stands below “{one.parent}”, which is no code of this version.",
            "Correct the column parent; a theme goes into the column theme.",
        )
        for one in codebook.codes
        if one.parent and one.parent not in known
    ]


def _unclear_origins(codebooks: Codebooks) -> list[Finding]:
    """Codes that say they come from a code that no earlier version has, or that is still there under the same name."""
    findings = []
    earlier: set[str] = set()
    for version in codebooks.versions:
        for one in version.codes:
            unknown = [name for name in one.origins if name not in earlier]
            if unknown:
                found = f"{one.code} is said to come from {_named(unknown)}, which no earlier version has."
                remedy = "Correct the name, or leave the column empty."
                place = _place(version, one)
                findings.append(_finding("attention", "unknown origin", codebooks.file, place, found, remedy))
            if one.renamed_from and one.renamed_from in version.names:
                found = f"{one.code} is called a new name of {one.renamed_from}, which is still a code."
                remedy = "Take the old one out, or write split_from."
                place = _place(version, one)
                findings.append(_finding("attention", "unclear origin", codebooks.file, place, found, remedy))
        earlier |= set(version.names)
    return findings


def _gone_without_reason(codebooks: Codebooks) -> list[Finding]:
    gone = [
        (version, change.before[0])
        for version in codebooks.versions
        for change in version.changes
        if change.kind == "retired" and not change.reason and not version.reason
    ]
    return [
        _finding(
            "attention",
            "code gone",
            codebooks.file,
            f"version {version.version}",
            f"{name} is not in version {version.version} any more, and no reason is given.",
            "Add a row of the kind retired with the reason, or say what became of it (renamed, merged, split).",
        )
        for version, name in gone
    ]


def overlaps(codes: Sequence[Code], *, at_least: float = OVERLAP, language: str = "en") -> list[Overlap]:
    """Pairs of codes whose definitions share many words, the most alike first.

    Compared are label, both definitions and the rule when to use a code. The rule when not to use it is left out: it
    speaks of the neighbouring code on purpose. The similarity is the cosine of TF-IDF weights (smoothed idf, as
    scikit-learn computes it, over the codes of this version).
    """
    texts = [" ".join((one.label, one.definition, one.full_definition, one.when_to_use)) for one in codes]
    kept = [place for place, text in enumerate(texts) if re.search(r"\w\w", text)]
    if len(kept) < 2:
        return []
    from sklearn.feature_extraction.text import TfidfVectorizer

    vectorizer = TfidfVectorizer(stop_words="english" if language.lower().startswith("en") else None)
    try:
        weights = vectorizer.fit_transform([texts[place] for place in kept]).toarray()
    except ValueError:  # nothing but common words
        return []
    words = vectorizer.get_feature_names_out()
    found = []
    for i, first in enumerate(kept):
        for j in range(i + 1, len(kept)):
            shared = weights[i] * weights[j]
            similarity = float(shared.sum())
            if similarity >= at_least:
                largest = [str(words[place]) for place in shared.argsort()[::-1][:WORDS_NAMED] if shared[place] > 0]
                found.append(Overlap(codes[first].code, codes[kept[j]].code, similarity, tuple(largest)))
    return sorted(found, key=lambda one: -one.similarity)


def _overlapping(codebook: Codebook, shown: str, language: str) -> list[Finding]:
    return [
        _finding(
            "attention",
            "overlapping definitions",
            shown,
            _place(codebook, codebook.code(one.first), codebook.code(one.second)),
            f"The definitions of {one.first} and {one.second} are alike (similarity {one.similarity:.2f}; "
            f"shared words: {', '.join(one.words)}).",
            "See that the rules say which of the two to take; if they cannot, merge them.",
            OVERLAP_BASIS,
        )
        for one in overlaps(codebook.codes, language=language)
    ]


def _examples_not_said(codebook: Codebook, shown: str, texts: list[str]) -> list[Finding]:
    """Typical examples that stand in no turn word by word: from elsewhere, shortened, or of corrected words."""
    if not texts:
        return []
    said = f" {' '.join(_words(text) for text in texts)} "
    missing = [one for one in codebook.codes if one.example and f" {_words(one.example)} " not in said]
    if not missing:
        return []
    found = f"The typical examples of {_named([one.code for one in missing])} stand in no transcript word by word."
    remedy = "Take a quote of this study and mark what was left out, or say that the example is invented."
    place = _place(codebook, *missing[:CODES_NAMED])
    return [_finding("note", "example not in transcripts", shown, place, found, remedy)]


def _words(text: str) -> str:
    return " ".join(re.findall(r"\w+", text.casefold()))


def _use(codebooks: Codebooks, used: Mapping[str, Mapping[str, int]]) -> list[Finding]:
    """Codes never applied, codes applied that the version does not have, and versions that there are not."""
    findings = []
    known = {one.version: one for one in codebooks.versions}
    unknown = [version for version in used if version not in known]
    if unknown:
        found = f"Codings name the codebook version {_named(unknown)}, which the codebook does not have."
        remedy = f"The codebook has {', '.join(known)}. Correct the codings, or add the version."
        findings.append(_finding("attention", "unknown version", codebooks.file, "", found, remedy))
    for version, counts in used.items():
        if version not in known:
            continue
        strange = [code for code, times in counts.items() if times and code not in known[version].names]
        if strange:
            found = f"{_named(strange)}: used in codings under version {version}, which has no such code."
            remedy = "Add it to the version, or correct the codings."
            findings.append(
                _finding("attention", "code not in codebook", codebooks.file, f"version {version}", found, remedy)
            )
    current = codebooks.current
    if current.version in used:
        parents = {one.parent for one in current.codes}
        never = [one for one in current.codes if not used[current.version].get(one.code) and one.code not in parents]
        if never:
            found = f"{_named([one.code for one in never])}: never applied under version {current.version}."
            remedy = "Keep it if it may still come; a code that nothing fits is a result too."
            place = _place(current, *never[:CODES_NAMED])
            findings.append(_finding("note", "code never used", codebooks.file, place, found, remedy))
    return findings
