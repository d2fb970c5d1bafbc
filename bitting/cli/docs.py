"""`bitting docs`: the pages of the documentation, in the terminal."""

from __future__ import annotations

import click

from bitting.cli.common import GOOD, print_json, say
from bitting.cli.help import Command

EPILOG = """Exit status: 0 printed; 2 there is no such page.
"""


@click.command(cls=Command, name="docs", epilog=EPILOG)
@click.argument("page", required=False, metavar="[PAGE|COMMAND]")
@click.pass_context
def command(context: click.Context, page: str | None, as_json: bool) -> int:
    """Print a PAGE of the documentation, or list the pages; COMMAND for all of a command's options.

    A command of `systems` is written with a hyphen: `bitting docs systems-fit`.
    """
    from bitting import docs

    told = _command_help(context, page) if page else ""
    known = {found.name for found in docs.pages()}
    if told and not as_json:
        if page in known:
            say(docs.page(str(page)).text().rstrip() + "\n\n## The command\n")
        say(told)
        return GOOD
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


def _command_help(context: click.Context, name: str) -> str:
    """The whole help of a command, by its name with hyphens for blanks; nothing where there is no such command."""
    inner = context.find_root()
    for word in name.split("-"):
        group = inner.command
        found = group.get_command(inner, word) if isinstance(group, click.Group) else None
        if found is None:
            return ""
        inner = click.Context(found, inner, word)
    return inner.command.whole_help(inner) if isinstance(inner.command, Command) else ""
