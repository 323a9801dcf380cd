"""Shared fixtures: published reference cases and seeded randomness."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

REFERENCES = Path(__file__).parent / "references"


@pytest.fixture(scope="session")
def published() -> dict[str, dict]:
    """The published cases: {name: {inputs, expected, published, tolerance, source, from_memory, note}}."""
    return json.loads((REFERENCES / "published_cases.json").read_text(encoding="utf-8"))


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(20261125)
