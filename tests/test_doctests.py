"""Every example in a docstring of the package does what it shows."""

from __future__ import annotations

import doctest
import pkgutil
from importlib import import_module

import pytest

import bitting

MODULES = ["bitting", *(m.name for m in pkgutil.walk_packages(bitting.__path__, "bitting.") if ".data" not in m.name)]


@pytest.mark.parametrize("name", MODULES)
def test_examples(name):
    assert doctest.testmod(import_module(name)).failed == 0


def test_most_layers_have_examples():
    assert sum(bool(doctest.DocTestFinder().find(import_module(name))[0].examples) for name in MODULES) > 20
