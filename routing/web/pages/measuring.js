// Measuring in the view: two picks, and what lies between them as the kernel works it out.

import { el, measure, svg } from "./dom.js";
import { WORDS } from "./words.js";

const W = WORDS.measure;

export function measuring({ ask, complain, mark }) {
  let active = false, picks = [], found = null, serial = 0;
  const said = el("p", { role: "status" });
  const line = svg("line", { class: "gauge-line", x1: 0, y1: 0, x2: 0, y2: 0 });
  const ends = [0, 1].map(() => svg("circle", { r: 4, class: "gauge-end" }));
  const drawing = svg("svg", { class: "gauge-drawing", "aria-hidden": "true" }, line, ends);
  const again = el("button", { type: "button", className: "slight", onclick: () => start() }, W.again);
  const node = el("div", { className: "gauge", hidden: true }, drawing, el("div", { className: "gauge-said" }, said, again));
  const button = el("button", { type: "button", id: "measure", className: "slight", disabled: true, ariaPressed: "false", onclick: () => toggle(!active) }, WORDS.stage.measure);

  function toggle(on) {
    active = on;
    button.setAttribute("aria-pressed", String(on));
    node.hidden = !on;
    if (on) start(); else { picks = []; found = null; mark([], []); }
  }
  function start() {
    [picks, found] = [[], null];
    again.hidden = true;
    said.textContent = W.first;
    draw();
    mark([], []);
  }

  const thing = (m, n) => W.thing[m.kinds[n]] + (m.radii_mm[n] ? W.radius(measure(m.radii_mm[n])) : "");
  function words(m) {
    if (m.kinds.length === 1) return [thing(m, 0), m.area_mm2 ? W.area(measure(m.area_mm2, "mm2", 2)) : "", m.length_mm ? W.length(measure(m.length_mm)) : "", W.second];
    const least = m.distance_mm < 1e-6 ? W.touch : (W[m.through] ?? W.distance)(measure(m.distance_mm));
    const across = m.across_mm !== null && Math.abs(m.across_mm - m.distance_mm) > 1e-6 ? W.across(measure(m.across_mm)) : "";
    const angle = m.angle_deg === null ? "" : m.angle_deg < 0.01 ? W.parallel : W.angle(measure(m.angle_deg, "deg", 2));
    return [`${thing(m, 0)} – ${thing(m, 1)}`, least, across, angle, m.exact ? W.exact : W.near];
  }

  async function pick(face, edge) {
    if (face === null && edge === null) return;
    if (picks.length === 2) picks = [];
    picks.push(edge === null ? `f${face}` : `e${edge}`);
    const own = kind => picks.filter(p => p[0] === kind).map(p => Number(p.slice(1)));
    mark(own("f"), own("e"));
    said.textContent = W.wait;
    const mine = ++serial;
    try {
      const told = await ask(...picks);
      if (mine !== serial) return;
      found = told;
      said.textContent = words(told).filter(Boolean).join(", ");
      again.hidden = picks.length < 2;
      draw();
    } catch (error) { complain(error); }
  }

  let viewer = null;
  function draw() {
    const points = found?.between?.length === 2 && viewer ? found.between.map(p => viewer.project(p)) : [];
    drawing.style.display = points.length ? "" : "none";
    if (!points.length) return;
    const [[x1, y1], [x2, y2]] = points;
    for (const [k, v] of Object.entries({ x1, y1, x2, y2 })) line.setAttribute(k, v);
    points.forEach(([x, y], n) => { ends[n].setAttribute("cx", x); ends[n].setAttribute("cy", y); });
  }

  return { node, button, on: () => active, pick, ready() { button.disabled = false; }, place(seen) { viewer = seen; if (active) draw(); } };
}
