"""`bitting sheet`: one page for the bench that walks the locksmith through the key."""

from __future__ import annotations

import shutil
import sys
from typing import TYPE_CHECKING, Any

import click

from bitting.cli.common import (
    BAD_NEWS,
    GOOD,
    Lines,
    known_system,
    print_json,
    say,
    say_all,
    system_option,
    tell,
    unicode_out,
)
from bitting.cli.help import Command
from bitting.cli.options import (
    Instrument,
    Work,
    ask_all,
    gauge_options,
    guard_option,
    length_of,
    plan_options,
    read_by,
    tolerance_option,
    touched,
    unit_option,
)
from bitting.errors import BittingError

if TYPE_CHECKING:
    from bitting.checking import Report
    from bitting.decoding.result import Decoded
    from bitting.machine.plan.plan import Plan
    from bitting.model import Code, System

EPILOG = """The page holds the code: FILE is readable by you only. Delete it when the key is handed over.

Exit status: 0 written; 1 the code is not legal, or the simulation found a fault: nothing is written; 2 it can't be made.
"""


@click.command(cls=Command, name="sheet", epilog=EPILOG)
@click.argument("code", required=False)
@system_option
@click.option("-o", "--output", metavar="FILE.html", help="Where the page goes; - is standard output.")
@click.option("--readings", metavar="READINGS", help="What was read on the old key: shown decoded beside the code.")
@unit_option
@plan_options
@guard_option
@tolerance_option
@gauge_options
@click.option("--force", is_flag=True, help="Replace FILE if it is there.")
def command(
    code: str | None,
    system_name: str,
    output: str | None,
    readings: str | None,
    unit: str | None,
    work: Work,
    guard: str,
    tolerance: str | None,
    instrument: Instrument,
    force: bool,
    as_json: bool,
) -> int:
    """One page for the bench: code, blade, moves to step through, limits to inspect by, boxes to sign.

    It opens in any browser, on a tablet or a telephone, without a network, and prints on one or two sheets of paper.
    """
    if output is None:
        raise BittingError("where should the page go?", hint="name a file with -o FILE.html")
    if output == "-" and as_json:
        raise BittingError(
            "only one answer fits on standard output, and `-o -` sends the page there",
            hint="name a file with -o FILE.html, or leave --json out",
        )
    if instrument.hand_by_repeats:
        raise BittingError(
            "the page is made before anything is measured, so `--hand repeats` has nothing to go by",
            hint="state the hand's figure as a length; where repeats scatter more than it allows, the page takes theirs",
        )
    from bitting.checking import check
    from bitting.files import may_write, write_whole
    from bitting.machine.inspect.decision import Guard
    from bitting.machine.plan.plan import parse_take, plan
    from bitting.notation import parse_code
    from bitting.sheet.html import page_html
    from bitting.sheet.page import inspecting_of, page_of

    system = touched(known_system(system_name), instrument.contact, instrument.jaw)
    inputs = [system.path, *([str(work.machine_path)] if work.machine_path is not None else [])]
    machine = work.machine()
    if output != "-":
        may_write(output, force=force, inputs=inputs)
    wanted = [("Code", code), ("The code that the key has", work.have), ("Readings of the old key", readings)]
    asked = [wanted[0], *((what, text) for what, text in wanted[1:] if text is not None)]
    given = dict(zip((what for what, _ in asked), ask_all(asked, [system]), strict=True))
    parsed, old, read = (given.get(what) for what, _ in wanted)
    key = parse_code(str(parsed), system)
    report = check(key)
    if not report.legal:
        return _refuse_code(key, report, output, as_json)
    known = None if old is None else parse_code(old, system)
    takes = [parse_take(text, system) for text in work.takes]
    made = plan(key, system, work.ease, machine, work.direction, known, takes)
    if not made.good:
        return _refuse_plan(made, output, as_json)
    page = page_of(
        made,
        key,
        have=known,
        decoded=None if read is None else _decoded(read, system, unit, instrument),
        inspecting=inspecting_of(key, instrument.gauge(system), Guard.parse(guard), length_of(tolerance, system)),
    )
    html = page_html(page)
    if page.decoded is not None and page.decoded.differs:
        tell("the readings don't say this code for sure: settle what the page says of them before a blank is cut")
    if output == "-":
        click.echo(html, file=sys.stdout, nl=False)
        return GOOD
    write_whole(output, html, force=force, inputs=inputs)
    if as_json:
        print_json(
            {"system": system.name, "output": output, "legal": True, "moves": page.moves, "bytes": len(html.encode())}
        )
    else:
        say(f"written to {output}: {page.moves} moves. It holds the code: delete it when the key is handed over.")
    return GOOD


def _refuse_code(code: Code, report: Report, output: str, as_json: bool) -> int:
    """Say why the code is not legal; no page is made."""
    if as_json:
        findings: list[dict[str, Any]] = report.as_dict()["findings"]
        print_json({"system": report.system, "output": None, "legal": False, "findings": findings})
        return BAD_NEWS
    from bitting.report.check import render

    return _refused(render(code, report, shutil.get_terminal_size().columns, not unicode_out()), output)


def _refuse_plan(made: Plan, output: str, as_json: bool) -> int:
    """Say what the simulation found; no page is made."""
    if as_json:
        faults = {"cut_through": made.cut_through, "obstacles": list(made.obstacles), "warnings": list(made.warnings)}
        print_json({"system": made.system, "output": None, "legal": True, **faults})
        return BAD_NEWS
    from bitting.report.plan import verdict_lines

    verdict = verdict_lines(made, shutil.get_terminal_size().columns)
    return _refused([*verdict, *(f"! {warning}" for warning in made.warnings)], output)


def _refused(lines: Lines, output: str) -> int:
    """The reasons, beside standard output where the page was to stand there."""
    said = [*lines, "no page was made"]
    if output != "-":
        say_all(said)
        return BAD_NEWS
    for line in said:
        tell(line if isinstance(line, str) else line[0])
    return BAD_NEWS


def _decoded(text: str, system: System, unit: str | None, instrument: Instrument) -> Decoded:
    """The old key as `bitting decode` answers, told of the same caliper and jaw that the new one is inspected with."""
    from bitting.decoding.model import caliper_step, model_with
    from bitting.decoding.session import Bench, decode_at

    caliper = instrument.caliper
    bench = Bench(
        models={system.name: model_with(system, caliper=caliper)},
        steps={system.name: caliper_step(caliper, system)},
        unit=unit,
        jaw_said=instrument.jaw is not None,
    )
    return decode_at(bench, [text], read_by([system], instrument.jaw, instrument.contact))
