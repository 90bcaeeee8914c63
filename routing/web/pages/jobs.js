// All jobs: found, sorted, summed, noted upon, opened, stopped, run again, removed.

import { act, get, post } from "./api.js";
import { el, field, grouped, hours, table, when } from "./dom.js";
import { materialList } from "./choices.js";
import { canHelp, severity } from "./marks.js";
import { WORDS } from "./words.js";

const W = WORDS.jobs, P = WORDS.plural, STATES = WORDS.states;
const common = {}; // what files that are handed in have in common; kept while the page is open
const SHOWN = 200; // rows that are made at once before one asks for all
const count = job => Object.values(job.flags).reduce((a, b) => a + b, 0);
const most = key => (a, b) => (b[key] ?? -1) - (a[key] ?? -1);
const SORTS = {
  created: () => 0, // as the server lists them
  name: (a, b) => a.name.localeCompare(b.name), material: (a, b) => a.material.localeCompare(b.material),
  minutes: most("minutes"), cost: most("cost"), flags: (a, b) => count(b) - count(a),
};

// What a job can be found by.
const text = job => [job.name, ...job.parts, job.material, ...job.codes, job.note, job.standing, job.state, ...Object.keys(job.flags)].join(" ").toLowerCase();

// A job of which this one may be the next drawing: a person says.
export function proposal(similar, answer) {
  const K = WORDS.similar, same = similar.why === "file";
  return el("div", { className: "similar" }, el("p", null, K[similar.why](similar.name)), el("div", { className: "row" },
    same ? null : el("button", { type: "button", className: "slight join", onclick: () => answer(true) }, K.join),
    el("button", { type: "button", className: "slight leave", onclick: () => answer(false) }, K.leave),
    el("a", { href: `#/job/${similar.job}/${similar.number}/0` }, K.look)));
}

export async function jobsPage({ main, complain, announce, take }) {
  let jobs = [], standings = [""], all = false, timer = 0;
  const chosen = new Set();
  const rows = el("div"), told = el("p", { className: "quiet", role: "status" }), sum = el("p", { role: "status" });
  const soon = () => { clearTimeout(timer); timer = setTimeout(draw, 150); };
  const search = el("input", { type: "search", id: "search", autocomplete: "off", spellcheck: false, oninput: soon });
  const pick = (id, options) => el("select", { id, onchange: () => draw() }, options.map(([v, words]) => el("option", { value: v }, words)));
  const state = pick("by-state", [["", W.any], ...["waiting", "running", "done", "failed", "interrupted", "held"].map(s => [s, STATES[s]])]);
  const flagged = pick("by-flags", W.flagged), standing = pick("by-standing", [["", W.any]]), sort = pick("sort", W.sorts);
  const figure = id => el("input", { id, type: "number", min: 0, step: "any", oninput: soon });
  const least = figure("least"), highest = figure("highest"), since = el("input", { id: "since", type: "date", onchange: () => draw() });
  const picker = el("input", { type: "file", multiple: true, accept: ".step,.stp,.p21", id: "first-files" });
  picker.addEventListener("change", () => { take(picker.files); picker.value = ""; });
  const sample = el("button", { type: "button", id: "sample", onclick: doing(async () => { location.hash = `#/job/${(await post("/api/sample")).id}/1/0`; }) }, WORDS.empty.sample);
  const empty = el("section", { className: "empty", hidden: true }, el("h2", null, WORDS.empty.title),
    el("ol", null, WORDS.empty.lines.map(line => el("li", null, line))), el("p", null, sample));
  const every = el("input", { type: "checkbox", id: "every", onchange: () => { for (const j of listed()) chosen[every.checked ? "add" : "delete"](j.id); draw(); } });
  const csv = el("a", { className: "button slight", id: "csv", download: "jobs.csv" }, W.csv);
  const filters = el("div", { className: "row filters" },
    field("by-state", W.state, state), field("by-flags", W.flags, flagged), field("by-standing", W.standing, standing),
    field("least", W.from, least), field("highest", W.to, highest), field("since", W.since, since), field("sort", W.sort, sort));
  const sums = el("div", { className: "row sums" }, el("span", { className: "tick" }, every, el("label", { htmlFor: "every" }, W.all)), csv, sum);
  const folder = el("input", { type: "file", multiple: true, webkitdirectory: true, id: "folder" });
  folder.addEventListener("change", () => {
    const found = [...folder.files].filter(f => /\.(step|stp|p21)$/i.test(f.name));
    folder.value = "";
    if (found.length) take(found); else complain(new Error(W.unread));
  });
  const shared = (key, given) => el("input", { id: `common-${key}`, value: common[key] ?? "", autocomplete: "off", ...given, oninput: e => { common[key] = e.target.value.trim(); } });
  main.replaceChildren(
    el("section", { className: "hand-in", ariaLabel: W.handIn },
      el("h1", null, W.title),
      el("p", null, W.drop, el("label", { className: "link", htmlFor: "first-files" }, W.choose, picker), W.stay),
      el("details", { id: "common", open: Object.values(common).some(Boolean) }, el("summary", null, W.common),
        el("p", { className: "quiet" }, W.commonHint),
        el("div", { className: "row" },
          field("common-material", W.material, shared("material", { list: "materials", spellcheck: false })),
          field("common-pieces", W.pieces, shared("pieces", { type: "number", min: 1, max: 100000, step: 1 })),
          field("common-margin_percent", W.margin, shared("margin_percent", { type: "number", min: 0, max: 500, step: "any" })),
          el("label", { className: "button slight", htmlFor: "folder" }, W.folder, folder)),
        materialList())),
    el("div", { className: "find" }, el("label", { htmlFor: "search" }, W.find), search, told,
      el("a", { className: "button slight", id: "by-shape", href: "#/like", onclick: e => { e.target.href = `#/like?${new URLSearchParams({ q: search.value.trim() })}`; } }, W.byShape)),
    filters, sums, rows, empty);

  async function refresh() {
    try {
      ({ jobs, standings } = await get("/api/list"));
      if (standing.options.length === 1) standing.append(...standings.filter(Boolean).map(s => el("option", { value: s }, s)));
      draw();
    } catch (error) {
      complain(error);
    }
  }

  function doing(work) {
    return async () => { try { await work(); await refresh(); } catch (error) { complain(error); } };
  }

  function listed() {
    const words = search.value.toLowerCase().split(/\s+/).filter(Boolean);
    const fits = job => words.every(w => text(job).includes(w))
      && (!state.value || job.state === state.value)
      && (!flagged.value || (flagged.value === "none" ? count(job) === 0 && job.state === "done" : job.flags[flagged.value] > 0))
      && (!standing.value || job.standing === standing.value)
      && (least.value === "" || (job.cost ?? -1) >= Number(least.value)) && (highest.value === "" || (job.cost ?? Infinity) <= Number(highest.value))
      && (!since.value || new Date(job.created) >= new Date(`${since.value}T00:00`));
    return jobs.filter(fits).sort(SORTS[sort.value]);
  }

  function outcome(job) {
    if (job.state === "running" || job.state === "waiting") {
      const said = job.state === "waiting" && Number.isInteger(job.ahead) ? STATES.line(job.ahead) : job.stage || STATES[job.state];
      return [el("progress", { max: 1, value: job.share, ariaLabel: W.progress }), " ", el("span", null, said)];
    }
    if (job.state !== "done") return el("span", { className: "fault" }, job.error || STATES[job.state]);
    return el("span", { className: "outcome" },
      el("span", null, `${P.feature(job.features)}, ${P.operation(job.operations)}`),
      ["blocking", "warning", "note"].filter(word => job.flags[word]).map(word => severity(word, job.flags[word])),
      job.doubts ? el("span", null, P.question(job.doubts)) : "");
  }

  function row(job) {
    const own = `/api/jobs/${job.id}`, turn = `${own}/${job.number}`, done = job.state === "done";
    const sure = () => confirm(W.sure(job.name));
    const picture = el("img", { alt: "", width: 72, height: 54, loading: "lazy", src: `${own}/picture?${job.drawing}`, onerror: e => e.target.remove() });
    const stand = () => {
      const faulty = [pieces, margin].find(i => !i.checkValidity());
      if (faulty) { faulty.reportValidity(); return; }
      stood(`${own}/standing`, { note: note.value, standing: where.value, pieces: Number(pieces.value), margin_percent: Number(margin.value) });
    };
    const figure = (ariaLabel, value, given) => el("input", { ariaLabel, value, type: "number", required: true, onchange: stand, ...given });
    const pieces = figure(W.piecesOf(job.name), job.ordered, { min: 1, max: 100000, step: 1 });
    const margin = figure(W.marginOf(job.name), job.margin_percent, { min: 0, max: 500, step: "any" });
    const where = el("select", { ariaLabel: W.standingOf(job.name), onchange: stand }, standings.map(s => el("option", { value: s, selected: s === job.standing }, s || W.noStanding)));
    const note = el("input", { ariaLabel: W.noteOf(job.name), value: job.note, maxLength: 500, placeholder: W.note, onchange: stand });
    async function stood(path, content) {
      try {
        await act(path, "POST", content);
        const now = jobs.find(j => j.id === job.id); // the list may have been asked for anew since this row was made
        const price = now && (now.ordered !== content.pieces || now.margin_percent !== content.margin_percent);
        if (now) Object.assign(now, content, { ordered: content.pieces });
        const row = drawn.find(d => d.id === job.id);
        if (now && row) row.text = JSON.stringify(now);
        if (price) await refresh();
      } catch (error) { complain(error); }
    }
    return el("tr", null,
      el("td", null, el("input", { type: "checkbox", ariaLabel: W.chosen(job.name), checked: chosen.has(job.id), onchange: e => { chosen[e.target.checked ? "add" : "delete"](job.id); drawSum(); } })),
      el("td", { className: "picture" }, job.parts.length > 0 && picture),
      el("th", { scope: "row" }, el("a", { href: `#/job/${job.id}/${job.number}/0` }, job.name),
        el("span", { className: "under" }, job.parts.filter(n => n !== job.name).join(", "), ` r${job.number}`)),
      el("td", null, el("div", { className: "ordered" }, pieces, el("span", { className: "tick" }, margin, W.percent))), el("td", { className: "figures" }, job.material),
      el("td", { className: "figures" }, done && job.minutes !== null ? hours(job.minutes) : ""),
      el("td", { className: "figures" }, done && job.cost !== null ? `${grouped(job.cost, 0)} ${job.currency}` : "",
        done && job.price !== null && el("span", { className: "under" }, W.priced(job.ordered * job.pieces, `${grouped(job.price, 0)} ${job.currency}`))),
      el("td", null, outcome(job), job.similar.job && proposal(job.similar, answer => doing(() => act(`${own}/similar`, "POST", { join: answer }))())),
      el("td", null, el("div", { className: "standing" }, where, note)),
      el("td", null, when(job.created)),
      el("td", null, el("div", { className: "acts" },
        ["running", "waiting"].includes(job.state) && el("button", { type: "button", onclick: doing(() => act(`${turn}/stop`)) }, W.stop),
        canHelp(job) && el("button", { type: "button", onclick: doing(() => act(`${turn}/again`)) }, W.again),
        el("button", { type: "button", className: "slight", ariaLabel: W.removeOf(job.name), onclick: doing(async () => { if (sure()) await act(own, "DELETE"); }) }, W.remove))));
  }

  function drawSum() {
    const mine = jobs.filter(j => chosen.has(j.id)), known = mine.filter(j => j.minutes !== null && j.cost !== null);
    const money = new Map();
    for (const j of known) money.set(j.currency, (money.get(j.currency) ?? 0) + j.cost);
    const spent = [...money].map(([unit, cost]) => `${grouped(cost, 0)} ${unit}`).join(" + ") || "–";
    sum.textContent = mine.length === 0 ? "" : W.sum(mine.length, hours(known.reduce((a, j) => a + j.minutes, 0)), spent)
      + (known.some(j => j.price !== null && j.price !== j.cost) ? W.offered([...money.keys()].map(unit => `${grouped(known.filter(j => j.currency === unit).reduce((a, j) => a + (j.price ?? j.cost), 0), 0)} ${unit}`).join(" + ")) : "")
      + (known.length < mine.length ? `; ${W.unknown(mine.length - known.length)}` : "");
    csv.href = `/api/list.csv?jobs=${(mine.length ? mine : listed()).map(j => j.id).join(",")}`;
    every.checked = mine.length > 0 && listed().every(j => chosen.has(j.id));
  }

  // Only rows that changed are made anew: a click, or the focus, on another one is not lost.
  let drawn = [];
  function draw() {
    const found = listed(), more = all ? 0 : Math.max(0, found.length - SHOWN);
    empty.hidden = jobs.length > 0;
    filters.hidden = sums.hidden = jobs.length === 0;
    told.textContent = found.length ? P.job(found.length) : jobs.length ? W.none : W.nothing;
    const before = new Map(drawn.map(d => [d.id, d]));
    const order = drawn.map(d => d.id).join();
    drawn = found.slice(0, found.length - more).map(job => {
      const now = JSON.stringify(job), old = before.get(job.id);
      if (old?.text === now) return old;
      const node = row(job);
      old?.node.replaceWith(node);
      return { id: job.id, text: now, node };
    });
    for (const d of drawn) d.node.querySelector("input[type=checkbox]").checked = chosen.has(d.id);
    drawSum();
    if (drawn.map(d => d.id).join() === order && rows.firstChild) return;
    rows.replaceChildren(...(drawn.length ? [table(W.caption, W.heads, drawn.map(d => d.node), "jobs"),
      ...(more ? [el("p", { className: "row" }, el("button", { type: "button", className: "slight", onclick: () => { all = true; draw(); } }, WORDS.app.more(more)))] : [])] : []));
  }

  await refresh();
  return {
    refresh,
    common: () => Object.fromEntries(Object.entries(common).filter(([, v]) => v)),
    hear({ revision, preview, planned, seen, line }) {
      if (line) {
        const ahead = new Map(line.map(([job, number], n) => [`${job}.${number}`, n]));
        for (const job of jobs) job.ahead = ahead.get(`${job.id}.${job.number}`) ?? null;
        draw();
        return;
      }
      if (preview || planned || seen) return;
      const job = jobs.find(j => j.id === revision?.job);
      if (!job || revision.number > job.number) { refresh(); return; }
      if (revision.number < job.number) return;
      if (job.state !== revision.state) { announce(W.announced(job.name, STATES[revision.state])); refresh(); return; }
      Object.assign(job, { stage: revision.stage, share: revision.share });
      draw();
    },
  };
}
