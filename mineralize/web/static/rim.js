// @ts-check
/** The rim unwrapped, one equal-area map per scan, under its column; a place on a map is shown in the pictures and back. */

import { get } from "./api.js";
import { el, say } from "./dom.js";
import { apply, dot, sub, unit } from "./geometry.js";

const WIDE = 200, HIGH = 100;
const NAMES = ["gap", "mineral", "unresolved", "on the bone"];

/** Mollweide's projection (Snyder 1987, p. 249): place (-2..2, -1..1) of an LPS direction; anterior in the middle.
 * @param {import("./geometry.js").Vec} d */
function forward(d) {
  const [x, y, z] = unit(d);
  const lon = Math.atan2(x, -y);
  let t = Math.asin(Math.max(-1, Math.min(1, z)));
  for (let n = 0; n < 20; n++) {
    const slope = 2 + 2 * Math.cos(2 * t);
    if (slope < 1e-9) break;
    t -= (2 * t + Math.sin(2 * t) - Math.PI * z) / slope;
  }
  return [((2 / Math.PI) * lon * Math.cos(t)), Math.sin(t)];
}

/** @param {number} x @param {number} y @returns {import("./geometry.js").Vec | null} */
function backward(x, y) {
  if ((x / 2) ** 2 + y ** 2 >= 1) return null;
  const t = Math.asin(y);
  const lat = Math.asin(Math.max(-1, Math.min(1, (2 * t + Math.sin(2 * t)) / Math.PI)));
  const lon = (Math.PI * x) / (2 * Math.cos(t));
  return [Math.cos(lat) * Math.sin(lon), -Math.cos(lat) * Math.cos(lon), Math.sin(lat)];
}

/** Hang a map under every picture. @param {import("./store.js").Store} store @param {import("./strip.js").Strip} strip */
export async function rimRow(store, strip) {
  const outlines = store.doc.measured.outlines.filter((/** @type {any} */ o) => o.rim);
  if (!outlines.length) return;
  const rims = await Promise.all(outlines.map((/** @type {any} */ o) => get(`${store.path}/rim/${o.scan}`)));
  const top = Math.max(300, ...rims.flatMap((r) => r.peak.map((/** @type {any} */ v) => v ?? 0)));
  /** @type {(() => void)[]} */ const marks = [];
  for (const scan of store.doc.scans) {
    const n = outlines.findIndex((/** @type {any} */ o) => o.scan === scan.number);
    const slot = strip.columns.get(scan.number)?.below;
    if (!slot) continue;
    if (n < 0) { slot.replaceChildren(el("p", { className: "quiet" }, "no outline was laid out")); continue; }
    const map = new RimMap(store, outlines[n], rims[n], scan, top);
    marks.push(() => map.mark());
    slot.replaceChildren(map.element);
  }
  strip.note.replaceChildren(
    el("h2", {}, "The outline unwrapped"),
    el("p", { className: "quiet" }, "The outline as seen from its centre, equal areas as equal areas. A front, L left, P back, R right, S head, I feet. Choose a place to see it in every picture."),
    el("ul", { className: "key" }, ...NAMES.map((n, i) => el("li", {}, el("span", { className: `swatch s${i}`, "aria-hidden": "true" }), i === 1 ? `mineral, lighter is denser, up to ${top} HU` : n))));
  store.spotted = () => { for (const one of marks) one(); };
  store.spotted();
}

class RimMap {
  /** @param {import("./store.js").Store} store @param {any} told @param {any} rim @param {any} scan @param {number} top HU */
  constructor(store, told, rim, scan, top) {
    this.top = top;
    this.store = store; this.told = told; this.rim = rim; this.scan = scan;
    this.at = { x: 0, y: 0 };
    this.canvas = el("canvas", { width: 2 * WIDE, height: 2 * HIGH, "aria-hidden": "true" });
    this.words = el("p", { className: "quiet told" }, "");
    this.frame = el("div", { className: "map", tabIndex: 0, role: "slider", "aria-label": `Outline of scan ${scan.number}, day ${scan.day}: place on the map`, "aria-valuemin": "-180", "aria-valuemax": "180", "aria-valuenow": "0", "aria-valuetext": "no place chosen" }, this.canvas);
    this.element = el("div", {}, this.frame, this.words);
    this.back = this.paint();
    this.frame.addEventListener("pointerdown", (e) => {
      const box = this.canvas.getBoundingClientRect();
      this.choose(((e.clientX - box.left) / box.width - 0.5) * 4, (0.5 - (e.clientY - box.top) / box.height) * 2);
    });
    this.frame.addEventListener("keydown", (e) => {
      const by = { ArrowLeft: [-0.08, 0], ArrowRight: [0.08, 0], ArrowUp: [0, 0.08], ArrowDown: [0, -0.08] }[e.key];
      if (!by) return;
      e.preventDefault();
      this.choose(this.at.x + by[0], this.at.y + by[1]);
    });
  }

  /** Nearest vertex of a direction. @param {import("./geometry.js").Vec} d */
  nearest(d) {
    let best = -2, found = 0;
    for (const [i, v] of this.rim.direction.entries()) {
      const near = v[0] * d[0] + v[1] * d[1] + v[2] * d[2];
      if (near > best) { best = near; found = i; }
    }
    return found;
  }

  paint() {
    const held = document.createElement("canvas");
    held.width = WIDE; held.height = HIGH;
    const brush = held.getContext("2d");
    if (!brush) return held;
    const image = brush.createImageData(WIDE, HIGH);
    // A coarse lookup of directions keeps the search short.
    const cells = new Map();
    const cell = (/** @type {number[]} */ d) => d.map((v) => Math.round(v * 6)).join();
    for (const [i, v] of this.rim.direction.entries()) { const k = cell(v); cells.set(k, [...(cells.get(k) ?? []), i]); }
    for (let row = 0; row < HIGH; row++) {
      for (let column = 0; column < WIDE; column++) {
        const d = backward(((column + 0.5) / WIDE - 0.5) * 4, (0.5 - (row + 0.5) / HIGH) * 2);
        if (!d) continue;
        let best = -2, found = 0;
        for (const i of cells.get(cell(d)) ?? []) { const near = dot(this.rim.direction[i], d); if (near > best) { best = near; found = i; } }
        if (best < -1) found = this.nearest(d);
        const state = this.rim.state[found], peak = this.rim.peak[found] ?? 0;
        const grey = Math.max(0, Math.min(1, peak / this.top));
        let colour = [70 + 180 * grey, 52 + 180 * grey, 44 + 165 * grey];
        if (state === 0) colour = (row + column) % 6 < 2 ? [104, 78, 66] : [34, 28, 26];
        if (state === 2) colour = row % 5 < 2 && column % 5 < 2 ? [150, 128, 112] : [58, 48, 44];
        if (state === 3) colour = (row - column + 300) % 6 < 2 ? [60, 96, 104] : [130, 168, 172];
        image.data.set([...colour, 255], 4 * (row * WIDE + column));
      }
    }
    brush.putImageData(image, 0, 0);
    return held;
  }

  draw() {
    const brush = this.canvas.getContext("2d");
    if (!brush) return;
    brush.setTransform(2, 0, 0, 2, 0, 0);
    brush.clearRect(0, 0, WIDE, HIGH);
    brush.save();
    brush.beginPath(); brush.ellipse(WIDE / 2, HIGH / 2, WIDE / 2 - 0.5, HIGH / 2 - 0.5, 0, 0, 7); brush.clip();
    brush.imageSmoothingEnabled = false;
    brush.drawImage(this.back, 0, 0);
    brush.restore();
    brush.font = "600 9px system-ui, sans-serif";
    brush.textAlign = "center"; brush.textBaseline = "middle";
    for (const [text, d] of /** @type {[string, import("./geometry.js").Vec][]} */ ([["A", [0, -1, 0]], ["L", [1, 0, 0]], ["R", [-1, 0, 0]], ["S", [0, -0.36, 0.93]], ["I", [0, -0.36, -0.93]], ["P", [0.17, 0.98, 0]], ["P", [-0.17, 0.98, 0]]])) {
      const [x, y] = forward(d);
      brush.lineWidth = 2.5; brush.strokeStyle = "rgba(0,0,0,.8)"; brush.fillStyle = "#fff6ea";
      brush.strokeText(text, (x / 4 + 0.5) * WIDE, (0.5 - y / 2) * HIGH);
      brush.fillText(text, (x / 4 + 0.5) * WIDE, (0.5 - y / 2) * HIGH);
    }
  }

  /** Choose a place on this map: the point of the outline there becomes the common place. @param {number} x @param {number} y */
  choose(x, y) {
    const r = Math.hypot(x / 2, y);
    if (r > 0.98) { x *= 0.98 / r; y *= 0.98 / r; }
    const d = backward(x, y);
    const shape = this.store.shapes.get(this.told.name);
    if (!d || !shape) return;
    const v = this.nearest(d);
    /** @type {import("./geometry.js").Vec} */ const point = [shape.mesh.vertices[3 * v], shape.mesh.vertices[3 * v + 1], shape.mesh.vertices[3 * v + 2]];
    const { store } = this;
    const told = store.alignmentOf(this.scan.number);
    if (told.trust === "withheld") {
      const plane = store.plane(this.scan.number);
      store.moveOf(this.scan.number).offset += dot(sub(point, plane.centre), plane.normal);
      store.draw();
      return;
    }
    store.spot = apply(told.matrix, point);
    const plane = store.plane(store.doc.measured.reference_scan);
    store.move.offset += dot(sub(store.spot, plane.centre), plane.normal);
    store.draw();
    store.spotted?.();
    say(this.words.textContent ?? "");
  }

  /** Show the common place on this map. */
  mark() {
    this.draw();
    const { store } = this;
    const link = store.link(this.scan.number);
    if (!store.spot || !link) { this.words.textContent = ""; return; }
    const away = sub(apply(link, store.spot), this.told.centroid);
    const [x, y] = forward(unit(away));
    this.at = { x, y };
    const brush = this.canvas.getContext("2d");
    if (brush) {
      for (const [width, colour] of /** @type {[number, string][]} */ ([[4, "rgba(0,0,0,.8)"], [1.8, "#ffffff"]])) {
        brush.beginPath(); brush.arc((x / 4 + 0.5) * WIDE, (0.5 - y / 2) * HIGH, 5, 0, 7); brush.lineWidth = width; brush.strokeStyle = colour; brush.stroke();
      }
    }
    const v = this.nearest(unit(away));
    const thick = this.rim.thickness[v];
    const text = `${NAMES[this.rim.state[v]]}, up to ${this.rim.peak[v] ?? "–"} HU${thick ? `, ${thick.toFixed(1)} mm thick` : ""}`;
    this.words.textContent = text;
    this.frame.setAttribute("aria-valuenow", String(Math.round(x * 90)));
    this.frame.setAttribute("aria-valuetext", text);
  }
}
