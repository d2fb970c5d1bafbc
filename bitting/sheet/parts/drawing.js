// The blade as it is after a move. All shapes were made by the tool; this only puts them where they belong.

/** @typedef {{board: string, cut: string, came: [number, number], at: [number, number], shape: string}} Mark */

/**
 * Show the blade after step `now`: the pieces of every mark so far on its board, the cutter, and the way it came.
 * A step without a mark (turning the key) shows the board of the next one, before it starts.
 * @param {ParentNode} page
 * @param {(Mark | null)[]} marks
 * @param {number} now
 */
function showBlade(page, marks, now) {
  const mark = marks[now];
  const shown = (mark ?? marks.slice(now).find(Boolean) ?? marks.findLast(Boolean))?.board;
  for (const board of page.querySelectorAll("[data-board]")) {
    const name = board.getAttribute("data-board");
    board.toggleAttribute("hidden", name !== shown);
    if (name !== shown) continue;
    const pieces = marks.slice(0, now + 1).map((m) => (m?.board === name ? m.cut : ""));
    for (const cut of board.querySelectorAll(".cut")) cut.setAttribute("d", pieces.join(""));
    board.querySelector(".came")?.setAttribute("d", mark ? `M${mark.came.join(" ")}L${mark.at.join(" ")}` : "");
    const cutter = board.querySelector(".cutter");
    cutter?.setAttribute("d", mark ? mark.shape : "");
    cutter?.setAttribute("transform", mark ? `translate(${mark.at.join(" ")})` : "");
  }
}
