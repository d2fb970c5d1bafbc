"""What a wrong depth, or a text that is no list of cuts at all, was probably meant to be.

These are hints for findings, not faults of the notation: the text could be read. They are worked out only when
something is wrong.

>>> look_alike("O", ("0", "1", "2"))
'0'
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from bitting.model import Code, System, Track
from bitting.model.system import RESERVED
from bitting.notation.aloud import HANDS, HEARD, TIMES
from bitting.notation.tree import blank_comments, normalise

LOOK_ALIKES = ("0OoQD", "1lIi|", "2Zz", "5Ss", "6bG", "8B", "9gq")
"""Characters that are mistaken for each other by eye, in print or by hand."""


def look_alike(label: str, labels: Sequence[str]) -> str | None:
    """The one label that `label` looks like, character by character; None when there is none or several."""
    groups = {character: group for group in LOOK_ALIKES for character in group}
    pattern = "".join(f"[{re.escape(groups.get(character, character))}]" for character in label)
    found = [known for known in labels if known != label and re.fullmatch(pattern, known)]
    return found[0] if len(found) == 1 else None


def depth_hint(text: str, track: Track) -> str:
    """What to do about a cut whose text (`O`, `[1 9]`, `21..3`) names a depth that the track doesn't have."""
    depths = f"the depths of {track.name} are {' '.join(track.labels)}"
    words = re.findall(r"[^\W]+", normalise(text))
    strangers = [word for word in words if word not in track.labels]
    if text.startswith("[") and track.run_together:
        strangers = [character for word in words for character in word if character not in track.labels]
    for word in strangers:
        same = [label for label in track.labels if label.casefold() == word.casefold()]
        if same:
            return f"did you mean {same[0]}? depths are written as in the system file; {depths}"
        meant = look_alike(word, track.labels)
        if meant is not None:
            return f"did you mean {_said(meant)} instead of {_said(word)}? {depths}"
        if ".." in text and track.run_together and len(word) > 1:
            return f"range ends are single depths: separate {word} from the range with a blank; {depths}"
    return depths


def strange_words(text: str, system: System) -> list[str]:
    """The words of letters that hold no depth, begin no name, and say none."""
    labels = {character.casefold() for track in system.tracks for label in track.labels for character in label}
    names = {name.casefold() for track in system.tracks for name in (track.name, *system.sides)} | {*RESERVED}
    words = (word.casefold() for word in re.findall(r"[^\W]+", blank_comments(normalise(text))) if word.isalpha())
    known = {*HANDS, *TIMES, *(word for word, label in HEARD.items() if label.casefold() in labels)}
    return [
        word
        for word in words
        if not labels & set(word) and word not in known and not any(name.startswith(word) for name in names)
    ]


def words_instead(code: Code) -> str | None:
    """What to say instead of judging a text with words that mean nothing (`n/a`, `total 100`); else None, as of a whole code."""
    if code.complete:
        return None
    return no_code(code) or (
        number_hint(code) if any(len(word) > 1 for word in strange_words(code.text, code.system)) else None
    )


def no_code(code: Code) -> str | None:
    """What to say of words that are no code at all (`n/a`, `see job 4471`), else None.

    That is when a word of letters holds no depth, and fewer than half of the key's cuts are there or most words are such.
    """
    known = sum(bool(cut.depths) for row in code.written for cut in row.cuts)
    system = code.system
    expected = sum(lane.track.cuts for lane in system.lanes)
    strange, words = len(strange_words(code.text, system)), len(code.text.split())
    few = 2 * known < expected or 2 * strange > words
    if not strange or not few or (code.said and known) or number_hint(code):
        return None
    shown = " ".join(code.text.split())
    shown = shown if len(shown) <= 40 else shown[:37] + "…"
    written = f", written as {system.form}" if system.lane_names else ""
    depths = " ".join(system.tracks[0].labels)
    return f"{shown!r} is no code: one of {system.name} has {expected} cuts, each one of {depths}{written}"


def _said(label: str) -> str:
    """A label that looks like another, told apart by what it is."""
    if len(label) > 1:
        return label
    return f"{'the digit' if label.isdigit() else 'the letter'} {label}"


def no_cuts(code: Code) -> str | None:
    """What to say of a text that is no list of cuts: a code number, or words that are no code; else None."""
    return number_hint(code) or no_code(code)


def number_hint(code: Code) -> str | None:
    """What to say of a text that looks like a code number (as stamped on a lock or a key) instead of cuts, else None.

    It does when it is one or two words without names, too short for the key by half, or of the wrong length with
    letters and digits mixed that no depth explains.
    """
    if re.search(r"[:;()=?\[\]]|\.\.", code.text) or not code.written:
        return None
    words = re.findall(r"[^\W]+", normalise(code.text))
    system = code.system
    expected = sum(lane.track.cuts for lane in system.lanes)
    given = sum(len(row.cuts) for row in code.written)
    if given == expected or len(words) > 2 or not any(len(word) > 2 for word in words):
        return None
    stray = any(not cut.depths for row in code.written for cut in row.cuts)
    letters = any(character.isalpha() for word in words for character in word)
    digits = any(character.isdigit() for word in words for character in word)
    mixed = stray and letters and digits
    if not mixed and not (2 * given <= expected and stray and digits):
        return None
    return (
        f"{' '.join(code.text.split())!r} looks like a code number, not like cuts: a number stamped on a lock or a key is "
        f"looked up first; {system.name} wants {expected} cuts, from the bow to the tip"
    )
