// Which page is shown, what is dropped on it, and what the server tells.

import { begin, handIn, listen } from "./api.js";
import { el, setInch, unit } from "./dom.js";
import { jobsPage } from "./jobs.js";
import { sheetPage } from "./sheet.js";
import { comparePage } from "./compare.js";

const main = document.getElementById("main");
const said = document.getElementById("said");
const link = document.getElementById("link");
const progress = document.getElementById("progress-said");
let page = null, serial = 0, missed = false; // missed: something was told while no page could hear it

export function complain(error) {
  said.replaceChildren(error ? el("p", null, el("span", null, error.message ?? String(error)),
    el("button", { type: "button", onclick: () => complain(null) }, "Close")) : "");
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
  main.replaceChildren(el("p", { className: "quiet" }, "One moment …"));
  for (const a of document.querySelectorAll("nav a")) {
    if (a.dataset.page === (name || "jobs")) a.setAttribute("aria-current", "page");
    else a.removeAttribute("aria-current");
  }
  const make = { job: sheetPage, compare: comparePage }[name] ?? jobsPage;
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
    main.replaceChildren(el("p", { className: "quiet" }, "There is nothing to show here. ", el("a", { href: "#/" }, "To the jobs")));
    complain(error);
  }
}

// Hands files in, one after the other; a single one is opened.
async function take(files, like) {
  complain(null);
  const list = [...files];
  let last = null;
  for (const file of list) {
    announce(`Handing in ${file.name}`);
    try {
      last = await handIn(file, like);
    } catch (error) {
      complain(error);
    }
  }
  if (list.length === 1 && last) location.hash = `#/job/${last.id}/1/0`;
  else if (last && !/^#?\/?$/.test(location.hash)) location.hash = "#/";
  else page?.refresh?.();
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
  addEventListener("drop", e => {
    if (!carries(e)) return;
    e.preventDefault();
    depth = 0;
    over(false);
    take(e.dataTransfer.files);
  });
}

await begin();
accept();
listen(message => { if (page) page.hear?.(message); else missed = true; }, there => {
  link.textContent = there ? "" : "The server is not there; waiting for it.";
  // What was told before the line was open was told to nobody.
  if (!there) return;
  if (page) page.refresh?.(); else missed = true;
});
addEventListener("hashchange", () => { complain(null); show(); });
show(true);
