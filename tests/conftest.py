"""How much README's command tries: a quarter of what is drawn at random, and of a list of cases those that end soon.

Where the thorough tests are asked for (`-m "thorough or not thorough"`), every case is tried and a third of what is
drawn, so that `.ci/run` ends in twelve minutes on two cores.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pytest
from hypothesis import settings

settings.register_profile("whole", max_examples=34, deadline=None)
settings.register_profile("quarter", max_examples=25, deadline=None)


def pytest_configure(config: pytest.Config) -> None:
    """Before any test is read, so that `drawn` knows."""
    settings.load_profile("quarter" if config.option.markexpr == "not thorough" else "whole")


def drawn(examples: int) -> settings:
    """As many examples of a property, or the part of them that the profile takes."""
    return settings(max_examples=max(10, examples * settings.default.max_examples // 100), deadline=None)


def but_long(cases: Iterable[Any], *long: Any) -> list[Any]:
    """The cases of a test, with those marked as thorough that take long."""
    return [
        pytest.param(*(case if isinstance(case, tuple) else (case,)), marks=pytest.mark.thorough)
        if case in long
        else case
        for case in cases
    ]
