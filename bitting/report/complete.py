"""How the codes that fit, the blanks and the facts are told on a terminal."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from bitting.completion.answer import Try, worklist
from bitting.completion.result import Completion
from bitting.model import System
from bitting.notation import plain
from bitting.systemfile.load import typed_as
from bitting.text import listed, percent, plural

FIRST = (
    "Before cutting trial keys: measure the open cuts once more, in good light and from both sides, and ask for the lock "
    "of the same key that still has a working one."
)
CAUTION = (
    "Whether the customer is entitled to a key is the locksmith's to establish, and local law decides. "
    "Deburr every try and never force it. Destroy the trial keys."
)
FACTS_SHOWN = 5


def completion_lines(
    answer: Completion, code: str, system: System, shown: int, *, where: Sequence[str] = (), barred: int = 0
) -> Iterator[str]:
    """The answer for people; `shown` is how many codes, and about how many tries, to print. Of those that fit, `barred` is
    how many are kept out by the sentences of `where`, where none is left."""
    at = f" at the cuts that {answer.lock!r} reads" if answer.lock else ""
    if barred:
        fit = f"{plural(barred, 'legal code')} of {system.name} fit{'s' if barred == 1 else ''} {code}{at}"
        yield f"{fit}, and none keeps what --where says: {'; '.join(where)}."
        if len(system.tracks) > 1:
            names = " or ".join(f"`on {track.name}, …`" for track in system.tracks)
            yield f"A sentence holds on every track; for one of them begin with {names}."
        return
    if not answer.count:
        yield f"No legal code of {system.name} fits {code}{at}."
        yield "Check what is written as known; `bitting check` says which rules a code breaks."
        return
    if answer.count > 1:
        yield FIRST
        yield ""
    thing = "legal setting" if answer.lock else "legal code"
    yield f"{plural(answer.count, thing)} of {system.name} fit{'s' if answer.count == 1 else ''} {code}{at}:"
    for place, text in enumerate(answer.codes[:shown]):
        chance = "" if answer.probabilities is None else f"{percent(answer.probabilities[place]):>7}  "
        yield f"  {chance}{plain(text, system)}"
    if answer.count > min(shown, len(answer.codes)):
        yield f"  and {answer.count - min(shown, len(answer.codes)):,} more (--limit shows more)"
    if answer.not_ranked:
        yield f"  (likeliest first; all codes that were not ranked: {percent(answer.not_ranked)} together)"
    if answer.count == 1:
        return
    yield ""
    yield from _facts(answer, system)
    yield from _blanks(answer, system, shown)
    yield ""
    yield CAUTION


def _facts(answer: Completion, system: System) -> Iterator[str]:
    if not answer.facts:
        return
    yield "If you can read one more cut, this is left on average:"
    for fact in answer.facts[:FACTS_SHOWN]:
        name = f"{system.called(fact.side, fact.track)} cut {fact.cut}"
        blanks = "" if fact.blanks is None else f" and {_mean(fact.blanks, 'blank')}"
        yield f"  {name}: {_mean(fact.codes, 'code')}{blanks}"
    if len(answer.facts) > FACTS_SHOWN:
        yield f"  {len(answer.facts) - FACTS_SHOWN} other open cuts would tell less"
    yield ""


def _blanks(answer: Completion, system: System, shown: int) -> Iterator[str]:
    if answer.blanks is not None:
        if answer.blanks == 1:
            yield "1 blank to try them all."
        else:
            yield (
                f"{answer.blanks:,} blanks to try them all, and no fewer: {answer.blanks:,} of these codes need a blank each."
            )
    else:
        yield (
            f"{answer.blanks_at_most:,} blanks are enough to try them all, and it takes {answer.blanks_at_least:,} at least: "
            "too many codes to find the fewest. Find out more about the key before you cut any."
        )
    chances = dict(zip(answer.codes, answer.probabilities or (), strict=False))
    if chances:
        rest = "" if answer.complete else f"; without one it is at most {percent(min(chances.values()))}"
        yield f"Behind a try stands how likely it is{rest}. What is cut past to save tries, this blank can't try any more."
    left = 2 * shown
    for number in range(len(answer.tries)):
        tries = worklist(answer, system, number)
        if left <= 0:
            yield f"and {len(answer.tries) - number:,} more blanks (--limit shows more, --json all)"
            return
        deepened = not number and len(tries) > 1
        how = f" (moves: bitting plan -s {typed_as(system)} --have -, the next try, then the last)" if deepened else ""
        yield f"Blank {number + 1}:{how}"
        for place, (step, code) in enumerate(zip(tries[:left], answer.tries[number], strict=False)):
            chance = f"  {percent(chances[code])}" if code in chances else ""
            yield f"  {place + 1:2}. {_step(step, system)}{chance}"
        if left < len(tries):
            yield f"  and {len(tries) - left} more with this blank"
        left -= len(tries)


def _step(step: Try, system: System) -> str:
    if not step.deepen:
        text = f"cut {plain(step.code, system)}"
    else:
        by_depth: dict[tuple[str, str], list[str]] = {}
        for lane, cut, depth in step.deepen:
            by_depth.setdefault((lane, depth), []).append(str(cut))
        parts = (
            f"{lane} cut{'s' * (len(cuts) > 1)} {listed(cuts)} to {depth}" for (lane, depth), cuts in by_depth.items()
        )
        text = f"deepen {', '.join(parts)}"
    if not step.whole:
        text += "  (no legal key goes on from here at the cuts the lock doesn't read: leave those as they are)"
    return text


def _mean(value: float, thing: str) -> str:
    """A mean with as many digits as say something: `12 codes`, `1.5 blanks`, `1 blank`."""
    if value >= 100 or abs(value - round(value)) < 0.05:
        return plural(round(value), thing)
    return f"{value:.1f} {thing}s"
