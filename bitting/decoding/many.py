"""A cut that was read more often than its subsets can be summed: the same integral, by quadrature on a fine grid.

With z = depth + shared error + the cut's own error - direction · wear, the readings of the cut give
h(z) = Π[(1 - p) N(reading - z; u) + p · wrong], and its likelihood is the mean of h over wear and own error. h less its
floor is smooth and ends within a few u of the readings; so it is smoothed with the own error on an even grid, then with
the exponential wear exactly per cell (cubic through four neighbours), and read off by a cubic spline. All of it is a
function of x = depth + shared error alone. Relative error about 1e-9 at the peak.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from bitting.decoding.density import Array
from bitting.decoding.figures import MeasurementModel
from bitting.decoding.grid import Grid
from bitting.decoding.witness import Witness
from bitting.model import Place, System

CELLS = 24
"""Cells per standard deviation of the mean of all readings."""


def many_readings(
    witness: Witness, system: System, model: MeasurementModel, grid: Grid, along: Mapping[Place, float], dims: Array
) -> Array:
    """log likelihood (dims, scales, tilts, points) of one cut from any number of readings, at each of some dimensions."""
    track = system.lanes[witness.place.lane].track
    shift = along[witness.place] * grid.tilts[:, None] + grid.lattices[grid.signs[witness.place.lane]]
    x = track.deeper * (dims[:, None, None] + shift)
    logs = np.stack([_one_scale(witness, track.deeper, model, scale, x) for scale in grid.cut_scales], axis=1)
    return np.asarray(grid.mixed_logs(logs[None])[0])


def _one_scale(witness: Witness, turn: int, model: MeasurementModel, scale: float, x: Array) -> Array:
    from scipy.interpolate import CubicSpline

    values = turn * np.array(witness.values)
    sds = np.array(witness.sds)
    cell = 1 / math.sqrt((1 / sds**2).sum()) / CELLS
    ends = 9 * max(sds.max(), model.cut_sd) + 6 * model.cut_sd
    z = np.arange(values.min() - ends, values.max() + ends, cell)
    logs = np.zeros(z.size)
    floor = 0.0
    with np.errstate(divide="ignore"):
        for value, sd, wrong in zip(values, sds, witness.wrong, strict=True):
            normal = math.log1p(-model.outliers) - 0.5 * ((value - z) / sd) ** 2 - math.log(sd * math.sqrt(2 * math.pi))
            floor += math.log(model.outliers * wrong) if model.outliers * wrong > 0 else -math.inf
            logs += np.logaddexp(normal, np.log(model.outliers * wrong))
    top = max(logs.max(), floor)
    h = np.exp(logs - top) - math.exp(floor - top)
    h = _smooth(h, cell, model.cut_sd)
    # z = x + wear on the turned axis, so the likelihood at x is what lies above it, fading with the wear
    if scale > 0:
        h = _fade(h, cell, scale)
    inside = CubicSpline(z, h)(np.clip(x, z[0], z[-1]))
    below = inside * (np.exp(np.minimum((x - z[0]) / scale, 0.0)) if scale > 0 else (x >= z[0]))
    total = np.where(x > z[-1], 0.0, np.maximum(below, 0.0)) + math.exp(floor - top)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(np.maximum(total, 1e-300)) + top)


def _smooth(h: Array, cell: float, sd: float) -> Array:
    """h convolved with a normal density of standard deviation sd."""
    if sd == 0:
        return h
    from scipy.signal import fftconvolve

    half = math.ceil(9 * sd / cell)
    if half < 20:  # narrower than two cells: too narrow for the grid, so by its second moment alone
        return np.asarray(h + 0.5 * (sd / cell) ** 2 * np.gradient(np.gradient(h)))
    kernel = np.exp(-0.5 * (np.arange(-half, half + 1) * cell / sd) ** 2)
    return np.asarray(fftconvolve(h, kernel / kernel.sum(), mode="same"))


def _fade(h: Array, cell: float, scale: float) -> Array:
    """∫ h(x + w) exp(-w/scale)/scale dw at every point of the grid, each cell exactly for the cubic through its ends."""
    from scipy.interpolate import CubicSpline
    from scipy.signal import lfilter

    spline = CubicSpline(np.arange(h.size) * cell, h)
    nodes, weights = np.polynomial.legendre.leggauss(6)
    t = (nodes + 1) / 2 * cell
    left = (np.arange(h.size - 1) * cell)[:, None]
    pieces = (spline(left + t) * np.exp(-t / scale) * weights).sum(1) * cell / 2 / scale
    keep = math.exp(-cell / scale)
    backwards = lfilter([1.0], [1.0, -keep], pieces[::-1])[::-1]
    return np.append(backwards, 0.0)
