// Have we made one like it: jobs like a part, or with the words and sizes that are asked for.

import { get } from "./api.js";
import { el, field, grouped, hours, table, when } from "./dom.js";
import { WORDS } from "./words.js";

const W = WORDS.like;

const said = d => (W.differs[d.what] ?? W.differs.size)(d);

// Hours quoted for one piece, and what was taken beside what was quoted for the same steps.
function spent(row) {
  return [row.minutes === null ? W.none : hours(row.minutes),
    row.taken_min !== null && el("span", { className: "under" }, W.taken(hours(row.taken_min), hours(row.quoted_min), row.taken_steps))];
}

function rowOf(row, compared, material) {
  const picture = el("img", { alt: "", width: 72, height: 54, loading: "lazy", src: `/api/jobs/${row.job}/picture?${row.drawing}`, onerror: e => e.target.remove() });
  const other = [...(material && material !== row.material ? [W.otherMaterial(row.material)] : []), ...row.differences.map(said)];
  const shown = other.slice(0, 6), rest = other.slice(6), list = lines => el("ul", { className: "lines" }, lines.map(line => el("li", null, line)));
  const cost = row.cost === null ? "" : `${grouped(row.cost, 0)} ${row.currency}`;
  const named = more => el("th", { scope: "row" }, el("a", { href: `#/job/${row.job}/${row.number}/${row.part}` }, row.file), more.filter(Boolean).map(words => el("span", { className: "under" }, words)));
  if (compared) {
    return el("tr", null, el("td", { className: "picture" }, picture),
      named([W.alike(Math.round(100 * row.share)), row.material, row.standing, row.note, when(row.created)]),
      el("td", null, el("div", null, other.length ? list(shown) : W.same, rest.length > 0 && el("details", null, el("summary", null, WORDS.app.more(rest.length)), list(rest)))),
      el("td", null, el("span", null, spent(row), el("span", { className: "under" }, cost))));
  }
  return el("tr", null, el("td", { className: "picture" }, picture), named([row.name, row.standing, row.note]),
    el("td", { className: "figures" }, row.box_mm.map(v => grouped(v, 2)).join(" × ")), el("td", { className: "figures" }, row.material),
    el("td", null, el("span", null, spent(row))), el("td", { className: "figures" }, cost), el("td", null, when(row.created)));
}

// The answer as a table; `material` is that of the part that was looked for.
function answer({ alike, material }, compared) {
  if (!alike.length) return el("p", { className: "quiet" }, W.nothing);
  return table(W.title, compared ? W.comparedHeads : W.heads, alike.map(row => rowOf(row, compared, material)), "alike");
}

// Beside a part's features: what is like it.
export function alikePanel(job, part, complain) {
  const place = el("div", { role: "status" }, el("p", { className: "quiet" }, WORDS.app.wait));
  const material = el("input", { id: "alike-material", list: "families", autocomplete: "off", spellcheck: false });
  const words = el("input", { id: "alike-words", type: "search", autocomplete: "off", spellcheck: false });
  async function look() {
    try {
      place.replaceChildren(answer(await get(`/api/like?${new URLSearchParams({ job, part, q: words.value.trim(), material: material.value.trim() })}`), true));
    } catch (error) {
      place.replaceChildren(el("p", { className: "quiet" }, error.message));
    }
  }
  const form = el("form", { className: "row", onsubmit: e => { e.preventDefault(); look().catch(complain); } },
    field("alike-words", W.words, words), field("alike-material", W.material, material), families(), el("button", { type: "submit", className: "slight" }, W.find));
  look();
  return [el("h2", null, W.title), el("p", { className: "quiet" }, W.hint), form, place];
}

const families = () => el("datalist", { id: "families" }, W.families.map(value => el("option", { value })));

export async function likePage({ main, query, complain }) {
  const words = el("input", { id: "like-words", type: "search", value: query.get("q") ?? "", autocomplete: "off", spellcheck: false });
  const material = el("input", { id: "like-material", value: query.get("material") ?? "", list: "families", autocomplete: "off", spellcheck: false });
  const place = el("div", { role: "status" });
  const address = () => `#/like?${new URLSearchParams({ q: words.value.trim(), material: material.value.trim() })}`;
  main.replaceChildren(el("h1", null, W.title), el("p", { className: "quiet" }, W.pageHint),
    el("form", { className: "row", onsubmit: e => { e.preventDefault(); if (location.hash === address()) refresh(); else location.hash = address(); } },
      field("like-words", W.words, words, W.example), field("like-material", W.material, material), families(), el("button", { type: "submit" }, W.find)),
    place);
  async function refresh() {
    try {
      place.replaceChildren(answer(await get(`/api/like?${new URLSearchParams({ q: words.value.trim(), material: material.value.trim(), limit: 50 })}`), false));
    } catch (error) { complain(error); }
  }
  await refresh();
  return { refresh };
}
