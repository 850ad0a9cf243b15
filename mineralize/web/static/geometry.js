// @ts-check
/** Points, directions and planes. World coordinates are LPS mm; a matrix is 16 numbers, row by row. */

/** @typedef {[number, number, number]} Vec */
/** @typedef {{centre: Vec, right: Vec, down: Vec, normal: Vec}} Plane */

/** @param {Vec} a @param {Vec} b @returns {Vec} */
export const add = (a, b) => [a[0] + b[0], a[1] + b[1], a[2] + b[2]];
/** @param {Vec} a @param {Vec} b @returns {Vec} */
export const sub = (a, b) => [a[0] - b[0], a[1] - b[1], a[2] - b[2]];
/** @param {Vec} a @param {number} s @returns {Vec} */
export const scale = (a, s) => [a[0] * s, a[1] * s, a[2] * s];
/** @param {Vec} a @param {Vec} b */
export const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
/** @param {Vec} a @param {Vec} b @returns {Vec} */
export const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
/** @param {Vec} a */
export const length = (a) => Math.hypot(a[0], a[1], a[2]);
/** @param {Vec} a @returns {Vec} */
export const unit = (a) => scale(a, 1 / (length(a) || 1));

/** @param {number[]} m @param {Vec} p @returns {Vec} */
export const apply = (m, p) => [
  m[0] * p[0] + m[1] * p[1] + m[2] * p[2] + m[3],
  m[4] * p[0] + m[5] * p[1] + m[6] * p[2] + m[7],
  m[8] * p[0] + m[9] * p[1] + m[10] * p[2] + m[11],
];

/** A direction moved by a matrix. @param {number[]} m @param {Vec} d @returns {Vec} */
export const turn = (m, d) => [
  m[0] * d[0] + m[1] * d[1] + m[2] * d[2],
  m[4] * d[0] + m[5] * d[1] + m[6] * d[2],
  m[8] * d[0] + m[9] * d[1] + m[10] * d[2],
];

/** The inverse of an affine matrix. @param {number[]} m @returns {number[]} */
export function inverse(m) {
  const [a, b, c, x, d, e, f, y, g, h, i, z] = m;
  const A = e * i - f * h, B = c * h - b * i, C = b * f - c * e;
  const det = a * A + d * B + g * C;
  const r = [A, B, C, f * g - d * i, a * i - c * g, c * d - a * f, d * h - e * g, b * g - a * h, a * e - b * d].map((v) => v / det);
  const t = [0, 1, 2].map((k) => -(r[3 * k] * x + r[3 * k + 1] * y + r[3 * k + 2] * z));
  return [r[0], r[1], r[2], t[0], r[3], r[4], r[5], t[1], r[6], r[7], r[8], t[2], 0, 0, 0, 1];
}

/** Turned about a unit axis by degrees. @param {Vec} v @param {Vec} axis @param {number} degrees @returns {Vec} */
export function about(v, axis, degrees) {
  const t = (degrees * Math.PI) / 180;
  const c = Math.cos(t), s = Math.sin(t);
  return add(add(scale(v, c), scale(cross(axis, v), s)), scale(axis, dot(axis, v) * (1 - c)));
}

/**
 * A plane of a view through a point.
 * @param {{way: string, turn: number, tilt: number, axis: Vec | null}} view
 * @param {Vec} centre
 * @returns {Plane}
 */
export function planeOf(view, centre) {
  /** @type {Vec} */ let up = view.axis ?? [0, 0, 1];
  /** @type {Vec} */ let left = unit(sub([1, 0, 0], scale(up, up[0])));
  left = about(left, up, view.turn);
  const back = cross(up, left);
  /** @type {[Vec, Vec, Vec]} */
  const [right, down, normal] =
    view.way === "across" ? [left, back, up] : view.way === "front" ? [left, scale(up, -1), back] : [back, scale(up, -1), left];
  return { centre, right, down: about(down, right, view.tilt), normal: about(normal, right, view.tilt) };
}

/** The same plane in another scan. @param {Plane} plane @param {number[]} matrix @returns {Plane} */
export function carried(plane, matrix) {
  return { centre: apply(matrix, plane.centre), right: turn(matrix, plane.right), down: turn(matrix, plane.down), normal: turn(matrix, plane.normal) };
}

/** The anatomical letter that a direction mostly points to. @param {Vec} d */
export function letter(d) {
  const sizes = d.map(Math.abs);
  const k = sizes.indexOf(Math.max(...sizes));
  return [["R", "L"], ["A", "P"], ["I", "S"]][k][d[k] > 0 ? 1 : 0];
}

const WORDS = { R: "right", L: "left", A: "front", P: "back", I: "feet", S: "head" };
/** @param {Vec} d */
export const towards = (d) => WORDS[/** @type {keyof typeof WORDS} */ (letter(d))];

export const IDENTITY = [1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1];
