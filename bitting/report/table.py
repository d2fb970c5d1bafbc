"""Tables and sentences on a terminal, written the same way everywhere.

>>> list(table([["left 1", "2"]], ["cut", "depth"], "lr"))
['cut       depth', '------  -------', 'left 1        2']
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence


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


Line = tuple[str, str | None]
"""A line and the colour that a terminal may give it (None: no colour)."""


def wrapped(bullet: str, text: str, columns: int, colour: str | None) -> Iterator[Line]:
    """A sentence in as many lines as the terminal's width asks for, those after the first below the words behind the bullet."""
    import textwrap

    under = " " * len(bullet)
    whole_words = textwrap.TextWrapper(
        max(columns, 40),
        initial_indent=bullet,
        subsequent_indent=under,
        break_long_words=False,
        break_on_hyphens=False,  # options and the names of rules stay whole
    )
    whole = text.replace(" %", "\u00a0%")  # a per cent sign stays with its number
    for line in whole_words.wrap(whole) or [bullet]:
        yield line.replace("\u00a0%", " %"), colour


def folded(lines: Iterable[Line], columns: int) -> Iterator[Line]:
    """The lines, those that are longer than the terminal on several that keep their indent."""
    for line, colour in lines:
        text = line.lstrip()
        yield from wrapped(line[: len(line) - len(text)], text, columns, colour)
