"""`bitting check`: is this code possible?"""

from __future__ import annotations

import shutil

import click

from bitting.checking import Report, check
from bitting.cli.common import (
    BAD_NEWS,
    GOOD,
    NO_ANSWER,
    answers,
    ask,
    complain,
    json_option,
    known_system,
    print_json,
    say,
    system_option,
    unicode_out,
)
from bitting.errors import BittingError, NotationError
from bitting.model import Code, System

EPILOG = """\b
Examples
  bitting check -s plover                       asks for the code
  bitting check 'left: 2133144 / right: 1124421' -s plover
  bitting check '2 1 3 3 1 4 4  1 1 2 4 4 2 1' -s plover --json
  bitting check - -s plover < codes.txt         one code a line

Exit status: 0 every code is legal; 1 one is not; 2 one can't be read.
"""


@click.command(epilog=EPILOG)
@click.argument("codes", nargs=-1, metavar="[CODE]…")
@system_option
@click.option("--lock", metavar="NAME", help="Only the cuts that this lock reads; the others may be left open with ?.")
@json_option
@answers
def command(codes: tuple[str, ...], system_name: str, lock: str | None, as_json: bool) -> int:
    """Every fault of a code at once, with a caret under the cuts, and the nearest legal codes.

    CODE lists the cuts from bow to tip, track by track: 'left: 2133144 / right: 1124421'. Quote it, so that it stays one
    code. Without CODE it is asked for, so that it doesn't stay in the shell's history.
    """

    system = known_system(system_name)
    texts = _texts(codes)
    parsed = _parse(texts, system)
    if parsed is None:
        return NO_ANSWER
    reports = [check(code, lock=lock) for code in parsed]
    if as_json:
        print_json({"results": [report.as_dict() for report in reports]})
    else:
        _print(list(zip(parsed, reports, strict=True)))
        _one_code_in_pieces(texts, system)
    return GOOD if all(report.legal for report in reports) else BAD_NEWS


def _texts(codes: tuple[str, ...]) -> list[str]:
    """The codes as typed; a pipe has one a line."""
    if codes and codes != ("-",):
        return list(codes)
    given = ask(codes[0] if codes else None, "Code")
    return [line for line in given.splitlines() if line.strip()] or [given]


def _parse(texts: list[str], system: System) -> list[Code] | None:
    """All codes, or None after every one that can't be read has been complained of."""
    from bitting.notation import parse_code

    parsed: list[Code] = []
    failed = False
    for text in texts:
        try:
            parsed.append(parse_code(text, system))
        except BittingError as fault:
            complain(fault)
            failed = True
    return None if failed else parsed


def _print(answers: list[tuple[Code, Report]]) -> None:
    from bitting.report.check import render

    columns = shutil.get_terminal_size().columns
    plain = not unicode_out()
    for i, (code, report) in enumerate(answers):
        if i:
            say()
        for line, colour in render(code, report, columns, plain):
            say(line, colour)


def _one_code_in_pieces(texts: list[str], system: System) -> None:
    """Unquoted, the lists of one code arrive as several codes, all too short: say so."""
    if len(texts) < 2:
        return
    from bitting.notation import parse_code

    try:
        together = parse_code(" ".join(texts), system).well_formed
        apart = any(parse_code(text, system).well_formed for text in texts)
    except NotationError:
        return
    if together and not apart:
        say(f"\nthese are {len(texts)} codes; if you meant one, quote it: '{' '.join(texts)}'")
