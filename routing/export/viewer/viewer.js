// Draws a solid in plain WebGL2, to be turned, cut, taken apart and picked from. Needs nothing else.
//
//   const viewer = makeViewer(canvas, model, axes)
//
// `model` is what viewer/mesh.py gives. `axes` (optional) are the part's own x, y and z in model coordinates,
// as in the route file's part.frame: sides, sections and views are then named in them. Lengths are mm.

const ROW = 1024; // faces in a row of the table that the shaders look up

const TABLES = `#version 300 es
precision highp float; precision highp int; precision highp sampler2D;
uniform mat3 turn; uniform vec3 centre, scale; uniform vec4 clip;
uniform sampler2D shift;
ivec2 cell(int i) { return ivec2(i % ${ROW}, i / ${ROW}); }
vec4 place(vec3 p, int face) {
  vec3 moved = p + texelFetch(shift, cell(face), 0).xyz;
  return vec4(turn * (moved - centre) * scale, 1.0);
}`;

const FACE_VERTEX = `${TABLES}
layout(location = 0) in vec3 position; layout(location = 1) in vec3 normal; layout(location = 2) in uint face;
flat out int id, hatch; out vec3 facing; out float beyond;
void main() {
  id = int(face);
  hatch = int(texelFetch(shift, cell(id), 0).w);
  facing = turn * normal;
  beyond = dot(clip.xyz, position) - clip.w;
  gl_Position = place(position, id);
}`;

const FACE_FRAGMENT = `#version 300 es
precision highp float; precision highp int; precision highp sampler2D;
uniform sampler2D paint; uniform float opacity; uniform bool ids;
uniform float pixel; // of the page, in those of the canvas
flat in int id, hatch; in vec3 facing; in float beyond; out vec4 colour;
void main() {
  vec4 own = texelFetch(paint, ivec2(id % ${ROW}, id / ${ROW}), 0);
  if (beyond > 0.0 || own.a < 0.1) discard; // cut away, or hidden
  if (ids) {
    int n = gl_FrontFacing ? id + 1 : 0;
    colour = vec4(n & 255, (n >> 8) & 255, (n >> 16) & 255, 255) / 255.0;
    return;
  }
  if (own.a < 0.4 && mod(floor(gl_FragCoord.x) + 2.0 * floor(gl_FragCoord.y), 4.0) > 0.5) discard; // faded: a sieve
  vec3 shade = own.rgb;
  float stripe = mod(gl_FragCoord.x + gl_FragCoord.y, 14.0);
  if (!gl_FrontFacing) { // what a section lays open: flat, ruled as on a drawing
    colour = vec4(mod(gl_FragCoord.x - gl_FragCoord.y, 9.0) < 1.5 ? vec3(0.35) : vec3(0.80), opacity);
    return;
  }
  if (own.a > 0.75 && stripe < 6.0) {
    float light = dot(shade, vec3(0.21, 0.72, 0.07));
    shade = mix(shade, light > 0.35 ? vec3(0.0) : vec3(1.0), 0.55);
  }
  vec2 at = gl_FragCoord.xy / pixel;
  vec4 lines = vec4(at.y, (at.x - at.y) * 0.707, at.x, (at.x + at.y) * 0.707); // hatches at 0, 45, 90, 135 degrees
  for (int k = 0; k < 4; k++) if (((hatch >> k) & 1) == 1 && mod(lines[k], 9.0) < 1.0)
    shade = mix(shade, dot(shade, vec3(0.21, 0.72, 0.07)) > 0.35 ? vec3(0.0) : vec3(1.0), 0.45);
  vec3 n = normalize(facing);
  float lit = 0.50 + 0.38 * max(0.0, dot(n, vec3(-0.33, 0.54, 0.77))) + 0.16 * max(0.0, n.z);
  colour = vec4(shade * min(lit, 1.0), opacity);
}`;

// An edge is a row of flat strips, as wide as its look asks, a little nearer than the faces it bounds.
const EDGE_VERTEX = `${TABLES}
layout(location = 0) in vec3 from; layout(location = 1) in vec3 to; layout(location = 2) in uvec2 owner;
layout(location = 3) in vec2 along;
uniform sampler2D looks, paint; uniform vec2 size; uniform float ratio, weight; uniform int layer;
flat out vec3 ink; flat out float dashes; flat out int id; out float beyond, run;
void main() {
  id = int(owner.y);
  int look = int(texelFetch(looks, cell(id), 0).r * 255.0 + 0.5); // 0 plain, 1 break, 2 sharp, 3 chosen
  float width = (layer == 0 ? vec4(0.0, 4.6, 6.2, 11.0) : vec4(1.2, 2.6, 3.8, 7.0))[look] * ratio * weight;
  float kept = texelFetch(paint, cell(int(owner.x)), 0).a; // of the face: hidden, faded, shown, marked
  width *= kept < 0.1 ? 0.0 : kept < 0.4 ? 0.4 : 1.0;
  vec3 own = look == 2 ? vec3(0.72, 0.0, 0.16) : look == 3 ? vec3(0.05, 0.33, 0.62) : vec3(0.09, 0.10, 0.12);
  ink = layer == 0 ? vec3(1.0) : own;
  dashes = look == 1 && layer == 1 ? 1.0 : 0.0;
  vec4 a = place(from, int(owner.x)), b = place(to, int(owner.x));
  vec2 pixels = (b.xy - a.xy) * size * 0.5;
  float length = max(length(pixels), 1e-6);
  vec2 ahead = pixels / length;
  float end = float(gl_VertexID >> 1), side = float(gl_VertexID & 1) * 2.0 - 1.0;
  vec4 p = mix(a, b, end);
  p.xy += (vec2(-ahead.y, ahead.x) * side + ahead * (end * 2.0 - 1.0)) * width / size;
  p.z -= layer == 0 ? 0.0012 : 0.0016;
  beyond = dot(clip.xyz, mix(from, to, end)) - clip.w;
  run = mix(along.x, along.y, end);
  gl_Position = width > 0.0 ? p : vec4(2.0, 2.0, 2.0, 1.0);
}`;

const EDGE_FRAGMENT = `#version 300 es
precision highp float;
precision highp int;
uniform float opacity, dash; uniform bool ids;
flat in vec3 ink; flat in float dashes; flat in int id; in float beyond, run; out vec4 colour;
void main() {
  if (beyond > 0.0 || (!ids && dashes > 0.5 && fract(run / dash) > 0.6)) discard;
  colour = ids ? vec4(id & 255, (id >> 8) & 255, (id >> 16) & 255, 127) / 255.0 : vec4(ink, opacity);
}`;

const VIEWS = { // turn about the part's z, then tilt (degrees): -90 looks level, 0 from above
  "iso": [-45, -54.7356], "+z": [0, 0], "-z": [0, -180],
  "-y": [0, -90], "+y": [180, -90], "-x": [90, -90], "+x": [-90, -90],
};
const KEYS = ["iso", "+z", "-z", "-y", "+y", "-x", "+x"]; // 1 to 7
const LOOKS = { plain: 0, break: 1, sharp: 2, chosen: 3 };
const TAKEN = [214, 120, 30]; // what a step takes
const NEAR = 6; // pixels of the page from which an edge is hit
const HELP = "3-D view of the part. Arrow keys turn it, plus and minus zoom, 1 to 7 choose a view: "
  + "1 isometric, 2 working side, 3 mounting side, 4 to 7 the other sides; Enter picks the face in the middle.";
const SORRY = "This browser does not offer WebGL 2, so the part cannot be shown in 3-D here; "
  + "the tables and pictures tell the same.";

function decode(text, Kind) {
  const signs = atob(text), bytes = new Uint8Array(signs.length);
  for (let i = 0; i < signs.length; i++) bytes[i] = signs.charCodeAt(i);
  return new Kind(bytes.buffer);
}
const parse = hex => [1, 3, 5].map(i => parseInt(hex.slice(i, i + 2), 16));
const box = (low, high) => [...Array(8).keys()].map(n => [0, 1, 2].map(k => ((n >> k) & 1 ? high : low)[k]));
const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
const bounds = (points, way) => [Math.min, Math.max]
  .map(f => points.reduce((v, p) => f(v, dot(p, way)), dot(points[0], way)));

// Looks of the model's edges from the verdicts of the route file's `edges`.
export function edgeLooks(model, verdicts) {
  const look = { "keep sharp": "sharp", "must break": "break" };
  const told = new Map(verdicts.map(({ place, verdict }) => [place, look[verdict]]));
  return new Map(model.edges.map(({ place }, i) => [i, told.get(place) ?? "plain"]));
}

export function makeViewer(canvas, model, axes = [[1, 0, 0], [0, 1, 0], [0, 0, 1]]) {
  const gl = canvas.getContext("webgl2", { antialias: true, alpha: true, stencil: true });
  if (!gl) return excuse(canvas);

  const faces = program(FACE_VERTEX, FACE_FRAGMENT), edges = program(EDGE_VERTEX, EDGE_FRAGMENT);
  const part = load(model);
  let body = null, over = true; // a stock body, over the part or instead of it
  let taken = null; // the body before the step that is shown
  let holder = null, stand = null; // what holds it, seen through; the axes that it stands in, where not the part's
  let turn = VIEWS.iso, centre = [0, 0, 0], span = 1, radius = 1; // span: mm from the middle to the nearer border
  let clip = [0, 0, 0, 0], pickers = [], marked = new Set(), asked = 0, gone = false;
  let hidden = new Set(), faded = new Set(), weight = 1, hoverers = [], hovering = 0;
  let turners = [], drawers = [];
  let target = null; // where faces are drawn as numbers

  function program(vertex, fragment) {
    const made = gl.createProgram();
    for (const [kind, text] of [[gl.VERTEX_SHADER, vertex], [gl.FRAGMENT_SHADER, fragment]]) {
      const shader = gl.createShader(kind);
      gl.shaderSource(shader, text);
      gl.compileShader(shader);
      gl.attachShader(made, shader);
    }
    gl.linkProgram(made);
    if (!gl.getProgramParameter(made, gl.LINK_STATUS)) throw new Error(gl.getProgramInfoLog(made));
    const places = {};
    for (let i = gl.getProgramParameter(made, gl.ACTIVE_UNIFORMS) - 1; i >= 0; i--) {
      const { name } = gl.getActiveUniform(made, i);
      places[name] = gl.getUniformLocation(made, name);
    }
    return { made, places };
  }

  // One row of numbers for each face or edge, as a texture that the shaders look up.
  function table(count, Kind) {
    const rows = Math.max(1, Math.ceil(count / ROW)), texture = gl.createTexture();
    const values = new Kind(4 * ROW * rows);
    const [inside, type] = Kind === Float32Array ? [gl.RGBA32F, gl.FLOAT] : [gl.RGBA8, gl.UNSIGNED_BYTE];
    function send() {
      gl.bindTexture(gl.TEXTURE_2D, texture);
      gl.texImage2D(gl.TEXTURE_2D, 0, inside, ROW, rows, 0, gl.RGBA, type, values);
      for (const when of ["MIN", "MAG"]) gl.texParameteri(gl.TEXTURE_2D, gl[`TEXTURE_${when}_FILTER`], gl.NEAREST);
    }
    send();
    return { texture, values, send };
  }

  function attribute(place, data, size, whole = false, each = 0) {
    const buffer = gl.createBuffer();
    gl.bindBuffer(gl.ARRAY_BUFFER, buffer);
    gl.bufferData(gl.ARRAY_BUFFER, data, gl.STATIC_DRAW);
    gl.enableVertexAttribArray(place);
    if (whole) gl.vertexAttribIPointer(place, size, gl.UNSIGNED_INT, 0, 0);
    else gl.vertexAttribPointer(place, size, gl.FLOAT, false, 0, 0);
    gl.vertexAttribDivisor(place, each);
    return buffer;
  }

  function load(told, colour = [200, 204, 208]) {
    const positions = decode(told.positions, Float32Array), triangles = decode(told.triangles, Uint32Array);
    const owners = told.face_of_triangle ? decode(told.face_of_triangle, Uint32Array) : null;
    const owner = new Uint32Array(positions.length / 3);
    let count = 1;
    if (owners) triangles.forEach((corner, i) => { owner[corner] = owners[Math.floor(i / 3)]; });
    for (const face of owner) count = Math.max(count, face + 1);

    const array = gl.createVertexArray();
    gl.bindVertexArray(array);
    const buffers = [
      attribute(0, positions, 3), attribute(1, decode(told.normals, Float32Array), 3), attribute(2, owner, 1, true),
    ];
    const index = gl.createBuffer();
    gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, index);
    gl.bufferData(gl.ELEMENT_ARRAY_BUFFER, triangles, gl.STATIC_DRAW);

    // Each edge is drawn once for each face that it bounds, and moves with it.
    const from = [], to = [], whose = [], along = [];
    told.edges.forEach((edge, number) => {
      const line = decode(edge.points, Float32Array);
      for (const face of edge.faces ?? [0]) {
        let run = 0;
        for (let i = 3; i < line.length; i += 3) {
          const a = line.subarray(i - 3, i), b = line.subarray(i, i + 3);
          const next = run + Math.hypot(b[0] - a[0], b[1] - a[1], b[2] - a[2]);
          from.push(...a); to.push(...b); whose.push(face, number); along.push(run, next);
          run = next;
        }
      }
    });
    const lines = gl.createVertexArray();
    gl.bindVertexArray(lines);
    buffers.push(
      index, attribute(0, new Float32Array(from), 3, false, 1), attribute(1, new Float32Array(to), 3, false, 1),
      attribute(2, new Uint32Array(whose), 2, true, 1), attribute(3, new Float32Array(along), 2, false, 1),
    );
    gl.bindVertexArray(null);
    const paint = table(count, Uint8Array), shift = table(count, Float32Array), looks = table(told.edges.length, Uint8Array);
    for (let i = 0; i < count; i++) paint.values.set([...colour, 128], 4 * i);
    paint.send();
    return {
      positions, owner, index: triangles, count, array, lines, buffers, paint, shift, looks,
      corners: triangles.length, segments: whose.length / 2, edges: told.edges.length,
    };
  }

  function unload({ buffers, array, lines, paint, shift, looks }) {
    buffers.forEach(b => gl.deleteBuffer(b));
    [array, lines].forEach(a => gl.deleteVertexArray(a));
    [paint, shift, looks].forEach(t => gl.deleteTexture(t.texture));
  }

  // Rows: to the right, up and towards the eye, in model coordinates.
  function rows() {
    const [c, s] = [Math.cos, Math.sin].map(f => f(turn[0] * Math.PI / 180));
    const [d, t] = [Math.cos, Math.sin].map(f => f(turn[1] * Math.PI / 180));
    const local = [[c, -s, 0], [s * d, c * d, -t], [s * t, c * t, d]];
    const [x, y, z] = stand ?? axes;
    return local.map(r => [0, 1, 2].map(k => r[0] * x[k] + r[1] * y[k] + r[2] * z[k]));
  }

  const mmPerPixel = () => 2 * span / Math.min(canvas.width, canvas.height);

  function resize() {
    const ratio = window.devicePixelRatio || 1;
    const wide = Math.max(1, Math.round(canvas.clientWidth * ratio));
    const high = Math.max(1, Math.round(canvas.clientHeight * ratio));
    if (canvas.width !== wide || canvas.height !== high) [canvas.width, canvas.height] = [wide, high];
  }

  function use({ made, places }, thing, opacity) {
    const short = Math.min(canvas.width, canvas.height), depth = 4 * radius;
    gl.useProgram(made);
    gl.uniformMatrix3fv(places.turn, true, rows().flat());
    gl.uniform3fv(places.centre, centre);
    gl.uniform3f(places.scale, short / canvas.width / span, short / canvas.height / span, -1 / depth);
    gl.uniform4fv(places.clip, clip);
    gl.uniform1f(places.opacity, opacity);
    [["shift", thing.shift], ["paint", thing.paint], ["looks", thing.looks]].forEach(([name, { texture }], unit) => {
      gl.activeTexture(gl.TEXTURE0 + unit);
      gl.bindTexture(gl.TEXTURE_2D, texture);
      if (places[name]) gl.uniform1i(places[name], unit);
    });
    gl.activeTexture(gl.TEXTURE0);
  }

  function drawFaces(thing, opacity, ids) {
    use(faces, thing, opacity);
    gl.uniform1i(faces.places.ids, Number(ids));
    gl.uniform1f(faces.places.pixel, window.devicePixelRatio || 1);
    gl.bindVertexArray(thing.array);
    gl.stencilFunc(gl.ALWAYS, 1, 1); // 1 where a section lays the inside open: no edges there
    gl.stencilOpSeparate(gl.FRONT, gl.KEEP, gl.KEEP, gl.ZERO);
    gl.stencilOpSeparate(gl.BACK, gl.KEEP, gl.KEEP, gl.REPLACE);
    gl.drawElements(gl.TRIANGLES, thing.corners, gl.UNSIGNED_INT, 0);
  }

  function drawEdges(thing, opacity, ids = false) {
    use(edges, thing, opacity);
    gl.uniform1i(edges.places.ids, Number(ids));
    gl.uniform2f(edges.places.size, canvas.width, canvas.height);
    gl.uniform1f(edges.places.ratio, window.devicePixelRatio || 1);
    gl.uniform1f(edges.places.weight, ids ? 1 : weight);
    gl.uniform1f(edges.places.dash, 9 * (window.devicePixelRatio || 1) * mmPerPixel());
    gl.bindVertexArray(thing.lines);
    gl.stencilFunc(gl.NOTEQUAL, 1, 1);
    gl.stencilOp(gl.KEEP, gl.KEEP, gl.KEEP);
    for (const layer of ids ? [1] : [0, 1]) { // a light rim under all, then the lines themselves
      gl.depthMask(layer === 1);
      gl.uniform1i(edges.places.layer, layer);
      gl.drawArraysInstanced(gl.TRIANGLE_STRIP, 0, 4, thing.segments);
    }
  }

  function draw() {
    asked = 0;
    if (gone) return;
    resize();
    gl.bindFramebuffer(gl.FRAMEBUFFER, null);
    gl.viewport(0, 0, canvas.width, canvas.height);
    gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT | gl.STENCIL_BUFFER_BIT);
    [gl.DEPTH_TEST, gl.STENCIL_TEST].forEach(test => gl.enable(test));
    gl.disable(gl.BLEND);
    if (over || !body) { drawFaces(part, 1, false); drawEdges(part, 1); }
    if (body && over) drawVeil(body, 0.4);
    else if (body) { drawFaces(body, 1, false); drawEdges(body, 1); }
    if (taken && body && !over) drawVeil(taken, 0.5);
    if (holder) drawVeil(holder, 0.3);
    drawers.forEach(told => told());
  }

  function drawVeil(thing, opacity) {
    gl.enable(gl.POLYGON_OFFSET_FILL); // where both are the same, the part shows
    gl.polygonOffset(1, 8);
    gl.enable(gl.BLEND); // only what the eye sees of the body first, so that it is one even veil
    gl.blendFuncSeparate(gl.SRC_ALPHA, gl.ONE_MINUS_SRC_ALPHA, gl.ONE, gl.ONE_MINUS_SRC_ALPHA);
    gl.colorMask(false, false, false, false);
    drawFaces(thing, 1, false);
    gl.colorMask(true, true, true, true);
    gl.depthFunc(gl.LEQUAL);
    drawFaces(thing, opacity, false);
    gl.disable(gl.POLYGON_OFFSET_FILL);
    drawEdges(thing, 0.6);
    gl.depthFunc(gl.LESS);
  }

  const redraw = () => { if (!asked && !gone) asked = requestAnimationFrame(draw); };

  function corners(chosen = null) { // of each face's box, or of the chosen ones', moved as the face is
    const low = new Map(), high = new Map();
    for (let i = 0; i < part.owner.length; i++) {
      const face = part.owner[i];
      if (chosen && !chosen.has(face)) continue;
      if (!low.has(face)) { low.set(face, [1e30, 1e30, 1e30]); high.set(face, [-1e30, -1e30, -1e30]); }
      for (let k = 0; k < 3; k++) {
        const v = part.positions[3 * i + k] + part.shift.values[4 * face + k];
        low.get(face)[k] = Math.min(low.get(face)[k], v);
        high.get(face)[k] = Math.max(high.get(face)[k], v);
      }
    }
    const more = [body, taken, holder].filter(b => b && !chosen).flatMap(b => box(b.low, b.high));
    return [...low.keys()].flatMap(face => box(low.get(face), high.get(face))).concat(more);
  }

  function frame(chosen = null) {
    resize();
    const across = rows(), own = chosen ? corners(chosen) : [], points = own.length ? own : corners();
    const limits = across.map(r => bounds(points, r));
    const middle = limits.map(([a, b]) => (a + b) / 2);
    centre = [0, 1, 2].map(k => middle[0] * across[0][k] + middle[1] * across[1][k] + middle[2] * across[2][k]);
    const short = Math.min(canvas.width, canvas.height);
    const [wide, high] = limits.map(([a, b]) => b - a);
    span = 0.54 * Math.max(wide * short / canvas.width, high * short / canvas.height, 1e-6);
    radius = points.reduce((r, p) => Math.max(r, Math.hypot(...p.map((v, k) => v - centre[k]))), 1e-6);
    redraw();
  }

  function aim() { // at the picture in which faces are numbers
    const [wide, high] = [canvas.width, canvas.height];
    target ??= [gl.createFramebuffer(), gl.createRenderbuffer(), gl.createRenderbuffer()];
    gl.bindFramebuffer(gl.FRAMEBUFFER, target[0]);
    const kinds = [gl.RGBA8, gl.DEPTH_COMPONENT24], places = [gl.COLOR_ATTACHMENT0, gl.DEPTH_ATTACHMENT];
    for (const [buffer, kind, place] of [0, 1].map(k => [target[k + 1], kinds[k], places[k]])) {
      gl.bindRenderbuffer(gl.RENDERBUFFER, buffer);
      gl.renderbufferStorage(gl.RENDERBUFFER, kind, wide, high);
      gl.framebufferRenderbuffer(gl.FRAMEBUFFER, place, gl.RENDERBUFFER, buffer);
    }
    gl.viewport(0, 0, wide, high);
    [gl.BLEND, gl.STENCIL_TEST].forEach(test => gl.disable(test));
  }

  function facesAt(points) { // in pixels of the canvas: the face at each, or null
    if (gone) return points.map(() => null);
    aim();
    gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
    if (over || !body) drawFaces(part, 1, true);
    const pixel = new Uint8Array(4);
    const found = points.map(([x, y]) => {
      pixel.fill(0);
      gl.readPixels(x, canvas.height - 1 - y, 1, 1, gl.RGBA, gl.UNSIGNED_BYTE, pixel);
      const number = pixel[0] + 256 * pixel[1] + 65536 * pixel[2];
      return number ? number - 1 : null;
    });
    gl.bindFramebuffer(gl.FRAMEBUFFER, null);
    return found;
  }

  function pick(x, y) { // in pixels of the canvas, from its upper left: the face there, and the nearest edge
    aim();
    gl.enable(gl.SCISSOR_TEST);
    const high = canvas.height;
    const reach = Math.round(NEAR * (window.devicePixelRatio || 1)), side = 2 * reach + 1;
    const window_ = [x - reach, high - 1 - y - reach, side, side], middle = 4 * (reach * side + reach);
    gl.scissor(...window_);
    gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
    const pixels = new Uint8Array(4 * side * side), read = () => gl.readPixels(...window_, gl.RGBA, gl.UNSIGNED_BYTE, pixels);
    const number = at => pixels[at] + 256 * pixels[at + 1] + 65536 * pixels[at + 2];
    if (over || !body) drawFaces(part, 1, true);
    read();
    const face = number(middle) ? number(middle) - 1 : null;
    if (over || !body) drawEdges(part, 1, true);
    read();
    gl.disable(gl.SCISSOR_TEST);
    gl.bindFramebuffer(gl.FRAMEBUFFER, null);
    let edge = null, nearest = Infinity;
    for (let i = 0; i < side * side; i++) {
      const away = Math.hypot(i % side - reach, Math.floor(i / side) - reach);
      if (pixels[4 * i + 3] === 127 && away < nearest) [edge, nearest] = [number(4 * i), away];
    }
    return [face, edge];
  }
  const tell = (to, x, y) => { const found = pick(x, y); to.forEach(told => told(...found)); };
  const inCanvas = e => {
    const { left, top, width, height } = canvas.getBoundingClientRect();
    return [[e.clientX - left, width, canvas.width], [e.clientY - top, height, canvas.height]]
      .map(([at, shown, all]) => Math.min(all - 1, Math.floor(at / shown * all)));
  };

  function hover(e) { // once a frame at most
    if (!hoverers.length || hovering) return;
    hovering = requestAnimationFrame(() => { hovering = 0; if (!gone) tell(hoverers, ...inCanvas(e)); });
  }

  const spin = (dx, dy) => { turn = [turn[0] + dx, turn[1] + dy]; turners.forEach(told => told(turn)); redraw(); };
  const zoom = factor => { span = Math.min(Math.max(span * factor, 1e-3 * radius), 20 * radius); redraw(); };

  function pan(dx, dy) { // pixels of the page
    const [right, up] = rows(), step = mmPerPixel() * (window.devicePixelRatio || 1);
    centre = centre.map((v, k) => v - (right[k] * dx - up[k] * dy) * step);
    redraw();
  }

  const held = new Map(); // pointers that are down
  let moved = 0;
  const spread = () => { const [a, b] = [...held.values()]; return Math.hypot(a.x - b.x, a.y - b.y); };
  const events = {
    pointerdown(e) {
      canvas.focus({ preventScroll: true });
      canvas.setPointerCapture(e.pointerId);
      held.set(e.pointerId, { x: e.clientX, y: e.clientY });
      moved = held.size > 1 ? 99 : 0;
    },
    pointermove(e) {
      const last = held.get(e.pointerId);
      if (!last) { hover(e); return; }
      const dx = e.clientX - last.x, dy = e.clientY - last.y, wide = held.size === 2 ? spread() : 0;
      held.set(e.pointerId, { x: e.clientX, y: e.clientY });
      moved += Math.abs(dx) + Math.abs(dy);
      if (held.size === 2) zoom(wide / Math.max(spread(), 1)), pan(dx / 2, dy / 2);
      else if (e.shiftKey || (e.buttons & 6)) pan(dx, dy);
      else spin(dx * 0.4, dy * 0.4);
    },
    pointerup(e) {
      held.delete(e.pointerId);
      if (moved > 4 || e.button !== 0) return;
      tell(pickers, ...inCanvas(e));
    },
    pointercancel: e => held.delete(e.pointerId),
    pointerleave() { hoverers.forEach(told => told(null, null)); },
    contextmenu: e => e.preventDefault(),
    wheel(e) { e.preventDefault(); zoom(Math.exp(Math.max(-99, Math.min(99, e.deltaY)) * 0.002)); },
    keydown(e) {
      if (e.ctrlKey || e.altKey || e.metaKey) return;
      const step = { ArrowLeft: [-5, 0], ArrowRight: [5, 0], ArrowUp: [0, -5], ArrowDown: [0, 5] }[e.key];
      if (step && e.shiftKey) pan(step[0] * 4, step[1] * 4);
      else if (step) spin(...step);
      else if (e.key === "+" || e.key === "=") zoom(1 / 1.15);
      else if (e.key === "-") zoom(1.15);
      else if (KEYS[e.key - 1]) { viewer.setView(KEYS[e.key - 1]); turners.forEach(told => told(turn, KEYS[e.key - 1])); }
      else if (e.key === "Enter") tell(pickers, canvas.width >> 1, canvas.height >> 1);
      else return;
      e.preventDefault();
    },
  };

  function repaint() { // what the last table holds of colours, with the marks as they are
    for (let i = 0; i < part.count; i++) part.paint.values[4 * i + 3] = hidden.has(i) ? 0 : marked.has(i) ? 255 : faded.has(i) ? 64 : 128;
    part.paint.send();
    redraw();
  }

  const viewer = {
    // Map of face to "#rrggbb"; faces that it leaves out keep their colour.
    setColours(colours) {
      for (const [face, hex] of colours) if (face < part.count) part.paint.values.set(parse(hex), 4 * face);
      repaint();
    },
    setMarked(chosen) { marked = new Set(chosen); repaint(); },
    // Calls back with the face's number, or null where the part was missed, and the place in model.edges of
    // an edge that is seen beside the point, or null; gives a way to stop it.
    onPick(told) { pickers.push(told); return () => { pickers = pickers.filter(p => p !== told); }; },
    // The same for what the pointer is over, while no button is down.
    onHover(told) { hoverers.push(told); return () => { hoverers = hoverers.filter(h => h !== told); }; },
    // Sets of faces: not drawn and not picked, or seen through.
    setHidden(gone_, through = new Set()) { [hidden, faded] = [gone_, through]; repaint(); },
    // How wide edge lines are: 1 as usual, 0 none.
    setEdgeWeight(value) { weight = value; redraw(); },
    // Brings some faces to the middle, as large as the frame allows, but no more than `most` times nearer.
    zoomTo(chosen, most = 3) {
      frame();
      const whole = span;
      frame(chosen);
      span = Math.max(span * 1.25, whole / most);
      radius = corners().reduce((r, p) => Math.max(r, Math.hypot(...p.map((v, k) => v - centre[k]))), 1e-6);
    },
    // Map of an edge's place in model.edges to "sharp", "break", "chosen" or "plain", as are those left out.
    setEdges(looks) {
      for (let i = 0; i < part.edges; i++) part.looks.values[4 * i] = LOOKS[looks.get(i)] ?? 0;
      part.looks.send();
      redraw();
    },
    // Takes away what lies beyond the offset along one of the axes, on the side of the eye, so that one looks
    // into it; `flip` takes the other side away. null shows all.
    setSection(axis, offset_mm, flip = false) {
      const towards = axis !== null && (dot(rows()[2], axes[axis]) < -1e-6) !== flip ? -1 : 1;
      clip = axis === null ? [0, 0, 0, 0] : [...axes[axis].map(v => v * towards), offset_mm * towards];
      redraw();
    },
    // Map of face to the directions of its hatch's lines, in degrees: 0, 45, 90, 135.
    setHatch(hatches) {
      for (let i = 0; i < part.count; i++) part.shift.values[4 * i + 3] = 0;
      for (const [face, turns] of hatches) if (face < part.count) part.shift.values[4 * face + 3] = turns.reduce((sum, t) => sum | (1 << (((t % 180) + 180) % 180 / 45)), 0);
      part.shift.send();
      redraw();
    },
    // Calls back when a person has turned the part, with [about z, tilt] and the view's name where it is one.
    onTurn(told) { turners.push(told); },
    // Calls back after each picture, to move what lies over it.
    onDraw(told) { drawers.push(told); },
    setTurn(to) { turn = [...to]; redraw(); },
    turned: () => [...turn],
    // Where a point of the model (mm) is on the page, from the canvas's upper left, in pixels of the page.
    project(point) {
      const away = point.map((v, k) => v - centre[k]), [right, up] = rows(), by = mmPerPixel() * (window.devicePixelRatio || 1);
      return [canvas.clientWidth / 2 + dot(right, away) / by, canvas.clientHeight / 2 - dot(up, away) / by];
    },
    // Whether a section takes a point away.
    isCut: point => dot(clip, point) > clip[3],
    // The face that is seen at each of such places, or null.
    facesAt(points) { const by = window.devicePixelRatio || 1; return facesAt(points.map(p => p.map(v => Math.floor(v * by)))); },
    // The middle of some faces; where `upon`, of the facet nearest to it, and so on the part itself.
    middle(chosen, upon = true) {
      let sum = [0, 0, 0], count = 0;
      const each = told => { for (let i = 0; i < part.owner.length; i++) if (chosen.has(part.owner[i])) told([0, 1, 2].map(k => part.positions[3 * i + k])); };
      each(p => { sum = sum.map((v, k) => v + p[k]); count += 1; });
      if (!count) return null;
      const mean = sum.map(v => v / count);
      if (!upon) return mean;
      let best = mean, least = Infinity;
      for (let t = 0; t < part.index.length; t += 3) {
        if (!chosen.has(part.owner[part.index[t]])) continue;
        const m = [0, 1, 2].map(k => [0, 1, 2].reduce((v, c) => v + part.positions[3 * part.index[t + c] + k] / 3, 0));
        const away = Math.hypot(...m.map((v, k) => v - mean[k]));
        if (away < least) [best, least] = [m, away];
      }
      return best;
    },
    // Stands the part in other axes, as on a machine; null in its own.
    setStand(to) { stand = to; },
    // From where to where the part reaches along an axis: the range of a section's offset.
    range: axis => bounds(box(model.low, model.high), axes[axis]),
    // Map of face to [dx, dy, dz] in model coordinates; an empty map puts all together.
    setExplode(moves) {
      for (let i = 0; i < part.count; i++) part.shift.values.fill(0, 4 * i, 4 * i + 3);
      for (const [face, move] of moves) if (face < part.count) part.shift.values.set(move, 4 * face);
      part.shift.send();
      frame();
    },
    // Shows a stock body as a veil over the part or, with `veil` false, instead of it; null takes it away.
    setBody(name, told = null, veil = true) {
      if (body) unload(body);
      body = name === null || !told ? null : { name, low: told.low, high: told.high, ...load(told) };
      over = veil;
      redraw();
    },
    // Shows what holds the part, seen through; null takes it away.
    setHolder(told) {
      if (holder) unload(holder);
      holder = told ? { low: told.low, high: told.high, ...load(told) } : null;
      redraw();
    },
    // Shows the body before a step as a veil over the one after it: what the step takes. Lines of `told`, such
    // as the tool's way, are drawn with it; null takes it away.
    setTaken(told) {
      if (taken) unload(taken);
      taken = told ? { low: told.low, high: told.high, ...load(told, TAKEN) } : null;
      redraw();
    },
    setView(name) { turn = VIEWS[name] ?? VIEWS.iso; frame(); },
    frame: () => frame(),
    dispose() {
      gone = true;
      [asked, hovering].forEach(cancelAnimationFrame);
      watcher.disconnect();
      for (const [name, act] of Object.entries(events)) canvas.removeEventListener(name, act);
      [part, body, taken, holder].filter(Boolean).forEach(unload);
      [faces, edges].forEach(p => gl.deleteProgram(p.made));
    },
    picture() { draw(); return canvas.toDataURL("image/png"); },
  };

  for (const [name, act] of Object.entries(events)) canvas.addEventListener(name, act, { passive: false });
  canvas.addEventListener("webglcontextlost", () => { gone = true; });
  canvas.style.touchAction = "none";
  canvas.tabIndex = 0;
  canvas.setAttribute("role", "application");
  canvas.setAttribute("aria-roledescription", "3-D view");
  if (!canvas.hasAttribute("aria-label")) canvas.setAttribute("aria-label", HELP);
  const watcher = new ResizeObserver(redraw);
  watcher.observe(canvas);
  frame();
  return viewer;
}

// Says why there is no picture, and lets the page go on as if there were one.
function excuse(canvas) {
  const said = document.createElement("p");
  said.setAttribute("role", "alert");
  said.textContent = SORRY;
  canvas.replaceWith(said);
  const idle = () => {};
  return {
    setColours: idle, setMarked: idle, setEdges: idle, setSection: idle, setExplode: idle, setBody: idle, setView: idle,
    setHidden: idle, setEdgeWeight: idle, zoomTo: idle, onHover: () => idle, setHatch: idle, onTurn: idle, onDraw: idle, setTurn: idle,
    turned: () => [0, 0], project: () => [0, 0], isCut: () => false, facesAt: () => [], middle: () => null, setStand: idle, setHolder: idle, setTaken: idle, frame: idle, dispose: idle, onPick: () => idle, range: () => [0, 1], picture: () => "",
  };
}
