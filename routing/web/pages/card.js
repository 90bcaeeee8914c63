// One feature: sizes, the answers of all processes, flags, and what a person may decide about it.

import { terms } from "./api.js";
import { blamed, el, field, measure, misread, number, plural, size, table } from "./dom.js";
import { edgeMark, keyOf, nameOf, processMark, severity } from "./marks.js";
import { saidFlag } from "./questions.js";

const AS_FOUND = "";

export function featureCard(feature, route, { answer, choose }) {
  if (!feature) {
    return [el("p", { className: "quiet" }, route ? "Click a face, or a row of a table, to see the feature it belongs to." : "")];
  }
  const flags = route.flags.filter(f => f.feature === feature.id);
  const thread = feature.thread?.designation ?? (feature.thread ? `thread? ${feature.thread.asked.join(", ")}` : "");
  return [
    el("h2", null, `${feature.id} ${feature.kind} `, thread && el("span", null, thread), " ",
      el("button", { type: "button", className: "slight", onclick: () => choose(null) }, "Let go")),
    el("p", { className: "row" }, processMark(keyOf(feature)), el("span", null, plural(feature.faces.length, "face")),
      el("span", null, feature.opens_to.length ? `opens to ${feature.opens_to.join(" ")}` : "open to no side"),
      el("span", null, `confidence ${number(feature.confidence, 2)}`)),
    el("ul", { className: "sizes-list" }, Object.entries(feature.dims).map(([k, v]) => el("li", null, size(k, v)))),
    flags.length > 0 && el("ul", { className: "plain flags" }, flags.map(f => el("li", { className: f.severity }, severity(f.severity), " ", saidFlag(f)))),
    feature.why.length > 0 && table(`What each process answers for ${feature.id}`, ["Process", "Answer", "Why", "Left, mm³"], feature.why.map(v => el("tr", { className: v.process === feature.process ? "taken" : "" },
      el("th", { scope: "row" }, processMark(v.process)),
      el("td", null, v.workable ? "can" : "cannot", v.process === feature.process ? ", taken" : ""),
      el("td", null, v.reason),
      el("td", { className: "figures" }, v.workable || !v.shortfall_mm3 ? "" : number(v.shortfall_mm3, 3)))), "verdicts"),
    feature.kind !== "outside face" && decide(feature, answer),
    el("details", null, el("summary", null, "Why it was taken for this"), el("ul", null, feature.evidence.map(e => el("li", null, e)))),
  ].filter(Boolean);
}

function decide(feature, answer) {
  const said = el("p", { role: "alert" });
  const usual = feature.allowance_mm;
  const left = (id, name) => usual && el("input", { id, type: "number", min: 0, max: 5, step: "any", value: usual[name], required: true });
  const floor = left("decide-floor", "floor"), wall = left("decide-wall", "wall"), edges = edgeChoice();
  const process = el("select", { id: "decide-process" }, el("option", { value: AS_FOUND }, "as it is"), el("option", { value: "-" }, "by the trade's order"),
    terms.processes.map(p => el("option", { value: p }, nameOf(p))));
  const isHole = feature.kind === "hole" || feature.kind === "threaded hole";
  const sizes = el("datalist", { id: "sizes" }, [...new Set([...(feature.thread?.asked ?? []), "plain", "M3", "M4", "M5", "M6", "M8", "M10", "M12"])].map(s => el("option", { value: s })));
  const thread = el("input", { id: "decide-thread", list: "sizes", autocomplete: "off", spellcheck: false, placeholder: feature.thread?.designation ?? "as it is" });
  const kind = el("select", { id: "decide-kind" }, el("option", { value: AS_FOUND }, "as it is"), terms.kinds.map(k => el("option", { value: k }, k)));
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
    if (!Object.keys(answers).length) { said.textContent = "Nothing was changed."; return; }
    const at = { ...(isHole ? { threads: thread } : {}), ...(usual ? { allowances: floor } : {}) };
    try { await answer(feature.id, answers); } catch (error) { if (!blamed(error, at)) said.textContent = error.message; }
  };
  return el("form", { className: "row decide", onsubmit: send, noValidate: true, ariaLabel: `Decide about ${feature.id}` },
    field("decide-process", "Process", process),
    isHole && [field("decide-thread", "Thread", thread), sizes],
    field("decide-kind", "Kind", kind),
    field("decide-edges", "All its edges", edges),
    usual && [field("decide-floor", "Left on its floors, mm", floor), field("decide-wall", "on its walls, mm", wall)],
    el("button", { type: "submit" }, "Work it out again"), said);
}

const edgeChoice = () => el("select", { id: "decide-edges" }, el("option", { value: AS_FOUND }, "as it is"),
  el("option", { value: "-" }, "by what it is for"), terms.breaks.map(b => el("option", { value: b }, b)));

// One edge, all its pieces together: what becomes of it, why, and what a person may decide.
export function edgeCard(edge, { answer, choose, pick }) {
  const said = el("p", { role: "alert" }), verdict = edgeChoice();
  const send = async event => {
    event.preventDefault();
    if (!verdict.value) { said.textContent = "Nothing was changed."; return; }
    try { await answer(edge.id, { edge: verdict.value === "-" ? null : verdict.value }); } catch (error) { said.textContent = error.message; }
  };
  return [
    el("h2", null, `Edge ${edge.id} `, el("button", { type: "button", className: "slight", onclick: () => choose(null) }, "Let go")),
    el("p", { className: "row" }, edgeMark(edge.verdict), el("span", null, `${measure(edge.settle.size_mm, "mm", 2)} long`),
      el("span", null, "between ", pick(edge.features[0]), " and ", pick(edge.features[1]))),
    el("p", null, edge.reason),
    el("form", { className: "row decide", onsubmit: send, ariaLabel: `Decide about edge ${edge.id}` },
      field("decide-edges", "This edge", verdict), el("button", { type: "submit" }, "Work it out again"), said),
  ];
}
