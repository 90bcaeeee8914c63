// What changed from one revision to another, of one job or of two: both parts in 3-D, the figures, the tables.

import { makeViewer } from "/pages/viewer.js";
import { get } from "./api.js";
import { inWords } from "./choices.js";
import { el, grouped, hours, inUnit, measure, table } from "./dom.js";
import { edgeMark, processMark } from "./marks.js";
import { letter } from "./sheet.js";
import { WORDS } from "./words.js";

const W = WORDS.compare, P = WORDS.plural;
// Colour, hatch and sign of what became of a face: told apart without colour too.
const FATE = {
  gone: { colour: "#b3261e", hatch: [45, 135] }, fresh: { colour: "#2e7d32", hatch: [90] }, changed: { colour: "#e0a100", hatch: [45] }, same: { colour: "#dfe2e4", hatch: [] },
};

export async function comparePage({ main, rest, complain }) {
  const { jobs } = await get("/api/jobs");
  const choices = jobs.flatMap(job => job.revisions.filter(r => r.state === "done").flatMap(r =>
    r.summary.parts.map((part, n) => ({
      key: `${job.id}.${r.number}.${n}`,
      words: W.one(job.drawings.find(d => d.number === r.drawing)?.name ?? job.name, job.drawings.length > 1 ? letter(r.drawing) : "", r.number, r.summary.parts.length > 1 ? part.name : ""),
    }))));
  const pick = (id, label, chosen) => {
    const select = el("select", { id }, choices.map(c => el("option", { value: c.key, selected: c.key === chosen }, c.words)));
    return [el("p", { className: "field" }, el("label", { htmlFor: id }, label), select), select];
  };
  const [oldField, old] = pick("old", W.earlier, rest[0] ?? choices[1]?.key);
  const [newField, later] = pick("new", W.later, rest[1] ?? choices[0]?.key);
  const told = el("p", { className: "unseen", role: "status" });
  const result = el("section", { ariaLabel: W.result });
  const go = el("button", { type: "submit" }, W.go);
  let viewers = [];
  main.replaceChildren(
    el("h1", null, W.title),
    choices.length
      ? el("form", { className: "row", onsubmit: e => { e.preventDefault(); follow(`#/compare/${old.value}/${later.value}`); } },
        oldField, newField, go)
      : el("p", null, W.nothing),
    told, result);

  // Another address makes the page anew, and that compares.
  const follow = where => { if (location.hash === where) compare(); else location.hash = where; };

  const sideOf = key => {
    const [id, number, part = "0"] = key.split("."), job = jobs.find(j => j.id === id);
    return { id, number: Number(number), part: Number(part), job, revision: job.revisions.find(r => r.number === Number(number)) };
  };

  async function compare() {
    forget();
    result.replaceChildren(el("p", { className: "quiet" }, W.wait));
    told.textContent = W.wait;
    const sides = [old.value, later.value].map(sideOf);
    try {
      const [found, ...parts] = await Promise.all([get(`/api/compare?old=${old.value}&new=${later.value}`),
        ...sides.map(s => get(`/api/jobs/${s.id}/${s.number}`).then(r => r.parts[s.part].route))]);
      const models = await Promise.all(sides.map(s => get(`/api/jobs/${s.id}/view/${s.part}?drawing=${s.revision.drawing}`)));
      result.replaceChildren(...lookAt(found, parts, models), ...figures(parts), ...draw(found), ...drawChoices(sides));
      for (const v of viewers) v.start();
      told.textContent = found.same ? W.same : W.result;
    } catch (error) {
      result.replaceChildren();
      complain(error);
    }
  }

  function forget() { for (const v of viewers) v.viewer?.dispose(); viewers = []; }

  // Two views that turn together: features that are gone in the earlier, new in the later, changed in both.
  function lookAt({ features }, routes, models) {
    const fates = [new Map(), new Map()];
    for (const c of features) {
      if (c.old && !c.new) fates[0].set(c.old, "gone");
      else if (c.new && !c.old) fates[1].set(c.new, "fresh");
      else if (c.old && c.new) { fates[0].set(c.old, "changed"); fates[1].set(c.new, "changed"); }
    }
    viewers = ["old", "new"].map((name, n) => {
      const canvas = el("canvas", { ariaLabel: W.view(W.sides[name]) }), route = routes[n];
      const axes = "xyz".split("").map(a => route.part.frame[a]);
      const made = { node: el("figure", { className: "half" }, el("figcaption", null, n ? W.later : W.earlier), el("div", { className: "canvas" }, canvas)), start() {
        const viewer = made.viewer = makeViewer(canvas, models[n], axes);
        const colours = new Map(), hatches = new Map();
        for (const f of route.features) for (const { index } of f.faces) {
          const fate = FATE[fates[n].get(f.id) ?? "same"];
          colours.set(index, fate.colour);
          hatches.set(index, fate.hatch);
        }
        viewer.setColours(colours);
        viewer.setHatch(hatches);
        viewer.frame();
        viewer.onTurn(turn => { look.value = "turned"; viewers.filter(v => v !== made).forEach(v => v.viewer?.setTurn(turn)); });
        viewer.onPick(face => show(n, route.features.find(f => f.faces.some(({ index }) => index === face))?.id ?? null));
      } };
      return made;
    });
    const faces = (n, key) => new Set(routes[n].features.find(f => f.id === key)?.faces.map(({ index }) => index) ?? []);
    // Marks a feature in both parts, and its row.
    function show(n, key) {
      const change = key && features.find(c => (n ? c.new : c.old) === key);
      const keys = change ? [change.old, change.new] : n ? [null, key] : [key, null];
      viewers.forEach((v, k) => v.viewer?.setMarked(keys[k] ? faces(k, keys[k]) : new Set()));
      for (const row of result.querySelectorAll("tr[data-change]")) row.classList.toggle("chosen", Boolean(change) && row.dataset.change === String(features.indexOf(change)));
    }
    result.show = show;
    const look = el("select", { id: "compare-view", onchange: () => viewers.forEach(v => { if (look.value !== "turned") v.viewer?.setView(look.value); }) },
      WORDS.stage.views.map(([v, words]) => el("option", { value: v }, words)), el("option", { value: "turned", hidden: true }, WORDS.stage.turned));
    const key = Object.entries(W.signs).map(([fate, [sign, words]]) => el("span", { className: `fate fate-${fate}` }, el("b", null, sign), " ", words));
    return [el("h2", null, W.views), el("div", { className: "row" }, el("p", { className: "field" }, el("label", { htmlFor: "compare-view" }, W.look), look), key),
      el("div", { className: "halves" }, viewers.map(v => v.node))];
  }

  // Side, stock, hours and money of both.
  function figures(routes) {
    const of = (f, r) => { const v = f(r); return v === undefined ? null : v; };
    const row = (name, f, said = String, less = null) => {
      const [a, b] = routes.map(r => of(f, r)), shown = v => (v === null ? "–" : said(v));
      const by = less && a !== null && b !== null && a !== b ? `${b < a ? "−" : "+"}${less(Math.abs(b - a))}` : "";
      return el("tr", { className: shown(a) === shown(b) ? "" : "taken" }, el("th", { scope: "row" }, name), [shown(a), shown(b), by].map(t => el("td", { className: "figures" }, t)));
    };
    const volume = v => measure(v, "mm3", 0, true), R = W.rows;
    return [el("h2", null, W.figures), table(W.figures, W.figureHeads, [
      row(R.side, r => r.part.working_side), row(inUnit(R.box), r => r.part.box_mm.map(v => measure(v, "mm", 2, true)).join(" × ")),
      row(inUnit(R.volume), r => r.part.volume_mm3, volume, volume), row(inUnit(R.blank), r => r.stock.blank_mm3, volume, volume), row(inUnit(R.ground), r => r.stock.ground_mm3, volume, volume),
      row(R.setups, r => r.setups?.length, String, String), row(R.hours, r => r.estimate?.minutes, hours, hours),
      row(R.money, r => r.estimate?.cost, v => `${grouped(v, 0)} ${routes[1].estimate?.currency ?? ""}`, v => grouped(v, 0)),
      row(R.asked, r => r.doubts.length, String, String), row(R.flags, r => r.flags.length, String, String),
    ])];
  }

  // Lines that only one of the two has.
  function drawChoices(sides) {
    const [before, after] = sides.map(s => inWords(s.revision.choices, s.job.blanks));
    const row = (a, b) => el("tr", null, el("td", null, a), el("td", null, b));
    const rows = [...before.filter(w => !after.includes(w)).map(w => row(w, "–")), ...after.filter(w => !before.includes(w)).map(w => row("–", w))];
    return rows.length ? [el("h2", null, W.choices), table(W.choices, W.only, rows)] : [];
  }

  function draw({ same, features, processes, operations, edges }) {
    if (same) return [el("p", { className: "calm" }, W.same)];
    const cells = (...texts) => el("tr", null, texts.map(t => el("td", null, t)));
    const part = (title, rows, heads) => rows.length
      ? [el("h2", null, title), table(title, heads, rows)] : [];
    const ref = (n, key) => (key ? el("button", { type: "button", className: "ref", onclick: () => result.show(n, key) }, key) : "–");
    const change = (c, n) => el("tr", { "data-change": n }, el("td", null, ref(0, c.old)), el("td", null, ref(1, c.new)),
      [c.kind ?? W.thePart, c.what.join(", "), c.detail].map(t => el("td", null, t)));
    return [
      el("p", null, W.differ([P.feature(features.length), P.process(processes.length), P.operation(operations.length), P.edge(edges.length)])),
      ...part(W.features, features.map(change), W.featureHeads),
      ...part(W.processes, processes.map(c => cells(c.old, c.new, processMark(c.from), processMark(c.to))), W.processHeads),
      ...part(W.operations, operations.map(c => cells(c.old ?? "–", c.new ?? "–", W.operation(c.stage, c.process, c.from_side), c.what, c.detail)), W.operationHeads),
      ...part(W.edges, edges.map(c => cells(c.old, c.new, edgeMark(c.was), edgeMark(c.now), c.reason)), W.edgeHeads),
    ];
  }

  // The page is there at once; what is compared comes when it is worked out.
  if (rest[0] && rest[1]) compare();
  return { close: forget };
}
