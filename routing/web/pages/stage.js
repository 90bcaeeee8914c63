// The 3-D view with what belongs to it: views, section, setups with their stock and holding, measuring, legend.

import { makeViewer, edgeLooks } from "/pages/viewer.js";
import { get, terms } from "./api.js";
import { el, measure } from "./dom.js";
import { markLayer } from "./layer.js";
import { LOOKS, edgeSample, keyOf, nameOf, swatch } from "./marks.js";
import { measuring } from "./measuring.js";
import { WORDS } from "./words.js";

const W = WORDS.stage;
const GREY = "#c9ced2";
const MANY_EDGES = 250; // from here on their lines are thin, unless a person says otherwise
const OFF = { left: "#b8860b", cut: "#b3261e", none: "#e4e8ea" }; // of faces that do not end at size
const OWN = new Set(W.views.map(([v]) => v));

// Colours, and hatches where they are wanted, of every face of a route.
export function paint(viewer, route, hatched) {
  const colours = new Map(), hatches = new Map();
  for (const feature of route.features) {
    const sign = terms.signs[keyOf(feature)];
    for (const { index } of feature.faces) {
      colours.set(index, sign?.colour ?? GREY);
      if (hatched && sign) hatches.set(index, sign.hatch_deg);
    }
  }
  viewer.setColours(colours);
  viewer.setHatch(hatches);
}

// The part as machining on paper leaves it: where something stays on, where something is cut into it.
function paintOff(viewer, route) {
  const off = new Map(route.dry_run.off_mm.map(({ face, mm }) => [face, mm > 0 ? OFF.left : OFF.cut]));
  viewer.setColours(new Map(route.features.flatMap(f => f.faces.map(({ index }) => [index, off.get(index) ?? OFF.none]))));
  viewer.setHatch(new Map());
}

// Lines of an arrow from one point to another, its head in the plane of `across`, as a body's edges have them.
function arrow(from, to, across) {
  const way = to.map((v, k) => v - from[k]), long = Math.hypot(...way), head = Math.min(6, 0.35 * long) / (long || 1);
  const barb = s => to.map((v, k) => v - way[k] * head + s * across[k] * long * head * 0.4);
  return [[from, to], [barb(1), to, barb(-1)]].map(points => ({ points: btoa(String.fromCharCode(...new Uint8Array(new Float32Array(points.flat()).buffer))) }));
}

// From where a tool comes down onto a body; a wheel's way to and fro besides.
function ways({ low, high }, { x, y, z }, traverse) {
  const middle = low.map((v, k) => (v + high[k]) / 2), reach = way => low.reduce((sum, v, k) => sum + Math.abs(way[k]) * (high[k] - v), 0) / 2;
  const at = (up, along = 0) => middle.map((v, k) => v + z[k] * (reach(z) + up) + (traverse?.[k] ?? 0) * along);
  const size = Math.max(reach(x), reach(y)), down = arrow(at(0.6 * size), at(0.08 * size), x);
  if (!traverse) return down;
  const to = s => arrow(at(0.12 * size), at(0.12 * size, s * 0.5 * size), z);
  return [...down, ...to(1), ...to(-1)];
}

// `onMove` hears of another view or another step, from whatever it comes; `onMark` of a mark that was pressed.
export function stage({ onPick, onMove, onMark, complain }) {
  const axes = [[1, 0, 0], [0, 1, 0], [0, 0, 1]]; // the part's own, once its route is known; the viewer looks here
  let viewer = null, model = null, route = null, where = "", place = 0, byKey = new Map(), shown = null, chosen = new Set(), wanted = "";
  let picked = []; // the faces that are marked as one thing
  const gone = new Set(); // faces that a person hid

  const canvas = el("canvas");
  const frame = el("div", { className: "canvas" }, canvas, el("p", { className: "quiet waiting" }, W.waiting));
  const looks = el("select", { id: "view", onchange: () => { turnTo(looks.value); onMove(); } }, W.views.map(([v, words]) => el("option", { value: v }, words)),
    el("option", { value: "turned", hidden: true }, W.turned), el("option", { value: "machine", hidden: true }, W.machine));
  const axis = el("select", { id: "axis", onchange: () => { flipped = false; range(); cut(); } },
    el("option", { value: "" }, W.noSection), ["x", "y", "z"].map((a, n) => el("option", { value: n }, W.across(a))));
  const offset = el("input", { type: "range", id: "offset", min: 0, max: 1, step: 0.01, disabled: true, ariaLabel: W.place, oninput: () => cut() });
  const at = el("output", { htmlFor: "offset" });
  let flipped = false;
  const flip = el("button", { type: "button", id: "flip", className: "slight", onclick: () => { flipped = !flipped; cut(); } }, W.flip);
  const apart = el("input", { type: "checkbox", id: "apart", disabled: true, onchange: () => explode() });
  const stock = el("select", { id: "stock", disabled: true, onchange: () => step() });
  const walk = el("input", { type: "range", id: "walk", min: 0, max: 1, step: 1, value: 0, disabled: true, ariaLabel: W.walk, oninput: () => { stock.selectedIndex = Number(walk.value); step(); } });
  const veil = el("input", { type: "checkbox", id: "veil", disabled: true, onchange: () => body() });
  const holding = el("input", { type: "checkbox", id: "holders", checked: true, onchange: () => body() });
  const taking = el("input", { type: "checkbox", id: "taken", checked: true, onchange: () => body() });
  const weight = el("select", { id: "edge-lines", onchange: () => viewer?.setEdgeWeight(Number(weight.value)) }, W.weights.map(([v, words]) => el("option", { value: v }, words)));
  const others = el("select", { id: "others", onchange: () => conceal() }, W.rests.map(([v, words]) => el("option", { value: v }, words)));
  const hide = el("button", { type: "button", className: "slight", id: "hide", disabled: true, onclick: () => { for (const f of picked) gone.add(f); conceal(); } }, W.hide);
  const whole = el("button", { type: "button", className: "slight", id: "show-all", onclick: () => { gone.clear(); others.value = ""; conceal(); viewer?.frame(); } }, W.showAll);
  const hatch = el("input", { type: "checkbox", id: "hatch", checked: true, onchange: () => viewer && route && colours() });
  const marksOn = el("input", { type: "checkbox", id: "marks", checked: true, onchange: () => layer.show(marksOn.checked) });
  const tip = el("p", { className: "tip", hidden: true });
  const layer = markLayer({ onMark });
  const gauge = measuring({ ask: (first, second) => get(`${where}/${place}/measure?first=${first}${second ? `&second=${second}` : ""}`), complain,
    mark: (faces, edges) => { viewer?.setMarked(new Set(faces)); lines(edges); } });
  const legend = el("div", { className: "legend", role: "group", ariaLabel: W.legend });
  const cutting = el("span", { className: "cut", hidden: true }, offset, at, flip);
  const tick = (box, words) => el("p", { className: "tick" }, box, el("label", { htmlFor: box.id }, words));
  const veiling = tick(veil, W.veil), held = tick(holding, W.fixtures), takes = tick(taking, W.taken);
  veiling.hidden = held.hidden = takes.hidden = true;
  const named = (box, words, more) => el("p", { className: "field" }, el("label", { htmlFor: box.id }, words), box, more);
  const node = el("div", { className: "stage" },
    el("div", { className: "row controls" },
      named(looks, W.view), named(axis, W.section, cutting), named(stock, W.show, walk), veiling, held, takes,
      named(weight, W.edges), named(others, W.rest), hide, whole, gauge.button,
      tick(apart, W.apart), tick(hatch, W.hatch), tick(marksOn, W.marks)),
    frame, legend);
  stock.append(el("option", { value: "" }, W.part));

  function turnTo(name) {
    if (!viewer || !OWN.has(name)) return;
    viewer.setStand(null);
    viewer.setView(name);
    cut();
  }
  function range() {
    cutting.hidden = axis.value === "";
    offset.disabled = axis.value === "" || !viewer;
    if (offset.disabled) return;
    const [low, high] = viewer.range(Number(axis.value));
    Object.assign(offset, { min: low, max: high, step: (high - low) / 200, value: (low + high) / 2 });
  }
  function cut() {
    if (!viewer) return;
    const on = axis.value !== "";
    viewer.setSection(on ? Number(axis.value) : null, Number(offset.value), flipped);
    const [low] = on ? viewer.range(Number(axis.value)) : [0];
    at.textContent = on ? measure(Number(offset.value) - low, "mm", 1) : "";
  }

  // What is chosen stays; the others fade or go where that is asked.
  function conceal() {
    const rest = picked.length && others.value ? [...faces()].filter(f => !picked.includes(f)) : [];
    viewer?.setHidden(new Set([...gone, ...(others.value === "hide" ? rest : [])]), new Set(others.value === "fade" ? rest : []));
  }
  const faces = () => new Set((route?.features ?? []).flatMap(f => f.faces.map(({ index }) => index)));

  // The name of what the pointer is over; the card and the tables tell it without a pointer too.
  function name(face, edge) {
    const feature = face === null ? null : route?.features.find(f => f.faces.some(({ index }) => index === face));
    const run = edge === null ? null : route?.edges.find(e => e.place === model.edges[edge].place);
    tip.hidden = !feature && !run;
    tip.textContent = [feature && W.tip(feature.id, feature.kind, nameOf(keyOf(feature))), run && `${run.id} ${run.verdict}`].filter(Boolean).join(" · ");
  }

  // Each operation's features leave towards the side they are made from, the later the farther.
  function explode() {
    if (!viewer) return;
    const moves = new Map();
    if (apart.checked && route) {
      const long = Math.hypot(...model.high.map((v, k) => v - model.low[k]));
      const far = 0.5 * long / Math.max(1, route.operations.length);
      const seen = new Set();
      route.operations.forEach((operation, n) => {
        for (const key of operation.features) {
          const feature = route.features.find(f => f.id === key);
          if (!feature || seen.has(key) || keyOf(feature) === "blank") continue;
          seen.add(key);
          const side = [operation.from_side, ...feature.opens_to].find(s => /^[+-][xyz]$/.test(s)) ?? "+z";
          const way = axes["xyz".indexOf(side[1])], sign = side[0] === "-" ? -1 : 1;
          for (const { index } of feature.faces) moves.set(index, way.map(v => v * sign * far * (n + 1)));
        }
      });
    }
    viewer.setExplode(moves);
    layer.show(marksOn.checked && !apart.checked);
  }

  // The stage of the stock and the setup that an entry of the list stands for: a stage after a step of its
  // setup, or a setup as it begins, with the stock that comes into it.
  function entry(value) {
    const stages = route?.stock.stages ?? [], setups = route?.setups ?? [];
    if (value === "" || value === "off") return {};
    if (value[0] !== "s") return { stage: Number(value), setup: setups.find(s => s.number === stages[Number(value)]?.setup) };
    const setup = setups.find(s => s.number === Number(value.slice(1)));
    return { stage: stages.findLastIndex(s => s.setup < setup?.number), setup };
  }

  function colours() {
    if (stock.value === "off") paintOff(viewer, route); else paint(viewer, route, hatch.checked);
  }

  function step() {
    if (viewer) colours();
    const { setup } = entry(stock.value);
    if (viewer) { // as it lies there, seen from above
      if (setup?.zero) { viewer.setStand([setup.zero.x, setup.zero.y, setup.zero.z]); viewer.setView("iso"); looks.value = "machine"; cut(); }
      else if (looks.value === "machine") { looks.value = "iso"; turnTo("iso"); }
    }
    body();
    onMove();
  }

  async function body() {
    if (!viewer) return;
    const mine = shown = stock.value;
    walk.value = stock.selectedIndex;
    const { stage: number, setup } = entry(mine);
    const done = route?.stock.stages?.[number], bare = mine === "" || mine === "off";
    const before = mine[0] !== "s" && !bare && number > 0 && setup?.zero && !veil.checked && taking.checked;
    veiling.hidden = veil.disabled = bare;
    takes.hidden = bare || mine[0] === "s" || !number;
    held.hidden = !setup?.fixtures?.length;
    try {
      const [told, holders, taken] = await Promise.all([
        bare || number < 0 ? null : get(`${where}/${place}/stage/${number}`),
        !held.hidden && holding.checked ? get(`${where}/${place}/fixtures/${setup.number}`).catch(() => null) : null,
        before ? get(`${where}/${place}/stage/${number - 1}`) : null,
      ]);
      if (mine !== shown) return;
      const first = (told || holders) && frame.dataset.body !== mine;
      frame.dataset.body = mine;
      viewer.setBody(told ? mine : null, told, veil.checked);
      const traverse = setup?.steps.find(s => s.number === done?.step)?.traverse;
      viewer.setTaken(taken && { ...taken, edges: ways(taken, setup.zero, traverse) });
      viewer.setHolder(holders);
      if (first) viewer.frame();
      layer.show(marksOn.checked && (bare || veil.checked));
    } catch (error) {
      complain(error);
    }
  }

  // Every setup in the plan's order: as it begins, and after each step that takes something away.
  function listSteps() {
    const stages = route.stock.stages ?? [], option = (value, words) => el("option", { value }, words);
    const after = (s, n) => option(n, s.step ? W.step(s.step, s.name) : W.blank);
    const known = new Set((route.setups ?? []).map(s => s.number));
    const entries = stages.map((s, n) => [s, n]);
    return [option("", W.part), ...entries.filter(([s]) => !known.has(s.setup)).map(e => after(...e)),
      ...(stages.length ? route.setups ?? [] : []).flatMap(setup => [
        option(`s${setup.number}`, W.setup(setup.number, nameOf(setup.process), setup.from_side, setup.held_by)),
        ...entries.filter(([s]) => s.setup === setup.number).map(e => after(...e))]),
      ...(route.dry_run?.off_mm ? [option("off", W.off(route.dry_run.off_mm))] : [])];
  }

  function lines(more = []) {
    const drawn = edgeLooks(model, route.edges);
    model.edges.forEach(({ place: own }, i) => { if (chosen.has(own) || more.includes(own)) drawn.set(i, "chosen"); });
    viewer.setEdges(drawn);
  }

  function drawLegend() {
    const counts = Object.keys(terms.signs).map(key => [key, byKey.get(key) ?? []]).filter(([, own]) => own.length);
    legend.replaceChildren(
      ...counts.map(([key, own]) => el("button", {
        type: "button", ariaPressed: "false", onclick: e => {
          const on = e.currentTarget.getAttribute("aria-pressed") !== "true";
          for (const b of legend.querySelectorAll("button")) b.setAttribute("aria-pressed", "false");
          e.currentTarget.setAttribute("aria-pressed", String(on));
          viewer?.setMarked(new Set(on ? own : []));
        },
      }, swatch(key), " ", nameOf(key))),
      ...Object.entries(LOOKS).map(([verdict, look]) => el("span", { className: "edges" }, edgeSample(look), ` ${verdict}`)));
  }

  return {
    node,
    load(told) {
      if (viewer && model.positions === told.positions && model.face_of_triangle === told.face_of_triangle) return;
      viewer?.dispose();
      model = told;
      const fresh = el("canvas", { ariaLabel: W.help });
      frame.replaceChildren(fresh, layer.node, gauge.node, tip);
      gone.clear();
      viewer = makeViewer(fresh, model, axes);
      viewer.onPick((face, edge) => {
        const at_ = edge === null ? null : model.edges[edge].place;
        if (gauge.on()) gauge.pick(face, at_); else onPick(face, at_);
      });
      viewer.onHover(name);
      viewer.onTurn((turn, named_) => { if (named_) viewer.setStand(null); looks.value = named_ ?? "turned"; if (named_) { cut(); onMove(); } });
      viewer.onDraw(() => { layer.place(viewer); gauge.place(viewer); });
      if (model.edges.length > MANY_EDGES && weight.value === W.weights[0][0]) weight.value = W.weights[1][0];
      viewer.setEdgeWeight(Number(weight.value));
      viewer.frame();
      frame.dataset.ready = "part";
    },
    show(told, path, part) {
      [route, where, place] = [told, path, part];
      "xyz".split("").forEach((a, n) => { axes[n] = route.part.frame[a]; });
      byKey = new Map();
      for (const feature of route.features) {
        const key = keyOf(feature), mine = byKey.get(key) ?? [];
        byKey.set(key, mine);
        mine.push(...feature.faces.map(({ index }) => index));
      }
      if (viewer) { lines(); turnTo(looks.value); layer.load(viewer, route); }
      const kept = wanted || stock.value;
      wanted = "";
      stock.replaceChildren(...listSteps());
      stock.value = [...stock.options].some(o => o.value === kept) ? kept : "";
      walk.max = stock.options.length - 1;
      stock.disabled = apart.disabled = false;
      walk.disabled = stock.options.length < 2;
      if (viewer) colours();
      gauge.ready();
      drawLegend();
      explode();
      if (entry(stock.value).setup && ["iso", "machine"].includes(looks.value)) step(); else body();
      range(); cut();
      frame.dataset.ready = "route";
    },
    // Turns the part so that a feature can be seen, where the chosen view hides it.
    look({ opens_to: sides }) {
      if (!OWN.has(looks.value)) { looks.value = "iso"; turnTo("iso"); }
      const seen = looks.value === "iso" ? ["+z", "+x", "-y"] : [looks.value];
      if (!sides.length || sides.some(s => seen.includes(s))) return;
      looks.value = sides.includes("+z") ? "iso" : sides[0];
      turnTo(looks.value);
      onMove();
    },
    state: () => ({ view: OWN.has(looks.value) && looks.value !== "iso" ? looks.value : "", step: wanted || stock.value }),
    // A view and a step from an address; those that are none are passed over.
    want({ view, step: value }) {
      looks.value = OWN.has(view) ? view : "iso";
      wanted = value ?? "";
      if (!viewer || !route) return;
      turnTo(looks.value);
      stock.value = [...stock.options].some(o => o.value === wanted) ? wanted : "";
      wanted = "";
      if (entry(stock.value).setup && looks.value === "iso") step(); else body();
    },
    // `edges` by their places in the solid.
    mark(own, edges = [], near = false) {
      viewer?.setMarked(new Set(own));
      picked = own;
      hide.disabled = !own.length;
      conceal();
      if (near && own.length) viewer?.zoomTo(new Set(own));
      if (viewer && route && (edges.length || chosen.size)) {
        chosen = new Set(edges);
        lines();
      }
      for (const b of legend.querySelectorAll("button")) b.setAttribute("aria-pressed", "false");
    },
    close() { viewer?.dispose(); },
  };
}
