// @ts-check
/** What a click in a picture means while an action is under way. */

import { say, today } from "./dom.js";

/** @typedef {import("./geometry.js").Vec} Vec */
/**
 * @typedef {{name: string, hint: string, click: (scan: number, point: Vec) => void, leave: () => void,
 *   pulls?: boolean, marks?: (scan: number) => import("./picture.js").Mark[], finish?: () => void, finishText?: string}} Tool
 */

/** @param {import("./store.js").Store} store @param {() => void} left called when the tool is put down */
export function toolbox(store, left) {
  const leave = () => { store.tool = null; left(); store.draw(); };
  const rounded = (/** @type {Vec} */ p) => /** @type {Vec} */ (p.map((v) => Math.round(v * 100) / 100));
  const again = (/** @type {number} */ scan, /** @type {Vec} */ at) => store.start({ do: "outline", scan, at: rounded(at) }, true);
  const seed = (/** @type {number} */ scan, /** @type {Vec} */ fallback) => {
    const lesion = store.doc.given?.table?.lesion;
    if (lesion?.seed && (lesion.scan ?? 1) === scan) return lesion.seed;
    return store.outlineOf(scan)?.centroid ?? fallback;
  };

  /** @param {number} scan @param {Vec} point */
  const pointAt = async (scan, point) => {
    leave();
    if (store.doc.job?.state === "running") await store.cancel();
    if (await store.act({ do: "point", scan, at: rounded(point) })) {
      say(`The lesion is pointed at in scan ${scan}. Its outline is being drawn.`);
      await again(scan, point);
    }
  };

  /** @returns {Tool} */
  const point = () => ({
    name: "point",
    hint: "Click the lesion in any scan. By keyboard: go to a picture with Tab, move the ring with the arrow keys, through the scan with Page Up and Page Down, set it with Enter; Escape leaves.",
    click: pointAt,
    leave,
  });

  /** @param {() => boolean} carry @returns {Tool} */
  const margin = (carry) => ({
    name: "margin",
    pulls: true,
    hint: "Click where the margin runs, or pull the outline there: it is drawn anew through that place. Several places may be set, in any plane and scan.",
    click: async (scan, at) => {
      if (await store.act({ do: "margin", scan, at: rounded(at), carry: carry(), today: today() })) {
        say("The margin is set here. The outline is being drawn anew.");
        await again(scan, seed(scan, at));
      }
    },
    leave,
  });

  /** @param {() => boolean} carry @returns {Tool} */
  const contour = (carry) => {
    /** @type {Vec[]} */ let points = [];
    let where = 0;
    return {
      name: "contour",
      hint: "Click along the margin in one plane, at least three places, then close the contour. Contours in several planes are joined by what lies between.",
      finishText: "Close the contour",
      click: (scan, at) => {
        if (points.length && scan !== where) { say("A contour lies in one scan; close it first."); return; }
        where = scan;
        points.push(rounded(at));
        say(`${points.length} places`);
        store.draw();
      },
      finish: async () => {
        if (points.length < 3) { say("A contour needs at least three places."); return; }
        const drawn = points, scan = where;
        points = [];
        if (await store.act({ do: "contour", scan, points: drawn, carry: carry(), today: today() })) await again(scan, seed(scan, drawn[0]));
      },
      marks: (scan) => (scan === where && points.length ? [{ kind: "contour", points }] : []),
      leave,
    };
  };

  /** @param {"add" | "take"} act @returns {Tool} */
  const mineral = (act) => ({
    name: act,
    hint: act === "add" ? "Click a part of the mineral that belongs to the lesion and was left out." : "Click a part of the mineral that does not belong to the lesion.",
    click: async (scan, at) => {
      if (await store.act({ do: "mineral", scan, at: rounded(at), act, today: today() })) await again(scan, seed(scan, at));
    },
    leave,
  });

  /** @param {() => boolean} whole whether tissue was cut out at a place, without a needle's way @param {() => number | null} day
   * @returns {Tool} */
  const biopsy = (whole, day) => {
    /** @type {Vec | null} */ let entry = null;
    let where = 0;
    return {
      name: "biopsy",
      get hint() { return whole() ? "Click where the tissue was cut out." : "Click where the needle went in, then where its tip was, in the same scan. By keyboard: arrow keys move the ring, Enter sets it."; },
      click: async (scan, at) => {
        if (!whole() && (!entry || scan !== where)) {
          entry = rounded(at);
          where = scan;
          say("Entry set. Now click where the tip was.");
          store.draw();
          return;
        }
        const from = whole() ? null : entry;
        entry = null;
        leave();
        if (await store.act({ do: "biopsy", scan, entry: from, target: rounded(at), day: day() })) {
          say("The biopsy is marked.");
          await store.placeBiopsy?.({ scan, entry: from, target: rounded(at), day: day() });
        }
      },
      marks: (scan) => (entry && scan === where ? [{ kind: "contour", points: [entry] }] : []),
      leave,
    };
  };

  return { point, pointAt, margin, contour, mineral, biopsy, leave };
}
