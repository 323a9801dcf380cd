"""PDF files made the same on each run.

svg2pdf, which vl-convert draws PDF with, keeps the fonts of a page in a hash map: where a figure needs several, as with labels in
several scripts, the order in which it writes and names them changes from run to run. Here the objects of such a file are put in
the order in which they are reached from its root, and numbered so; what the page shows stays as it is.
"""

from __future__ import annotations

import re

_REFERENCE = re.compile(rb"\b(\d+) 0 R\b")
_NAMED = re.compile(rb"(?<=<<\n)(?:[ ]+/\w+ \d+ 0 R\n){2,}")
"""Fonts and other things that a page names, a line each."""
_STREAM = b"\nstream\n"


def in_order(pdf: bytes) -> bytes:
    """`pdf` with its objects in one order; one written in another way than svg2pdf's stays as it is."""
    table = re.search(
        rb"\nxref\n0 \d+\n\d{10} 65535 f.?\n((?:\d{10} 00000 n.?\n)+)trailer\n(.*?)startxref\n", pdf, re.DOTALL
    )
    if table is None:
        return pdf
    starts = [int(line[:10]) for line in table[1].splitlines()]
    ends = dict(zip(sorted(starts), [*sorted(starts)[1:], table.start() + 1], strict=True))
    objects = {number: _named_in_order(pdf[start : ends[start]]) for number, start in enumerate(starts, 1)}
    places = {number: place for place, number in enumerate(_reached(table[2], objects), 1)}
    if len(places) < len(objects):
        return pdf
    written, offsets = pdf[: min(starts)], []
    for number, place in places.items():
        offsets.append(len(written))
        head, mark, content = objects[number].partition(_STREAM)
        written += b"%d 0 obj" % place + _renumbered(head, places).partition(b" 0 obj")[2] + mark + content
    lines = b"".join(b"%010d 00000 n \n" % offset for offset in offsets)
    trailer = _renumbered(table[2], places)
    return b"%bxref\n0 %d\n0000000000 65535 f \n%btrailer\n%bstartxref\n%d\n%%%%EOF" % (
        written,
        len(offsets) + 1,
        lines,
        trailer,
        len(written),
    )


def _named_in_order(content: bytes) -> bytes:
    head, mark, stream = content.partition(_STREAM)
    return _NAMED.sub(lambda lines: b"".join(sorted(lines[0].splitlines(keepends=True))), head) + mark + stream


def _references(content: bytes) -> list[int]:
    return [int(number) for number in _REFERENCE.findall(content.partition(_STREAM)[0])]


def _reached(trailer: bytes, objects: dict[int, bytes]) -> list[int]:
    """The numbers of the objects, in the order in which they are met from the trailer on."""
    found: dict[int, None] = {}
    waiting = _references(trailer)
    while waiting:
        number = waiting.pop(0)
        if number in objects and number not in found:
            found[number] = None
            waiting += _references(objects[number])
    return list(found)


def _renumbered(content: bytes, places: dict[int, int]) -> bytes:
    return _REFERENCE.sub(lambda one: b"%d 0 R" % places[int(one[1])], content)
