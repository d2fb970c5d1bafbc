"""How two keys beside each other are told on a terminal."""

from __future__ import annotations

from collections.abc import Iterator

from bitting.completion.compare import WHOLE, Comparison, CutCompared
from bitting.errors import BittingError
from bitting.model import System
from bitting.notation import plain
from bitting.systemfile.load import typed_as

WORDS = {"same": "", "deepen": "deepen", "too-deep": "too deep already", "open": "not known"}


def comparison_lines(answer: Comparison, system: System) -> Iterator[str]:
    yield f"first   {_shown(answer.first, system)}"
    yield f"second  {_shown(answer.second, system)}"
    yield ""
    differing = [cut for cut in answer.cuts if cut.change != "same"]
    if differing:
        yield from _table(differing, answer.measured, system)
        alike = len(answer.cuts) - len(differing)
        if alike:
            yield f"  the other {alike} cuts are the same" if alike > 1 else "  the other cut is the same"
        yield ""
    yield from _verdict(answer, system)
    if not answer.legal:
        open_cuts = any(cut.second == "?" or cut.second.startswith("[") for cut in answer.cuts)
        what = "no legal code fits the second" if open_cuts else "the second code is not legal"
        yield f"In {system.name} {what}: `bitting check` says why."
    for lock, differs in answer.locks:
        if lock != WHOLE:
            yield f"The lock {lock!r} {_sees(differs)}."
    yield from _shared(answer, system)


def _shown(text: str, system: System) -> str:
    """A code in the plain way; readings, and what is no whole code, as they were given."""
    try:
        return plain(text, system)
    except BittingError:
        return text


def _table(cuts: list[CutCompared], measured: bool, system: System) -> Iterator[str]:
    names = [f"{system.called(cut.side, cut.track)} cut {cut.cut}" for cut in cuts]
    width = max(map(len, names))
    for name, cut in zip(names, cuts, strict=True):
        off = "" if cut.deviation is None else f"  {_off(cut, system.unit)}"
        word = "too close to tell" if measured and cut.change == "open" and cut.deviation is not None else ""
        yield f"  {name.ljust(width)}  {cut.first} -> {cut.second}  {word or WORDS[cut.change]}{off}".rstrip()


def _off(cut: CutCompared, unit: str) -> str:
    """`by 0.450 mm`, or by how much the cut reads deeper or shallower than its depth."""
    size = f"{abs(cut.deviation or 0.0):.3f} {unit}"
    if cut.change in ("deepen", "too-deep"):
        return f"by {size}"
    return f"reads {size} {'deeper' if (cut.deviation or 0.0) > 0 else 'shallower'}"


def _verdict(answer: Comparison, system: System) -> Iterator[str]:
    if answer.same:
        yield (
            "The keys are the same." if not answer.measured else "The key is within tolerance of the code at every cut."
        )
    elif answer.deepens is False:
        yield "The first can't be cut into the second: it is too deep already."
    elif answer.deepens is None:
        yield "Whether the first can be cut into the second depends on the cuts that aren't known: measure them again."
    else:
        recuts = ", ".join(
            f"{system.called(cut.side, cut.track)} cut {cut.cut} to {cut.second}" for cut in answer.recuts
        )
        ask = f"bitting plan -s {typed_as(system)} --have - asks for the second, then the first"
        yield f"The first can be deepened into the second: {recuts}. The moves: {ask}."


def _sees(differs: bool | None) -> str:
    if differs is None:
        return "may see a difference, depending on the open cuts"
    return "sees a difference" if differs else "sees no difference: either key works there"


def _shared(answer: Comparison, system: System) -> Iterator[str]:
    for shared in answer.shared:
        if shared.first == shared.second and shared.first != WHOLE:
            continue  # what the lock sees says it
        if shared.first == WHOLE:
            between = "both"
        else:
            between = f"a lock {shared.first!r} coded as the first and a lock {shared.second!r} coded as the second"
        if shared.serves:
            yield f"One key can open {between}: {plain(shared.key or '', system)}"
        else:
            yield f"No single key can open {between}."
