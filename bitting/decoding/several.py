"""Many keys of one system, by several processes where asked."""

from __future__ import annotations

from collections.abc import Iterable

from bitting.decoding.decoder import SURE, Decoder
from bitting.decoding.figures import Made, MeasurementModel
from bitting.decoding.result import Decoded
from bitting.model import Readings, System

CHUNK = 100
"""Keys that a process of `decode_many` takes at a time."""


def decode_many(
    keys: Iterable[Readings],
    system: System,
    best: int = 1,
    model: MeasurementModel | None = None,
    sure: float = SURE,
    *,
    made: Made | None = None,
    jobs: int = 1,
) -> list[Decoded]:
    """Like `decode`, for many keys of one system, without advice on what to measure again; `jobs` processes at once."""
    several = list(keys)
    if jobs <= 1 or len(several) < 2 * CHUNK:
        return Decoder(system, model, made=made).decode_many(several, best, sure)
    from concurrent.futures import ProcessPoolExecutor

    parts = [several[i : i + CHUNK] for i in range(0, len(several), CHUNK)]
    with ProcessPoolExecutor(jobs, initializer=_start, initargs=(system, model, made)) as pool:
        return [answer for part in pool.map(_part, parts, [best] * len(parts), [sure] * len(parts)) for answer in part]


_decoder: Decoder | None = None
"""The decoder of a process that works for `decode_many`."""


def _start(system: System, model: MeasurementModel | None, made: Made | None) -> None:
    global _decoder  # one per process: it is what a process is started for
    _decoder = Decoder(system, model, made=made)


def _part(keys: list[Readings], best: int, sure: float) -> list[Decoded]:
    if _decoder is None:
        raise RuntimeError("a process of decode_many was not started by it")
    return _decoder.decode_many(keys, best, sure)
