// What steps took: beside a part's operations, by a traveller's code, from a table; and the rates that come of it.

import { get, handInTable, post } from "./api.js";
import { blame, el, field, grouped, number, table, when } from "./dom.js";
import { processMark } from "./marks.js";
import { WORDS } from "./words.js";

const W = WORDS.minutes;
const estimated = (step, pieces) => step.set_up_min + pieces * step.each_min;
const whole = (id, value) => el("input", { id, type: "number", min: 1, max: 100000, step: 1, required: true, value });
const minutesOf = (id, value, more) => el("input", { id, type: "number", min: 0.01, max: 5e6, step: "any", value: value ?? "", inputMode: "decimal", ...more });

// The steps of a part with room for what each took; `path` is that of the part.
export function minutesPanel(path, job, complain) {
  const place = el("div", null, el("p", { className: "quiet" }, WORDS.app.wait));
  let sheet = null;
  const pieces = whole("took-pieces", 1), batch = el("input", { id: "took-batch", maxLength: 60, autocomplete: "off" });
  pieces.addEventListener("change", () => draw());
  batch.addEventListener("change", () => draw());

  async function enter(step, input) {
    if (!input.checkValidity() || !pieces.checkValidity()) { (input.checkValidity() ? pieces : input).reportValidity(); return; }
    try {
      sheet = await post(`${path}/taken`, { step, minutes: input.value === "" ? null : Number(input.value), pieces: Number(pieces.value), batch: batch.value.trim() });
      draw();
      document.getElementById(input.id)?.focus();
    } catch (error) { complain(error); }
  }

  function row(step) {
    const mine = sheet.taken.filter(t => t.step === step.step), now = mine.find(t => t.batch === batch.value.trim());
    const others = mine.filter(t => t !== now);
    const input = minutesOf(`took-${step.step}`, now?.taken_min, { ariaLabel: W.of(step.step, step.stage) });
    input.addEventListener("change", () => enter(step.step, input));
    return el("tr", null,
      el("th", { scope: "row" }, step.step), el("td", null, step.stage), el("td", null, processMark(step.process)),
      el("td", { className: "figures" }, grouped(now ? now.quoted_min : estimated(step, Number(pieces.value) || 1), 1)),
      el("td", null, input),
      (now || others.length > 0) && el("td", null, el("div", null, now && el("span", null, W.entered(now.pieces, now.who, when(now.at))),
        others.length > 0 && el("details", null, el("summary", null, W.batches(others.length)), others.map(t => el("span", { className: "under" }, W.other(t.batch, grouped(t.taken_min, 1), t.pieces)))))));
  }

  function draw() {
    const took = sheet.taken.filter(t => t.batch === batch.value.trim());
    const sum = key => took.reduce((a, t) => a + t[key], 0);
    place.replaceChildren(
      el("div", { className: "row" }, field("took-pieces", W.pieces, pieces), field("took-batch", W.batch, batch, W.batchHint),
        el("a", { className: "button slight", href: `/api/taken.csv?job=${job}`, download: "" }, W.sheet), el("a", { href: "#/minutes" }, W.table)),
      table(W.title, W.heads, sheet.steps.map(row), "entry"),
      el("p", { className: "quiet", role: "status" }, took.length ? W.sum(took.length, grouped(sum("taken_min"), 0), grouped(sum("quoted_min"), 0)) : W.nothing));
  }

  (async () => {
    try {
      sheet = await get(`${path}/taken`);
      pieces.value = sheet.pieces;
      draw();
    } catch (error) { place.replaceChildren(el("p", { className: "quiet" }, error.message)); }
  })();
  return [el("h2", null, W.title), el("p", { className: "quiet" }, W.hint), place];
}

// One step, as the traveller's code opens it on a telephone.
export async function tookPage({ main, rest, complain, announce }) {
  const found = await get(`/api/took?code=${encodeURIComponent(rest.join("/"))}`), path = `/api/jobs/${found.job}/${found.number}/${found.part}`;
  const sheet = await get(`${path}/taken`), step = sheet.steps.find(s => s.step === found.step);
  const before = sheet.taken.find(t => t.step === found.step && t.batch === "");
  const minutes = minutesOf("took-minutes", before?.taken_min, { required: true }), pieces = whole("took-pieces", before?.pieces ?? sheet.pieces);
  const batch = el("input", { id: "took-batch", maxLength: 60, autocomplete: "off" }), said = el("p", { role: "status" });
  async function keep(event) {
    event.preventDefault();
    blame(minutes);
    try {
      const { taken } = await post(`${path}/taken`, { step: found.step, minutes: Number(minutes.value), pieces: Number(pieces.value), batch: batch.value.trim() });
      const mine = taken.find(t => t.step === found.step && t.batch === batch.value.trim());
      said.textContent = W.kept(number(mine.taken_min, 1), mine.pieces);
      announce(said.textContent);
    } catch (error) { complain(error); }
  }
  main.replaceChildren(el("h1", null, sheet.name),
    el("p", null, W.step(step.step, step.stage, step.process)), el("p", { className: "quiet" }, W.estimated(grouped(step.set_up_min, 0), grouped(step.each_min, 1))),
    el("form", { className: "choices took", onsubmit: keep },
      field("took-minutes", W.minutes, minutes), field("took-pieces", W.pieces, pieces), field("took-batch", W.batch, batch, W.batchHint),
      el("p", { className: "row" }, el("button", { type: "submit" }, W.keep), el("a", { href: `#/job/${found.job}/${found.number}/${found.part}?tab=Minutes` }, W.all))),
    said);
  minutes.focus();
  return {};
}

// A table handed in, a code typed by a scanner, and what the shop's own minutes make of the rates.
export async function minutesPage({ main, complain }) {
  const code = el("input", { id: "code", autocomplete: "off", spellcheck: false }), picker = el("input", { type: "file", id: "table-file", accept: ".csv,text/csv" });
  const told = el("div", { role: "status" }), rates = el("section", { ariaLabel: W.rates });
  picker.addEventListener("change", async () => {
    const [file] = picker.files;
    picker.value = "";
    try {
      const kept = await handInTable(file);
      told.replaceChildren(el("p", null, W.read(kept.rows, kept.empty, kept.refused.length)), kept.refused.length > 0 && el("ul", { className: "plain" }, kept.refused.map(r => el("li", { className: "warning" }, r.why))));
      await refresh();
    } catch (error) { complain(error); }
  });
  main.replaceChildren(el("h1", null, W.title), el("p", { className: "quiet" }, W.pageHint),
    el("form", { className: "row", onsubmit: e => { e.preventDefault(); const at = code.value.trim().match(/[0-9a-f]{12}\/[0-9a-f]{8}\/\d+$/i); if (at) location.hash = `#/took/${at[0].toLowerCase()}`; else complain(new Error(W.noCode)); } },
      field("code", W.code, code), el("button", { type: "submit", className: "slight" }, W.open)),
    el("p", { className: "row" }, el("label", { className: "button", htmlFor: "table-file" }, W.handIn, picker), el("a", { className: "button slight", href: "/api/taken.csv", download: "" }, W.csv)),
    el("p", { className: "quiet" }, W.columns), told, rates);
  async function refresh() {
    try { draw(await get("/api/rates")); } catch (error) { complain(error); }
  }
  async function takeOver(found) {
    if (!confirm(W.sure(found.shop))) return;
    try { draw(await post("/api/rates", { mark: found.mark })); } catch (error) { complain(error); await refresh(); }
  }
  function draw(found) {
    const figures = values => values.map(v => el("td", { className: "figures" }, number(v, 2)));
    const effect = e => el("tr", null, el("th", { scope: "row" }, W.kinds[e.kind]), el("td", null, (e.process || e.name) && el("span", null, e.process && processMark(e.process), " ", e.name)), figures([e.factor, e.low, e.high]), el("td", { className: "figures" }, e.cases));
    const spread = s => el("tr", null, el("th", { scope: "row" }, processMark(s.process)), figures([s.low, s.high]), el("td", { className: "figures" }, s.jobs), el("td", { className: "figures" }, s.set_aside || ""));
    rates.replaceChildren(el("h2", null, W.rates), ...(found.cases ? [
      el("p", null, W.cases(found.cases, found.jobs)), el("p", { className: "quiet" }, W.ratesHint),
      table(W.rates, W.rateHeads, found.effects.map(effect)),
      el("h2", null, W.spread), table(W.spread, W.spreadHeads, found.scatter.map(spread)),
      el("p", { className: "row" }, found.taken_over ? el("span", null, W.takenOver(found.shop))
        : found.shop ? el("button", { type: "button", id: "take-over", onclick: () => takeOver(found) }, W.takeOver(found.shop)) : el("span", { className: "quiet" }, W.noShop))]
      : [el("p", { className: "quiet" }, W.noCases)]));
  }
  await refresh();
  return { refresh };
}
