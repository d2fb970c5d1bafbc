"""Grammars and systems are found in a checkout and in an installed package."""

from __future__ import annotations

from bitting import grammars as resources


def test_the_folders_of_a_checkout():
    assert (resources.folder("grammars") / "common.lark").is_file()
    assert any(resources.folder("systems").glob("*.toml"))


def test_the_packages_own_copy_comes_first(tmp_path, monkeypatch):
    monkeypatch.setattr(resources, "_HERE", tmp_path / "bitting")
    assert resources.folder("systems") == tmp_path / "systems"
    (tmp_path / "bitting" / "data" / "systems").mkdir(parents=True)
    assert resources.folder("systems") == tmp_path / "bitting" / "data" / "systems"
