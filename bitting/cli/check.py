"""`bitting check`: is this code possible?"""

from __future__ import annotations

import shutil
from functools import partial
from typing import TYPE_CHECKING

import click
from attrs import evolve

from bitting.checking import Report, check
from bitting.cli.common import (
    BAD_NEWS,
    GOOD,
    NO_ANSWER,
    all_systems,
    complain,
    known_system,
    lock_names,
    print_json,
    said_right,
    say,
    systems_option,
    tell,
    unicode_out,
)
from bitting.cli.help import Command
from bitting.cli.options import Given, ask_each, texts_piped
from bitting.errors import BittingError, NotationError
from bitting.model import Code, System

if TYPE_CHECKING:
    from collections.abc import Sequence

EPILOG = """\
Without -s, or with several, it says in which systems the code is legal. In a list, blank lines and lines that begin with
# are passed over, and a line that can't be read doesn't stop the others.

Exit status: 0 every code is legal (in one of the systems); 1 one is not; 2 one can't be read.
"""


@click.command(cls=Command, epilog=EPILOG)
@click.argument("codes", nargs=-1, metavar="[CODE]…")
@systems_option
@click.option(
    "--lock",
    metavar="NAME",
    shell_complete=lock_names,
    help="Only the cuts that this lock reads; write those alone, or the others as ?.",
)
def command(codes: tuple[str, ...], names: tuple[str, ...], every: bool, lock: str | None, as_json: bool) -> int:
    """Every fault of a code at once, with a caret under the cuts, and the nearest legal codes.

    CODE lists the cuts from bow to tip, track by track: 'left: 2133144 / right: 1124421'. Quote it, so that it stays one
    code. Without CODE it is asked for, so that it doesn't stay in the shell's history.
    """
    systems = all_systems(names) if every or not names else [known_system(name) for name in names]
    if lock is not None and len(systems) > 1:
        raise BittingError("a lock belongs to one system", hint="name the system: -s SYSTEM --lock NAME")
    _one_code_in_pieces(codes, systems[0])
    texts = _texts(codes, systems)
    if len(systems) == 1:
        return _in_one(texts, systems[0], lock, as_json)
    return _in_several(texts, systems, as_json)


def _texts(codes: tuple[str, ...], systems: Sequence[System]) -> list[Given]:
    """The codes as typed; a pipe has one a line, or each track of one code on a line of its own."""
    known = systems if len(systems) == 1 else ()
    asked = [("Code", code) for code in codes or ("-",)]
    return ask_each(asked, partial(texts_piped, known), several=len(asked))


def _sums(texts: Sequence[Given], legal: int, unread: int) -> None:
    """The last line of a list, on standard error: how many codes, and what became of them."""
    if any(text.where for text in texts):
        tell(f"{len(texts)} codes: {legal} legal, {len(texts) - legal - unread} not legal, {unread} can't be read")


def _parsed(text: str, system: System, lock: str | None = None) -> Code:
    """The code, legal or not; raises where it can't be read, and for words that are none."""
    from bitting.notation import parse_code
    from bitting.notation.hints import words_instead

    code = parse_code(text, system, lock=lock)
    if words := words_instead(code):
        fault = NotationError(words, text=text)
        fault.mending = partial(_mended, text, system, lock)
        raise fault
    return code


def _in_one(texts: list[Given], system: System, lock: str | None, as_json: bool) -> int:
    """Every code in one system; what can't be read is told on standard error, the others are answered."""
    found: list[tuple[Code, Report]] = []
    results: list[dict[str, object]] = []
    for text, where in texts:
        try:
            code = _parsed(text, system, lock)
        except NotationError as fault:
            but = _but(fault.meant, system, lock) if fault.meant else ""
            complain(fault, where, but)
            told = [fault.explain(), *(said_right(fault.meant, [], but) if fault.meant else [])]
            results.append({"input": text, "error": "\n".join(told)})
            continue
        report = check(code, lock=lock)
        found.append((code, report))
        results.append(report.as_dict())
    if as_json and (found or len(texts) > 1):
        print_json({"results": results})
    elif found:
        _print(found)
    _sums(texts, sum(report.legal for _, report in found), len(texts) - len(found))
    if len(found) < len(texts):
        return NO_ANSWER
    return GOOD if all(report.legal for _, report in found) else BAD_NEWS


def _in_several(texts: list[Given], systems: Sequence[System], as_json: bool) -> int:
    """In which systems each code is legal, and how likely a code written at random is there."""
    from bitting.notation.mend import mended
    from bitting.report.check import render_systems

    results: list[dict[str, object]] = []
    legal = unread = 0
    shown = False
    for text, where in texts:
        rows = [(system, *_tried(text, system, always=as_json)) for system in systems]
        if all(report is None for _, report, _ in rows):
            complain(NotationError(f"no system can read {text!r}", hint=rows[0][2], text=text), where)
            for system in systems:
                if meant := mended(text, system):
                    tell(f"if this was meant, for {system.name}: {meant}")
            results.append({"input": text, "error": f"no system can read it; {systems[0].name}: {rows[0][2]}"})
            unread += 1
            continue
        legal += any(report is not None and report.legal for _, report, _ in rows)
        for system, report, fault in rows:
            results.append(_unread(text, system, fault) if report is None else report.as_dict())
        if not as_json:
            if shown:
                say()
            for line, colour in render_systems(text, rows):
                say(line, colour)
        shown = True
    if as_json and (shown or len(texts) > 1):
        print_json({"results": results})
    _sums(texts, legal, unread)
    return NO_ANSWER if unread else GOOD if legal == len(texts) else BAD_NEWS


def _tried(text: str, system: System, *, always: bool) -> tuple[Report | None, str]:
    """The report of one code in one system, with the chance of a legal one there (`always`, or where it is legal); None
    and the reason where the code can't be read."""
    try:
        report = check(_parsed(text, system), suggest=False)
    except NotationError as fault:
        return None, fault.message
    if always or report.legal:
        from bitting.counting import chance  # numpy, only where several systems are asked

        report = evolve(report, chance=chance(system))
    return report, ""


def _unread(text: str, system: System, fault: str) -> dict[str, object]:
    from bitting.counting import chance

    return {"input": text, "system": system.name, "canonical": None, "legal": False, "findings": [], "suggestions": [],
            "error": fault, "chance": chance(system)}  # fmt: skip


def _print(answers: list[tuple[Code, Report]]) -> None:
    from bitting.report.check import render

    columns = shutil.get_terminal_size().columns
    plain = not unicode_out()
    for i, (code, report) in enumerate(answers):
        if i:
            say()
        meant = None if code.well_formed else _mended(code.text, code.system, report.lock)
        but = _but(meant, code.system, report.lock) if meant else ""
        for line, colour in render(code, report, columns, plain, meant=meant is not None and not but):
            say(line, colour)
        if meant:
            say()
            for words in said_right(meant, [code.text], but):
                say(words)


def _mended(text: str, system: System, lock: str | None) -> str | None:
    from bitting.notation.mend import mended  # which a legal code doesn't need

    return mended(text, system, lock)


def _but(meant: str, system: System, lock: str | None) -> str:
    """What has to be said of a mend that is no legal code."""
    findings = check(_parsed(meant, system, lock), lock=lock, suggest=False).findings
    broken = {finding.rule for finding in findings if finding.level == "must"}
    if broken == {"unknown-cut"}:
        return " (? for a cut left open)"
    return f" (it is NOT legal in {system.name})" if broken else ""


def _one_code_in_pieces(codes: tuple[str, ...], system: System) -> None:
    """Unquoted, the lists of one code arrive as several codes, none of them whole: say so before anything else."""
    if len(codes) < 2 or "-" in codes:
        return
    from bitting.notation import parse_code
    from bitting.notation.mend import mended

    def whole(text: str) -> str | None:
        try:
            code = parse_code(text, system)
        except NotationError:
            return mended(text, system)
        return code.plain if code.well_formed else mended(text, system)

    if not any(map(whole, codes)) and (meant := whole(" ".join(codes))):
        words = said_right(meant, codes)
        raise BittingError(
            f"these are {len(codes)} codes, and none is whole; one code is put in quotes", hint="\n".join(words)
        )
