"""The pages of the documentation, as they lie in this folder: Markdown that reads well in a terminal.

>>> [page.name for page in pages()][:2]
['decode', 'how-good']
"""

from __future__ import annotations

from pathlib import Path

from attrs import frozen

from bitting.errors import BittingError, nearest


@frozen
class Page:
    """One page: the name that `bitting docs` takes, its heading and where it lies."""

    name: str
    title: str
    path: Path

    def text(self) -> str:
        """The whole page."""
        return self.path.read_text(encoding="utf-8")


def pages() -> tuple[Page, ...]:
    """All pages, by name."""
    found = sorted(Path(__file__).parent.glob("*.md"))
    return tuple(
        Page(path.stem, path.read_text(encoding="utf-8").partition("\n")[0].lstrip("# "), path) for path in found
    )


def page(name: str) -> Page:
    """The page of that name; a BittingError that lists them where there is none."""
    known = {page.name: page for page in pages()}
    if name not in known:
        close = nearest(name, list(known))
        hint = (f"did you mean {close!r}? " if close else "") + f"the pages are {', '.join(known)}"
        raise BittingError(f"there is no page {name!r}", hint=hint)
    return known[name]
