"""`bitting plan`: the ordered moves for a machine set by hand."""

from __future__ import annotations

import shutil

import click

from bitting.cli.common import BAD_NEWS, GOOD, ask, give, known_system, system_option, tell_doubts
from bitting.cli.help import Command
from bitting.cli.options import Work, ask_all, plan_options

EPILOG = """\b
A machine file
  format = 1
  unit = "mm"
  [space]                     # likewise [depth], clockwise = "deepens" or "backs-out"
  per_turn = 1.0              # travel of one turn
  divisions = 100             # marks on the dial
  zero = 0.0                  # the setting at which the dial shows 0
  clockwise = "to-bow"        # or "to-tip"
  backlash = 0.05             # also: detents, limits = [least, greatest], clamp,
                              # zeroed = "to-bow": the way it went to its zero
  [cutter]
  diameter = 2.38             # as measured
  [corrections]               # written by bitting align
  space = 0.02                # also: depth, depth_scale, left_right, cutter, counted

Exit status: 0 the plan is good; 1 the code is not legal, the key would be cut through, or the simulation found a fault; 2
there can be no plan.
"""


@click.command(cls=Command, name="plan", epilog=EPILOG)
@click.argument("code", required=False)
@system_option
@plan_options
@click.option("--copy", is_flag=True, help="Add how the key is copied onto another blank.")
@click.option("--full", is_flag=True, help="How each move mills, and all of set-up, cautions and what follows.")
def command(code: str | None, system_name: str, work: Work, copy: bool, full: bool, as_json: bool) -> int:
    """The moves of space and depth that cut a code, track by track, checked by simulating the cutter.

    CODE lists the cuts from bow to tip, track by track. Without CODE it is asked for, so that it doesn't stay in the
    shell's history. A plan that would cut too deep is never printed without saying so.
    """
    from bitting.machine.plan.plan import parse_take, plan
    from bitting.notation import parse_code
    from bitting.report.plan import plan_lines

    system = known_system(system_name)
    machine = work.machine()
    first, old = code, work.have
    if old == "-":
        first, old = ask_all([("Code", code), ("The code that the key has", old)], [system])
    known = None if old is None else parse_code(old, system)
    parts = [parse_take(text, system) for text in work.takes]
    answer = plan(parse_code(ask(first, "Code"), system), system, work.ease, machine, work.direction, known, parts)
    if not as_json and not answer.good:
        tell_doubts()  # the plan's own bad news comes first
    columns = shutil.get_terminal_size().columns
    give(as_json, answer, plan_lines(answer, columns=columns, full=full, copy=copy))
    return GOOD if answer.good else BAD_NEWS
