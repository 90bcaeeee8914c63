// The 3-D view with what belongs to it: views, section, explosion, stock, and the legend.

import { makeViewer, edgeLooks } from "/pages/viewer.js";
import { get, terms } from "./api.js";
import { el, measure } from "./dom.js";
import { LOOKS, edgeSample, keyOf, nameOf, swatch } from "./marks.js";
import { WORDS } from "./words.js";

const W = WORDS.stage;
const GREY = "#c9ced2";
const VIEWS = [["iso", "Isometric"], ["+z", "Working side"], ["-z", "Mounting side"], ["-y", "Front"], ["+y", "Back"], ["-x", "Left"], ["+x", "Right"]];

// `onMove` hears of another view or another step, from whatever it comes.
export function stage({ onPick, onMove, complain }) {
  const axes = [[1, 0, 0], [0, 1, 0], [0, 0, 1]]; // the part's own, once its route is known; the viewer looks here
  let viewer = null, model = null, route = null, where = "", place = 0, byKey = new Map(), shown = null, chosen = new Set(), wanted = "";
  let picked = []; // the faces that are marked as one thing
  const gone = new Set(); // faces that a person hid

  const canvas = el("canvas");
  const frame = el("div", { className: "canvas" }, canvas, el("p", { className: "quiet waiting" }, "The part appears here as soon as it is read."));
  const looks = el("select", { id: "view", onchange: () => { viewer?.setView(looks.value); onMove(); } }, VIEWS.map(([v, words]) => el("option", { value: v }, words)));
  const axis = el("select", { id: "axis", onchange: () => { range(); cut(); } },
    el("option", { value: "" }, "none"), ["x", "y", "z"].map((a, n) => el("option", { value: n }, `across ${a}`)));
  const offset = el("input", { type: "range", id: "offset", min: 0, max: 1, step: 0.01, disabled: true, ariaLabel: "Place of the section, mm", oninput: () => cut() });
  const at = el("output", { htmlFor: "offset" });
  const apart = el("input", { type: "checkbox", id: "apart", disabled: true, onchange: () => explode() });
  const stock = el("select", { id: "stock", disabled: true, onchange: () => { body(); onMove(); } });
  const veil = el("input", { type: "checkbox", id: "veil", disabled: true, onchange: () => body() });
  const weight = el("select", { id: "edge-lines", onchange: () => viewer?.setEdgeWeight(Number(weight.value)) }, W.weights.map(([v, words]) => el("option", { value: v }, words)));
  const others = el("select", { id: "others", onchange: () => conceal() }, W.rests.map(([v, words]) => el("option", { value: v }, words)));
  const hide = el("button", { type: "button", className: "slight", id: "hide", disabled: true, onclick: () => { for (const f of picked) gone.add(f); conceal(); } }, W.hide);
  const whole = el("button", { type: "button", className: "slight", id: "show-all", onclick: () => { gone.clear(); others.value = ""; conceal(); viewer?.frame(); } }, W.showAll);
  const tip = el("p", { className: "tip", hidden: true });
  const legend = el("div", { className: "legend", role: "group", ariaLabel: "Legend: press a process to mark its faces" });
  const cutting = el("span", { className: "cut", hidden: true }, offset, at);
  const veiling = el("p", { className: "tick", hidden: true }, veil, el("label", { htmlFor: "veil" }, "over the part"));
  const node = el("div", { className: "stage" },
    el("div", { className: "row controls" },
      el("p", { className: "field" }, el("label", { htmlFor: "view" }, "View"), looks),
      el("p", { className: "field" }, el("label", { htmlFor: "axis" }, "Section"), axis, cutting),
      el("p", { className: "field" }, el("label", { htmlFor: "stock" }, "Show"), stock),
      veiling,
      el("p", { className: "tick" }, apart, el("label", { htmlFor: "apart" }, "Explode by operation")),
      el("p", { className: "field" }, el("label", { htmlFor: "edge-lines" }, W.edges), weight),
      el("p", { className: "field" }, el("label", { htmlFor: "others" }, W.rest), others), hide, whole),
    frame, legend);
  stock.append(el("option", { value: "" }, "the part"));

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
    viewer.setSection(on ? Number(axis.value) : null, Number(offset.value));
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
  function name(face) {
    const feature = face === null ? null : route?.features.find(f => f.faces.some(({ index }) => index === face));
    tip.hidden = !feature;
    if (feature) tip.textContent = `${feature.id} ${feature.kind}, ${nameOf(keyOf(feature))}`;
  }

  // Each operation's features leave towards the side they are made from, the later the farther.
  function explode() {
    if (!viewer) return;
    const moves = new Map();
    if (apart.checked && route) {
      const long = Math.hypot(...model.high.map((v, k) => v - model.low[k]));
      const step = 0.5 * long / Math.max(1, route.operations.length);
      const seen = new Set();
      route.operations.forEach((operation, n) => {
        for (const key of operation.features) {
          const feature = route.features.find(f => f.id === key);
          if (!feature || seen.has(key) || keyOf(feature) === "blank") continue;
          seen.add(key);
          const side = [operation.from_side, ...feature.opens_to].find(s => /^[+-][xyz]$/.test(s)) ?? "+z";
          const way = axes["xyz".indexOf(side[1])], sign = side[0] === "-" ? -1 : 1;
          for (const { index } of feature.faces) moves.set(index, way.map(v => v * sign * step * (n + 1)));
        }
      });
    }
    viewer.setExplode(moves);
  }

  async function body() {
    if (!viewer) return;
    const mine = shown = stock.value;
    veiling.hidden = veil.disabled = mine === "";
    try {
      const told = mine === "" ? null : await get(`${where}/${place}/stage/${mine}`);
      if (mine === shown) viewer.setBody(told ? mine : null, told, veil.checked);
    } catch (error) {
      complain(error);
    }
  }

  function drawEdges() {
    const looks = edgeLooks(model, route.edges);
    model.edges.forEach(({ place: at }, i) => { if (chosen.has(at)) looks.set(i, "chosen"); });
    viewer.setEdges(looks);
  }

  function drawLegend() {
    const counts = Object.keys(terms.signs).map(key => [key, byKey.get(key) ?? []]).filter(([, faces]) => faces.length);
    legend.replaceChildren(
      ...counts.map(([key, faces]) => el("button", {
        type: "button", ariaPressed: "false", onclick: e => {
          const on = e.currentTarget.getAttribute("aria-pressed") !== "true";
          for (const b of legend.querySelectorAll("button")) b.setAttribute("aria-pressed", "false");
          e.currentTarget.setAttribute("aria-pressed", String(on));
          viewer?.setMarked(new Set(on ? faces : []));
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
      const fresh = el("canvas");
      frame.replaceChildren(fresh, tip);
      gone.clear();
      viewer = makeViewer(fresh, model, axes);
      viewer.onPick((face, edge) => onPick(face, edge === null ? null : model.edges[edge].place));
      viewer.onHover(name);
      viewer.setEdgeWeight(Number(weight.value));
      viewer.frame();
      frame.dataset.ready = "part";
    },
    show(told, path, part) {
      [route, where, place] = [told, path, part];
      "xyz".split("").forEach((a, n) => { axes[n] = route.part.frame[a]; });
      byKey = new Map();
      const colours = new Map();
      for (const feature of route.features) {
        const key = keyOf(feature), mine = byKey.get(key) ?? [];
        byKey.set(key, mine);
        for (const { index } of feature.faces) {
          mine.push(index);
          colours.set(index, terms.signs[key]?.colour ?? GREY);
        }
      }
      viewer?.setColours(colours);
      if (viewer) drawEdges();
      viewer?.setView(looks.value);
      const kept = wanted || stock.value;
      wanted = "";
      stock.replaceChildren(el("option", { value: "" }, "the part"),
        ...(route.stock.stages ?? []).map((s, n) => el("option", { value: n }, s.step ? `after step ${s.step}, ${s.name}` : "the blank")));
      stock.value = [...stock.options].some(o => o.value === kept) ? kept : "";
      stock.disabled = apart.disabled = false;
      drawLegend();
      explode();
      body();
      range(); cut();
      frame.dataset.ready = "route";
    },
    // Turns the part so that a feature can be seen, where the chosen view hides it.
    look({ opens_to: sides }) {
      const seen = looks.value === "iso" ? ["+z", "+x", "-y"] : [looks.value];
      if (!sides.length || sides.some(s => seen.includes(s))) return;
      looks.value = sides.includes("+z") ? "iso" : sides[0];
      viewer?.setView(looks.value);
      onMove();
    },
    state: () => ({ view: looks.value === "iso" ? "" : looks.value, step: wanted || stock.value }),
    // A view and a step from an address; those that are none are passed over.
    want({ view, step }) {
      looks.value = VIEWS.some(([v]) => v === view) ? view : "iso";
      wanted = step ?? "";
      if (!viewer || !route) return;
      viewer.setView(looks.value);
      stock.value = [...stock.options].some(o => o.value === wanted) ? wanted : "";
      wanted = "";
      body();
    },
    // `edges` by their places in the solid.
    mark(faces, edges = [], near = false) {
      viewer?.setMarked(new Set(faces));
      picked = faces;
      hide.disabled = !faces.length;
      conceal();
      if (near && faces.length) viewer?.zoomTo(new Set(faces));
      if (viewer && route && (edges.length || chosen.size)) {
        chosen = new Set(edges);
        drawEdges();
      }
      for (const b of legend.querySelectorAll("button")) b.setAttribute("aria-pressed", "false");
    },
    close() { viewer?.dispose(); },
  };
}
