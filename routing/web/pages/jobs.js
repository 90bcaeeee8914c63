// All jobs: found by a word, opened, stopped, run again, removed.

import { act, get, post } from "./api.js";
import { el, plural, table, when } from "./dom.js";
import { canHelp, severity } from "./marks.js";
import { WORDS } from "./words.js";

export async function jobsPage({ main, complain, announce, take }) {
  let jobs = [], words = "", timer = 0;
  const sample = el("button", { type: "button", id: "sample", onclick: doing(async () => { location.hash = `#/job/${(await post("/api/sample")).id}/1/0`; }) }, WORDS.empty.sample);
  const empty = el("section", { className: "empty", hidden: true }, el("h2", null, WORDS.empty.title),
    el("ol", null, WORDS.empty.lines.map(line => el("li", null, line))), el("p", null, sample));
  const rows = el("div"), count = el("p", { className: "quiet", role: "status" });
  const search = el("input", {
    type: "search", id: "search", autocomplete: "off", spellcheck: false,
    oninput: () => { clearTimeout(timer); timer = setTimeout(() => { words = search.value; refresh(); }, 200); },
  });
  const picker = el("input", { type: "file", multiple: true, accept: ".step,.stp,.p21", id: "first-files" });
  picker.addEventListener("change", () => { take(picker.files); picker.value = ""; });
  main.replaceChildren(
    el("section", { className: "hand-in", ariaLabel: "Hand in" },
      el("h1", null, "Jobs"),
      el("p", null, "Drop one or several STEP files anywhere on this page, or ",
        el("label", { className: "link", htmlFor: "first-files" }, "choose them", picker), ". They stay on this machine.")),
    el("div", { className: "find" }, el("label", { htmlFor: "search" }, "Find by file or part"), search, count),
    rows, empty);

  async function refresh() {
    try {
      ({ jobs } = await get(`/api/jobs?q=${encodeURIComponent(words)}`));
      draw();
    } catch (error) {
      complain(error);
    }
  }

  function doing(work) {
    return async () => { try { await work(); await refresh(); } catch (error) { complain(error); } };
  }

  function outcome(revision) {
    if (revision.state === "running" || revision.state === "waiting") {
      return [el("progress", { max: 1, value: revision.share, ariaLabel: "Progress" }), " ",
        el("span", null, revision.stage || revision.state)];
    }
    if (revision.state !== "done") return el("span", { className: "fault" }, revision.error || revision.state);
    return revision.summary.parts.map(p => el("span", { className: "outcome" },
      el("span", null, `${plural(p.features, "feature")}, ${plural(p.operations, "operation")}`),
      ["blocking", "warning", "note"].filter(word => p.flags[word]).map(word => severity(word, p.flags[word])),
      p.doubts ? el("span", null, plural(p.doubts, "doubt")) : ""));
  }

  function row(job) {
    const last = job.revisions.at(-1), where = `#/job/${job.id}/${last.number}/0`;
    const own = `/api/jobs/${job.id}`, turn = `${own}/${last.number}`;
    const sure = () => confirm(`Remove ${job.name} with all its revisions and files?`);
    return el("tr", null,
      el("th", { scope: "row" }, el("a", { href: where }, job.name),
        el("span", { className: "under" }, job.parts.map(p => p.name).filter(n => n !== job.name).join(", "))),
      el("td", { className: "figures" }, `r${last.number}`),
      el("td", null, outcome(last)),
      el("td", { className: "figures" }, when(job.created)),
      el("td", null, el("div", { className: "acts" },
        ["running", "waiting"].includes(last.state) && el("button", { type: "button", onclick: doing(() => act(`${turn}/stop`)) }, "Stop"),
        canHelp(last) && el("button", { type: "button", onclick: doing(() => act(`${turn}/again`)) }, "Run again"),
        el("button", { type: "button", className: "slight", ariaLabel: `Remove ${job.name}`, onclick: doing(async () => { if (sure()) await act(own, "DELETE"); }) }, "Remove"))));
  }

  // Only rows that changed are made anew: a click, or the focus, on another one is not lost.
  let drawn = [];
  function draw() {
    empty.hidden = Boolean(jobs.length || words);
    count.textContent = jobs.length ? plural(jobs.length, "job") : words ? "No job holds these words." : "No jobs yet.";
    const wanted = jobs.map(job => ({ id: job.id, text: JSON.stringify(job), job }));
    if (wanted.length && wanted.length === drawn.length && wanted.every((w, n) => w.id === drawn[n].id)) {
      drawn = wanted.map((w, n) => {
        const { text, node } = drawn[n];
        if (w.text === text) return drawn[n];
        const fresh = row(w.job);
        node.replaceWith(fresh);
        return { ...w, node: fresh };
      });
      return;
    }
    drawn = wanted.map(w => ({ ...w, node: row(w.job) }));
    rows.replaceChildren(jobs.length
      ? table("Jobs", ["File and part", "Revision", "Result", "Handed in", "Do"], drawn.map(d => d.node), "jobs") : "");
  }

  await refresh();
  return {
    refresh,
    hear({ revision }) {
      const job = jobs.find(j => j.id === revision?.job);
      if (!job) return refresh();
      const place = job.revisions.findIndex(r => r.number === revision.number);
      if (place < 0) return refresh();
      const before = job.revisions[place].state;
      job.revisions[place] = revision;
      if (before !== revision.state) announce(`${job.name}: ${revision.state}`);
      if (before !== revision.state) return refresh();
      draw();
    },
  };
}
