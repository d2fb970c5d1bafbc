"""The page in a real browser: stepped through, reloaded, by keyboard, narrow and wide, locked down, read out, printed."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from bitting.decoding import decode
from bitting.machine.plan.plan import plan
from bitting.notation import parse_readings
from bitting.sheet.html import page_html, part
from bitting.sheet.page import Page, page_of
from bitting.systemfile import shipped_systems
from tests.conftest import but_long
from tests.sheet.conftest import CODES, chromium, code_of, in_ci

Pages = Callable[[str], tuple[Page, Path]]

MOMENTS = "{ let now = 0; performance.now = () => (now += 1000); }"
"""Every look at the clock a second after the one before: no press comes too soon."""


@pytest.fixture
def opened(browser: Any, pages: Pages) -> Iterator[Callable[..., Any]]:
    """Opens the page of a system in a window of its own; fails if the page had anything to complain of."""
    contexts, heard = [], []

    def get(name: str = "plover", script: str = "", path: Path | None = None, **options: Any) -> Any:
        context = browser.new_context(**{"viewport": {"width": 1180, "height": 820}, **options})
        contexts.append(context)
        tab = context.new_page()
        tab.on("console", lambda message: heard.append(message.text))
        tab.on("pageerror", lambda error: heard.append(str(error)))
        tab.on("request", lambda request: None if request.url.startswith("file:") else heard.append(request.url))
        if script:
            tab.add_init_script(script)
        tab.goto((path or pages(name)[1]).as_uri())
        return tab

    yield get
    for context in contexts:
        context.close()
    assert heard == []


def said(tab: Any) -> str:
    return str(tab.get_by_role("status").first.text_content())


def test_a_browser_is_there_in_ci() -> None:
    """Without one the tests below are skipped, which must never go unseen where changes are judged."""
    if not in_ci():
        pytest.skip("only asked in CI")
    assert chromium() is not None, "install the distribution's chromium package"


@pytest.mark.parametrize("name", but_long(shipped_systems(), "grebe", "heron", "siskin", "wren"))
def test_next_and_back_through_the_whole_plan(opened: Any, pages: Pages, name: str) -> None:
    page, _ = pages(name)
    tab = opened(name, MOMENTS)
    walk = """([id, times]) => Array.from({length: times}, () => {
      document.getElementById(id).click();
      const board = document.querySelector("[data-board]:not([hidden])");
      const ends = [...document.querySelectorAll(".dial[data-changes]")].map((dial) => dial.id);
      return [document.getElementById("step-said").textContent, board?.dataset.board,
        board?.querySelector(".cut").getAttribute("d"), ends];
    })"""
    seen = tab.evaluate(walk, ["next", len(page.steps)])
    for (text, board, cut, changing), step, mark, index in zip(
        seen, page.steps[1:], page.marks[1:], range(1, len(page.steps)), strict=False
    ):
        assert text == step.said
        if mark is not None:
            so_far = [m.cut for m in page.marks[: index + 1] if m is not None and m.board == mark.board]
            assert (board, cut) == (mark.board, "".join(so_far))
            assert changing == [name for name in ("space", "depth") if getattr(step, name).changes]
    assert seen[-1][0] == page.steps[-1].said  # Next on the last step stays there
    back = tab.evaluate(walk, ["back", len(page.steps)])
    assert [text for text, *_ in back[: len(page.steps) - 1]] == [step.said for step in page.steps[-2::-1]]


def test_a_double_press_is_one_step(opened: Any, pages: Pages) -> None:
    steps = pages("plover")[0].steps
    tab = opened("plover", "{ let now = 1000; performance.now = () => now; window.later = (ms) => (now += ms); }")
    following = tab.get_by_role("button", name="Next")
    following.dblclick()
    assert said(tab) == steps[1].said
    assert "one moment" in tab.get_by_role("alert").inner_text()
    tab.evaluate("later(600)")
    for _ in range(4):  # a pedal that chatters
        tab.keyboard.press("PageDown")
    assert said(tab) == steps[2].said
    tab.evaluate("later(300)")
    following.click()
    assert said(tab) == steps[2].said
    for held in ("ArrowRight", "Enter", " "):
        tab.evaluate("later(600)")
        before = said(tab)
        for _ in range(5):  # the first is a press, the others the key held down
            tab.keyboard.down(held)
            tab.evaluate("later(600)")
        tab.keyboard.up(held)
        assert said(tab) == steps[[step.said for step in steps].index(before) + 1].said


def test_by_keyboard_alone(opened: Any, pages: Pages) -> None:
    steps = pages("wren")[0].steps
    tab = opened("wren", MOMENTS)
    for key, at in [("ArrowRight", 1), ("PageDown", 2), (" ", 3), ("Enter", 4), ("ArrowLeft", 3), ("PageUp", 2),
                    ("Shift+ ", 1)]:  # fmt: skip
        tab.keyboard.press(key)
        assert said(tab) == steps[at].said, key
    focused = "document.activeElement.id"
    while tab.evaluate(focused) != "next":
        tab.keyboard.press("Tab")
    tab.keyboard.press("Enter")
    assert said(tab) == steps[2].said
    while tab.evaluate(focused) != "go-to":
        tab.keyboard.press("Shift+Tab")
    tab.keyboard.press("ArrowRight")  # a box under the focus keeps its keys
    assert said(tab) == steps[2].said
    tab.keyboard.type("7")
    tab.keyboard.press("Enter")
    assert said(tab) == next(step.said for step in steps if step.number == 7)


def test_reloaded_it_is_where_it_was_until_told_to_forget(opened: Any, pages: Pages) -> None:
    page, path = pages("plover")
    tab = opened("plover", MOMENTS)
    for _ in range(3):
        tab.get_by_role("button", name="Next").click()
    tab.reload()
    assert said(tab) == page.steps[3].said
    assert "where you were" in tab.get_by_role("alert").inner_text()
    kept = tab.evaluate("Object.entries(localStorage)")
    assert [value for _, value in kept] == ["3"]
    assert re.fullmatch(r"[0-9a-f]{32}", kept[0][0])
    assert kept[0][0] in path.read_text(encoding="utf-8")
    tab.get_by_role("button", name="Forget my place").click()
    assert tab.evaluate("localStorage.length") == 0
    tab.reload()
    assert said(tab) == page.steps[0].said


def test_where_storage_is_blocked_it_steps_and_says_so(opened: Any, pages: Pages) -> None:
    blocked = "Object.defineProperty(window, 'localStorage', { get() { throw new Error('blocked'); } });"
    tab = opened("plover", MOMENTS + blocked)
    tab.get_by_role("button", name="Next").click()
    assert said(tab) == pages("plover")[0].steps[1].said
    assert "keeps nothing" in tab.get_by_role("alert").inner_text()


@pytest.mark.parametrize("name", ["dunlin", "plover"])
def test_without_scripts_everything_is_there_to_work_by(opened: Any, pages: Pages, name: str) -> None:
    page, _ = pages(name)
    tab = opened(name, java_script_enabled=False)
    text = tab.locator("body").inner_text()
    assert "doesn't run the page's script" in text
    assert "Next" not in text
    for step in page.steps:
        assert step.number is None or step.what in text
    for row in page.rows:
        assert row.label in text
    for line in (*page.plan.cautions, *page.plan.setup, *page.between, *page.plan.after):
        assert line in text


@pytest.mark.parametrize("name", but_long(shipped_systems(), "grebe", "plover", "wren"))
def test_nothing_sticks_out_sideways(opened: Any, name: str) -> None:
    tab = opened(name, MOMENTS)
    tab.get_by_role("button", name="Next").click()
    tab.get_by_role("button", name="Next").click()
    for width, height in ((320, 640), (820, 1180), (2560, 1440)):
        tab.set_viewport_size({"width": width, "height": height})
        tab.evaluate("document.getElementById('bench').scrollIntoView()")
        assert tab.evaluate("document.documentElement.scrollWidth") <= width
        sizes = tab.evaluate(
            "[...document.querySelectorAll('.value span:first-child, .name')].map((e) => "
            "[e.getBoundingClientRect().right - e.closest('.dial').getBoundingClientRect().right, "
            "parseFloat(getComputedStyle(e).fontSize)])"
        )
        assert all(past <= 0 for past, _ in sizes)
        assert min(size for _, size in sizes) >= 20
        for button in ("Next", "Back"):
            box = tab.get_by_role("button", name=button).bounding_box()
            assert box["height"] >= 44
            assert 0 <= box["y"] <= height - box["height"]


def test_on_a_telephone_code_and_chart_are_whole(opened: Any, tmp_path: Path) -> None:
    code = code_of("siskin")
    rows = zip(code.system.lanes, code.depths or (), strict=True)
    read = " / ".join(" ".join(str(lane.track.depths[d]) for d in row) for lane, row in rows)
    page = page_of(plan(code, code.system), code, decoded=decode(parse_readings(read, code.system), code.system))
    path = tmp_path / "page.html"
    path.write_text(page_html(page), encoding="utf-8")
    tab = opened(path=path, viewport={"width": 360, "height": 780})
    tops = "(list) => new Set([...list.children].map((cut) => cut.getBoundingClientRect().top)).size"
    assert [cuts.evaluate(tops) for cuts in tab.locator(".cuts").all()] == [1, 1]
    assert tab.locator(".picture.screen").evaluate("(e) => e.scrollWidth <= e.clientWidth")


def test_nothing_runs_but_the_page_s_own_script(browser: Any, pages: Pages, tmp_path: Path) -> None:
    """What slips into the file is refused by its own policy: a script, a handler, a style, an image from elsewhere."""
    text = pages("plover")[1].read_text(encoding="utf-8")
    spoilt = text.replace(
        "</main>",
        '<script>window.slipped = 1</script><img src="https://example.com/a.png" onerror="window.slipped = 2" alt="">'
        '<p id="styled" style="color: rgb(1, 2, 3)">x</p></main>',
    )
    path = tmp_path / "spoilt.html"
    path.write_text(spoilt, encoding="utf-8")
    tab = browser.new_page()
    answered: list[str] = []
    tab.on("requestfinished", lambda request: answered.append(request.url))
    refused: list[str] = []
    tab.on("console", lambda message: refused.append(message.text))
    tab.goto(path.as_uri())
    assert tab.evaluate("window.slipped") is None
    assert tab.evaluate("getComputedStyle(document.getElementById('styled')).color") != "rgb(1, 2, 3)"
    assert answered == [path.as_uri()]
    assert all(any(word in text for text in refused) for word in ("inline script", "inline style", "the image"))
    tab.close()


@pytest.mark.parametrize(
    ("name", "scheme", "width"),
    [("plover", "dark", 1180), ("grebe", "light", 320), ("dunlin", "light", 2560)],
)
def test_axe_finds_no_violation(opened: Any, name: str, scheme: str, width: int) -> None:
    import axe_playwright_python

    source = (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
    tab = opened(name, MOMENTS, color_scheme=scheme, viewport={"width": width, "height": 900})
    tab.evaluate(source)
    run = """async () => (await axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa",
      "best-practice"]})).violations.map((v) => [v.id, v.nodes.map((n) => n.html.slice(0, 120))])"""
    for _ in range(3):
        tab.get_by_role("button", name="Next").click()
    tab.locator("#inspect-table input").first.fill("1.2.3")
    tab.locator("#inspect-table input").nth(1).fill("8.1")
    assert tab.evaluate(run) == []


@pytest.mark.parametrize("name", but_long(shipped_systems(), "grebe", "plover", "wren"))
def test_it_prints_on_two_pages(opened: Any, name: str) -> None:
    tab = opened(name)
    for paper in ("A4", "Letter"):
        pdf: bytes = tab.pdf(format=paper, prefer_css_page_size=True)
        assert 1 <= len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf)) <= 2, paper


@pytest.mark.parametrize("name", ["dunlin", "plover"])
def test_printed_at_100_per_cent_the_blade_is_life_size(opened: Any, name: str) -> None:
    tab = opened(name)
    tab.emulate_media(media="print")
    found = tab.evaluate(
        """() => { const svg = document.querySelector(".life svg");
        return [svg.getBoundingClientRect().width, svg.viewBox.baseVal.width, svg.outerHTML]; }"""
    )
    assert found[0] == pytest.approx(found[1] * 96 / 25.4, abs=0.1)  # CSS: 96 px are one inch
    bars = [float(b) - float(a) for a, b in re.findall(r"M([\d.]+) [\d.]+H([\d.]+)\"", found[2])]
    assert 50.0 in [round(bar, 3) for bar in bars]
    assert not tab.locator("#bench").is_visible()


def test_readings_typed_in_are_judged_in_words(opened: Any, pages: Pages) -> None:
    inspecting = pages("plover")[0].inspecting
    assert inspecting is not None
    window = inspecting.judging.rows[0].go
    assert window is not None
    good = f"{sum(window) / 2:.2f}"
    tab = opened("plover")
    first = tab.get_by_label("top left 1, reading 1", exact=True)
    verdict = tab.locator("[data-row='0'] output")
    first.fill(" ".join([good.replace(".", ",")] * 4))
    assert verdict.inner_text() == "✓ pass"
    assert "27 of 28" in tab.locator("#whole").inner_text()
    first.fill("8.40|8.40")
    assert verdict.inner_text().startswith("↓ recut, 0.2")
    first.fill("7.90 7.90")
    assert verdict.inner_text().startswith("✕ scrap, 0.2")
    first.fill("8.10")
    assert verdict.inner_text().startswith("? too close to tell")
    first.fill("0.32")
    assert "which unit" in verdict.inner_text()
    tab.get_by_label("Readings in").select_option("in")
    assert "which unit" not in verdict.inner_text()
    tab.get_by_label("Readings in").select_option("mm")
    tab.get_by_role("button", name="Read again").click()
    first.fill(good)
    tab.get_by_label("top left 1, reading 2", exact=True).fill(f"{good} {good}")
    assert verdict.inner_text() == "✓ pass"
    first.fill("no")
    assert "no length" in verdict.inner_text()
    assert first.get_attribute("aria-invalid") == "true"


def test_no_title_address_or_storage_holds_the_code(opened: Any) -> None:
    tab = opened("plover", MOMENTS)
    tab.get_by_role("button", name="Next").click()
    digits = re.sub(r"\D", "", CODES["plover"])
    kept = tab.evaluate("[document.title, location.href, document.cookie, JSON.stringify(localStorage)].join()")
    assert digits[:7] not in re.sub(r"\W", "", kept)
    assert "2 1 3 3" not in kept


PRESSES = """(times) => { const at = stepper(9, 2); return times.map(([by, time]) => [at.press(by, time), at.now]); }"""


def test_what_a_press_does_by_itself(browser: Any) -> None:
    """The stepper's part alone: doubles, a row of presses, both ends."""
    tab = browser.new_page()
    tab.add_script_tag(content=part("stepper.js"))
    assert tab.evaluate(PRESSES, [[1, 0], [1, 150], [-1, 399], [1, 400]]) == [
        [True, 3],
        [False, 3],
        [False, 3],
        [True, 4],
    ]
    assert tab.evaluate(PRESSES, [[1, 100 * i] for i in range(9)])[-1] == [True, 5]  # every 400 ms of the 800
    assert tab.evaluate(PRESSES, [[-1, 1000 * i] for i in range(4)])[-1] == [True, 0]
    assert tab.evaluate(PRESSES, [[1, 1000 * i] for i in range(9)])[-1] == [True, 8]
    assert tab.evaluate("[NaN, -3, 99, 2.4].map((start) => stepper(9, start).now)") == [0, 0, 8, 2]
    key = """(e) => wayOf({repeat: false, shiftKey: false, ctrlKey: false, altKey: false, metaKey: false, ...e},
      e.at ?? 'BODY', e.seen ?? true)"""
    for event, way in [
        ({"key": " "}, 1), ({"key": " ", "shiftKey": True}, -1), ({"key": " ", "at": "BUTTON"}, 0),
        ({"key": "PageDown", "at": "BUTTON"}, 1), ({"key": "PageDown", "seen": False}, 0),
        ({"key": "ArrowLeft", "seen": False}, -1), ({"key": "ArrowRight", "at": "INPUT"}, 0),
        ({"key": "ArrowRight", "ctrlKey": True}, 0), ({"key": "a"}, 0), ({"key": "Enter", "repeat": True}, 0),
    ]:  # fmt: skip
        assert tab.evaluate(key, event) == way, event
    tab.close()
