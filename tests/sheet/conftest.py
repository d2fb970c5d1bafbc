"""Pages of the shipped systems, and one real browser for the tests that need one."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from bitting.machine.plan.plan import plan
from bitting.model import Code
from bitting.notation import parse_code
from bitting.sheet.html import page_html
from bitting.sheet.page import Page, inspecting_of, page_of
from bitting.systemfile import load_system

CODES = {
    "dunlin": "6 0 3 4 5 7",
    "grebe": "top(2 3 1 4 2 1); bottom(1 2 4 2 3 3)",
    "heron": "left: 2 3 5 4 4 3 3 2 / right: 4 2 1 3 3 2 3 3",
    "plover": "left: 2 1 3 3 2 4 4 / right: 1 1 2 4 4 2 1",
    "siskin": "left: B A C B A C D B D / right: A B C D C E D D C",
    "wren": "2 3 3 4 3 2 2 3",
}
"""An invented legal code of each shipped system."""

SWITCHES = [
    f"--{name}"
    for name in (
        "headless", "no-sandbox", "disable-gpu", "disable-quic", "no-first-run", "disable-background-networking",
        "disable-component-update", "disable-sync",
    )
]  # fmt: skip


def code_of(name: str) -> Code:
    return parse_code(CODES[name], load_system(name))


def page_facts(name: str, **options: Any) -> Page:
    code = code_of(name)
    return page_of(plan(code, code.system, **options), code, inspecting=inspecting_of(code))


def chromium() -> str | None:
    return next((path for path in map(shutil.which, ("chromium", "chromium-browser")) if path), None)


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    path = chromium()
    if path is None:
        pytest.skip("no Chromium here: install the distribution's chromium package to test the page in a real browser")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=path, args=SWITCHES)
        yield opened
        opened.close()


@pytest.fixture(scope="session")
def pages(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], tuple[Page, Path]]:
    """Facts and file of the page of a shipped system, each made once."""
    folder = tmp_path_factory.mktemp("pages")
    made: dict[str, tuple[Page, Path]] = {}

    def get(name: str) -> tuple[Page, Path]:
        if name not in made:
            page, path = page_facts(name), folder / f"{name}.html"
            path.write_text(page_html(page), encoding="utf-8")
            made[name] = page, path
        return made[name]

    return get


def in_ci() -> bool:
    return os.environ.get("CI") == "true"
