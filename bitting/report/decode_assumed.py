"""What a decoded key's answer assumes, in one line: every figure of the measurement model and what was said beside it."""

from __future__ import annotations

from bitting.decoding.result import Decoded
from bitting.model import System


def assumptions(result: Decoded, system: System) -> str:
    """Every figure of the measurement model in one line."""
    model = result.model
    if model is None:
        return ""
    unit = system.unit

    def length(value: float) -> str:
        return f"{value:.4g}"

    parts = [
        f"one reading ±{length(model.reading_sd)}",
        f"offset ±{length(model.offset_sd)}",
        f"tilt ±{length(model.tilt_sd)}",
        f"left-right ±{length(model.left_right_sd)}",
        f"a cut's own error ±{length(model.cut_sd)} (standard deviations)",
        f"mean wear {length(model.wear)}",
    ]
    return (
        f"assumed, in {unit}: {', '.join(parts)}; {model.outliers:.1%} of readings simply wrong; "
        f"{'; '.join((*result.assumed, 'every legal code as likely as any other'))}"
    )
