// Which page is shown, what is dropped on it, and what the server tells.

import { begin, handIn, listen, terms } from "./api.js";
import { near } from "./choices.js";
import { el, setInch, unit } from "./dom.js";
import { jobsPage } from "./jobs.js";
import { sheetPage } from "./sheet.js";
import { comparePage } from "./compare.js";
import { likePage } from "./like.js";
import { logPage } from "./log.js";
import { minutesPage, tookPage } from "./minutes.js";
import { WORDS } from "./words.js";

const W = WORDS.app;
const main = document.getElementById("main");
const said = document.getElementById("said");
const link = document.getElementById("link");
const progress = document.getElementById("progress-said");
let page = null, serial = 0, missed = false; // missed: something was told while no page could hear it

for (const node of document.querySelectorAll("[data-word]")) node.textContent = WORDS.top[node.dataset.word];
for (const node of document.querySelectorAll("[data-label]")) node.ariaLabel = WORDS.top[node.dataset.label];

export function complain(error) {
  said.replaceChildren(error ? el("p", null, el("span", null, error.message ?? String(error)),
    el("button", { type: "button", onclick: () => complain(null) }, W.close)) : "");
}
const announce = text => { progress.textContent = text; };

async function show(keepFocus) {
  const [where, asked] = location.hash.split("?"), query = new URLSearchParams(asked ?? "");
  const [name = "", ...rest] = where.replace(/^#\/?/, "").split("/").map(decodeURIComponent);
  const mine = ++serial;
  const same = name === "job" && page?.moveTo?.(rest, query);
  if (same) return;
  page?.close?.();
  page = null;
  main.replaceChildren(el("p", { className: "quiet" }, W.wait));
  for (const a of document.querySelectorAll("nav a")) {
    if (a.dataset.page === (name || "jobs")) a.setAttribute("aria-current", "page");
    else a.removeAttribute("aria-current");
  }
  const make = { job: sheetPage, compare: comparePage, log: logPage, like: likePage, minutes: minutesPage, took: tookPage }[name] ?? jobsPage;
  try {
    const made = await make({ main, rest, query, complain, announce, take });
    if (mine !== serial) made?.close?.();
    else {
      page = made;
      if (missed) page?.refresh?.();
      missed = false;
    }
    if (!keepFocus) main.focus({ preventScroll: true });
  } catch (error) {
    main.replaceChildren(el("p", { className: "quiet" }, W.nothing, " ", el("a", { href: "#/" }, W.toJobs)));
    complain(error);
  }
}

// Hands files in, one after the other, with what they have in common; a single one is opened.
async function take(files, common = page?.common?.() ?? {}) {
  complain(null);
  const list = [...files];
  let last = null;
  for (const [n, file] of list.entries()) {
    announce(W.handing(file.name, n + 1, list.length));
    try {
      last = await handIn(file, common);
    } catch (error) {
      const wrong = common.material && error.message.startsWith("material"); // of all of them: no other need be sent
      complain(wrong ? new Error(`${error.message} ${WORDS.choices.near} ${near(common.material).join(", ")}`) : error);
      if (wrong) break;
    }
  }
  if (list.length === 1 && last) location.hash = `#/job/${last.id}/1/0`;
  else if (last && !/^#?\/?$/.test(location.hash)) location.hash = "#/";
  else page?.refresh?.();
}

const isStep = file => /\.(step|stp|p21)$/i.test(file.name);

// What was dropped: files as they are, of a folder the STEP files, however deep.
async function dropped(transfer) {
  const entries = [...transfer.items].map(item => item.webkitGetAsEntry?.());
  if (!entries.some(e => e?.isDirectory)) return [...transfer.files];
  const found = [];
  async function walk(entry) {
    if (entry.isFile) { const file = await new Promise((yes, no) => entry.file(yes, no)); if (isStep(file)) found.push(file); return; }
    const reader = entry.createReader();
    for (;;) { // some are told at a time
      const some = await new Promise((yes, no) => reader.readEntries(yes, no));
      if (!some.length) return;
      for (const inner of some) await walk(inner);
    }
  }
  for (const entry of entries.filter(Boolean)) await walk(entry);
  return found;
}

function accept() {
  const inch = document.getElementById("inch");
  inch.checked = unit.inch;
  inch.addEventListener("change", () => { setInch(inch.checked); page?.close?.(); page = null; show(true); });
  const files = document.getElementById("files"), drop = document.getElementById("drop");
  files.addEventListener("change", () => { take(files.files); files.value = ""; });
  let depth = 0;
  const carries = event => event.dataTransfer?.types.includes("Files");
  const over = shown => { drop.hidden = !shown; };
  addEventListener("dragenter", e => { if (carries(e)) { depth += 1; over(true); } });
  addEventListener("dragleave", e => { if (carries(e)) { depth -= 1; over(depth > 0); } });
  addEventListener("dragover", e => { if (carries(e)) e.preventDefault(); });
  addEventListener("drop", async e => {
    if (!carries(e)) return;
    e.preventDefault();
    depth = 0;
    over(false);
    const found = await dropped(e.dataTransfer);
    if (found.length) take(found); else complain(new Error(WORDS.jobs.unread));
  });
}

await begin();
document.getElementById("who").textContent = terms.who;
accept();
listen(message => { if (page) page.hear?.(message); else missed = true; }, there => {
  link.textContent = there ? "" : W.lost;
  // What was told before the line was open was told to nobody.
  if (!there) return;
  if (page) page.refresh?.(); else missed = true;
});
addEventListener("hashchange", () => { complain(null); show(); });
show(true);
