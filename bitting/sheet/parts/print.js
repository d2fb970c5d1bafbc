// Printing: everything that is folded away is opened for the paper, and folded again after it.

/** @param {Document} page */
function preparePrint(page) {
  /** @type {Element[]} */
  let opened = [];
  window.addEventListener("beforeprint", () => {
    opened = [...page.querySelectorAll("details:not([open])")];
    for (const folded of opened) folded.setAttribute("open", "");
  });
  window.addEventListener("afterprint", () => {
    for (const folded of opened) folded.removeAttribute("open");
  });
  page.getElementById("print")?.addEventListener("click", () => window.print());
}
