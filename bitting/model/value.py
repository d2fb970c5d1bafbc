"""The JSON of a value, once: an answer's `as_dict` has the names of its attributes, in their order.

>>> from attrs import field, frozen
>>> @frozen
... class Found(Answer):
...     cuts: tuple[int, ...]
...     _inner: str = field(default="", alias="inner")
>>> Found((1, 2)).as_dict()
{'format': 1, 'cuts': [1, 2]}
>>> @frozen
... class Cut(Value):
...     json_names, json_digits = ("web", "depth"), 3
...     depth: float
...     @property
...     def web(self) -> float:
...         return 1 / 3
>>> Cut(8.60004).as_dict()
{'web': 0.333, 'depth': 8.6}
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar, cast

from attrs import fields, has

FORMAT = 1
"""The number of the shape of every JSON object; a field that is added doesn't change it, a meaning that changes does."""

NOT_JSON: dict[str, bool] = {"json": False}
"""`field(metadata=NOT_JSON)`: an attribute that the JSON leaves out."""


class Value:
    """A frozen value with a JSON form.

    `derived` names properties that stand in the JSON as well, behind the fields; `json_names` says all names of the JSON where
    their order is another; `json_digits` is how many decimals its own numbers have (None: all).
    """

    __slots__ = ()
    derived: ClassVar[tuple[str, ...]] = ()
    json_names: ClassVar[tuple[str, ...]] = ()
    json_digits: ClassVar[int | None] = None

    def as_dict(self) -> dict[str, Any]:
        """What JSON holds of it, by attribute; tuples as lists, values inside by their own `as_dict`."""
        own = fields(cast(Any, type(self)))
        names = [f.name for f in own if f.metadata.get("json", True) and not f.name.startswith("_")]
        found = {name: as_json(getattr(self, name)) for name in self.json_names or (*names, *self.derived)}
        if self.json_digits is None:
            return found
        return {
            name: round(value, self.json_digits) if isinstance(value, float) else value for name, value in found.items()
        }


class Answer(Value):
    """A whole answer, one JSON object on standard output: it says the number of its format first."""

    __slots__ = ()
    format: ClassVar[int] = FORMAT

    def as_dict(self) -> dict[str, Any]:
        """The JSON that the command prints."""
        return {"format": self.format, **super().as_dict()}


def as_json(value: Any) -> Any:
    """A value as JSON types."""
    if isinstance(value, Value) or (has(type(value)) and hasattr(value, "as_dict")):
        return value.as_dict()
    if has(type(value)):
        return {f.name: as_json(getattr(value, f.name)) for f in fields(type(value))}
    if isinstance(value, Mapping):
        return {key: as_json(inner) for key, inner in value.items()}
    if isinstance(value, tuple | list):
        return [as_json(inner) for inner in value]
    return value
