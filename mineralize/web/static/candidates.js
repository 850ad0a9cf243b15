// @ts-check
/** Which of these is the lesion? What could be it, as pictures to choose from. */

import { el } from "./dom.js";
import { planeOf } from "./geometry.js";
import { Picture } from "./picture.js";
import { TISSUES } from "./sampler.js";

/** @param {import("./store.js").Store} store @param {HTMLElement} place
 * @param {(scan: number, at: import("./geometry.js").Vec) => void} take */
export function candidatesPanel(store, place, take) {
  const { doc } = store;
  const asked = doc.state !== "covered" && !doc.given?.table?.lesion && (!doc.measured || doc.measured.stale) && doc.candidates?.length;
  if (!asked) { place.replaceChildren(); return; }
  const stamp = JSON.stringify(doc.candidates);
  if (place.dataset.stamp === stamp && place.firstChild) return;
  place.dataset.stamp = stamp;
  /** @type {(() => void)[]} */ const draws = [];
  const items = doc.candidates.map((/** @type {any} */ c) => {
    const canvas = el("canvas", { width: 150, height: 150, "aria-hidden": "true" });
    const picture = new Picture(canvas);
    draws.push(() => {
      const plane = planeOf({ way: "across", turn: 0, tilt: 0, axis: null }, c.at);
      const boxes = [store.boxes.get(`whole-${c.scan}`)].filter((b) => b !== undefined);
      picture.draw({ boxes: /** @type {any} */ (boxes), mesh: null, depth: null, borders: [], marks: [{ kind: "point", points: [c.at] }] }, plane, 110,
        { range: TISSUES.all.range, outline: false, zones: false, marks: true, bar: 20, spot: null, ring: null });
    });
    const day = doc.scans.find((/** @type {any} */ s) => s.number === c.scan)?.day;
    return el("li", {}, el("button", { type: "button", onclick: () => take(c.scan, c.at) },
      canvas, el("span", {}, el("b", {}, `Candidate ${c.number}`), `, day ${day}: ${c.why}${c.bone_mm === null ? "" : `; ${Math.round(c.bone_mm)} mm from bone`}`)));
  });
  place.replaceChildren(el("section", { className: "candidates", "aria-labelledby": "which" },
    el("h2", { id: "which" }, "Which of these is the lesion?"),
    el("p", { className: "quiet" }, "Choose one, or point at the lesion yourself. Where it is clear by itself you may measure at once."),
    el("ol", {}, ...items)));
  for (const c of doc.candidates) store.fetchRest(c.scan);
  const draw = () => { for (const one of draws) one(); };
  draw();
  // Boxes may come after the pictures: draw again until all are there.
  let tries = 0;
  const again = () => { if (place.dataset.stamp === stamp && tries++ < 40) { draw(); if (doc.candidates.some((/** @type {any} */ c) => !store.boxes.has(`whole-${c.scan}`))) setTimeout(again, 250); } };
  setTimeout(again, 150);
}
