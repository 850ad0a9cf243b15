// @ts-check
/** Where a surface and its depths cut a plane, in mm from the picture's middle. */

import { dot, inverse, sub } from "./geometry.js";

/** @typedef {import("./geometry.js").Plane} Plane */
/** @typedef {{vertices: Float32Array, faces: Uint32Array, supported: Float32Array}} Mesh */
/** @typedef {{depth: Int16Array, shape: number[], affine: number[], back: number[]}} Field */

/** @param {ArrayBuffer} data @param {number} vertices @param {number} faces @returns {Mesh} */
export function meshOf(data, vertices, faces) {
  return {
    vertices: new Float32Array(data, 0, vertices * 3),
    faces: new Uint32Array(data, vertices * 12, faces * 3),
    supported: new Float32Array(data, vertices * 12 + faces * 12, vertices),
  };
}

/**
 * Segments [x1, y1, x2, y2, seen] where the mesh cuts the plane; seen is 0 where neighbours bridge the surface.
 * @param {Mesh} mesh @param {Plane} plane @returns {Float32Array}
 */
export function cut(mesh, plane) {
  const { vertices: v, faces: f, supported: s } = mesh;
  const count = v.length / 3;
  const h = new Float32Array(count), x = new Float32Array(count), y = new Float32Array(count);
  const { centre: c, right: r, down: d, normal: n } = plane;
  for (let i = 0, at = 0; i < count; i++, at += 3) {
    const px = v[at] - c[0], py = v[at + 1] - c[1], pz = v[at + 2] - c[2];
    h[i] = px * n[0] + py * n[1] + pz * n[2] || 1e-6;
    x[i] = px * r[0] + py * r[1] + pz * r[2];
    y[i] = px * d[0] + py * d[1] + pz * d[2];
  }
  /** @type {number[]} */ const found = [];
  for (let at = 0; at < f.length; at += 3) {
    const a = f[at], b = f[at + 1], e = f[at + 2];
    const above = (h[a] > 0 ? 1 : 0) + (h[b] > 0 ? 1 : 0) + (h[e] > 0 ? 1 : 0);
    if (above === 0 || above === 3) continue;
    let seen = 0;
    for (const [p, q] of [[a, b], [b, e], [e, a]]) {
      if (h[p] > 0 === h[q] > 0) continue;
      const t = h[p] / (h[p] - h[q]);
      found.push(x[p] + t * (x[q] - x[p]), y[p] + t * (y[q] - y[p]));
      seen += 0.5 * (s[p] + t * (s[q] - s[p]));
    }
    found.push(seen >= 0.5 ? 1 : 0);
  }
  return Float32Array.from(found);
}

/** @param {ArrayBuffer} data @param {number[]} shape @param {number[]} affine @returns {Field} */
export function fieldOf(data, shape, affine) {
  return { depth: new Int16Array(data), shape, affine, back: inverse(affine) };
}

/**
 * Segments [x1, y1, x2, y2] on which the depth below the outline has a value (marching squares on a grid of 1 mm).
 * @param {Field} field @param {Plane} plane @param {number} level mm @param {number} reach mm from the picture's middle
 */
export function contour(field, plane, level, reach) {
  const step = 1;
  const size = Math.ceil((2 * reach) / step) + 1;
  const grid = new Float32Array(size * size);
  const { centre: c, right: r, down: d } = plane;
  for (let i = 0; i < size; i++) {
    for (let j = 0; j < size; j++) {
      const u = -reach + j * step, w = -reach + i * step;
      grid[i * size + j] = depthAt(field, c[0] + u * r[0] + w * d[0], c[1] + u * r[1] + w * d[1], c[2] + u * r[2] + w * d[2]) - level;
    }
  }
  /** @type {number[]} */ const found = [];
  for (let i = 0; i + 1 < size; i++) {
    for (let j = 0; j + 1 < size; j++) {
      const q = [grid[i * size + j], grid[i * size + j + 1], grid[(i + 1) * size + j + 1], grid[(i + 1) * size + j]];
      const corners = [[j, i], [j + 1, i], [j + 1, i + 1], [j, i + 1]];
      /** @type {number[]} */ const ends = [];
      for (let k = 0; k < 4; k++) {
        const a = q[k], b = q[(k + 1) % 4];
        if (a > 0 === b > 0) continue;
        const t = a / (a - b);
        const [p, o] = [corners[k], corners[(k + 1) % 4]];
        ends.push(-reach + (p[0] + t * (o[0] - p[0])) * step, -reach + (p[1] + t * (o[1] - p[1])) * step);
      }
      if (ends.length >= 4) found.push(ends[0], ends[1], ends[2], ends[3]);
      if (ends.length === 8) found.push(ends[4], ends[5], ends[6], ends[7]);
    }
  }
  return found;
}

/** @param {Field} field @param {number} x @param {number} y @param {number} z */
function depthAt(field, x, y, z) {
  const m = field.back;
  const [n, r, c] = field.shape;
  const i = m[0] * x + m[1] * y + m[2] * z + m[3];
  const j = m[4] * x + m[5] * y + m[6] * z + m[7];
  const k = m[8] * x + m[9] * y + m[10] * z + m[11];
  if (i < 0 || j < 0 || k < 0 || i > n - 1.001 || j > r - 1.001 || k > c - 1.001) return -99;
  const a = i | 0, b = j | 0, d = k | 0;
  const p = i - a, q = j - b, s = k - d;
  const at = (a * r + b) * c + d, far = at + r * c;
  const g = field.depth;
  const near = (g[at] * (1 - s) + g[at + 1] * s) * (1 - q) + (g[at + c] * (1 - s) + g[at + c + 1] * s) * q;
  const back = (g[far] * (1 - s) + g[far + 1] * s) * (1 - q) + (g[far + c] * (1 - s) + g[far + c + 1] * s) * q;
  return (near * (1 - p) + back * p) / 100;
}

/** A point's place in a picture, and how far it lies off the plane, mm. @param {Plane} plane @param {import("./geometry.js").Vec} p */
export function placed(plane, p) {
  const away = sub(p, plane.centre);
  return { x: dot(away, plane.right), y: dot(away, plane.down), off: dot(away, plane.normal) };
}
