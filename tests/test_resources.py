"""Grammars and systems are found in a checkout and in an installed package."""

from __future__ import annotations

import os

from bitting import grammars as resources


def test_the_folders_of_a_checkout():
    assert "common.lark" in os.listdir(resources.folder("grammars"))
    assert any(name.endswith(".toml") for name in os.listdir(resources.folder("systems")))


def test_the_packages_own_copy_comes_first(tmp_path, monkeypatch):
    monkeypatch.setattr(resources, "_HERE", str(tmp_path / "bitting"))
    assert resources.folder("systems") == str(tmp_path / "systems")
    (tmp_path / "bitting" / "data" / "systems").mkdir(parents=True)
    assert resources.folder("systems") == str(tmp_path / "bitting" / "data" / "systems")
