"""Tables of the order of the conditions."""

from __future__ import annotations

from collections.abc import Sequence

from workbench.analysis.order_effects import Balance, OrderEffects, Orders
from workbench.report.sentences import ORDER_KINDS, order_known_sentence
from workbench.report.table import Column, Table
from workbench.report.tables.parts import TEST_COLUMNS, bounds, estimate, listing, test_fields
from workbench.study import Study

_ORDER_CAUTION = "Estimates, no gate: no test and no exclusion hangs on them. With so few participants an order effect can well be there and not be seen."


def order_balance_table(study: Study, orders: Orders, found: Sequence[Balance]) -> Table:
    """How often each condition stood where, planned and as run."""
    labels = study.condition_labels
    columns = (
        Column("kind", "What"),
        Column("place", "Where"),
        Column("condition", "Condition"),
        Column("planned", "Planned", "count"),
        Column("run", "Run", "count"),
        Column("difference", "Difference", "count"),
    )
    rows = tuple(
        {
            "kind": ORDER_KINDS[one.kind],
            "place": str(one.place) if one.kind == "position" else labels[str(one.place)],
            "condition": labels[one.condition],
            "planned": one.planned,
            "run": one.run,
            "difference": None if one.planned is None else one.run - one.planned,
        }
        for one in found
    )
    notes = (order_known_sentence(orders), "Planned: by the sequences assigned to those who took part.")
    return Table("order_balance", "Orders, planned and as run", columns, rows, notes, ("kind",))


def order_effects_table(found: Sequence[OrderEffects], orders: Orders) -> Table:
    """Late against early positions, for each measure."""
    columns = (
        Column("measure", "Measure"),
        Column("standing", "Standing"),
        Column("early", "Early"),
        Column("late", "Late"),
        Column("n_used", "n", "count"),
        Column("n_dropped", "Left out", "count", help="Participants without a value in each of these positions."),
        estimate("hodges_lehmann", "Late − early", "number", help="Hodges-Lehmann shift with its interval."),
        Column("hodges_lehmann_level", "Level reached", "share"),
        Column("reason", "Remark"),
    )
    rows = tuple(
        {
            "measure": one.measure.id,
            "standing": "primary" if one.primary else "exploratory",
            "early": listing([str(place) for place in one.position.early]),
            "late": listing([str(place) for place in one.position.late]),
            "n_used": one.position.n_used,
            "n_dropped": one.position.n_dropped,
            "hodges_lehmann": one.position.shift,
            **bounds("hodges_lehmann", one.position.interval),
            "hodges_lehmann_level": one.position.interval.level,
            "reason": one.position.reason,
        }
        for one in found
    )
    notes = (
        "Each participant's mean in late minus early positions, with what the conditions themselves do taken off; in the unit of the measure.",
        order_known_sentence(orders),
        _ORDER_CAUTION,
    )
    return Table("order_effects", "Late against early positions", columns, rows, notes)


def first_exposure_table(study: Study, found: Sequence[OrderEffects]) -> Table:
    """Conditions compared between the participants who met them first."""
    labels = study.condition_labels
    columns = (
        Column("measure", "Measure"),
        Column("first", "First"),
        Column("second", "Second"),
        Column("pair", "Pair"),
        Column("n_x", "n of the first", "count"),
        Column("n_y", "n of the second", "count"),
        Column("u", "U", "number", 1),
        estimate("hodges_lehmann", "Shift", "number", help="Median of all differences between the two groups."),
        Column("hodges_lehmann_level", "Level reached", "share"),
        estimate("rank_biserial", "r", help="Rank-biserial correlation."),
        *TEST_COLUMNS,
        Column("reason", "Remark"),
    )
    rows = tuple(
        {
            "measure": one.measure.id,
            "first": labels[pair.first],
            "second": labels[pair.second],
            "pair": f"{labels[pair.first]} − {labels[pair.second]}",
            **{
                key: getattr(pair.result, key)
                for key in ("n_x", "n_y", "u", "hodges_lehmann", "rank_biserial", "reason")
            },
            **bounds("hodges_lehmann", pair.result.hodges_lehmann_interval),
            **bounds("rank_biserial", pair.result.rank_biserial_interval),
            "hodges_lehmann_level": pair.result.hodges_lehmann_interval.level,
            **test_fields(pair.test),
        }
        for one in found
        for pair in one.first_exposure
    )
    notes = (
        "Only the value of each participant in the condition met first: nothing can have carried over, but groups are small and differ as people do. "
        "Rank-sum tests, exploratory, Holm inside each measure.",
    )
    return Table("first_exposure", "First exposure only", columns, rows, notes, ("measure",))


def order_values_table(study: Study, found: Sequence[OrderEffects]) -> Table:
    """Values by position, and of each condition met first and after each other one."""
    labels = study.condition_labels
    columns = (
        Column("measure", "Measure"),
        Column("kind", "What"),
        Column("condition", "Condition"),
        Column("place", "Where", help="The position, or what came before."),
        Column("n", "n", "count"),
        Column("median", "Mdn", "number", low="lower_quartile", high="upper_quartile"),
        estimate("mean", "M", "number", help="Mean with Student's interval."),
        Column("sd", "SD", "number"),
    )
    rows = tuple(
        {
            "measure": one.measure.id,
            "kind": ORDER_KINDS[placed.kind],
            "condition": labels.get(placed.condition, "all"),
            "place": labels.get(str(placed.place), str(placed.place)),
            **{
                key: getattr(placed.values, key)
                for key in ("n", "median", "lower_quartile", "upper_quartile", "mean", "sd")
            },
            **bounds("mean", placed.interval),
        }
        for one in found
        for placed in one.placed
    )
    notes = (
        "Described only. “first” is before everything else. Rows of a position mix the conditions that stood there.",
    )
    return Table(
        "order_values", "Measures by position and by what came before", columns, rows, notes, ("measure", "kind")
    )
