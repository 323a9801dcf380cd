"""Figures as pixels and as pages, made aside while the report goes on."""

from __future__ import annotations

from collections.abc import Collection
from concurrent.futures import Future
from functools import partial
from typing import Literal

from workbench.report.figures import Figure
from workbench.results.aside import Aside

Kind = Literal["png", "pdf"]
Made = dict[Kind, bytes]


class Pictures:
    """Figures in the `kinds` wanted, begun with `begin` and waited for where they are asked for."""

    def __init__(self, kinds: Collection[Kind], aside: Aside) -> None:
        self._kinds = tuple(kinds)
        self._aside = aside
        self._made: dict[Figure, Future[Made]] = {}

    def begin(self, figure: Figure) -> None:
        """Have a figure made."""
        if self._kinds and figure not in self._made:
            self._made[figure] = self._aside.do(partial(_made, figure, self._kinds))

    def png(self, figure: Figure) -> bytes:
        """`figure.png()`."""
        return self._of(figure, "png")

    def pdf(self, figure: Figure) -> bytes:
        """`figure.pdf()`."""
        return self._of(figure, "pdf")

    def _of(self, figure: Figure, kind: Kind) -> bytes:
        begun = self._made.get(figure)
        return begun.result()[kind] if begun and kind in self._kinds else _made(figure, (kind,))[kind]


def _made(figure: Figure, kinds: Collection[Kind]) -> Made:
    return {kind: figure.png() if kind == "png" else figure.pdf() for kind in kinds}
