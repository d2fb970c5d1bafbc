"""The posteriors of keys that were read alike, a block of keys at a time.

Keys whose cuts were read with the same uncertainties share the grid, so their tables and passes are taken together: for
a small diagram most of a key's time goes into starting array operations, and a block starts them once. The sums are those
of `posterior.solve`, every point weighed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from bitting.decoding.compiled import Chain
from bitting.decoding.density import Array
from bitting.decoding.grid import Grid
from bitting.decoding.moments import Section, moments
from bitting.decoding.passes import backward, entry_sums
from bitting.decoding.points import FEW_POINTS, thin
from bitting.decoding.posterior import Posterior
from bitting.decoding.reach import Reach
from bitting.decoding.sums import UNDERFLOW, scaled
from bitting.decoding.tables import lane_logs
from bitting.decoding.witness import Witness
from bitting.model import Place, System

BLOCK = 16
"""Keys taken together."""


def can_share(grid: Grid, witnesses: Sequence[Witness]) -> bool:
    """Whether keys with such readings can be taken together: one lattice, few points, no cut read very often."""
    points = math.prod(grid.shape) * next(iter(grid.lattices.values())).size
    return grid.link is None and points <= FEW_POINTS and all(one.summed for one in witnesses)


def solve_alike(
    chains: Sequence[Chain],
    keys: Sequence[Sequence[Witness]],
    system: System,
    grid: Grid,
    along: Mapping[Place, float],
    reach: Reach,
) -> list[Posterior] | None:
    """The posterior of each key, all of whose witnesses are at the same places with the same uncertainties.

    None where a sum underflows: such keys are solved one by one, with logarithms. (Long: one straight line from the passes
    to as many answers.)
    """
    assert grid.log_offset is not None  # `can_share` has seen to it
    prior = (grid.log_scale[:, None, None] + grid.log_tilt[:, None] + grid.log_offset).reshape(-1)
    points, count = prior.size, len(keys)
    tables = _tables(keys, system, grid, along, reach, points)
    passed = [_pass(chain, tables, points * count) for chain in chains]
    if any(sums.min() < UNDERFLOW for *_, sums in passed):
        return None
    total = np.tile(prior, count)
    for _, _, tops, _, _, sums in passed:
        total += np.log(sums) + tops
    totals = total.reshape(count, points)
    top = totals.max(axis=1)
    evidence = top + np.log(np.exp(totals - top[:, None]).sum(axis=1))
    posterior = np.exp(totals - evidence[:, None])
    entries = [
        entry_sums(chain, ratios, follows, posterior.reshape(-1) / sums, count)
        for chain, _, _, ratios, follows, sums in passed
    ]
    shares = _shares(chains, entries)
    codes = sum(math.log(chain.count) for chain in chains)
    out = []
    for number in range(count):
        keep = thin(posterior[number], grid)
        section = Section(
            chains=tuple(chains),
            columns={0: keep},
            log_prior=prior[keep],
            logs=tuple(tuple(rows[:, keep + number * points] for rows in logs) for _, logs, *_ in passed),
            log_sums=totals[number, keep] - prior[keep],
            posterior=posterior[number, keep],
            entries=tuple(tuple(entry[:, number] for entry in found) for found in entries),
        )
        own = {place: share[:, number] for place, share in shares.items()}
        known = moments((section,), grid)
        out.append(Posterior(grid, (section,), float(evidence[number]) - codes, codes, own, known, reach))
    return out


def _pass(
    chain: Chain, tables: Mapping[Place, Array], points: int
) -> tuple[Chain, list[Array], Array, list[Array], list[Array], Array]:
    """A chain with its log likelihoods, their greatest, the ratios to it, what follows each entry, and the totals."""
    logs = []
    for step in chain.steps:
        table = tables.get(step.places[0])
        logs.append(np.zeros((step.symbols.shape[0], points)) if table is None else table[step.rows[:, 0]])
    tops, ratios = scaled(logs)
    follows, sums = backward(chain, ratios)
    return chain, logs, tops, ratios, follows, sums


def _tables(
    keys: Sequence[Sequence[Witness]],
    system: System,
    grid: Grid,
    along: Mapping[Place, float],
    reach: Reach,
    points: int,
) -> dict[Place, Array]:
    """log likelihoods (rows, keys · points) of every place that was read; sides of a convenience key multiply."""
    tables: dict[Place, Array] = {}
    for lane in sorted({one.place.lane for one in keys[0]}):
        numbers = [number for number, one in enumerate(keys[0]) if one.place.lane == lane]
        every = [key[number] for number in numbers for key in keys]
        found = lane_logs(every, system, grid, along, reach)
        for at, number in enumerate(numbers):
            own = found[at * len(keys) : (at + 1) * len(keys)]
            table = np.concatenate([one.reshape(one.shape[0], points) for one in own], axis=1)
            place = keys[0][number].place
            tables[place] = tables[place] + table if place in tables else table
    return tables


def _shares(chains: Sequence[Chain], entries: Sequence[Sequence[Array]]) -> dict[Place, Array]:
    """The share of each depth at each place, (depths, keys)."""
    shares = {}
    for chain, found in zip(chains, entries, strict=True):
        for step, entry in zip(chain.steps, found, strict=True):
            depth = step.symbols[step.entry_symbol, 0]
            table = np.zeros((int(step.symbols.max()) + 1, entry.shape[1]))
            np.add.at(table, depth, entry)
            shares[step.places[0]] = table
    return shares
