"""`bitting docs`: the pages of the documentation, in the terminal."""

from __future__ import annotations

import click

from bitting.cli.common import GOOD, answers, json_option, print_json, say
from bitting.cli.help import Command
from bitting.errors import BittingError

EPILOG = """Exit status: 0 printed; 2 there is no such page.
"""


@click.command(cls=Command, name="docs", epilog=EPILOG)
@click.argument("page", required=False)
@json_option
@answers
@click.pass_context
def command(context: click.Context, page: str | None, as_json: bool) -> int:
    """Print a PAGE of the documentation, or list the pages."""
    from bitting import docs

    root = context.find_root()
    commands = root.command.list_commands(root) if isinstance(root.command, click.Group) else []
    if page in commands and page not in {known.name for known in docs.pages()}:
        raise BittingError(f"there is no page {page!r}, but a command", hint=f"see `bitting {page} --help`")
    chosen = [docs.page(page)] if page is not None else list(docs.pages())
    if as_json:
        answer = [{"name": p.name, "title": p.title} | ({"text": p.text()} if page is not None else {}) for p in chosen]
        print_json({"pages": answer})
    elif page is not None:
        say(chosen[0].text().rstrip())
    else:
        width = max(len(p.name) for p in chosen)
        for p in chosen:
            say(f"{p.name:<{width}}  {p.title}")
    return GOOD
