"""The command line: one module per command, imported only when that command runs.

`bitting check` must answer as fast as Python can start, so this module imports nothing but click, and the table below
names the modules rather than importing them.
"""

from __future__ import annotations

import codecs
import io
import os
import sys
from collections.abc import Sequence
from functools import partial
from importlib import import_module
from typing import Any

import click

COMMANDS: dict[str, tuple[str, str]] = {
    "check": ("check", "Is this code possible? Every fault, and where."),
    "decode": ("decode", "What was the code of this worn key, and how sure is that?"),
    "complete": ("complete", "Cuts that can't be read: what fits, and the fewest blanks to try it."),
    "compare": ("compare", "Two keys: what differs, and can one be deepened into the other?"),
    "batch": ("batch", "Go through a spreadsheet of codes."),
    "plan": ("plan", "The moves for a machine set by hand, in order, simulated."),
    "sheet": ("sheet", "One page for the bench: moves to step through, limits, boxes to sign."),
    "draw": ("draw", "The blade to scale, as SVG."),
    "inspect": ("inspect", "Is the finished key right? Measured, cut by cut."),
    "align": ("align", "What a measured setup key says about the machine."),
    "docs": ("docs", "The pages of the documentation, here in the terminal."),
    "systems": ("systems", "The rule sets themselves: list, show, count, …"),
}
"""Command name -> (module under bitting.cli that defines `command`, line for the overview)."""


class LazyGroup(click.Group):
    """A group that imports a command's module only when it is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - the signature is click's
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = import_module(f"bitting.cli.{COMMANDS[cmd_name][0]}").command
        return command

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        **extra: Any,
    ) -> Any:
        """Run and exit, as click does, but for what click lets through: raw texts in complaints, and full disks."""
        if not standalone_mode or "_BITTING_COMPLETE" in os.environ:  # a shell asks how a line may go on
            return super().main(args, prog_name, complete_var, standalone_mode, **extra)
        from bitting.cli.common import NO_ANSWER, status_of, tell

        given = list(sys.argv[1:] if args is None else args)
        try:
            status = status_of(partial(super().main, given, prog_name, complete_var, False, obj=given, **extra))
        except click.ClickException as fault:
            words = io.StringIO()
            fault.show(words)
            tell(words.getvalue().rstrip("\n"))
            if isinstance(fault, click.UsageError) and "unexpected extra argument" in fault.message:
                tell("a code or a list of readings with blanks in it is put in quotes: 'left: … / right: …'")
            status = NO_ANSWER
        sys.exit(status)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])


@click.command(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="bitting", prog_name="bitting")
def main() -> None:
    """Make keys by hand from a code: check it, find it again from a worn key, plan the cuts, prove the result.

    Exit status: 0 all well; 1 the answer is bad news; 2 the question could not be answered.
    """
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # matrices are small: threads would mostly wait for each other
    if os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb":
        click.get_current_context().color = False
    if sys.stdout is not None and not codecs.lookup(sys.stdout.encoding or "ascii").name.startswith("utf"):
        codecs.register_error("bitting-plain", _plain)
        sys.stdout.reconfigure(errors="bitting-plain")  # type: ignore[union-attr]


main.commands = dict.fromkeys(COMMANDS, main)  # click looks among these names for the one that was meant
PLAIN = {"−": "-", "–": "-", "…": "...", "→": "->", "±": "+-", "°": " degrees", "√": "root of ", "·": "*"}
"""What to write on a terminal that can't show a character."""


def _plain(fault: UnicodeError) -> tuple[str, int]:
    """An error handler for encoding: characters that the terminal lacks in ASCII, so that no answer stops half-way."""
    if not isinstance(fault, UnicodeEncodeError):
        raise fault
    lacking = fault.object[fault.start : fault.end]
    return "".join(PLAIN.get(character, "?") for character in lacking), fault.end
