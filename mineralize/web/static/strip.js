// @ts-check
/** The history strip: every scan in a column under its day, the same plane in each, moved through together. */

import { choices, el, say } from "./dom.js";
import { apply, scale, towards } from "./geometry.js";
import { Picture } from "./picture.js";
import { TISSUES } from "./sampler.js";

const WAYS = [
  { value: "across", text: "Across the limb" },
  { value: "front", text: "From the front" },
  { value: "side", text: "From the side" },
];
const CLICK_PX = 5;
const BEYOND_MM = 25, WIDE_MM = 110;
/** Farther from the lesion, or wider, the compact voxels around it may not reach. */

export class Strip {
  /** @param {import("./store.js").Store} store */
  constructor(store) {
    this.store = store;
    this.element = el("div", { className: "columns pictures" });
    /** @type {Map<number, {picture: Picture, frame: HTMLElement, below: HTMLElement, ring: {x: number, y: number}}>} */
    this.columns = new Map();
    this.note = el("div", { className: "note" });
    this.waiting = false;
    this.drawn = 0;
    store.redraw = () => this.schedule();
    new ResizeObserver(() => this.schedule()).observe(this.element);
  }

  /** Build the columns anew. */
  build() {
    const { store } = this;
    this.columns.clear();
    this.note.replaceChildren();
    this.element.replaceChildren(this.controls(), ...store.doc.scans.map((/** @type {any} */ scan) => this.column(scan)));
    this.schedule();
  }

  /** @returns {HTMLElement} */
  controls() {
    const { store } = this;
    const { view } = store;
    const set = (/** @type {Partial<typeof view>} */ change) => { Object.assign(view, change); this.schedule(); };
    const slider = (/** @type {string} */ text, /** @type {"turn" | "tilt"} */ name, /** @type {number} */ most) => {
      const told = el("output", {}, `${view[name]}°`);
      return el("label", { className: "slide" }, text, told, el("input", {
        type: "range", min: String(-most), max: String(most), step: "1", value: String(view[name]),
        oninput: (/** @type {any} */ e) => { told.textContent = `${e.target.value}°`; set({ [name]: Number(e.target.value) }); },
      }));
    };
    const box = (/** @type {string} */ text, /** @type {"outline" | "zones" | "follow"} */ name) =>
      el("label", { className: "tick" }, el("input", { type: "checkbox", checked: view[name], onchange: (/** @type {any} */ e) => set({ [name]: e.target.checked }) }), el("span", {}, text));
    const zoom = (/** @type {number} */ by) => set({ field: Math.min(500, Math.max(30, Math.round(store.field() * by / 5) * 5)) });
    return el(
      "div",
      { className: "gutter looks", role: "group", "aria-label": "How the scans are shown" },
      choices("Seen", WAYS, view.way, (way) => { store.move = { offset: 0, pan: [0, 0] }; store.own.clear(); set({ way }); }, "way"),
      slider("Turned about the limb", "turn", 90),
      slider("Tilted", "tilt", 60),
      store.doc.measured?.axis ? box("Follow the bone", "follow") : null,
      choices("Brightness for", Object.entries(TISSUES).map(([value, t]) => ({ value, text: t.text, title: `${t.range[0]} to ${t.range[1]} HU` })), view.tissue, (tissue) => set({ tissue }), "tissue"),
      el("div", { className: "ticks" }, box("Outline", "outline"), box("Zones", "zones")),
      el("div", { className: "sizes" },
        el("button", { type: "button", onclick: () => zoom(0.8) }, "Closer"),
        el("button", { type: "button", onclick: () => zoom(1.25) }, "Farther"),
        el("button", { type: "button", onclick: () => { store.move = { offset: 0, pan: [0, 0] }; store.own.clear(); Object.assign(view, { turn: 0, tilt: 0, field: 0 }); this.build(); } }, "Back to the middle")),
      this.note,
    );
  }

  /** @param {any} scan @returns {HTMLElement} */
  column(scan) {
    const { store } = this;
    const told = store.alignmentOf(scan.number);
    const measured = Boolean(store.doc.measured);
    const apart = measured && told?.trust === "withheld";
    const outline = store.outlineOf(scan.number);
    const canvas = el("canvas", { width: 200, height: 200, "aria-hidden": "true" });
    const frame = el("div", {
      className: "frame", tabIndex: 0, role: "slider", "aria-orientation": "vertical",
      "aria-label": `Scan ${scan.number}, day ${scan.day}: position of the picture`,
      "aria-valuemin": "-500", "aria-valuemax": "500", "aria-valuenow": "0",
    }, canvas);
    const picture = new Picture(canvas);
    const below = el("div", { className: "below" });
    this.columns.set(scan.number, { picture, frame, below, ring: { x: 0, y: 0 } });
    this.listen(scan.number, frame, picture);
    const lines = [];
    if (apart) lines.push(el("p", { className: "why apart" }, `Not lined up, shown by itself: ${told.reason}`));
    else if (told?.trust === "caution") lines.push(el("p", { className: "why" }, `Lined up with caution: ${told.reason}`));
    else if (!measured && store.doc.scans.length > 1) lines.push(el("p", { className: "why" }, "Not lined up yet"));
    const first = store.doc.first?.[scan.number];
    if (outline && !(measured && !store.doc.measured.stale)) lines.push(el("p", { className: "why" }, `First outline, ${(outline.volume_mm3 / 1000).toFixed(1)} cm³${outline.trust === "ok" ? "" : `; ${outline.trust}: ${outline.reason}`}`));
    else if (outline && outline.trust !== "ok") lines.push(el("p", { className: "why" }, `Outline ${outline.trust}: ${outline.reason}`));
    else if (!outline && first?.why_not) lines.push(el("p", { className: "why" }, first.why_not));
    else if (!outline && measured) lines.push(el("p", { className: "why" }, "The lesion was not outlined in this scan"));
    return el("figure", { className: apart ? "column apart" : "column" },
      el("figcaption", {}, el("b", {}, `Day ${scan.day}`), ` scan ${scan.number}`), frame, below, ...lines);
  }

  /** @param {number} scan @param {HTMLElement} frame @param {Picture} picture */
  listen(scan, frame, picture) {
    const { store } = this;
    const place = (/** @type {PointerEvent} */ e) => {
      const box = frame.getBoundingClientRect();
      return { x: (e.clientX - box.left) / box.width, y: (e.clientY - box.top) / box.height };
    };
    frame.addEventListener("wheel", (e) => {
      e.preventDefault();
      this.through(scan, -Math.sign(e.deltaY) * (e.shiftKey ? 5 : 1));
    }, { passive: false });
    /** @type {{x: number, y: number, offset: number, pan: [number, number], moved: boolean} | null} */ let grip = null;
    frame.addEventListener("pointerdown", (e) => {
      if (e.button > 0) return;
      frame.setPointerCapture(e.pointerId);
      const move = store.moveOf(scan);
      grip = { x: e.clientX, y: e.clientY, offset: move.offset, pan: [move.pan[0], move.pan[1]], moved: false };
    });
    frame.addEventListener("pointermove", (e) => {
      const at = place(e);
      this.column_(scan).ring = { x: (at.x - 0.5) * store.field(), y: (at.y - 0.5) * store.field() };
      if (!grip) { if (store.tool) this.schedule(); return; }
      const dx = e.clientX - grip.x, dy = e.clientY - grip.y;
      if (!grip.moved && Math.hypot(dx, dy) < CLICK_PX) return;
      grip.moved = true;
      const mm = store.field() / frame.clientWidth;
      const move = store.moveOf(scan);
      if (e.shiftKey) move.pan = [grip.pan[0] - dx * mm, grip.pan[1] - dy * mm];
      else if (store.tool?.pulls) grip.moved = true; // the outline is pulled to where it is let go
      else move.offset = grip.offset + dy * mm * 0.6;
      this.schedule();
    });
    frame.addEventListener("pointerup", (e) => {
      const held = grip;
      grip = null;
      if (!held || (held.moved && !store.tool?.pulls)) return;
      const at = place(e);
      this.clicked(scan, picture.world(at.x, at.y));
    });
    frame.addEventListener("pointercancel", () => { grip = null; });
    frame.addEventListener("keydown", (e) => this.key(scan, picture, e));
    frame.addEventListener("focus", () => this.schedule());
    frame.addEventListener("blur", () => this.schedule());
  }

  /** @param {number} scan */
  column_(scan) {
    const held = this.columns.get(scan);
    if (!held) throw new Error("no such column");
    return held;
  }

  /** @param {number} scan @param {Picture} picture @param {KeyboardEvent} e */
  key(scan, picture, e) {
    const { store } = this;
    const held = this.column_(scan);
    const step = e.shiftKey ? 5 : 1;
    const arrows = { ArrowUp: [0, -1], ArrowDown: [0, 1], ArrowLeft: [-1, 0], ArrowRight: [1, 0] };
    const arrow = arrows[/** @type {keyof typeof arrows} */ (e.key)];
    const half = store.field() / 2;
    if (arrow && store.tool) {
      held.ring.x = Math.max(-half, Math.min(half, held.ring.x + arrow[0] * step));
      held.ring.y = Math.max(-half, Math.min(half, held.ring.y + arrow[1] * step));
      say(`Ring ${Math.round(held.ring.x)} mm across, ${Math.round(held.ring.y)} mm down from the middle of the picture`);
      this.schedule();
    } else if (arrow && e.altKey) {
      const pan = store.moveOf(scan).pan;
      pan[0] += 5 * arrow[0];
      pan[1] += 5 * arrow[1];
      this.schedule();
    } else if (e.key === "ArrowUp" || e.key === "ArrowRight") this.through(scan, step);
    else if (e.key === "ArrowDown" || e.key === "ArrowLeft") this.through(scan, -step);
    else if (e.key === "PageUp") this.through(scan, store.tool ? 1 : 10);
    else if (e.key === "PageDown") this.through(scan, store.tool ? -1 : -10);
    else if (e.key === "Home") { Object.assign(store.moveOf(scan), { offset: 0, pan: [0, 0] }); this.schedule(); }
    else if ((e.key === "Enter" || e.key === " ") && store.tool) this.clicked(scan, picture.world(0.5 + held.ring.x / (2 * half), 0.5 + held.ring.y / (2 * half)));
    else if (e.key === "Escape" && store.tool) store.tool.leave();
    else return;
    e.preventDefault();
  }

  /** Move along the picture's normal. @param {number} scan @param {number} mm */
  through(scan, mm) {
    const move = this.store.moveOf(scan);
    move.offset = Math.max(-500, Math.min(500, move.offset + mm));
    this.schedule();
  }

  /** @param {number} scan @param {import("./geometry.js").Vec | null} point */
  clicked(scan, point) {
    const { store } = this;
    if (!point) return;
    if (store.tool) { store.tool.click(scan, point); return; }
    const told = store.alignmentOf(scan);
    if (told && told.trust !== "withheld") {
      store.spot = apply(told.matrix, point);
      this.schedule();
      store.spotted?.();
    }
  }

  schedule() {
    if (this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(() => { this.waiting = false; this.draw(); });
  }

  draw() {
    const { store } = this;
    if (!store.doc || store.doc.state === "covered") return;
    const field = store.field();
    const bar = [100, 50, 20, 10, 5].find((mm) => mm <= field / 3) ?? 5;
    const { view } = store;
    for (const [scan, { picture, frame, ring }] of this.columns) {
      const content = store.content(scan);
      frame.classList.toggle("empty", !content.boxes.length);
      const plane = store.plane(scan);
      const link = store.link(scan);
      const move = store.moveOf(scan);
      if (Math.abs(move.offset) > BEYOND_MM || Math.hypot(...move.pan) > BEYOND_MM || view.field > WIDE_MM || view.turn || view.tilt || view.way !== "across") store.fetchRest(scan);
      picture.draw(content, plane, field, {
        range: TISSUES[view.tissue].range, outline: view.outline, zones: view.zones, marks: view.outline || Boolean(store.tool), bar,
        spot: store.spot && link ? apply(link, store.spot) : null,
        ring: store.tool && (frame.matches(":focus") || frame.matches(":hover")) ? ring : null,
      });
      const offset = Math.round(store.moveOf(scan).offset);
      frame.setAttribute("aria-valuenow", String(offset));
      frame.setAttribute("aria-valuetext", offset === 0 ? "in the middle" : `${Math.abs(offset)} mm towards the ${towards(scale(plane.normal, Math.sign(offset)))}`);
    }
    this.drawn += 1;
    this.element.dataset.drawn = String(this.drawn);
  }
}
