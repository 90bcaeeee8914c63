// The choices of a revision, as a choices file holds them; a change makes a new revision.

import { terms } from "./api.js";
import { el } from "./dom.js";
import { nameOf } from "./marks.js";

const SIDES = ["+x", "-x", "+y", "-y", "+z", "-z"];

export function choicesForm({ revision, told, again, complain }) {
  const now = structuredClone(revision.choices);
  const said = el("p", { role: "alert" });
  const field = (id, label, control, hint) => el("p", { className: "field" }, el("label", { htmlFor: id }, label), control,
    hint && el("span", { className: "quiet", id: `${id}-hint` }, hint));
  const text = (id, value, given = {}) => el("input", { id, value: value ?? "", autocomplete: "off", spellcheck: false, "aria-describedby": `${id}-hint`, ...given });
  const millimetres = (id, key, usual, most) => text(id, now[key] ?? usual, { type: "number", min: 0, max: most, step: "any", required: true });
  const select = (id, options, value) => el("select", { id }, options.map(([v, words]) => el("option", { value: v, selected: v === value }, words)));

  const material = text("material", now.material ?? "steel-60hrc", { list: "materials", required: true });
  const side = select("side", [["", "found by itself"], ...[...new Set([...SIDES, ...(now.working_side ? [now.working_side] : [])])].map(s => [s, s])], now.working_side ?? "");
  const blank = select("blank", terms.blanks.map(b => [b, b]), now.blank ?? "auto");
  const margin = millimetres("margin", "blank_margin_mm", 0, 50);
  const floor = millimetres("floor", "allowance_floor_mm", 0.01, 5);
  const wall = millimetres("wall", "allowance_wall_mm", 0, 5);
  const kinds = select("kind", [["", "no kind"], ...terms.kinds.map(k => [k, k])], "");
  const process = select("kind-process", terms.processes.map(p => [p, nameOf(p)]), "mill");

  const kept = el("ul", { className: "plain kept" });
  function drawKept() {
    const row = (words, remove) => el("li", null, el("span", null, words), " ",
      el("button", { type: "button", className: "slight", ariaLabel: `Take back: ${words}`, onclick: () => { remove(); drawKept(); } }, "Take back"));
    const rows = [
      ...["threads", "processes"].flatMap(name => Object.entries(now[name] ?? {}).map(([k, v]) => row(`${k}: ${v}`, () => delete now[name][k]))),
      ...Object.entries(now.allowances ?? {}).map(([k, [f, w]]) => row(`${k}: ${f} mm left on floors, ${w} on walls`, () => delete now.allowances[k])),
      ...(now.settle ?? []).map(s => row(
        `${s.kind} of ${s.size_mm} mm at [${s.at.join(", ")}]: ${["thread", "process", "is", "side"].filter(k => k in s).map(k => `${k} ${s[k]}`).join(", ")}`,
        () => now.settle.splice(now.settle.indexOf(s), 1))),
    ];
    kept.replaceChildren(...(rows.length ? rows : [el("li", { className: "quiet" }, "No single feature or kind was decided by a person.")]));
  }
  drawKept();

  const send = async event => {
    event.preventDefault();
    const table = { ...now, material: material.value.trim(), blank: blank.value, blank_margin_mm: Number(margin.value),
      allowance_floor_mm: Number(floor.value), allowance_wall_mm: Number(wall.value) };
    if (side.value) table.working_side = side.value; else delete table.working_side;
    if (kinds.value) table.processes = { ...table.processes, [kinds.value]: process.value };
    try { await again({ choices: table }); } catch (error) { said.textContent = error.message; }
  };
  const file = el("input", { type: "file", id: "choices-file", accept: ".toml" });
  file.addEventListener("change", async () => {
    const [chosen] = file.files;
    file.value = "";
    try { await again({ toml: await chosen.text() }); } catch (error) { complain(error); }
  });

  return [
    el("form", { className: "choices", onsubmit: send },
      el("datalist", { id: "materials" }, ["steel-60hrc", "steel-54hrc", "carbide-6", "carbide-12", "carbide-20"].map(m => el("option", { value: m }))),
      field("material", "Material", material, "steel by hardness, carbide by binder share: steel-60hrc, carbide-12"),
      field("side", "Working side, in the model's axes", side),
      field("blank", "Blank", blank), field("margin", "Blank beyond the part, mm", margin),
      field("floor", "Left on ground floors, mm", floor), field("wall", "Left on ground walls, mm", wall),
      el("fieldset", null, el("legend", null, "A process for a whole kind"), el("div", { className: "row" },
        field("kind", "Kind", kinds), field("kind-process", "Process", process))),
      el("h2", null, "Decided by a person"), kept,
      el("p", { className: "row" }, el("button", { type: "submit" }, "Work it out again")), said),
    el("p", { className: "row" },
      el("a", { className: "button slight", href: `${told.path}/choices.toml`, download: "" }, "Download as a choices file"),
      el("label", { className: "button slight", htmlFor: "choices-file" }, "Take choices from a file", file)),
  ];
}
