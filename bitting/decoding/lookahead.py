"""The steps of a posterior's diagrams made ready for a search of the best codes: with the best completion of everything.

All of it is relative to the best symbol of each step at each point, so nothing needs a logarithm; where even the best
code is so unlike these that it underflows, there is nothing to be had here and `kbest.py` takes its queue.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
from attrs import evolve, frozen

from bitting.decoding.compiled import Chain, restrict
from bitting.decoding.density import Array
from bitting.decoding.levels import Level, best_completions
from bitting.decoding.moments import Section
from bitting.decoding.posterior import Posterior
from bitting.decoding.sums import UNDERFLOW, Index, scaled

LEAST = 1e-7
"""Codes are first looked for where every entry of the diagram on their way has this posterior probability."""

FAINTEST = LEAST
"""Codes less probable than that may pass entries that were left out when a diagram was narrowed."""
FAINT, FORGOTTEN, APART = 1e-290, -50.0, 300.0
"""Where the points that suit one section leave so little of another, relative to its best, that it underflows, and these
points weigh more than e^-50, or what the best ones of both would have together is e^300 of the evidence (readings of which
some are far outside everything), the look ahead can't be had so."""
WORTH_RESTRICTING = 100_000
"""Nodes times points from which leaving out the hopeless ones is quicker than a pass over all of them."""


def levels_of(posterior: Posterior, least: float) -> list[Level] | None:
    """All steps in turn, with the weight of each point in what can follow; None where that underflows somewhere."""
    parts = [_levels(section, least) for section in posterior.sections]
    log_evidence = posterior.log_evidence + posterior.log_count
    first = posterior.sections[0]
    if any(part is None for part in parts):
        return None
    (levels, tops, _), *others = [part for part in parts if part is not None]
    if not others:
        return weighed(levels, np.exp(first.log_prior + tops - log_evidence))
    ((second, second_tops, second_best),) = others
    grid, after = posterior.grid, posterior.sections[1]
    assert grid.link is not None  # two sections come from a paired grid
    shape = (math.prod(grid.shape), grid.link.shape[0])
    rows = (grid.log_scale[:, None] + grid.log_tilt).reshape(-1)
    one, two = first.columns[1], after.columns[-1]
    most = (float(tops.max()), float(second_tops.max()))
    table = np.zeros(shape)
    table.reshape(-1)[two] = np.exp(second_tops - most[1]) * second_best
    follows = (table @ grid.link.T).reshape(-1)[one]
    weight = tops + rows[one // shape[1]] + np.log(np.maximum(follows, FAINT)) + most[1] - log_evidence
    second_weight = second_tops + rows[two // shape[1]] + most[0] - log_evidence
    if weight[follows <= FAINT].max(initial=-math.inf) > FORGOTTEN or second_weight.max() > APART:
        return None
    levels, second = weighed(levels, np.exp(weight)), weighed(second, np.exp(second_weight))
    second[0] = evolve(second[0], enter=_Crossing(one, np.exp(tops - most[0]), two, grid.link, shape))
    return levels + second


def _levels(section: Section, least: float) -> tuple[list[Level], Array, Array] | None:
    """A section's steps in turn, the log of what each point's best symbols have, and the best code's part of that."""
    tops = np.zeros(section.posterior.size)
    ratios: list[list[Array]] = []
    chains = []
    for chain, rows in chains_of(section, least):
        top, ratio = scaled(rows)
        tops += top
        chains.append(chain)
        ratios.append(ratio)
    found = completed(chains, ratios)
    return None if found is None else (found[0], tops, found[1])


def completed(chains: Sequence[Chain], ratios: Sequence[Sequence[Array]]) -> tuple[list[Level], Array] | None:
    """The steps of some chains in turn, from their likelihoods beside the best symbols', and the best code's part (points,).

    None where that underflows somewhere.
    """
    later = np.ones(ratios[0][0].shape[1])  # what the chains to come have at best
    levels: list[Level] = []
    for chain, tables in zip(reversed(chains), reversed(ratios), strict=True):
        best = np.ones((1, later.size))
        own = []
        for step, table in zip(reversed(chain.steps), reversed(tables), strict=True):
            after, best = best_completions(step, table, best)
            own.append(Level(step, table, after))
        if best.min() < UNDERFLOW:
            return None
        levels = (weighed(own[::-1], later) if levels else own[::-1]) + levels
        later = later * best[0]
    return levels, later


def weighed(levels: list[Level], weight: Array) -> list[Level]:
    """The steps with another weight of the points in what can follow."""
    for level in levels:
        np.multiply(level.after, weight, out=level.after)
    return levels


@frozen(eq=False)
class _Crossing:
    """Fronts of the first section (codes, points `one` with their `weight`) become fronts at the points `two` of the second."""

    one: Index
    weight: Array
    two: Index
    link: Array
    shape: tuple[int, int]

    def __call__(self, front: Array) -> Array:
        table = np.zeros((front.shape[0], math.prod(self.shape)))
        table[:, self.one] = front * self.weight
        return np.asarray((table.reshape(-1, self.shape[1]) @ self.link).reshape(front.shape[0], -1)[:, self.two])


def chains_of(section: Section, least: float) -> Iterator[tuple[Chain, Sequence[Array]]]:
    """The section's chains with their log likelihoods; with `least`, as far as codes go that have this probability."""
    if section.whole is not None and least < FAINTEST:
        for chain in section.whole.chains:
            yield chain, section.whole.logs(chain, section.columns)
        return
    for chain, rows, entries in zip(section.chains, section.logs, section.entries, strict=True):
        large = sum(step.nodes for step in chain.steps) * section.posterior.size > WORTH_RESTRICTING
        if not least or not large:
            yield chain, rows
            continue
        left, symbols = restrict(chain, [held >= least for held in entries])
        yield left, [table[kept] for table, kept in zip(rows, symbols, strict=True)]
