// The choices of a revision, as a choices file holds them; a change makes a new revision.

import { handInBlank, terms } from "./api.js";
import { blame, blamed, el, field, misread } from "./dom.js";
import { nameOf } from "./marks.js";
import { WORDS } from "./words.js";

const SIDES = ["+x", "-x", "+y", "-y", "+z", "-z"];
const SETTLED = ["thread", "process", "is", "side", "edge", "allowance"];
const W = WORDS.choices;
const left = ([floor, wall]) => W.left(floor, wall);

// What is near a name that is not known: the family that its letters suggest, at the figure that it holds.
const KNOWN = ["steel-54hrc", "steel-58hrc", "steel-60hrc", "steel-62hrc", "carbide-6", "carbide-12", "carbide-20"];
export function near(text) {
  const figure = text.match(/\d+(\.\d+)?/)?.[0], hard = /c(arb|obalt|o\b)|wc|binder|%/i.test(text);
  const value = Number(figure), made = [];
  if (figure && value >= 20 && value <= 70 && !hard) made.push(`steel-${figure}hrc`);
  if (figure && value >= 3 && value <= 30 && (hard || value < 20)) made.push(`carbide-${figure}`);
  return [...new Set([...made, ...KNOWN.filter(k => hard === k.startsWith("carbide"))])].slice(0, 3);
}

export const materialList = () => el("datalist", { id: "materials" }, KNOWN.map(m => el("option", { value: m })));

// What was decided about single features, edges and kinds: words for each, and how it is taken back.
function decisions(choices) {
  const table = (name, said) => Object.entries(choices[name] ?? {}).map(([k, v]) => ({ words: said(k, v), remove: () => delete choices[name][k] }));
  return [
    ...["threads", "thread_colours", "processes", "edges"].flatMap(name => table(name, (k, v) => W.keyed(name, k, v))),
    ...table("allowances", (k, v) => W.kinded(k, left(v))),
    ...(choices.settle ?? []).map(s => ({
      words: W.placed(s.kind, s.size_mm, s.at.join(", "), SETTLED.filter(k => k in s).map(k => (k === "allowance" ? left(s[k]) : `${k} ${s[k]}`)).join(", ")),
      remove: () => choices.settle.splice(choices.settle.indexOf(s), 1),
    })),
  ];
}

// All choices in words, a line each; what is left at its default says nothing. `files` are the job's blanks.
export const inWords = (choices, files) => [
  ...Object.keys(W.plain).filter(k => k in choices).map(k => `${W.plain[k]}: ${files.find(b => b.file === choices[k])?.name ?? choices[k]}`),
  ...decisions(choices).map(d => d.words),
];

export function choicesForm({ job, revision, told, again, complain }) {
  const now = structuredClone(revision.choices);
  const said = el("p", { role: "alert" });
  const text = (id, value, given = {}) => el("input", { id, value: value ?? "", autocomplete: "off", spellcheck: false, ...given });
  const millimetres = (id, value, most, required = true) => text(id, value, { type: "number", min: 0, max: most, step: "any", required });
  const select = (id, options, value) => el("select", { id }, options.map(([v, words]) => el("option", { value: v, selected: v === value }, words)));

  const material = text("material", now.material ?? "steel-60hrc", { list: "materials", required: true });
  const side = select("side", [["", W.bySelf], ...[...new Set([...SIDES, ...(now.working_side ? [now.working_side] : [])])].map(s => [s, s])], now.working_side ?? "");
  const blank = select("blank", [...terms.blanks.map(b => [b, b]), ...job.blanks.map(b => [b.file, b.name])], now.blank ?? "auto");
  const blankFile = el("input", { type: "file", id: "blank-file", accept: ".step,.stp,.p21" });
  blankFile.addEventListener("change", async () => {
    const [chosen] = blankFile.files;
    blankFile.value = "";
    blame(blank);
    try {
      const { file, name } = await handInBlank(chosen, job.id, revision.number);
      if (![...blank.options].some(o => o.value === file)) {
        blank.append(el("option", { value: file }, name));
        job.blanks.push({ file, name });
      }
      blank.value = file;
      blank.focus();
    } catch (error) { blame(blank, error.message); }
  });
  const margin = millimetres("margin", now.blank_margin_mm ?? 0, 50);
  const floor = millimetres("floor", now.allowance_floor_mm ?? 0.01, 5);
  const wall = millimetres("wall", now.allowance_wall_mm ?? 0, 5);
  const kinds = select("kind", [["", W.noKind], ...terms.kinds.map(k => [k, k])], "");
  const process = select("kind-process", [["", W.leaveIt], ...terms.processes.map(p => [p, nameOf(p)])], "");
  const kindFloor = millimetres("kind-floor", "", 5, false), kindWall = millimetres("kind-wall", "", 5, false);
  const edges = select("kind-edges", [["", W.leaveThem], ...terms.breaks.map(b => [b, b])], "");
  const numbers = [margin, floor, wall, kindFloor, kindWall];
  const controls = { material, working_side: side, blank, blank_margin_mm: margin, allowance_floor_mm: floor,
    allowance_wall_mm: wall, processes: process, allowances: kindFloor, edges };

  const kept = el("ul", { className: "plain kept" });
  function drawKept() {
    const row = (words, remove) => el("li", null, el("span", null, words), " ",
      el("button", { type: "button", className: "slight", ariaLabel: W.takeBackOf(words), onclick: () => { remove(); drawKept(); } }, W.takeBack));
    const rows = decisions(now).map(({ words, remove }) => row(words, remove));
    kept.replaceChildren(...(rows.length ? rows : [el("li", { className: "quiet" }, W.none)]));
  }
  drawKept();

  const offered = el("span", { className: "row near", hidden: true });
  // Names near one that is not known, each to be taken with a press.
  function offer(error) {
    offered.hidden = !error.message.startsWith("material");
    offered.replaceChildren(W.near, ...(offered.hidden ? [] : near(material.value)).map(name => el("button", {
      type: "button", className: "slight", onclick: () => { material.value = name; blame(material); offered.hidden = true; material.focus(); } }, name)));
  }

  const send = async event => {
    event.preventDefault();
    offered.hidden = true;
    said.textContent = "";
    for (const control of Object.values(controls)) blame(control);
    if (misread(numbers)) return;
    const one = [kindFloor, kindWall].filter(c => c.value !== "");
    const given = [process, edges, ...one].some(c => c.value !== "");
    if (given && !kinds.value) { blame(kinds, W.nameKind); kinds.focus(); return; }
    if (!given && kinds.value) { blame(kinds, W.nameWhat); kinds.focus(); return; }
    const table = { ...now, material: material.value.trim(), blank: blank.value, blank_margin_mm: Number(margin.value),
      allowance_floor_mm: Number(floor.value), allowance_wall_mm: Number(wall.value) };
    if (side.value) table.working_side = side.value; else delete table.working_side;
    if (process.value) table.processes = { ...table.processes, [kinds.value]: process.value };
    if (edges.value) table.edges = { ...table.edges, [kinds.value]: edges.value };
    if (one.length) {
      const [usualFloor, usualWall] = table.allowances?.[kinds.value] ?? [floor.value, wall.value];
      const pair = [kindFloor.value === "" ? usualFloor : kindFloor.value, kindWall.value === "" ? usualWall : kindWall.value];
      table.allowances = { ...table.allowances, [kinds.value]: pair.map(Number) };
    }
    try { await again({ choices: table, ask: side.value === (now.working_side ?? "") }); } catch (error) { offer(error); if (!blamed(error, controls)) said.textContent = error.message; }
  };
  const file = el("input", { type: "file", id: "choices-file", accept: ".toml" });
  file.addEventListener("change", async () => {
    const [chosen] = file.files;
    file.value = "";
    try { await again({ toml: await chosen.text() }); } catch (error) { complain(error); }
  });

  return [
    el("form", { className: "choices", onsubmit: send, noValidate: true },
      materialList(),
      field("material", W.material, material, W.materialHint), offered,
      field("side", W.side, side),
      field("blank", W.blank, blank),
      el("p", { className: "field beside" }, el("label", { className: "button slight", htmlFor: "blank-file" }, W.handBlank, blankFile)),
      field("margin", W.margin, margin),
      field("floor", W.floors, floor), field("wall", W.walls, wall),
      el("fieldset", null, el("legend", null, W.wholeKind), el("div", { className: "row" },
        field("kind", W.kind, kinds), field("kind-process", W.process, process), field("kind-edges", W.edges, edges),
        field("kind-floor", W.kindFloors, kindFloor), field("kind-wall", W.kindWalls, kindWall))),
      el("h2", null, W.decided), kept,
      el("p", { className: "row" }, el("button", { type: "submit" }, W.again)), said),
    el("p", { className: "row" },
      el("a", { className: "button slight", href: `${told.path}/choices.toml`, download: "" }, W.download),
      el("label", { className: "button slight", htmlFor: "choices-file" }, W.take, file)),
  ];
}
