// What the last answers changed, against the revision that they were given to, and one step back.

import { el, grouped, hours } from "./dom.js";
import { nameOf, severity } from "./marks.js";
import { saidFlag } from "./questions.js";
import { WORDS } from "./words.js";

const W = WORDS.changes;

const step = ([was, now], said = String) => W.from(said(was), said(now));
const by = ([was, now], said) => (was === null || now === null ? "" : W.by(`${now < was ? "−" : "+"}${said(Math.abs(now - was))}`));
const listed = (name, rows) => rows.length > 0 && el("details", null, el("summary", null, name), el("ul", null, rows.map(r => el("li", null, r))));
const flag = (f, pick) => [severity(f.severity), " ", f.feature && [pick(f.feature), " "], saidFlag(f)];

export function changesStrip(found, { back, pick }) {
  const figure = (name, pair, said, more) => pair && el("span", { className: "change" }, el("b", null, name), " ", step(pair, said), more && by(pair, more));
  const rows = (list, said = String) => list.map(c => [pick(c.feature), " ", W.from(said(c.was), said(c.now))]);
  const told = [
    figure(W.side, found.side), figure(W.features, found.features), figure(W.setups, found.setups),
    figure(W.hours, found.minutes, v => (v === null ? "–" : hours(v)), v => W.minutes(grouped(v, 1))),
    figure(W.money, found.cost, v => (v === null ? "–" : `${grouped(v, 0)} ${found.currency}`), v => grouped(v, 2)),
    figure(W.asked, found.asked),
    listed(W.kinds(found.kinds.length), rows(found.kinds)),
    listed(W.processes(found.processes.length), rows(found.processes, nameOf)),
    listed(W.gone(found.flags_gone.length), found.flags_gone.map(f => [severity(f.severity), " ", saidFlag(f)])),
    listed(W.fresh(found.flags_new.length), found.flags_new.map(f => flag(f, pick))),
  ].filter(Boolean);
  return [el("h2", null, W.title(found.base)),
    el("div", { className: "told" }, told.length ? told : el("span", null, W.same)),
    el("button", { type: "button", className: "slight", id: "step-back", onclick: () => back(found.choices) }, W.back)];
}
