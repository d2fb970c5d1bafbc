"""The usual faults of the pen, and how each is answered: one table, read at run time and by the tests.

A `Fault` tells a fault by what stands before and after the place where the parser could not go on. The first that fits
is the answer; `examples` are texts that must get it, with the marked characters under the caret (`«…»`), and the tests
run them all. What no entry describes gets an answer built from what the parser would have accepted there.

The module is long because it is a table.
"""

from __future__ import annotations

import re
import unicodedata
from typing import Literal

from attrs import frozen
from lark import UnexpectedInput, UnexpectedToken

from bitting.errors import NotationError, Span
from bitting.model.system import WORD, System
from bitting.notation.tree import blank_comments

Kind = Literal["code", "readings"]


@frozen
class Fault:
    """One usual fault.

    `before` must match at the end of the text before the fault and `after` at its start (regular expressions on the
    normalised text, comments blanked). The caret stands under the group `mark` of either, else under what was found.
    `message` may name the marked text as `{found}`.
    """

    identifier: str
    kind: Literal["code", "readings", "both"]
    before: str
    after: str
    message: str
    hint: str
    examples: tuple[str, ...]


STOP = r"(?=\s*(?:\Z|[/;)\]]))"
OPEN = r"(?:\A|[(:/;])\s*"

FAULTS: tuple[Fault, ...] = (
    Fault(
        "empty", "code", r"\A\s*", r"\s*\Z",
        "there is no code here",
        "write the depths from the bow to the tip, such as 2 1 3 3 1",
        ("«»", "   «»", "# only a remark«»"),
    ),
    Fault(
        "empty", "readings", r"\A\s*", r"\s*\Z",
        "there are no readings here",
        "write what the caliper read at each cut, from the bow to the tip, such as 7.42 7.05 ? 6.61",
        ("«»", "  «»"),
    ),
    # ---- separators of cuts
    Fault(
        "separator-double", "code", r"[-,]\s*", r"(?P<mark>[-,])",
        "two separators stand in a row",
        "write one '-' or ',' between two cuts, and ? for a cut you don't know",
        ("1-«-»2", "1 , «,» 2", "left: 2 - «-» 3 / right: 1", "1–«—»2"),
    ),
    Fault(
        "separator-leading", "code", OPEN, r"(?P<mark>[-,])",
        "a separator stands before the first cut",
        "begin with a depth, or ? for a cut you don't know",
        ("«-»1 2", "left: «,»1 2", "top(«-» 1 2)", "1 2 / «-»3"),
    ),
    Fault(
        "separator-trailing", "readings", r"(?P<mark>,)\s*", STOP,
        "a comma stands after the last reading",
        "leave it out, or write the reading that is missing (? for one that could not be taken)",
        ("7.42 7.05«,»", "7.42«,» / 7.05"),
    ),
    Fault(
        "separator-trailing", "code", r"(?P<mark>[-,])\s*", STOP,
        "a separator stands after the last cut",
        "leave it out, or write the cut that is missing (? for one you don't know)",
        ("1 2«-»", "1 2 «,» ", "left: 1 2 «-» / right: 1 2", "top(1 2«,»)"),
    ),
    # ---- ranges and brackets
    Fault(
        "range-chained", "code", rf"\.\.\s*{WORD}\s*", r"(?P<mark>\.\.)",
        "a range has two ends",
        "write 1..3 for the depths from 1 to 3",
        ("1..3«..»5", "left: 1 .. 3 «..» 5"),
    ),
    Fault(
        "range-open", "code", r"(?P<mark>\.\.)\s*", r"(?!\.)",
        "a range has no end",
        "write 1..3 for the depths from 1 to 3; range ends are single depths",
        ("1«..»", "left: 1«..» / right: 2", "1«..»?", "1«..»[2 3]"),
    ),
    Fault(
        "range-open", "code", OPEN, r"(?P<mark>\.\.)",
        "a range has no beginning",
        "write 1..3 for the depths from 1 to 3; range ends are single depths",
        ("«..»3", "left: «..»3"),
    ),
    Fault(
        "range-in-brackets", "code", r"\[[^\]]*", r"(?P<mark>\.\.)",
        "a range stands inside brackets",
        "write [1 2 3] for one of these depths, or 1..3 without brackets",
        ("[1«..»3]",),
    ),
    Fault(
        "range-open", "code", r"[?\]\-,]\s*", r"(?P<mark>\.\.)",
        "a range has no beginning",
        "write 1..3 for the depths from 1 to 3; range ends are single depths",
        ("?«..»3", "[1 2]«..»3"),
    ),
    Fault(
        "reading", "code", r"(?:\A|[\s:/(])(?P<mark>\d)", r"\.\d\d+[\s|]+\d+\.",
        "this looks like a reading, and a code is wanted here",
        "a code is the depths, such as 2 1 3; readings stand behind it, or are given to `decode`",
        ("«7».20 7.21 6.66", "left: «8».11 8.54 / right: 8.55 8.56", "«7».20|7.21 6.66"),
    ),
    Fault(
        "points", "code", r"[^\W_]\s*", r"(?P<mark>\.)\s*[^\W_]\s*\.\s*[^\W_]",
        "points stand between the cuts",
        "write blanks between them, as in 2 1 3 3, or nothing: 2133",
        ("2«.»1.3.3", "left: 2«.»1.3 / right: 1", "2 1 3«.» 3. 2. 4"),
    ),
    Fault(
        "point", "code", r"", r"(?P<mark>\.+)",
        "'{found}' is no part of a code",
        "write 1..3 (two points) for the depths from 1 to 3, and blanks between cuts",
        ("1«.»2", "2133«.»", "1..«.»3"),
    ),
    Fault(
        "separator-in-brackets", "code", r"\[[^\]]*", r"(?P<mark>[-,])",
        "'{found}' stands inside brackets",
        "write [1 3] for one of these depths, with blanks between them, or 1..3 for a range",
        ("[1«-»3]", "[1«,» 3]", "2 1 [«,»3]"),
    ),
    Fault(
        "open-in-brackets", "code", r"\[[^\]]*", r"(?P<mark>\?)",
        "'?' stands inside brackets",
        "write ? alone for a cut you don't know, or [1 3] for one of these depths",
        ("[«?»]", "[1 «?»]"),
    ),
    Fault(
        "bracket-in-brackets", "code", r"\[[^\]]*", r"(?P<mark>\[)",
        "brackets stand inside brackets",
        "write [1 3] for one of these depths",
        ("[«[»1 2]]", "[1 «[»2]"),
    ),
    Fault(
        "brackets-empty", "code", r"(?P<mark>\[\s*)", r"\]",
        "the brackets are empty",
        "write [1 3] for one of these depths, or ? for a cut you don't know",
        ("2 1 «[»] 3", "«[ »]"),
    ),
    # ---- names, tracks, sides
    Fault(
        "from-what", "code", rf"(?P<mark>\b[Ff][Rr][Oo][Mm]\s+{WORD})\s*", r":",
        "'{found}': cuts are counted from the bow or from the tip",
        "write from bow or from tip",
        ("left «from stop»: 2 1 3", "left: 2 / right «from left»: 1"),
    ),
    Fault(
        "from-what", "readings", r"", rf"(?:{WORD}\s+)?(?P<mark>[Ff][Rr][Oo][Mm]\s+(?!(?i:bow|tip)\s*:){WORD})\s*:",
        "'{found}': cuts are counted from the bow or from the tip",
        "write from bow or from tip",
        ("left «from stop»: 7.42", "left: 7.42 / «from left»: 1"),
    ),
    Fault(
        "colon-double", "both", r":\s*", r"(?P<mark>:)",
        "two colons stand in a row",
        "write the track's name, one colon, and its cuts",
        ("left:«:» 2 1",),
    ),
    Fault(
        "track-in-track", "code", rf"{WORD}(?:\s*[-,]|\s)\s*(?P<mark>{WORD})\s*", r":",
        "'{found}:' begins another track",
        "put / before it: tracks are written left: … / right: …",
        ("left: 2 1 3 «right»: 1 1 2", "2133 «right»: 1124", "left: 2 1 3, «right»: 1"),
    ),
    Fault(
        "track-in-track", "readings", r"[^/:(]\s*", rf"(?P<mark>{WORD})\s*(?:[Ff][Rr][Oo][Mm]\s+{WORD}\s*)?:",
        "'{found}:' begins another track",
        "put / before it: tracks are written left: … / right: …",
        ("left: 7.42 7 «right»: 7.1", "7.42 mm «right»: 7.05", "left: 7.42, «right» from tip: 1"),
    ),
    Fault(
        "name-missing", "both", r"", r"(?P<mark>:)",
        "a colon stands where no track is named",
        "write the name of a track before a colon, and nothing else",
        ("2 ? «:» 1", "1 2 / 3 ?  «:» 3"),
    ),
    Fault(
        "equals-open", "both", r"(?P<mark>=)\s*", r"",
        "no side stands after '='",
        "write bottom = top where both sides carry the same cuts",
        ("top(2 1); bottom «=»", "bottom «=» (1 2)", "bottom «=» ?"),
    ),
    Fault(
        "equals", "both", r"", r"(?P<mark>=)",
        "'=' stands where no side is named",
        "write bottom = top where both sides carry the same cuts",
        ("«=» top", "1 2 «=» 3"),
    ),
    Fault(
        "cuts-after-copy", "both", rf"=\s*{WORD}\s*", r"(?P<mark>[^;\s])",
        "'{found}' follows the name of the side whose cuts are the same",
        "write bottom = top and nothing behind it, or every side with its own cuts: top: … / bottom: …",
        ("bottom = top«(»2 1)", "top(1 2); bottom = top «3»"),
    ),
    Fault(
        "semicolon-missing", "both", r"\)\s*", rf"(?P<mark>{WORD}|[/,\-(\[?])",
        "'{found}' follows a side that is closed",
        "put ; behind a side in round brackets, or do without them: top: … / bottom: …",
        ("top(2 1) «bottom»(2 1)", "top(2 1) «/» bottom(1 2)", "top(2 1) «3»"),
    ),
    Fault(
        "semicolon-between-tracks", "both", r"\A[^()=]*[^()=\s]\s*", r"(?P<mark>;)",
        "';' stands between two tracks",
        "put / between tracks, as in left: … / right: …",
        ("left: 2 1«;» right: 1 1", "213«;» 112"),
    ),
    Fault(
        "semicolon-in-side", "both", r"\([^()]*", r"(?P<mark>;)",
        "';' stands inside a side",
        "put / there, or close the bracket first; without brackets it is written top: … / bottom: …",
        ("top(1 2«;» 1 3)", "top(left: 1 2«;» bottom(1 2))"),
    ),
    Fault(
        "side-missing", "both", r"(?P<mark>;)\s*", r"\s*\Z",
        "no side stands after ';'",
        "leave it out, or write every side: top: … / bottom: …",
        ("top(1 2)«;»", "bottom = top«;» "),
    ),
    Fault(
        "side-missing", "both", r";\s*", rf"(?P<mark>{WORD}|.)",
        "'{found}' stands where a side is expected",
        "write every side with its name: top: … / bottom: …",
        ("top(1 2); «3» 4", "top(1 2); «(»3 4)", "top(1 2);«;» bottom(1 2)"),
    ),
    Fault(
        "side-in-track", "code", rf"(?P<mark>{WORD})\s*", r"\(",
        "'{found}(' stands among cuts: round brackets hold nothing but a side's cuts",
        "put a remark behind #; a side is written with a colon: top: … / bottom: …",
        ("left: «top»(2 1)", "2 1 «top»(2 1)", "top(«bottom»(1 2))"),
    ),
    Fault(
        "side-in-track", "readings", r"", rf"(?P<mark>{WORD})\s*\(",
        "'{found}(' stands among cuts: round brackets hold nothing but a side's cuts",
        "put a remark behind #; a side is written with a colon: top: … / bottom: …",
        ("left: «top»(2 1)", "2 1 «top»(2 1)"),
    ),
    Fault(
        "round-brackets", "both", r"", r"(?P<mark>\()",
        "'(' stands where no side is named",
        "put a remark behind #, and write [1 3] for one of these depths",
        ("«(»2 1 3)", "2 ? «(»1 3)", "left: «(»2 1)"),
    ),
    Fault(
        "cuts-missing", "both", rf"(?P<mark>{WORD}\s*[:(]|[:/(])\s*", STOP,
        "nothing stands behind '{found}'",
        "write its cuts from the bow to the tip, or ? for each you don't know",
        ("«left:»", "«left:» / right: 1 2", "1 2 «/»", "«top(»)", "1 2«/»/ 3", "top(1 2 «/»)"),
    ),
    Fault(
        "cuts-missing", "both", r"\A\s*", r"(?P<mark>[/;])",
        "nothing stands before '{found}'",
        "write the cuts of the first track before it, or name the track: left: …",
        ("«/» 1 2", "«;» top(1 2)"),
    ),
    # ---- readings
    Fault(
        "reading-open-cut", "readings", r"", r"(?P<mark>\[[^\]\n]*\]?|\.\.)",
        "'{found}' belongs to codes, not to readings",
        "write what the caliper read at each cut, or ? for a cut that could not be measured",
        ("7.42 «[7.1 7.2]»", "7.42 «..» 7"),
    ),
    Fault(
        "reading-nan", "readings", r"", r"(?i:(?P<mark>[+-]?(?:nan|inf|infinity|none|null|na|n/a|x+|-+))(?=[\s,|/;)]|\Z))",
        "'{found}' is no reading",
        "write ? for a cut that could not be measured",
        ("7.42 «nan» 7.05", "«inf»", "7.42 «n/a» 7.1", "7.42 «-» 7.05", "7.42 «--»"),
    ),
    Fault(
        "reading-exponent", "readings", r"", r"(?i:(?P<mark>[0-9.,]+e[+-]?[0-9]+\S*))",
        "'{found}' is not written out",
        "write a plain decimal number, such as 7.42",
        ("«1e400»", "7.42 «7.05E-2» 1"),
    ),
    Fault(
        "reading-negative", "readings", r"", r"(?P<mark>[-+][0-9.,]+)",
        "'{found}' has a sign",
        "a reading is a length without a sign; readings are separated by blanks, limits are written 7.42±0.03",
        ("«-7.42»", "7.05 «-7.42» 7.4", "7.05 «+7.42»", "7.05 «−7.42»", "7.05±«-0.03»"),
    ),
    Fault(
        "reading-dash", "readings", r"", r"(?P<mark>[0-9.,]+-\S*)",
        "'{found}' holds a dash",
        "put blanks between readings; limits are written 7.42±0.03",
        ("«7.42-7.05»", "«7.42-»"),
    ),
    Fault(
        "reading-commas", "readings", r"",
        r"(?P<mark>[0-9]+[.,][0-9]+(?:,[0-9]*)+(?:[.,][0-9]+)*|[0-9]+(?:,[0-9]+){2,})(?=[\s|/;)]|\Z)",
        "'{found}' may be one number or several",
        "put a blank between two readings: 7.42 7.05, or 7.42, 7.05",
        ("«7.42,7.05»", "«7,42,7,05»", "7.1 «7.42,7.05,7.1» 7", "«1,2,3»", "«1.234,5»"),
    ),
    Fault(
        "reading-points", "readings", r"", r"(?P<mark>[0-9]*(?:[.,][0-9]*){2,})(?=[\s|/;)]|\Z)",
        "'{found}' has more than one point",
        "a reading has one decimal point or one decimal comma, such as 7.42",
        ("«7.4.2»", "«7..42»", "«.3.3»"),
    ),
    Fault(
        "reading-point-open", "readings", r"", r"(?P<mark>[0-9]*[.,])(?=[\s|/;)±@]|\Z)",
        "'{found}' has no digits behind its point",
        "write 7.42 or 7, without a blank inside a number",
        ("«7.» 42", "7.1 «7.»", "«.»"),
    ),
    Fault(
        "reading-comma-first", "readings", r"", r"(?P<mark>,[0-9]+)",
        "'{found}' begins with a comma",
        "write the digit before a decimal comma (0,335), and a blank behind a comma between readings",
        ("«,335»", "7,42 «,7» 7"),
    ),
    Fault(
        "reading-unit", "readings", r"[0-9?]\s*",
        r"(?i:(?P<mark>(?:cm|dm|m|inch(?:es)?|mils?|thous(?:andths?)?|thou|µm|μm|um|millimet\w*|\"|''|″|')(?!\w)))",
        "'{found}' is no unit known here",
        "units are mm, in and thou (a thousandth of an inch)",
        ("7.42 «cm»", "0.335 «inch»", '0.335 «"»', "335 «mil»", "7.42 «µm»"),
    ),
    Fault(
        "reading-unit", "readings", r"",
        r"(?i:(?P<mark>[0-9.,]+(?:cm|dm|m|inch(?:es)?|mils?|thous(?:andths?)?|µm|μm|um|\"|''|″|'))(?![\w]))",
        "'{found}' has no unit known here",
        "units are mm, in and thou (a thousandth of an inch)",
        ("«7.42cm»", "7 «0.335inch»", '«0.335"»', "«335mil»"),
    ),
    Fault(
        "reading-touch", "readings", r"", r"(?P<mark>\?[^\s/;)]+|[0-9.,]+\?\S*)",
        "'{found}': something touches a '?'",
        "put blanks between readings; ? alone is a cut that could not be measured",
        ("«?7.42»", "«7.42?»", "«??»", "7 «?|7.42»"),
    ),
    Fault(
        "repeat-open", "readings", r"(?P<mark>\|)\s*", r"(?=\s*(?:\Z|[/;)?|]))",
        "no reading stands behind '|'",
        "'|' joins two readings of the same cut: 7.40|7.41",
        ("7.42«|»", "7.4«|» / 7", "7.4 «|»| 7.41", "7.4«|»?"),
    ),
    Fault(
        "repeat-open", "readings", r"", r"(?P<mark>\|)",
        "no reading stands before '|'",
        "'|' joins two readings of the same cut: 7.40|7.41",
        ("«|»7.42", "left: «|» 7", "? «|» 7.4"),
    ),
    Fault(
        "limits-open", "readings", r"(?P<mark>±|\+/?-)\s*", r"",
        "no number stands behind '{found}'",
        "write half the width of the limits behind it: 7.42±0.03",
        ("7.42«±»", "7.42 «+-» / 7", "7.42 «+/-» ?", "7.42 «±»±0.03"),
    ),
    Fault(
        "limits-open", "readings", r"", r"(?P<mark>±|\+/?-)",
        "no reading stands before '{found}'",
        "write one ± behind a reading: 7.42±0.03",
        ("«±»0.03", "?  «+-»0.03", "7.42±0.03«±»0.1"),
    ),
    Fault(
        "place-open", "readings", r"(?P<mark>@)\s*", r"",
        "no number stands behind '@'",
        "write the distance of the cut from the stop behind it: 7.42@21.4",
        ("7.42«@»", "7.42«@» ?"),
    ),
    Fault(
        "unit-first", "readings", r"", r"(?i:(?P<mark>mm|in|thou)(?=[\s,|/;)±@]|\Z))",
        "'{found}' stands where a reading is expected",
        "write a unit behind a reading, and once: 7.42 mm",
        ("«mm» 7.42", "7.42 mm «mm»"),
    ),
    Fault(
        "reading-word", "readings", r"", r"(?P<mark>(?=[^\s/;)|]*[^\W\d_])[\w.,]+)",
        "'{found}' is no reading",
        "write what the caliper read at each cut, as a plain number, or ? for a cut that could not be measured",
        ("«abc»", "7.42 «7x»", "left: 7.42 «A12»", "«A1234»"),
    ),
    Fault(
        "reading-touched", "readings", r"", r"(?P<mark>[0-9][^\s/;|]*)",
        "'{found}' is no reading",
        "a number ends at a blank; limits are written 7.42±0.03, repeats of one cut 7.40|7.41",
        ("7.42 «7.42(1)» 7", "«7'42» 7.05"),
    ),
)  # fmt: skip

EXPECTED = {
    "NAME": "a name", "WORD": "a depth", "NUMBER": "a reading", "UNKNOWN": "?", "QMARK": "?", "LSQB": "[", "RSQB": "]",
    "LPAR": "(", "RPAR": ")", "SLASH": "/", "SEMICOLON": ";", "COLON": ":", "EQUAL": "=", "_SEPARATOR": "a separator",
    "UNIT": "a unit", "VBAR": "|", "_PLUS_MINUS": "±", "END": "bow or tip", "AT": "@", "_FROM": "from",
    "$END": "the end", "__ANON_0": "..",
}  # fmt: skip
"""The grammars' terminals as people say them."""

REACH = 400
"""How far around the fault, in characters, a fault is looked for; a long text costs no more than a short one."""

ALPHABET = {"code": "?[].,-/;:()=", "readings": "?.,/;:()=|±+-@[]\"'″µ"}
"""What may stand in a text besides words and blanks (or has an entry of its own)."""

WANTED = {
    "code": "a code is written in letters, digits and ? [ ] .. - , / ; : ( ) =",
    "readings": "readings are written in plain digits 0 to 9, with one point or comma, and ? | ± between blanks",
}


def explain(fault: UnexpectedInput, text: str, plain: str, kind: Kind, system: System | None = None) -> NotationError:
    """The parser's fault as an error that says what is wrong, where, and what to write instead.

    `text` is as given, `plain` as normalised; they have the same length. With `system` the hint's examples are written
    with its own sides and tracks.
    """
    found = _explained(fault, text, plain, kind)
    if system is None:
        return found
    return NotationError(found.message, hint=in_words_of(system, found.hint), text=found.text, span=found.span)


def in_words_of(system: System, hint: str) -> str:
    """A hint whose examples (top and bottom, left and right) name the system's own sides and tracks."""
    words = {
        "top: … / bottom: …": system.form,
        "left: … / right: …": system.form,
        "left: …": system.form.split(" / ")[0],
    }
    if len(system.sides) > 1:
        top, bottom = system.sides[:2]
        words["bottom = top"] = f"{bottom} = {top}"
    elif "bottom = top" in hint:
        return f"a code of {system.name} is written {system.form}"
    return re.sub("|".join(map(re.escape, words)), lambda found: words[found[0]], hint)


def _explained(fault: UnexpectedInput, text: str, plain: str, kind: Kind) -> NotationError:
    plain = blank_comments(plain)
    ended = isinstance(fault, UnexpectedToken) and fault.token.type == "$END"
    place = len(plain) if ended else min(fault.pos_in_stream or 0, len(plain))
    error = _stray_character(text, plain, place, kind) or _brackets(text, plain, place)
    if error is not None:
        return error
    blank = not plain[:place].strip()
    start = place if blank else max(0, place - REACH)
    before, after = plain[start:place], plain[place : place + REACH]
    if start and not blank:
        before = "…" + before[1:]  # so that \A and \Z mean the text's own ends
    if place + REACH < len(plain):
        after += "…"
    for entry in FAULTS:
        if entry.kind in (kind, "both"):
            span = _fits(entry, before, after)
            if span is not None:
                span = (start + span[0], start + span[1])
                message = entry.message.replace("{found}", _short(text[slice(*span)].strip()))
                return NotationError(message, hint=entry.hint, text=text, span=span)
    return _unlisted(fault, text, plain, place)


def _fits(entry: Fault, before: str, after: str) -> Span | None:
    """Where the mark stands, counted from the start of `before`; None when the entry doesn't fit."""
    behind = re.match(entry.after, after)
    if behind is None:
        return None
    ahead = re.search(rf"(?:{entry.before})\Z", before)
    if ahead is None:
        return None
    if "mark" in behind.re.groupindex:
        a, b = behind.span("mark")
        return len(before) + a, len(before) + b
    if "mark" in ahead.re.groupindex:
        return ahead.span("mark")
    return len(before), len(before)


def _stray_character(text: str, plain: str, place: int, kind: Kind) -> NotationError | None:
    """The error for a character that no text of this kind holds."""
    window = re.compile(r"\S*" if kind == "readings" else r"\S?").match(plain, place, place + REACH)
    for at, character in enumerate(window[0] if window else "", start=place):
        if character not in ALPHABET[kind] and not re.fullmatch(WORD, character):
            return NotationError(
                f"{_describe(text[at])} can't stand {'in a code' if kind == 'code' else 'in readings'}",
                hint=WANTED[kind],
                text=text,
                span=(at, at + 1),
            )
    return None


def _describe(character: str) -> str:
    """A character people may not know by sight: `'½' (vulgar fraction one half)`."""
    name = unicodedata.name(character, "").lower()
    shown = f"'{character}'" if character.isprintable() else f"U+{ord(character):04X}"
    return shown if character.isascii() or not name else f"{shown} ({name})"


def _brackets(text: str, plain: str, place: int) -> NotationError | None:
    """The error for brackets that don't pair, when that is what stopped the parser."""
    found = plain[place : place + 1]
    opened: list[int] = []
    for bracket in re.finditer(r"[()\[\]]", plain[:place]):
        if bracket[0] in "([":
            opened.append(bracket.start())
        elif opened:
            opened.pop()
    last = plain[opened[-1]] if opened else ""
    if found in (")", "]") and not opened:
        return NotationError(
            f"'{found}' closes nothing",
            hint="leave it out, or open the bracket first",
            text=text,
            span=(place, place + 1),
        )
    crossed = found in (")", "]") and last + found not in ("()", "[]")
    never = last != "" and (not found or (last == "[" and (found in "/;:(" or "]" not in plain[place:])))
    if crossed or never:
        closing = ")" if last == "(" else "]"
        return NotationError(
            f"'{last}' is not closed",
            hint=f"write {closing} where it ends",
            text=text,
            span=(opened[-1], opened[-1] + 1),
        )
    return None


def _unlisted(fault: UnexpectedInput, text: str, plain: str, place: int) -> NotationError:
    """What no entry of the table describes: what was found, and what would have been accepted."""
    expected = getattr(fault, "accepts", None) or getattr(fault, "expected", None) or getattr(fault, "allowed", None)
    known = sorted({EXPECTED[name] for name in expected or () if name in EXPECTED})
    hint = f"expected here: {', '.join(known)}" if known else ""
    if place >= len(plain):
        last = len(plain.rstrip())
        return NotationError("the text ends too soon", hint=hint, text=text, span=(max(0, last - 1), last))
    word = re.compile(rf"{WORD}|.", re.DOTALL).match(plain, place)
    end = word.end() if word else place + 1
    return NotationError(f"'{_short(text[place:end])}' can't stand here", hint=hint, text=text, span=(place, end))


def _short(found: str) -> str:
    return found if len(found) <= 24 else found[:20] + "…"
