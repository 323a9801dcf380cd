"""All codings of a study: those in files and those in its journal, as everybody may see them, and which of them count."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from workbench.codebook.model import Codebook
from workbench.coding.codings import Codings, codings_that_count, read_codings
from workbench.coding.decisions import ClosedView, codings_frame
from workbench.coding.recoding import carried_forward
from workbench.store.opening import has_store, open_store
from workbench.study import Interviews, Study

if TYPE_CHECKING:
    import pandas as pd


def collected_codings(study: Study, codebooks: Sequence[Codebook] = ()) -> Codings | None:
    """The codings of closed rounds, from files and journal; None where there are none.

    `codebooks` are the versions of the codebook, by which findings know what still holds under the current one.

    Raises as read_codings does.
    """
    stored = None
    if study.declared.interviews is not None and has_store(study):
        with open_store(study, create=False) as journal:
            stored = codings_frame(ClosedView(journal, study))
    return read_codings(study, stored, lambda rows: carried_forward(rows, codebooks))


def counting(rows: pd.DataFrame, interviews: Interviews, codebooks: Sequence[Codebook]) -> pd.DataFrame:
    """The codings that every table counts, those of older versions that still hold under the current codebook among them."""
    return codings_that_count(carried_forward(rows, codebooks), interviews)
