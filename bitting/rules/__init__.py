"""The rules that make a code legal: sentences in a system file, one record per kind.

>>> sorted(catalogue())[:3]
['adjacent-difference', 'changes', 'conditional']

`read_rule` turns a sentence into one `Rule` per lane (or pair of lanes) that it speaks of; `violations` judges the cuts
of a code; `automaton` gives the same rule to the diagram. A kind lives in one module of `bitting.rules.kinds` that
defines `KIND`; only `bitting.authoring`, which learns rules from codes, names kinds beside it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from importlib import import_module
from typing import Any

from bitting.errors import BittingError, nearest
from bitting.model import Level, Rule, System
from bitting.rules.base import Automaton, Form, Kind, SentenceError, Violation
from bitting.rules.binding import WHOLE_KEY, lanes_named
from bitting.rules.sentence import (
    NUMBERS,
    Names,
    Pattern,
    Reader,
    Word,
    compile_pattern,
    fold,
    in_usual_words,
    read_words,
)

__all__ = [
    "Automaton",
    "Kind",
    "SentenceError",
    "Violation",
    "automaton",
    "catalogue",
    "explanations",
    "idle",
    "read_rule",
    "readable",
    "violations",
]


@cache
def catalogue() -> Mapping[str, Kind]:
    """Every kind by its identifier, found by looking into `bitting.rules.kinds`."""
    import pkgutil

    from bitting.rules import kinds

    found = (import_module(f"{kinds.__name__}.{m.name}").KIND for m in pkgutil.iter_modules(kinds.__path__))
    return {kind.identifier: kind for kind in found}


@cache
def _patterns() -> tuple[tuple[Kind, Form, Pattern], ...]:
    return tuple((kind, form, compile_pattern(form.words)) for kind in catalogue().values() for form in kind.forms)


def read_rule(system: System, text: str, level: Level) -> tuple[Rule, ...]:
    """The rules that one sentence makes in this system. Raises `SentenceError` with the place in the sentence."""
    scope_words, words = read_words(text)
    names = {name.casefold(): name for name in (*(track.name for track in system.tracks), *system.sides)}
    labels = frozenset(label for track in system.tracks for label in track.labels)
    if [word.folded for word in scope_words] in (["the", "whole", "key"], ["whole", "key"]):  # said as "over …"
        over, comma = (Word(said, said, kind, scope_words[0].span) for said, kind in (("over", "WORD"), (",", "COMMA")))
        scope_words, words = [], [over, *scope_words, comma, *words]
    words = in_usual_words(words, labels)
    reader = Reader(text, words, names, labels)
    try:
        scope = lanes_named(system, Names(tuple(scope_words))) if scope_words else range(len(system.lanes))
        for kind, form, pattern in _patterns():
            match = reader.match(pattern)
            if match is None:
                continue
            sentence = match.canonical
            if scope_words:
                sentence = f"on {' '.join(names[w.text.casefold()] for w in scope_words)}, {sentence}"
            bound = list(kind.bind(system, tuple(scope), {**form.fixed, **match.slots}))
            if not bound:  # a rule that is lost without a word would call illegal codes legal
                raise SentenceError(
                    "this sentence speaks of no cuts that belong together here",
                    hint="name tracks of one side, or the same track of two sides, that `on …` doesn't leave out",
                    span=(words[0].span[0], words[-1].span[1]),
                )
            return tuple(Rule(kind.identifier, level, sentence, lanes, arguments) for lanes, arguments in bound)
    except SentenceError as fault:
        raise SentenceError(fault.message, hint=fault.hint, text=text, span=fault.span) from None
    raise _not_understood(text, reader)


def _not_understood(text: str, reader: Reader) -> SentenceError:
    words = reader.words
    at = min(reader.furthest, len(words))
    span = words[at].span if at < len(words) else (len(text), len(text))
    expected = " or ".join(list(reader.expected)[:4])
    said = ["track" if word.text.casefold() in reader.names else word.text for word in words]
    shown = "\n".join(f"  {readable(form)}" for form in nearest_forms(said))
    return SentenceError(
        f"this rule isn't understood{f'; expected here: {expected}' if reader.furthest else ''}",
        hint=f"what comes nearest to it:\n{shown}",
        text=text,
        span=span,
    )


MEANT = {
    "neighbour": "adjacent", "neighbouring": "adjacent", "next": "adjacent", "beside": "adjacent", "consecutive": "row",
    "difference": "differ", "jump": "differ", "gap": "differ", "change": "differ", "same": "equal", "identical": "equal",
    "alike": "equal", "repeat": "equal", "repeated": "equal", "total": "sum", "add": "sum", "often": "use", "used": "use",
    "appear": "use", "occur": "use", "deep": "deeper", "shallow": "shallower", "followed": "followed", "after": "followed",
    "more": "most", "less": "least", "fewer": "least", "metal": "length", "web": "length", "forbidden": "never",
    "allowed": "one", "opposite": "every", "palindrome": "tip",
}  # fmt: skip
"""Words that mean what another word of the sentence forms says."""
_SLOT_MEANS = {
    "count": "number", "over": "number", "times": "number time", "cut": "cut number", "depth": "number", "depths": "number",
    "track": "track", "length": "length number", "codes": "code",
}  # fmt: skip
"""Kind of slot -> the words that a sentence has in its place."""
COUNTED = frozenset(
    ["a", "an", "the", "is", "of", "at", "be", "by", "on", "in", "than", "and", "or", "to", "not", "no", "must", "may"]
)
"""Words that say nothing of what a sentence is about."""


def nearest_forms(said: Sequence[str], most: int = 3) -> list[str]:
    """The forms that speak of what a sentence speaks of: the kinds that share its rarest words, the best form of each."""
    import math

    numbered = ("number" if word.isdecimal() or word.casefold() in NUMBERS else word for word in said)
    meant = {MEANT.get(fold(word), fold(word)) for word in numbered} - COUNTED
    each = [
        (kind, form.words, _words_of(form.words.replace(WHOLE_KEY, "over the whole key")))
        for kind in catalogue().values()
        for form in kind.forms
    ]
    kinds = {kind.identifier: set[str]() for kind, _, _ in each}
    for kind, _, words in each:
        kinds[kind.identifier] |= words
    rare = {
        word: math.log(1 + len(kinds) / sum(word in own for own in kinds.values()))
        for word in set().union(*kinds.values())
    }
    about = {kind.identifier: _words_of(kind.explanation) for kind in catalogue().values()}

    def score(kind: Kind, words: set[str]) -> float:
        shared = sum(rare[word] for word in words & meant)
        explained = sum(rare.get(word, 1.0) for word in about[kind.identifier] & meant)
        return (
            shared + 0.2 * explained - 0.1 * len(words - meant - {"most", "least", "max", "min", "maximum", "minimum"})
        )

    best: dict[str, tuple[float, str]] = {}
    for kind, form, words in each:
        found = score(kind, words)
        if kind.identifier not in best or found > best[kind.identifier][0]:
            best[kind.identifier] = found, form
    return [form for _, form in sorted(best.values(), key=lambda entry: -entry[0])[:most]]


def _words_of(text: str) -> set[str]:
    """The words that carry a text's meaning, as compared; slots by their kind (a number, a cut), all choices of a form."""
    text = re.sub(r"\{\w+:(\w+)\}", lambda slot: f" {_SLOT_MEANS[slot[1]]} ", text)
    folded = (fold(word) for word in re.findall(r"[A-Za-z]+", text))
    return {MEANT.get(word, word) for word in folded} - COUNTED


def violations(rule: Rule, system: System, lanes: Sequence[Sequence[int | None]]) -> Iterator[Violation]:
    """What is wrong with a code: `lanes` are the depths (places, None if open) of the rule's own lanes."""
    kind = catalogue()[rule.identifier]
    yield from kind.evaluate(rule, system, lanes)


def automaton(rule: Rule, system: System) -> Automaton:
    """The rule as an automaton over the cuts of its own lanes."""
    return catalogue()[rule.identifier].automaton(rule, system)


def idle(rule: Rule, system: System) -> bool:
    """Whether no code can break the rule, as far as that is seen without looking at codes; it then costs nothing."""
    return catalogue()[rule.identifier].idle(rule, system)


OF_ALL_TRACKS = "… and any of these: all tracks taken together"


def explanations(identifier: str | None = None) -> list[dict[str, Any]]:
    """Kinds for people: identifier, sentence forms, what it is for, an example (sentence, a legal and an illegal code).

    Raises `BittingError` for an identifier that no kind has, with the nearest one.
    """
    known = catalogue()
    if identifier is not None and identifier not in known:
        near = nearest(identifier, list(known))
        listed = ", ".join(known)
        raise BittingError(
            f"no kind of rule is called {identifier!r}",
            hint=(f"did you mean {near!r}? " if near else "") + f"known: {listed}",
        )
    chosen = known.values() if identifier is None else [known[identifier]]
    return [
        {
            "identifier": kind.identifier,
            "forms": [readable(form.words) for form in kind.forms if not form.fixed.get("whole")]
            + [f"over the whole key, {OF_ALL_TRACKS}"] * any(form.fixed.get("whole") for form in kind.forms),
            "explanation": kind.explanation,
            "example": dict(zip(("sentence", "legal", "illegal"), kind.example, strict=True)),
        }
        for kind in chosen
    ]


def readable(form: str) -> str:
    """A form as people write rules down: slots as capitals, the first of several ways to say a thing.

    >>> readable("(the|) deepest cut differs by <at most> {n:count} from [the] {d:depths}")
    'the deepest cut differs by at most N from A …'
    """
    form = re.sub(r"<([^<>]*)>", r"\1", form)
    form = re.sub(r"\(([^|()]*)\|[^()]*\)", r"\1", form)
    form = re.sub(r"\[[^\[\]]*\] ?", "", form)

    letters = {"number": iter("NMK"), "depth": iter("ABC"), "track": iter("AB")}

    def slot(found: re.Match[str]) -> str:
        group, shown = _SHOWN[found[1]]
        return shown.format(next(letters[group]) if group else "")

    form = re.sub(r"\{\w+:(\w+)\}", slot, form)
    return re.sub(r" +([,:])", r"\1", re.sub(" +", " ", form)).strip()


_SHOWN = {
    "count": ("number", "{}"), "over": ("number", "{}"), "times": ("number", "{} times"), "cut": ("number", "cut {}"),
    "depth": ("depth", "{}"), "depths": ("depth", "{} …"),
    "track": ("track", "TRACK {}"), "length": ("", "LENGTH"), "codes": ("", "CODE, …"),
}  # fmt: skip
"""Kind of slot -> (which letters stand for it, how it is written)."""
