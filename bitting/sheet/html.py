"""The bench page as one HTML file that needs nothing but a viewer.

Nothing comes from outside. The content security policy in the file's head allows its own script and its own style by
their hashes, and nothing else: no resource, no address, no style or handler in an element. Every text goes through the
template's escaping; only the drawings, which escape theirs, are put in as they are.

The script is a few small parts, put one behind the other: `keep` (the place kept in the browser), `drawing`, `stepper`,
`inspection`, `print`, and `start`, which puts them together. Other pages can be made of the same parts.
"""

from __future__ import annotations

import secrets
from base64 import b64encode
from hashlib import sha256
from pathlib import Path
from typing import Any

from attrs import asdict

from bitting.report.inspect import WORDS
from bitting.sheet.limits import Judging
from bitting.sheet.page import Page

PARTS = Path(__file__).parent / "parts"
SCRIPT = ("keep", "drawing", "stepper", "inspection", "print", "start")


def page_html(page: Page) -> str:
    """The file's text. The name under which the page keeps the place is drawn at random for each file."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    script, style = script_text(), part("style.css")
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, loader=FileSystemLoader(PARTS)
    )
    return environment.get_template("page.html").render(
        page=page,
        script=script,
        style=style,
        policy=policy(script, style),
        facts=script_facts(page, secrets.token_hex(16)),
    )


def part(name: str) -> str:
    return (PARTS / name).read_text(encoding="utf-8")


def script_text() -> str:
    return '"use strict";\n' + "\n".join(part(f"{name}.js") for name in SCRIPT)


def policy(script: str, style: str) -> str:
    """The content security policy: this script and this style, and nothing else."""
    allowed = {"script-src": script, "style-src": style}
    own = "".join(
        f"; {name} 'sha256-{b64encode(sha256(text.encode()).digest()).decode()}'" for name, text in allowed.items()
    )
    return f"default-src 'none'{own}; base-uri 'none'; form-action 'none'"


def script_facts(page: Page, name: str) -> dict[str, Any]:
    """What the script is told: the steps with their marks, and how to judge; `name` is where it keeps the place."""
    steps = [
        {**asdict(step), "mark": None if mark is None else asdict(mark)}
        for step, mark in zip(page.steps, page.marks, strict=True)
    ]
    return {
        "keep": name,
        "steps": steps,
        "judging": None if page.inspecting is None else judging_facts(page.inspecting.judging),
        "words": WORDS,
    }


def judging_facts(judging: Judging) -> dict[str, Any]:
    """What the script is told of judging a key."""
    rows = [{**asdict(row), "name": row.name} for row in judging.rows]
    return {**asdict(judging), "rows": rows, "units": dict(judging.units)}
