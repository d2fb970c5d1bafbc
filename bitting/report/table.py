"""Tables of texts on a terminal, written the same way everywhere.

>>> list(table([["left 1", "2"]], ["cut", "depth"], "lr"))
['cut       depth', '------  -------', 'left 1        2']
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence


def table(
    rows: Sequence[Sequence[str]], headers: Sequence[str] = (), align: str = "", *, ruled: bool = True
) -> Iterator[str]:
    """The lines of a table; `align` has a letter for each column (l or r; all left), `ruled` puts a line under the headers."""
    from tabulate import tabulate

    sides = {"l": "left", "r": "right"}
    columns = [sides[letter] for letter in align] or ["left"] * max(map(len, [headers, *rows]))
    found = tabulate(
        rows,
        headers,
        tablefmt="simple" if ruled else "plain",
        disable_numparse=True,
        colalign=columns if rows else None,
    )
    return (line.rstrip() for line in found.splitlines())
