// What would make the part cheaper: tried when asked for, listed by money, with a letter to send.

import { el, grouped, table } from "./dom.js";
import { WORDS } from "./words.js";

const W = WORDS.figures;

// `told` is what the server tells of it; `begin` has it tried, `address` is that of a file, `pick` a feature's button.
export function cheaperPanel(told, { begin, address, pick }) {
  const { trying, error, found } = told;
  const button = el("button", { type: "button", id: "try-cheaper", disabled: trying, onclick: begin }, found ? W.tryAgain : W.tryIt);
  return [
    el("h2", { id: "figures-cheaper", tabIndex: -1 }, W.cheaper),
    error && el("p", { role: "alert" }, W.notTried(error)),
    found ? results(found, address, pick) : el("p", { className: "quiet" }, W.cheaperHint),
    el("p", { className: "row" }, button, trying && el("span", { role: "status", className: "quiet" }, W.trying)),
  ];
}

function results(found, address, pick) {
  const { hints, tried, cost, currency, note } = found;
  if (!hints.length) return el("p", { className: "quiet" }, W.noCheaper(tried));
  const figure = value => el("td", { className: "figures" }, grouped(value, 0));
  const row = (h, n) => el("tr", null, el("th", { scope: "row" }, n + 1),
    el("td", null, el("div", null, el("p", null, h.text, " ", h.features.map(key => [pick(key), " "])), el("p", null, h.ask),
      el("p", { className: "quiet" }, W.inMind(h.risk), " ", h.overlaps.length > 0 && W.overlaps(h.overlaps)))),
    figure(h.cost.value), figure(h.cost.low), figure(h.cost.high), figure(h.minutes.value));
  return [
    el("p", { className: "quiet" }, W.cheaperSum(tried, `${grouped(cost, 0)} ${currency}`), " ", note),
    table(W.cheaper, W.cheaperHeads, hints.map(row)),
    el("p", { className: "row" }, el("a", { className: "button", href: `${address("letter.html")}?show`, target: "_blank", rel: "noopener" }, W.letter),
      el("a", { className: "button slight", href: address("letter.txt"), download: "letter.txt" }, W.letterText)),
  ];
}
