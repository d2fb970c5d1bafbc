"""What a code that can't be read, or has a cut that is no depth, certainly means: one slip of the pen mended, or two.

Each slip is a way to write the text anew. A mend is certain where the fewest slips that make a whole code of the text,
with every cut the key needs, make one and the same code, whichever they are.

>>> from bitting.systemfile import load_system
>>> mended("2.1.3.3.2.4.4 / 1.1.2.4.4.2.1", load_system("plover"))
'left: 2 1 3 3 2 4 4 / right: 1 1 2 4 4 2 1'
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator

from bitting.errors import NotationError, nearest
from bitting.model import Code, System
from bitting.notation.hints import look_alike
from bitting.notation.structure import places_of

LONGEST = 300
"""Characters of the longest text that is mended; every slip is tried."""
SIGNS = "|\\_+*~>#"
"""What is written between cuts or tracks and is no sign of the notation."""
EMPTY_WORDS = (
    r"(?:hi|hello|hey|my|this|it|here|bow to tip|the|of|keys?|codes?|bitting|cuts?|depths?|is|are|then|please|thanks?|"
    r"thank you|ok|okay|hand|side|track|edge)"
)
"""Words that say nothing of the cuts beside them. Of any others the number may be: `job 4471`."""
QUOTES = "[\"'`´‘’“”„«»]"


def mended(text: str, system: System, lock: str | None = None) -> str | None:
    """The code meant, in the plain way; None where the text is whole as it stands, or what it means can't be told."""
    if len(text) > LONGEST or _read(text, system, lock):
        return None
    tried, texts = {text}, [text]
    for _ in range(2):
        texts = [new for old in texts for slip in SLIPS for new in slip(old, system) if new not in tried]
        tried.update(texts)
        found = {code.plain for new in dict.fromkeys(texts) if (code := _read(new, system, lock))}
        if found:
            return found.pop() if len(found) == 1 else None
    return None


def _read(text: str, system: System, lock: str | None) -> Code | None:
    """The code, where it is whole."""
    from bitting.notation.code import understood

    try:
        code = understood(text, system, lock)
    except NotationError:
        return None
    return code if code.well_formed else None


REWRITTEN = (
    (r"(?<=\w)\s*:\s*(?=[^\W\d_]*\d)", " "),  # 2:1:3
    (r"([-,])\s*(?=\1)", ""),  # a separator beside another
    (r"(?<=[^\W\d_])\s*[;,](?=\s*\w)", ":"),  # left; 2133
    (r"\s*\?\s*\Z", ""),  # not a cut more, but a doubt
    (r"[-,/;]\s*(?=\Z|[-/;)])|(?:\A|(?<=[/;(:]))\s*[-,/]", " "),  # a separator before the first cut, or after the last
    (QUOTES, ""),
    (r"[()]", " "),
    (r"\[((?:\s*\w[\s,-]*){6,})\]", r" \1 "),  # a whole list in brackets, which one of so many depths is not
    (r"(?i)[\s,;(]*\b(?:x\s?\d\d?|\d\d?\s?(?:x|pcs|pieces?|off))\b[\s.)]*\Z", ""),  # how many keys are wanted
    (r"(?<=\w)\s+[-–—]{1,2}\s+(?=\w)", " / "),  # a dash between tracks
    (r"[<>{}]", " "),
    (";", "/"),
    (rf"(?i)\b{EMPTY_WORDS}\b(?:[\s,]*{EMPTY_WORDS}\b)*\s*[:=,.!]*", ""),
    (r"[\s.,:!]+\Z", ""),
    (r"(?i)\b(?:blank|dash|missing|unknown|unreadable|x)\b|[_*]|(?<=\s)-(?=\s)", "?"),
)
"""Signs and words that are too many or stand for others: what is written, and what may be meant instead."""


def _rewritten(text: str, system: System) -> Iterator[str]:
    if not re.search(r"(?<![\w.])\d+\.\d+(?![\w.])", text):  # which may be readings
        yield re.sub(r"(?<!\.)\.(?!\.)", " ", text)
    for written, meant in REWRITTEN:
        yield re.sub(written, meant, text)
    if text.count("/") > len(system.lanes):  # 2/1/3/3; a single one may stand at the wrong cut
        yield re.sub(r"(?<=\b\w)\s*/\s*(?=\w\b)", " ", text)
    for sign in SIGNS:
        if sign in text:
            yield text.replace(sign, "/")
            if text.count(sign) >= len(system.lanes):  # one less may be to part the tracks, and stand at the wrong cut
                yield text.replace(sign, " ")


def _sides(text: str, system: System) -> Iterator[str]:
    """A side's bracket that isn't closed, its semicolon; `bottom = top` where every side carries the same cuts anyway."""
    yield text + ")"
    yield re.sub(r"\)\s*(?=\w)", "); ", text)
    if system.convenience:
        names = "|".join(re.escape(name) for name in system.sides)
        yield re.sub(rf"(?i)[\s,;/]*\b(?:{names})\s*=\s*(?:{names})\s*\Z", "", text)


def _ends(text: str, system: System) -> Iterator[str]:
    """Where one list was begun, said behind its cuts or at both its ends."""
    if len(system.tracks) == 1 and not system.sided:
        yield re.sub(r"(?i)\A\W*(tip|bow)\b\W*(\d.*?)\W*\b(?!\1)(?:tip|bow)\W*\Z", r"from \1: \2", text)


def _names(text: str, system: System) -> Iterator[str]:
    """A track or side whose name is misspelt, or stands close behind cuts."""
    known = list(dict.fromkeys([*(track.name for track in system.tracks), *system.sides]))
    labels = {character for track in system.tracks for label in places_of(track) for character in label}

    def name(word: re.Match[str]) -> str:
        if set(word[0]) <= labels or word[0].casefold() in (*known, "both", "from", "bow", "tip"):
            return word[0]
        return nearest(word[0], known) or word[0]

    yield re.sub(r"[^\W\d_]{3,}", name, text)
    yield re.sub(r"(?<=\d)(?=[^\W\d_])", " ", text)


def _look_alikes(text: str, system: System) -> Iterator[str]:
    """Letters that look like the only depth they can be."""
    from bitting.notation.code import understood

    try:
        code = understood(text, system)
    except NotationError:
        return
    tracks = {track.name: track for track in system.tracks}
    meant: dict[tuple[int, int], str] = {}
    for row in code.written:
        for cut in row.cuts:
            if not cut.depths:
                depth = look_alike(cut.text, tracks[row.track or system.tracks[0].name].labels)
                if depth is None:
                    return
                meant[cut.span] = depth
    for (start, end), depth in sorted(meant.items(), reverse=True):
        text = text[:start] + depth + text[end:]
    yield text


SOUNDS = {"won": "one", "to": "two", "too": "two", "for": "four", "fore": "four", "ate": "eight"}
"""What may be written for a depth that is heard."""


def _as_heard(text: str, system: System) -> Iterator[str]:  # noqa: ARG001
    yield re.sub(r"[^\W\d_]+", lambda word: SOUNDS.get(word[0].casefold(), word[0]), text)


SLIPS: tuple[Callable[[str, System], Iterable[str]], ...] = (_rewritten, _sides, _ends, _names, _look_alikes, _as_heard)
"""The slips that are tried: each gives the texts that a person may have meant, or the text itself."""
