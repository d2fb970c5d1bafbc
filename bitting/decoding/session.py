"""One key at the bench: readings, and all that is known of caliper and blank beside them, put together and decoded.

`Bench` holds what was said beside the readings. `decode_at` reads each list of readings as each system understands them,
joins lists that repeat one key, takes off what is known beforehand, decodes (or ranks the systems), and says in the answer
what was assumed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from attrs import evolve, field, frozen

from bitting.decoding.corrections import (
    Zero,
    combined,
    offset_amounts,
    shift_back,
    shift_readings,
    width_amounts,
    width_note,
)
from bitting.decoding.decoder import SURE, Decoder
from bitting.decoding.model import MeasurementModel, as_shown
from bitting.decoding.positions import OTHER_END, PLACE_SD, SHIFT_SD
from bitting.decoding.ranking import decode_among
from bitting.decoding.result import Decoded
from bitting.errors import BittingError
from bitting.model import Readings, System
from bitting.notation import parse_readings


@frozen
class Bench:
    """What is known beside the readings. `step` (per system name) is the caliper's resolution in the system's unit;
    `width` the blade's measured width; `zero` what a key of known code said of the caliper; `place_sd` in mm. `jaw_said`:
    the system's jaw is as this key's measurer said."""

    models: Mapping[str, MeasurementModel] = field(factory=dict)
    steps: Mapping[str, float] = field(factory=dict)
    unit: str | None = None
    width: float | None = None
    zero: Zero | None = None
    place_sd: float = PLACE_SD
    jaw_said: bool = False


def decode_at(
    bench: Bench,
    texts: Sequence[str],
    systems: Sequence[System],
    best: int = 5,
    sure: float = SURE,
    *,
    lock: str | None = None,
) -> Decoded:
    """The answer for one key from one or more lists of its readings; several systems are ranked.

    Raises BittingError for what can't be read, can't be a length of this blade, or can't be combined.
    (Long: read, shift, decode and shift back, in that order.)
    """
    _check(bench, systems, lock)
    ready = {system.name: _model(bench, system) for system in systems}
    seen: dict[str, Readings] = {}
    left_out: dict[str, int] = {}

    def read(system: System) -> Readings:
        readings, copied = read_lists(texts, system, bench.unit, bench.steps.get(system.name, 0.0), lock)
        seen[system.name], left_out[system.name] = readings, copied
        return shift_readings(readings, _amounts(bench, system, readings, ready[system.name][0]))

    if len(systems) == 1:
        system = systems[0]
        decoder = Decoder(system, ready[system.name][1], lock=lock, place_sd=bench.place_sd, jaw_said=bench.jaw_said)
        result = decoder.decode(read(system), best, sure)
    else:
        result = decode_among(
            read,
            systems,
            best,
            sure,
            model_of=lambda s: ready[s.name][1],
            place_sd=bench.place_sd,
            jaw_said=bench.jaw_said,
        )
    system = next(s for s in systems if s.name == result.system)
    mean = ready[system.name][0]
    back = shift_back(result, _amounts(bench, system, seen[system.name], mean), mean)
    return evolve(
        back,
        copied=left_out[system.name],
        notes=(*back.notes, *_notes(bench, system)),
        assumed=tuple(_assumed(bench, system, seen[system.name], result)),
    )


def _check(bench: Bench, systems: Sequence[System], lock: str | None) -> None:
    """Raises BittingError for what can't be said of several systems."""
    if len(systems) > 1 and lock is not None:
        raise BittingError("--lock names a lock of one system, and several systems are compared", hint="name one -s")
    if len(systems) > 1 and bench.width is not None:
        raise BittingError(
            "--width is compared with the blade of one system, and several systems are compared", hint="name one -s"
        )
    if len({system.name for system in systems}) < len(systems):
        raise BittingError(
            "two of the systems have the same name", hint="give one of the files another name under [system]"
        )


def read_lists(
    texts: Sequence[str], system: System, unit: str | None, step: float, lock: str | None = None
) -> tuple[Readings, int]:
    """All lists as readings of one key, no finer than the caliper's `step` (system's unit); how many repeat another."""
    lists = []
    for number, text in enumerate(texts, 1):
        try:
            lists.append(parse_readings(text, system, unit, lock))
        except BittingError as fault:
            if len(texts) == 1:
                if "\n" in text.strip():
                    fault.hint += (
                        "; two lists of one key are asked for by `decode - -`, keys of a table by `bitting batch`"
                    )
                raise
            loose = all(len(one.split()) == 1 for one in texts)
            raise BittingError(
                f"list {number} of the readings: {fault.message}",
                hint=f"put one list in quotes: '{texts[0]} {texts[1]} …'" if loose else fault.hint,
                text=fault.text,
                span=fault.span,
            ) from None
    readings, copied = combined(lists)
    return as_shown(readings, step), copied


def _model(bench: Bench, system: System) -> tuple[float, MeasurementModel]:
    """Mean of the offset beforehand, and the model with what is left of its uncertainty."""
    model = bench.models[system.name]
    return (0.0, model) if bench.zero is None else bench.zero.offset(system, model)


def _amounts(bench: Bench, system: System, readings: Readings, mean: float) -> dict[str, float]:
    """What is taken off the readings of each track."""
    amounts = offset_amounts(readings, mean)
    for name, amount in (width_amounts(system, bench.width) if bench.width is not None else {}).items():
        amounts[name] += amount
    return amounts


def _notes(bench: Bench, system: System) -> list[str]:
    """What was done with the readings before they were decoded."""
    notes = []
    if bench.width is not None:
        notes.append(width_note(system, bench.width))
    if bench.zero is not None:
        mean, sd = system.from_mm(bench.zero.mean), system.from_mm(bench.zero.sd)
        notes.append(f"the key of known code puts zero and jaws of the caliper at {mean:+.4f} ± {sd:.4f} {system.unit}")
    return notes


def _assumed(bench: Bench, system: System, readings: Readings, result: Decoded) -> list[str]:
    """What was assumed beside the model's figures."""
    parts = []
    step = bench.steps.get(system.name, 0.0)
    if step:
        parts.append(f"a caliper that shows steps of {step:.4g}")
    if bench.zero is not None:
        before = system.from_mm(bench.zero.before)
        parts.append(
            f"the caliper's zero and jaws (±{before:.4g} before, ±{system.from_mm(bench.zero.sd):.4g} now) shared with the "
            "key of known code and normally distributed, each key's own error not shared"
        )
    if bench.width is not None and any(track.measured == "far-edge" for track in system.tracks):
        parts.append("both edges of the blank in as far as each other")
    if any(cut.place is not None for cut in readings.cuts):
        parts.append(
            f"places along the blade ±{system.from_mm(bench.place_sd):.4g}, ±{system.from_mm(SHIFT_SD):.4g} shared, "
            f"from the other end in {OTHER_END:.0%} of cases"
        )
    if result.systems:
        parts.append("systems as likely as each other")
    return parts
