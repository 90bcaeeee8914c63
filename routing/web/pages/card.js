// One feature: sizes, the answers of all processes, flags, and what a person may decide about it.

import { terms } from "./api.js";
import { blamed, el, field, inUnit, measure, misread, number, size, table } from "./dom.js";
import { edgeMark, keyOf, nameOf, processMark, severity } from "./marks.js";
import { saidFlag } from "./questions.js";
import { WORDS } from "./words.js";

const W = WORDS.card;
const AS_FOUND = "";

export function featureCard(feature, route, { answer, choose }) {
  if (!feature) {
    return [el("p", { className: "quiet" }, route ? W.hint : "")];
  }
  const flags = route.flags.filter(f => f.feature === feature.id);
  const thread = feature.thread?.designation ?? (feature.thread ? W.threadAsked(feature.thread.asked.join(", ")) : "");
  return [
    el("h2", null, `${feature.id} ${feature.kind} `, thread && el("span", null, thread), " ",
      el("button", { type: "button", className: "slight", onclick: () => choose(null) }, W.letGo)),
    el("p", { className: "row" }, processMark(keyOf(feature)), el("span", null, WORDS.plural.face(feature.faces.length)),
      el("span", null, feature.opens_to.length ? W.opens(feature.opens_to.join(" ")) : W.closed),
      el("span", null, W.confidence(number(feature.confidence, 2)))),
    el("ul", { className: "sizes-list" }, Object.entries(feature.dims).map(([k, v]) => el("li", null, size(k, v)))),
    flags.length > 0 && el("ul", { className: "plain flags" }, flags.map(f => el("li", { className: f.severity }, severity(f.severity), " ", saidFlag(f)))),
    feature.why.length > 0 && table(W.answers(feature.id), W.heads.map(inUnit), feature.why.map(v => el("tr", { className: v.process === feature.process ? "taken" : "" },
      el("th", { scope: "row" }, processMark(v.process)),
      el("td", null, v.workable ? W.can : W.cannot, v.process === feature.process ? W.taken : ""),
      el("td", null, v.reason),
      el("td", { className: "figures" }, v.workable || !v.shortfall_mm3 ? "" : measure(v.shortfall_mm3, "mm3", 3, true)))), "verdicts"),
    feature.kind !== "outside face" && decide(feature, answer),
    el("details", null, el("summary", null, W.evidence), el("ul", null, feature.evidence.map(e => el("li", null, e)))),
  ].filter(Boolean);
}

function decide(feature, answer) {
  const said = el("p", { role: "alert" });
  const usual = feature.allowance_mm;
  const left = (id, name) => usual && el("input", { id, type: "number", min: 0, max: 5, step: "any", value: usual[name], required: true });
  const floor = left("decide-floor", "floor"), wall = left("decide-wall", "wall"), edges = edgeChoice();
  const process = el("select", { id: "decide-process" }, el("option", { value: AS_FOUND }, W.asIs), el("option", { value: "-" }, W.byOrder),
    terms.processes.map(p => el("option", { value: p }, nameOf(p))));
  const isHole = feature.kind === "hole" || feature.kind === "threaded hole";
  const sizes = el("datalist", { id: "sizes" }, [...new Set([...(feature.thread?.asked ?? []), W.plain, "M3", "M4", "M5", "M6", "M8", "M10", "M12"])].map(s => el("option", { value: s })));
  const thread = el("input", { id: "decide-thread", list: "sizes", autocomplete: "off", spellcheck: false, placeholder: feature.thread?.designation ?? W.asIs });
  const kind = el("select", { id: "decide-kind" }, el("option", { value: AS_FOUND }, W.asIs), terms.kinds.map(k => el("option", { value: k }, k)));
  const send = async event => {
    event.preventDefault();
    const answers = {};
    if (process.value) answers.process = process.value === "-" ? null : process.value;
    if (isHole && thread.value.trim()) answers.thread = thread.value.trim();
    if (kind.value) answers.is = kind.value;
    if (edges.value) answers.edge = edges.value === "-" ? null : edges.value;
    if (usual) {
      if (misread([floor, wall])) return;
      const given = [Number(floor.value), Number(wall.value)];
      if (given[0] !== usual.floor || given[1] !== usual.wall) answers.allowance = given;
    }
    if (!Object.keys(answers).length) { said.textContent = W.unchanged; return; }
    const at = { ...(isHole ? { threads: thread } : {}), ...(usual ? { allowances: floor } : {}) };
    try { await answer(feature.id, answers); } catch (error) { if (!blamed(error, at)) said.textContent = error.message; }
  };
  return el("form", { className: "row decide", onsubmit: send, noValidate: true, ariaLabel: W.decide(feature.id) },
    field("decide-process", W.process, process),
    isHole && [field("decide-thread", W.thread, thread), sizes],
    field("decide-kind", W.kind, kind),
    field("decide-edges", W.edges, edges),
    usual && [field("decide-floor", W.floors, floor), field("decide-wall", W.walls, wall)],
    el("button", { type: "submit" }, W.again), said);
}

const edgeChoice = () => el("select", { id: "decide-edges" }, el("option", { value: AS_FOUND }, W.asIs),
  el("option", { value: "-" }, W.byUse), terms.breaks.map(b => el("option", { value: b }, b)));

// One edge, all its pieces together: what becomes of it, why, and what a person may decide.
export function edgeCard(edge, { answer, choose, pick }) {
  const said = el("p", { role: "alert" }), verdict = edgeChoice();
  const send = async event => {
    event.preventDefault();
    if (!verdict.value) { said.textContent = W.unchanged; return; }
    try { await answer(edge.id, { edge: verdict.value === "-" ? null : verdict.value }); } catch (error) { said.textContent = error.message; }
  };
  return [
    el("h2", null, W.edge(edge.id), " ", el("button", { type: "button", className: "slight", onclick: () => choose(null) }, W.letGo)),
    el("p", { className: "row" }, edgeMark(edge.verdict), el("span", null, W.long(measure(edge.settle.size_mm, "mm", 2))),
      el("span", null, W.between, pick(edge.features[0]), W.and, pick(edge.features[1]))),
    el("p", null, edge.reason),
    el("form", { className: "row decide", onsubmit: send, ariaLabel: W.decideEdge(edge.id) },
      field("decide-edges", W.thisEdge, verdict), el("button", { type: "submit" }, W.again), said),
  ];
}
