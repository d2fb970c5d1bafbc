"""What a lint answers: findings, each a fault of the system file that follows from what the file says.

Levels: `error`, no key can be made as the file stands, or nothing is legal; `warning`, the file says something that
can't be meant, or a key made by it would be poor; `note`, worth knowing, nothing to mend. A system is *clean* when it
has neither errors nor warnings.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from attrs import field, frozen

from bitting.model import System
from bitting.model.value import Answer, Value

Severity = Literal["error", "warning", "note"]

CODES: Mapping[str, str] = {
    "contradiction": "no code is legal: the smallest set of rules that clash",
    "too-large": "the legal codes can't be held at once, so nothing about them is proved",
    "idle-rule": "a rule rejects nothing that the others allow",
    "unused-depth": "a depth can't stand at a cut, and no rule says so outright",
    "advice-always-kept": "every legal code follows the advice",
    "advice-never-kept": "no legal code follows the advice",
    "advice-clash": "no legal code follows all the advice",
    "depths-reversed": "the depth table begins with the deepest cut, by how the track is milled and measured",
    "spaces-reversed": "the spaces run against the stop",
    "size-odd": "a size that no key has",
    "off-blade": "a depth's wall doesn't lie on the blade",
    "shoulder-cut": "the cutter at cut 1 comes into the shoulder",
    "tolerance-wide": "the tolerance is wider than half a step",
    "depths-close": "two depths are nearer than twice the measuring uncertainty",
    "setup-shallow": "the setup key's cut isn't the deepest that can be cut there",
    "setup-gouged": "the setup key's cut takes metal from the seats beside it",
    "seats-overlap": "two cuts lie so near that their seats overlap",
    "seat-residual": "the cutter leaves more than half the tolerance at the ends of a seat",
    "seat-gouged": "the cutter at one cut takes metal from the seat of another",
    "flat-cut": "a vee cutter at one cut takes metal from the flat of another, though not from its seat",
    "wall-steep": "a wall between neighbours is steeper than a tumbler climbs",
    "wall-eased": "a wall is gentle enough only with easing stops",
    "gap-narrow": "a groove is narrower than its cutter",
    "island": "metal stands inside a groove, where the cutter doesn't come",
    "sliver": "metal stands outboard of a wall, where the cutter doesn't come",
    "metal-thin": "too little metal stands between two walls, or between a wall and an edge",
    "floor-thin": "too little metal stands across the thickness",
    "uneven": "a figure falls out of a table that is even otherwise",
    "read-out": "how many slips in a code that is read out go unnoticed",
    "not-checked": "a check needs a figure that the file doesn't state, or more counting than there is time for",
    "en-1303": "the code against the key-code requirements of EN 1303",
}
"""Every code of a finding, and what it is about."""


@frozen
class LintFinding(Value):
    """One finding; `witness` is a code that shows it, in canonical notation, or None where no single code does."""

    code: str
    level: Severity
    message: str
    witness: str | None = None

    def of(self, system: System) -> str:
        """What is said of an error before an answer that the system gives."""
        return (
            f"{system.name} as its file stands can't be trusted: {self.message} ({self.code}; `bitting systems lint` "
            f"tells more)"
        )


@frozen
class Linted(Answer):
    """Every finding about a system, the gravest first.

    `figures` are the numbers behind the notes, by the code of the finding: the shares of slips that go unnoticed, and
    the requirements of EN 1303 by grade where they were asked for.
    """

    json_names = ("system", "clean", "findings", "figures")
    system: str
    findings: tuple[LintFinding, ...]
    figures: Mapping[str, Any] = field(factory=dict, hash=False)

    @property
    def clean(self) -> bool:
        """Whether there is nothing to mend: no error and no warning."""
        return all(finding.level == "note" for finding in self.findings)

    @property
    def complete(self) -> bool:
        return all(finding.code != "not-checked" for finding in self.findings)
