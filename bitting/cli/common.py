"""What every command shares: the system option, asking for a secret, faults on standard error, JSON."""

from __future__ import annotations

import functools
import json
import sys
from collections.abc import Callable
from typing import Any, TypeVar

import click

from bitting.errors import BittingError

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


def ask(value: str | None, what: str) -> str:
    """The text given as argument; `-` and a pipe are read from standard input; on a terminal it is asked for.

    A code is a secret, and an argument stays in the shell's history: so the prompt and the pipe are always there.
    """
    if value is not None and value != "-":
        return value
    if sys.stdin.isatty():
        typed: str = click.prompt(what, err=True)
        return typed
    return sys.stdin.read().strip("\n")


def answers(function: F) -> F:
    """Turn what a user can cause into exit status 2 with the reason on standard error and nothing on standard output."""

    @functools.wraps(function)
    def guarded(*args: Any, **kwargs: Any) -> None:
        try:
            status = function(*args, **kwargs)
        except BittingError as fault:
            complain(fault)
            status = NO_ANSWER
        sys.exit(status)

    return guarded  # type: ignore[return-value]


def complain(fault: BittingError) -> None:
    """Print one fault on standard error; that of a system file holds all its faults already."""
    click.echo(f"bitting: {fault.explain()}", err=True)


def print_json(answer: dict[str, Any]) -> None:
    """One JSON object on standard output."""
    click.echo(json.dumps(answer, ensure_ascii=False, indent=2))
