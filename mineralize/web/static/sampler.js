// @ts-check
/** Pictures of planes out of boxes of voxels, windowed here. For looking at, never for measuring. */

import { inverse } from "./geometry.js";

/** @typedef {import("./geometry.js").Vec} Vec */
/** @typedef {import("./geometry.js").Plane} Plane */
/** @typedef {{hu: Int16Array, shape: [number, number, number], back: number[]}} Box */

const OUTSIDE = -32768;

/** @param {ArrayBuffer} data @param {number[]} shape @param {number[]} affine @returns {Box} */
export function boxOf(data, shape, affine) {
  return { hu: new Int16Array(data), shape: [shape[0], shape[1], shape[2]], back: inverse(affine) };
}

/**
 * Values of a square picture of a plane: linear between voxels, the first box that holds a point being asked.
 * @param {Box[]} boxes
 * @param {Plane} plane
 * @param {number} field mm across
 * @param {number} size pixels across
 * @param {Int16Array} out size * size
 */
export function sample(boxes, plane, field, size, out) {
  out.fill(OUTSIDE);
  for (const box of boxes) fill(box, plane, field, size, out);
}

/** @param {Box} box @param {Plane} plane @param {number} field @param {number} size @param {Int16Array} out */
function fill(box, plane, field, size, out) {
  const [n, r, c] = box.shape;
  const m = box.back;
  const hu = box.hu;
  const step = field / size;
  const first = step / 2 - field / 2;
  const { centre: o, right: u, down: v } = plane;
  const start = [0, 1, 2].map((k) => o[k] + first * (u[k] + v[k]));
  const origin = [0, 4, 8].map((k) => m[k] * start[0] + m[k + 1] * start[1] + m[k + 2] * start[2] + m[k + 3]);
  const along = [0, 4, 8].map((k) => (m[k] * u[0] + m[k + 1] * u[1] + m[k + 2] * u[2]) * step);
  const below = [0, 4, 8].map((k) => (m[k] * v[0] + m[k + 1] * v[1] + m[k + 2] * v[2]) * step);
  const [di, dj, dk] = along;
  const rc = r * c;
  for (let y = 0; y < size; y++) {
    let i = origin[0] + y * below[0], j = origin[1] + y * below[1], k = origin[2] + y * below[2];
    // The part of the line that lies in the box, found once instead of asked at every pixel.
    let from = 0, to = size - 1;
    for (const [at, by, last] of [[i, di, n - 1], [j, dj, r - 1], [k, dk, c - 1]]) {
      if (Math.abs(by) < 1e-9) {
        if (at < 0 || at > last) to = -1;
      } else {
        const a = -at / by, b = (last - at) / by;
        from = Math.max(from, Math.ceil(Math.min(a, b) - 1e-6));
        to = Math.min(to, Math.floor(Math.max(a, b) + 1e-6));
      }
    }
    i += from * di; j += from * dj; k += from * dk;
    for (let x = from, at = y * size + from; x <= to; x++, at++, i += di, j += dj, k += dk) {
      if (out[at] !== OUTSIDE) continue;
      let a = i | 0, b = j | 0, d = k | 0;
      if (a > n - 2) a = n - 2 < 0 ? 0 : n - 2;
      if (b > r - 2) b = r - 2 < 0 ? 0 : r - 2;
      if (d > c - 2) d = c - 2 < 0 ? 0 : c - 2;
      const p = i - a, q = j - b, s = k - d;
      const at0 = a * rc + b * c + d;
      const at1 = n > 1 ? at0 + rc : at0;
      const near = (hu[at0] * (1 - s) + hu[at0 + 1] * s) * (1 - q) + (hu[at0 + c] * (1 - s) + hu[at0 + c + 1] * s) * q;
      const far = (hu[at1] * (1 - s) + hu[at1 + 1] * s) * (1 - q) + (hu[at1 + c] * (1 - s) + hu[at1 + c + 1] * s) * q;
      out[at] = near * (1 - p) + far * p;
    }
  }
}

/** Grey values from HU; what lies outside the scan is clear. @param {Int16Array} hu @param {[number, number]} range
 * @param {ImageData} image */
export function shade(hu, range, image) {
  const [low, high] = range;
  const gain = 255 / (high - low);
  const words = new Uint32Array(image.data.buffer);
  for (let at = 0; at < hu.length; at++) {
    const value = hu[at];
    if (value === OUTSIDE) {
      words[at] = 0;
      continue;
    }
    let grey = ((value - low) * gain) | 0;
    grey = grey < 0 ? 0 : grey > 255 ? 255 : grey;
    words[at] = 0xff000000 | (grey << 16) | (grey << 8) | grey;
  }
}

/** Tissues in plain words, with the range of HU that shows each apart. @type {Record<string, {text: string, range: [number, number]}>} */
export const TISSUES = {
  all: { text: "All tissues", range: [-200, 800] },
  mineral: { text: "Mineral", range: [0, 1400] },
  soft: { text: "Soft tissue", range: [-60, 140] },
  fat: { text: "Fat", range: [-180, 60] },
};
