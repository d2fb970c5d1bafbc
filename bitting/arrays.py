"""The array types of the package, named once: what a number in them means stands where they are used."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
Bytes = NDArray[np.uint8]
Flags = NDArray[np.bool_]
Floats = NDArray[np.float64]
Indices = NDArray[np.intp]
Integers = NDArray[np.int64]
Int32s = NDArray[np.int32]
