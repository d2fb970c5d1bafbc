"""How often `inspect` is wrong: rates by simulation beside the theory of JCGM 106:2012, 9.5.

    python -m tests.benchmarks.inspect_rates [--keys N] [--seed S]

Finished keys are drawn (every cut off by a normal error of some standard deviation), measured with the stated caliper
and hand, and judged by `inspect`. A false accept is a cut that passes and is out of tolerance; a false reject is one in
tolerance that is sent to recut or scrap, or that doesn't pass (both are told). The theory integrates the same over
the normal densities with scipy and knows nothing of `inspect` but the guard band's formula. The last table repeats the
published global risks of JCGM 106 with `decide` as the rule.
"""

from __future__ import annotations

import argparse
import tomllib
from pathlib import Path

import attrs
import numpy as np
from scipy import integrate, optimize, stats

from bitting.machine.inspect.decision import Guard, decide
from bitting.machine.inspect.inspection import inspect
from bitting.machine.inspect.uncertainty import Gauge
from bitting.model import Measuring, ReadCut, Reading, Readings, System, code_of
from bitting.systemfile import load_system

REFERENCE = Path(__file__).parent.parent / "reference" / "conformity.toml"
Rates = tuple[float, float, float, float]


def simulate(system: System, making: float, repeats: int, guard: Guard, keys: int, rng: np.random.Generator) -> Rates:
    """Shares of all cuts: passed and out; in and not passed; in and condemned; verdict not uncertain."""
    tolerance = float(system.need("measuring.tolerance"))
    caliper = 0.3 * tolerance
    gauge = Gauge(caliper=caliper)
    hand = np.sqrt(system.need("measuring.reading_sd") ** 2 - caliper**2 / 3)
    depths = [[0] * lane.track.cuts for lane in system.lanes]
    code = code_of(system, depths)
    tally = np.zeros(5)
    for _ in range(keys):
        true: list[float] = []
        cuts: list[ReadCut] = []
        for lane in system.lanes:
            for i in range(lane.track.cuts):
                off = rng.normal(0, making)
                # the caliper's own error is drawn anew for each cut, as the theory of one cut has it
                base = lane.track.depths[0] + off + rng.normal(0, caliper / np.sqrt(3))
                read = tuple(Reading(base + rng.normal(0, hand), None, 0.0, (0, 0)) for _ in range(repeats))
                true.append(off)
                cuts.append(ReadCut(lane.side, lane.track.name, i, read))
        result = inspect(code, Readings(system, "", system.unit, tuple(cuts)), system, gauge=gauge, guard=guard)
        for off, cut in zip(true, result.cuts, strict=True):
            fits, passed = abs(off) <= tolerance, cut.verdict == "pass"
            condemned = cut.verdict in ("fail", "recut")
            tally += (passed and not fits, fits and not passed, fits and condemned, cut.verdict != "uncertain", 1)
    return tuple(tally[:4] / tally[4])  # type: ignore[return-value]


def theory(system: System, making: float, repeats: int, guard: Guard) -> Rates:
    """The same by integration over what a cut really is."""
    tolerance = float(system.need("measuring.tolerance"))
    caliper = 0.3 * tolerance / np.sqrt(3)
    u = np.hypot(caliper, np.sqrt(system.need("measuring.reading_sd") ** 2 - caliper**2) / np.sqrt(repeats))
    if guard.kind == "band":
        inner, outer = tolerance - guard.value * u, tolerance + guard.value * u
    else:

        def excess(x: float) -> float:
            return float(stats.norm.cdf((tolerance - x) / u) - stats.norm.cdf((-tolerance - x) / u)) - guard.value

        inner = optimize.brentq(excess, 0, tolerance) if excess(0) > 0 else -1.0
        outer = tolerance + stats.norm.ppf(guard.value) * u

    def between(low: float, high: float, true: float) -> float:
        return float(stats.norm.cdf((high - true) / u) - stats.norm.cdf((low - true) / u))

    def accepted(true: float) -> float:
        return between(-inner, inner, true) if inner > 0 else 0.0

    def condemned(true: float) -> float:
        return 1 - between(-outer, outer, true)

    def over(low: float, high: float, what) -> float:  # type: ignore[no-untyped-def]
        density = stats.norm(0, making).pdf
        return float(integrate.quad(lambda t: density(t) * what(t), low, high, limit=200, epsabs=1e-10)[0])

    far = 9 * making + tolerance

    def settled(true: float) -> float:
        return accepted(true) + condemned(true)

    return (
        2 * over(tolerance, far, accepted),
        over(-tolerance, tolerance, lambda t: 1 - accepted(t)),
        over(-tolerance, tolerance, condemned),
        2 * (over(0, tolerance, settled) + over(tolerance, far, settled)),
    )


def published() -> None:
    """The global risks of JCGM 106, 9.5.3.2 and 9.5.6, with `decide` as the rule, by simulation."""
    table = tomllib.loads(REFERENCE.read_text(encoding="utf-8"))["global_risk"]
    by_name = {row["id"]: row for row in table}
    resistors = by_name["precision_resistors"]
    rng = np.random.default_rng(106)
    cases = [
        (name, resistors["process_u0"], resistors["measuring_um"], 0.2, guard, by_name[name])
        for name, guard in (("precision_resistors", 0.5), ("precision_resistors_no_guard", 0.0))
    ]
    for name in ("capability_2", "capability_10"):
        cm = by_name[name]["Cm"]
        cases.append((name, 1 / 6, 1 / (4 * cm), 0.5, 0.0, by_name[name]))
    print(
        "\npublished global risks           consumer            producer       (simulated / recomputed by integration)"
    )
    for name, u0, um, tolerance, band, row in cases:
        true = rng.normal(0, u0, 400_000)
        seen = true + rng.normal(0, um, true.size)
        guard = Guard("band", band)
        passed = np.array([decide(float(x), um, tolerance, guard) == "pass" for x in seen])
        fits = np.abs(true) <= tolerance
        consumer, producer = np.mean(passed & ~fits), np.mean(~passed & fits)
        print(
            f"{name:<30} {consumer:.5f} / {row['consumer_risk_recomputed']:.5f}   "
            f"{producer:.5f} / {row['producer_risk_recomputed']:.5f}"
        )


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--keys", type=int, default=1500)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    base = load_system("plover")
    print("share of all cuts, simulated (theory); reading_sd 0.03, tolerance 0.05, caliper ±0.015 mm")
    heads = "".join(f"{head:>19}" for head in ("false accept", "in, not passed", "in, condemned", "settled"))
    print(f"{'guard':>6} {'making':>7} {'reads':>6} {heads}")
    for guard in (Guard(), Guard("band", 2.0), Guard("band", 0.0)):
        for making in (0.02, 0.05):
            for repeats in (2, 4):
                system = attrs.evolve(base, measuring=Measuring(tolerance=0.05, reading_sd=0.03))
                seen = simulate(system, making, repeats, guard, options.keys, rng)
                known = theory(system, making, repeats, guard)
                cells = "".join(f"   {100 * s:6.2f} ({100 * k:5.2f}) %" for s, k in zip(seen, known, strict=True))
                print(f"{guard.words:>6} {making:>7} {repeats:>6} {cells}")
    count = options.keys * 14
    print(f"{count} cuts a line: two standard errors are {200 * np.sqrt(0.25 / count):.2f} points at most")
    published()


if __name__ == "__main__":
    main()
