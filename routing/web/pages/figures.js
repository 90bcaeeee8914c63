// What a job comes to, at one look; each figure opens what it is made of.

import { el, grouped, hours, number, table } from "./dom.js";
import { nameOf, processMark } from "./marks.js";
import { WORDS } from "./words.js";

const W = WORDS.figures;
const share = value => number(100 * value, 0);

// A cell is a button that opens its basis; `more` stands under the figure.
function cell(name, figure, more, open, beside) {
  return el("div", { className: "figure" },
    el("button", { type: "button", onclick: open },
      el("span", { className: "name" }, name), el("strong", null, figure), el("span", { className: "more" }, more)), beside);
}

const span = (low, high, said) => (Number.isFinite(low) ? W.span(said(low), said(high)) : "");

function stockCell({ stock }, file, open) {
  const { roughing, proof } = stock, ground = proof.ground_away_mm3 > 0;
  const saved = roughing?.minutes_saved;
  return cell(W.ground, ground ? (saved > 0 ? W.saves(hours(saved)) : W.away(share(proof.rough_saved))) : W.asBlank,
    ground ? (saved > 0 ? W.away(share(proof.rough_saved)) : "") : W.asBlankWhy, open,
    file && el("a", { href: file, download: "", className: "get" }, W.download));
}

// `open(tab, section)` shows a basis; `asked` questions are open; `file` is the address of the ground stock, once there.
export function figureStrip(route, { open, asked, flags, file }) {
  const e = route.estimate ?? {}, timed = Number.isFinite(e.minutes), priced = Number.isFinite(e.cost);
  const setups = route.setups ?? [];
  const by = new Map();
  for (const s of setups) by.set(s.process, (by.get(s.process) ?? 0) + 1);
  const counts = Object.keys(W.flags).map(s => [s, flags.filter(f => f.severity === s).length]).filter(([, n]) => n);
  return [
    cell(W.hours, timed ? hours(e.minutes) : "–", timed ? span(e.minutes_low, e.minutes_high, hours) : W.unknown, () => open("Figures", "figures-time")),
    cell(W.money, priced ? `${grouped(e.cost, 0)} ${e.currency ?? ""}` : "–", priced ? span(e.cost_low, e.cost_high, v => grouped(v, 0)) : W.unknown, () => open("Figures", "figures-more")),
    cell(W.setups, String(setups.length), [...by].map(([p, n]) => W.onMachine(n, nameOf(p))).join(", "), () => open("Operations", "holding")),
    cell(W.settle, String(asked.length), counts.length ? counts.map(([s, n]) => W.flags[s](n)).join(", ") : W.noFlags, () => open("Flags", "")),
    stockCell(route, file, () => open("Figures", "figures-stock")),
  ];
}

const heading = (id, text) => el("h2", { id, tabIndex: -1 }, text);
const figures = values => values.map(v => el("td", { className: "figures" }, v));

export function figuresPanel(route, files, address) {
  const e = route.estimate;
  return [...(e ? [heading("figures-time", W.time), el("p", { className: "quiet" }, W.estimate([e.note, e.rule].filter(Boolean).join("; "))), lines(e), ...quantities(e), ...others(e)] : []),
    ...stock(route, files, address)];
}

function lines(e) {
  const minutes = v => number(v, 1);
  return table(W.time, W.heads, e.lines.map(l => el("tr", null,
    el("th", { scope: "row" }, l.operation ?? "–"), el("td", null, l.what), el("td", null, processMark(l.process)),
    figures([minutes(l.set_up_min), minutes(l.run_min), minutes(l.idle_min), minutes(l.minutes), minutes(l.minutes_low), minutes(l.minutes_high), grouped(l.cost, 2)]),
    el("td", null, l.basis.length > 0 && el("details", null, el("summary", null, W.basis(l.basis.length)), el("ul", null, l.basis.map(b => el("li", null, b))))))));
}

function quantities(e) {
  const rows = e.quantities.map(q => el("tr", null, el("th", { scope: "row" }, grouped(q.pieces, 0)),
    figures([grouped(q.minutes, 1), grouped(q.cost, 2), grouped(q.cost_low, 2), grouped(q.cost_high, 2)])));
  return [heading("figures-more", W.more), table(W.more, W.moreHeads, rows)];
}

function others(e) {
  if (!e.what_if?.length) return [];
  return [heading("figures-other", W.other), table(W.other, W.otherHeads, e.what_if.map(w => el("tr", null,
    el("th", { scope: "row" }, processMark(w.process)), el("td", { className: "sizes" }, w.features.join(" ")),
    figures([w.setups, grouped(w.minutes, 0), grouped(w.cost, 0), `${w.more > 0 ? "+" : ""}${grouped(w.more, 0)}`]))))];
}

function stock({ stock: s }, files, address) {
  const { proof: p, roughing: r } = s;
  const rows = [
    [W.blank, s.blank], [W.blankVolume, grouped(s.blank_mm3, 0)], [W.groundVolume, grouped(s.ground_mm3, 0)], [W.partVolume, grouped(s.part_mm3, 0)],
    [W.groundAway, grouped(p.ground_away_mm3, 0)], [W.leftToMill, grouped(p.left_to_mill_mm3, 0)],
    ...(r ? [[W.roughBlock, number(r.block.minutes, 1)], [W.roughGround, number(r.ground.minutes, 1)], [W.roughSaved, number(r.minutes_saved, 1)]] : []),
    [W.proof, p.holds ? W.proofHolds : W.proofFails(p.faults.join("; "))],
  ];
  const made = files.filter(f => /^ground_stock\./.test(f.name));
  return [heading("figures-stock", W.stock),
    s.note && el("p", { className: "quiet" }, s.note), r?.note && el("p", { className: "quiet" }, r.note),
    made.length ? el("p", { className: "row" }, made.map(f => el("a", { className: "button slight", href: address(f.name), download: f.name }, f.name)))
      : el("p", { className: "quiet" }, W.later),
    table(W.stock, W.stockHeads, rows.map(([name, value]) => el("tr", null, el("th", { scope: "row" }, name), el("td", null, value))))].filter(Boolean);
}
