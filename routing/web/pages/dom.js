// Makes elements. Text goes in as text alone: nothing that a file says is ever read as markup.

import { WORDS } from "./words.js";

const SVG = "http://www.w3.org/2000/svg";

function fill(node, given, children) {
  for (const [name, value] of Object.entries(given ?? {})) {
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (name in node && !(node instanceof SVGElement) && !["list", "form"].includes(name)) node[name] = value;
    else if (value !== null && value !== false) node.setAttribute(name, value);
  }
  node.append(...children.flat(9).filter(c => c !== null && c !== undefined && c !== false));
  return node;
}

export const el = (tag, given, ...children) => fill(document.createElement(tag), given, children);
export const svg = (tag, given, ...children) => fill(document.createElementNS(SVG, tag), given, children);

// Every cell knows its head: on a narrow screen rows are cards.
export function table(caption, heads, rows, className = "") {
  for (const row of rows.flat(9)) [...(row?.cells ?? [])].forEach((cell, n) => { if (cell.tagName === "TD") cell.dataset.head = heads[n] ?? ""; });
  return el("div", { className: "scroll", tabIndex: 0, role: "region", ariaLabel: caption },
    el("table", { className },
      el("caption", { className: "unseen" }, caption),
      el("thead", null, el("tr", null, heads.map(h => el("th", { scope: "col" }, h)))),
      el("tbody", null, rows)));
}

// A labelled control, with room beside it for a hint and for what is wrong with it.
export function field(id, label, control, hint) {
  control.setAttribute("aria-describedby", `${hint ? `${id}-hint ` : ""}${id}-fault`);
  return el("p", { className: "field" }, el("label", { htmlFor: id }, label), control,
    hint && el("span", { className: "quiet", id: `${id}-hint` }, hint),
    el("span", { className: "fault", id: `${id}-fault`, role: "alert" }));
}

// Says at a control what is wrong with it; no words: nothing is.
export function blame(control, words = "") {
  if (words) control.setAttribute("aria-invalid", "true"); else control.removeAttribute("aria-invalid");
  document.getElementById(`${control.id}-fault`).textContent = words;
}

// Blames every number that is none, or out of its limits; true when there is such a one.
export function misread(controls) {
  const wrong = controls.filter(c => {
    const { valid } = c.validity;
    blame(c, valid ? "" : WORDS.field.limits(c.min, c.max));
    return !valid;
  });
  wrong[0]?.focus();
  return wrong.length > 0;
}

// The server's one line at the control that it is about, by its first word; false when it is about none.
export function blamed(error, controls) {
  const [, name] = error.message.match(/^(\w+)/) ?? [], control = controls[name];
  if (!control) return false;
  blame(control, error.message);
  control.focus();
  return true;
}

export const number = (value, digits = 3) =>
  value === null || value === undefined ? "" : String(Number(Number(value).toFixed(digits)));

// Thousands apart by a narrow space, as ISO 80000-1 has it, whatever the reader's own language.
export const grouped = (value, digits = 3) => number(value, digits).replace(/^-?\d{4,}/, d => d.replace(/\B(?=(\d{3})+$)/g, "\u202f"));

// Minutes as people say them: 45 min, 3.2 h.
const UNITS = WORDS.units;
export const hours = minutes => (minutes < 60 ? `${number(minutes, 0)}${UNITS.min}` : `${grouped(minutes / 60, minutes < 6000 ? 1 : 0)}${UNITS.hours}`);

// Lengths are millimetres everywhere inside; only what is shown may be in inches, of 25.4 mm each.
const INCH = { mm: [25.4, UNITS.inch, 4], mm2: [25.4 ** 2, UNITS.inch2, 5], mm3: [25.4 ** 3, UNITS.inch3, 5] };
export const unit = { inch: localStorage.getItem("unit") === "inch" };
export function setInch(on) { unit.inch = on; localStorage.setItem("unit", on ? "inch" : "mm"); }

// A length, area or volume with its unit; without one where `bare`, for a column whose head has it.
export function measure(value, kind = "mm", digits = 3, bare = false) {
  if (value === null || value === undefined) return "";
  const [by, sign, finer] = unit.inch && INCH[kind] ? INCH[kind] : [1, UNITS[kind] ?? "", digits];
  return grouped(value / by, finer) + (bare ? "" : sign);
}
export const inUnit = words => (unit.inch ? words.replace(/\bmm(?=[²³]|$)/, "in") : words);

// "depth_mm": 12 as "depth 12 mm".
export function size(name, value) {
  const [, words, kind] = name.match(/^(.*?)_(mm3|mm2|mm|deg|min)$/) ?? [null, name, ""];
  return `${words.replaceAll("_", " ")} ${measure(value, kind)}`;
}

export const when = text => new Date(text).toLocaleString([], { dateStyle: "medium", timeStyle: "short" });
