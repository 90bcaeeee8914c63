const told = JSON.parse(document.getElementById("view").textContent);
const viewer = makeViewer(document.querySelector(".view canvas"), told.model, told.axes);
viewer.setColours(new Map(told.colours));
viewer.setEdges(edgeLooks(told.model, told.edges));

const ways = document.querySelector(".tools span");
for (const [name, said] of [["iso", "corner"], ["+z", "working"], ["-z", "mounting"], ["-y", "-y"], ["+y", "+y"], ["-x", "-x"], ["+x", "+x"]]) {
  const button = Object.assign(document.createElement("button"), { type: "button", textContent: said });
  button.addEventListener("click", () => viewer.setView(name));
  ways.append(button, " ");
}

const [axis] = document.querySelectorAll(".tools select"), at = document.querySelector(".tools input");
function cut() {
  at.disabled = axis.value === "";
  if (at.disabled) return viewer.setSection(null, 0);
  const [low, high] = viewer.range(+axis.value);
  viewer.setSection(+axis.value, low + (high - low) * at.value);
}
[axis, at].forEach(input => input.addEventListener("input", cut));

const apart = document.getElementById("apart");
apart.addEventListener("click", () => {
  const on = apart.getAttribute("aria-pressed") !== "true";
  apart.setAttribute("aria-pressed", on);
  viewer.setExplode(new Map(on ? told.explode : []));
});

const stock = document.getElementById("stock");
for (const name of Object.keys(told.bodies)) {
  stock.append(new Option(`${name}, over the part`, `${name}|1`), new Option(`${name}, alone`, `${name}|`));
}
stock.addEventListener("input", () => {
  const [name, veil] = stock.value.split("|");
  viewer.setBody(name || null, told.bodies[name], Boolean(veil));
});

// One feature, chosen by a face or by a row, is marked in both.
const rows = new Map(), said = document.querySelector(".picked"), facesOf = new Map();
for (const [face, feature] of Object.entries(told.features)) facesOf.set(feature, [...(facesOf.get(feature) ?? []), +face]);
function choose(feature) {
  viewer.setMarked(new Set(facesOf.get(feature) ?? []));
  rows.forEach((row, name) => row.classList.toggle("on", name === feature));
  said.textContent = feature ? told.words[feature] : "No face there.";
}
viewer.onPick(face => choose(face === null ? null : told.features[face]));
for (const row of document.querySelectorAll("tbody tr")) {
  const feature = row.cells[0].textContent;
  if (!facesOf.has(feature) || rows.has(feature) || row.closest("section").querySelector("h2").textContent !== "Features") continue;
  rows.set(feature, row);
  row.tabIndex = 0;
  row.addEventListener("click", () => choose(feature));
  row.addEventListener("keydown", e => { if (e.key === "Enter") choose(feature); });
}
window.report = { viewer, choose };
