"""README tells the truth: its commands print what it shows, its table is the catalogue, its Python runs."""

from __future__ import annotations

import contextlib
import io
import re

from tests.readme import CONSOLE, README, ROOT, RULES, output, rule_table

TEXT = README.read_text(encoding="utf-8")


def test_commands_print_what_is_shown(tmp_path, monkeypatch):
    monkeypatch.chdir(ROOT)
    shown = CONSOLE.findall(TEXT)
    assert len(shown) >= 3
    for command, expected in shown:
        assert output(command, tmp_path) == expected, command


def test_the_table_of_rules_is_the_catalogue():
    assert RULES.search(TEXT)[0] == f"<!-- rules -->\n{rule_table()}<!-- end of rules -->"


def test_the_python_example_prints_what_is_shown():
    code, printed = re.search(r"```python\n(.*?)```\n\n```text\n(.*?)```", TEXT, re.S).groups()
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        exec(code, {})
    assert out.getvalue() == printed


def test_two_commands_for_a_fresh_machine_come_first():
    blocks = re.findall(r"```(\w+)\n(.*?)```", TEXT, re.S)
    assert [kind for kind, _ in blocks[:2]] == ["sh", "sh"]
    assert "bitting check" in blocks[0][1]
    assert "pytest" in blocks[1][1]
    assert all(".venv" in block for _, block in blocks[:2])
