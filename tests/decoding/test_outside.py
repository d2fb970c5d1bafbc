"""Decoding beside outside answers: a general library's hidden Markov models, and published worked examples."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from attrs import evolve
from hmmlearn.hmm import GaussianHMM

from bitting.decoding import Decoder, MeasurementModel
from bitting.decoding.kbest import Level, _completions, _search
from bitting.diagram.trellis import Trellis, arc_sums, backward, compile_layer
from bitting.model import Place
from tests.decode_oracle import make_readings, make_system

EXAMPLES = tomllib.loads((Path(__file__).parents[1] / "reference" / "hmm_examples.toml").read_text("utf-8"))["example"]
"""The worked examples with their sources: see the `source` and `status` of each."""


@pytest.mark.parametrize("seed", range(5))
def test_a_plain_chain_equals_hmmlearn(seed: int) -> None:
    """Without offset, wear and outliers a track is a Gaussian chain.

    hmmlearn's chain is the same at every step; that is uniform over legal codes only where every depth has as many
    successors. "Differ by an even amount" is such a rule, and couples all cuts.
    """
    depths = (8.6, 8.2, 7.8, 7.4)
    system = make_system(cuts=6, depths=depths, must=("adjacent cuts differ by an even amount",))
    sd = 0.15
    model = MeasurementModel(reading_sd=sd, offset_sd=0.0, wear=0.0, outliers=0.0, cut_wrong=0.0)
    values = np.random.default_rng(seed).uniform(7.3, 8.7, 6)
    result = Decoder(system, model, listings=False).decode(
        make_readings(system, {(None, "left", i): [float(v)] for i, v in enumerate(values)}, digit=0.0), 1
    )
    chain = GaussianHMM(4, covariance_type="spherical", init_params="", params="")
    chain.n_features = 1
    chain.startprob_ = np.full(4, 0.25)
    chain.transmat_ = np.array([[0.5 * ((i - j) % 2 == 0) for j in range(4)] for i in range(4)])
    chain.means_ = np.array(depths)[:, None]
    chain.covars_ = np.full(4, sd**2)
    observed = values[:, None]
    assert result.log_evidence == pytest.approx(chain.score(observed), abs=3e-5)  # one reading in 10⁶ is wrong at least
    marginals = chain.predict_proba(observed)
    for cut, row in zip(result.cuts, marginals, strict=True):
        shares = {other.depth: other.probability for other in cut.alternatives} | {cut.depth: cut.confidence}
        assert [shares[label] for label in "1234"] == pytest.approx(row.tolist(), abs=2e-5)
    _, path = chain.decode(observed)
    assert result.depths[0] == tuple(path.tolist())


def trellis_of(example: dict[str, Any]) -> tuple[Trellis, list[np.ndarray]]:
    """A published chain as a compiled diagram: a label is (state before, state), so any transition can be weighed."""
    size = len(example["states"])
    start = example.get("start") or (np.array(example["day0_prior"]) @ np.array(example["A"])).tolist()
    emission, transition = np.array(example["B"]), np.array(example["A"])
    stop = np.array(example.get("stop", [1.0] * size))
    observed = example["obs"]
    labels = np.arange(size * size)[:, None]
    layers, logs = [], []
    for index, seen in enumerate(observed):
        last = index + 1 == len(observed)
        nodes = 1 if index == 0 else size
        children = np.full((nodes, size * size), -1)
        table = np.full(size * size, -np.inf)
        for before in range(nodes):
            for state in range(size):
                children[before, before * size + state] = 0 if last else state
                weight = start[state] if index == 0 else transition[before, state]
                table[before * size + state] = math.log(weight * emission[state, seen] * (stop[state] if last else 1.0))
        layers.append(compile_layer((Place(0, index),), labels, children, 1 if last else size))
        logs.append(table[:, None])
    return Trellis((0,), tuple(layers), size ** len(observed)), logs


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda example: example["id"])
def test_published_chains_through_the_same_passes(example: dict[str, Any]) -> None:
    trellis, logs = trellis_of(example)
    tables = [np.exp(table) for table in logs]
    follows, total = backward(trellis, tables)
    assert total[0] == pytest.approx(example["evidence"], rel=1e-6)
    through = arc_sums(trellis, tables, follows, np.ones(1))
    size = len(example["states"])
    posterior = []
    for layer, arcs in zip(trellis.layers, through, strict=True):
        posterior.append(np.bincount(layer.arc_label % size, arcs / total[0], minlength=size))
    expected = example.get("posterior") or example["smoothed"]
    assert np.array(posterior) == pytest.approx(np.array(expected), abs=1e-7)
    if "viterbi_probability" in example:
        best, levels = np.ones((1, 1)), []
        for layer, table in zip(reversed(trellis.layers), reversed(tables), strict=True):
            level = Level(layer, table, np.empty(0), np.arange(layer.labels.shape[0]), ignored=False)
            after, best = _completions(level, best, alike=False)
            levels.append(evolve(level, after=after))
        assert best[0, 0] == pytest.approx(example["viterbi_probability"], rel=1e-6)
        _, found = _search(levels[::-1], 1, 1)
        assert found[0] == pytest.approx(example["viterbi_probability"], rel=1e-6)
