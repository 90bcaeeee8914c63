// What must be settled: one question for each group of equal features, many answers given in one go.

import { el, number } from "./dom.js";
import { severity } from "./marks.js";
import { WORDS } from "./words.js";

const W = WORDS.questions;
const REPEATS = { thread: ["thread-ambiguous"] }; // flags that only repeat a question, by what it asks for

// Flags that no question stands for already.
export const ownFlags = route => route.flags.filter(f => !route.doubts.some(d => repeats(d, f)));
const repeats = (d, f) => (REPEATS[d.settle.answer] ?? []).includes(f.code) && d.features.includes(f.feature);

// A flag as this page says it: what to type at a command line is of no use here.
export const saidFlag = flag => (WORDS.flags[flag.code] ?? (text => text))(flag.message);

// Holes with a straight bore of this diameter, as an answer for the diameter counts for them.
const SAME_MM = 0.001;
const ofDiameter = (route, diameter) => route.features.filter(f => ["hole", "threaded hole"].includes(f.kind)
  && f.bores.some(b => b.start_diameter_mm === b.end_diameter_mm && Math.abs(b.start_diameter_mm - diameter) < SAME_MM));

// `given` is the map of answers so far, by the question's feature; `send(decisions)` has them worked out.
export function questionsPanel(route, { given, pick, send, redraw }) {
  const said = el("p", { role: "alert" });
  const open = route.doubts.map(d => question(route, d, { given, pick, redraw }));
  const decisions = () => route.doubts.filter(d => given.get(d.feature)?.answer).map(d => {
    const { answer, whole } = given.get(d.feature), answers = { [d.settle.answer]: answer };
    return whole ? { features: whole.features, diameter_mm: whole.diameter, answers } : { features: d.features, answers };
  });
  const go = async event => {
    event.currentTarget.disabled = true;
    try { await send(decisions()); } catch (error) { said.textContent = error.message; redraw(); }
  };
  const count = decisions().length;
  return [el("h2", null, W.title), el("ul", { className: "plain questions" }, open),
    el("div", { className: "row answer-all" },
      el("button", { type: "button", id: "answer-all", disabled: !count, onclick: go }, W.send(count)),
      el("span", { className: "quiet", role: "status" }, W.answered(count, route.doubts.length)),
      count > 0 && el("button", { type: "button", className: "slight", onclick: () => { given.clear(); redraw("answer-all"); } }, W.forget)), said];
}

function question(route, d, { given, pick, redraw }) {
  const now = given.get(d.feature) ?? {}, id = `ask-${d.feature}`;
  const blocks = route.flags.some(f => f.severity === "blocking" && repeats(d, f));
  const set = (more, at) => { given.set(d.feature, { ...now, ...more }); redraw(at); };
  const choice = d.answers.length > 4
    ? el("select", { id: `${id}-0`, ariaLabel: W.answerFor(d.feature), onchange: e => set({ answer: e.target.value }, `${id}-0`) },
      el("option", { value: "" }, W.leave), d.answers.map(a => el("option", { value: a, selected: a === now.answer }, a)))
    : d.answers.map((a, n) => el("button", { type: "button", id: `${id}-${n}`, ariaPressed: String(a === now.answer),
      onclick: () => set({ answer: a === now.answer ? "" : a }, `${id}-${n}`) }, a));
  return el("li", { className: blocks ? "doubt blocking" : "doubt" },
    el("p", null, blocks && [severity("blocking"), " "], d.features.length > 1 && `${W.equal(d.features.length)} `, d.features.map(key => [pick(key), " "]), d.question),
    el("div", { className: "row", role: "group", ariaLabel: W.answerFor(d.feature) }, choice, whole(route, d, now, set, id)));
}

// The same answer for every hole of the diameter, where that is more than is asked here.
function whole(route, d, now, set, id) {
  const diameter = route.features.find(f => f.id === d.feature)?.dims.diameter_mm;
  if (d.settle.answer !== "thread" || !diameter) return null;
  const features = ofDiameter(route, diameter).map(f => f.id);
  if (features.length <= d.features.length) return null;
  const box = el("input", { type: "checkbox", id: `${id}-whole`, checked: Boolean(now.whole),
    onchange: e => set({ whole: e.target.checked ? { diameter, features } : null }, `${id}-whole`) });
  return el("span", { className: "tick" }, box, el("label", { htmlFor: `${id}-whole` }, W.whole(features.length, number(diameter))));
}
