"""Figures as pixels and as pages, made aside while the report goes on."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from concurrent.futures import Future
from functools import partial
from typing import Literal

from workbench.report.figures import Figure
from workbench.results.aside import Aside

Kind = Literal["png", "pdf"]


class Pictures:
    """Figures in the `kinds` wanted, begun early and waited for where they are asked for."""

    def __init__(self, kinds: Collection[Kind], aside: Aside) -> None:
        self._kinds = kinds
        self._aside = aside
        self._made: dict[tuple[Figure, Kind], Future[bytes]] = {}

    def begin_png(self, figure: Figure) -> None:
        """Have the pixels of a figure made."""
        self._begin(figure, "png")

    def begin_pdf(self, figures: Iterable[Figure]) -> None:
        """Have the pages of figures made, after all that was begun before."""
        for figure in figures:
            self._begin(figure, "pdf")

    def png(self, figure: Figure) -> bytes:
        """`figure.png()`."""
        return self._of(figure, "png")

    def pdf(self, figure: Figure) -> bytes:
        """`figure.pdf()`."""
        return self._of(figure, "pdf")

    def _begin(self, figure: Figure, kind: Kind) -> None:
        if kind in self._kinds and (figure, kind) not in self._made:
            self._made[figure, kind] = self._aside.do(partial(_drawn, figure, kind))

    def _of(self, figure: Figure, kind: Kind) -> bytes:
        begun = self._made.get((figure, kind))
        its_turn_came = begun is not None and not begun.cancel()
        return begun.result() if begun and its_turn_came else _drawn(figure, kind)


def _drawn(figure: Figure, kind: Kind) -> bytes:
    return figure.png() if kind == "png" else figure.pdf()
