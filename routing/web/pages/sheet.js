// One revision of a job: the part in 3-D with its title block, and beside it what was found and decided.

import { act, get, handInDrawing, post, terms } from "./api.js";
import { changesStrip } from "./changes.js";
import { choicesForm, inWords } from "./choices.js";
import { el, field, grouped, inUnit, measure, number, size, table, when } from "./dom.js";
import { cheaperPanel } from "./cheaper.js";
import { figureStrip, figuresPanel } from "./figures.js";
import { edgeCard, featureCard } from "./card.js";
import { alikePanel } from "./like.js";
import { minutesPanel } from "./minutes.js";
import { canHelp, edgeMark, nameOf, processMark, severity } from "./marks.js";
import { ownFlags, questionsPanel, saidFlag } from "./questions.js";
import { proposal } from "./jobs.js";
import { stage } from "./stage.js";
import { WORDS } from "./words.js";

const W = WORDS.sheet, M = WORDS.meanwhile;
const TABS = Object.keys(W.tabs);
const MANY = 300; // rows that a table shows at once before it is asked for all
const RANK = { blocking: 0, warning: 1, note: 2 };

// A drawing's letter: A, B … Z, then AA.
export const letter = n => (n > 26 ? letter(Math.floor((n - 1) / 26)) : "") + String.fromCharCode(65 + (n - 1) % 26);
const COUNTS = ["waiting", "running", "done", "held"]; // states of a later revision that one must know of

export async function sheetPage({ main, rest, query, complain, announce }) {
  let [id, turn, place] = [rest[0], Number(rest[1] ?? 1), Number(rest[2] ?? 0)];
  let job = await get(`/api/jobs/${id}`);
  let planned = 0; // parts whose plan stands while their papers are made
  let drawn = 0; // the revision that the panel is of
  let told = null, chosen = null, tab = "Flags", shown = "", all = false, lost = false, seen = false, restoring = false, closed = false, serial = 0;

  const title = el("h1"), turns = el("select", { id: "turn" }), parts = el("select", { id: "part" });
  const tools = el("div", { className: "row tools" }), progress = el("div", { className: "progress", hidden: true });
  const bar = el("progress", { max: 1, value: 0, ariaLabel: W.progress }), doing = el("span");
  const stop = el("button", { type: "button", onclick: () => ask(() => act(`${path()}/stop`)) }, W.stop);
  progress.append(bar, doing, stop);
  const trouble = el("div", { className: "trouble", hidden: true });
  const card = el("section", { className: "card", ariaLabel: W.chosen, hidden: true });
  const similar = el("section", { className: "notice similar", ariaLabel: WORDS.similar.look, hidden: true });
  const meanwhile = el("section", { className: "notice meanwhile", hidden: true });
  let known = Math.max(0, ...job.revisions.map(r => r.number)), mine_ = new Set(); // revisions seen here, and made here
  const block = el("dl", { className: "title-block" });
  const strip = el("section", { className: "strip", ariaLabel: WORDS.figures.strip, hidden: true });
  const changed = el("section", { className: "changed", ariaLabel: WORDS.changes.strip, hidden: true });
  const tabs = el("div", { className: "tabs", role: "tablist", ariaLabel: W.found });
  const panel = el("div", { id: "panel", role: "tabpanel", tabIndex: 0 });
  // Where edges are listed a click picks the edge, if there is one that is decided about.
  const view = stage({ complain, onMove: () => remember(false), onMark: key => choose(key, true), onPick: (face, edge) => choose((tab === "Edges" && edgeAt(edge)?.id) || featureOf(face)?.id || null, true) });
  main.replaceChildren(
    el("div", { className: "sheet-head" }, title,
      el("p", { className: "field" }, el("label", { htmlFor: "turn" }, W.revision), turns),
      el("p", { className: "field", id: "part-field" }, el("label", { htmlFor: "part" }, W.part), parts), tools),
    progress, trouble, similar, meanwhile, strip, changed,
    el("div", { className: "sheet" },
      el("div", { className: "left" }, el("div", { className: "drawing" }, view.node, block)),
      el("div", { className: "right" }, card, tabs, panel)));
  turns.addEventListener("change", () => { location.hash = address(turns.value); });
  parts.addEventListener("change", () => { location.hash = `#/job/${id}/${turn}/${parts.value}`; });

  // Tab, feature or edge, view and step are in the address: they outlive a reload, and a link can be sent.
  function address(number = turn) {
    const asked = new URLSearchParams(Object.entries({ tab: tab === "Flags" ? "" : tab, pick: chosen ?? "", ...view.state() }).filter(([, v]) => v));
    return `#/job/${id}/${number}/${place}${asked.size ? `?${asked}` : ""}`;
  }
  function remember(step) {
    if (restoring || closed || lost || address() === location.hash) return;
    history[step ? "pushState" : "replaceState"](null, "", address());
  }
  function recall(asked) {
    tab = TABS.includes(asked.get("tab")) ? asked.get("tab") : "Flags";
    chosen = asked.get("pick");
    view.want({ view: asked.get("view"), step: asked.get("step") });
  }
  const openTab = name => { tab = name; drawPanel(); remember(true); };

  const path = () => `/api/jobs/${id}/${turn}`;
  let ahead = null; // how many wait before this one
  const partsOf = () => drawingOf(revision()?.drawing).parts;
  const handNext = chosen_ => ask(async () => {
    const made = await handInDrawing(chosen_, id, turn);
    mine_.add(made.number);
    if (!job.revisions.some(r => r.number === made.number)) job.revisions.push(made);
    location.hash = `#/job/${id}/${made.number}/0`;
  });
  const part = () => told?.parts[place];
  const route = () => part()?.route;
  const revision = () => job.revisions.find(r => r.number === turn);
  const featureOf = face => route()?.features.find(f => f.faces.some(({ index }) => index === face));
  const named = key => route()?.features.find(f => f.id === key);
  const edgeAt = at => route()?.edges.find(e => e.place === at);
  const edgeNamed = key => route()?.edges.find(e => e.id === key);
  // From where it is seen: an outside face tells that surely, else the sides to which both features open.
  const sidesOf = edge => {
    const mine = edge.features.map(named), outside = mine.filter(f => f.kind === "outside face");
    if (outside.length) return outside.flatMap(f => f.opens_to);
    const [a, b] = mine.map(f => f.opens_to), both = a.filter(s => b.includes(s));
    return both.length ? both : [...a, ...b];
  };
  const pieces = edge => route().edges.filter(e => String(e.settle.at) === String(edge.settle.at) && e.settle.size_mm === edge.settle.size_mm);
  async function ask(work) {
    try { return await work(); } catch (error) { complain(error); return null; }
  }

  // `picked`: on the part itself, so it is in sight, and the row is what has to be found.
  function choose(key, picked) {
    const other = key !== chosen;
    chosen = key;
    const feature = key && named(key), edge = key && edgeNamed(key);
    if (feature && other && !picked) view.look(feature);
    if (edge && other && !picked) view.look({ opens_to: sidesOf(edge) });
    view.mark(feature ? feature.faces.map(f => f.index) : [], edge ? pieces(edge).map(e => e.place) : [], Boolean(feature && other && !picked && feature.kind !== "outside face"));
    card.hidden = !feature && !edge;
    card.replaceChildren(...(edge ? edgeCard(edge, { answer, choose, pick }) : featureCard(feature, route(), { answer, choose })));
    for (const row of panel.querySelectorAll("tr[data-key]")) {
      const mine = row.dataset.key === key;
      row.classList.toggle("chosen", mine);
      row.querySelector("button")?.setAttribute("aria-pressed", mine);
      if (mine && (picked || other)) row.scrollIntoView({ block: "nearest" });
    }
    if (other && !picked && !card.hidden && matchMedia("(max-width: 1179px)").matches) card.scrollIntoView({ block: "nearest" }); // it stands above the list
    if (feature) announce(`${feature.id}, ${feature.kind}, ${nameOf(feature.process)}`);
    if (edge) announce(`${WORDS.card.edge(edge.id)}, ${edge.verdict}`);
    if (other) remember(true);
  }

  // Someone else may have answered meanwhile: then it is said, and a person says which way it goes.
  async function again(content, beside) {
    try {
      const made = await post(`/api/jobs/${id}/revisions`, { from: turn, ...content, ...(beside ? {} : { latest: turn }) });
      mine_.add(made.number);
      given.clear();
      meanwhile.hidden = true;
      location.hash = address(made.number);
    } catch (error) {
      if (!error.meanwhile) throw error;
      job = await get(`/api/jobs/${id}`);
      if (route()) drawPanel(); // what was filled in can be sent again
      drawMeanwhile(job.revisions.find(r => r.number === error.meanwhile), () => ask(() => again(content, true)));
      meanwhile.scrollIntoView({ block: "nearest" });
      meanwhile.querySelector("button").focus();
    }
  }

  // What a later revision decided, in words, and the ways on; `force` works out what was sent all the same.
  function drawMeanwhile(later, force) {
    const [was, now] = [revision().choices, later.choices].map(c => inWords(c, job.blanks));
    const lines = [...now.filter(w => !was.includes(w)), ...was.filter(w => !now.includes(w)).map(w => WORDS.log.took + w)];
    const who = later.who || "";
    meanwhile.hidden = false;
    meanwhile.replaceChildren(el("div", { role: "alert" }, el("p", null, force ? M.told(who, later.number) : M.elsewhere(who, later.number)),
      el("ul", null, (lines.length ? lines : [M.nothing]).map(line => el("li", null, line)))),
    el("button", { type: "button", id: "go-on", onclick: () => { meanwhile.hidden = true; location.hash = address(later.number); } }, M.go(later.number)),
    ...(force ? [el("button", { type: "button", id: "beside", className: "slight", onclick: force }, M.beside)] : []),
    el("button", { type: "button", className: "slight", onclick: () => { meanwhile.hidden = true; } }, M.drop));
  }

  function drawProposal() {
    similar.hidden = !job.similar?.job;
    similar.replaceChildren(...(similar.hidden ? [] : [proposal(job.similar, join => ask(async () => {
      const { revision: made } = await post(`/api/jobs/${id}/similar`, { join });
      if (made) location.hash = `#/job/${made.job}/${made.number}/0`; else { job.similar = {}; drawProposal(); }
    }))]));
  }
  // Drawings of the customer's have letters where there are several.
  const lettered = number_ => (job.drawings.length > 1 ? letter(number_) : "");
  const drawingOf = number_ => job.drawings.find(d => d.number === number_) ?? job.drawings.at(-1);
  const answer = (feature, answers) => again({ part: place, feature, answers, shown: told.revision.number, ask: true });
  const given = new Map(); // answers to questions that were not sent yet
  const redraw = at => { drawPanel(); document.getElementById(at)?.focus(); };

  const pick = key => el("button", { type: "button", className: "ref", onclick: () => choose(key) }, key);

  const views = {
    Flags() {
      const { doubts } = route();
      const sorted = ownFlags(route()).sort((a, b) => RANK[a.severity] - RANK[b.severity]);
      return [
        doubts.length ? questionsPanel(route(), { given, pick, redraw, send: decisions => again({ part: place, shown: told.revision.number, decisions, ask: true }) }) : [],
        el("h2", null, W.tabs.Flags),
        sorted.length
          ? el("ul", { className: "plain flags" }, sorted.map(f => el("li", { className: f.severity },
            severity(f.severity), " ", f.feature && [pick(f.feature), " "], saidFlag(f))))
          : el("p", { className: "quiet" }, W.noFlags),
        notes().length ? [el("h2", null, W.ofFile), el("ul", { className: "plain" }, notes().map(n => el("li", null, n)))] : [],
      ];
    },
    Features() {
      const row = f => el("tr", { "data-key": f.id, onclick: () => choose(f.id) },
        el("th", { scope: "row" }, el("button", { type: "button", className: "ref", ariaPressed: "false" }, f.id)),
        el("td", null, f.kind, f.thread?.designation ? ` ${f.thread.designation}` : ""),
        el("td", { className: "sizes" }, Object.entries(f.dims).map(([k, v]) => size(k, v)).join(", ")),
        el("td", null, processMark(f.process === "none" && f.kind === "outside face" ? "blank" : f.process)),
        el("td", { className: "figures" }, f.opens_to.join(" ")),
        el("td", { className: "figures" }, f.flags.length || ""));
      return table(W.tabs.Features, W.featureHeads, route().features.map(row));
    },
    Edges() {
      const { edges } = route();
      const of = verdict => edges.filter(e => !verdict || (verdict === "asked" ? e.asked : e.verdict === verdict));
      const which = el("select", { id: "which", onchange: () => { shown = which.value; drawPanel(); document.getElementById("which").focus(); } },
        [["", W.all], ...terms.breaks.map(b => [b, b]), ["asked", W.byPerson]].map(([v, words]) =>
          el("option", { value: v, selected: v === shown }, `${words} (${of(v).length})`)));
      const row = e => el("tr", { "data-key": e.id, onclick: event => { if (event.target.tagName !== "BUTTON") choose(e.id); } },
        el("th", { scope: "row" }, el("button", { type: "button", className: "ref", ariaPressed: "false", onclick: () => choose(e.id) }, e.id)),
        el("td", null, edgeMark(e.verdict)),
        el("td", { className: "figures" }, e.features.map(key => [pick(key), " "])),
        el("td", { className: "figures" }, measure(e.length_mm, "mm", 2, true)),
        el("td", null, e.reason));
      const listed = of(shown), rest = all ? 0 : Math.max(0, listed.length - MANY);
      return [
        el("p", { className: "quiet" }, W.edgeHint),
        el("p", { className: "row" }, field("which", W.show, which)),
        table(W.tabs.Edges, W.edgeHeads(inUnit(W.length)), listed.slice(0, listed.length - rest).map(row)),
        rest > 0 && el("p", { className: "row" }, el("button", { type: "button", className: "slight", onclick: () => { all = true; drawPanel(); panel.focus(); } }, WORDS.app.more(rest))),
      ];
    },
    Operations() {
      const { operations, estimate } = route();
      const minutes = estimate?.minutes;
      const row = o => el("tr", { onclick: e => { if (e.target.tagName !== "BUTTON") operation(o); } },
        el("th", { scope: "row" }, el("button", { type: "button", className: "ref", ariaLabel: W.mark(o.number), onclick: () => operation(o) }, o.number)),
        el("td", null, o.stage), el("td", null, processMark(o.process)),
        el("td", { className: "figures" }, o.setup), el("td", { className: "figures" }, o.from_side),
        el("td", null, o.features.map(key => [pick(key), " "])),
        el("td", { className: "figures" }, o.after.join(" ")),
        el("td", { className: "figures" }, number(o.minutes, 1)));
      return [
        table(W.tabs.Operations, W.operationHeads, operations.map(row)),
        Number.isFinite(minutes) && el("p", { className: "quiet" }, W.sum(grouped(minutes, 0), Number.isFinite(estimate.minutes_low) ? grouped(estimate.minutes_low, 0) : "", grouped(estimate.minutes_high, 0),
          Number.isFinite(estimate.cost) ? `${grouped(estimate.cost, 0)} ${estimate.currency ?? ""}` : "")),
        ...holding(route().setups ?? []),
      ];
    },
    Minutes: () => minutesPanel(`${path()}/${place}`, id, complain),
    Alike: () => alikePanel(id, place, complain),
    Figures: () => [...figuresPanel(route(), part().files, file), el("section", { id: "cheaper" })],
    Choices: () => choicesForm({ job, revision: revision(), told: { route: route(), path: path() }, again, complain }),
    Files() {
      if (busy()) return [el("p", { className: "quiet" }, W.making)];
      const made = f => el("tr", null, el("th", { scope: "row" }, el("a", { href: file(f.name), download: f.name }, f.name)),
        el("td", { className: "figures" }, `${grouped(f.bytes / 1024, 1)}${WORDS.units.kib}`),
        el("td", null, /\.(html|pdf|svg)$/.test(f.name) && el("a", { href: `${file(f.name)}?show`, target: "_blank", rel: "noopener" }, W.open(f.name))));
      const step = t => el("tr", null, el("th", { scope: "row" }, t.step), el("td", null, t.kept ? W.kept : W.made),
        el("td", { className: "figures" }, t.kept ? "" : `${number(t.seconds, 2)}${WORDS.units.seconds}`));
      const newer = el("input", { type: "file", id: "newer", accept: ".step,.stp,.p21" });
      newer.addEventListener("change", () => { if (newer.files.length) handNext(newer.files[0]); newer.value = ""; });
      return [
        el("p", { className: "row" }, el("a", { className: "button", href: `${path()}/all.zip`, download: "" }, W.allZip)),
        el("p", { className: "row" }, el("label", { className: "button slight", htmlFor: "newer" }, W.next, newer), el("span", { className: "quiet" }, W.nextHint)),
        table(W.tabs.Files, W.fileHeads, part().files.map(made)),
        el("h2", null, W.tookHead(`${number(revision().seconds, 1)}${WORDS.units.seconds}`)),
        table(W.took, W.tookHeads, revision().summary.took.map(step)),
      ];
    },
  };

  const file = name => `${path()}/${place}/file/${encodeURIComponent(name)}`;

  // Opens a tab at one of its sections, as a figure's basis.
  function open(name, section) {
    openTab(name);
    const at = (section && document.getElementById(section)) || panel;
    at.scrollIntoView({ block: at === panel ? "nearest" : "start" });
    at.focus({ preventScroll: true });
  }

  function drawStrip() {
    strip.hidden = !route();
    if (strip.hidden) return;
    const made = part().files.some(f => f.name === route().stock.ground_file);
    strip.replaceChildren(...figureStrip(route(), { open, asked: route().doubts, flags: ownFlags(route()), file: made && file(route().stock.ground_file) }));
  }

  // What would make it cheaper comes when it was asked for, and stays with the files.
  async function drawCheaper(work = get) {
    const mine = turn, told_ = await ask(() => work(`${path()}/${place}/cheaper`)), at = document.getElementById("cheaper");
    if (closed || !told_ || mine !== turn || !at) return;
    at.replaceChildren(...cheaperPanel(told_, { begin: () => drawCheaper(post), address: file, pick }).flat(9).filter(Boolean));
  }

  async function drawChanged() {
    const mine = turn, found = revision().state === "done" && revision().base ? await ask(() => get(`${path()}/${place}/changes`)) : null;
    if (closed || mine !== turn) return;
    changed.hidden = !found?.base;
    changed.replaceChildren(...(changed.hidden ? [] : changesStrip(found, { pick, back: choices => ask(() => again({ choices })) })));
  }

  const notes = () => [...(revision().summary.notes ?? []), ...route().part.healed];

  function operation(o) {
    chosen = null;
    const faces = o.features.flatMap(key => named(key)?.faces.map(f => f.index) ?? []);
    view.mark(faces);
    announce(W.marked(o.number, WORDS.plural.face(faces.length)));
  }

  function holding(setups) {
    const row = s => el("tr", null, el("th", { scope: "row" }, s.number), el("td", null, processMark(s.process)), el("td", { className: "figures" }, s.from_side),
      el("td", null, s.held_by, s.grade === "holds" ? "" : ` (${s.grade})`), el("td", null, s.reason), el("td", null, s.refused.map(r => el("div", null, `${r.way}: ${r.reason}`))));
    return setups.length === 0 ? [] : [
      el("h2", { id: "holding", tabIndex: -1 }, W.holding),
      table(W.holdingCaption, W.holdingHeads, setups.map(row)),
      el("p", { className: "quiet" }, W.holdingNote),
    ];
  }

  function drawTabs() {
    const counts = { Flags: ownFlags(route()).length + route().doubts.length, Features: route().features.length, Edges: route().edges.length, Operations: route().operations.length };
    tabs.replaceChildren(...TABS.map(name => el("button", {
      type: "button", role: "tab", id: `tab-${name}`, ariaSelected: String(name === tab), tabIndex: name === tab ? 0 : -1,
      "aria-controls": "panel", onclick: () => openTab(name),
      onkeydown: e => {
        const by = { ArrowRight: 1, ArrowLeft: -1 }[e.key];
        if (!by) return;
        e.preventDefault();
        openTab(TABS[(TABS.indexOf(name) + by + TABS.length) % TABS.length]);
        document.getElementById(`tab-${tab}`).focus();
      },
    }, W.tabs[name], name in counts ? el("span", { className: "count" }, ` ${counts[name]}`) : "")));
  }

  function drawPanel() {
    drawTabs();
    drawn = turn;
    panel.setAttribute("aria-labelledby", `tab-${tab}`);
    panel.replaceChildren(...[views[tab]()].flat(9).filter(Boolean));
    if (tab === "Figures" && revision().state === "done") drawCheaper();
    choose(chosen);
  }

  function drawBlock() {
    const p = route()?.part, cell = (name, value, wide) => el("div", { className: wide ? "wide" : "" }, el("dt", null, name), el("dd", null, value || "–"));
    block.replaceChildren(
      cell(W.block.part, p?.name ?? partsOf()[place]?.name ?? job.name, true),
      cell(W.block.file, drawingOf(revision().drawing).name, true),
      cell(W.block.revision, `${lettered(revision().drawing)} r${turn}`.trim()), cell(W.block.material, p?.material ?? ""),
      cell(inUnit(W.block.box), p ? p.box_mm.map(v => measure(v, "mm", 2, true)).join(" × ") : "", true),
      cell(W.block.side, p?.working_side ?? ""), cell(inUnit(W.block.volume), p ? measure(p.volume_mm3, "mm3", 0, true) : ""),
      cell(W.block.pieces, String((partsOf()[place]?.count ?? 1) * job.pieces)), cell(W.block.handed, when(drawingOf(revision().drawing).created)));
  }

  function drawHead() {
    title.textContent = partsOf()[place]?.name ?? job.name;
    document.title = WORDS.app.titled(title.textContent, turn);
    const option = r => el("option", { value: r.number, selected: r.number === turn }, `r${r.number} ${WORDS.states[r.state]}`);
    turns.replaceChildren(...(job.drawings.length < 2 ? job.revisions.map(option) : job.drawings.map(d =>
      el("optgroup", { label: W.drawing(letter(d.number), d.name) }, job.revisions.filter(r => r.drawing === d.number).map(option)))));
    parts.replaceChildren(...partsOf().map((p, n) => el("option", { value: n, selected: n === place }, p.count > 1 ? `${p.name} (${p.count})` : p.name)));
    document.getElementById("part-field").hidden = partsOf().length < 2;
    const before = job.revisions.filter(r => r.state === "done" && r.number < turn).at(-1);
    tools.replaceChildren(...[
      revision().state === "done" && el("a", { className: "button", id: "zip", href: `${path()}/all.zip`, download: "" }, W.zip),
      before && revision().state === "done" && el("a", { className: "button slight", href: `#/compare/${id}.${before.number}.${place}/${id}.${turn}.${place}` }, W.compareWith(before.number)),
    ].filter(Boolean));
  }

  const busy = () => ["running", "waiting"].includes(revision().state);

  function drawState() {
    const { state, stage: what, share, error } = revision();
    main.dataset.state = state;
    progress.hidden = !busy();
    bar.value = share;
    doing.textContent = (planned > place ? W.papers : "") + (state === "waiting" && ahead !== null ? WORDS.states.line(ahead) : what || WORDS.states[state]);
    trouble.hidden = busy() || state === "done";
    trouble.classList.toggle("held", state === "held");
    if (state === "held") { drawHeld(); return; }
    trouble.replaceChildren(...(trouble.hidden ? [] : [
      el("p", { role: "alert" }, error || (state === "interrupted" ? W.interrupted : WORDS.states[state])), " ",
      canHelp(revision()) && el("button", { type: "button", onclick: () => ask(() => post(`${path()}/again`)) }, W.again)].filter(Boolean)));
  }

  // An answer that turns the part over: shown from the side that would work, before it counts.
  function drawHeld() {
    const { summary, error, base } = revision();
    const settle = (count, next) => ask(async () => { await post(`${path()}/turned`, { count }); next(); });
    trouble.replaceChildren(
      el("p", { role: "alert" }, error, " ", WORDS.held.shown),
      el("button", { type: "button", id: "turn-over", onclick: () => settle(true, () => {}) }, WORDS.held.count),
      el("button", { type: "button", id: "leave-side", className: "slight", onclick: () => settle(false, () => { location.hash = address(base); }) }, WORDS.held.leave));
    if (summary.seen) view.look({ opens_to: [summary.seen] });
  }

  async function load() {
    const mine = ++serial;
    lost = !revision() || (partsOf().length > 0 && !partsOf()[place]);
    if (lost) {
      main.replaceChildren(el("p", { className: "quiet" }, WORDS.app.nothing, " ", el("a", { href: "#/" }, WORDS.app.toJobs)));
      throw new Error(revision() ? W.noPart : W.noRevision);
    }
    drawHead(); drawState(); drawBlock(); drawProposal();
    if (!seen && partsOf().length > place) await see();
    else if (!seen && busy()) peek();
    // Early only where nothing is shown yet: else it would take from under a person what they decide on.
    if (revision().state !== "done" && (told || planned <= place)) {
      if (!told) { tabs.replaceChildren(); panel.replaceChildren(el("p", { className: "quiet" }, W.later)); }
      panel.classList.toggle("stale", Boolean(told));
      return;
    }
    const found = await get(path());
    if (closed || mine !== serial || !found.parts[place]) return;
    told = found;
    panel.classList.remove("stale");
    if (!route()) return;
    view.show(route(), path(), place);
    if (chosen && !named(chosen) && !edgeNamed(chosen)) chosen = null;
    drawHead(); drawBlock(); drawStrip(); drawChanged();
    // What a person writes in the form of choices stays there.
    const writing = tab === "Choices" && drawn === turn && (busy() || panel.contains(document.activeElement));
    if (writing) drawTabs(); else drawPanel();
  }

  // The letter is among the files now.
  async function cheapened() {
    const found = await get(path());
    if (closed || !found.parts[place]) return;
    told = found;
    announce(WORDS.figures.cheaper);
    if (tab === "Files") drawPanel(); else drawCheaper();
  }

  // What the file draws before it is read with care; the true part takes its place.
  async function peek() {
    if (seen) return;
    try {
      const model = await get(`/api/jobs/${id}/view/preview?drawing=${revision().drawing}`);
      if (!closed && !seen) view.load(model);
    } catch { /* not there yet, or no longer needed */ }
  }

  async function see() {
    const model = await ask(() => get(`/api/jobs/${id}/view/${place}?drawing=${revision().drawing}`));
    if (model && !closed && !seen) { seen = true; view.load(model); }
  }

  async function refresh() {
    job = await get(`/api/jobs/${id}`);
    if (revision() && busy()) planned = (await get(path())).parts.length;
    await load();
  }

  recall(query);
  await load();
  return {
    refresh: () => ask(refresh),
    // Another revision or part of the same job keeps the page, and the view where it can.
    moveTo([other, number_, place_], asked) {
      if (other !== id || lost) return false;
      const next = job.revisions.find(r => r.number === Number(number_ ?? 1));
      const moved = Number(place_ ?? 0) !== place || (next && next.drawing !== revision()?.drawing), here = !moved && Number(number_ ?? 1) === turn;
      restoring = true;
      recall(asked);
      if (here && route()) drawPanel();
      restoring = false;
      if (here) return true;
      [turn, place] = [Number(number_ ?? 1), Number(place_ ?? 0)];
      planned = 0;
      meanwhile.hidden = true;
      if (moved) { seen = false; told = null; chosen = null; }
      ask(async () => {
        await refresh();
        if (told && busy() && tab === "Choices") drawPanel(); // else it would send those of the revision before
      });
      return true;
    },
    hear({ revision: now, seen: count, planned: ready, number: which, job: whose, gone, preview, line, cheaper }) {
      if (line) {
        const at = line.findIndex(([job_, number_]) => job_ === id && number_ === turn);
        ahead = at < 0 ? null : at;
        if (revision()) drawState();
        return;
      }
      if (cheaper !== undefined) { if (whose === id && which === turn && cheaper === place) ask(cheapened); return; }
      if (gone === id) { location.hash = "#/"; return; }
      if (preview === id) { peek(); return; }
      if (whose === id && ready) { if (which === turn) { planned = ready; ask(load); } return; }
      if (whose === id && count > place && !seen) { ask(async () => { job = await get(`/api/jobs/${id}`); await load(); }); return; }
      if (now?.job !== id) return;
      const old = job.revisions.find(r => r.number === now.number);
      const before = old?.state;
      if (old) Object.assign(old, now); else job.revisions.push(now);
      if (now.number > known) { // made in another window, or by someone else
        known = now.number;
        if (!mine_.has(now.number) && now.base === turn && COUNTS.includes(now.state) && now.number !== turn) setTimeout(() => { if (!mine_.has(now.number) && !closed && revision() && now.number !== turn) drawMeanwhile(now, null); }, 400);
      }
      if (now.number !== turn) { drawHead(); return; }
      drawState();
      if (now.state === "running" && now.stage) announce(W.percent(now.stage, Math.round(now.share * 100)));
      if (before !== now.state) { announce(`${job.name}: ${WORDS.states[now.state]} ${now.error}`); ask(refresh); }
    },
    close() { closed = true; delete main.dataset.state; view.close(); document.title = WORDS.app.title; },
  };
}
