"""What is in the files that the program writes, packages opened."""

from __future__ import annotations

import zipfile
from pathlib import Path


def parts_of(path: Path) -> list[bytes]:
    """The bytes of a file; of a Word document those of each of its parts."""
    if path.suffix != ".docx":
        return [path.read_bytes()]
    with zipfile.ZipFile(path) as package:
        return [package.read(name) for name in package.namelist()]
