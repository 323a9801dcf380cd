"""Figures as SVG, each with a text alternative that holds its numbers."""

from workbench.report.figures.base import Figure, Scheme, two_columns
from workbench.report.figures.comparison import intervals, paired_points
from workbench.report.figures.counts import count_grid, diverging_bars, flow, stacked_ranks
from workbench.report.figures.growth import growth
from workbench.report.figures.joint import ConditionShown, side_by_side

__all__ = [
    "ConditionShown",
    "Figure",
    "Scheme",
    "count_grid",
    "diverging_bars",
    "flow",
    "growth",
    "intervals",
    "paired_points",
    "side_by_side",
    "stacked_ranks",
    "two_columns",
]
