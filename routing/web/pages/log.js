// Who decided what, the latest first.

import { get } from "./api.js";
import { inWords } from "./choices.js";
import { el, table, when } from "./dom.js";
import { WORDS } from "./words.js";

const W = WORDS.log;

// What an entry changed, a line each: choices in words, or a note and where a quote stands.
export function changedBy({ what, before, after }) {
  if (what === "standing") return Object.keys(after).filter(k => after[k] !== before[k]).map(k => W.note(before[k], after[k]));
  if (what === "took") return [W.minutes(after.step ?? before.step, after.batch ?? before.batch, before.minutes, after.minutes)];
  if (what === "took table") return [W.rows(after.rows)];
  if (what === "rates") return [W.note(before.all, after.all?.toFixed(3))];
  const [was, now] = [before, after].map(choices => inWords(choices, []));
  return [...now.filter(w => !was.includes(w)), ...was.filter(w => !now.includes(w)).map(w => W.took + w)];
}

export async function logPage({ main, rest, complain }) {
  const rows = el("div");
  main.replaceChildren(el("h1", null, W.title), el("p", { className: "quiet" }, W.hint), rows);
  async function refresh() {
    try {
      const { log } = await get(`/api/log${rest[0] ? `?job=${rest[0]}` : ""}`);
      const row = entry => el("tr", null,
        el("td", { className: "figures" }, when(entry.at)), el("th", { scope: "row" }, entry.who || W.nobody),
        el("td", null, entry.job && el("a", { href: `#/job/${entry.job}/${entry.number ?? 1}/0` }, entry.name), entry.number ? ` r${entry.number}` : ""),
        el("td", null, W.what[entry.what] ?? entry.what),
        el("td", null, changedBy(entry).map(line => el("div", null, line))));
      rows.replaceChildren(log.length ? table(W.title, W.heads, log.map(row)) : el("p", null, W.nothing));
    } catch (error) { complain(error); }
  }
  await refresh();
  return { refresh };
}
