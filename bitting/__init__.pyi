# The public names, each stated once: type checkers read them here, and `bitting/__init__.py` reads where each is found.
from typing import Final

from bitting.batch import CheckedMany as CheckedMany
from bitting.batch import Verdict as Verdict
from bitting.batch import check_many as check_many
from bitting.checking import Report as Report
from bitting.checking import Suggestion as Suggestion
from bitting.checking import check as check
from bitting.completion import Comparison as Comparison
from bitting.completion import Completion as Completion
from bitting.completion import compare as compare
from bitting.completion import complete as complete
from bitting.counting import Counted as Counted
from bitting.counting import Numbered as Numbered
from bitting.counting import code_at as code_at
from bitting.counting import count as count
from bitting.counting import count_codes as count_codes
from bitting.counting import number_of as number_of
from bitting.counting import sample as sample
from bitting.decoding import Decoded as Decoded
from bitting.decoding import Decoder as Decoder
from bitting.decoding import MeasurementModel as MeasurementModel
from bitting.decoding import decode as decode
from bitting.decoding import decode_many as decode_many
from bitting.diagram import CodeSpace as CodeSpace
from bitting.diagram import code_space as code_space
from bitting.errors import BittingError as BittingError
from bitting.errors import NotationError as NotationError
from bitting.errors import SystemFileError as SystemFileError
from bitting.errors import TooLargeError as TooLargeError
from bitting.linting import Linted as Linted
from bitting.linting import lint as lint
from bitting.machine.align.alignment import Alignment as Alignment
from bitting.machine.align.alignment import align as align
from bitting.machine.inspect.inspection import inspect as inspect
from bitting.machine.inspect.result import Inspection as Inspection
from bitting.machine.plan.plan import Plan as Plan
from bitting.machine.plan.plan import plan as plan
from bitting.machine.simulate import Simulation as Simulation
from bitting.machine.simulate import TrackMoves as TrackMoves
from bitting.machine.simulate import simulate as simulate
from bitting.model import Code as Code
from bitting.model import Finding as Finding
from bitting.model import Readings as Readings
from bitting.model import System as System
from bitting.notation import parse_code as parse_code
from bitting.notation import parse_readings as parse_readings
from bitting.report.drawing import draw_svg as draw_svg
from bitting.systemfile import load_system as load_system
from bitting.systemfile import shipped_systems as shipped_systems
from bitting.systemfile.machine import Machine as Machine
from bitting.systemfile.machine import load_machine as load_machine

__version__: Final[str]
