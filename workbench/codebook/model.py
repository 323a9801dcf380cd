"""A codebook, its versions, and what changed from one to the next. Nothing is read or written here.

The fields of a code are those of MacQueen, McLellan, Kay & Milstein (1998, "Codebook development for team-based
qualitative analysis", Cultural Anthropology Methods 10(2)), with a near-miss example, origin and author beside them.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, Literal

from workbench.errors import ArgumentError, Finding, UsageError

ChangeKind = Literal["added", "renamed", "split", "merged", "retired", "redefined", "edited"]

RULES = {
    "definition": "Short definition",
    "full_definition": "Full definition",
    "when_to_use": "When to use",
    "when_not_to_use": "When not to use",
}
"""Fields that say what a code means, and their names in words; a change of them may ask for coding anew."""

EXAMPLES = {"example": "Typical example", "near_miss": "Near miss"}
ORIGINS = {"renamed_from": "Renamed from", "merged_from": "Merged from", "split_from": "Split from"}
SIGNED = {"author": "Author", "date": "Date", "reason": "Reason"}


@dataclass(frozen=True, slots=True)
class Code:
    """One code. `theme` and `parent` name what stands above it; `row` is where it was read, 0 for elsewhere.

    `example` is a typical quote, `near_miss` one that looks alike and is coded otherwise. `author`, `date` and `reason`
    are those of the code's latest change.
    """

    code: str
    label: str = ""
    theme: str = ""
    parent: str = ""
    definition: str = ""
    full_definition: str = ""
    when_to_use: str = ""
    when_not_to_use: str = ""
    example: str = ""
    near_miss: str = ""
    renamed_from: str = ""
    merged_from: tuple[str, ...] = ()
    split_from: str = ""
    author: str = ""
    date: str = ""
    reason: str = ""
    row: int = field(default=0, compare=False)

    @property
    def origins(self) -> tuple[str, ...]:
        """The codes it came from."""
        return tuple(dict.fromkeys(one for one in (self.renamed_from, *self.merged_from, self.split_from) if one))


@dataclass(frozen=True, slots=True)
class Theme:
    """What several codes have in common."""

    theme: str
    label: str = ""
    definition: str = ""
    row: int = field(default=0, compare=False)


@dataclass(frozen=True, slots=True)
class Change:
    """One change between two versions: `before` are codes of the old one, `after` those of the new one.

    `fields` names what reads otherwise where a code was redefined (its rules), or edited (all else).
    """

    kind: ChangeKind
    before: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    fields: tuple[str, ...] = ()
    reason: str = ""

    def sentence(self) -> str:
        """The change in words."""
        old, new = " and ".join(self.before), " and ".join(self.after)
        match self.kind:
            case "added":
                said = f"{new} was added"
            case "renamed":
                said = f"{old} is now called {new}"
            case "split":
                said = f"{old} was split into {new}"
            case "merged":
                said = f"{old} were merged into {new}"
            case "retired":
                said = f"{old} was retired"
            case _:
                said = f"{new} was {self.kind} ({', '.join(name.replace('_', ' ') for name in self.fields)})"
        return f"{said}: {self.reason}" if self.reason else f"{said}."


@dataclass(frozen=True, slots=True)
class Codebook:
    """One version. `retired` gives the reason for each code that the version before had and this one has not.

    `parent_version` is the version it was made from, `changes` what changed since then.
    """

    version: str
    codes: tuple[Code, ...]
    themes: tuple[Theme, ...] = ()
    parent_version: str = ""
    author: str = ""
    date: str = ""
    reason: str = ""
    retired: Mapping[str, str] = field(default_factory=dict)
    changes: tuple[Change, ...] = field(default=(), compare=False)

    @property
    def names(self) -> tuple[str, ...]:
        """The codes, in order."""
        return tuple(one.code for one in self.codes)

    def code(self, name: str) -> Code:
        """The code of this name; UsageError where there is none."""
        for one in self.codes:
            if one.code == name:
                return one
        raise UsageError(f"“{name}” is no code of version {self.version} of the codebook.")

    def children(self, parent: str) -> tuple[Code, ...]:
        """The codes directly below `parent`; those below none where it is empty."""
        return tuple(one for one in self.codes if one.parent == parent)

    def codes_of(self, theme: str) -> tuple[Code, ...]:
        """The codes of a theme; those of none where it is empty."""
        return tuple(one for one in self.codes if one.theme == theme)

    @property
    def labels(self) -> dict[str, str]:
        """Each code in words, its own name where it has none."""
        return {one.code: one.label or one.code for one in self.codes}


@dataclass(frozen=True, slots=True, eq=False)
class Codebooks:
    """The versions of a study's codebook from old to new; `file` is the name to show, `notes` do not block."""

    versions: tuple[Codebook, ...]
    file: str = ""
    notes: tuple[Finding, ...] = ()

    @property
    def current(self) -> Codebook:
        """The newest version."""
        return self.versions[-1]

    def version(self, name: str) -> Codebook:
        """The version of this name; UsageError where there is none."""
        for one in self.versions:
            if one.version == name:
                return one
        known = ", ".join(one.version for one in self.versions)
        raise UsageError(f"The codebook has no version “{name}”; it has {known}.")


def version_age(version: str) -> list[tuple[int, str]]:
    """A key that sorts versions from old to new: their numbers compare as numbers, so 10 is newer than 2."""
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in re.split(r"(\d+)", version)]


def changes(old: Codebook, new: Codebook) -> list[Change]:
    """What changed from `old` to `new`, in the order of the new codes, retired ones last.

    A split, a merger or a new name is told by the columns of the new version; it counts where its source is in `old`
    and its outcome is not, so that a row copied on to a later version does not tell it again. Spaces do not count.
    """
    before, after = {one.code: one for one in old.codes}, {one.code: one for one in new.codes}
    told: list[Change] = []
    used: set[str] = set()
    parts = _parts_of_splits(before, new.codes)
    for one in new.codes:
        merged = tuple(name for name in one.merged_from if name in before)
        if one.split_from in parts and one.code in parts[one.split_from]:
            source = before[one.split_from]
            if one.split_from not in used:
                told.append(Change("split", (source.code,), parts[source.code], reason=one.reason))
            used.add(source.code)
        elif any(name not in after for name in merged):
            told.append(Change("merged", merged, (one.code,), reason=one.reason))
            used.update(merged)
        elif one.renamed_from in before and one.renamed_from not in after and one.code not in before:
            told.append(Change("renamed", (one.renamed_from,), (one.code,), reason=one.reason))
            told += _rewritten(before[one.renamed_from], one, "")
            used.add(one.renamed_from)
        elif one.code not in before:
            told.append(Change("added", (), (one.code,), reason=one.reason))
        else:
            told += _rewritten(before[one.code], one, one.reason)
    gone = [name for name in before if name not in after and name not in used]
    return told + [Change("retired", (name,), (), reason=new.retired.get(name, "")) for name in gone]


def _parts_of_splits(before: Mapping[str, Code], codes: Sequence[Code]) -> dict[str, tuple[str, ...]]:
    """Each code that was split, and its parts."""
    parts: dict[str, tuple[str, ...]] = {}
    for one in codes:
        if one.split_from in before:
            parts[one.split_from] = (*parts.get(one.split_from, ()), one.code)
    return {name: into for name, into in parts.items() if any(part not in before for part in into)}


def _rewritten(old: Code, new: Code, reason: str) -> list[Change]:
    """The changes of what stands under a code: its rules, and all else."""
    told = []
    for kind, names in (("redefined", tuple(RULES)), ("edited", ("label", "theme", "parent", *EXAMPLES))):
        differing = tuple(name for name in names if _squeezed(getattr(old, name)) != _squeezed(getattr(new, name)))
        if differing:
            told.append(Change(kind, (old.code,), (new.code,), differing, reason))  # type: ignore[arg-type]
    return told


def _squeezed(text: str) -> str:
    return " ".join(text.split())


def with_changes(versions: Iterable[Codebook]) -> tuple[Codebook, ...]:
    """The versions from old to new, each with its parent (the one before, unless it names one) and its changes."""
    ordered = sorted(versions, key=lambda one: version_age(one.version))
    known = {one.version: one for one in ordered}
    done: list[Codebook] = []
    for place, one in enumerate(ordered):
        parent = one.parent_version or (ordered[place - 1].version if place else "")
        told = tuple(changes(known[parent], one)) if parent in known else ()
        done.append(
            Codebook(
                one.version, one.codes, one.themes, parent, one.author, one.date, one.reason, dict(one.retired), told
            )
        )
    return tuple(done)


def codebook_content(codebook: Codebook) -> dict[str, Any]:
    """A version as plain values, as the journal keeps it; `codebook_from` makes it a codebook again."""
    content = asdict(codebook)
    for one in (*content["codes"], *content["themes"]):
        del one["row"]
    content["codes"] = [{name: value for name, value in one.items() if value} for one in content["codes"]]
    for one in content["codes"]:
        one.update({"merged_from": list(one["merged_from"])} if "merged_from" in one else {})
    content["themes"] = list(content["themes"])
    content["changes"] = [{name: _listed(value) for name, value in one.items()} for one in content["changes"]]
    return content


def _listed(value: Any) -> Any:
    return list(value) if isinstance(value, tuple) else value


def codebook_from(content: Mapping[str, Any]) -> Codebook:
    """The codebook that `codebook_content` wrote down; ArgumentError where it is none."""
    try:
        codes = tuple(Code(**one | {"merged_from": tuple(one.get("merged_from", ()))}) for one in content["codes"])
        themes = tuple(Theme(**one) for one in content["themes"])
        told = tuple(
            Change(one["kind"], tuple(one["before"]), tuple(one["after"]), tuple(one["fields"]), one["reason"])
            for one in content["changes"]
        )
        signed = {name: content[name] for name in ("parent_version", "author", "date", "reason")}
        retired = dict(content["retired"])
        return Codebook(content["version"], codes, themes, **signed, retired=retired, changes=told)
    except (KeyError, TypeError) as error:
        raise ArgumentError(f"`content` is no codebook ({error}); it needs what codebook_content writes.") from None
