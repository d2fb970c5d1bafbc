"""Rules learned from codes: evidence beside brute force, families beside a naive oracle, choices that hold."""

from __future__ import annotations

import json
import math
from fractions import Fraction
from pathlib import Path

import pytest
from attrs import evolve
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import Workbook
from scipy.stats import binom

from bitting.authoring.evidence import LIMIT, Evidence, log_chance, more_codes, most_breaking
from bitting.authoring.families import LEARNABLE, families, merged
from bitting.authoring.learn import learn
from bitting.authoring.tables import codes_in
from bitting.cli import main
from bitting.counting import sample
from bitting.diagram import Counter, code_space
from bitting.errors import BittingError
from bitting.model import Place, System, code_of
from bitting.rules import catalogue, read_rule
from bitting.systemfile import load_system
from tests.make import any_system, system, track
from tests.oracle import broken, every_code

SMALL = system(track(cuts=4, labels="123"), must=("adjacent cuts differ by at most 1", "first cut is not 3"))
RULES = ("adjacent cuts differ by at most 2", "no more than 2 equal cuts in a row", "first cut is one of 1 2 3")


def known(made: System) -> list[str]:
    """Every sentence of every family."""
    return [family.said(member) for family in families(made) for member in range(len(family.sentences))]


# ---- evidence -----------------------------------------------------------------------------------------------------


def without_rules(system: System) -> System:
    """The same system with no rules at all."""
    return evolve(system, must=(), should=(), rules=())


@given(st.integers(0, 12), st.integers(1, 60), st.floats(0, 1))
def test_the_chance_is_the_binomial_tail_summed_term_by_term(breaking: int, codes: int, given_share: float) -> None:
    share = Fraction(given_share)  # exactly what is given, so that 1 - share loses nothing
    exact = sum(
        (math.comb(codes, k) * share**k * (1 - share) ** (codes - k) for k in range(min(breaking, codes) + 1)),
        start=Fraction(0),
    )
    found = math.exp(log_chance(min(breaking, codes), codes, given_share))
    assert found == pytest.approx(float(exact), rel=1e-9, abs=1e-300)


@given(st.integers(1, 200), st.floats(0.001, 0.4), st.integers(1, 1000))
def test_so_many_more_codes_are_the_fewest_that_settle_a_rule(codes: int, share: float, tried: int) -> None:
    more = more_codes(0, codes, share, tried)
    assert more is not None
    assert binom.pmf(0, codes + more, share) * tried <= LIMIT * (1 + 1e-9)
    if more:
        assert binom.pmf(0, codes + more - 1, share) * tried > LIMIT * (1 - 1e-9)


def test_bad_codes_are_borne_up_to_what_their_share_brings() -> None:
    assert most_breaking(200, 0.0) == 0
    allowed = most_breaking(200, 0.02)
    assert binom.sf(allowed, 200, 0.02) <= 0.001 < binom.sf(allowed - 1, 200, 0.02)


@settings(max_examples=12, deadline=None)
@given(any_system, st.data())
def test_the_counts_of_the_evidence_are_those_of_all_codes_one_by_one(made: System, data: st.DataObject) -> None:
    bare = without_rules(made)
    sentences = data.draw(st.lists(st.sampled_from(known(bare)), min_size=1, max_size=3, unique=True))
    rules = [rule for text in sentences for rule in read_rule(bare, text, "must")]
    legal = sum(not any(broken(rule.sentence, bare, code) for rule in rules) for code in every_code(bare))
    assert Counter(bare).count(rules) == legal


def test_evidence_without_a_share_says_nothing() -> None:
    assert Evidence(10, 10, 50, 0, 100).corrected == 1.0
    assert not Evidence(10, 10, 50, 0, 100).enough
    assert Evidence(10, 10, 50, 0, 100).more is None


# ---- families -----------------------------------------------------------------------------------------------------


@pytest.mark.thorough
@settings(max_examples=12, deadline=None)
@given(any_system)
def test_every_family_is_read_and_runs_from_loose_to_tight(made: System) -> None:
    bare = without_rules(made)
    for family in families(bare):
        counts = []
        for member in range(len(family.sentences)):
            rules = read_rule(bare, family.said(member), "must")
            assert {rule.identifier for rule in rules} == {family.kind}
            assert {rule.lanes for rule in rules} == {family.lanes}
            counts.append(code_space(bare, rules=rules).count)
        assert counts == sorted(counts, reverse=True)


def test_learnable_kinds_are_kinds_and_the_page_lists_them() -> None:
    assert set(LEARNABLE) <= set(catalogue())
    page = (Path(__file__).parents[2] / "bitting/docs/own-system.md").read_text(encoding="utf-8")
    assert [kind for kind in LEARNABLE if f"`{kind}`" not in page] == []


def test_single_depths_are_told_as_one_sentence_and_what_holds_everywhere_without_on() -> None:
    plover = without_rules(load_system("plover"))
    by_said = {family.said(m): (family, m) for family in families(plover) for m in range(len(family.sentences))}
    chosen = [
        by_said[text]
        for text in (
            "on left, adjacent cuts differ by at most 2",
            "on right, adjacent cuts differ by at most 2",
            *(f"on left, first cut is not {label}" for label in "345"),
            "on right, 1 is never followed by 4",
            "on right, 1 is never followed by 5",
        )
    ]
    told = merged(plover, chosen)
    assert [sentence for sentence, _ in told] == [
        "adjacent cuts differ by at most 2",
        "on left, first cut is one of 1 2",
        "on right, 1 is never followed by 4 5",
    ]
    together = [rule for sentence, _ in told for rule in read_rule(plover, sentence, "must")]
    apart = [rule for family, m in chosen for rule in read_rule(plover, family.said(m), "must")]
    assert code_space(plover, rules=together).count == code_space(plover, rules=apart).count


# ---- learning -----------------------------------------------------------------------------------------------------


def sampled(made: System, number: int, seed: int = 1) -> list[tuple[int, tuple[tuple[int, ...], ...]]]:
    return list(enumerate(code_space(made).sample(number, seed), start=1))


def ruled() -> System:
    return system(track(cuts=6, labels="12345"), must=RULES)


def test_the_rules_of_an_invented_system_are_found_and_nothing_else() -> None:
    made = ruled()
    found = learn(without_rules(made), sampled(made, 400))
    assert {rule.sentence for rule in found.proposed} == {*RULES[:2], "first cut is not 4 5"}
    assert (found.before, found.after) == (5**6, code_space(made).count)
    assert all(0 <= rule.evidence.corrected <= LIMIT for rule in found.proposed)
    assert found.bad == ()


def test_the_evidence_that_is_told_is_brute_force() -> None:
    """Shares counted by listing every code, the tail summed by hand, times the number of sentences."""
    bare = without_rules(SMALL)
    codes = sampled(SMALL, 60)
    found = learn(bare, codes)
    assert "adjacent cuts differ by at most 1" in {rule.sentence for rule in found.proposed}
    distinct = {depths for _, depths in codes}
    sentences = [rule.sentence for rule in found.proposed]
    for rule in found.proposed:
        others = [text for text in sentences if text != rule.sentence]
        left = [code for code in every_code(bare) if not any(broken(text, bare, code) for text in others)]
        kept = sum(not broken(rule.sentence, bare, code) for code in left)
        assert (rule.evidence.kept, rule.evidence.out_of, rule.evidence.codes) == (kept, len(left), len(distinct))
        by_hand = (kept / len(left)) ** len(distinct) * len(known(bare))
        assert rule.evidence.corrected == pytest.approx(min(1.0, by_hand), rel=1e-9)


@pytest.mark.thorough
@settings(max_examples=15, deadline=None)
@given(any_system, st.integers(0, 99))
def test_every_proposed_rule_is_needed_and_no_given_code_breaks_it(made: System, seed: int) -> None:
    if not code_space(made).count:
        return
    bare = without_rules(made)
    found = learn(bare, sampled(made, 40, seed))
    rules = {rule.sentence: read_rule(bare, rule.sentence, "must") for rule in found.proposed}
    for sentence in rules:
        others = [rule for text, several in rules.items() if text != sentence for rule in several]
        assert Counter(bare).count([*others, *rules[sentence]]) < Counter(bare).count(others)
    space = code_space(bare, rules=[rule for several in rules.values() for rule in several])
    assert all(space.contains(depths) for _, depths in sampled(made, 40, seed))


def test_a_bad_code_hides_a_rule_unless_some_may_be_bad() -> None:
    made = ruled()
    codes = sampled(made, 400)
    bad = (401, ((0, 4, 0, 4, 0, 4),))
    strict = learn(without_rules(made), [*codes, bad])
    assert RULES[0] not in {rule.sentence for rule in strict.proposed}
    lenient = learn(without_rules(made), [*codes, bad], bad=0.01)
    assert RULES[0] in {rule.sentence for rule in lenient.proposed}
    assert lenient.bad == ((401, f"against: {RULES[0]}"),)


def test_the_files_own_rules_are_kept_and_codes_against_them_are_bad() -> None:
    made = ruled()
    kept = evolve(without_rules(made), must=RULES[:1], rules=read_rule(made, RULES[0], "must"))
    found = learn(kept, [*sampled(made, 300), (301, ((0, 4, 0, 4, 0, 4),))])
    assert found.kept == RULES[:1]
    assert RULES[0] not in {rule.sentence for rule in found.rules}
    assert [row for row, _ in found.bad] == [301]


def test_codes_that_repeat_count_once() -> None:
    made = ruled()
    codes = sampled(made, 50)
    again = learn(without_rules(made), [*codes, *((row + 50, depths) for row, depths in codes)])
    once = learn(without_rules(made), codes)
    assert (again.codes, again.repeated) == (once.codes, once.repeated + 50)
    assert [r.as_dict() for r in again.rules] == [r.as_dict() for r in once.rules]


def test_nothing_to_learn_from_and_a_share_that_cant_be() -> None:
    with pytest.raises(BittingError, match="no row holds a whole code"):
        learn(SMALL, [])
    with pytest.raises(BittingError, match=r"a share of 0\.6 bad codes"):
        learn(SMALL, sampled(SMALL, 5), bad=0.6)


def test_few_codes_propose_nothing_and_say_how_many_more() -> None:
    found = learn(without_rules(ruled()), sampled(ruled(), 3))
    assert found.proposed == ()
    waiting = {rule.sentence: rule.more for rule in found.rules}
    assert waiting[RULES[0]] is not None
    assert waiting[RULES[0]] > 0


# ---- the command --------------------------------------------------------------------------------------------------


def run(*words: str, stdin: str | None = None) -> tuple[int, str, str]:
    found = CliRunner().invoke(main, ["systems", *words], input=stdin)
    return found.exit_code, found.stdout, found.stderr


@pytest.fixture(scope="module")
def codes() -> list[str]:
    wren = load_system("wren")
    return [str(code_of(wren, depths)) for _, depths in sampled(wren, 120)]


@pytest.fixture
def chart(tmp_path: Path) -> Path:
    """wren without its rules."""
    text = (Path(load_system("wren").path)).read_text(encoding="utf-8")
    start, end = text.index("[rules]"), text.index("[locks]")
    path = tmp_path / "chart.toml"
    path.write_text(text[:start] + text[end:], encoding="utf-8")
    return path


def test_a_column_of_a_table_makes_a_draft_that_lint_reads(tmp_path: Path, chart: Path, codes: list[str]) -> None:
    table = tmp_path / "good.csv"
    rows = [f"{n};{code};x" for n, code in enumerate(codes, start=1)]
    table.write_text("number;key code;remark\n" + "\n".join([*rows, "121;1 2 3;short"]), encoding="utf-8")
    out = tmp_path / "draft.toml"
    status, stdout, _ = run("learn", str(table), "-s", str(chart), "-o", str(out), "--json")
    answer = json.loads(stdout)
    assert (status, answer["bad"], answer["file"]) == (1, [122], str(out))
    proposed = [rule["sentence"] for rule in answer["rules"] if rule["proposed"]]
    assert "the sum of cuts is even" in proposed
    draft = load_system(out)
    assert list(draft.must) == proposed
    assert "# learned from" in out.read_text(encoding="utf-8")
    assert "# as such keys are measured" in out.read_text(encoding="utf-8")  # the chart's own comments stay
    assert out.stat().st_mode & 0o777 == 0o600
    assert run("lint", str(out))[0] == 0


def test_codes_are_written_nowhere(tmp_path: Path, chart: Path, codes: list[str]) -> None:
    table = tmp_path / "good.txt"
    table.write_text("# good ones\n" + "\n".join([*codes, "1 4 1 4 1 4 1 4"]), encoding="utf-8")
    out = tmp_path / "draft.toml"
    status, stdout, stderr = run("learn", str(table), "-s", str(chart), "--bad", "0.02", "-o", str(out))
    assert status == 1
    assert "row 122" in stdout
    written = stdout + stderr + out.read_text(encoding="utf-8")
    assert not any(code in written for code in [*codes, "1 4 1 4 1 4 1 4"])


def test_the_files_read_are_never_replaced(tmp_path: Path, chart: Path, codes: list[str]) -> None:
    table = tmp_path / "good.txt"
    table.write_text("\n".join(codes), encoding="utf-8")
    for target in (table, chart):
        status, stdout, stderr = run("learn", str(table), "-s", str(chart), "-o", str(target))
        assert (status, stdout) == (2, "")
        assert "would be overwritten" in stderr


def test_a_list_on_standard_input(chart: Path, codes: list[str]) -> None:
    status, stdout, _ = run("learn", "-", "-s", str(chart), "--json", stdin="\n".join(codes))
    assert status == 0
    assert json.loads(stdout)["codes"] == len(set(codes))


def test_single_cuts_barred_by_counts_on_the_diagram() -> None:
    """One share beside the diagram's own way to narrow a cut: `allowed` instead of a rule."""
    bare = without_rules(SMALL)
    rule = read_rule(bare, "cut 2 is not 3", "must")
    assert Counter(bare).count(rule) == code_space(bare, allowed={Place(0, 1): (0, 1)}).count


def test_the_header_of_a_single_column_is_no_code(tmp_path: Path) -> None:
    table = tmp_path / "codes.csv"
    table.write_text("Key code\n2212\n2211\nkey code\n", encoding="utf-8")
    good, bad = codes_in(str(table), SMALL)
    assert [number for number, _ in good] == [2, 3]
    assert [number for number, _ in bad] == [4]  # below the first line it is a bad row like another


@pytest.mark.parametrize("kind", ["csv", "sep", "list", "xlsx"])
def test_rows_have_the_numbers_that_a_program_for_tables_shows(kind: str, tmp_path: Path) -> None:
    """As `bitting batch` counts them: with titles, the header, blank rows and remarks above."""
    rows = [["INVENTED codes"], [], ["key", "code"], ["1", "2212"], [], ["2", "221"], ["3", "2211"]]
    table = tmp_path / f"codes.{kind}"
    if kind == "xlsx":
        book = Workbook()
        for number, row in enumerate(rows, 1):
            for column, cell in enumerate(row, 2):
                book.active.cell(number, column, cell)
        book.save(table)
    else:
        lines = [";".join(row) for row in rows]
        lines = {"csv": lines, "sep": ["sep=;", *lines[1:]], "list": ["# INVENTED", "", "", "2212", "", "221", "2211"]}[
            kind
        ]
        table.write_text("\n".join(lines) + "\n", encoding="utf-8")
    good, bad = codes_in(str(table), SMALL)
    assert ([number for number, _ in good], [number for number, _ in bad]) == ([4, 7], [6])


def test_a_file_that_is_there_is_told_without_an_option_that_learn_lacks(tmp_path: Path) -> None:
    codes, target = tmp_path / "codes.csv", tmp_path / "made.toml"
    codes.write_text("code\n", encoding="utf-8")
    target.write_text("kept", encoding="utf-8")
    done = CliRunner().invoke(main, ["systems", "learn", str(codes), "-s", "plover", "-o", str(target)])
    assert done.exit_code == 2
    assert "is there already" in done.stderr
    assert "--force" not in done.stderr
    assert target.read_text(encoding="utf-8") == "kept"


def test_codes_in_a_column_for_each_track_are_learnt_from(tmp_path: Path) -> None:
    two = load_system("plover")
    rows = [
        [" ".join(cut.text for cut in code.lists(lane)[0].cuts) for lane in two.lanes]
        for code in sample(two, 9, seed=1)
    ]
    table = tmp_path / "codes.csv"
    table.write_text("".join(",".join(row) + "\n" for row in [["key", "left", "right"], *(["k", *r] for r in rows)]))
    assert len(codes_in(str(table), two)[0]) == 9


def test_of_several_sheets_one_is_named_and_parquet_is_refused_by_name(tmp_path: Path) -> None:
    """The first sheet was taken in silence, and a Parquet file's codes were printed as the names of its columns."""
    book = Workbook()
    book.active.append(["code"])
    book.active.append(["2212"])
    book.create_sheet("June").append(["2211"])
    book.save(tmp_path / "two.xlsx")
    with pytest.raises(BittingError, match="2 sheets hold something: Sheet, June"):
        codes_in(str(tmp_path / "two.xlsx"), SMALL)
    assert [row for row, _ in codes_in(str(tmp_path / "two.xlsx"), SMALL, sheet="Sheet")[0]] == [2]
    (tmp_path / "t.parquet").write_bytes(b"PAR1code2212PAR1")
    with pytest.raises(BittingError, match="is a Parquet file"):
        codes_in(str(tmp_path / "t.parquet"), SMALL)
