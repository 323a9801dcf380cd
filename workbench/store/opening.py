"""The journal of a study, wherever study.toml says it is kept, and findings on the place."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from workbench.errors import Finding
from workbench.store.database import PATIENCE, postgresql_database, refusal, sqlite_database
from workbench.store.journal import Journal
from workbench.study import Study

DECISIONS = "decisions.sqlite"
"""The database in the study folder."""

NETWORK_FILE_SYSTEMS = ("nfs", "nfs4", "cifs", "smb3", "smbfs", "ncpfs", "afs", "9p", "davfs", "glusterfs", "ceph")
SYNC_MARKS = (
    ".stfolder",
    ".dropbox.cache",
    ".nextcloudsync.log",
    ".owncloudsync.log",
    ".sync_folder",
    ".tmp.driveupload",
)
"""Files and folders that programs which copy a folder to other machines leave in it."""


def open_store(study: Study, *, create: bool = True, patience: float = PATIENCE) -> Journal:
    """The journal of a study; where there is none yet it is begun, or with `create=False` refused.

    `patience` is how many seconds to wait for others who write. Raises StoreError, which says what was found and what
    to do, for a database that cannot be reached, is damaged, or was made by a newer version.
    """
    url = study.declared.store.url
    if url is not None:
        shown = f"store.url of {study.declared.id}"
        return Journal(postgresql_database(url, study.declared.id, shown, patience=patience))
    if not create and not has_store(study):
        remedy = "Decide something first, or put the database back into the study folder."
        raise refusal(DECISIONS, "There is no database of decisions in this study.", remedy, "missing file")
    return Journal(sqlite_database(study.path(DECISIONS), DECISIONS, patience=patience))


def has_store(study: Study) -> bool:
    """Whether decisions are kept already: a database in the folder, or one on a server by URL."""
    return study.declared.store.url is not None or study.path(DECISIONS).exists()


def place_findings(study: Study, mounts: Path = Path("/proc/self/mounts")) -> list[Finding]:
    """A finding where the database would lie on a network drive, or in a folder that is copied to other machines.

    Known by the kind of file system and by marks in the folder and those above it, so silence is no proof.
    """
    if study.declared.store.url is not None:
        return []
    folder = study.folder.resolve()
    found = [
        *(f"The folder lies on a network drive ({kind})." for kind in _network_file_system(folder, mounts)),
        *(
            f"The folder is copied to other machines (“{mark}” in {above.name or above})."
            for above, mark in _marks(folder)
        ),
    ]
    remedy = "Keep the study on a disk of this machine and copy it as a backup, or share decisions by store.url."
    basis = "Locks and write-ahead logs of SQLite need one machine; a copy made in the middle of writing can be broken."
    return [Finding("attention", "place of the database", DECISIONS, "", one, remedy, basis) for one in found[:1]]


def _network_file_system(folder: Path, mounts: Path) -> Iterator[str]:
    """The kind of network file system that a folder lies on, if it does."""
    try:
        lines = mounts.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return
    mounted = [(Path(_unescaped(parts[1])), parts[2]) for parts in map(str.split, lines) if len(parts) > 2]
    holding = [(place, kind) for place, kind in mounted if folder.is_relative_to(place)]
    if holding:
        _, kind = max(enumerate(holding), key=lambda one: (len(one[1][0].parts), one[0]))[1]
        if kind in NETWORK_FILE_SYSTEMS or kind.startswith("fuse."):
            yield kind


def _unescaped(place: str) -> str:
    """A path of the list of mounts, where blanks are written as \\040."""
    return place.replace("\\040", " ").replace("\\011", "\t").replace("\\134", "\\")


def _marks(folder: Path) -> Iterator[tuple[Path, str]]:
    for above in (folder, *folder.parents):
        for mark in SYNC_MARKS:
            if (above / mark).exists():
                yield above, mark
