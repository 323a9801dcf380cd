"""The present state after random operations: as a plain model says, and as a rebuild from the journal says."""

from __future__ import annotations

from collections import defaultdict

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from workbench.store.operations import new_operation

RATERS = st.sampled_from(["R1", "R2"])
DECISIONS = st.tuples(
    st.sampled_from(["coding", "theme"]), st.sampled_from("abc"), st.one_of(st.none(), st.integers(0, 9))
)
STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("record"), RATERS, st.lists(DECISIONS, min_size=1, max_size=3)),
        st.tuples(st.sampled_from(["undo", "redo"]), RATERS, st.just([])),
    ),
    max_size=25,
)


class Model:
    """Two stacks for each person and the list of all decisions."""

    def __init__(self) -> None:
        self.decisions: list[tuple[str, str, str, int | None]] = []
        self.taken: set[int] = set()
        self.done: dict[str, list[list[int]]] = defaultdict(list)
        self.undone: dict[str, list[list[int]]] = defaultdict(list)

    def record(self, by: str, decisions: list[tuple[str, str, int | None]]) -> None:
        start = len(self.decisions)
        self.decisions += [(by, *decision) for decision in decisions]
        self.done[by].append(list(range(start, len(self.decisions))))
        self.undone[by].clear()

    def undo(self, by: str, _: object) -> None:
        if self.done[by]:
            self.undone[by].append(self.done[by].pop())
            self.taken |= set(self.undone[by][-1])

    def redo(self, by: str, _: object) -> None:
        if self.undone[by]:
            self.done[by].append(self.undone[by].pop())
            self.taken -= set(self.done[by][-1])

    def holds(self) -> set[tuple[str, str, str, int]]:
        latest: dict[tuple[str, str, str], tuple[str, int | None]] = {}
        for number, (by, kind, key, value) in enumerate(self.decisions):
            if number not in self.taken:
                latest[kind, key, by if kind == "coding" else ""] = by, value
        return {(by, kind, key, value) for (kind, key, _), (by, value) in latest.items() if value is not None}


def apply(journal, step: str, by: str, decisions) -> None:
    if step == "record":
        journal.record([new_operation(by, kind, key, None if n is None else {"n": n}) for kind, key, n in decisions])
    else:
        getattr(journal, step)(by)


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(STEPS)
def test_the_present_state_is_what_a_plain_model_and_a_rebuild_say(another, steps):
    model = Model()
    with another() as journal:
        for step, by, decisions in steps:
            getattr(model, step)(by, decisions)
            apply(journal, step, by, decisions)
        kept = journal.present(("coding", "theme"))
        assert {(entry.by, entry.kind, entry.key, entry.content["n"]) for entry in kept} == model.holds()
        assert journal.check() == []
        journal.rebuild()
        assert journal.present(("coding", "theme")) == kept
        with another() as copy:
            copy.from_lines(journal.to_lines())
            assert copy.present(("coding", "theme")) == kept
            for by in ("R1", "R2"):
                model.undo(by, None)
                copy.undo(by)
            assert {
                (entry.by, entry.kind, entry.key, entry.content["n"]) for entry in copy.present(("coding", "theme"))
            } == model.holds()
