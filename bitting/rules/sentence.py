"""Rule sentences: words into rules, and rules back into canonical words.

A sentence form is a pattern of words:

    adjacent cuts differ by <at most> {n:count}
    [the] sum of [the] cuts is (even|odd)

`[…]` may be left out, `(a|b)` are alternatives (the first is the canonical one), `<at most>` and `<at least>` stand for
every usual way to say so, and `{name:slot}` is filled by the sentence: count, times, cut, depth, depths, track, length,
codes. Singular and plural count as the same word. A sentence that fits no form is answered with the forms that come
nearest and a caret under the first word that fits none of them.

>>> scope, sentence = read_words("on left, first cut is one of 1 2")
>>> [word.folded for word in sentence]
['first', 'cut', 'is', 'one', 'of', '1', '2']
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from bitting.errors import Span
from bitting.rules.base import SentenceError

SINGULAR = {
    "cuts": "cut", "depths": "depth", "times": "time", "neighbours": "neighbour", "neighbors": "neighbour",
    "neighbor": "neighbour", "codes": "code", "changes": "change", "differs": "differ", "are": "is", "gets": "get",
    "stands": "stand", "adds": "add", "amounts": "amount", "edges": "edge", "uses": "use", "if": "when",
    "directions": "direction", "sums": "sum", "position": "cut", "positions": "cut", "space": "cut", "spaces": "cut",
}  # fmt: skip
NUMBERS = dict(
    zip(
        ["no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"],
        range(13),
        strict=True,
    )
)
WAYS_TO_BE: dict[tuple[str, ...], tuple[str, ...]] = {
    **{(word, "not", "be"): ("is", "not") for word in ("can", "must", "may", "shall")},
    **{(word, "never", "be"): ("is", "not") for word in ("can", "must", "may", "shall")},
    **{(word, "be"): ("is", "not") for word in ("cannot", "can't", "mustn't")},
    **{(word, "only", "be"): ("is",) for word in ("can", "must", "may", "shall")},
    **{(word, "be"): ("is",) for word in ("can", "must", "may", "shall")},
    ("has", "to", "be"): ("is",),
    ("have", "to", "be"): ("is",),
    **{
        (*words, "differ"): ("never", "differ")
        for words in (("must", "not"), ("may", "not"), ("can", "not"), ("cannot",), ("can't",), ("mustn't",))
    },
    **{(word, "differ"): ("differ",) for word in ("can", "must", "may", "shall")},
    ("isn't",): ("is", "not"),
    ("aren't",): ("is", "not"),
}
"""Ways to say what a cut is or isn't, and the words of the sentence forms."""
PHRASES = {
    "<at most>": "(at most|max|maximum|no more than|not more than|up to|a maximum of)",
    "<at least>": "(at least|min|minimum|no less than|not less than|no fewer than|a minimum of)",
    "<no more than>": "(no more than|at most|max|maximum|not more than|up to)",
}
SLOT_WORDS = {
    "count": "a number", "over": "a number", "times": "how many times",
    "cut": "a cut (first cut, last cut, cut 3, cut 2 from the tip)",
    "depth": "a depth", "depths": "depths", "track": "a track or side", "length": "a length", "codes": "codes",
}  # fmt: skip


class Word(NamedTuple):
    """A word of a sentence: as written, as compared, and where it stands; `kind` is the grammar's terminal."""

    text: str
    folded: str
    kind: str
    span: Span


class CutAt(NamedTuple):
    """A cut as a sentence names it: counted from 1 from the bow or the tip; `track` is a name or None."""

    number: int
    from_tip: bool
    track: Word | None
    span: Span


class Labels(NamedTuple):
    """Depth labels as written; which places they are depends on the track. `reach`: "deeper" or "shallower" where one
    depth and all beyond it are meant."""

    words: tuple[Word, ...]
    reach: str = ""


class Names(NamedTuple):
    """A track, a side, or a side and a track."""

    words: tuple[Word, ...]


class CodeText(NamedTuple):
    """A whole code as a sentence writes it; quotes are blanks, so that its characters keep their places."""

    text: str
    span: Span


class Length(NamedTuple):
    """A length with the unit that was written, if any."""

    value: float
    unit: str | None
    text: str


def in_usual_words(words: Sequence[Word], labels: frozenset[str]) -> list[Word]:
    """The sentence with `cannot be`, `must not be`, `must be`, … said as the forms say it: `is not`, `is`.

    Words that are depths of the system, or quoted, stay.
    """
    out: list[Word] = []
    at = 0
    while at < len(words):
        for said, usual in WAYS_TO_BE.items():
            found = words[at : at + len(said)]
            if tuple(w.text.casefold().replace("’", "'") for w in found) == said and not any(
                w.kind == "QUOTED" or w.text in labels for w in found
            ):
                span = (found[0].span[0], found[-1].span[1])
                out += [Word(word, fold(word), "WORD", span) for word in usual]
                at += len(said)
                break
        else:
            out.append(words[at])
            at += 1
    return out


class Match(NamedTuple):
    """A form that fits a sentence: the values of its slots and the sentence in canonical words."""

    slots: dict[str, Any]
    canonical: str


Piece = tuple[str, Any]
Pattern = tuple[Piece, ...]


def fold(word: str) -> str:
    """A word as it is compared: case and number don't matter."""
    low = word.casefold()
    return SINGULAR.get(low, low)


def read_words(text: str) -> tuple[list[Word], list[Word]]:
    """Scope words and sentence words of a rule, with their spans. Raises `SentenceError` on what is no word at all."""
    from lark.exceptions import UnexpectedInput

    from bitting.grammars import parser
    from bitting.notation.tree import normalise

    try:
        tree: Any = parser("rules").parse(normalise(text))
    except UnexpectedInput as fault:
        scope = re.match(r"\s*on\s+[^\W\d]\w*", text, re.IGNORECASE)
        if scope and "," not in text:
            raise SentenceError(
                f"a comma belongs behind {scope[0].strip()!r}",
                hint=f"for example: {scope[0].strip()}, adjacent cuts differ by at most 2",
                text=text,
                span=(scope.end(), scope.end() + 1),
            ) from None
        at = fault.pos_in_stream if isinstance(fault.pos_in_stream, int) else len(text)
        found = f"{text[at]!r}" if 0 <= at < len(text) else "the end"
        raise SentenceError(
            f"a rule is a sentence of words, and {found} doesn't belong here",
            hint="for example: adjacent cuts differ by at most 2",
            text=text,
            span=(max(at, 0), max(at, 0) + 1) if at < len(text) else (len(text), len(text)),
        ) from None
    scope, sentence = tree.children
    words = [_word(t) for t in sentence.children]
    if words[-1].kind == "WORD" and words[-1].text.endswith("."):  # the full stop of the sentence
        start, end = words[-1].span
        words[-1] = _word_of(words[-1].text[:-1], (start, end - 1))
    return [_word(t) for t in (scope.children[:-1] if scope else ())], words


def _word(token: Any) -> Word:
    """A word with its kind: QUOTED, NUMBER (a whole one), COMMA, SIGN or WORD."""
    return _word_of(str(token), (token.start_pos, token.end_pos))


def _word_of(text: str, span: Span) -> Word:
    number = text.isascii() and text.isdecimal()
    kind = "COMMA" if text == "," else "SIGN" if text in ":/=();-" else "NUMBER" if number else "WORD"
    if text[0] in "'\"":
        kind, text = "QUOTED", text[1:-1]
    return Word(text, fold(text), kind, span)


def compile_pattern(words: str) -> Pattern:
    """A form's pattern as nested pieces: ("word", w), ("any", patterns), ("maybe", pattern), ("slot", (name, kind))."""
    for phrase, choices in PHRASES.items():
        words = words.replace(phrase, choices)
    tokens = re.findall(r"\{\w+:\w+\}|[\[\]()|]|[^\s\[\]()|{}]+", words)
    pattern, rest = _pattern(tokens, 0)
    if rest != len(tokens):
        raise ValueError(f"unbalanced pattern {words!r}")
    return pattern


def _pattern(tokens: list[str], at: int) -> tuple[Pattern, int]:
    pieces: list[Piece] = []
    while at < len(tokens) and tokens[at] not in ")]|":
        token = tokens[at]
        if token == "[":
            inner, at = _pattern(tokens, at + 1)
            pieces.append(("maybe", inner))
        elif token == "(":
            choices = []
            while tokens[at] != ")":
                inner, at = _pattern(tokens, at + 1)
                choices.append(inner)
            pieces.append(("any", tuple(choices)))
        elif token[0] == "{":
            name, _, kind = token[1:-1].partition(":")
            pieces.append(("slot", (name, kind)))
        else:
            pieces.append(("word", token))
        at += 1
    return tuple(pieces), at


class Reader:
    """Matches one sentence against patterns, and remembers how far the best of them came."""

    def __init__(self, text: str, words: Sequence[Word], names: Mapping[str, str], labels: frozenset[str]) -> None:
        """`names` gives each track and side, as compared, its name as the system writes it."""
        self.text = text
        self.words = words
        self.names = names
        self.labels = labels
        self.furthest = 0
        self.expected: dict[str, None] = {}

    def match(self, pattern: Pattern) -> Match | None:
        """The pattern's slots when it fits the whole sentence."""
        for at, slots, said in self._pieces(pattern, 0, {}, ""):
            if at == len(self.words):
                return Match(slots, " ".join(said.split()).replace(" ,", ",").replace(" :", ":"))
            self._miss(at, "the end of the sentence")
        return None

    def _miss(self, at: int, expected: str) -> None:
        if at > self.furthest:
            self.furthest, self.expected = at, {}
        if at == self.furthest:
            self.expected[expected] = None

    def _pieces(
        self, pattern: Pattern, at: int, slots: dict[str, Any], said: str
    ) -> Iterator[tuple[int, dict[str, Any], str]]:
        if not pattern:
            yield at, slots, said
            return
        (kind, what), rest = pattern[0], pattern[1:]
        if kind == "word":
            if at < len(self.words) and self.words[at].kind != "QUOTED" and self.words[at].folded == fold(what):
                yield from self._pieces(rest, at + 1, slots, f"{said} {what}")
            else:
                self._miss(at, what)
        elif kind == "any":
            for choice in what:
                for end, found, _ in self._pieces(choice, at, slots, ""):
                    yield from self._pieces(rest, end, found, f"{said} {_plain(what[0])}")
        elif kind == "maybe":
            for end, found, _ in self._pieces(what, at, slots, ""):
                yield from self._pieces(rest, end, found, said)
            yield from self._pieces(rest, at, slots, said)
        else:
            name, slot = what
            found_any = False
            for end, value, shown in getattr(self, f"_slot_{slot}")(at):
                found_any = True
                yield from self._pieces(rest, end, {**slots, name: value}, f"{said} {shown}")
            if not found_any:
                self._miss(at, SLOT_WORDS[slot])

    # Slots: each yields (next word, value, canonical text), the longest reading first.

    def _slot_count(self, at: int) -> Iterator[tuple[int, int, str]]:
        word = self._word(at)
        if word and word.kind == "NUMBER" and len(word.text) < 10:
            yield at + 1, int(word.text), str(int(word.text))
        elif word and word.folded in NUMBERS and word.folded != "no":
            yield at + 1, NUMBERS[word.folded], str(NUMBERS[word.folded])

    def _slot_over(self, at: int) -> Iterator[tuple[int, int, str]]:
        """The first number that is too many: `no three` is at most two."""
        for end, number, shown in self._slot_count(at):
            if number > 0:
                yield end, number - 1, shown

    def _slot_times(self, at: int) -> Iterator[tuple[int, int, str]]:
        word = self._word(at)
        if word and word.folded in ("once", "twice"):
            number = 1 if word.folded == "once" else 2
            yield at + 1, number, _times(number)
        for end, number, _ in self._slot_count(at):
            after = self._word(end)
            if after and after.folded == "time":
                yield end + 1, number, _times(number)
            else:
                self._miss(end, "times")

    def _slot_length(self, at: int) -> Iterator[tuple[int, Length, str]]:
        word = self._word(at)
        if not word:
            return
        found = re.fullmatch(r"([0-9]+(?:\.[0-9]+)?|\.[0-9]+)(mm|in|thou)?", word.text.casefold())
        if not found:
            return
        unit, end = found[2], at + 1
        after = self._word(end)
        if unit is None and after and after.text.casefold() in ("mm", "in", "thou"):
            unit, end = after.text.casefold(), end + 1
        shown = found[1] + (f" {unit}" if unit else "")
        yield end, Length(float(found[1]), unit, shown), shown

    def _slot_track(self, at: int) -> Iterator[tuple[int, Names, str]]:
        words: list[Word] = []
        if (word := self._word(at)) and word.folded == "the":
            at += 1
        while (word := self._word(at)) and word.text.casefold() in self.names and len(words) < 2:
            words.append(word)
            at += 1
        while words:
            yield at, Names(tuple(words)), " ".join(self.names[w.text.casefold()] for w in words)
            words.pop()
            at -= 1

    def _slot_cut(self, at: int) -> Iterator[tuple[int, CutAt, str]]:
        start = at
        word = self._word(at)
        if word and word.folded == "the":
            at, word = at + 1, self._word(at + 1)
        if word and word.text.casefold() in self.names:
            yield from self._cut_at(start, at + 1, word)
        yield from self._cut_at(start, at, None)  # a track may be called first, or cut

    def _cut_at(self, start: int, at: int, track: Word | None) -> Iterator[tuple[int, CutAt, str]]:
        """A cut from `at` on, of the track that was named before it."""
        word, shown = self._word(at), f"{self.names[track.text.casefold()]} " if track else ""
        if word and word.folded in ("first", "last") and (after := self._word(at + 1)) and after.folded == "cut":
            if track is None and (name := self._word(at + 2)) and name.folded == "on":
                return
            span = (self.words[start].span[0], after.span[1])
            yield at + 2, CutAt(1, word.folded == "last", track, span), f"{shown}{word.folded} cut"
        elif word and word.folded == "cut":
            for end, number, _ in self._slot_count(at + 1):
                span = (self.words[start].span[0], self.words[end - 1].span[1])
                tail = [w.folded for w in self.words[end : end + 3]]
                for skip in (3, 2):
                    if tail[:skip] in (["from", "the", "tip"], ["from", "tip"]):
                        yield end + skip, CutAt(number, True, track, span), f"{shown}cut {number} from the tip"
                        return
                yield end, CutAt(number, False, track, span), f"{shown}cut {number}"

    def _slot_depth(self, at: int) -> Iterator[tuple[int, Labels, str]]:
        word = self._word(at)
        if (
            word
            and word.kind != "QUOTED"
            and word.folded == "depth"
            and (after := self._word(at + 1))
            and self._is_label(after)
        ):
            at, word = at + 1, after
        if word and self._is_label(word):
            yield at + 1, Labels((word,)), _label(word)

    def _slot_depths(self, at: int) -> Iterator[tuple[int, Labels, str]]:
        found: list[tuple[int, tuple[Word, ...]]] = []
        words: tuple[Word, ...] = ()
        while (word := self._word(at)) is not None:
            if words and (word.kind == "COMMA" or (word.kind != "QUOTED" and word.folded in ("or", "and"))):
                at += 1
                continue
            if not self._is_label(word):
                break
            words, at = (*words, word), at + 1
            found.append((at, words))
        if found:
            end, first = found[0]
            tail = [w.folded for w in self.words[end : end + 2] if w.kind != "QUOTED"]
            if tail in (["or", "deeper"], ["or", "shallower"]):
                yield end + 2, Labels(first, tail[1]), f"{_label(first[0])} or {tail[1]}"
        for end, labels in reversed(found):
            yield end, Labels(labels), " ".join(_label(w) for w in labels)

    def _slot_codes(self, at: int) -> Iterator[tuple[int, list[CodeText], str]]:
        rows: list[list[Word]] = [[]]
        for word in self.words[at:]:
            if word.kind == "COMMA":
                rows.append([])
            else:
                rows[-1].append(word)
        if all(rows):
            shown = ", ".join(" ".join(self.text[row[0].span[0] : row[-1].span[1]].split()) for row in rows)
            yield len(self.words), [self._code_text(row) for row in rows], shown

    def _code_text(self, row: Sequence[Word]) -> CodeText:
        start, end = row[0].span[0], row[-1].span[1]
        characters = list(self.text[start:end])
        for word in row:
            if word.kind == "QUOTED":
                characters[word.span[0] - start] = characters[word.span[1] - 1 - start] = " "
        return CodeText("".join(characters), (start, end))

    def _word(self, at: int) -> Word | None:
        return self.words[at] if at < len(self.words) else None

    def _is_label(self, word: Word) -> bool:
        """A quoted word always is one (its track decides whether it exists); others when the system has that label,
        or when they look like a number that it doesn't have, so that the fault can be named."""
        return word.kind == "QUOTED" or word.text in self.labels or word.kind == "NUMBER"


def _plain(pattern: Pattern) -> str:
    """The words of an alternative (alternatives hold no slots)."""
    return " ".join(what for _, what in pattern)


def _times(number: int) -> str:
    return f"{number} time" if number == 1 else f"{number} times"


def _label(word: Word) -> str:
    """A label as it was said: quotes stay, but for a number, which is no word of a sentence."""
    return f"'{word.text}'" if word.kind == "QUOTED" and not word.text.isdecimal() else word.text
