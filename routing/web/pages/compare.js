// What changed from one revision to another, of one job or of two.

import { get } from "./api.js";
import { inWords } from "./choices.js";
import { el, plural, table } from "./dom.js";
import { edgeMark, processMark } from "./marks.js";

export async function comparePage({ main, rest, complain }) {
  const { jobs } = await get("/api/jobs");
  const choices = jobs.flatMap(job => job.revisions.filter(r => r.state === "done").flatMap(r =>
    r.summary.parts.map((part, n) => ({
      key: `${job.id}.${r.number}.${n}`,
      words: `${job.name}, r${r.number}${r.summary.parts.length > 1 ? `, ${part.name}` : ""}`,
    }))));
  const pick = (id, label, chosen) => {
    const select = el("select", { id }, choices.map(c => el("option", { value: c.key, selected: c.key === chosen }, c.words)));
    return [el("p", { className: "field" }, el("label", { htmlFor: id }, label), select), select];
  };
  const [oldField, old] = pick("old", "Earlier", rest[0] ?? choices[1]?.key);
  const [newField, later] = pick("new", "Later", rest[1] ?? choices[0]?.key);
  const result = el("section", { ariaLabel: "Differences", role: "status" });
  const go = el("button", { type: "submit" }, "Compare");
  main.replaceChildren(
    el("h1", null, "Compare"),
    choices.length
      ? el("form", { className: "row", onsubmit: e => { e.preventDefault(); follow(`#/compare/${old.value}/${later.value}`); } },
        oldField, newField, go)
      : el("p", null, "Nothing is finished yet that could be compared."),
    result);

  // Another address makes the page anew, and that compares.
  const follow = where => { if (location.hash === where) compare(); else location.hash = where; };

  async function compare() {
    result.replaceChildren(el("p", { className: "quiet" }, "Comparing …"));
    try {
      const found = await get(`/api/compare?old=${old.value}&new=${later.value}`);
      result.replaceChildren(...draw(found), ...drawChoices());
    } catch (error) {
      result.replaceChildren();
      complain(error);
    }
  }

  // Lines that only one of the two has.
  function drawChoices() {
    const [before, after] = [old.value, later.value].map(key => {
      const [id, number] = key.split("."), job = jobs.find(j => j.id === id);
      return inWords(job.revisions.find(r => r.number === Number(number)).choices, job.blanks);
    });
    const row = (a, b) => el("tr", null, el("td", null, a), el("td", null, b));
    const rows = [...before.filter(w => !after.includes(w)).map(w => row(w, "–")), ...after.filter(w => !before.includes(w)).map(w => row("–", w))];
    return rows.length ? [el("h2", null, "Choices"), table("Choices", ["Only the earlier", "Only the later"], rows)] : [];
  }

  function draw({ same, features, processes, operations, edges }) {
    if (same) return [el("p", { className: "calm" }, "Features, processes, operations and edges are the same.")];
    const cells = (...texts) => el("tr", null, texts.map(t => el("td", null, t)));
    const part = (title, rows, heads) => rows.length
      ? [el("h2", null, title), table(title, heads, rows)] : [];
    return [
      el("p", null, `${plural(features.length, "feature")}, ${plural(processes.length, "process", "processes")}, ${plural(operations.length, "operation")} and ${plural(edges.length, "edge")} differ.`),
      ...part("Features", features.map(c => cells(c.old ?? "–", c.new ?? "–", c.kind ?? "the part", c.what.join(", "), c.detail)),
        ["Earlier", "Later", "Kind", "What", "How"]),
      ...part("Processes", processes.map(c => cells(c.old, c.new, processMark(c.from), processMark(c.to))),
        ["Earlier", "Later", "Was", "Is"]),
      ...part("Operations", operations.map(c => cells(c.old ?? "–", c.new ?? "–", `${c.stage}, ${c.process}, ${c.from_side}`, c.what, c.detail)),
        ["Earlier", "Later", "Operation", "What", "How"]),
      ...part("Edges", edges.map(c => cells(c.old, c.new, edgeMark(c.was), edgeMark(c.now), c.reason)),
        ["Earlier", "Later", "Was", "Is", "Why"]),
    ];
  }

  if (rest[0] && rest[1]) await compare();
  return {};
}
