// One revision of a job: the part in 3-D with its title block, and beside it what was found and decided.

import { act, get, post, terms } from "./api.js";
import { changesStrip } from "./changes.js";
import { choicesForm } from "./choices.js";
import { el, field, inUnit, measure, number, plural, size, table, when } from "./dom.js";
import { figureStrip, figuresPanel } from "./figures.js";
import { edgeCard, featureCard } from "./card.js";
import { canHelp, edgeMark, nameOf, processMark, severity } from "./marks.js";
import { ownFlags, questionsPanel, saidFlag } from "./questions.js";
import { stage } from "./stage.js";
import { WORDS } from "./words.js";

const TABS = ["Flags", "Features", "Edges", "Operations", "Figures", "Choices", "Files"];
const MANY = 300; // rows that a table shows at once before it is asked for all
const RANK = { blocking: 0, warning: 1, note: 2 };

export async function sheetPage({ main, rest, query, complain, announce, take }) {
  let [id, turn, place] = [rest[0], Number(rest[1] ?? 1), Number(rest[2] ?? 0)];
  let job = await get(`/api/jobs/${id}`);
  let planned = 0; // parts whose plan stands while their papers are made
  let drawn = 0; // the revision that the panel is of
  let told = null, chosen = null, tab = "Flags", shown = "", all = false, lost = false, seen = false, restoring = false, closed = false, serial = 0;

  const title = el("h1"), turns = el("select", { id: "turn" }), parts = el("select", { id: "part" });
  const tools = el("div", { className: "row tools" }), progress = el("div", { className: "progress", hidden: true });
  const bar = el("progress", { max: 1, value: 0, ariaLabel: "Progress of the job" }), doing = el("span");
  const stop = el("button", { type: "button", onclick: () => ask(() => act(`${path()}/stop`)) }, "Stop");
  progress.append(bar, doing, stop);
  const trouble = el("div", { className: "trouble", hidden: true });
  const card = el("section", { className: "card", ariaLabel: "Chosen feature" });
  const block = el("dl", { className: "title-block" });
  const strip = el("section", { className: "strip", ariaLabel: WORDS.figures.strip, hidden: true });
  const changed = el("section", { className: "changed", ariaLabel: WORDS.changes.strip, hidden: true });
  const tabs = el("div", { className: "tabs", role: "tablist", ariaLabel: "What was found" });
  const panel = el("div", { id: "panel", role: "tabpanel", tabIndex: 0 });
  // Where edges are listed a click picks the edge, if there is one that is decided about.
  const view = stage({ complain, onMove: () => remember(false), onPick: (face, edge) => choose((tab === "Edges" && edgeAt(edge)?.id) || featureOf(face)?.id || null, true) });
  main.replaceChildren(
    el("div", { className: "sheet-head" }, title,
      el("p", { className: "field" }, el("label", { htmlFor: "turn" }, "Revision"), turns),
      el("p", { className: "field", id: "part-field" }, el("label", { htmlFor: "part" }, "Part"), parts), tools),
    progress, trouble, strip, changed,
    el("div", { className: "sheet" },
      el("div", { className: "left" }, el("div", { className: "drawing" }, view.node, block), card),
      el("div", { className: "right" }, tabs, panel)));
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
    card.replaceChildren(...(edge ? edgeCard(edge, { answer, choose, pick }) : featureCard(feature, route(), { answer, choose })));
    for (const row of panel.querySelectorAll("tr[data-key]")) {
      const mine = row.dataset.key === key;
      row.classList.toggle("chosen", mine);
      row.querySelector("button")?.setAttribute("aria-pressed", mine);
      if (mine && picked) row.scrollIntoView({ block: "nearest" });
    }
    if (feature) announce(`${feature.id}, ${feature.kind}, ${nameOf(feature.process)}`);
    if (edge) announce(`Edge ${edge.id}, ${edge.verdict}`);
    if (other) remember(true);
  }

  async function again(content) {
    const made = await post(`/api/jobs/${id}/revisions`, { from: turn, ...content });
    given.clear();
    location.hash = address(made.number);
  }
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
        el("h2", null, "Flags"),
        sorted.length
          ? el("ul", { className: "plain flags" }, sorted.map(f => el("li", { className: f.severity },
            severity(f.severity), " ", f.feature && [pick(f.feature), " "], saidFlag(f))))
          : el("p", { className: "quiet" }, "No flags."),
        notes().length ? [el("h2", null, "Of the file"), el("ul", { className: "plain" }, notes().map(n => el("li", null, n)))] : [],
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
      return table("Features", ["No.", "Kind", "Sizes", "Process", "Opens to", "Flags"], route().features.map(row));
    },
    Edges() {
      const { edges } = route();
      const of = verdict => edges.filter(e => !verdict || (verdict === "asked" ? e.asked : e.verdict === verdict));
      const which = el("select", { id: "which", onchange: () => { shown = which.value; drawPanel(); document.getElementById("which").focus(); } },
        [["", "all"], ...terms.breaks.map(b => [b, b]), ["asked", "decided by a person"]].map(([v, words]) =>
          el("option", { value: v, selected: v === shown }, `${words} (${of(v).length})`)));
      const row = e => el("tr", { "data-key": e.id, onclick: event => { if (event.target.tagName !== "BUTTON") choose(e.id); } },
        el("th", { scope: "row" }, el("button", { type: "button", className: "ref", ariaPressed: "false", onclick: () => choose(e.id) }, e.id)),
        el("td", null, edgeMark(e.verdict)),
        el("td", { className: "figures" }, e.features.map(key => [pick(key), " "])),
        el("td", { className: "figures" }, measure(e.length_mm, "mm", 2, true)),
        el("td", null, e.reason));
      const listed = of(shown), rest = all ? 0 : Math.max(0, listed.length - MANY);
      return [
        el("p", { className: "quiet" }, "Click an edge of the part, or a row, to say what becomes of it."),
        el("p", { className: "row" }, field("which", "Show", which)),
        table("Edges", ["No.", "Verdict", "Between", inUnit("Length, mm"), "Why"], listed.slice(0, listed.length - rest).map(row)),
        rest > 0 && el("p", { className: "row" }, el("button", { type: "button", className: "slight", onclick: () => { all = true; drawPanel(); panel.focus(); } }, `Show ${rest} more`)),
      ];
    },
    Operations() {
      const { operations, estimate } = route();
      const minutes = estimate?.minutes;
      const row = o => el("tr", { onclick: e => { if (e.target.tagName !== "BUTTON") operation(o); } },
        el("th", { scope: "row" }, el("button", { type: "button", className: "ref", ariaLabel: `Operation ${o.number}: mark its faces`, onclick: () => operation(o) }, o.number)),
        el("td", null, o.stage), el("td", null, processMark(o.process)),
        el("td", { className: "figures" }, o.setup), el("td", { className: "figures" }, o.from_side),
        el("td", null, o.features.map(key => [pick(key), " "])),
        el("td", { className: "figures" }, o.after.join(" ")),
        el("td", { className: "figures" }, number(o.minutes, 1)));
      return [
        table("Operations", ["No.", "Stage", "Process", "Setup", "From", "Features", "After", "Minutes"], operations.map(row)),
        Number.isFinite(minutes) && el("p", { className: "quiet" }, `${number(minutes, 0)} minutes`,
          Number.isFinite(estimate.minutes_low) ? ` (${number(estimate.minutes_low, 0)} to ${number(estimate.minutes_high, 0)})` : "",
          Number.isFinite(estimate.cost) ? `, ${number(estimate.cost, 0)} ${estimate.currency ?? ""}` : "",
          ": an estimate, not an offer."),
        ...holding(route().setups ?? []),
      ];
    },
    Figures: () => figuresPanel(route(), part().files, file),
    Choices: () => choicesForm({ job, revision: revision(), told: { route: route(), path: path() }, again, complain }),
    Files() {
      if (busy()) return [el("p", { className: "quiet" }, "The papers of this plan are being made: they come here.")];
      const made = f => el("tr", null, el("th", { scope: "row" }, el("a", { href: file(f.name), download: f.name }, f.name)),
        el("td", { className: "figures" }, `${number(f.bytes / 1024, 1)} KiB`),
        el("td", null, /\.(html|pdf|svg)$/.test(f.name) && el("a", { href: `${file(f.name)}?show`, target: "_blank", rel: "noopener" }, `Open ${f.name}`)));
      const step = t => el("tr", null, el("th", { scope: "row" }, t.step), el("td", null, t.kept ? "kept from before" : "worked out"),
        el("td", { className: "figures" }, t.kept ? "" : `${number(t.seconds, 2)} s`));
      const newer = el("input", { type: "file", id: "newer", accept: ".step,.stp,.p21" });
      newer.addEventListener("change", () => { if (newer.files.length) take(newer.files, `${id}.${turn}`); newer.value = ""; });
      return [
        el("p", { className: "row" }, el("a", { className: "button", href: `${path()}/all.zip`, download: "" }, "Download all as one zip")),
        el("p", { className: "row" }, el("label", { className: "button slight", htmlFor: "newer" }, "Hand in a newer file of this part, with these choices", newer)),
        table("Files", ["File", "Size", "Look at it"], part().files.map(made)),
        el("h2", null, `Worked out in ${number(revision().seconds, 1)} s`),
        table("Steps of the work", ["Step", "How", "Time"], revision().summary.took.map(step)),
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
    announce(`Operation ${o.number}: ${plural(faces.length, "face")} marked`);
  }

  function holding(setups) {
    const row = s => el("tr", null, el("th", { scope: "row" }, s.number), el("td", null, processMark(s.process)), el("td", { className: "figures" }, s.from_side),
      el("td", null, s.held_by, s.grade === "holds" ? "" : ` (${s.grade})`), el("td", null, s.reason), el("td", null, s.refused.map(r => el("div", null, `${r.way}: ${r.reason}`))));
    return setups.length === 0 ? [] : [
      el("h2", { id: "holding", tabIndex: -1 }, "How each setup is held"),
      table("Holding", ["Setup", "Process", "Up", "Held by", "How", "Asked before"], setups.map(row)),
      el("p", { className: "quiet" }, "Forces, stresses and areas are estimates: a person who knows the machine looks first."),
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
    }, name, name in counts ? el("span", { className: "count" }, ` ${counts[name]}`) : "")));
  }

  function drawPanel() {
    drawTabs();
    drawn = turn;
    panel.setAttribute("aria-labelledby", `tab-${tab}`);
    panel.replaceChildren(...[views[tab]()].flat(9).filter(Boolean));
    choose(chosen);
  }

  function drawBlock() {
    const p = route()?.part, cell = (name, value, wide) => el("div", { className: wide ? "wide" : "" }, el("dt", null, name), el("dd", null, value || "–"));
    block.replaceChildren(
      cell("Part", p?.name ?? job.parts[place]?.name ?? job.name, true),
      cell("File", job.name, true),
      cell("Revision", `r${turn}`), cell("Material", p?.material ?? ""),
      cell(inUnit("Box, mm"), p ? p.box_mm.map(v => measure(v, "mm", 2, true)).join(" × ") : "", true),
      cell("Working side, model", p?.working_side ?? ""), cell(inUnit("Volume, mm³"), p ? measure(p.volume_mm3, "mm3", 0, true) : ""),
      cell("Pieces", String(job.parts[place]?.count ?? "")), cell("Handed in", when(job.created)));
  }

  function drawHead() {
    title.textContent = job.parts[place]?.name ?? job.name;
    document.title = `${title.textContent} r${turn} – dieroute`;
    turns.replaceChildren(...job.revisions.map(r => el("option", { value: r.number, selected: r.number === turn }, `r${r.number} ${r.state}`)));
    parts.replaceChildren(...job.parts.map((p, n) => el("option", { value: n, selected: n === place }, p.count > 1 ? `${p.name} (${p.count})` : p.name)));
    document.getElementById("part-field").hidden = job.parts.length < 2;
    const before = job.revisions.filter(r => r.state === "done" && r.number < turn).at(-1);
    tools.replaceChildren(...[
      revision().state === "done" && el("a", { className: "button", id: "zip", href: `${path()}/all.zip`, download: "" }, "Download zip"),
      before && revision().state === "done" && el("a", { className: "button slight", href: `#/compare/${id}.${before.number}.${place}/${id}.${turn}.${place}` }, `Compare with r${before.number}`),
    ].filter(Boolean));
  }

  const busy = () => ["running", "waiting"].includes(revision().state);

  function drawState() {
    const { state, stage: what, share, error } = revision();
    main.dataset.state = state;
    progress.hidden = !busy();
    bar.value = share;
    doing.textContent = (planned > place ? "The plan stands, its papers follow: " : "") + (what || state);
    trouble.hidden = busy() || state === "done";
    trouble.classList.toggle("held", state === "held");
    if (state === "held") { drawHeld(); return; }
    trouble.replaceChildren(...(trouble.hidden ? [] : [
      el("p", { role: "alert" }, error || (state === "interrupted" ? "interrupted: the server was stopped while it worked." : state)), " ",
      canHelp(revision()) && el("button", { type: "button", onclick: () => ask(() => post(`${path()}/again`)) }, "Run again")].filter(Boolean)));
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
    lost = !revision() || (job.parts.length > 0 && !job.parts[place]);
    if (lost) {
      main.replaceChildren(el("p", { className: "quiet" }, "There is nothing to show here. ", el("a", { href: "#/" }, "To the jobs")));
      throw new Error(revision() ? "there is no such part." : "there is no such revision.");
    }
    drawHead(); drawState(); drawBlock();
    if (!seen && job.parts.length > place) await see();
    else if (!seen && busy()) peek();
    // Early only where nothing is shown yet: else it would take from under a person what they decide on.
    if (revision().state !== "done" && (told || planned <= place)) {
      if (!told) { tabs.replaceChildren(); panel.replaceChildren(el("p", { className: "quiet" }, "Features, operations and flags come here when the work is done.")); }
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

  // What the file draws before it is read with care; the true part takes its place.
  async function peek() {
    if (seen) return;
    try {
      const model = await get(`/api/jobs/${id}/view/preview`);
      if (!closed && !seen) view.load(model);
    } catch { /* not there yet, or no longer needed */ }
  }

  async function see() {
    const model = await ask(() => get(`/api/jobs/${id}/view/${place}`));
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
      const moved = Number(place_ ?? 0) !== place, here = !moved && Number(number_ ?? 1) === turn;
      restoring = true;
      recall(asked);
      if (here && route()) drawPanel();
      restoring = false;
      if (here) return true;
      [turn, place] = [Number(number_ ?? 1), Number(place_ ?? 0)];
      planned = 0;
      if (moved) { seen = false; told = null; chosen = null; }
      ask(async () => {
        await refresh();
        if (told && busy() && tab === "Choices") drawPanel(); // else it would send those of the revision before
      });
      return true;
    },
    hear({ revision: now, seen: count, planned: ready, number: which, job: whose, gone, preview }) {
      if (gone === id) { location.hash = "#/"; return; }
      if (preview === id) { peek(); return; }
      if (whose === id && ready) { if (which === turn) { planned = ready; ask(load); } return; }
      if (whose === id && count > place && !seen) { ask(async () => { job = await get(`/api/jobs/${id}`); await load(); }); return; }
      if (now?.job !== id) return;
      const known = job.revisions.find(r => r.number === now.number);
      const before = known?.state;
      if (known) Object.assign(known, now); else job.revisions.push(now);
      if (now.number !== turn) { drawHead(); return; }
      drawState();
      if (now.state === "running" && now.stage) announce(`${now.stage}, ${Math.round(now.share * 100)} percent`);
      if (before !== now.state) { announce(`${job.name}: ${now.state} ${now.error}`); ask(refresh); }
    },
    close() { closed = true; delete main.dataset.state; view.close(); document.title = "dieroute"; },
  };
}
