// Signs of processes, edges and severities that do not need colour to be told apart: letter, hatch, words.

import { el, svg } from "./dom.js";
import { terms } from "./api.js";
import { WORDS } from "./words.js";

export const nameOf = key => terms.signs[key]?.said || key;

// Lines of a hatch across the right half of a swatch, which clips them.
const lines = turn => {
  const a = -turn * Math.PI / 180, [c, s] = [Math.cos(a), Math.sin(a)];
  return [-12, -6, 0, 6, 12].map(n => `M${10 - n * s - 20 * c} ${10 + n * c - 20 * s}l${40 * c} ${40 * s}`);
};

function isDark(hex) {
  const [r, g, b] = [1, 3, 5].map(i => parseInt(hex.slice(i, i + 2), 16) / 255)
    .map(c => (c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4));
  return 0.2126 * r + 0.7152 * g + 0.0722 * b < 0.19;
}

export function swatch(key) {
  const sign = terms.signs[key] ?? { colour: "#ffffff", letter: "", hatch_deg: [] };
  const fill = sign.colour, ink = isDark(fill) ? "#ffffff" : "#000000";
  return svg("svg", { class: "swatch", viewBox: "0 0 40 20", "aria-hidden": "true", focusable: "false" },
    svg("rect", { width: 40, height: 20, fill }),
    svg("svg", { x: 20, width: 20, height: 20, viewBox: "0 0 20 20" },
      sign.hatch_deg.flatMap(lines).map(d => svg("path", { d, stroke: ink, "stroke-width": 1.4, fill: "none" }))),
    svg("text", { x: 10, y: 15, "text-anchor": "middle", "font-size": 14, "font-weight": 700, fill: ink }, sign.letter),
    svg("rect", { x: 0.5, y: 0.5, width: 39, height: 19, fill: "none", stroke: "#1c2530" }));
}

export const processMark = key => el("span", { className: "process" }, terms.signs[key] && swatch(key), " ", nameOf(key));

export function edgeSample(look) {
  const [width, dash, stroke] = { sharp: [4, "", "#b80029"], break: [3, "7 4", "#17191e"], plain: [1.3, "", "#17191e"] }[look];
  return svg("svg", { class: "edge-sample", viewBox: "0 0 34 10", "aria-hidden": "true" },
    svg("path", { d: "M1 5H33", stroke, "stroke-width": width, "stroke-dasharray": dash }));
}

export const LOOKS = { "keep sharp": "sharp", "must break": "break", "may break": "plain" };
export const edgeMark = verdict => el("span", { className: "process" }, edgeSample(LOOKS[verdict]), " ", verdict);

// Whether another run could end otherwise than the last one did.
export const canHelp = ({ state, summary }) => ["failed", "interrupted"].includes(state) && !summary.lasting;

export const SIGNS = { blocking: "■", warning: "▲", note: "●" };
export const severity = (word, count) => el("span", { className: `severity ${word}` }, SIGNS[word] ?? "●", " ",
  count === undefined ? word : WORDS.severity[word](count));

// The palette's key of a feature: what comes with the blank is asked no process.
export const keyOf = feature =>
  feature.process === "none" && feature.kind === "outside face" ? "blank" : feature.process;
