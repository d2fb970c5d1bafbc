"""How much of the tests is tried: a quarter of what is drawn at random, so that `.ci/run` ends in twelve minutes on two cores.

Of a list of cases README's command tries those that end soon; with `-m "thorough or not thorough"` every one is tried.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

import pytest
from hypothesis import settings

settings.register_profile("quarter", max_examples=25, deadline=None)
settings.load_profile("quarter")  # before any test is read, so that `drawn` knows


def drawn(examples: int) -> settings:
    """As many examples of a property, or the part of them that the profile takes."""
    return settings(max_examples=max(10, examples * settings.default.max_examples // 100), deadline=None)


@pytest.fixture(autouse=True, scope="session")
def no_own_systems(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Whatever systems stand in the folder of whoever runs the tests are not asked."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_DATA_HOME", str(tmp_path_factory.mktemp("data")))
        yield


def but_long(cases: Iterable[Any], *long: Any) -> list[Any]:
    """The cases of a test, with those marked as thorough that take long."""
    return [
        pytest.param(*(case if isinstance(case, tuple) else (case,)), marks=pytest.mark.thorough)
        if case in long
        else case
        for case in cases
    ]
