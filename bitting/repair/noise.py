"""The table of slips: what goes wrong between a code and its writing, and how often. Ranking and probabilities read it.

**The probabilities are this project's own assumption**; nobody has counted slips of key codes. What is held to a publication is
how the slips of single cuts share out among decimal digits (`published`; `tests/reference/slips.toml`, as quoted there).
The pairs of signs are common practice for digits and letters dictated in English or written by hand; no source.

What would change nothing is no slip. A cut written for another may be several of the first four at once: they are added up.

>>> print(SWAPPED.probability, "for each", SWAPPED.of)
0.006 for each two neighbours that differ
"""

from __future__ import annotations

from functools import lru_cache

from attrs import frozen

from bitting.model import Track


@frozen
class Slip:
    """One kind of slip: how likely it is for each `of` what, the kind of the published study that it belongs to, and what to say
    of one at the written cut `at` (from 1), which reads `sign` where `label` was meant."""

    name: str
    probability: float
    of: str
    published: str = ""
    words: str = "cut {at} is {label}, not {sign}"


OFF_BY_ONE = Slip("off by one", 0.004, "neighbour in the depth table", "single")
LOOK_ALIKE = Slip("looks alike", 0.004, "sign that looks like the right one", "single")
SOUND_ALIKE = Slip("sounds alike", 0.003, "sign whose name sounds like the right one's", "single")
ANY_OTHER = Slip("any other", 0.0004, "sign", "single")
SWAPPED = Slip(
    "swapped", 0.006, "two neighbours that differ", "adjacent_transposition", "neighbours {at} and {next} swapped"
)
ACROSS = Slip(
    "swapped across", 0.0004, "two cuts with one between them", "jump_transposition", "cuts {at} and {third} swapped"
)
TWINS = Slip(
    "twins", 0.0004, "two equal cuts and sign", "twin", "cuts {at} and {next} are {label} {label}, not {sign} {sign}"
)
TEEN = Slip("teen", 0.004, "3 0 written 1 3, to 9 0", "phonetic", "cuts {before} and {at} are {sign} 0, not 1 {sign}")
TENS = Slip("tens", 0.004, "1 3 written 3 0, to 1 9", "phonetic", "cuts {at} and {next} are 1 {sign}, not {sign} 0")
DROPPED = Slip("left out", 0.002, "cut", "omitted_or_added", "cut {at} is missing: {label}")
DOUBLED = Slip("written twice", 0.002, "cut", "omitted_or_added", "cuts {at} and {next} are one cut, written twice")
EXTRA = Slip(
    "one too many",
    0.0002,
    "other sign in front of a cut, or at the end",
    "omitted_or_added",
    "cut {at} is one too many",
)
STAND_IN = Slip("other signs", 0.01, "code: signs that are no depths, for those that they look like")
EXCHANGED = Slip("exchanged", 0.01, "two tracks of a side, or two sides")
ONE_FROM_TIP = Slip("one from the tip", 0.002, "of several tracks")
FROM_TIP = Slip("from the tip", 0.01, "code")
RENUMBERED = Slip("renumbered", 0.004, "way: every label one too high, or one too low")
ANYTHING_ELSE = 0.0002
"""So likely is it that something else happened than the slips tried, for each slip: no code is ever certain."""
RARE = (ACROSS, TWINS, EXTRA)
"""Kinds that are never `LIKELY`."""
LIKELY = 0.002
"""Two slips are tried only where each is at least so likely."""

STAND_INS = ("0O", "0Q", "0D", "1I", "1L", "2Z", "5S", "6G", "8B")
"""A digit and a letter that is written for it."""

LOOKS = (
    *STAND_INS, "17", "14", "27", "38", "35", "39", "49", "56", "58", "68", "60", "69", "79", "80", "89", "90",
    "4A", "OQ", "OD", "CG", "EF", "BD", "BP", "BE", "PR", "UV", "VY", "MN", "IJ", "IL", "KX", "HN", "AH",
)  # fmt: skip
"""Signs that look alike, printed or by hand; letters in either case."""

SOUNDS = (
    "59", "17", "23", "6X", "0O", "4O",
    "BC", "BD", "BE", "BG", "BP", "BT", "BV", "CD", "CE", "CG", "CP", "CT", "CZ", "DE", "DG", "DP", "DT", "DV", "EG",
    "EP", "ET", "EV", "GP", "GT", "GJ", "GV", "PT", "PV", "TV", "VZ", "3B", "3C", "3D", "3E", "3G", "3P", "3T", "3V",
    "AH", "AJ", "AK", "HK", "JK", "8A", "8H", "8K", "FS", "FX", "SX", "MN", "1N", "IY", "5I", "5Y", "9I", "9Y",
    "QU", "2U", "2Q", "FM", "FN",
)  # fmt: skip
"""Signs whose names sound alike."""

_LOOKS = frozenset(frozenset(pair) for pair in LOOKS)
_SOUNDS = frozenset(frozenset(pair) for pair in SOUNDS)
_STAND_INS = frozenset(frozenset(pair) for pair in STAND_INS)


@lru_cache(maxsize=1024)
def misreadings(track: Track, text: str) -> tuple[float, ...]:
    """For each depth of a track, the probability that `text` is written for it by a slip; 0 for the depth itself.

    All are 0 for "", which stands for what can't have been written.
    """
    return tuple(_misread(track, place, text) if text else 0.0 for place in range(len(track.labels)))


def _misread(track: Track, place: int, text: str) -> float:
    label = track.labels[place]
    if label == text:
        return 0.0
    if text in track.labels:
        beside = abs(track.labels.index(text) - place) == 1
    else:
        beside = text in (renumber(track, label, 1), renumber(track, label, -1))
    found = ANY_OTHER.probability + (OFF_BY_ONE.probability if beside else 0.0)
    found += LOOK_ALIKE.probability if _alike(label, text, _LOOKS, case=True) else 0.0
    return found + (SOUND_ALIKE.probability if _alike(label, text, _SOUNDS, case=False) else 0.0)


def _alike(label: str, text: str, pairs: frozenset[frozenset[str]], *, case: bool) -> bool:
    """Whether two words differ in a single sign, and there by one of the pairs (or by case alone)."""
    if len(label) != len(text):
        return False
    differ = [(a, b) for a, b in zip(label, text, strict=True) if a != b]
    if len(differ) != 1:
        return False
    a, b = differ[0]
    return frozenset((a.upper(), b.upper())) in pairs or (case and a.upper() == b.upper())


@lru_cache(maxsize=1024)
def stand_in(track: Track, text: str) -> str:
    """The one depth that a sign outside the table must stand for (O for 0, b for B); otherwise the text itself."""
    if text in track.labels:
        return text
    found = [label for label in track.labels if _alike(label, text, _STAND_INS, case=True)]
    return found[0] if len(found) == 1 else text


@lru_cache(maxsize=1024)
def renumber(track: Track, text: str, by: int) -> str:
    """The label `by` further: as a number or a letter where all the track's labels are, otherwise along the depth table.

    "" where there is none; a sign of another kind stays as it is.
    """
    if all(_number(label) for label in track.labels):
        if not _number(text):
            return text
        return str(int(text) + by) if int(text) + by >= 0 else ""
    if all(_letter(label) for label in track.labels):
        if not _letter(text):
            return text
        further = chr(ord(text) + by)
        return further if _letter(further) else ""
    if text not in track.labels:
        return text
    place = track.labels.index(text) + by
    return track.labels[place] if 0 <= place < len(track.labels) else ""


def _number(text: str) -> bool:
    return text.isascii() and text.isdigit() and str(int(text)) == text


def _letter(text: str) -> bool:
    return len(text) == 1 and text.isascii() and text.isalpha()
