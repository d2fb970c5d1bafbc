"""Codes as they are read aloud, so that nothing is misheard: digits as words, letters with their spelling word.

The words for letters are those of the international radiotelephony spelling alphabet (ITU Radio Regulations, Appendix 14).

>>> spell("3"), spell("12"), spell("B")
('three', 'twelve', 'B Bravo')
>>> HEARD["three"], HEARD["oh"], HEARD["bravo"]
('3', '0', 'B')
"""

from __future__ import annotations

_SMALL = (
    "zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve",
    "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen",
)  # fmt: skip
_TENS = (
    "twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety",
)  # fmt: skip
_LETTERS = (
    "Alfa", "Bravo", "Charlie", "Delta", "Echo", "Foxtrot", "Golf", "Hotel", "India", "Juliett", "Kilo",
    "Lima", "Mike", "November", "Oscar", "Papa", "Quebec", "Romeo", "Sierra", "Tango", "Uniform", "Victor",
    "Whiskey", "X-ray", "Yankee", "Zulu",
)  # fmt: skip


HEARD = {
    **{word: str(number) for number, word in enumerate(_SMALL)},
    **{word.casefold(): word[0] for word in _LETTERS},
    "oh": "0", "tree": "3", "fower": "4", "fife": "5", "ait": "8", "niner": "9", "wun": "1",
    "fox": "F", "alpha": "A", "juliet": "J", "whisky": "W", "xray": "X",
}  # fmt: skip
"""What somebody who reads a code aloud may say for a depth, and in capitals the depth meant."""
HANDS = {
    "lh": "left", "rh": "right", "lhs": "left", "rhs": "right", "upper": "top", "lower": "bottom",
    "lima": "left", "romeo": "right", "tango": "top", "bravo": "bottom",
}  # fmt: skip
"""Other words for what systems call left, right, top and bottom."""
TIMES = {"double": 2, "triple": 3}
"""Words for so many of the depth behind them."""


def spell(label: str) -> str:
    """One depth's label in words; a character that is neither digit nor Latin letter stays as it is."""
    if label.isascii() and label.isdigit() and len(label) < 3 and (len(label) == 1 or label[0] != "0"):
        value = int(label)
        if value < 20:
            return _SMALL[value]
        tens, ones = divmod(value, 10)
        return _TENS[tens - 2] + (f"-{_SMALL[ones]}" if ones else "")
    return " ".join(_character(character) for character in label)


def _character(character: str) -> str:
    if character.isascii() and character.isdigit():
        return _SMALL[int(character)]
    if character.isascii() and character.isalpha():
        case = "small " if character.islower() else ""
        return f"{case}{character} {_LETTERS[ord(character.upper()) - ord('A')]}"
    return character
