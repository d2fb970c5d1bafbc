// One step at a time, never one skipped: presses that follow each other too fast, and keys held down, count once.

const PRESS_MS = 400;
const PRESS_KEYS = [" ", "Enter"];
const NEXT_KEYS = [...PRESS_KEYS, "ArrowRight", "PageDown"];
const BACK_KEYS = ["ArrowLeft", "PageUp"];

/**
 * Where one stands in `count` steps. `press` is a press of Next or Back at a time in milliseconds; it answers whether it
 * counted. A press that comes too soon after one that counted doesn't; whoever goes on pressing goes on stepping.
 * @param {number} count
 * @param {number} start
 */
function stepper(count, start) {
  const clamp = /** @param {number} step */ (step) => Math.min(Math.max(Math.round(step) || 0, 0), count - 1);
  let now = clamp(start);
  let last = -Infinity;
  return {
    get now() {
      return now;
    },
    /** @param {number} by @param {number} time */
    press(by, time) {
      if (time - last < PRESS_MS) return false;
      last = time;
      now = clamp(now + by);
      return true;
    },
    /** @param {number} step */
    go(step) {
      now = clamp(step);
    },
  };
}

/**
 * Which way a key goes: +1 next, -1 back, 0 neither. Keys that a button or a box under the focus needs are left to it, and
 * those that scroll the page are taken only where the step is `seen`. A key held down counts once.
 * @param {{key: string, repeat: boolean, shiftKey: boolean, ctrlKey: boolean, altKey: boolean, metaKey: boolean}} event
 * @param {string} focus the tag under the focus, in capitals
 * @param {boolean} seen
 */
function wayOf(event, focus, seen) {
  if (event.ctrlKey || event.altKey || event.metaKey || event.repeat || ["INPUT", "SELECT"].includes(focus)) return 0;
  if (PRESS_KEYS.includes(event.key) && ["BUTTON", "A", "SUMMARY"].includes(focus)) return 0;
  if (!seen && !event.key.startsWith("Arrow")) return 0;
  if (event.key === " " && event.shiftKey) return -1;
  return Number(NEXT_KEYS.includes(event.key)) - Number(BACK_KEYS.includes(event.key));
}

/**
 * Whether a key that presses buttons is being held down: left alone, it would press again and again.
 * @param {{key: string, repeat: boolean}} event
 */
function isHeld(event) {
  return event.repeat && PRESS_KEYS.includes(event.key);
}
