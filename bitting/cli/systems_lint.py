"""`bitting systems lint`: what follows from a system file, proved."""

from __future__ import annotations

import shutil
import sys
import time

import click

from bitting.cli.common import BAD_NEWS, GOOD, answers, json_option, print_json, say

EPILOG = """\b
Examples
  bitting systems lint plover                   a shipped system
  bitting systems lint my-lock.toml             a file of your own
  bitting systems lint plover --en1303          beside the key-code requirements of EN 1303
  bitting systems lint plover --json

Levels: error, no key can be made or no code is legal; warning, the file says what can't be meant, or its keys would be
poor; note, worth knowing.

Exit status: 0 clean (notes at most); 1 errors or warnings; 2 the file can't be used.
"""


@click.command("lint", epilog=EPILOG)
@click.argument("system_name", metavar="SYSTEM")
@click.option(
    "--en1303",
    is_flag=True,
    help="Add the key-code requirements of EN 1303 by grade: numbers from a secondary source, and no certification.",
)
@json_option
@answers
def lint(system_name: str, en1303: bool, as_json: bool) -> int:
    """Prove what follows from a system file: clashing or idle rules, unusable depths, metal that can't stand.

    SYSTEM is a shipped name or the path of a system file. A finding about codes comes with a code that shows it, where a
    single code does.
    """
    from bitting.lint import lint as examine
    from bitting.systemfile import load_system

    found = examine(load_system(system_name), en1303=en1303, progress=_Progress())
    if as_json:
        print_json(found.as_dict())
    else:
        from bitting.report.lint import render_lint

        for line, colour in render_lint(found, shutil.get_terminal_size().columns):
            say(line, colour)
    return GOOD if found.clean else BAD_NEWS


class _Progress:
    """What is being worked on, on standard error, once the lint has taken a second; only on a terminal."""

    def __init__(self) -> None:
        self.began = time.monotonic()

    def __call__(self, stage: str) -> None:
        if sys.stderr.isatty() and time.monotonic() - self.began > 1:
            click.echo(f"… {stage}", err=True)
