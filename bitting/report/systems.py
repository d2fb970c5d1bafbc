"""How answers about systems look on a terminal."""

from __future__ import annotations

from collections.abc import Iterator

from bitting.counting import Counted


def render_count(counted: Counted) -> Iterator[str]:
    """The count with its meaning."""
    yield f"{counted.system}: {counted.count:,} legal codes"
    if counted.bits is not None:
        yield f"  {counted.bits:.1f} bits; {_share(counted.share)} of the {counted.unruled:,} that there would be without rules"
    if len(counted.per_track) > 1:
        width = max(map(len, counted.per_track))
        for name, number in counted.per_track.items():
            yield f"  {name.ljust(width)}  {number:,} by its own rules, of {counted.per_track_unruled[name]:,}"
        if counted.coupled:
            yield "  rules tie the tracks together, so the whole is not their product"


def _share(share: float) -> str:
    if share >= 0.01:
        return f"{share:.1%}"
    return f"one in {1 / share:,.0f}" if share else "none"
