"""Tables of plain text: the first column to the left, the others, mostly figures, to the right."""

from __future__ import annotations

from collections.abc import Iterator, Sequence


def table_lines(rows: Sequence[Sequence[str]], *, gap: int = 2) -> Iterator[str]:
    """Give the lines of a table; every row has as many cells as the first."""
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    for row in rows:
        cells = [row[0].ljust(widths[0])]
        cells += [cell.rjust(width) for cell, width in zip(row[1:], widths[1:], strict=True)]
        yield (" " * gap).join(cells).rstrip()
