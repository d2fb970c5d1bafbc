"""Normal noise plus exponential wear: the density of what one cut reads beside its depth.

For noise N(0, sd²) and wear that is exponential with mean `scale`, the density of noise + wear at y is

    f(y) = 1/(2 scale) exp(-y²/2sd²) erfcx(b),   b = (sd/scale - y/sd)/√2,

the exponentially modified Gaussian. The form above is stable for b ≥ 0; for b < 0, where erfcx grows without bound, the
identity erfcx(b) = 2 exp(b²) - erfcx(-b) gives two terms that can't overflow. Readings where wear lowers the dimension
are turned round by the caller, so wear is always a positive addition here.

>>> import numpy as np
>>> round(float(density(np.array([0.0]), 1.0, 0.0)[0]), 12)   # no wear: the normal density
0.398942280401
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import erfcx, log_ndtr

Array = npt.NDArray[Any]

_ROOT_TWO = np.sqrt(2.0)
_LOG_ROOT_TWO_PI = 0.5 * np.log(2 * np.pi)


def density(y: Array, sd: Array | float, scale: float) -> Array:
    """f(y) for noise `sd` (broadcast against y) and mean wear `scale` (0: normal); relative error near 1e-15.

    Underflows to 0 beyond about 38 sd on the side without wear; `log_density` does not.
    """
    return next(densities(y, sd, (scale,)))


def densities(y: Array, sd: Array | float, scales: Sequence[float]) -> Iterator[Array]:
    """f(y) for each of some mean wears in turn; what doesn't depend on the wear is worked out once."""
    z = y / sd
    normal = np.exp(-0.5 * z * z)
    for scale in scales:
        if scale == 0:
            yield np.asarray(normal / (sd * (_ROOT_TWO * np.sqrt(np.pi))))
            continue
        ratio = sd / scale
        b = (ratio - z) * (1 / _ROOT_TWO)
        heavy = b < 0
        near = erfcx(np.abs(b, out=b), out=b)
        near *= normal
        if heavy.any():
            far = ratio * (0.5 * ratio - z)
            far = np.exp(np.minimum(far, 0.0, out=far), out=far)
            far *= 2.0
            np.subtract(far, near, out=near, where=heavy)
        near *= 0.5 / scale
        yield near


def log_density(y: Array, sd: Array | float, scale: float) -> Array:
    """log f(y), finite for every finite y."""
    z = y / sd
    if scale == 0:
        return np.asarray(-0.5 * z * z - np.log(sd) - _LOG_ROOT_TWO_PI)
    ratio = sd / scale
    b = (ratio - z) / _ROOT_TWO
    light = np.log(erfcx(np.maximum(b, 0.0))) - 0.5 * z * z - np.log(2.0 * scale)
    wide = np.where(b < 0, z - ratio, 0.0)
    heavy = 0.5 * ratio * ratio - ratio * z + log_ndtr(wide) - np.log(scale)
    return np.asarray(np.where(b >= 0, light, heavy))
