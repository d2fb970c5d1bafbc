"""What every command is: its options under headings in its help, `--json`, and an exit status that says how it went.

The headings are one table for all commands, so that like stands by like.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from textwrap import wrap
from typing import Any

import click

from bitting.cli.common import answers

HEADINGS: dict[str, tuple[str, ...]] = {
    "Which system and lock": (
        "--system", "--all-systems", "--system-column", "--against-system", "--lock", "--machine",
    ),
    "What is read": (
        "--column", "--columns", "--systems-folder", "--sheet", "--delimiter", "--readings",
        "--readings-columns",
        "--measured", "--unit", "--code", "--number", "--at", "--from", "--seed", "--chart", "--answers", "--defaults", "--have",
    ),
    "What is said of the system": (
        "--milling", "--depths", "--spaces", "--stop", "--tracks", "--sides", "--thickness", "--mill-depth", "--prepared",
        "--macs", "--rule", "--shape", "--cutter", "--angle", "--root", "--seat", "--steepest", "--source", "--about",
    ),
    "What else is known": (
        "--made", "--wear", "--caliper", "--gauge", "--width", "--jaw", "--contact", "--against",
        "--against-code", "--against-new", "--zero",
        "--hand", "--place", "--where", "--left-right", "--fresh", "--date", "--adjusted", "--bad", "--take", "--known", "--new",
    ),
    "How strict": ("--sure", "--tolerance", "--place-tolerance", "--guard", "--en1303", "--strict"),
    "How it is cut": ("--ease", "--direction", "--copy"),
    "What the answer holds": (
        "--best", "--limit", "--limits", "--repeats", "--full", "--suggestions", "--only", "--measures", "--blocks", "--zoom",
        "--schema",
    ),
    "Where it goes": (
        "--output", "--svg", "--history", "--correct", "--force", "--json", "--json-lines", "--jobs",
    ),
}  # fmt: skip
"""Heading -> the options that stand under it, in this order."""
OTHER = "Other options"

ORDER = {name: (heading, place) for heading, names in HEADINGS.items() for place, name in enumerate(names)}


SAME = "'left: 2133244 / right: 1124421' -s plover"
CUTS = "'2 1 2 3 2 3 1 2'"
KEY = "'7.75 8.30 7.75 7.20 7.75 7.20 8.30 7.75'"
SETUP = "'8.30 8.31 8.30 6.65 8.32 8.33 8.30 8.31' -s wren"

EXAMPLES: dict[str, tuple[str, ...]] = {
    "check": (SAME, "'L 2133244 R 1124421' --all-systems", "'left 21332 right 11244' -s plover --lock door"),
    "decode": (
        f"{KEY} -s wren",
        "'7.30 7.21 ? 7.09|7.11 7.18 6.58 7.74 7.15' -s wren --best 3",
        f"{KEY} --all-systems",
    ),
    "complete": (
        "'left: 2133?44 / right: 112442?' -s plover",
        "'left 2133? right 11244' -s plover --lock door",
        "'left: 213??44 / right: 1124421' -s plover --where 'on left, cut 4 is deeper than cut 5'",
    ),
    "compare": (
        "'left: 2133244 / right: 1124421' 'left: 2134244 / right: 1124421' -s plover",
        f"{KEY} '3 1 2 3 2 3 1 2' -s wren",
        "'L 213?244 R 1124421' 'L 2134244 R 1124421' -s plover --json",
    ),
    "batch": (
        "fleet.csv -s plover -o checked.csv",
        "fleet.csv -s plover -o - --only bad",
        "fleet.csv -s plover --column 'key code' -o checked.csv --force",
    ),
    "plan": (SAME, f"{SAME} --ease", f"{SAME} --json"),
    "draw": (f"{SAME} -o blade.svg", f"{SAME} --blocks", f"{SAME} --measures -o -"),
    "sheet": (
        f"{SAME} -o key.html",
        f"{CUTS} --readings {KEY} -s wren -o key.html",
        f"{SAME} --take 'left 2 by 0.10' -o recut.html",
    ),
    "inspect": (f"{CUTS} {KEY} -s wren", f"{CUTS} {KEY} -s wren --guard 2u --caliper 0.02", f"{CUTS} --limits -s wren"),
    "align": (SETUP, f"{SETUP} --caliper 0.02", f"{SETUP} --history machine.csv"),
    "docs": ("", "notation", "rules"),
    "systems list": ("", "--json"),
    "systems show": ("plover", "dunlin", "siskin --json", "--schema"),
    "systems count": ("plover", "heron", "wren --json"),
    "systems sample": ("plover", "wren -n 5", "wren -n 5 --seed 7"),
    "systems codes": ("wren --limit 10", "wren --from 3000 --limit 2", "grebe --limit 3 --json"),
    "systems number": ("wren '2 1 2 3 2 3 1 2'", "plover --at 1000001", "plover --at 1000001 --json"),
    "systems rules": ("", "equal-run", "sum --json"),
    "systems lint": ("wren", "dunlin --en1303", "wren --strict", "grebe --json"),
    "systems new": (
        "knot --chart knot-chart.csv -o knot.toml",
        "smew --chart smew-chart.csv --source 'a drawing' -o smew.toml",
        "finch --unit mm --stop tip --depths '1 8.60, 2 8.15, 3 7.70' --spaces '21.4 19.1 16.8' -o finch.toml",
    ),
    "systems learn": (
        "fleet.csv -s plover",
        "fleet.csv -s plover --column 'key code' --bad 0.1 -o learned.toml",
        "fleet.csv -s plover --json",
    ),
    "systems fit": (
        "plover-keys.csv -s plover",
        "plover-keys.csv -s plover --known 1=8.60 -o fitted.toml",
        "plover-keys.csv -s plover --new 3 --json",
    ),
}
"""Command -> what may stand behind it: every one runs as printed (in a folder that holds what `examples` holds)."""


FIRST: dict[str, tuple[str, ...]] = {
    "decode": ("--system", "--made", "--wear", "--caliper", "--against", "--full", "--json"),
    "batch": ("--system", "--column", "--readings", "--readings-columns", "--output", "--only", "--force", "--json"),
    "plan": ("--system", "--machine", "--have", "--take", "--ease", "--copy", "--full", "--json"),
    "sheet": ("--system", "--machine", "--have", "--take", "--readings", "--caliper", "--output", "--force"),
    "inspect": ("--system", "--caliper", "--against", "--tolerance", "--guard", "--limits", "--json"),
    "align": ("--system", "--place", "--caliper", "--history", "--correct", "--json"),
    "systems new": (
        "--chart", "--unit", "--milling", "--stop", "--sides", "--depths", "--spaces", "--macs", "--rule", "--output",
    ),
    "systems fit": ("--system", "--known", "--new", "--against", "--against-code", "--output", "--json"),
}  # fmt: skip
"""Of commands whose help would be longer than a screen: the options that it shows; `bitting docs COMMAND` has them all."""
SCREEN = 80
"""Columns that an example keeps to."""


class Command(click.Command):
    """A command that takes `--json` and gives its exit status; its options stand under headings, with examples behind them.

    Help is one screen (40 lines of 80 columns): where it would be longer, it shows the options of `FIRST`, says which others
    there are and where all is told. `whole` is then for `bitting docs`.
    """

    whole = False

    def __init__(
        self, name: str | None, callback: Callable[..., int], params: Sequence[click.Parameter], **others: Any
    ) -> None:
        json = click.Option(["--json", "as_json"], is_flag=True, help="Print the answer as JSON and nothing else.")
        super().__init__(name, callback=answers(callback), params=[*params, json], **others)

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """As click reads them, but an option that takes one value isn't given two, of which the first would be lost."""
        order = [] if ctx.resilient_parsing else self.make_parser(ctx).parse_args(list(args))[2]
        for one in order:
            if isinstance(one, click.Option) and not one.multiple and not one.is_flag and order.count(one) > 1:
                raise click.UsageError(f"{max(one.opts, key=len)} is given twice, and takes one value", ctx)
        return super().parse_args(ctx, args)

    def whole_help(self, ctx: click.Context) -> str:
        """Everything there is to say, however long."""
        self.whole = True
        try:
            return self.get_help(ctx)
        finally:
            self.whole = False

    def _short(self, ctx: click.Context) -> bool:
        return _name(ctx) in FIRST and not self.whole

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The examples as they are typed, then whatever else there is to say."""
        name = _name(ctx)
        if name in EXAMPLES:
            with formatter.section("Examples"):
                for example in EXAMPLES[name]:
                    formatter.write(as_typed(f"bitting {f'{name} {example}'.strip()}"))
        if not self._short(ctx):
            super().format_epilog(ctx, formatter)
        elif self.epilog:
            formatter.write_paragraph()
            with formatter.indentation():
                formatter.write_text(self.epilog.strip().rpartition("\n\n")[2].replace("\n", " "))

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The options by heading, each in the table's order; in short those of `FIRST`, and the names of the others."""
        options = [parameter for parameter in self.get_params(ctx) if not isinstance(parameter, click.Argument)]
        if self._short(ctx):
            name = _name(ctx)
            shown = [next(p for p in options if first in p.opts) for first in FIRST[name]]
            with formatter.section("Used most"):
                told = [p.get_help_record(ctx) or ("", "") for p in shown]
                formatter.write_dl([(option, text.partition("  [")[0]) for option, text in told])  # not its default
            others = [max(p.opts, key=len) for p in options if p not in shown and p.name != "help"]
            with formatter.section(f"Others, all told in `bitting docs {name.replace(' ', '-')}`"):
                width, margin = formatter.width - formatter.current_indent, " " * formatter.current_indent
                for line in wrap(", ".join(sorted(others)), width, break_on_hyphens=False):  # an option stays whole
                    formatter.write(f"{margin}{line}\n")
            return
        found: dict[str, list[tuple[int, tuple[str, str]]]] = {}
        for parameter in options:
            record = parameter.get_help_record(ctx)
            if record is not None:
                heading, place = heading_of(parameter)
                found.setdefault(heading, []).append((place, record))
        for heading in (*HEADINGS, OTHER):
            if heading in found:
                with formatter.section(heading):
                    formatter.write_dl([record for _, record in sorted(found[heading])])


def _name(ctx: click.Context) -> str:
    """`plan`, `systems fit`."""
    return ctx.command_path.partition(" ")[2]


def as_typed(command: str) -> str:
    r"""A command as it may be typed in lines of `SCREEN` columns: broken between arguments, with a backslash.

    >>> as_typed("bitting check 'L 2133244 R 1124421' --json")
    "  bitting check 'L 2133244 R 1124421' --json\n"
    """
    lines = [" "]
    for word in re.findall(r"'[^']*'|\S+", command):
        if len(lines[-1]) + len(word) + 3 > SCREEN:
            lines[-1] += " \\"
            lines.append("     ")
        lines[-1] += f" {word}"
    return "\n".join(lines) + "\n"


def heading_of(parameter: click.Parameter) -> tuple[str, int]:
    """The heading that an option stands under, and its place there."""
    return next((ORDER[name] for name in parameter.opts if name in ORDER), (OTHER, 0))
