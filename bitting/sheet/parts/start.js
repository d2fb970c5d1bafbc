// What the page does when it opens: the parts put together. Without this script everything is still there to read.

/**
 * @typedef {{changes: boolean, value: string, other: string, name: string, came: string, dial: string, turn: string}} Setting
 * @typedef {{kind: "ready" | "move" | "turn" | "done", where: string, what: string, said: string, number: number | null,
 *   space: Setting | null, depth: Setting | null, warning: string, mills: string, lines: string[],
 *   mark: Mark | null}} Step
 * @typedef {{keep: string, steps: Step[], judging: Judging | null, words: Object<Verdict, string>}} Facts
 */

/**
 * @param {string} id
 * @returns {HTMLElement}
 */
function part(id) {
  const found = document.getElementById(id);
  if (!found) throw new Error(`the page has no ${id}`);
  return found;
}

/**
 * Put a text where it belongs; an empty one hides its place.
 * @param {HTMLElement} place
 * @param {string} text
 */
function put(place, text) {
  place.textContent = text;
  place.hidden = text === "";
}

/** @param {Facts} facts */
function startBench(facts) {
  const { steps } = facts;
  const keep = keeper(facts.keep);
  const at = stepper(steps.length, keep.read());
  const marks = steps.map((step) => step.mark);
  const bench = part("bench");
  const next = part("next");

  /** @param {"space" | "depth"} control @param {Setting} setting */
  function showSetting(control, setting) {
    const [number, unit] = setting.value.split(" ");
    part(control).toggleAttribute("data-changes", setting.changes);
    put(part(`${control}-order`), setting.changes ? "▶ change" : "leave");
    put(part(`${control}-value`), number);
    put(part(`${control}-unit`), unit ?? "");
    put(part(`${control}-name`), setting.name);
    put(part(`${control}-dial`), setting.dial);
    put(part(`${control}-turn`), setting.turn);
    put(part(`${control}-came`), setting.came && `from ${setting.came}`);
    put(part(`${control}-other`), setting.other);
  }

  function show() {
    const step = steps[at.now];
    const then = steps[at.now + 1];
    put(part("step-where"), step.where);
    put(part("step-what"), step.what);
    put(part("step-said"), step.said);
    put(part("step-warning"), step.warning);
    put(part("step-mills"), step.mills && `Cutter: ${step.mills}.`);
    put(part("step-then"), then ? `Then: ${then.what}.` : "");
    const lines = step.lines.map((line) => Object.assign(document.createElement("li"), { textContent: line }));
    part("step-lines").replaceChildren(...lines);
    part("step-lines").hidden = lines.length === 0;
    part("dials").hidden = !step.space;
    if (step.space && step.depth) {
      showSetting("space", step.space);
      showSetting("depth", step.depth);
    }
    part("boards").hidden = step.kind === "ready" || step.kind === "done";
    showBlade(document, marks, at.now);
    /** @type {HTMLProgressElement} */ (part("progress")).value = at.now;
    part("back").setAttribute("aria-disabled", String(at.now === 0));
    next.setAttribute("aria-disabled", String(!then));
    put(part("note"), "");
  }

  /** Show the step that one came to, and keep the place. @param {string} note */
  function arrive(note) {
    show();
    bench.scrollIntoView();
    keep.write(at.now);
    put(part("note"), keep.works ? note : `${note} This viewer keeps nothing: after a reload, go to your move by its number.`);
  }

  /** @param {number} by @param {boolean} again the second click of a double one */
  function press(by, again) {
    if (!again && at.press(by, performance.now())) arrive("");
    else put(part("note"), "Two presses in one moment count as one.");
    keepAwake();
  }

  part("start").addEventListener("click", () => {
    bench.scrollIntoView();
    next.focus({ preventScroll: true });
  });
  next.addEventListener("click", ({ detail }) => press(1, detail > 1));
  part("back").addEventListener("click", ({ detail }) => press(-1, detail > 1));
  part("forget").addEventListener("click", () => {
    at.go(0);
    show();
    keep.forget();
    put(part("note"), "Forgotten: this browser keeps nothing of this page now.");
  });
  part("go").addEventListener("submit", (event) => {
    event.preventDefault();
    const box = /** @type {HTMLInputElement} */ (part("go-to"));
    at.go(steps.findIndex((step) => step.number === Number(box.value)));
    arrive("Before you go on: do both controls stand where this move begins?");
    next.focus({ preventScroll: true });
  });
  document.addEventListener("keydown", (event) => {
    const { top } = next.getBoundingClientRect();
    const seen = top < window.innerHeight && bench.getBoundingClientRect().bottom > 0;
    const way = wayOf(event, document.activeElement?.tagName ?? "", seen);
    if (way) press(way, false);
    if (way || isHeld(event)) event.preventDefault();
  });

  bench.hidden = false;
  part("start").hidden = false;
  show();
  if (at.now) arrive("Opened where you were. Do both controls stand where this move begins?");
}

/** Ask for the screen to stay on while cutting; where that is refused the screen goes dark as it always does. */
function keepAwake() {
  if ("wakeLock" in navigator) navigator.wakeLock.request("screen").catch(() => undefined);
}

/**
 * @param {Judging} judging
 * @param {Object<Verdict, string>} words
 */
function startJudging(judging, words) {
  const table = part("inspect-table");
  const rows = [...table.querySelectorAll("[data-row]")].sort((a, b) => indexOf(a) - indexOf(b));
  /** @type {Object<Verdict, string>} */
  const signs = { pass: "✓", recut: "↓", fail: "✕", uncertain: "?" };

  /** @param {Element} row */
  function indexOf(row) {
    return Number(row.getAttribute("data-row"));
  }

  /** @param {Element} row @param {number} index */
  function readingsOf(row, index) {
    const scale = judging.units[unit()];
    const boxes = /** @type {HTMLInputElement[]} */ ([...row.querySelectorAll("input")]);
    let bad = "";
    const readings = boxes.flatMap((box) => {
      const found = readNumbers(box.value);
      if (found) box.removeAttribute("aria-invalid");
      else box.setAttribute("aria-invalid", "true");
      if (!found) bad = "no length";
      return (found ?? []).map(({ value, digit }) => ({ value: value * scale, digit: digit * scale }));
    });
    const [low, high] = judging.rows[index].near;
    if (readings.some(({ value }) => value < low || value > high)) bad = "far outside: which unit?";
    return { readings: bad ? [] : readings, bad };
  }

  function unit() {
    return /** @type {HTMLSelectElement} */ (part("unit")).value;
  }

  function show() {
    const read = rows.map(readingsOf);
    const { cuts, scattered } = judge(read.map((row) => row.readings), judging);
    rows.forEach((row, i) => {
      const { verdict, tooDeep } = cuts[i];
      const place = /** @type {HTMLElement} */ (row.querySelector("[data-verdict]"));
      place.setAttribute("data-verdict", verdict ?? "");
      const off = verdict ? `, ${lengthOf(Math.abs(tooDeep))} too ${tooDeep > 0 ? "deep" : "shallow"}` : "";
      place.textContent = read[i].bad || (verdict ? `${signs[verdict]} ${words[verdict]}${verdict === "pass" ? "" : off}` : "");
    });
    put(part("whole"), wholeOf(cuts, read.some((row) => row.bad !== ""), scattered));
  }

  /** @param {number} length in the system's unit */
  function lengthOf(length) {
    const mm = length / judging.units.mm;
    return `${mm.toFixed(3)} mm (${(length / judging.units.thou).toFixed(1)} thou)`;
  }

  /** @param {Judged[]} cuts @param {boolean} bad @param {boolean} scattered */
  function wholeOf(cuts, bad, scattered) {
    const missing = cuts.filter((cut) => cut.verdict === null).length;
    if (missing === cuts.length) return bad ? "What is typed is no length." : "";
    const told = worst(cuts.map((cut) => cut.verdict).filter((verdict) => verdict !== null));
    const whole = { pass: "The cuts read so far pass", recut: "Recut", fail: "Scrap: metal can't be put back", uncertain: "Too close to tell" };
    const text = missing ? `${whole[told]}; ${missing} of ${cuts.length} cuts are still to be read.` : told === "pass" ? "The key passes." : `${whole[told]}.`;
    return text + (scattered ? " The repeats scatter more than a steady hand's: clean jaws and key, and read again." : "");
  }

  part("read-again").addEventListener("click", () => {
    for (const row of rows) {
      const boxes = row.querySelectorAll("input");
      const box = /** @type {HTMLInputElement} */ (boxes[0].cloneNode());
      box.value = "";
      box.setAttribute("aria-label", `${judging.rows[indexOf(row)].name}, reading ${boxes.length + 1}`);
      boxes[boxes.length - 1].after(box);
    }
    if (rows[0].querySelectorAll("input").length >= 4) part("read-again").hidden = true;
  });
  table.addEventListener("input", show);
  part("unit").addEventListener("change", show);
  part("judging").hidden = false;
  show();
}

function start() {
  const facts = /** @type {Facts} */ (JSON.parse(part("facts").textContent ?? ""));
  part("no-script").hidden = true;
  preparePrint(document);
  part("print").hidden = false;
  if (facts.judging) startJudging(facts.judging, facts.words);
  startBench(facts);
}

start();
