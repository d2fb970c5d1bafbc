"""A column of cells that costs nothing until somebody looks into a cell."""

from __future__ import annotations

from collections.abc import Sequence
from typing import overload

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray


@frozen(eq=False)
class Cells(Sequence[str]):
    """Cells of one column that are made only when they are asked for: `text[start:stop]` each, all of it ASCII."""

    text: str = field(repr=False)
    starts: NDArray[np.intp]
    stops: NDArray[np.intp]

    def __len__(self) -> int:
        return len(self.starts)

    @overload
    def __getitem__(self, number: int) -> str: ...

    @overload
    def __getitem__(self, number: slice) -> list[str]: ...

    def __getitem__(self, number: int | slice) -> str | list[str]:
        if isinstance(number, slice):
            return [self[one] for one in range(*number.indices(len(self)))]
        return self.text[self.starts[number] : self.stops[number]]
