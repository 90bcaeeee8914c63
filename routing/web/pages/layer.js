// Questions and flags over the picture, each at its feature: what can be seen full, what lies behind hollow.

import { el } from "./dom.js";
import { ownFlags } from "./questions.js";
import { SIGNS } from "./marks.js";
import { WORDS } from "./words.js";

const W = WORDS.stage;
const RANK = ["asked", "blocking", "warning", "note"];
const DENSE = 24; // from so many on they are small
const SETTLE_MS = 120; // after the last picture: what is hidden is looked for then

export function markLayer({ onMark }) {
  const node = el("div", { className: "marks", ariaHidden: "true" }); // the tables tell the same
  let marks = [], on = true, timer = 0;

  // The weightiest of what is said of each feature.
  function load(viewer, route) {
    const worst = new Map(), say = (feature, what) => {
      if (feature && !(RANK.indexOf(worst.get(feature)) <= RANK.indexOf(what) && worst.has(feature))) worst.set(feature, what);
    };
    for (const d of route.doubts) for (const key of d.features) say(key, "asked");
    for (const f of ownFlags(route)) say(f.feature, f.severity);
    marks = [...worst].map(([key, what]) => {
      const feature = route.features.find(f => f.id === key), own = new Set(feature?.faces.map(({ index }) => index));
      const at = feature && viewer.middle(own, !/hole|pocket|profile/.test(feature.kind));
      const said = what === "asked" ? W.asked : what;
      return at && { at, own, node: el("span", { className: `mark ${what}`, title: W.marked(key, said), onclick: () => onMark(key) }, what === "asked" ? "?" : SIGNS[what], el("small", null, key)) };
    }).filter(Boolean);
    node.classList.toggle("dense", marks.length >= DENSE);
    node.replaceChildren(...marks.map(m => m.node));
  }

  function place(viewer) {
    if (!on || !marks.length) return;
    for (const m of marks) {
      m.xy = viewer.project(m.at);
      m.node.hidden = viewer.isCut(m.at);
      m.node.style.transform = `translate(${m.xy[0].toFixed(1)}px, ${m.xy[1].toFixed(1)}px)`;
    }
    clearTimeout(timer);
    timer = setTimeout(() => {
      const placed = marks.filter(m => m.xy), seen = viewer.facesAt(placed.map(m => m.xy)); // some may be new since
      placed.forEach((m, n) => m.node.classList.toggle("behind", seen[n] !== null && seen[n] !== undefined && !m.own.has(seen[n])));
    }, SETTLE_MS);
  }

  return { node, load, place, show(yes) { on = yes; node.hidden = !yes; } };
}
