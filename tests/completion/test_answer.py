"""Completion against brute force: which codes, how many, how many blanks; locks, facts, bounds, faults."""

import itertools
import random
import re
from fractions import Fraction

import constraint
import numpy as np
import pytest

from bitting.completion import EXACT_UP_TO, answer, complete
from bitting.completion.answer import worklist
from bitting.completion.bounds import at_most
from bitting.completion.candidates import Choices, allowed_depths
from bitting.decoding import Decoder
from bitting.diagram import code_space
from bitting.errors import BittingError
from bitting.model import Place, code_of
from bitting.notation import parse_code, parse_readings
from bitting.report.complete import completion_lines
from bitting.systemfile import load_system
from bitting.text import percent
from tests.complete_oracle import RULES, brute, fewest_by_matching, flat_of, never_shallower, random_case, system_of
from tests.conftest import but_long

CASES = 200


@pytest.mark.parametrize("block", but_long(range(10), *range(2, 10)))
def test_brute_force_agrees(block):
    """Twenty random cases a block: list, count, fewest blanks, chains valid and covering, proof of minimality."""
    for seed in range(block * CASES // 10, (block + 1) * CASES // 10):
        system, code, cells = random_case(seed)
        legal = brute(system, cells)
        got = complete(code, system, 10_000)
        assert got.count == len(legal), seed
        assert got.complete
        assert [flat_of(text, system) for text in got.codes] == sorted(legal), seed
        assert list(got.codes) == [str(parse_code(text, system)) for text in got.codes]
        tried = [[flat_of(text, system) for text in blank] for blank in got.tries]
        assert sorted(itertools.chain.from_iterable(tried)) == sorted(legal)
        for blank in tried:
            assert all(never_shallower(a, b) for a, b in itertools.pairwise(blank))
        assert got.blanks == len(tried) == fewest_by_matching(legal), seed
        assert got.blanks_at_least == got.blanks_at_most == got.blanks
        rivals = [flat_of(text, system) for text in got.rivals]
        assert len(set(rivals)) == got.blanks
        assert not any(never_shallower(a, b) for a, b in itertools.permutations(rivals, 2))


@pytest.mark.parametrize("block", but_long(range(5), 2, 3, 4))
def test_a_lock_sees_only_its_cuts(block):
    for seed in range(block * 20, block * 20 + 20):
        system, code, cells = random_case(seed)
        legal = brute(system, cells)
        places = list(allowed_depths(code))
        reads = [i for i, place in enumerate(places) if place.cut in system.locks["door"]]
        settings = {tuple(key[i] for i in reads) for key in legal}
        got = complete(code, system, 10_000, lock="door")
        assert got.count == len(settings) == len(got.codes), seed
        for text in got.codes:
            allowed = list(allowed_depths(parse_code(text, system)).values())
            assert tuple(allowed[i][0] for i in reads) in settings
        assert got.blanks == fewest_by_matching(sorted(settings)), seed
        for codes, keys in zip(got.tries, got.keys, strict=True):
            whole = [None if key is None else flat_of(key, system) for key in keys]
            known = [key for key in whole if key is not None]
            assert all(never_shallower(a, b) for a, b in itertools.pairwise(known))
            assert whole[0] is not None, "a fresh blank can become any legal key"
            for text, key in zip(codes, whole, strict=True):
                if key is not None:
                    assert key in legal
                    allowed = list(allowed_depths(parse_code(text, system)).values())
                    assert all(allowed[i] == (key[i],) for i in reads)


@pytest.mark.thorough
def test_facts_are_means_over_the_candidates():
    for seed in range(40):
        system, code, cells = random_case(seed)
        legal = brute(system, cells)
        got = complete(code, system)
        places = list(allowed_depths(code))
        varying = [i for i in range(len(places)) if len({key[i] for key in legal}) > 1]
        assert len(got.facts) == len(varying)
        left = (
            [tuple(str(d + 1) for d in sorted({key[i] for key in legal})) for i in range(len(places))] if legal else []
        )
        assert [cut.depths for cut in got.cuts] == left
        for fact in got.facts:
            lane = [(lane.side, lane.track.name) for lane in system.lanes].index((fact.side, fact.track))
            at = places.index(Place(lane, fact.cut - 1))
            groups = [[key for key in legal if key[at] == depth] for depth in {key[at] for key in legal}]
            mean = sum(Fraction(len(group) ** 2, len(legal)) for group in groups)
            assert fact.codes == pytest.approx(float(mean))
            blanks = sum(len(group) / len(legal) * fewest_by_matching(group) for group in groups)
            assert fact.blanks == pytest.approx(blanks)
        assert [fact.codes for fact in got.facts] == sorted(fact.codes for fact in got.facts)


def test_a_constraint_library_counts_the_same():
    system = system_of(("edge",), 6, 5, ("adjacent cuts differ by at most 2", "at least 3 different depths"))
    problem = constraint.Problem()
    problem.addVariables(range(6), range(5))
    for i in range(5):
        problem.addConstraint(lambda a, b: abs(a - b) <= 2, (i, i + 1))
    problem.addConstraint(lambda *cuts: len(set(cuts)) >= 3, range(6))
    problem.addConstraint(constraint.InSetConstraint([1, 2]), [2])
    assert complete(parse_code("? ? [2 3] ? ? ?", system)).count == len(problem.getSolutions())


def test_a_box_of_open_cuts_takes_its_middle_level():
    """Sizes of middle levels: OEIS A018901 (k = 4: 85 at n = 4), A005190 (k = 3: 580 at n = 6)."""
    assert complete(parse_code("? ? ? ?", system_of(("edge",), 4, 5, ()))).blanks == 85
    assert complete(parse_code("? ? ? ? ? ?", system_of(("edge",), 6, 4, ()))).blanks == 580


def test_measured_beforehand_sizes():
    """A second opinion from bipartite matching over all comparable pairs: 117 blanks for 1,748 codes."""
    system = system_of(("edge",), 5, 6, ("adjacent cuts differ by at most 2",))
    got = complete(parse_code("? ? ? ? ?", system))
    assert (got.count, got.blanks) == (1748, 117)


@pytest.mark.thorough
def test_past_the_exact_size_the_bounds_are_proven(monkeypatch):
    """The bounds of a small case hold its exact number."""
    for seed in range(25):
        system, code, _ = random_case(seed)
        exact = complete(code, system)
        for part_size in (0, 1000):
            with monkeypatch.context() as small:
                small.setattr(answer, "EXACT_UP_TO", 0)
                small.setattr(answer, "at_most", lambda asked, _, size=part_size: at_most(asked, size))
                unlisted = complete(code, system)
            assert unlisted.blanks_at_least <= exact.blanks_at_least <= unlisted.blanks_at_most
            if exact.count:
                assert unlisted.blanks is None
                assert unlisted.tries == ()


@pytest.mark.thorough
def test_the_first_codes_of_a_listing_too_long_to_keep(monkeypatch):
    for seed in range(25):
        system, code, _ = random_case(seed)
        every = complete(code, system).codes
        with monkeypatch.context() as small:
            small.setattr(answer, "EXACT_UP_TO", 0)
            for limit in (0, 1, 3, 7):
                assert complete(code, system, limit).codes == every[:limit], seed


def test_counts_past_machine_integers():
    system = system_of(("left", "right"), 20, 9, ("adjacent cuts differ by at most 1",))
    got = complete(parse_code(" ".join("?" * 40), system), limit=3)
    ways = [1] * 9
    for _ in range(19):
        ways = [sum(ways[max(0, d - 1) : d + 2]) for d in range(9)]
    assert got.count == sum(ways) ** 2 > 2**63
    assert got.blanks is None
    assert 0 < got.blanks_at_least < got.blanks_at_most <= got.count
    assert len(got.codes) == 3
    assert not got.complete
    assert got.as_dict()["count"] == got.count


def test_where_narrows_by_a_rule():
    system = system_of(("edge",), 4, 4, ())
    one = complete(parse_code("1 ? ? 2", system), where="cut 2 is not 1 2")
    assert one == complete(parse_code("1 ? ? 2", system), where=["cut 2 is not 1 2"])
    got = complete(parse_code("1 ? ? 2", system), where=["cut 2 is not 1 2", "cut 3 is deeper than cut 2"])
    assert got.codes == ("1 3 4 2",)
    with pytest.raises(BittingError, match="this rule isn't understood"):
        complete(parse_code("1 ? ? 2", system), where=["cut two is big"])


def test_a_track_that_is_not_written_is_open():
    system = system_of(("left", "right"), 2, 3, ())
    assert complete(parse_code("left: 1 2", system)).count == 9


def test_both_sides_of_a_convenience_key_narrow_each_other():
    system = system_of(("edge",), 3, 3, (), ("top", "bottom"))
    got = complete(parse_code("top(1 ? [1 2]); bottom(? 3 [2 3])", system))
    assert got.codes == ("1 3 2",)


def test_no_candidate_is_an_answer():
    system = system_of(("edge",), 3, 3, ("adjacent cuts differ by at most 1",), locks={"door": (0,)})
    for lock in (None, "door"):
        got = complete(parse_code("1 3 ?", system), lock=lock)
        assert (got.count, got.codes, got.blanks, got.tries, got.complete) == (0, (), 0, (), True)


def test_a_full_code_takes_one_blank():
    system = system_of(("edge",), 3, 3, ())
    got = complete(parse_code("1 3 2", system))
    assert got.as_dict() == {
        "format": 1,
        "count": 1,
        "codes": ["1 3 2"],
        "blanks": 1,
        "tries": [["1 3 2"]],
        "complete": True,
        "blanks_at_least": 1,
        "blanks_at_most": 1,
        "rivals": ["1 3 2"],
        "cuts": [{"side": None, "track": "edge", "cut": i + 1, "depths": [d]} for i, d in enumerate("132")],
        "facts": [],
        "probabilities": None,
        "not_ranked": None,
        "lock": None,
        "keys": None,
    }


@pytest.mark.parametrize(
    ("text", "options", "message"),
    [
        ("1 2", {}, "edge has 3 cuts, and 2 are written"),
        ("1 2 9", {}, "'9' is no depth of edge"),
        ("1 2 ?", {"lock": "dor"}, "has no lock 'dor'"),
        ("1 2 ?", {"limit": -1}, "limit of -1"),
    ],
)
def test_what_cannot_be_completed_is_refused(text, options, message):
    system = system_of(("edge",), 3, 3, (), locks={"door": (0,)})
    with pytest.raises(BittingError, match=message):
        complete(parse_code(text, system), system, **options)


def test_a_code_of_another_system_is_refused():
    code = parse_code("1 ? 2", system_of(("edge",), 3, 3, ()))
    with pytest.raises(BittingError, match="another system"):
        complete(code, system_of(("edge",), 3, 4, ()))


def test_sides_that_disagree_are_refused_with_the_place():
    system = system_of(("edge",), 3, 3, (), ("top", "bottom"))
    with pytest.raises(BittingError, match="cut 2 is written differently") as caught:
        complete(parse_code("top(1 2 3); bottom(1 3 3)", system))
    assert caught.value.text[slice(*caught.value.span)] == "3"


def test_the_work_list_leads_from_try_to_try():
    system = system_of(("left", "right"), 3, 4, ("adjacent cuts differ by at most 2",))
    got = complete(parse_code("left: 1 ? ? / right: ? 2 2", system))
    for number, codes in enumerate(got.tries):
        held = None
        for code, step in zip(codes, worklist(got, system, number), strict=True):
            assert step.code == code
            if held is None:
                assert step.deepen == ()
                held = dict(zip(allowed_depths(parse_code(code, system)), flat_of(code, system), strict=True))
            for lane, cut, depth in step.deepen:
                place = Place([each.label for each in system.lanes].index(lane), cut - 1)
                assert int(depth) - 1 > held[place]
                held[place] = int(depth) - 1
            assert tuple(held.values()) == flat_of(code, system)


def test_projection_keeps_what_some_key_has():
    for seed in range(60):
        system, code, cells = random_case(seed)
        legal = brute(system, cells)
        if not legal:
            continue
        space = answer.choices_of(code_space(system, allowed=allowed_depths(code)))
        draw = random.Random(seed)
        keep = draw.sample(range(len(space.places)), draw.randint(1, len(space.places)))
        part = space.only({space.places[i] for i in keep})
        assert isinstance(part, Choices)
        wanted = sorted({tuple(key[i] for i in sorted(keep)) for key in legal})
        assert part.first(10_000).tolist() == [list(row) for row in wanted]
        assert part.count == len(wanted)
        sums = np.bincount([sum(row) for row in wanted]).tolist()
        assert list(part.levels)[: len(sums)] == sums
        assert not any(part.levels[len(sums) :])


def test_exact_as_far_as_promised():
    assert EXACT_UP_TO >= 20_000


def test_writing_is_canonical():
    system = system_of(("left", "right"), 2, 3, (), ("top", "bottom"), convenience=False)
    got = complete(parse_code("top(left: 1 ? / right: 2 2); bottom(left: 3 3 / right: 1 1)", system))
    assert got.codes[2] == str(code_of(system, [[0, 2], [1, 1], [2, 2], [0, 0]]))


def readings_for(system, seed):
    """A key drawn from the system's codes, worn and measured, with some cuts left open."""
    draw = random.Random(seed)
    rows = []
    for lane in system.lanes:
        depths = [draw.randrange(len(lane.track.labels)) for _ in range(lane.track.cuts)]
        values = [lane.track.depths[d] - abs(draw.gauss(0, 0.08)) + draw.gauss(0, 0.05) for d in depths]
        row = [f"{value:.2f}" if draw.random() < 0.7 else "?" for value in values]
        rows.append(f"{lane.track.name}: {' '.join(row)}")
    rows[0] = rows[0].replace("?", "7.50", 1)
    return parse_readings(" / ".join(rows), system)


@pytest.mark.parametrize("seed", but_long(range(6), *range(6)))
def test_probabilities_are_those_of_decoding_among_the_candidates(seed):
    system = system_of(("left", "right"), 3, 4, RULES[seed : seed + 1], locks={"door": (0, 2)})
    readings = readings_for(system, seed)
    code = parse_code("left: ? [1 2 3] ? / right: ? ? [2 3]", system)
    fitting = dict.fromkeys(complete(code, system, 10_000).codes, 0.0)
    every = Decoder(system, listings=False).decode(readings, 4**6).candidates  # as the list is given
    for candidate in every:
        if candidate.code in fitting:
            fitting[candidate.code] = candidate.probability
    total = sum(fitting.values())
    got = complete(code, system, 10_000, readings=readings)
    assert sorted(got.codes) == sorted(fitting)
    for text, probability in zip(got.codes, got.probabilities, strict=True):
        assert probability == pytest.approx(fitting[text] / total, abs=2e-5)  # tilt and left-right: 1e-4 at most
    assert list(got.probabilities) == sorted(got.probabilities, reverse=True)
    assert got.blanks == complete(code, system).blanks
    weight = dict(zip(got.codes, got.probabilities, strict=True))
    held = [sum(weight[text] for text in blank) for blank in got.tries]
    assert all(a >= b - 1e-12 for a, b in itertools.pairwise(held))

    for fact in got.facts:
        at = 3 * (fact.track == "right") + fact.cut - 1
        groups = {}
        for text, probability in weight.items():
            groups.setdefault(flat_of(text, system)[at], []).append(probability)
        mean = sum(sum(group) * len(group) for group in groups.values())
        assert fact.codes == pytest.approx(mean, rel=1e-4)

    locked = complete(code, system, 10_000, readings=readings, lock="door")
    gathered = {}
    for text, probability in weight.items():
        flat = flat_of(text, system)
        setting = (flat[0], flat[2], flat[3], flat[5])
        gathered[setting] = gathered.get(setting, 0.0) + probability
    for text, probability in zip(locked.codes, locked.probabilities, strict=True):
        allowed = [depths[0] for depths in allowed_depths(parse_code(text, system)).values()]
        assert probability == pytest.approx(gathered[allowed[0], allowed[2], allowed[3], allowed[5]], abs=2e-6)
    first = complete(code, system, 1, readings=readings, lock="door")
    assert first.probabilities == locked.probabilities[:1]  # of all its codes, though one is shown


@pytest.mark.thorough
def test_the_likeliest_of_too_many_to_list(monkeypatch):
    system = system_of(("left", "right"), 3, 4, ())
    readings = readings_for(system, 5)
    code = parse_code("? ? ? ? ? ?", system)
    every = complete(code, system, 50, readings=readings)
    monkeypatch.setattr(answer, "EXACT_UP_TO", 0)
    some = complete(code, system, 50, readings=readings)
    assert some.codes == every.codes
    assert some.probabilities == pytest.approx(every.probabilities)
    assert sum(some.probabilities) + some.not_ranked == pytest.approx(1)


def test_readings_without_a_value_are_refused():
    system = system_of(("edge",), 3, 3, ())
    with pytest.raises(BittingError, match="nothing was measured"):
        complete(parse_code("? ? ?", system), readings=parse_readings("? ? ?", system))


def test_a_try_that_is_likely_shows_its_chance_and_no_other_does():
    system = load_system("dunlin")
    code = parse_code("3 1 ? ? 2 5", system)
    got = complete(code, system, 6, readings=parse_readings(".299 .333 .285 .272 .312 .262", system))
    lines = list(completion_lines(got, str(code), system, 6))
    tries = [line for line in lines if re.match(r" +\d+\. ", line)]
    told = dict(zip(got.tries[0], tries, strict=False))
    for text, line in told.items():
        chance = dict(zip(got.codes, got.probabilities, strict=True)).get(text)
        assert line.endswith(f"  {percent(chance)}") if chance else "%" not in line
    assert any("%" in line for line in tries)
    assert any("%" not in line for line in tries)


@pytest.mark.parametrize("known", ["5 7 ? 4 6 ?", "5 7 [2 3] 4 6 ?"])
def test_what_is_said_of_a_try_without_a_chance_is_true(known):
    """Codes that are as likely as those listed were called less likely, to be cut past."""
    system = load_system("dunlin")
    code, readings = parse_code(known, system), parse_readings(".264 .229 ? .279 .247 ?", system)
    every = complete(code, system, 100, readings=readings)
    chance = dict(zip(every.codes, every.probabilities, strict=True))
    got = complete(code, system, 20, readings=readings)
    lines = list(completion_lines(got, str(code), system, 6))
    (said,) = [line for line in lines if line.startswith("Behind a try")]
    tries = [line for line in lines if re.match(r" +\d+\. ", line)]
    silent = [chance[t] for t, line in zip(got.tries[0], tries, strict=False) if "%" not in line]
    bound = re.search(r"at most ([\d.]+) %", said)
    assert bool(bound) == (not got.complete)
    assert all(float(bound[1]) >= 100 * p - 0.05 for p in silent)
