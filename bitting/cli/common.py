"""What every command shares: the system option, asking for a secret, faults on standard error, JSON."""

from __future__ import annotations

import errno
import functools
import json
import os
import sys
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from typing import Any, TypeVar

import click

from bitting.errors import BittingError
from bitting.files import one_run
from bitting.model.value import FORMAT

F = TypeVar("F", bound=Callable[..., Any])

GOOD, BAD_NEWS, NO_ANSWER = 0, 1, 2

json_option = click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON and nothing else.")


def system_option(function: F) -> F:
    """`-s SYSTEM`: a shipped name or a path."""
    option = click.option(
        "-s",
        "--system",
        "system_name",
        required=True,
        metavar="SYSTEM",
        help="A shipped system's name (see `bitting systems list`) or the path of a system file.",
    )
    return option(function)


def grouped(headings: Mapping[str, Sequence[str]]) -> type[click.Command]:
    """A kind of command whose help shows its options under headings: heading -> names of parameters; the rest stand last."""

    class Grouped(click.Command):
        def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
            options = [one for one in self.get_params(ctx) if isinstance(one, click.Option)]
            records = {str(one.name): record for one in options if (record := one.get_help_record(ctx))}
            for heading, names in headings.items():
                with formatter.section(heading):
                    formatter.write_dl([records.pop(name) for name in names])
            with formatter.section("Other options"):
                formatter.write_dl(list(records.values()))

    return Grouped


def ask(value: str | None, what: str) -> str:
    """The text given as argument; `-` and a pipe are read from standard input; on a terminal it is asked for.

    A code is a secret, and an argument stays in the shell's history: so the prompt and the pipe are always there.
    """
    if value is not None and value != "-":
        return value
    if at_terminal():
        typed: str = click.prompt(what, err=True)
        return typed
    return piped().strip("\n")


def at_terminal() -> bool:
    """Whether someone can be asked."""
    return sys.stdin is not None and sys.stdin.isatty()


def piped() -> str:
    """All of standard input; raises BittingError where it is closed or isn't text."""
    if sys.stdin is None:
        raise BittingError("standard input is closed", hint="type the text as an argument, or pipe it in")
    try:
        return sys.stdin.read()
    except UnicodeDecodeError:
        raise BittingError(
            f"what stands on standard input is no text in {sys.stdin.encoding}", hint="save it as UTF-8 text"
        ) from None


def answers(function: F) -> F:
    """Turn what a user can cause into exit status 2 with the reason on standard error and nothing on standard output.

    A prompt that is broken off and an answer that can't be written (disk full, reader gone) are no bad news either.
    """

    @functools.wraps(function)
    def guarded(*args: Any, **kwargs: Any) -> None:
        try:
            with one_run():
                status = function(*args, **kwargs)
            if sys.stdout is not None:
                sys.stdout.flush()
        except BittingError as fault:
            complain(fault)
            status = NO_ANSWER
        except (click.Abort, KeyboardInterrupt):
            click.echo("\nbitting: broken off, nothing was answered", err=True)
            status = NO_ANSWER
        except OSError as fault:
            _unwritten(fault)
            status = NO_ANSWER
        sys.exit(status)

    return guarded  # type: ignore[return-value]


def _unwritten(fault: OSError) -> None:
    """Say that the answer could not be written, unless whoever read it has gone; what is left of it is let go."""
    if fault.errno != errno.EPIPE:
        where = "the answer" if fault.filename is None else repr(str(fault.filename))
        click.echo(f"bitting: can't write {where}: {fault.strerror or fault}", err=True)
    with suppress(OSError, ValueError, AttributeError):  # or Python would try again, and complain, at its very end
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def unicode_out() -> bool:
    """Whether standard output can show every character."""
    encoding = getattr(sys.stdout, "encoding", None) or "ascii"
    return encoding.lower().replace("-", "") in ("utf8", "utf16", "utf32")


def say(line: str = "", colour: str | None = None) -> None:
    """One line of an answer, coloured on a terminal only.

    The stream is named, as click writes UTF-8 to one that says it is ASCII otherwise.
    """
    click.echo(line if colour is None else click.style(line, fg=colour), file=sys.stdout)


def say_fitted(line: str) -> None:
    """One line of an answer, in as many as the terminal's width asks for; a pipe gets it whole.

    Rows of a table, which have gaps between their cells, stay as they are.
    """
    if sys.stdout is not None and sys.stdout.isatty():
        import shutil
        import textwrap

        columns = max(20, shutil.get_terminal_size().columns)
        text = line.lstrip(" ")
        if len(line) > columns and "  " not in text:
            margin = " " * (len(line) - len(text))
            for part in textwrap.wrap(text, columns, initial_indent=margin, subsequent_indent=margin + "  "):
                say(part)
            return
    say(line)


def complain(fault: BittingError) -> None:
    """Print one fault on standard error; that of a system file holds all its faults already."""
    click.echo(f"bitting: {fault.explain()}", err=True)


def print_json(answer: dict[str, Any]) -> None:
    """One JSON object on standard output, with the number of its format."""
    click.echo(json.dumps({"format": FORMAT, **answer}, ensure_ascii=not unicode_out(), indent=2))
