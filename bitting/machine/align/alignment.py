"""What a measured setup key says about the setting of the machine.

A setup key carries the shallowest depth everywhere but at one place. Its deviations (measured − nominal, in the sense of
the depth table) are taken apart, track by track and side by side, by weighted least squares without any prior:

    deviation = zero + scale · (nominal − shallowest depth) + tilt · (place along the blade, −½ first cut to +½ last)
                + lost (on every cut deeper than the shallowest)

`zero` is the depth setting itself, `scale` the error per unit of depth (one deep cut tells it from zero), `tilt` a blank
that lay askew. `lost` is play in the depth control: what is
lost once on the way from the shallowest depth, however far it goes; it takes cuts of two deeper depths to tell it from scale.
`left_right` is half the difference of the zeros of the first and second track. `depth_offset` is the
mean of the zeros of all tracks, which is what turning the depth zero can mend. Where the measured cuts can't tell a
term from the others its mean and sd are None, and the terms that are left are fitted.

Uncertainty: hand, digits, jaw and the cuts' own scatter (`cut_sd`) through the fit; what the caliper's limits and zero
leave is common to all and added to every zero; what clamping anew moves a key by (`reclamp_sd`, where the system states
it) shifts one track deeper and its partner shallower, so it is added to `left_right` and to the zero of each track, over
the number of clampings, and to `depth_offset` only where a single track was measured. Several keys are fitted together.

The place of a deep cut, midway between its walls, gives the space setting: `space_offset` = measured − nominal distance
from the stop. Two deep cuts at different places tell its zero (taken at the middle of the cuts) from its scale.

The verdict, in this order:

- `uneven`: the terms don't explain the deviations (chi-square, 1 %; their own scatter is then the uncertainty), or tilt
  or left-right is over 2.58 sd and moves a cut by a quarter of the tolerance or more. No dial mends that;
- `adjust`: the depth or space offset is over 2 sd and at least a quarter of the tolerance, or a scale is over 2.58 sd and
  moves a cut by that much;
- `leave`: otherwise. A correction smaller than its own uncertainty makes the machine wander.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from attrs import frozen

from bitting.errors import BittingError
from bitting.geometry.jaw import contact_said, too_wide
from bitting.machine.align.fit import (
    UNEXPLAINED,
    Fit,
    Lane,
    SpaceFit,
    Term,
    all_places,
    fit_space,
    fit_terms,
    rows_of,
    setup_depths,
)
from bitting.machine.inspect.uncertainty import Gauge, reading_sd_of, split, upper_tail
from bitting.model import Code, Depths, Readings, System
from bitting.model.expect import expect, expect_in_reach, expect_read_for, expect_tolerance
from bitting.model.value import Answer
from bitting.notation.lengths import PlaceReading

EXPANDED = 2.0
STRUCTURAL = 2.58
RELEVANT = 0.25
CAUSES = {
    "depth": "the depth zero, a reground or wrong cutter, or the zero of the caliper",
    "scale": "the depth scale: turns per step, a worn screw, or a wrong depth table",
    "lost motion": "lost motion (play) in the depth control: come to every depth deepening, and write it into the machine file "
    "as its backlash",
    "space": "the stop, how the key was pushed against it, or the space zero",
    "space scale": "the space scale: turns per step, or a worn screw",
}

Verdict = Literal["leave", "adjust", "uneven"]


@frozen
class TrackTerms:
    """The error of one track on one side; `zero` and `tilt` are lengths, `scale` is a ratio. None, None: can't be told."""

    track: str
    side: str | None
    zero: Term
    scale: Term
    tilt: Term
    lost: Term = Term(None, None)  # noqa: RUF009 - a frozen value


@frozen
class Alignment(Answer):
    """What the setup key says. Lengths in the system's unit; offsets are measured − nominal.

    `scale` and `tilt` are the tracks' taken together; `lost_motion` is what every cut deeper than the shallowest is off by
    alike, which is play in the depth control (None, None: one deep cut can't tell it from scale);
    `space_scale` is the error per unit of distance. `to_depth`,
    `to_scale`, `to_space` and `to_space_scale` are what to change the settings by, in the same terms (None: leave as it
    is; `to_scale` also where one deep cut can't tell scale from lost motion), `p_value` how likely scatter like this is from the
    stated uncertainties alone. `uneven` names what no dial can
    mend: tilt, left-right, scatter. `causes` and `notes` are sentences; `reason` says why the verdict is what it is.
    """

    system: str
    unit: str
    depth_offset: Term
    space_offset: Term | None
    verdict: Verdict
    terms: tuple[TrackTerms, ...]
    left_right: Term | None
    scale: Term
    tilt: Term
    space_scale: Term | None
    to_depth: float | None
    to_scale: float | None
    to_space: float | None
    to_space_scale: float | None
    p_value: float | None
    keys: int
    uneven: tuple[str, ...]
    lost_motion: Term
    to_lost_motion: float | None
    reason: str
    causes: tuple[str, ...]
    notes: tuple[str, ...]
    assumptions: str


def align(
    readings: Readings | Sequence[Readings],
    system: System,
    *,
    places: Sequence[PlaceReading] = (),
    code: Code | None = None,
    gauge: Gauge = Gauge(),  # noqa: B008 - a frozen value
    tolerance: float | None = None,
) -> Alignment:
    """Judge the machine's setting by one or several setup keys cut at the same setting.

    `places` are measured places of deep cuts, besides those written with the readings. `code` is what the key was cut to
    (default: the system's `[cutting] setup` on every track). Raises BittingError when nothing usable was measured.
    """
    expect(System, system)
    keys = [readings] if isinstance(readings, Readings) else list(readings)
    for key in keys:
        expect(Readings, key)
    for place in places:
        expect(PlaceReading, place)
    given: list[Code | Readings] = [*keys, *([] if code is None else [code])]
    for value in given:
        expect_read_for(value, system)
    expect_tolerance(tolerance, system)
    depths = setup_depths(system, code)
    rows = rows_of(keys, system, depths, gauge)
    if not rows:
        raise BittingError("no cut was measured", hint="measure the cuts of at least one track of the setup key")
    for key in keys:
        expect_in_reach(key, system)
    fits = {lane: fit_terms(lane_rows) for lane, lane_rows in rows.items()}
    _same_key(system, fits, None if code is not None else depths)
    shared = float(np.hypot(split(reading_sd_of(system), gauge, system)[0], gauge.zero))  # common to all readings
    clampings = len({(key, lane[0]) for lane in rows for key in {row.key for row in rows[lane]}})
    clamp = (system.measuring.reclamp_sd or 0.0) / clampings**0.5
    space = fit_space(all_places(keys, places, system, depths), system, gauge)
    return _answer(system, fits, shared, clamp, space, tolerance, keys, gauge)


def _same_key(system: System, fits: dict[Lane, Fit], setup: Depths | None) -> None:
    """Raises BittingError where it is another key: its deep cuts lie nearer to the shallowest depth than to their own.

    Likewise where they lie nearest to any other depth; `setup` is None where the user has said what they were cut to.
    """
    for (side, name), fit in fits.items():
        scale = fit.scale
        if scale.mean is None or scale.sd is None:
            continue
        called = system.called(side, name)
        if scale.mean + EXPANDED * scale.sd < -0.5:
            raise BittingError(
                f"{called} reads as if its deep cut had never been made there",
                hint="was the list begun at the tip (from tip:)? Or was the key cut at another place? Say with --code what it "
                "was cut to, and write ? for what wasn't cut",
            )
        if setup is None or name == "across":
            continue
        track, deep = system.track(name), max(setup[system.lane_of(side, name)])
        read = track.depths[0] + (1 + scale.mean) * (track.depths[deep] - track.depths[0])
        like = min(range(len(track.depths)), key=lambda i: abs(track.depths[i] - read))
        if like != deep:
            raise BittingError(
                f"{called}: the deep cut reads like depth {track.labels[like]}, and the setup key has "
                f"{track.labels[deep]} there; was it cut to {track.labels[like]}?",
                hint="say with --code what the key was cut to, track by track",
            )


def _mean(terms: Sequence[Term], extra: float = 0.0) -> Term:
    """The plain mean of the terms that could be told, `extra` being common to all."""
    known = [(t.mean, t.sd) for t in terms if t.mean is not None and t.sd is not None]
    if not known:
        return Term(None, None)
    mean = sum(m for m, _ in known) / len(known)
    sd = sum(s * s for _, s in known) ** 0.5 / len(known)
    return Term(mean, float(np.hypot(sd, extra)))


def _by_track(system: System, fits: dict[Lane, Fit], name: str) -> list[Term]:
    """One term per track, in the sense of the first track's depth table: the mean over its sides."""
    first = system.tracks[0].deeper
    out = []
    for track in system.tracks:
        sides = [getattr(fit, name) for (_, t), fit in fits.items() if t == track.name]
        if sides:
            term, sense = _mean(sides), 1 if name == "scale" else first * track.deeper
            out.append(Term(None if term.mean is None else sense * term.mean, term.sd))
    return out or [getattr(fit, name) for fit in fits.values()]


def _answer(
    system: System,
    fits: dict[Lane, Fit],
    shared: float,
    clamp: float,
    space: SpaceFit | None,
    tolerance: float | None,
    keys: Sequence[Readings],
    gauge: Gauge,
) -> Alignment:
    """Everything put together; long because every field of the answer is made once, here."""
    chi2, dof = sum(f.chi_square for f in fits.values()), sum(f.dof for f in fits.values())
    p_value = upper_tail(chi2, dof) if dof else None
    scattered = p_value is not None and p_value < UNEXPLAINED
    if scattered:  # the cuts themselves say how uncertain they are
        fits = {lane: fit.widened((chi2 / dof) ** 0.5) for lane, fit in fits.items()}
    worst = max(fit.worst for fit in fits.values())[1] if scattered else ""
    zeros = _by_track(system, fits, "zero")
    pair = len(system.tracks) == 2 and len(zeros) == 2
    depth = _mean(zeros, float(np.hypot(shared, 0.0 if pair else clamp)))
    left_right = _left_right(zeros, clamp) if pair else None
    scale, tilt = _mean(_by_track(system, fits, "scale")), _mean(_by_track(system, fits, "tilt"))
    lost = _mean(_by_track(system, fits, "lost"))
    allowed = system.measuring.tolerance if tolerance is None else tolerance
    least = RELEVANT * (allowed or 0.0)
    span = max(abs(t.depths[-1] - t.depths[0]) for t in system.tracks)
    reach = max(abs(t.spaces[-1] - t.spaces[0]) for t in system.tracks) / 2
    uneven, why, causes = _uneven(worst, tilt, left_right, least, system)
    turn = {
        "depth": _cure(depth, EXPANDED, least),
        "scale": _cure(scale, STRUCTURAL, least, span),
        "lost motion": _cure(lost, STRUCTURAL, least),
        "space": None if space is None else _cure(space.zero, EXPANDED, least),
        "space scale": None if space is None or space.scale is None else _cure(space.scale, STRUCTURAL, least, reach),
    }
    causes += [CAUSES[name] for name, by in turn.items() if by is not None]
    verdict: Verdict = "uneven" if uneven else "leave" if set(turn.values()) == {None} else "adjust"
    scale_or_play = turn["scale"] is not None and lost.mean is None
    if scale_or_play:  # nothing to turn by before it is known which
        turn["scale"] = None
    return Alignment(
        system=system.name,
        unit=system.unit,
        depth_offset=depth,
        space_offset=None if space is None else space.zero,
        verdict=verdict,
        terms=tuple(_lane_terms(lane, fit, shared, clamp) for lane, fit in fits.items()),
        left_right=left_right,
        scale=scale,
        tilt=tilt,
        space_scale=None if space is None else space.scale,
        to_depth=turn["depth"],
        to_scale=turn["scale"],
        to_space=turn["space"],
        to_space_scale=turn["space scale"],
        p_value=p_value,
        keys=len(keys),
        uneven=uneven,
        lost_motion=lost,
        to_lost_motion=turn["lost motion"],
        reason=why or _reason(verdict, allowed, set(turn.values()) == {None}),
        causes=tuple(causes),
        notes=(
            *filter(
                None,
                [too_wide(system, gauge.jaw), _doubtful(scale, span, turn["scale"] or scale_or_play, allowed, system)],
            ),
            *_notes(fits, clamp, len(keys), allowed, scale_or_play),
        ),
        assumptions=_assumptions(system, gauge, shared, clamp),
    )


def _left_right(zeros: Sequence[Term], clamp: float) -> Term | None:
    first, second = zeros
    if first.mean is None or second.mean is None or first.sd is None or second.sd is None:
        return None
    sd = float(np.hypot(np.hypot(first.sd, second.sd) / 2, clamp))
    return Term((first.mean - second.mean) / 2, sd)


def _lane_terms(lane: Lane, fit: Fit, shared: float, clamp: float) -> TrackTerms:
    zero = fit.zero
    if zero.sd is not None:
        zero = Term(zero.mean, float(np.linalg.norm([zero.sd, shared, clamp])))
    return TrackTerms(lane[1], lane[0], zero, fit.scale, fit.tilt, fit.lost)


def _over(term: Term, factor: float, least: float, size: float = 1.0) -> bool:
    """Whether a term is more than its uncertainty times `factor`, and moves a cut by more than `least`."""
    if term.mean is None or term.sd is None or term.mean == 0:
        return False
    return abs(term.mean) > factor * term.sd and abs(term.mean) * size >= least


def _cure(term: Term, factor: float, least: float, size: float = 1.0) -> float | None:
    """What would take the term away, None where it is not sure and large enough to act on."""
    return -term.mean if term.mean is not None and _over(term, factor, least, size) else None


def _uneven(
    worst: str, tilt: Term, left_right: Term | None, least: float, system: System
) -> tuple[tuple[str, ...], str, list[str]]:
    """What turning a dial would not cure, that in words ("" where it would), and the likely causes."""
    kinds, reasons, causes = [], [], []
    if _over(tilt, STRUCTURAL, least, 0.5):
        kinds.append("tilt")
        reasons.append("the depth error grows along the blade")
        causes.append("the blank lay askew in the clamp, or lifted at one end")
    if left_right is not None and _over(left_right, STRUCTURAL, least):
        first, second = system.tracks[0].name, system.tracks[1].name
        kinds.append("left-right")
        reasons.append(f"{first} and {second} are off in opposite ways")
        causes.append("the blank lay off centre in the clamp")
    if worst:
        kinds.append("scatter")
        reasons.append(f"the cuts differ by more than measuring explains, {worst} most")
        causes.append("chips or burr under the key or the jaws, a loose cutter or clamp, or a wrong reading")
    return tuple(kinds), " and ".join(reasons), causes


def _reason(verdict: Verdict, tolerance: float | None, nothing: bool) -> str:
    if verdict == "adjust":
        matters = "" if tolerance is None else ", and matters"
        unknown = "; what to set can't be told before another key is cut" if nothing else ""
        return f"an error is larger than measuring can explain{matters}{unknown}"
    return "what it is off by is no more than measuring can explain, or too little to matter"


def _doubtful(scale: Term, span: float, known: object, allowed: float | None, system: System) -> str:
    """What to do about a scale that would put the deepest cut out of tolerance and may be no more than measuring."""
    off = abs(scale.mean or 0.0) * span
    if known or allowed is None or off < allowed:
        return ""
    return (
        f"if the scale is off as it reads, the deepest cut is off by {system.in_own(off)}, more than the tolerance, and these "
        "readings can't tell it from measuring: measure further setup keys and give them together (a history charts depth and "
        "space, not the scale)"
    )


def _notes(
    fits: dict[Lane, Fit], clamp: float, keys: int, tolerance: float | None, scale_or_play: bool
) -> tuple[str, ...]:
    notes = [
        f"{track if side is None else f'{side} {track}'}: {' and '.join(fit.missing)} can't be told from these cuts"
        for (side, track), fit in fits.items()
        if fit.missing
    ]
    if any("zero" in fit.assumed for fit in fits.values()):
        notes.append("where scale or tilt can't be told they are taken as none in the zero")
    if scale_or_play:
        notes.append(
            "one deep cut can't tell the depth scale from lost motion (play) in the depth control: cut a second one at a "
            "middle depth, say what the key was cut to with --code, and don't correct the scale before"
        )
    if keys == 1 and clamp:
        notes.append("one key was clamped once: a second setup key, clamped anew, averages what the clamp puts in")
    if any(track == "across" for _, track in fits):
        notes.append("only readings across two tracks: left and right can't be told apart by them")
    if tolerance is None:
        notes.append("the system states no tolerance, so any error beyond its uncertainty counts")
    return tuple(notes)


def _assumptions(system: System, gauge: Gauge, shared: float, clamp: float) -> str:
    hand = split(reading_sd_of(system), gauge, system)[1]
    return (
        f"standard uncertainties in {system.unit}: caliper and zero {shared:.4g} (common to all readings), hand {hand:.4g} "
        f"a reading, cuts' own scatter {system.measuring.cut_sd or 0:.4g}, clamping {clamp:.4g}; "
        f"{contact_said(system, gauge.jaw)}"
    )
