"""Tables of the codebook: its codes with their rules, and what changed between versions."""

from __future__ import annotations

from collections.abc import Sequence

from workbench.codebook.model import Codebook, Codebooks
from workbench.report.table import Column, Table


def codebook_table(codebook: Codebook) -> Table:
    """A row per code of one version."""
    columns = (
        Column("theme", "Theme"),
        Column("code", "Code"),
        Column("label", "In words"),
        Column("parent", "Below"),
        Column("definition", "Definition"),
        Column("full_definition", "In full"),
        Column("when_to_use", "When to use"),
        Column("when_not_to_use", "When not to use"),
        Column("example", "Typical"),
        Column("near_miss", "Near miss"),
    )
    themes = {one.theme: one.label or one.theme for one in codebook.themes}
    rows = tuple(
        {column.key: getattr(one, column.key) for column in columns} | {"theme": themes.get(one.theme, one.theme)}
        for one in sorted(
            codebook.codes, key=lambda one: list(themes).index(one.theme) if one.theme in themes else len(themes)
        )
    )
    by = f" by {codebook.author}" if codebook.author else ""
    notes = (f"Version {codebook.version}{by}{f', {codebook.date}' if codebook.date else ''}.",)
    return Table("codebook", "Codebook", columns, rows, notes, ("theme",))


def changes_table(codebooks: Codebooks) -> Table:
    """What each version changed."""
    columns = (
        Column("version", "Version"),
        Column("kind", "Change"),
        Column("before", "Before"),
        Column("after", "After"),
        Column("fields", "What reads otherwise"),
        Column("why", "Why"),
    )
    rows = tuple(
        {
            "version": f"{one.parent_version} to {one.version}",
            "kind": change.kind,
            "before": _listed(change.before),
            "after": _listed(change.after),
            "fields": _listed([name.replace("_", " ") for name in change.fields]),
            "why": change.reason,
        }
        for one in codebooks.versions
        for change in one.changes
    )
    return Table("codebook_changes", "Changes of the codebook", columns, rows, (), ("version",))


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names)
