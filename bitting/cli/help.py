"""How a command's help looks: its options under headings, one table for all commands, so that like stands by like."""

from __future__ import annotations

import click

HEADINGS: dict[str, tuple[str, ...]] = {
    "Which system and lock": (
        "--system", "--all-systems", "--system-column", "--against-system", "--lock", "--machine",
    ),
    "What is read": (
        "--column", "--columns", "--sheet", "--delimiter", "--encoding", "--header", "--readings", "--readings-columns",
        "--measured", "--unit", "--code", "--number", "--at", "--from", "--seed", "--chart", "--have",
    ),
    "What else is known": (
        "--made", "--wear", "--caliper", "--width", "--jaw", "--against", "--against-code", "--against-new", "--zero",
        "--hand", "--place", "--where", "--left-right", "--fresh", "--date", "--adjusted", "--bad", "--take",
    ),
    "How strict": ("--sure", "--tolerance", "--place-tolerance", "--guard", "--en1303"),
    "How it is cut": ("--ease", "--direction", "--copy"),
    "What the answer holds": (
        "--best", "--limit", "--limits", "--full", "--suggestions", "--only", "--measures", "--blocks", "--zoom",
    ),
    "Where it goes": (
        "--output", "--svg", "--history", "--correct", "--force", "--json", "--json-lines", "--jobs", "--quiet",
    ),
}  # fmt: skip
"""Heading -> the options that stand under it, in this order."""
OTHER = "Other options"

ORDER = {name: (heading, place) for heading, names in HEADINGS.items() for place, name in enumerate(names)}


class Command(click.Command):
    """A command whose options stand under headings."""

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The options by heading, each in the table's order."""
        found: dict[str, list[tuple[int, tuple[str, str]]]] = {}
        for parameter in self.get_params(ctx):
            if isinstance(parameter, click.Argument):
                continue
            record = parameter.get_help_record(ctx)
            if record is not None:
                heading, place = heading_of(parameter)
                found.setdefault(heading, []).append((place, record))
        for heading in (*HEADINGS, OTHER):
            if heading in found:
                with formatter.section(heading):
                    formatter.write_dl([record for _, record in sorted(found[heading])])


def heading_of(parameter: click.Parameter) -> tuple[str, int]:
    """The heading that an option stands under, and its place there."""
    return next((ORDER[name] for name in parameter.opts if name in ORDER), (OTHER, 0))
