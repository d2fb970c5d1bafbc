"""The elements of an SVG file, written one way: attributes quoted, text escaped, numbers as short as they are exact.

>>> element("line", {"x1": 1.0, "x2": 2.50004, "stroke": "#000", "class": None})
'<line x1="1" x2="2.5" stroke="#000"/>'
>>> element("text", {"y": 1}, "1 < 2")
'<text y="1">1 &lt; 2</text>'
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from xml.sax.saxutils import escape, quoteattr

FONT = "DejaVu Sans, Verdana, sans-serif"


def n(value: float) -> str:
    """A coordinate, to a tenth of a micrometre."""
    return f"{round(value, 4) + 0.0:.4f}".rstrip("0").rstrip(".")


def element(name: str, attributes: Mapping[str, object], text: str | None = None) -> str:
    """An element with its attributes, in their order (None: left out), and the text inside of it."""
    said = "".join(
        f" {key}={quoteattr(n(value) if isinstance(value, (int, float)) else str(value))}"
        for key, value in attributes.items()
        if value is not None
    )
    return f"<{name}{said}/>" if text is None else f"<{name}{said}>{escape(text)}</{name}>"


def document(
    size: tuple[float, float], body: Iterable[str], *, title: str, description: str, zoom: float = 1.0, ids: str = ""
) -> str:
    """A whole drawing of some millimetres on white paper, its title and description there for screen readers."""
    width, height = size
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{n(width * zoom)}mm" height="{n(height * zoom)}mm" '
            f'viewBox="0 0 {n(width)} {n(height)}" role="img" aria-labelledby="{ids}title {ids}desc">',
            element("title", {"id": f"{ids}title"}, title),
            element("desc", {"id": f"{ids}desc"}, description),
            element("rect", {"width": width, "height": height, "fill": "#ffffff"}),
            *body,
            "</svg>",
            "",
        ]
    )
