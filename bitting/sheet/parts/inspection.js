// Judging a finished key by the decision rule of `bitting inspect`, from the limits that the page carries.
//
// Pure functions: readings in, verdicts out. Lengths in the system's unit, standard uncertainties throughout.

/**
 * @typedef {{name: string, side: string | null, nominal: number, deeper: 1 | -1, correction: number, fixed: number,
 *   near: [number, number]}} Row
 * @typedef {{rows: Row[], unit: string, tolerance: number, guard: {kind: "probability" | "band", value: number},
 *   hand: number, scatter: number[], units: Object<string, number>}} Judging
 * @typedef {{value: number, digit: number}} Reading
 * @typedef {"pass" | "fail" | "recut" | "uncertain"} Verdict
 * @typedef {{verdict: Verdict | null, readings: number, mean: number, tooDeep: number}} Judged
 */

/**
 * One number as it is typed, with the step of its digits; null where it is no length. A comma may be the point.
 * @param {string} text
 * @returns {Reading | null}
 */
function readNumber(text) {
  const found = /^([0-9]{0,6})(?:[.,]([0-9]{1,9}))?$/.exec(text);
  if (!found || !/[0-9]/.test(text)) return null;
  const behind = found[2] ?? "";
  return { value: Number(`${found[1]}.${behind}0`), digit: 10 ** -behind.length };
}

/**
 * All numbers of one box, divided by blanks, `|` or `;`; null where any of them is no length.
 * @param {string} text
 * @returns {Reading[] | null}
 */
function readNumbers(text) {
  const parts = text.split(/,(?=\s)|[\s|;]+/).filter((part) => part !== "");
  const found = parts.map(readNumber);
  return found.includes(null) ? null : /** @type {Reading[]} */ (found);
}

/**
 * Probability that a standard normal variable lies below z. Source: G. Marsaglia, Evaluating the Normal Distribution,
 * Journal of Statistical Software 11 (2004), issue 4.
 * @param {number} z
 */
function normalBelow(z) {
  if (Math.abs(z) > 8) return z > 0 ? 1 : 0;
  let sum = z;
  let term = z;
  let before = 0;
  for (let i = 3; sum !== before; i += 2) {
    before = sum;
    term *= (z * z) / i;
    sum += term;
  }
  return 0.5 + (sum * Math.exp((-z * z) / 2)) / Math.sqrt(2 * Math.PI);
}

/**
 * Probability that Student's t with a whole number of degrees of freedom lies below t. Source: M. Abramowitz and
 * I. A. Stegun, Handbook of Mathematical Functions, 26.7.3 and 26.7.4.
 * @param {number} t
 * @param {number} dof
 */
function studentBelow(t, dof) {
  if (dof > 1e6) return normalBelow(t);
  const angle = Math.atan(t / Math.sqrt(dof));
  const square = Math.cos(angle) ** 2;
  const odd = dof % 2;
  let term = odd ? Math.cos(angle) : 1;
  let sum = dof === 1 ? 0 : term;
  for (let k = odd ? 3 : 2; k < dof; k += 2) {
    term *= (square * (k - 1)) / k;
    sum += term;
  }
  const share = Math.sin(angle) * sum;
  return 0.5 + (odd ? (angle + share) / Math.PI : share / 2);
}

/**
 * The verdict on a cut found `tooDeep` by so much with uncertainty `u`, which was estimated with `dof` degrees of freedom
 * (infinite: not from the readings).
 * @param {number} tooDeep
 * @param {number} u
 * @param {number} dof
 * @param {Judging} judging
 * @returns {Verdict}
 */
function decide(tooDeep, u, dof, { tolerance, guard }) {
  const off = Math.abs(tooDeep);
  const past = /** @param {number} limit */ (limit) => below((off - limit) / u, dof);
  const out = tooDeep > 0 ? "fail" : "recut";
  if (guard.kind === "band") {
    if (tolerance - off >= guard.value * u) return "pass";
    return tolerance - off < -guard.value * u ? out : "uncertain";
  }
  const inside = 1 - past(tolerance) - below((-off - tolerance) / u, dof);
  if (inside >= guard.value) return "pass";
  return off > tolerance && past(tolerance) >= guard.value ? out : "uncertain";
}

/**
 * @param {number} z
 * @param {number} dof
 */
function below(z, dof) {
  return dof === Infinity ? normalBelow(z) : studentBelow(z, dof);
}

/**
 * The repeats' own standard deviation with its degrees of freedom, where it takes the place of the hand's stated figure
 * because they scatter more than that allows; null where the stated figure stands.
 * @param {Reading[][]} cuts
 * @param {Judging} judging
 * @returns {{sd: number, dof: number} | null}
 */
function scatterOf(cuts, { hand, scatter }) {
  let squares = 0;
  let against = 0;
  let dof = 0;
  for (const readings of cuts.filter((cut) => cut.length > 1)) {
    const middle = mean(readings.map((reading) => reading.value));
    const total = readings.reduce((sum, reading) => sum + (reading.value - middle) ** 2, 0);
    squares += total;
    against += total / Math.max(mean(readings.map((reading) => hand ** 2 + reading.digit ** 2 / 12)), 1e-18);
    dof += readings.length - 1;
  }
  if (!dof || against <= scatter[Math.min(dof, scatter.length) - 1]) return null;
  return { sd: Math.sqrt(squares / dof), dof };
}

/** @param {number[]} values */
function mean(values) {
  return values.reduce((sum, value) => sum + value, 0) / values.length;
}

/**
 * Every cut judged; `cuts` has the readings of each row in the system's unit, none for a cut that isn't measured.
 * @param {Reading[][]} cuts
 * @param {Judging} judging
 * @returns {{cuts: Judged[], scattered: boolean}}
 */
function judge(cuts, judging) {
  const scatter = scatterOf(cuts, judging);
  const judged = cuts.map((readings, i) => judgeCut(readings, judging.rows[i], scatter, judging));
  return { cuts: judged, scattered: scatter !== null };
}

/**
 * @param {Reading[]} readings
 * @param {Row} row
 * @param {{sd: number, dof: number} | null} scatter
 * @param {Judging} judging
 * @returns {Judged}
 */
function judgeCut(readings, row, scatter, judging) {
  const n = readings.length;
  if (!n) return { verdict: null, readings: 0, mean: NaN, tooDeep: NaN };
  const middle = mean(readings.map((reading) => reading.value));
  const rest = row.fixed + mean(readings.map((reading) => reading.digit)) ** 2 / 12;
  const own = (scatter ? scatter.sd : judging.hand) ** 2 / n;
  const tooDeep = row.deeper * (middle - row.nominal + row.correction);
  // Welch-Satterthwaite (JCGM 100:2008, G.4.1), truncated: all that isn't the repeats' own has no end of freedom
  const dof = scatter ? Math.max(1, Math.floor(((own + rest) ** 2 * scatter.dof) / own ** 2)) : Infinity;
  return { verdict: decide(tooDeep, Math.sqrt(own + rest), dof, judging), readings: n, mean: middle, tooDeep };
}

/**
 * The verdict on the whole key: the worst of its cuts; a cut that isn't measured leaves it open.
 * @param {(Verdict | null)[]} verdicts
 * @returns {Verdict}
 */
function worst(verdicts) {
  /** @type {Verdict[]} */
  const order = ["fail", "recut", "uncertain"];
  const told = verdicts.map((verdict) => verdict ?? "uncertain");
  return order.find((verdict) => told.includes(verdict)) ?? "pass";
}
