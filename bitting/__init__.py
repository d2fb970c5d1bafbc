"""A toolkit for the locksmith who makes keys by hand from a code.

>>> import bitting
>>> system = bitting.load_system("plover")
>>> code = bitting.parse_code("left: 2133244 / right: 1124421", system)
>>> bitting.check(code, system).legal
True

Everything here is imported when it is first used, so `import bitting` costs next to nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from bitting.batch import CheckedMany, check_many
    from bitting.checking import Report, check
    from bitting.completion import Comparison, Completion, compare, complete
    from bitting.decoding import Decoded, MeasurementModel, decode
    from bitting.diagram import code_space
    from bitting.errors import BittingError
    from bitting.machine.align.alignment import Alignment, align
    from bitting.machine.inspect.inspection import inspect
    from bitting.machine.inspect.result import Inspection
    from bitting.machine.plan.plan import Plan, plan
    from bitting.machine.simulate import Simulation, TrackMoves, simulate
    from bitting.model import Code, Finding, Readings, System
    from bitting.notation import parse_code, parse_readings
    from bitting.systemfile import load_system, shipped_systems
    from bitting.systemfile.machine import Machine, load_machine

__version__ = "0.1.0"

_HOMES = {
    "Alignment": "machine.align.alignment",
    "BittingError": "errors",
    "CheckedMany": "batch",
    "Code": "model",
    "Comparison": "completion",
    "Completion": "completion",
    "Decoded": "decoding",
    "Finding": "model",
    "Inspection": "machine.inspect.result",
    "Machine": "systemfile.machine",
    "MeasurementModel": "decoding",
    "Plan": "machine.plan.plan",
    "Readings": "model",
    "Report": "checking",
    "Simulation": "machine.simulate",
    "System": "model",
    "TrackMoves": "machine.simulate",
    "align": "machine.align.alignment",
    "check": "checking",
    "check_many": "batch",
    "code_space": "diagram",
    "compare": "completion",
    "complete": "completion",
    "decode": "decoding",
    "inspect": "machine.inspect.inspection",
    "load_machine": "systemfile.machine",
    "load_system": "systemfile",
    "parse_code": "notation",
    "parse_readings": "notation",
    "plan": "machine.plan.plan",
    "shipped_systems": "systemfile",
    "simulate": "machine.simulate",
}

__all__ = [
    "Alignment",
    "BittingError",
    "CheckedMany",
    "Code",
    "Comparison",
    "Completion",
    "Decoded",
    "Finding",
    "Inspection",
    "Machine",
    "MeasurementModel",
    "Plan",
    "Readings",
    "Report",
    "Simulation",
    "System",
    "TrackMoves",
    "__version__",
    "align",
    "check",
    "check_many",
    "code_space",
    "compare",
    "complete",
    "count",
    "decode",
    "inspect",
    "load_machine",
    "load_system",
    "parse_code",
    "parse_readings",
    "plan",
    "shipped_systems",
    "simulate",
]


def count(system: System) -> int:
    """The exact number of legal codes of a system."""
    from bitting.diagram import code_space

    return code_space(system).count


def __getattr__(name: str) -> Any:
    """Import a public name from its home at the first use."""
    if name not in _HOMES:
        raise AttributeError(f"module 'bitting' has no attribute {name!r}")
    value = getattr(import_module(f"bitting.{_HOMES[name]}"), name)
    globals()[name] = value
    return value
