"""Exact tests keep their level, and the committed coverage page holds what `calibration` says it does."""

from __future__ import annotations

from math import isfinite, nan

import calibration
import numpy as np
import pytest

from workbench.stats.intervals import Interval

pytestmark = pytest.mark.xdist_group("test_calibration")
"""What the whole module shares is made once."""


@pytest.fixture(scope="module")
def short_sizes() -> list[calibration.Size]:
    return list(calibration.exact_sizes(most=8))


def never_exceed(found: list[calibration.Size]) -> None:
    """P(p_exact <= level) is at most the level, and as large as the ties allow."""
    assert {size.level for size in found} == set(calibration.LEVELS)
    for size in found:
        assert size.size <= size.level + 1e-12, size
        assert size.size == pytest.approx(size.largest_p, rel=1e-9, abs=1e-12), size


def test_exact_tests_never_exceed_the_level_and_attain_their_p(short_sizes: list[calibration.Size]) -> None:
    never_exceed(short_sizes)


@pytest.mark.full
def test_exact_tests_of_up_to_twelve_people_never_exceed_the_level() -> None:
    never_exceed(list(calibration.exact_sizes(most=12)))


def test_listing_notices_a_test_that_errs_too_often() -> None:
    """An asymptotic p does exceed the level, so the check above can fail."""

    def normal_outcomes() -> calibration.Outcomes:
        for chance, differences in calibration.signed_differences((1, 2, 3, 4, 5, 6)):
            yield chance, calibration.comparison.signed_rank(differences, 0 * differences).p_asymptotic

    (at_five, _) = calibration.sizes("normal", "n 6", normal_outcomes())
    assert at_five.size > 0.05


def committed_rows(heading: str) -> list[list[str]]:
    """The cells of the last table under `heading`, without its two header lines."""
    section = calibration.COVERAGE_PAGE.read_text(encoding="utf-8").split(f"## {heading}\n")[1].split("\n## ")[0]
    section = section.split("All lines:\n")[-1]
    table = [line.strip("| ").split(" | ") for line in section.splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in cells] for cells in table[2:]]


INTERVALS = {
    "alpha, Feldt", "alpha, bootstrap", "omega, bootstrap", "within, bootstrap", "between, bootstrap", "ICC 1 and 1k",
    "ICC 2 and 2k", "ICC 3 and 3k", "rank-biserial, paired, pratt", "rank-biserial, paired, drop",
    "rank-biserial, independent", "Hodges-Lehmann, paired", "Hodges-Lehmann, independent", "Kendall W, bootstrap",
    "Plackett-Luce, bootstrap", "Plackett-Luce, normal",
}  # fmt: skip


def test_committed_page_has_every_interval_at_every_n_for_all_its_data() -> None:
    rows = committed_rows("Intervals")
    assert {row[0] for row in rows} == INTERVALS
    for interval in INTERVALS:
        data = {row[1] for row in rows if row[0] == interval}
        assert len(data) >= 3
        assert {(row[1], row[2]) for row in rows if row[0] == interval} == {
            (kind, str(n)) for kind in data for n in calibration.PARTICIPANTS
        }


def test_committed_page_marks_every_miss_and_nothing_else() -> None:
    """A coverage three errors off is marked; a cell near that limit may fall on either side of it by rounding."""
    for interval, data, n, _, nominal, coverage, error, runs, undefined, *mark in committed_rows("Intervals"):
        off = abs(float(coverage) - float(nominal))
        where = (interval, data, n)
        assert int(runs.replace(",", "")) >= 100, where
        assert 0 <= float(undefined.rstrip("%")) <= 100, where
        if off > 3 * (float(error) + 0.0005) + 0.0005:
            assert mark == ["below" if float(coverage) < float(nominal) else "above"], where
        if off < 3 * (float(error) - 0.0005) - 0.0005:
            assert mark in ([], [""]), where


def test_committed_page_lists_the_exact_sizes_of_this_code(short_sizes: list[calibration.Size]) -> None:
    committed = {(row[0], row[1]): [float(cell) for cell in row[2:]] for row in committed_rows("Exact tests")}
    for size in short_sizes:
        at = 2 * calibration.LEVELS.index(size.level)
        assert committed[size.test, size.pattern][at] == pytest.approx(size.size, abs=1e-5)


def test_coverage_counts_defined_intervals_only() -> None:
    held = np.array([1.0, 0.0, nan, 1.0])
    row = calibration.coverage("made up", "none", 4, 0.5, held)
    assert (row.coverage, row.undefined, row.runs) == (pytest.approx(2 / 3), 0.25, 4)
    assert row.error > 0
    assert not isfinite(calibration.holds(Interval(nan, nan, 0.95, "none"), 0.5))
    assert calibration.holds(Interval(0.2, 0.5, 0.95, "closed at both ends"), 0.5) == 1
    assert calibration.holds(Interval(0.2, 0.4, 0.95, "beside"), 0.5) == 0


def test_a_miss_is_marked_with_its_direction() -> None:
    held = np.r_[np.ones(800), np.zeros(200)]
    assert calibration.coverage("made up", "none", 12, 0.5, held).mark == "below"
    assert calibration.coverage("made up", "none", 12, 0.5, np.ones(1000)).mark == "above"
    assert calibration.coverage("made up", "none", 12, 0.5, np.r_[np.ones(950), np.zeros(50)]).mark == ""
    assert calibration.coverage("made up", "none", 12, 0.5, np.full(9, nan)).mark == "undefined"


@pytest.mark.full
def test_reduced_calibration_gives_the_committed_rows() -> None:
    """A fortieth of the runs: each row is there, and coverage lies within five errors of the committed one."""
    committed = {(row[0], row[1], int(row[2])): float(row[5]) for row in committed_rows("Intervals")}
    found = {(row.interval, row.data, row.n): row for row in calibration.all_coverages(divisor=40)}
    assert set(found) == set(committed)
    for where, row in found.items():
        assert abs(row.coverage - committed[where]) < 5 * row.error + 0.01, (where, row)
