// The place in the plan, kept in the browser under the page's random name. Nothing of the key is kept.

/** @typedef {{works: boolean, read: () => number, write: (step: number) => void, forget: () => void}} Keeper */

/**
 * A keeper that works as long as the browser lets it; where storage is blocked it keeps nothing and says so.
 * @param {string} name
 * @returns {Keeper}
 */
function keeper(name) {
  /** @type {Storage | null} */
  let store = null;
  try {
    store = window.localStorage;
    store.getItem(name);
  } catch {
    store = null;
  }
  return {
    get works() {
      return store !== null;
    },
    read() {
      return Number(store?.getItem(name) ?? 0);
    },
    write(step) {
      try {
        store?.setItem(name, String(step));
      } catch {
        store = null;
      }
    },
    forget() {
      store?.removeItem(name);
    },
  };
}
