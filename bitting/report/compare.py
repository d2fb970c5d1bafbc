"""How two keys beside each other are told on a terminal."""

from __future__ import annotations

from collections.abc import Iterator

from bitting.completion.compare import WHOLE, Comparison, CutCompared
from bitting.model import System

WORDS = {"same": "", "deepen": "deepen", "too-deep": "too deep already", "open": "not known"}


def comparison_lines(answer: Comparison, system: System) -> Iterator[str]:
    """The answer for a terminal."""
    yield f"first   {answer.first}"
    yield f"second  {answer.second}"
    yield ""
    differing = [cut for cut in answer.cuts if cut.change != "same"]
    if differing:
        yield from _table(differing, answer.measured, system.unit)
        alike = len(answer.cuts) - len(differing)
        if alike:
            yield f"  the other {alike} cuts are the same" if alike > 1 else "  the other cut is the same"
        yield ""
    yield from _verdict(answer)
    if not answer.legal:
        yield f"The second is no legal code of {system.name}, nor does one fit it: `bitting check` says why."
    for lock, differs in answer.locks:
        name = lock if lock == WHOLE else f"the lock {lock!r}"
        if lock != WHOLE:
            yield f"{name} {_sees(differs)}."
    yield from _shared(answer)


def _table(cuts: list[CutCompared], measured: bool, unit: str) -> Iterator[str]:
    names = [" ".join(filter(None, (cut.side, cut.track, f"cut {cut.cut}"))) for cut in cuts]
    width = max(map(len, names))
    for name, cut in zip(names, cuts, strict=True):
        off = "" if cut.deviation is None else f"  {_off(cut, unit)}"
        word = "too close to tell" if measured and cut.change == "open" and cut.deviation is not None else ""
        yield f"  {name.ljust(width)}  {cut.first} -> {cut.second}  {word or WORDS[cut.change]}{off}".rstrip()


def _off(cut: CutCompared, unit: str) -> str:
    """`by 0.450 mm`, or by how much the cut reads deeper or shallower than its depth."""
    size = f"{abs(cut.deviation or 0.0):.3f} {unit}"
    if cut.change in ("deepen", "too-deep"):
        return f"by {size}"
    return f"reads {size} {'deeper' if (cut.deviation or 0.0) > 0 else 'shallower'}"


def _verdict(answer: Comparison) -> Iterator[str]:
    if answer.same:
        yield (
            "The keys are the same." if not answer.measured else "The key is within tolerance of the code at every cut."
        )
    elif answer.deepens is False:
        yield "The first can't become the second: metal is gone that the second needs."
    elif answer.deepens is None:
        yield "Whether the first can become the second depends on what is not known; measure those cuts again."
    else:
        recuts = ", ".join(
            " ".join(filter(None, (cut.side, cut.track, f"cut {cut.cut} to {cut.second}"))) for cut in answer.recuts
        )
        yield f"The first can be deepened into the second: {recuts}. The moves: bitting plan SECOND --have FIRST."


def _sees(differs: bool | None) -> str:
    if differs is None:
        return "may see a difference, depending on the open cuts"
    return "sees a difference" if differs else "sees no difference: either key works there"


def _shared(answer: Comparison) -> Iterator[str]:
    for shared in answer.shared:
        if shared.first == shared.second and shared.first != WHOLE:
            continue  # what the lock sees says it
        if shared.first == WHOLE:
            between = "both locks"
        else:
            between = f"{shared.first!r} set to the first and {shared.second!r} set to the second"
        if shared.serves:
            yield f"One key can serve {between}: {shared.key}"
        else:
            yield f"No one key serves {between}."
