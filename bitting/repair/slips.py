"""The table of slips: what goes wrong between a code and its writing, and how often.

**The probabilities are this project's own assumption**, set so that their order is sensible; nobody has counted slips for
them. They matter for the ranking only by their ratios.

A *slip of one cut* touches one cut (a swap: two neighbours), and no cut is touched twice:

| slip | probability | of |
| --- | --- | --- |
| the next deeper or shallower depth is written | `OFF_BY_ONE` | each neighbour in the depth table |
| a sign that looks like it is written | `LOOK_ALIKE` | each such sign |
| a sign that sounds like it is written | `SOUND_ALIKE` | each such sign |
| any other sign is written | `ANY_OTHER` | each sign |
| two different neighbours are swapped | `SWAPPED` | each pair |
| a cut is left out | `DROPPED` | each cut |
| a cut is written twice | `DOUBLED` | each cut |
| a foreign cut is written in between | `EXTRA` | each gap and sign |

Several of the first four that lead from one depth to the same sign are added up. A *slip of whole lists* comes after
those of single cuts, in this order:

| slip | probability | of |
| --- | --- | --- |
| every label is written one too high or too low | `RENUMBERED` | each way |
| all lists are read from the tip | `FROM_TIP` | the code |
| one of several lists is read from the tip | `ONE_FROM_TIP` | each list |
| two tracks, or two sides, are exchanged | `EXCHANGED` | each pair |
| signs that are no depths stand for those they look like | `OTHER_SIGNS` | the code |

What would change nothing is no slip. An explanation is at most `MOST` slips, and its probability is their product.

The pairs of signs are common practice for digits and letters dictated in English or written by hand; no source.
"""

from __future__ import annotations

from functools import lru_cache

from bitting.model import Track

MOST = 2
OFF_BY_ONE = 0.004
LOOK_ALIKE = 0.004
SOUND_ALIKE = 0.002
ANY_OTHER = 0.0004
SWAPPED = 0.004
DROPPED = 0.002
DOUBLED = 0.002
EXTRA = 0.0002
RENUMBERED = 0.004
FROM_TIP = 0.01
ONE_FROM_TIP = 0.002
EXCHANGED = 0.01
OTHER_SIGNS = 0.01

STAND_INS = ("0O", "0Q", "0D", "1I", "1L", "2Z", "5S", "6G", "8B")
"""A digit and a letter that is written for it."""

LOOKS = (
    *STAND_INS, "17", "14", "27", "38", "35", "39", "49", "56", "58", "68", "60", "69", "79", "80", "89", "90",
    "4A", "OQ", "OD", "CG", "EF", "BD", "BP", "BE", "PR", "UV", "VY", "MN", "IJ", "IL", "KX", "HN", "AH",
)  # fmt: skip
"""Signs that look alike, printed or by hand; letters in either case."""

SOUNDS = (
    "59", "23", "6X",
    "BC", "BD", "BE", "BG", "BP", "BT", "BV", "CD", "CE", "CG", "CP", "CT", "CZ", "DE", "DG", "DP", "DT", "EG", "EP",
    "ET", "GP", "GT", "GJ", "PT", "VZ", "AH", "AJ", "AK", "HK", "JK", "8A", "8H", "FS", "FX", "SX", "MN", "IY", "QU",
    "FM", "FN",
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
    found = ANY_OTHER + (OFF_BY_ONE if beside else 0.0)
    found += LOOK_ALIKE if _alike(label, text, _LOOKS, case=True) else 0.0
    return found + (SOUND_ALIKE if _alike(label, text, _SOUNDS, case=False) else 0.0)


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
