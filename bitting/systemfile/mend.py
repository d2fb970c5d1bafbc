"""Slips of TOML that people make, mended in a copy, so that the rest of the file can be judged in the same round.

A file with a slip is never used: each slip is a fault with the line to write. What is known: a number without its first or
last digit (`.4`, `4.`), a comma for the point, a unit behind a number, a missing or a curly quote, words without quotes,
`:` for `=`, `True` for `true`, a missing comma between lines of a list, a missing bracket of a table's name, one bracket
where a track has two, and braces over several lines.

>>> mended = mend("width = .4\\nunit = mm\\nname = 'finch")
>>> mended.data
{'width': 0.4, 'unit': 'mm', 'name': 'finch'}
>>> for slip in mended.slips:
...     print(slip)
line 1: found .4; write 0.4 (width = 0.4)
line 2: found unit = mm; write unit = "mm"
line 3: found name = 'finch; write name = "finch"
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterator, Sequence
from typing import Any, NamedTuple

MOST_SLIPS = 100
"""A file with more of them is something else."""
_SHOWN = 100
_LONGEST = 2000


class Mended(NamedTuple):
    """What stands in a text once its slips are mended, None where it still isn't TOML; `stop` says why then."""

    data: dict[str, Any] | None
    slips: tuple[str, ...]
    stop: str = ""


def mend(text: str) -> Mended:
    """Read a text, mending one slip after the other where TOML stops. Raises nothing."""
    lines = text.split("\n")
    slips: dict[int, tuple[str, str]] = {}
    stop = ""
    for _ in range(MOST_SLIPS):
        try:
            data = tomllib.loads("\n".join(lines))
        except tomllib.TOMLDecodeError as fault:
            stop = f"not TOML: {fault}{_twice(lines)}"
            found = _first_slip(lines, _line_of(str(fault), len(lines)))
            if found is None:
                break
            number, count, better = found
            old = " ".join(line.strip() for line in lines[number : number + count])
            first = slips.get(number, (old, ""))[0]
            slips[number] = first, better.strip()
            lines[number : number + count] = [better, *[""] * (count - 1)]
        except (ValueError, RecursionError) as fault:
            stop = f"not readable: {fault}"
            break
        else:
            return Mended(data, _told(slips))
    return Mended(None, _told(slips), stop)


def _told(slips: dict[int, tuple[str, str]]) -> tuple[str, ...]:
    return tuple(
        f"line {number + 1}: {_difference(_short(old), _short(new))}" for number, (old, new) in sorted(slips.items())
    )


def _difference(old: str, new: str) -> str:
    """What to write for what: the numbers, where nothing else differs, and the line."""
    before, after = (re.findall(r"[^\s,{}\[\]=]+", text) for text in (old, new))
    if len(before) == len(after):
        pairs = [(a, b) for a, b in zip(before, after, strict=True) if a != b]
        if pairs and all(re.fullmatch(r"[+-]?[\d.]+", b) for _, b in pairs):
            said, meant = (", ".join(part) for part in zip(*pairs, strict=True))
            return f"found {said}; write {meant} ({new})"
    return f"found {old}; write {new}"


def _short(line: str) -> str:
    """A line without its remark, cut where it is very long."""
    bare = _split_remark(line)[0].strip() or line.strip()
    return bare if len(bare) <= _SHOWN else bare[: _SHOWN - 1] + "…"


def _line_of(message: str, lines: int) -> int:
    """The line that a fault of TOML names, from 0; the last one where it names the end."""
    found = re.search(r"at line (\d+)", message)
    return min(int(found[1]), lines) - 1 if found else lines - 1


def _twice(lines: Sequence[str]) -> str:
    """Where a key stands in its table a second time, which TOML tells without the line."""
    seen: dict[str, int] = {}
    for number, line in enumerate(lines, start=1):
        if re.match(r"\s*\[", line):
            seen = {}
        elif found := re.match(r"\s*([\w-]+)\s*=", line):
            if found[1] in seen:
                return f"; line {number} says {found[1]} again, after line {seen[found[1]]}: leave one of them out"
            seen[found[1]] = number
    return ""


def _first_slip(lines: Sequence[str], at: int) -> tuple[int, int, str] | None:
    """The slip nearest to where TOML stopped, looking back: (line, how many lines, what they should be)."""
    for number in range(at, max(-1, at - 40), -1):
        if len(lines[number]) > _LONGEST:
            continue
        joined = _joined_braces(lines, number)
        if joined is not None:
            return number, *joined
        for better in _better(lines, number):
            if better != lines[number]:
                return number, 1, better
    return None


def _joined_braces(lines: Sequence[str], number: int) -> tuple[int, str] | None:
    """A value in braces that runs over several lines, on one."""
    first = _split_remark(lines[number])[0]
    if not re.match(r"\s*[\w\"'-]+\s*=\s*\{", first) or first.count("{") <= first.count("}"):
        return None
    text = first.rstrip()
    closed = re.sub(r",\s*$", "", text) + " }"
    if not text.endswith(("{", ",")):
        return 1, closed
    for count, line in enumerate(lines[number + 1 : number + 41], start=2):
        bare = _split_remark(line)[0].strip()
        if re.match(r"\[", bare) or "{" in bare:
            break
        text += ("" if text.endswith(("{", ",")) or not bare or bare == "}" else ",") + " " + bare
        if "}" in bare:
            return count, re.sub(r",\s*\}", " }", text)
    return 1, closed


def _better(lines: Sequence[str], number: int) -> Iterator[str]:
    """What a line might have been meant to be, the likeliest first."""
    code, remark = _split_remark(lines[number])
    for mender in _MENDERS:
        better = mender(code)
        if better != code:
            yield better + remark
    if re.match(r"\s*([\"']).*\1\s*$", code) and number + 1 < len(lines) and re.match(r"\s*[\"']", lines[number + 1]):
        yield code.rstrip() + "," + remark


def _split_remark(line: str) -> tuple[str, str]:
    """A line and its remark, with the blanks before it; a `#` within quotes begins none, unless they are never closed."""
    quote = ""
    for place, sign in enumerate(line):
        if quote:
            quote = "" if sign == quote else quote
        elif sign in "\"'":
            quote = sign
        elif sign == "#":
            return _cut(line, place)
    if quote and (found := re.search(r"\s{2,}#|\s#\s", line)):
        return _cut(line, line.index("#", found.start()))
    return line, ""


def _cut(line: str, place: int) -> tuple[str, str]:
    bare = line[:place].rstrip()
    return bare, line[len(bare) :]


_NUMBER_AFTER = r"(?<=[=\[{,\s])"
_END = r"(?=\s*(?:[,\]}]|$))"


def _outside_quotes(code: str, change: Callable[[str], str]) -> str:
    """Change a line where it isn't quoted."""
    parts = re.split(r"(\"[^\"]*\"|'[^']*')", code)
    return "".join(part if i % 2 else change(part) for i, part in enumerate(parts))


def _digits(code: str) -> str:
    """`.4` and `4.`."""

    def change(part: str) -> str:
        part = re.sub(_NUMBER_AFTER + r"([+-]?)\.(\d+)" + _END, r"\g<1>0.\2", part)
        return re.sub(_NUMBER_AFTER + r"([+-]?\d+)\." + _END, r"\1.0", part)

    return _outside_quotes(code, change)


def _comma(code: str) -> str:
    """A comma for the point: of a single number, of every number in braces, of lists that separate by comma and blank."""

    def change(part: str) -> str:
        part = re.sub(r"(=\s*[+-]?\d+),(\d+)(?=\s*$)", r"\1.\2", part)
        return re.sub(r"(=\s*[+-]?\d+),(\d+)(?=\s*[,}])", r"\1.\2", part) if "{" in part else part

    return _outside_quotes(code, change)


def _unit(code: str) -> str:
    """`10.0 mm`."""
    return _outside_quotes(
        code, lambda part: re.sub(r"(=\s*[+-]?[\d.]+)\s*(?:mm|inch|in|thou|°|deg|degrees)\s*$", r"\1", part)
    )


def _curly(code: str) -> str:
    return re.sub("[“”„«»]", '"', re.sub("[‘’‚]", "'", code))


def _colon(code: str) -> str:
    return re.sub(r"^(\s*[A-Za-z][\w-]*)\s*:\s*(?=\S)", r"\1 = ", code)


def _truth(code: str) -> str:
    def lower(found: re.Match[str]) -> str:
        return found[1] + {"yes": "true", "no": "false"}.get(found[2].lower(), found[2].lower())

    return re.sub(r"(=\s*)(True|False|TRUE|FALSE|[Yy]es|[Nn]o|YES|NO)\s*$", lower, code)


def _header(code: str) -> str:
    """`[system`, `system]`, `[[tracks]`, and `[tracks]` with one bracket."""
    found = re.fullmatch(
        r"\s*\[*\s*(format|system|blade|tracks|rules|locks|cutting|measuring|cutter|space|depth|corrections)\s*\]*\s*",
        code,
    )
    if not found or not ("[" in code or "]" in code):
        return code
    return "[[tracks]]" if found[1] == "tracks" else f"[{found[1]}]"


def _closing_quote(code: str) -> str:
    """A text that begins with a quote and doesn't end with one, or the other way round."""
    begun = re.fullmatch(r"(\s*(?:[\w-]+\s*=\s*)?\[?\s*(?:\"[^\"]*\"\s*,\s*)*)([\"'])([^\"']*?)(\s*[\],]*\s*)", code)
    if begun:
        return f'{begun[1]}"{begun[3]}"{begun[4]}'
    ended = re.fullmatch(r"(\s*[\w-]+\s*=\s*)([^\"'\[{]+?)[\"']\s*", code)
    return f'{ended[1]}"{ended[2]}"' if ended else code


def _no_quotes(code: str) -> str:
    """Words without quotes: a single value, or a line of a list."""
    found = re.fullmatch(r"(\s*[\w-]+\s*=\s*)([^\W\d][^\"'\[\]{}=]*?)\s*", code)
    if found and found[2] not in ("true", "false", "nan", "inf"):
        return f'{found[1]}"{found[2]}"'
    item = re.fullmatch(r"(\s+)([^\W\d][^\"'\[\]{}=]* [^\"'\[\]{}=]*?)(,?)\s*", code)
    return f'{item[1]}"{item[2]}"{item[3]}' if item else code


def _words_in_list(code: str) -> str:
    """`sides = [top, bottom]`."""
    found = re.fullmatch(r"(\s*[\w-]+\s*=\s*\[)([^\"'\[\]{}=]+)(\]\s*)", code)
    if not found or not re.search(r"[^\W\d_]", found[2]):
        return code
    return found[1] + ", ".join(f'"{word.strip()}"' for word in found[2].split(",") if word.strip()) + found[3]


def _closing_bracket(code: str) -> str:
    """A list on one line that isn't closed."""
    item = r"(?:\"[^\"]*\"|[+-]?\d[\d.]*)"
    found = re.fullmatch(rf"(\s*[\w-]+\s*=\s*\[\s*{item}(?:\s*,\s*{item})*)\s*,?\s*", code)
    return f"{found[1]}]" if found else code


_MENDERS = (
    _curly, _colon, _truth, _comma, _digits, _unit, _header, _words_in_list, _closing_quote, _no_quotes, _closing_bracket,
)  # fmt: skip
"""Each takes a line without its remark and gives it mended, or as it was."""


def list_commas(text: str) -> Iterator[tuple[str, str]]:
    """Lists that are TOML, and whose commas were meant as points: (found, write).

    >>> list(list_commas("spaces = [21,4, 19,1, 16,8]  # from the tip"))
    [('line 1: found spaces = [21,4, 19,1, 16,8]', 'spaces = [21.4, 19.1, 16.8]')]
    """
    for number, line in enumerate(text.split("\n"), start=1):
        code = _split_remark(line)[0]
        found = re.fullmatch(r"\s*([\w-]+\s*=\s*\[\s*)(\d+,\d+(?:,\s+\d+,\d+)+)(\s*\])\s*", code)
        if found:
            yield (
                f"line {number}: found {_short(code)}",
                found[1] + re.sub(r"(\d),(\d)", r"\1.\2", found[2]) + found[3],
            )
