"""What every command shares: the system option, asking for a secret, faults on standard error, JSON."""

from __future__ import annotations

import errno
import functools
import os
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from typing import TYPE_CHECKING, Any, TypeVar

import click

from bitting.errors import BittingError, shown
from bitting.files import one_run
from bitting.model.value import FORMAT, Value

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

    from bitting.linting import LintFinding
    from bitting.model import System

F = TypeVar("F", bound=Callable[..., Any])

GOOD, BAD_NEWS, NO_ANSWER = 0, 1, 2


def system_option(function: F) -> F:
    """`-s SYSTEM`: a shipped name or a path."""
    option = click.option(
        "-s",
        "--system",
        "system_name",
        required=True,
        metavar="SYSTEM",
        shell_complete=system_names,
        help="A shipped system's name (see `bitting systems list`) or the path of a system file.",
    )
    return option(function)


def known_system(name: str, *, sound: bool = True, ruled: bool = True) -> System:
    """The system of that name or path; what its file says and isn't taken as it stands is told beside the answer.

    `sound` refuses figures that no key can have, as `load_system` does, and has other errors that lint finds told in the
    first line of the answer, unless it is `ruled` by rules that are yet to be found.
    """
    from bitting.systemfile import load_system

    system = load_system(name, sound=sound)
    for note in system.notes:
        tell(f"note: {system.path}: {note}")
    if sound and ruled:
        _doubt(system)
    return system


def all_systems(named: Sequence[str]) -> list[System]:
    """The systems that are named, and behind them every other: the shipped ones and the user's own. An own file that can't
    be used is told and left out, unless it is named."""
    from bitting.systemfile import known_systems

    found = [known_system(name) for name in dict.fromkeys(named)]
    paths = {system.path for system in found}
    for known in known_systems():
        try:
            found += [known_system(known.path)] if known.path not in paths else []
        except BittingError as fault:
            tell(f"note: {known.path} is left out: {fault.message}")
    return found


DOUBTS = "bitting.doubts"
"""Where a call keeps the errors that lint finds in its systems, until its answer begins: path -> (system, errors)."""


def _doubt(system: System) -> None:
    from bitting.soundness import suspect

    context = click.get_current_context(silent=True)
    if context is not None and suspect(system):
        from bitting.linting import errors_of  # numpy, and only for a system that is suspect

        if found := errors_of(system):
            context.meta.setdefault(DOUBTS, {})[system.path] = (system, found)


def _doubts() -> list[tuple[System, tuple[LintFinding, ...]]]:
    """What is kept; it is told once."""
    context = click.get_current_context(silent=True)
    return [] if context is None else list(context.meta.pop(DOUBTS, {}).values())


def _doubts_said() -> list[str]:
    return [f"warning: {finding.of(system)}" for system, found in _doubts() for finding in found]


def tell_doubts() -> None:
    """On standard error what wasn't told yet: where standard output holds a list for a machine, or nothing at all."""
    for line in _doubts_said():
        tell(line)


def systems_option(function: F) -> F:
    """`-s SYSTEM`, several times, or `--all-systems`; `names` and `every` for the command."""
    one = click.option(
        "-s",
        "--system",
        "names",
        multiple=True,
        metavar="SYSTEM",
        shell_complete=system_names,
        help="A system's name (see `bitting systems list`) or its file; several are gone through.",
    )
    every = click.option(
        "--all-systems", "every", is_flag=True, help="Every system, shipped and your own, as without -s."
    )
    return one(every(function))


def system_names(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:  # noqa: ARG001
    """What may stand for SYSTEM, for the shell: the names of systems, then files."""
    from click.shell_completion import CompletionItem

    from bitting.systemfile import known_systems

    found = [CompletionItem(known.name) for known in known_systems() if known.name.startswith(incomplete)]
    return found or [CompletionItem(incomplete, type="file")]


def lock_names(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:  # noqa: ARG001
    """The locks of the system that was named, for the shell."""
    from click.shell_completion import CompletionItem

    from bitting.systemfile import load_system

    named = ctx.params.get("system_name") or ctx.params.get("names") or ()
    names = [named] if isinstance(named, str) else list(named)
    found: list[str] = []
    for name in names:
        with suppress(BittingError):
            found += load_system(name).locks
    return [CompletionItem(lock) for lock in dict.fromkeys(found) if lock.startswith(incomplete)]


def ask(value: str | None, what: str) -> str:
    """The text given as argument; `-` and a pipe are read from standard input, all lines; on a terminal it is asked for.

    A code is a secret, and an argument stays in the shell's history: so the prompt and the pipe are always there.
    """
    if value is not None and value != "-":
        return value
    if at_terminal():
        return _bounded(click.prompt(what, err=True))
    return "\n".join(line for _, line in lines_piped())


def at_terminal() -> bool:
    return sys.stdin is not None and sys.stdin.isatty()


MOST_TYPED = 1 << 20
"""Characters that a prompt or a pipe of codes or readings may hold; larger lists are tables, which `batch` reads."""
MOST_LINES = 10_000


def piped() -> str:
    """All of standard input; raises BittingError where it is closed, isn't text, or has no end in sight."""
    if sys.stdin is None:
        raise BittingError("standard input is closed", hint="type the text as an argument, or pipe it in")
    try:
        text = _bounded(sys.stdin.read(MOST_TYPED + 1)).removeprefix("\ufeff")
    except UnicodeDecodeError:
        raise BittingError(
            f"what stands on standard input is no text in {sys.stdin.encoding}", hint="save it as UTF-8 text"
        ) from None
    if text.lstrip().startswith("{"):
        hint = "pipe in the code alone: `code` of decode's answer, `canonical` of each of check's `results`"
        raise BittingError("standard input holds JSON", hint=hint)
    return text


def lines_piped() -> list[tuple[int, str]]:
    """The lines of standard input, each with its number; blank lines and comments are passed over."""
    return [(n, line) for n, line in enumerate(piped().splitlines(), 1) if line.partition("#")[0].strip()]


def _bounded(text: str) -> str:
    """The text, where it is no longer than what is read at once."""
    long = f"{MOST_TYPED:,} characters" if len(text) > MOST_TYPED else ""
    if long or text.count("\n") > MOST_LINES:
        raise BittingError(
            f"there are more than {long or f'{MOST_LINES:,} lines'} on standard input, and no more are read",
            hint="save a long list as a table, a code a row, and give it to `bitting batch`",
        )
    return text


def answers(function: F) -> F:
    """Turn what a user can cause into exit status 2 with the reason on standard error and nothing on standard output."""

    @functools.wraps(function)
    def guarded(*args: Any, **kwargs: Any) -> None:
        def answer() -> int:
            try:
                with one_run():
                    status: int = function(*args, **kwargs)
                tell_doubts()
            except BittingError as fault:
                tell_doubts()
                complain(fault)
                return NO_ANSWER
            return status

        sys.exit(status_of(answer))

    return guarded  # type: ignore[return-value]


def status_of(answer: Callable[[], int | None]) -> int:
    """The exit status that it gives; a prompt that is broken off and an answer that can't be written (disk full, reader
    gone) are no bad news either."""
    try:
        status = answer()
        if sys.stdout is not None:
            sys.stdout.flush()
    except (click.Abort, KeyboardInterrupt):
        tell("\nbitting: broken off, nothing was answered")
        return NO_ANSWER
    except OSError as fault:
        if fault.errno != errno.EPIPE:  # the reader has gone
            where = "the answer" if fault.filename is None else repr(str(fault.filename))
            tell(f"bitting: can't write {where}: {fault.strerror or fault}")
        _let_go(sys.stdout)
        return NO_ANSWER
    return status or GOOD


def unicode_out() -> bool:
    """Whether standard output can show every character."""
    encoding = getattr(sys.stdout, "encoding", None) or "ascii"
    return encoding.lower().replace("-", "") in ("utf8", "utf16", "utf32")


def say(line: str = "", colour: str | None = None) -> None:
    """One line of an answer, coloured on a terminal only; what a terminal would obey is written out.

    The stream is named, as click writes UTF-8 to one that says it is ASCII otherwise.
    """
    for doubt in _doubts_said():
        click.echo(click.style(shown(doubt), fg="yellow"), file=sys.stdout)
    click.echo(click.style(shown(line), fg=colour) if colour else shown(line), file=sys.stdout)


def tell(line: str) -> None:
    """One line beside the answer, on standard error; where nobody can read that, the exit status has to do."""
    try:
        click.echo(shown(line), err=True)
    except OSError:
        _let_go(sys.stderr)


def _let_go(stream: Any) -> None:
    """Or Python would try again at its very end, complain, and change the exit status."""
    with suppress(OSError, ValueError, AttributeError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def say_fitted(line: str) -> None:
    """One line of an answer, in as many as the terminal's width asks for; a pipe gets it whole.

    Rows of a table, which have gaps between their cells, stay as they are.
    """
    if sys.stdout is None or not sys.stdout.isatty() or "  " in line.lstrip():
        say(line)
        return
    import shutil

    from bitting.report.table import folded

    for part, _ in folded([(line, None)], shutil.get_terminal_size().columns):
        say(part)


def complain(fault: BittingError, where: str = "", but: str = "") -> None:
    """Print one fault on standard error (`where`: `line 3: `); that of a system file holds all its faults already.

    `but` is what is to be said of the mend that it offers (see `said_right`).
    """
    tell(f"bitting: {where}{fault.explain()}")
    if fault.text is not None and fault.meant:
        tell("\n".join(said_right(fault.meant, [fault.text], but)))


def said_right(meant: str, given: Sequence[str], but: str = "") -> list[str]:
    """What to say of a code that was certainly meant: the same command with it, for the shell, where it was given in one.

    `given` are the arguments that held it, one after the other, none for the words alone. A code that came by prompt or
    pipe is not put into a command, which would stay in the shell's history. `but`: ` (it is NOT legal in plover)`.
    """
    import shlex

    arguments = click.get_current_context().find_root().obj or []
    places = [i for i in range(len(arguments)) if arguments[i : i + len(given)] == list(given)]
    if not given or len(places) != 1 or any(shown(argument, lines=False) != argument for argument in arguments):
        return [f"if this was meant{but}, write it so: {meant}"]
    before, after = arguments[: places[0]], arguments[places[0] + len(given) :]
    return [f"if this was meant{but}:", f"  {shlex.join(['bitting', *before, meant, *after])}"]


Lines = Iterable[str | tuple[str, str | None]]
"""Lines for people; one that comes with its colour (None: no colour) is as wide as it should be."""


def give(as_json: bool, answer: Value | dict[str, Any], lines: Lines) -> None:
    """The answer as JSON, or its lines for people, which are made only then."""
    if as_json:
        print_json(answer if isinstance(answer, dict) else answer.as_dict())
    else:
        say_all(lines)


def say_all(lines: Lines) -> None:
    for line in lines:
        if isinstance(line, str):
            say_fitted(line)
        else:
            say(*line)


def print_json(answer: dict[str, Any]) -> None:
    """One JSON object on standard output, with the number of its format; see `json_text`.

    Where lint finds errors in a system that was asked, they stand beside the answer as `system_errors`.
    """
    doubts = [{"system": system.name, **one.as_dict()} for system, found in _doubts() for one in found]
    click.echo(json_text({"format": FORMAT, **({"system_errors": doubts} if doubts else {}), **answer}, indent=2))


def json_text(answer: Mapping[str, Any], indent: int | None = None) -> str:
    """JSON in the characters that standard output has; what a terminal would obey is escaped in it as JSON escapes."""
    import json  # as `shlex` above: what a legal code needs is all that a check should wait for

    text = json.dumps(answer, ensure_ascii=not unicode_out(), indent=indent)
    if shown(text) != text:
        text = json.dumps(answer, indent=indent).replace("\x7f", "\\u007f")
    return text
